package intake

import (
	"slices"

	"tickover/queue/spell"
)

// Names of columns.
const (
	colTicket    = "ticket"
	colMake      = "make"
	colModel     = "model"
	colYear      = "year"
	colOwnership = "ownership"
	colRoute     = "route"
	colPromise   = "promise"
	colFamily    = "family"
	colFrame     = "frame"
	colFitment   = "fitment"
	colPlate     = "plate"
	colOptions   = "options"
	colWeight    = "weight"
	colParts     = "parts"
	colContact   = "contact"
	colNote      = "note"
	colBeside    = "beside"
)

// column is a column that a file may have.
type column struct {
	name   string
	needed bool
	also   []string // other names that people give it, folded
}

// table is the columns of a kind of file.
type table []column

var columns = table{
	{colTicket, true, []string{"ticketno", "ticketnumber", "unit", "unitid"}},
	{colMake, true, []string{"maker", "brand"}},
	{colModel, true, nil},
	{colYear, true, []string{"modelyear"}},
	{colOwnership, true, []string{"owner"}},
	{colRoute, true, []string{"job", "visit"}},
	{colPromise, true, []string{"promised", "promisedfor", "due"}},
	{colFamily, false, []string{"controllerfamily", "controller"}},
	{colFrame, false, []string{"framenumber", "frameno", "vin", "pin"}},
	{colFitment, false, []string{"exhaust"}},
	{colPlate, false, []string{"licenceplate", "licenseplate", "registration"}},
	{colOptions, false, []string{"option", "optionalsteps"}},
	{colWeight, false, []string{"priority"}},
	{colParts, false, []string{"partsready", "waitsfor"}},
	{colContact, false, []string{"contactid", "customerid"}},
	{colNote, false, []string{"notes", "remark", "remarks"}},
	{colBeside, false, []string{"besideticket"}},
}

// Columns lists the names of the columns of a file of units, those that are
// needed first.
func Columns() []string { return columns.names() }

func (t table) names() []string {
	names := make([]string, len(t))
	for i, c := range t {
		names[i] = c.name
	}
	return names
}

// row puts cells in the order of the columns.
func (t table) row(cells map[string]string) []string {
	row := t.names()
	for i, name := range row {
		row[i] = cells[name]
	}
	return row
}

func (t table) needed() []string {
	var names []string
	for _, c := range t {
		if c.needed {
			names = append(names, c.name)
		}
	}
	return names
}

// named finds a column by what a file calls it.
func (t table) named(s string) (string, bool) {
	s = spell.Fold(s)
	for _, c := range t {
		if spell.Fold(c.name) == s || slices.Contains(c.also, s) {
			return c.name, true
		}
	}
	return "", false
}
