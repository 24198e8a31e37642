package intake

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/queue/sheet"
	"tickover/queue/spell"
)

// Names of a calibration file's columns. Those that are not needed may be left
// out or empty.
const (
	colID         = "id"
	colRevision   = "revision"
	colYears      = "years" // 2024-2026, or 2026
	colVariant    = "variant"
	colReleased   = "released"
	colSupersedes = "supersedes"
	colMandatory  = "mandatory"
	colNoneNeeded = "none_needed"
	colForCaller  = "for_caller"
)

var calibrationColumns = table{
	{colID, true, []string{"calibration", "calibrationid"}},
	{colRevision, true, []string{"rev"}},
	{colMake, true, []string{"maker", "brand"}},
	{colModel, true, nil},
	{colYears, true, []string{"modelyears", "modelyear", "year"}},
	{colFamily, true, []string{"controllerfamily", "controller"}},
	{colReleased, true, []string{"releasedate", "releasedon", "date"}},
	{colFitment, false, []string{"exhaust"}},
	{colVariant, false, []string{"idle"}},
	{colSupersedes, false, []string{"replaces"}},
	{colMandatory, false, []string{"callback"}},
	{colNoneNeeded, false, nil},
	{colForCaller, false, []string{"note", "notes", "customer"}},
}

// CalibrationColumns lists the names of the columns, those that are needed
// first.
func CalibrationColumns() []string { return calibrationColumns.names() }

// CalibrationRow is a line of the file that can be taken.
type CalibrationRow struct {
	Line int // where it begins, from 1
	queue.Calibration
}

// Calibrations is the rows of a file that can be taken.
type Calibrations struct{ Rows []CalibrationRow }

// calibrationsMax bounds the entries of one file.
const calibrationsMax = 20_000

// LoadCalibrations reads a whole file: CSV as [Load] takes it, with the columns
// of [CalibrationColumns]. Errors has every mistake by line. What a spreadsheet
// was kept from running ('=…) is read as it was meant.
func LoadCalibrations(r io.Reader) (*Calibrations, Errors) {
	f, errs := open(r, calibrationColumns, nil)
	if errs != nil {
		return nil, errs
	}
	b := &Calibrations{}
	for !f.broken {
		record, problems, done := f.next()
		if done {
			break
		}
		if record != nil {
			var c queue.Calibration
			if c, problems = f.calibration(record); problems == nil {
				b.Rows = append(b.Rows, CalibrationRow{f.line, c})
			}
		}
		errs = append(errs, problems...)
		if len(b.Rows)+len(errs) > calibrationsMax {
			errs = append(errs, badRow(f.line, "", "split it", "the file has more than %d rows", calibrationsMax))
			break
		}
	}
	errs.sort()
	return b, errs
}

func (f *file) calibration(record []string) (queue.Calibration, Errors) {
	for i := range record {
		record[i] = sheet.Text(record[i])
	}
	l := &line{f: f, cells: record}
	var c queue.Calibration
	c.ID = queue.CalibrationID(l.must(colID, 64))
	c.Revision = l.revision()
	c.Make, c.Model = l.must(colMake, 80), l.must(colModel, 80)
	c.YearFrom, c.YearTo = l.years()
	c.Fitment = queue.Fitment(cmp.Or(l.text(colFitment, 60), string(fitmentDefault)))
	c.Variant = l.variant()
	c.Released = l.day()
	c.Supersedes = queue.CalibrationID(l.text(colSupersedes, 64))
	c.Mandatory, c.NoneNeeded = l.yesNo(colMandatory), l.yesNo(colNoneNeeded)
	c.ForCaller = l.lines(colForCaller)
	if c.NoneNeeded {
		c.Family = queue.Family(l.text(colFamily, 60))
	} else {
		c.Family = queue.Family(l.must(colFamily, 60))
	}
	if c.NoneNeeded && c.Mandatory {
		l.bad(colMandatory, "take one of them out", "none is needed and it is mandatory: that can't be both")
	}
	return c, l.errs
}

var (
	numberPattern = regexp.MustCompile(`^[1-9][0-9]{0,5}$`)
	yearsPattern  = regexp.MustCompile(`^([0-9]{4})(?:\s*[-–]\s*([0-9]{4}))?$`)
)

func (l *line) revision() int {
	s := l.must(colRevision, 20)
	if s == "" {
		return 0
	}
	if !numberPattern.MatchString(s) {
		l.bad(colRevision, "revisions are whole numbers from 1", "%s is no revision", clip(s))
		return 0
	}
	n, _ := strconv.Atoi(s) // the pattern holds
	return n
}

func (l *line) years() (from, to int) {
	s := l.must(colYears, 20)
	if s == "" {
		return 0, 0
	}
	m := yearsPattern.FindStringSubmatch(s)
	if m == nil {
		l.bad(colYears, "write the first and the last model year, 2024-2026, or one, 2026", "%s are no model years", clip(s))
		return 0, 0
	}
	from, _ = strconv.Atoi(m[1])
	to, _ = strconv.Atoi(cmp.Or(m[2], m[1]))
	if from < 1900 || to > 2200 || to < from {
		l.bad(colYears, "the first year comes first; years lie between 1900 and 2200", "%s are no model years", clip(s))
	}
	return from, to
}

func (l *line) variant() queue.Variant {
	s := strings.Join(strings.Fields(l.text(colVariant, 40)), "")
	if s == "" || spell.Fold(s) == variantStandard {
		return queue.VariantStandard
	}
	if v := queue.Variant(strings.ToLower(s)); slices.Contains(queue.Variants(), v) {
		return v
	}
	l.bad(colVariant, spell.SaySuggest(s, variantWords()), "there is no variant %s", clip(s))
	return queue.VariantStandard
}

// variantStandard is the standard variant in a file.
const variantStandard = "standard"

func variantWords() []string {
	var out []string
	for _, v := range queue.Variants() {
		out = append(out, cmp.Or(string(v), variantStandard))
	}
	return out
}

func (l *line) day() string {
	s := l.must(colReleased, 20)
	if s == "" {
		return ""
	}
	if t, err := time.Parse(time.DateOnly, s); err != nil || t.Year() < 1990 || t.Year() > 2200 {
		l.bad(colReleased, "write the date as 2026-01-12", "%s is no date that can be read without guessing", clip(s))
	}
	return s
}

func (l *line) yesNo(column string) bool {
	switch s := l.text(column, 20); strings.ToLower(s) {
	case "yes":
		return true
	case "", "no":
	default:
		l.bad(column, "write yes or no", "%s is neither yes nor no", clip(s))
	}
	return false
}

// lines reads a text that may have several lines.
func (l *line) lines(column string) string {
	s := l.cell(column)
	switch {
	case len(s) > noteMax:
		l.bad(column, "shorten it", "the text has %d bytes, at most %d are allowed", len(s), noteMax)
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		l.bad(column, "take it out", "the text holds a control character")
	default:
		return s
	}
	return ""
}

// CalibrationPlan is what a file comes to beside a catalogue.
type CalibrationPlan struct {
	New       []queue.Calibration // in the order of the file
	Unchanged int                 // listed already as they are
	Errors    Errors
}

// Against compares the file with what is listed. A contradiction or overlap
// names both lines.
func (b *Calibrations) Against(listed *queue.Catalogue) CalibrationPlan {
	var p CalibrationPlan
	entries := make([]queue.Calibration, len(b.Rows))
	for i, row := range b.Rows {
		entries[i] = row.Calibration
	}
	first := map[queue.CalibrationRef]int{}
	for i, row := range b.Rows {
		if j, twice := first[row.Ref()]; twice && row.Calibration == b.Rows[j].Calibration {
			p.Errors = append(p.Errors, badRow(row.Line, "", "take one of the two lines out", "the same entry stands in line %d and line %d", b.Rows[j].Line, row.Line))
			continue
		}
		first[row.Ref()] = i
		if old := listed.Find(row.Ref()); old != nil && *old == row.Calibration {
			p.Unchanged++
			continue
		}
		p.New = append(p.New, row.Calibration)
	}
	for _, c := range listed.Check(entries) {
		at := b.Rows[c.Index].Line
		do := said.Text{Format: c.Do}
		if c.Other >= 0 {
			p.Errors = append(p.Errors, badRow(at, "", do, "line %d and line %d: %s", at, b.Rows[c.Other].Line, c.Say))
			continue
		}
		p.Errors = append(p.Errors, badRow(at, "", do, "%s", c.Say))
	}
	p.Errors.sort()
	return p
}

// listingMax is how many entries one command lists.
const listingMax = 200

// ListCommands cuts entries into commands that the queue takes one after the
// other: what is superseded comes first, and the revisions of one calibration
// stay together. The ids follow from the content.
func ListCommands(entries []queue.Calibration, by Sender) []queue.Command {
	var out []queue.Command
	var batch []queue.Calibration
	send := func() {
		if len(batch) > 0 {
			out = append(out, by.list(batch))
			batch = nil
		}
	}
	for _, group := range inOrder(entries) {
		if len(batch)+len(group) > listingMax {
			send()
		}
		for len(group) > listingMax {
			batch, group = group[:listingMax], group[listingMax:]
			send()
		}
		batch = append(batch, group...)
	}
	send()
	return out
}

// inOrder are the entries of each calibration by revision, those that others
// supersede first.
func inOrder(entries []queue.Calibration) [][]queue.Calibration {
	groups := map[queue.CalibrationID][]queue.Calibration{}
	var ids []queue.CalibrationID
	for _, e := range entries {
		if groups[e.ID] == nil {
			ids = append(ids, e.ID)
		}
		groups[e.ID] = append(groups[e.ID], e)
	}
	var out [][]queue.Calibration
	seen := map[queue.CalibrationID]bool{}
	var add func(queue.CalibrationID)
	add = func(id queue.CalibrationID) {
		if seen[id] || groups[id] == nil {
			return
		}
		seen[id] = true
		for _, e := range groups[id] {
			add(e.Supersedes)
		}
		slices.SortStableFunc(groups[id], func(a, b queue.Calibration) int { return cmp.Compare(a.Revision, b.Revision) })
		out = append(out, groups[id])
	}
	for _, id := range ids {
		add(id)
	}
	return out
}

func (by Sender) list(entries []queue.Calibration) queue.Command {
	h := sha256.New()
	// Not the content alone: what was withdrawn may be listed once more.
	fmt.Fprintf(h, "%d\n", by.Now.UnixNano())
	_ = json.NewEncoder(h).Encode(entries) // of a hash: no errors
	return queue.Command{ID: queue.CommandID("calibrations-" + hex.EncodeToString(h.Sum(nil)[:20])), At: by.Now, Actor: by.Actor,
		Action: &queue.ListCalibrations{Calibrations: slices.Clip(entries)}}
}

// WriteCalibrations writes a file that [LoadCalibrations] reads back: every
// entry, every column, the header first.
func WriteCalibrations(w io.Writer, entries []queue.Calibration) error {
	rows := [][]string{CalibrationColumns()}
	for _, c := range entries {
		cell := map[string]string{
			colID: string(c.ID), colRevision: strconv.Itoa(c.Revision), colMake: c.Make, colModel: c.Model, colYears: strconv.Itoa(c.YearFrom),
			colFamily: string(c.Family), colFitment: string(c.Fitment), colVariant: cmp.Or(string(c.Variant), variantStandard), colReleased: c.Released,
			colSupersedes: string(c.Supersedes), colMandatory: yesOrNo(c.Mandatory), colNoneNeeded: yesOrNo(c.NoneNeeded), colForCaller: c.ForCaller,
		}
		if c.YearTo != c.YearFrom {
			cell[colYears] += "-" + strconv.Itoa(c.YearTo)
		}
		rows = append(rows, calibrationColumns.row(cell))
	}
	return sheet.Write(w, rows)
}

func yesOrNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
