package pages

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/locale"
)

// ownerTables are the tables that can be had as CSV, beside the lists of units.
var ownerTables = []struct{ key, text string }{
	{"days", locale.Mark("Days")}, {"weeks", locale.Mark("Weeks")}, {"resources", locale.Mark("Resources")},
	{"waits", locale.Mark("Waits")}, {"bottleneck", locale.Mark("Bottleneck")},
}

// ownerCSV writes a table by RFC 4180: CRLF, a header line with the units. A
// text that a spreadsheet would take for a formula gets an apostrophe.
func (p *Pages) ownerCSV(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	win, name := windowOf(b, r.URL.Query()), r.PathValue("table")
	if win.Bad != "" {
		p.fail(w, r, b, answer.Unknown(win.Bad, "Go back and change the days."))
		return
	}
	d, err := p.flowOf(r, b, &win)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	rows := b.table(name, d, win, queryOf(r.URL.Query()))
	if rows == nil {
		p.fail(w, r, b, answer.Unknown("there is no such table", "Open the owner's page and choose a table there."))
		return
	}
	p.table(w, fmt.Sprintf("tickover-%s-%s-%s",
		name, win.Start.In(b.Loc).Format(time.DateOnly), win.End.Add(-time.Second).In(b.Loc).Format(time.DateOnly)), rows)
}

// table is a table's lines, the header first; nil: there is no such table.
func (b *Base) table(name string, d *flow.Data, w ownerWindow, q flow.Query) [][]string {
	switch name {
	case "days":
		return b.bucketTable(b.T("Day"), flow.Count(d.Visits, w.days(b.Loc)))
	case "weeks":
		return b.bucketTable(b.T("Week from"), flow.Count(d.Visits, w.weeks(b.Loc)))
	case "resources":
		return b.loadTable(flow.Measure(d, w.Window).Loads)
	case "waits":
		rows := [][]string{{b.T("Units waited for"), b.T("Time (h)"), b.T("Units")}}
		for _, c := range flow.Measure(d, w.Window).Waits {
			rows = append(rows, []string{b.Word(causeTexts[c.Cause]), hours(c.Time), strconv.Itoa(c.Units)})
		}
		return rows
	case "bottleneck":
		return b.poolTable(d.Pools, flow.Measure(d, w.Window).Bottleneck.Pools)
	case "units":
		if q.Of == 0 {
			return nil
		}
		return b.unitTable(b.unitRows(d, w, q))
	}
	return nil
}

func (b *Base) bucketTable(first string, buckets []flow.Bucket) [][]string {
	rows := [][]string{{first, b.T("Arrived"), b.T("Left"), b.T("Promises due"), b.T("Promises kept"), b.T("Promises kept (percent)")}}
	for _, x := range buckets {
		rows = append(rows, []string{
			x.Start.In(b.Loc).Format(time.DateOnly), strconv.Itoa(x.Arrived), strconv.Itoa(x.Left),
			strconv.Itoa(x.Promises.Of), strconv.Itoa(x.Promises.Kept), percent(x.Promises.Value(), x.Promises.Of > 0),
		})
	}
	return rows
}

func (b *Base) loadTable(loads []flow.Load) [][]string {
	rows := [][]string{{
		b.T("Resource"), b.T("Name"), b.T("Places"), b.T("Open (h)"), b.T("Hands-on (h)"), b.T("Hands-off (h)"),
		b.T("Locked, nothing happens (h)"), b.T("Down or absent (h)"), b.T("Free (h)"), b.T("Held outside opening hours (h)"),
	}}
	for _, l := range loads {
		rows = append(rows, []string{
			l.Resource, b.label(l.Resource), strconv.Itoa(l.Capacity), hours(l.Open), hours(l.HandsOn), hours(l.HandsOff),
			hours(l.Locked), hours(l.Down), hours(l.Idle), hours(l.Outside),
		})
	}
	return rows
}

// label is the name of a resource or a technician.
func (b *Base) label(id string) string {
	i := slices.IndexFunc(b.Shop.Technicians, func(t queue.Technician) bool { return string(t.ID) == id })
	if i >= 0 {
		return b.Shop.Technicians[i].Name
	}
	return b.Thing(queue.ResourceID(id))
}

func (b *Base) poolTable(pools []flow.Pool, active []flow.Active) [][]string {
	rows := [][]string{{
		b.T("Of what none was free"), b.T("Active periods"), b.T("Mean active period (h)"), b.T("Standard error (h)"),
		b.T("Active, of opening time"), b.T("Sole bottleneck, of opening time"), b.T("Shifting bottleneck, of opening time"),
	}}
	for _, a := range active {
		rows = append(rows, []string{
			b.poolName(pools, a.Pool), strconv.Itoa(a.Periods), hours(a.Mean), hours(a.Error), share(a.Share), share(a.Sole), share(a.Shifting),
		})
	}
	return rows
}

func (b *Base) unitTable(units []unitRow) [][]string {
	zone := b.Shop.TimeZone
	rows := [][]string{{
		b.T("Ticket"), b.T("Make"), b.T("Model"), b.T("Year"), b.T("Frame number"),
		b.T("Arrived (%s)", zone), b.T("Ready (%s)", zone), b.T("Left (%s)", zone), b.T("Promise (%s)", zone),
		b.T("Time in the shop (h)"), b.T("Time behind the number (h)"),
	}}
	for _, u := range units {
		stay := ""
		if !u.Left.IsZero() {
			stay = hours(u.Left.Sub(u.Arrived))
		}
		row := []string{u.Unit, "", "", "", "", b.stamp(u.Arrived), b.stamp(u.Ready), b.stamp(u.Left), b.stamp(u.Visit.Promise), stay, hours(u.Time)}
		if m := u.Machine; m != nil {
			row[1], row[2], row[3], row[4] = m.Make, m.Model, strconv.Itoa(m.Year), m.Frame
		}
		rows = append(rows, row)
	}
	return rows
}

func (b *Base) stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(b.Loc).Format(time.DateTime)
}

func hours(d time.Duration) string { return strconv.FormatFloat(d.Hours(), 'f', 3, 64) }

func share(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }

func percent(v float64, known bool) string {
	if !known {
		return ""
	}
	return strconv.FormatFloat(100*v, 'f', 1, 64)
}
