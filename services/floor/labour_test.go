package floor_test

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	goical "github.com/emersion/go-ical"
	"golang.org/x/net/html"

	"tickover/queue"
)

// row is a table row's cells by the unit, operation or person that it names.
func (d document) row(name string) []string {
	d.t.Helper()
	for _, tr := range d.all(tag("tr")) {
		if th := all(tr, tag("th")); len(th) == 1 && text(th[0]) == name {
			var out []string
			for _, td := range all(tr, tag("td")) {
				out = append(out, text(td))
			}
			return out
		}
	}
	d.t.Fatalf("no row %q: %s", name, d.text())
	return nil
}

// TestLabourPage: a check-in of 5 minutes against 10, and a flash whose
// hands-on stretches took 10 and 10 against 6 and 6; the hands-off one is
// nobody's work.
func TestLabourPage(t *testing.T) {
	w := lookedBack(t)
	if d := w.page("/labour"); d.r.status != http.StatusForbidden || !strings.Contains(d.text(), "for the foreman and the owner") {
		t.Errorf("to anybody: %d %s", d.r.status, d.text())
	}
	w.be("ruth")
	d := w.page("/labour?span=day&day=2026-02-17")
	// The shop began at 9:30: until 12:00 they were there 2 h 30 less the break
	// of 15 min.
	for name, want := range map[string][]string{
		"Tomas Quarrick":        {"2 h 15 min", "20 min", "12 min", "15 %", "60 %", "9 %"},
		"Ines Fellowby":         {"2 h 15 min", "5 min", "10 min", "4 %", "200 %", "7 %"},
		"Flash the calibration": {"2", "20 min", "12 min", "60 %"},
		"Check-in":              {"1", "5 min", "10 min", "200 %"},
		"LM-1":                  {"3", "25 min", "22 min", "88 %"},
	} {
		if got := d.row(name); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	for _, formula := range []string{"Productivity = hours worked / hours available", "Efficiency = standard hours produced / hours worked", "Proficiency = standard hours produced / hours available", "wanada.org"} {
		if !strings.Contains(d.text(), formula) {
			t.Errorf("the page does not say %q", formula)
		}
	}
	// Each number opens the steps behind it, and they come to it.
	links := 0
	for _, tr := range d.all(tag("tr")) {
		for _, a := range all(tr, func(n *html.Node) bool { return strings.HasPrefix(attr(n, "href"), "/labour/steps") }) {
			links++
			steps := w.page(attr(a, "href"))
			if steps.r.status != http.StatusOK {
				t.Fatalf("%s: %d", attr(a, "href"), steps.r.status)
			}
			var worked string
			for _, n := range steps.all(func(n *html.Node) bool { return attr(n, "id") == "worked" }) {
				worked = text(n)
			}
			cells := all(tr, tag("td"))
			if !slices.ContainsFunc(cells, func(n *html.Node) bool { return text(n) == worked }) {
				t.Errorf("%s comes to %s, which the page does not say of %s", attr(a, "href"), worked, text(tr))
			}
		}
	}
	if links < 6 {
		t.Errorf("only %d numbers open their steps", links)
	}
	for _, bad := range []string{"/labour?day=x", "/labour?day=2031-01-01", "/labour/steps?by=mood"} {
		if r := w.get(bad); r.status < 400 || r.status > 499 {
			t.Errorf("%s: %d", bad, r.status)
		}
	}
	if d := w.page("/labour?span=month&day=2026-01-05"); !strings.Contains(d.text(), "No hands-on work in this time.") {
		t.Errorf("an empty month: %s", d.text())
	}
}

// TestLabourCSV: the lines' minutes are those of the log; a text that a
// spreadsheet would run is made harmless.
func TestLabourCSV(t *testing.T) {
	w := lookedBack(t)
	w.be("ruth")
	w.do("ruth", &queue.ReceiveUnit{Unit: "LM-9", Arrival: queue.UnitArrived{
		Machine: queue.Machine{Frame: "KB25-26-00999", Make: "=cmd|' /C calc'!A0", Model: "@Brae", Year: 2026, Family: "kr5", Fitment: "standard"}, Ownership: queue.CustomerUnit, Route: "reflash",
		Promise: morning.Add(30 * time.Hour), Weight: 5}})
	w.doStep("LM-9", 0)
	w.clock.add(time.Minute)
	r := w.get("/labour/lines.csv?span=day&day=2026-02-17")
	if r.status != http.StatusOK || !strings.HasPrefix(r.header.Get("Content-Type"), "text/csv") || !strings.Contains(r.header.Get("Content-Disposition"), "tickover-labour-2026-02-17-day.csv") {
		t.Fatalf("%d %v", r.status, r.header)
	}
	if bytes.Count(r.body, []byte("\n")) != bytes.Count(r.body, []byte("\r\n")) {
		t.Error("a line does not end with CRLF")
	}
	rows, err := csv.NewReader(bytes.NewReader(r.body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := func(name string) int {
		i := slices.Index(rows[0], name)
		if i < 0 {
			t.Fatalf("no column %q in %v", name, rows[0])
		}
		return i
	}
	sums := map[string]float64{}
	for _, row := range rows[1:] {
		for _, cell := range row {
			if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("%q would be run", cell)
			}
		}
		x, err := strconv.ParseFloat(row[at("Hands-on (min)")], 64)
		if err != nil {
			t.Fatal(err)
		}
		sums[row[at("Ticket")]] += x
	}
	if sums["LM-1"] != 25 || sums["LM-9"] != 5 || len(rows) != 5 {
		t.Errorf("%v in %d rows", sums, len(rows))
	}
	if got := rows[4][at("Make")]; got != "'=cmd|' /C calc'!A0" {
		t.Errorf("make %q", got)
	}
	at("From (Europe/London)")
	at("Standard time produced (min)")
}

// TestForgottenDoneIsSaid: a check-in signed off the next morning is named and
// not counted.
func TestForgottenDoneIsSaid(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	w.clock.set(time.Date(2026, 2, 18, 9, 0, 0, 0, time.UTC))
	w.do("ines", &queue.FinishStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "KB25-26-00417", "odometer_km": "12.5", "engine_h": "0.4"}})
	w.clock.add(time.Minute)
	w.be("ruth")
	d := w.page("/labour?span=week")
	if !strings.Contains(d.text(), "1 piece of work is not counted") || !strings.Contains(d.text(), "was “done” forgotten?") {
		t.Errorf("%s", d.text())
	}
	if got := d.row("Check-in"); got[0] != "0" || !strings.HasPrefix(got[1], "0 min + 23 h 30 min doubtful") || got[2] != "0 min" {
		t.Errorf("check-in: %v", got)
	}
}

// calendarOf reads a technician's day with another library than the one that
// wrote it.
func (w *world) calendarOf(path string) map[string]*goical.Event {
	w.t.Helper()
	r := w.get(path)
	if r.status != http.StatusOK || !strings.HasPrefix(r.header.Get("Content-Type"), "text/calendar") {
		w.t.Fatalf("%s: %d %s", path, r.status, r.body)
	}
	for line := range strings.SplitSeq(string(r.body), "\r\n") {
		if len(line) > 75 { // RFC 5545, section 3.1
			w.t.Errorf("a line of %d octets: %s", len(line), line)
		}
	}
	cal, err := goical.NewDecoder(bytes.NewReader(r.body)).Decode()
	if err != nil {
		w.t.Fatalf("%v\n%s", err, r.body)
	}
	out := map[string]*goical.Event{}
	for _, e := range cal.Events() {
		uid, err := e.Props.Text(goical.PropUID)
		if err != nil || uid == "" || out[uid] != nil || e.Props.Get(goical.PropDateTimeStamp) == nil {
			w.t.Errorf("uid %q, %v", uid, err)
		}
		out[uid] = &e
	}
	return out
}

// TestDayAsCalendar: what was done stands at its time, what is planned is
// tentative and keeps its name once it is done.
func TestDayAsCalendar(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.doStep("LM-1", 0)
	before := w.calendarOf("/technicians/tomas/day.ics?day=2026-02-17")
	for _, who := range []string{"ruth", "kofi"} {
		for uid, e := range w.calendarOf("/technicians/" + who + "/day.ics?day=2026-02-17") {
			before[uid] = e
		}
	}
	uid := "LM-1/flash/1/3/0@larkmoor.tickover"
	if e := before[uid]; e == nil || e.Props.Get(goical.PropStatus).Value != "TENTATIVE" {
		t.Fatalf("the flash is not planned for anybody under %s: %v", uid, before)
	}
	w.clock.set(morning.Add(time.Hour))
	w.doStep("LM-1", 1)
	w.clock.add(time.Minute)
	after := w.calendarOf("/technicians/tomas/day.ics?day=2026-02-17")
	e := after[uid]
	if e == nil || e.Props.Get(goical.PropStatus).Value != "CONFIRMED" {
		t.Fatalf("the flash that was done is not there: %v", after)
	}
	start, err := e.DateTimeStart(time.UTC)
	end, err2 := e.DateTimeEnd(time.UTC)
	if err != nil || err2 != nil || !start.Equal(morning.Add(time.Hour)) || !end.Equal(morning.Add(70*time.Minute)) {
		t.Errorf("from %s to %s, %v, %v", start, end, err, err2)
	}
	if s, _ := e.Props.Text(goical.PropSummary); s != "LM-1 Flash the calibration, Kestrow Brae 250" {
		t.Errorf("summary %q", s)
	}
	for _, bad := range []string{"/technicians/nobody/day.ics", "/technicians/tomas/day.ics?day=soon"} {
		if r := w.get(bad); r.status < 400 || r.status > 499 {
			t.Errorf("%s: %d", bad, r.status)
		}
	}
}

// TestDayOfTheClockChange: on 29 March 2026 British clocks go from 01:00 GMT to
// 02:00 BST; the day has 23 hours, and an entry over the change has its 20
// minutes.
func TestDayOfTheClockChange(t *testing.T) {
	w := newWorld(t)
	w.clock.set(time.Date(2026, 3, 29, 0, 50, 0, 0, time.UTC))
	w.arrive("LM-1", "reflash")
	w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	w.clock.add(20 * time.Minute)
	w.do("ines", &queue.FinishStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "KB25-26-00417", "odometer_km": "12.5", "engine_h": "0.4"}})
	w.clock.set(time.Date(2026, 3, 30, 8, 0, 0, 0, time.UTC))
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	e := w.calendarOf("/technicians/ines/day.ics?day=2026-03-29")["LM-1/check-in/1/1/0@larkmoor.tickover"]
	if e == nil {
		t.Fatal("the check-in is not in its day")
	}
	start, _ := e.DateTimeStart(time.UTC)
	end, _ := e.DateTimeEnd(time.UTC)
	if got := start.In(london).Format("15:04 MST") + " " + end.In(london).Format("15:04 MST"); got != "00:50 GMT 02:10 BST" || end.Sub(start) != 20*time.Minute {
		t.Errorf("%s, %s", got, end.Sub(start))
	}
	// 23:30 of that day is not yet the next one: 22:30 UTC.
	for day, want := range map[string]int{"2026-03-28": 0, "2026-03-29": 1} {
		n := 0
		for uid := range w.calendarOf("/technicians/ines/day.ics?" + url.Values{"day": {day}}.Encode()) {
			if strings.Contains(uid, "/check-in/1/") {
				n++
			}
		}
		if n != want {
			t.Errorf("%s has %d entries of it, want %d", day, n, want)
		}
	}
}
