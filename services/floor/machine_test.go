package floor_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"tickover/queue"
)

// twoVisits is a machine that was reflashed and tested, left, and came back in
// August with an odometer that shows less, a fault and steps left out.
func twoVisits(t testing.TB) *world {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	for i, v := range visit {
		if v.step == "flash" {
			w.clock.set(morning.Add(time.Hour))
		}
		if v.step == "relearn" {
			w.clock.set(time.Date(2026, 2, 17, 14, 0, 0, 0, time.UTC))
		}
		w.doStep("LM-1", i)
	}
	w.do("ruth", &queue.HandOver{Unit: "LM-1"})
	w.clock.set(time.Date(2026, 8, 19, 9, 5, 0, 0, time.UTC))
	w.do("ruth", &queue.ReceiveUnit{Unit: "LM-2", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "kb25 26 00417", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard", Plate: "LT26 TST"},
		Ownership: queue.CustomerUnit, Route: "reflash", Promise: w.clock.now().Add(30 * time.Hour), Weight: 5,
	}})
	start := func(step queue.StepID, who queue.PersonID, ev queue.Evidence, rs ...queue.ResourceID) {
		w.do(who, &queue.StartStep{Unit: "LM-2", Step: step, Technician: who, Resources: rs, Evidence: ev})
		w.clock.add(5 * time.Minute)
	}
	start("check-in", "ines", nil)
	w.do("ines", &queue.FinishStep{Unit: "LM-2", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{
		"frame_number": "KB25-26-00417", "odometer_km": "9", "engine_h": "31.5", "damage": "left cover cracked"}})
	start("flash", "tomas", queue.Evidence{"battery_v": "12.7"}, "b3", "i1", "c1")
	w.do("tomas", &queue.FinishStep{Unit: "LM-2", Step: "flash", Technician: "tomas", Evidence: queue.Evidence{
		"calibration": "kb250-std", "revision": "3", "programmed_on": "1998-01-01"}})
	w.do("ruth", &queue.SkipStep{Unit: "LM-2", Step: "test-ride", Reason: "the loop is under snow"})
	w.do("ines", &queue.ReportProblem{Unit: "LM-2", Step: "resets", Reason: "the plug does not hold"})
	return w
}

const machinePath = "/machines/KB252600417"

// TestMachinePage: both visits of the machine, under one key however its frame
// number was written, with readings, flags, faults and who left what out.
func TestMachinePage(t *testing.T) {
	w := twoVisits(t)
	d := w.page(machinePath)
	if d.r.status != http.StatusOK {
		t.Fatalf("%d %s", d.r.status, d.text())
	}
	for _, says := range []string{
		"2 visits", "LM-1", "LM-2", "9.0 km ⚑", "31.5 h", "12.7 V", "1760 rpm",
		"Programming date read back 1998-01-01", "a date that can't be right; kept as read, not believed",
		"Throttle sensor reset: yes, Idle values reset: yes",
		"1 reading is less than one before it", "Test ride left out Ruth Hedgelow: the loop is under snow",
		"the plug does not hold", "left cover cracked", "No campaign is open for it.",
		"kb250-std revision 3, the current one, flashed on 19 Aug 2026, 10:15",
	} {
		says = strings.ReplaceAll(says, " ⚑", " less than before")
		if !strings.Contains(d.text(), says) {
			t.Errorf("the page does not say %q:\n%s", says, d.text())
		}
	}
	// The drawings say their numbers to whoever can't see them.
	labels := 0
	for _, n := range d.all(tag("svg")) {
		if l := attr(n, "aria-label"); strings.HasPrefix(l, "Odometer from 12.5 km on 17 Feb 2026 to 9.0 km on 19 Aug 2026") || strings.HasPrefix(l, "Engine hours from 0.4 h") {
			labels++
		}
	}
	if labels != 2 {
		t.Errorf("%d drawings with their numbers, want 2", labels)
	}
	us := w.parse(w.send(http.MethodGet, machinePath, "", nil, "Accept-Language", "en-US"))
	if !strings.Contains(us.text(), "7.8 mi") || !strings.Contains(us.text(), "5.6 mi") { // 12.5 and 9 km
		t.Errorf("miles: %s", us.text())
	}
	trade := w.page(machinePath + "/trade-in")
	// 31.5 h over the time from 1 January to 19 August 2026, 09:10: 0.6308 years
	// of 365.25 days.
	for _, says := range []string{"Trade-in check", "31.5 h", "9.0 km", "49.9 h since 1 January 2026", "kb250-std revision 3", "Idle relearn", "open since 19 Aug 2026, 10:05", "left cover cracked", "None was taken here."} {
		if !strings.Contains(trade.text(), says) {
			t.Errorf("the trade-in check does not say %q:\n%s", says, trade.text())
		}
	}
	for _, path := range []string{"/units/LM-1", "/counter?q=LM-2", "/units?q=LM"} {
		found := false
		for _, a := range w.page(path).all(tag("a")) {
			found = found || attr(a, "href") == machinePath
		}
		if !found {
			t.Errorf("%s does not lead to the machine", path)
		}
	}
	if d := w.page("/machines/nobody"); d.r.status != http.StatusNotFound {
		t.Errorf("an unknown machine: %d", d.r.status)
	}
	// As of the first visit's evening there is one visit, and nothing ran back.
	if d := w.page(machinePath + "?asof=2026-02-17T20:00"); !strings.Contains(d.text(), "1 visit") || strings.Contains(d.text(), "LM-2") || strings.Contains(d.text(), "less than") {
		t.Errorf("as of February: %s", d.text())
	}
}

// TestMachineWithoutFrame: a machine without a frame number has a page too.
func TestMachineWithoutFrame(t *testing.T) {
	w := newWorld(t)
	w.do("ruth", &queue.ReceiveUnit{Unit: "LM-7", Arrival: queue.UnitArrived{
		Machine: queue.Machine{Make: "Kestrow", Model: "<b>Brae</b>", Year: 2026, Family: "kr5", Fitment: "standard"}, Ownership: queue.CustomerUnit, Route: "reflash",
		Promise: morning.Add(30 * time.Hour), Weight: 5,
	}})
	for _, a := range w.page("/counter?q=LM").all(tag("a")) {
		if to := attr(a, "href"); strings.HasPrefix(to, "/machines/") {
			d := w.page(to)
			if d.r.status != http.StatusOK || !strings.Contains(d.text(), "Nothing was read from this machine yet.") || len(d.all(tag("b"))) != 0 {
				t.Errorf("%s: %d %s", to, d.r.status, d.text())
			}
			return
		}
	}
	t.Error("no link to the machine")
}

// TestHistoryInABrowser looks at the pages of the past.
func TestHistoryInABrowser(t *testing.T) {
	t.Parallel()
	w := twoVisits(t)
	b := newBrowser(t, w)
	b.Listen()
	b.Open("/me")
	b.Click(`button[value="ruth"]`)
	b.See(`.who .initial`)
	for _, width := range []int64{1440, 360} {
		for _, scheme := range []string{"light", "dark"} {
			b.Size(width, scheme)
			for name, path := range map[string]string{
				"machine": machinePath, "trade-in": machinePath + "/trade-in", "unit-now": "/units/LM-2",
				"past-unit": "/units/LM-1?asof=2026-02-17T10:40", "past-board": "/board?asof=2026-02-17T10:40", "past-counter": "/counter?q=LM&asof=2026-02-17T20:00",
				"labour": "/labour?day=2026-02-17&span=week", "labour-steps": "/labour/steps?day=2026-02-17&span=week&by=technician&id=tomas",
			} {
				b.Open(path)
				b.See("h1")
				b.fits(name, width)
				if scheme == "light" || width == 360 {
					b.Shot(name+"-"+scheme, width)
				}
			}
		}
	}
	// By keyboard: the footer opens the page as of a moment, and back.
	b.Size(1440, "light")
	b.Open("/units/LM-2")
	b.Click(`.look summary`)
	b.See(`.look input[name=asof]`)
	eval[bool](b, `(document.querySelector(".look input[name=asof]").value = "2026-08-19T09:06") != ""`)
	b.Click(`.look button`)
	b.See(`.past-band`)
	b.Until(`location.search == "?asof=2026-08-19T09%3A06" && !document.querySelector("main form[method=post]")`)
	b.Click(`.past-links .primary`)
	b.Until(`location.search == "" && document.querySelector("#hand-over")`)
}

// fits reports a page that is wider than the screen, or has targets that are
// too small to press.
func (b *browser) fits(name string, width int64) {
	b.T.Helper()
	b.Narrow(name, width)
	small := eval[string](b, `[...document.querySelectorAll("main button, main a, nav a, input:not([type=hidden]), summary")]
		.filter((e) => e.checkVisibility() && !e.closest("p, td, h3, dd, li > span, .whose, .story, .lane, .caller, .ticket, .figures th") && (e.getBoundingClientRect().height < 24 || e.getBoundingClientRect().width < 24)).map((e) => e.outerHTML.slice(0, 120)).join("\n")`)
	if small != "" {
		b.T.Errorf("%s at %d has small targets:\n%s", name, width, small)
	}
}

// TestPagesOfTheRecordAreSound: fields have labels, ids are unique, nothing is
// inline and nothing comes from another host, now and in the past.
func TestPagesOfTheRecordAreSound(t *testing.T) {
	w := twoVisits(t)
	w.be("ruth")
	for _, path := range []string{machinePath, machinePath + "/trade-in", "/labour?span=month", "/labour/steps?span=month&by=unit&id=LM-2", "/units/LM-2", "/counter?q=LM", "/owner"} {
		for _, asof := range []string{"", "asof=2026-08-19T10:12"} {
			at := path
			if asof != "" && strings.Contains(path, "?") {
				at += "&" + asof
			} else if asof != "" {
				at += "?" + asof
			}
			d := w.page(at)
			if d.r.status != http.StatusOK {
				t.Errorf("%s: %d %s", at, d.r.status, d.text())
			}
			for _, wrong := range unsound(d) {
				t.Errorf("%s: %s", at, wrong)
			}
		}
	}
}
