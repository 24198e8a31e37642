// Package export puts what the shop recorded into the forms that other programs
// open: tables for spreadsheets (package sheet writes them) and calendars. The
// pages send them in a person's language, the API in English.
//
// Units stand in the headers of the columns, times are on the shop's clock,
// whose zone the header names, and numbers have a point, whatever the language.
package export

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/said"
	"tickover/services/claims"
	"tickover/services/floor/record"
)

// Words say messages; a *locale.Language does.
type Words interface {
	Say(said.Text) string
	T(text string, args ...any) string
}

// Headers names the file that a browser keeps: CSV as RFC 4180 registers it.
func Headers(h http.Header, name string) {
	h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s.csv"`, name))
}

// LabourName is the name of a file of labour lines.
func LabourName(w record.Window) string {
	return "tickover-labour-" + w.Day.Format(time.DateOnly) + "-" + w.Span
}

// Labour is the labour lines for the shop's invoicing, the header first.
func Labour(l Words, shop *queue.Shop, lines []record.Line) [][]string {
	zone := shop.TimeZone
	rows := [][]string{{
		l.T("Ticket"), l.T("Make"), l.T("Model"), l.T("Year"), l.T("Frame number"), l.T("Step"), l.T("Operation"), l.T("Work"), l.T("Run"),
		l.T("Technician"), l.T("Name"), l.T("From (%s)", zone), l.T("To (%s)", zone), l.T("Hands-on (min)"), l.T("Standard time produced (min)"), l.T("Counted"), l.T("Remark"),
	}}
	for _, x := range lines {
		counted := l.T("yes")
		if x.Doubts() {
			counted = l.T("no")
		}
		remark := Doubt(l, x.Doubt)
		if x.Running {
			remark = strings.TrimSpace(l.T("still running") + " " + remark)
		}
		row := []string{x.Unit, "", "", "", "", x.Step, x.Operation, Operation(shop, queue.OperationID(x.Operation)), strconv.Itoa(x.Run), x.Technician, Person(shop, queue.PersonID(x.Technician)),
			stamp(shop, x.Start), stamp(shop, x.End), minutes(x.Time, 2), minutes(x.Earned, 2), counted, remark}
		if m := x.Machine; m != nil {
			row[1], row[2], row[3], row[4] = m.Make, m.Model, strconv.Itoa(m.Year), m.Frame
		}
		rows = append(rows, row)
	}
	return rows
}

// Claim is the claim sheet of a campaign, the header first.
func Claim(l Words, shop *queue.Shop, lines []claims.Line) [][]string {
	rows := [][]string{{
		l.T("Ticket"), l.T("Frame number"), l.T("Make"), l.T("Model"), l.T("Year"), l.T("Done (%s)", shop.TimeZone),
		l.T("Calibration"), l.T("Revision"), l.T("Work"), l.T("Technician"), l.T("Hands-on (min)"), l.T("Not counted (min)"),
	}}
	for _, x := range lines {
		id, revision := "", ""
		if x.Calibration != nil {
			id, revision = string(x.Calibration.ID), strconv.Itoa(x.Calibration.Revision)
		}
		rows = append(rows, []string{
			string(x.Unit), x.Machine.Frame, x.Machine.Make, x.Machine.Model, strconv.Itoa(x.Machine.Year), stamp(shop, x.Done),
			id, revision, Operation(shop, x.Operation), Person(shop, x.Technician), minutes(x.HandsOn, 1), minutes(x.Doubtful, 1),
		})
	}
	return rows
}

// Doubt says why a piece of work is not counted; empty: it is.
func Doubt(l Words, d labour.Doubt) string {
	switch d {
	case labour.TooLong:
		return l.T("far longer than its standard time: was “done” forgotten?")
	case labour.OverClose:
		return l.T("it ran on after closing: was “done” forgotten?")
	}
	return ""
}

// Person is a person's name, or the id of somebody unknown.
func Person(shop *queue.Shop, id queue.PersonID) string { return shop.TechnicianName(id) }

// Operation is an operation's name, or its id.
func Operation(shop *queue.Shop, id queue.OperationID) string {
	if op := shop.Operation(id); op != nil {
		return op.Name
	}
	return string(id)
}

func stamp(shop *queue.Shop, t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(shop.Location()).Format(time.DateTime)
}

func minutes(d time.Duration, decimals int) string {
	return strconv.FormatFloat(d.Minutes(), 'f', decimals, 64)
}
