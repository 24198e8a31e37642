package floor_test

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/services/floor/live"
)

// everyPage lists a page of each kind of a shop with something going on.
func (w *world) everyPage() []string {
	w.t.Helper()
	w.arrive("LM-1", "reflash")
	w.arrive("LM-2", "set-up")
	w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	w.clock.add(10 * time.Minute)
	w.do("ines", &queue.FinishStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "x", "odometer_km": "1", "engine_h": "1"}})
	w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.do("ruth", &queue.ReportProblem{Unit: "LM-1", Step: "resets", Reason: "cable is worn"})
	w.do("ruth", &queue.Close{Resource: "p1", From: w.clock.now(), Until: w.clock.now().Add(time.Hour), Reason: "ice"})
	return []string{"/", "/me", "/board", "/board?day=2026-02-18", "/board?day=2026-02-22", "/job", "/bench", "/bench/b3", "/bench/p1", "/bench/c2",
		"/units", "/units?q=LM", "/units?q=none", "/units/LM-1", "/units/LM-2", "/units/LM-1/steps/flash", "/units/LM-2/steps/check-in",
		"/check-in", "/check-in?frame=1M8GDM9AXKP042788", "/import", "/cautions", "/api"}
}

// TestEveryPageIsSound: on every page, for everybody, fields have labels, forms
// have a command id, ids are unique, nothing is inline and nothing comes from
// another host.
func TestEveryPageIsSound(t *testing.T) {
	w := newWorld(t)
	paths := w.everyPage()
	for _, person := range []string{"", "ruth", "tomas", "owner"} {
		if person != "" {
			w.be(person)
		}
		for _, path := range paths {
			d := w.page(path)
			if d.r.status != http.StatusOK {
				t.Errorf("%s for %q: %d %s", path, person, d.r.status, d.text())
				continue
			}
			for _, wrong := range unsound(d) {
				t.Errorf("%s for %q: %s", path, person, wrong)
			}
		}
	}
}

func unsound(d document) (wrong []string) {
	add := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	ids := map[string]bool{}
	labels := map[string]bool{}
	for _, n := range d.all(tag("label")) {
		labels[attr(n, "for")] = true
	}
	headings := 0
	for _, n := range d.all(func(*html.Node) bool { return true }) {
		if id, ok := has(n, "id"); ok {
			if ids[id] {
				add("id %q stands twice", id)
			}
			ids[id] = true
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" {
				add("%s has the inline attribute %s", n.Data, a.Key)
			}
			if (a.Key == "href" || a.Key == "src" || a.Key == "action") && (strings.Contains(a.Val, "//") || strings.HasPrefix(a.Val, "javascript:")) {
				add("%s points to %s", n.Data, a.Val)
			}
		}
		switch n.Data {
		case "h1":
			headings++
		case "style":
			add("an inline style sheet")
		case "script":
			if src := attr(n, "src"); !strings.HasPrefix(src, "/static/") || text(n) != "" {
				add("a script that is not ours: %s", src)
			}
		case "input", "select", "textarea":
			if attr(n, "type") != "hidden" && !labelled(n, labels) {
				add("field %q has no label", attr(n, "name"))
			}
		case "button", "a":
			if text(n) == "" && attr(n, "aria-label") == "" {
				add("a %s without a name", n.Data)
			}
		case "form":
			act := attr(n, "action")
			if strings.HasPrefix(act, "/do/") && valuesOf(n).Get("command_id") == "" {
				add("form %s has no command id", act)
			}
		case "img":
			add("an image without need")
		}
	}
	if headings != 1 {
		add("%d main headings", headings)
	}
	return wrong
}

func labelled(n *html.Node, labels map[string]bool) bool {
	if labels[attr(n, "id")] && attr(n, "id") != "" || attr(n, "aria-label") != "" {
		return true
	}
	for p := range n.Ancestors() {
		if p.Data == "label" {
			return true
		}
	}
	return false
}

// TestHostileTextIsEscaped: what people write is text on every page.
func TestHostileTextIsEscaped(t *testing.T) {
	w := newWorld(t)
	const evil = `<script>alert(1)</script><img src=x onerror=alert(1)>"'</title></textarea>&amp;{{.}}`
	w.do("ruth", &queue.ReceiveUnit{Unit: "LM-1", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: evil[:60], Make: evil[:25], Model: evil[25:80], Year: 2026, Family: "kr5", Fitment: "<b>loud</b>", Plate: "<i>1</i>"},
		Ownership: queue.NewUnit, Route: "reflash", Promise: morning.Add(24 * time.Hour), Weight: 5, Note: evil,
	}})
	w.do("ines", &queue.ReportProblem{Unit: "LM-1", Step: "check-in", Reason: evil})
	w.do("ruth", &queue.Close{Resource: "p1", From: morning, Until: morning.Add(2 * time.Hour), Reason: evil})
	w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"damage": evil}})
	w.be("ruth")
	pages := []string{"/", "/board", "/job", "/bench/p1", "/units", "/units/LM-1", "/units/LM-1/steps/check-in", "/check-in", "/units?q=" + url.QueryEscape(evil), "/check-in?frame=" + url.QueryEscape(evil) + "&make=" + url.QueryEscape(evil)}
	seen := 0
	for _, path := range pages {
		d := w.page(path)
		for _, wrong := range unsound(d) {
			t.Errorf("%s: %s", path, wrong)
		}
		if strings.Contains(d.text(), "<script>alert(1)") {
			seen++
		}
	}
	if seen < 4 {
		t.Errorf("the text is shown on %d pages: it should be shown as it is", seen)
	}
	// And in the answer to a form.
	f := w.page("/units/LM-1/steps/check-in").form("/do/done", "step", "check-in")
	d := w.submit(f, "ev.odometer_km", evil)
	for _, wrong := range unsound(d) {
		t.Errorf("after a refusal: %s", wrong)
	}
	if !strings.Contains(d.refusal(), "can't be read as number") {
		t.Errorf("refusal %q", d.refusal())
	}
	// A way back that leads elsewhere.
	for _, back := range []string{"https://example.org/", "//example.org", `/\example.org`, "javascript:alert(1)"} {
		if r := w.postForm("/me", url.Values{"person": {"ruth"}, "back": {back}}); r.path != "/job" {
			t.Errorf("back to %q led to %s", back, r.path)
		}
	}
}

// TestJobWithoutScript does the whole job with plain forms: what a browser
// with scripting off sends.
func TestJobWithoutScript(t *testing.T) {
	w := newWorld(t)
	// The counter's device does not know who stands there.
	d := w.page("/check-in")
	d = w.submit(d.form("/do/receive"), "actor", "ruth", "frame", "KB25-26-00417", "make", "Kestrow", "model", "Brae 250", "year", "2026",
		"family", "kr5", "ownership", "customer", "route", "reflash", "promise", "2026-02-18T12:00", "note", "stalls when cold")
	unit := w.l.View().OpenUnits()[0].ID
	if d.r.path != "/units/"+string(unit) || !strings.Contains(d.said(), "is checked in") {
		t.Fatalf("after check-in at %s: %q", d.r.path, d.text())
	}
	early := w.submit(d.form("/do/hand-over"))
	for _, part := range []string{"I11", "not ready", "flash", "Do these steps first", "Nothing was changed", "Let it pass as the foreman"} {
		if early.r.status != http.StatusConflict || !strings.Contains(early.refusal(), part) {
			t.Errorf("handed over early: %d, the refusal lacks %q: %q", early.r.status, part, early.refusal())
		}
	}
	for _, s := range visit {
		w.be(string(s.who))
		path := fmt.Sprintf("/units/%s/steps/%s", unit, s.step)
		if d = w.submit(w.page(path).form("/do/start"), w.places(s.resources)...); d.refusal() != "" {
			t.Fatalf("start %s: %s", s.step, d.refusal())
		}
		if job := w.page("/job"); !strings.Contains(job.text(), "running") {
			t.Errorf("%s runs, and the job page does not say so", s.step)
		}
		for range s.stretches - 1 {
			w.clock.add(s.took)
			if d = w.submit(d.form("/do/advance")); d.refusal() != "" {
				t.Fatalf("advance %s: %s", s.step, d.refusal())
			}
		}
		w.clock.add(s.took)
		var fill []string
		for k, v := range s.evidence {
			fill = append(fill, "ev."+k, strings.Replace(v, ".", ",", 1)) // a decimal comma is understood
		}
		done := d.form("/do/done")
		if d = w.submit(done, fill...); d.refusal() != "" {
			t.Fatalf("finish %s: %s", s.step, d.refusal())
		}
		if st := w.step(unit, s.step); st.Status != queue.Done {
			t.Fatalf("%s is %s: %s", s.step, st.Status, d.text())
		}
	}
	d = w.page("/units/" + string(unit))
	if d = w.submit(d.form("/do/hand-over")); d.refusal() != "" || w.l.View().Units[unit].Status != queue.Delivered {
		t.Fatalf("hand over: %s", d.refusal())
	}
	story := text(d.all(func(n *html.Node) bool { return attr(n, "id") == "history" })[0])
	for _, part := range []string{"Handed over", "Test ride passed", "Flash the calibration started by Tomas Quarrick", "calibration kb250-std revision 3", "Bench 3, Interface 1, Charger 1", "hands-off time began", "Arrived: Kestrow Brae 250 2026", "stalls when cold"} {
		if !strings.Contains(story, part) {
			t.Errorf("the history lacks %q", part)
		}
	}
}

// places fills the resources of a start form in; a browser sends them under
// one name.
func (w *world) places(ids []string) []string {
	if len(ids) == 0 {
		return nil
	}
	return []string{"resource", strings.Join(ids, resourceSeparator)}
}

// TestDoubleSubmit: the same form sent twice, or again by the back button with
// other content, is one command.
func TestDoubleSubmit(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ines")
	start := w.page("/units/LM-1/steps/check-in").form("/do/start")
	w.submit(start)
	seq := w.l.View().Seq
	if d := w.submit(start); w.l.View().Seq != seq || !strings.Contains(d.said(), "recorded before") {
		t.Errorf("sent twice: log from %d to %d, %q", seq, w.l.View().Seq, d.said())
	}
	done := w.page("/units/LM-1/steps/check-in").form("/do/done")
	w.submit(done, "ev.frame_number", "x", "ev.odometer_km", "10", "ev.engine_h", "1")
	seq = w.l.View().Seq
	d := w.submit(done, "ev.frame_number", "x", "ev.odometer_km", "99", "ev.engine_h", "1")
	if w.l.View().Seq != seq || w.step("LM-1", "check-in").Evidence["odometer_km"] != "10" || !strings.Contains(d.said(), "nothing was changed") {
		t.Errorf("sent again with the back button: log from %d to %d, %q", seq, w.l.View().Seq, d.said())
	}
	in := w.page("/check-in").form("/do/receive")
	fill := []string{"make", "Kestrow", "model", "Brae 250", "year", "2026", "ownership", "new", "route", "set-up"}
	w.submit(in, fill...)
	n := len(w.l.View().Units)
	if w.submit(in, fill...); len(w.l.View().Units) != n {
		t.Error("checked in twice")
	}
}

// TestRefusalKeepsWhatWasTyped: a form that was refused comes back filled.
func TestRefusalKeepsWhatWasTyped(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ruth")
	d := w.submit(w.page("/check-in").form("/do/receive"), "unit", "LM-1", "make", "Varlund", "model", "Holt 350", "year", "20x6",
		"ownership", "customer", "route", "reflash", "promise", "", "note", "two\nlines")
	if d.r.status != http.StatusUnprocessableEntity {
		t.Errorf("status %d", d.r.status)
	}
	for _, field := range []string{"year", "promise"} {
		found := d.all(func(n *html.Node) bool { return attr(n, "id") == "wrong-"+field })
		if len(found) != 1 {
			t.Errorf("nothing beside the field %s: %s", field, d.refusal())
		}
	}
	again := d.form("/do/receive")
	for field, want := range map[string]string{"unit": "LM-1", "make": "Varlund", "year": "20x6", "ownership": "customer", "route": "reflash", "note": "two lines"} {
		if got := again.values.Get(field); got != want {
			t.Errorf("%s is %q, want %q", field, got, want)
		}
	}
	d = w.submit(again, "year", "2026", "promise", "2026-02-19T12:00")
	if !strings.Contains(d.refusal(), "Ticket LM-1 exists") {
		t.Errorf("refusal %q", d.refusal())
	}
	d = w.submit(d.form("/do/receive"), "unit", "LM-7")
	if w.l.View().Units["LM-7"] == nil {
		t.Errorf("not checked in in the end: %s", d.refusal())
	}
	// Evidence, on the technician's page.
	w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	w.be("ines")
	d = w.submit(w.page("/job").form("/do/done", "unit", "LM-1"), "ev.frame_number", "KB25", "ev.odometer_km", "twelve", "ev.engine_h", "0.4", "ev.damage", "scratch")
	if !strings.Contains(d.refusal(), "Odometer") {
		t.Errorf("refusal %q", d.refusal())
	}
	again = d.form("/do/done", "unit", "LM-1")
	for field, want := range map[string]string{"ev.frame_number": "KB25", "ev.odometer_km": "twelve", "ev.damage": "scratch"} {
		if got := again.values.Get(field); got != want {
			t.Errorf("%s is %q, want %q", field, got, want)
		}
	}
	if w.submit(again, "ev.odometer_km", "12"); w.step("LM-1", "check-in").Status != queue.Done {
		t.Error("not done in the end")
	}
}

// TestOverrideOnThePage: a refusal that allows it has the foreman's form; the
// override is in the history. One that does not has none.
func TestOverrideOnThePage(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "relearn-only")
	w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "seen yesterday"})
	w.clock.set(morning.Add(10 * time.Hour))
	w.be("ines")
	d := w.submit(w.page("/units/LM-1/steps/relearn").form("/do/start"))
	if !strings.Contains(d.refusal(), "I8") {
		t.Fatalf("refusal %q", d.refusal())
	}
	over := d.form("/do/start", "override_of", "I8")
	d = w.submit(over, "override_by", "ruth", "override_reason", "")
	if !strings.Contains(d.refusal(), "reason for the override is missing") || w.step("LM-1", "relearn").Status == queue.Running {
		t.Errorf("without a reason: %q", d.refusal())
	}
	d = w.submit(over, "override_by", "ines", "override_reason", "I say so")
	if !strings.Contains(d.refusal(), "may not override") {
		t.Errorf("by somebody else: %q", d.refusal())
	}
	d = w.submit(over, "override_by", "ruth", "override_reason", "flood light is on")
	st := w.step("LM-1", "relearn")
	if st.Status != queue.Running || st.Technician != "ines" || len(st.Overrides) != 1 || st.Overrides[0].By != "ruth" {
		t.Fatalf("with a reason: %s, step %+v", d.refusal(), st)
	}
	if story := w.page("/units/LM-1").text(); !strings.Contains(story, "I8 let pass by Ruth Hedgelow: flood light is on") {
		t.Error("the override is not in the history")
	}
	w.arrive("LM-2", "relearn-only")
	w.do("ruth", &queue.SkipStep{Unit: "LM-2", Step: "check-in", Reason: "seen yesterday"})
	f := w.page("/units/LM-2/steps/relearn").form("/do/start")
	d = w.submit(f, "resource", "b1")
	if !strings.Contains(d.refusal(), "I7") || len(d.all(class("override"))) != 0 {
		t.Errorf("engine at a bench: %q", d.refusal())
	}
}

// TestForemanDecides uses each of the foreman's forms on board and unit page.
func TestForemanDecides(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ruth")
	unit := func() *queue.Unit { return w.l.View().Units["LM-1"] }
	if w.decide("/decide/LM-1", "hold"); !unit().Held {
		t.Error("not held back")
	}
	stale := w.page("/decide/LM-1").form("/preview", "action", "hold")
	if w.submit(w.page("/units/LM-1").form("/do/hold")); unit().Held {
		t.Error("does not go on")
	}
	if d := w.submit(stale); d.r.status != http.StatusPreconditionFailed || !strings.Contains(d.refusal(), "changed since this page was loaded") {
		t.Errorf("from an old page: %d %q", d.r.status, d.refusal())
	}
	w.decide("/decide/LM-1", "amend", "promise", "2026-02-20T10:15", "weight", "9", "note", "hurry", "reason", "asked for it")
	if u := unit(); !u.Promise.Equal(time.Date(2026, 2, 20, 10, 15, 0, 0, time.UTC)) || u.Weight != 9 || u.Note != "hurry" || u.Machine.Fitment != "standard" {
		t.Errorf("changed to %v, %d, %q", u.Promise, u.Weight, u.Note)
	}
	w.decide("/decide", "close", "what", "resource:p1", "until", "2026-02-17T12:00", "reason", "ice")
	if len(w.l.View().Closures["p1"]) != 1 {
		t.Error("the pad is not closed")
	}
	w.decide("/decide", "close", "what", "technician:ines", "until", "2026-02-17T17:00", "reason", "dentist")
	if text := w.page("/board").text(); !strings.Contains(text, "dentist") || !strings.Contains(text, "ice") {
		t.Error("closures are not shown")
	}
	d := w.submit(w.page("/decide").form("/preview", "action", "close"), "what", "resource:p1", "until", "2026-02-16T12:00", "reason", "ice")
	if again := d.form("/preview", "action", "close"); !strings.Contains(d.refusal(), "ends before it starts") || again.values.Get("reason") != "ice" {
		t.Errorf("closed into the past: %q", d.refusal())
	}
	w.decide("/board", "open", "what", "resource:p1")
	w.decide("/board", "open", "what", "technician:ines")
	if st := w.l.View(); len(st.Closures["p1"])+len(st.Absences["ines"]) != 0 {
		t.Error("not back")
	}
	page := "/units/LM-1/steps/check-in"
	w.submit(w.page(page).form("/do/pin"), "technician", "kofi", "start", "2026-02-17T11:00")
	if p := w.step("LM-1", "check-in").Pin; p == nil || p.Technician != "kofi" || p.Start == nil {
		t.Errorf("pin %+v", p)
	}
	if d := w.submit(w.page(page).form("/do/pin")); !strings.Contains(d.refusal(), "Nothing is chosen") {
		t.Errorf("empty pin: %q", d.refusal())
	}
	w.submit(w.page(page).form("/do/unpin"))
	w.submit(w.page(page).form("/do/skip"), "reason", "seen yesterday")
	if st := w.step("LM-1", "check-in"); st.Pin != nil || st.Status != queue.Skipped {
		t.Errorf("step %+v", st)
	}
	w.submit(w.page(page).form("/do/reopen"), "reason", "look again")
	if st := w.step("LM-1", "check-in"); st.Status != queue.Todo {
		t.Errorf("step is %s", st.Status)
	}
	// Nobody else sees these forms, and the queue refuses them anyway.
	skip := w.page(page).form("/do/skip")
	w.be("ines")
	if forms := w.page(page).forms("/do/skip"); len(forms) != 0 {
		t.Error("a technician sees the foreman's form")
	}
	if d := w.submit(skip, "reason", "x"); d.r.status != http.StatusForbidden || !strings.Contains(d.refusal(), "Only a foreman") {
		t.Errorf("skipped by a technician: %d %q", d.r.status, d.refusal())
	}
}

// TestNobodyChosen: without a person a form is refused with the way out, and
// the program's own empty actor is never used.
func TestNobodyChosen(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	seq := w.l.View().Seq
	d := w.submit(w.page("/units/LM-1").form("/do/hold"))
	if d.r.status != http.StatusForbidden || !strings.Contains(d.refusal(), "Say who you are") || w.l.View().Seq != seq {
		t.Errorf("%d %q", d.r.status, d.refusal())
	}
	w.postForm("/me", url.Values{"person": {"zoe"}})
	if d = w.page("/job"); !strings.Contains(d.text(), "Who are you?") {
		t.Error("somebody unknown was taken")
	}
	d = w.submit(w.page("/units/LM-1").form("/do/hold"), "actor", "ruth")
	if d.refusal() != "" || !w.l.View().Units["LM-1"].Held {
		t.Errorf("with a name in the form: %q", d.refusal())
	}
}

// TestBoardShowsThePlan: each planned step is on the lanes of what it holds,
// hands-off time and waiting can be told apart, and the day is shaded.
func TestBoardShowsThePlan(t *testing.T) {
	w := newWorld(t)
	for _, id := range []queue.UnitID{"LM-1", "LM-2", "LM-3"} {
		w.arrive(id, "reflash")
	}
	plan := w.plans.Latest()
	d := w.page("/board")
	lanes := map[string]string{}
	for _, lane := range d.all(class("lane")) {
		lanes[text(all(lane, class("lane-name"))[0])] = laneText(lane)
	}
	checked := 0
	for _, s := range plan.Steps {
		if s.Start.In(time.UTC).Day() != morning.Day() {
			continue
		}
		for _, r := range s.Resources {
			name := w.l.View().Shop.Resource(r).Name
			if !strings.Contains(lanes[name], fmt.Sprintf("%s %s", s.Unit, w.l.View().Shop.Operation(s.Operation).Name)) {
				t.Errorf("%s of %s is not on the lane of %s", s.Step, s.Unit, name)
			}
			checked++
		}
	}
	if checked < 6 {
		t.Errorf("only %d blocks were looked for", checked)
	}
	for _, c := range []string{"off", "on", "dark", "quiet", "closed", "break"} {
		if len(d.all(class(c))) == 0 {
			t.Errorf("nothing of class %s is drawn", c)
		}
	}
	if len(d.all(func(n *html.Node) bool { _, ok := has(n, "data-now"); return ok && n.Data == "g" })) < 10 {
		t.Error("no now-line on the lanes")
	}
	if !strings.Contains(d.text(), "quiet hours") {
		t.Error("shades have no words")
	}
	// A hands-off stretch that nobody ends is waste, and says so.
	w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "x"})
	w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.clock.add(6 * time.Minute)
	w.do("tomas", &queue.AdvanceStep{Unit: "LM-1", Step: "flash", Stretch: 1})
	w.clock.add(28*time.Minute + 25*time.Minute)
	d = w.page("/board")
	if len(d.all(class("wait"))) < 4 || !strings.Contains(laneText(d.root), "waits 25 minutes with everything locked") {
		t.Error("the waiting flash is not shown as waste")
	}
	if !strings.Contains(text(d.all(class("overdue"))[0]), "Bench 3, Interface 1, Charger 1 locked until somebody signs it off") {
		t.Errorf("alarm: %q", text(d.all(class("overdue"))[0]))
	}
	if bad := w.page("/board?day=yesterday"); bad.r.status != 422 {
		t.Errorf("a day that is none: %d", bad.r.status)
	}
}

func laneText(n *html.Node) string {
	var b strings.Builder
	for _, tip := range all(n, tag("title")) {
		b.WriteString(text(tip) + "\n")
	}
	return b.String()
}

func TestFindOpensTheUnit(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	for q, want := range map[string]string{
		"lm-1": "/units/LM-1", "KB25-26-00417": "/units/LM-1", "kb25 26 00417": "/units/LM-1", // as a scanner or a person writes it
		"KB25": "/units?q=KB25", "": "/units?q=", "no/such?thing": "/units?q=no%2Fsuch%3Fthing",
	} {
		if got := w.get("/find?q=" + url.QueryEscape(q)).path; got != want {
			t.Errorf("find %q: %s, want %s", q, got, want)
		}
	}
}

func TestImportPage(t *testing.T) {
	w := newWorld(t)
	w.be("ruth")
	send := func(how, content string) document {
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		_ = m.WriteField("how", how)
		part, err := m.CreateFormFile("file", "units.csv")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = part.Write([]byte(content))
		_ = m.Close()
		return w.parse(w.send(http.MethodPost, "/import", m.FormDataContentType(), &b))
	}
	const good = "ticket,make,model,year,family,ownership,route,promise\nLM-1,Kestrow,Brae 250,2026,kr5,new,set-up,2026-02-18 12:00\n"
	if d := send("check", good); !strings.Contains(d.said(), "1 new") || len(w.l.View().Units) != 0 {
		t.Errorf("check: %q", d.text())
	}
	if d := send("import", good+"LM-2,,,,,,,\n"); d.r.status != 422 || !strings.Contains(d.refusal(), "line 3") || len(w.l.View().Units) != 0 {
		t.Errorf("bad line: %d %q", d.r.status, d.refusal())
	}
	if d := send("import", good); !strings.Contains(d.said(), "1 checked in") || len(w.l.View().Units) != 1 {
		t.Errorf("import: %q", d.text())
	}
	if d := send("import", good); !strings.Contains(d.said(), "0 checked in, 1 known") {
		t.Errorf("again: %q", d.text())
	}
	if d := send("import", ""); d.r.status != 422 {
		t.Errorf("empty file: %d", d.r.status)
	}
	if d := send("import", strings.Repeat("x", 17<<20)); d.r.status != 413 {
		t.Errorf("too large: %d %q", d.r.status, d.text())
	}
}

// TestBenchScreenSigns: at a bench the technician is named in the form, whoever
// the device last belonged to, and the bench has to be the right one.
func TestBenchScreenSigns(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "x"})
	var bench string
	for _, s := range w.plans.Latest().Steps {
		if s.Step == "flash" {
			bench = string(s.Resources[0])
		}
	}
	d := w.page("/bench/" + bench)
	f := d.form("/do/start", "unit", "LM-1", "step", "flash")
	other := "b4"
	if bench == other {
		other = "b3"
	}
	if wrong := w.submit(f, "technician", "kofi", "bench", other); !strings.Contains(wrong.refusal(), "not done at "+other) {
		t.Errorf("from another bench: %q", wrong.refusal())
	}
	w.submit(f, "technician", "kofi")
	if st := w.step("LM-1", "flash"); st.Status != queue.Running || st.Technician != "kofi" {
		t.Fatalf("step %+v", st)
	}
	d = w.page("/bench/" + bench)
	if !strings.Contains(d.text(), "Hands-off begun") || len(d.all(func(n *html.Node) bool { _, ok := has(n, "data-timer"); return ok })) != 1 {
		t.Errorf("the bench does not show the running flash: %s", d.text())
	}
	w.clock.add(2 * time.Hour)
	if d = w.page("/bench/" + bench); len(d.all(class("bench-alarm"))) != 1 {
		t.Error("no alarm at the bench")
	}
}

func TestShopNotSetUp(t *testing.T) {
	w := newWorld(t)
	w.open("elsewhere")
	w.serve(live.Bounds{})
	if r := w.get("/board"); r.status != http.StatusServiceUnavailable || !strings.Contains(string(r.body), "not set up") {
		t.Errorf("board: %d %s", r.status, r.body)
	}
	if r := w.call("/units/LM-1/hand-over", fields{}); r.status != http.StatusServiceUnavailable {
		t.Errorf("API: %d %s", r.status, r.body)
	}
	if r := w.postForm("/do/hold", url.Values{}); r.status != http.StatusServiceUnavailable {
		t.Errorf("form: %d %s", r.status, r.body)
	}
	if r := w.postForm("/me", url.Values{"person": {"x"}}); r.status != http.StatusServiceUnavailable {
		t.Errorf("choose: %d %s", r.status, r.body)
	}
}

// TestImportExample: the file that is offered to be filled in is taken as it is.
func TestImportExample(t *testing.T) {
	w := newWorld(t)
	w.be("ruth")
	example := w.get("/import/example.csv")
	if example.status != http.StatusOK || !strings.HasPrefix(example.header.Get("Content-Type"), "text/csv") {
		t.Fatalf("%d %v", example.status, example.header)
	}
	n := len(w.l.View().Shop.Routes)
	d := w.upload("/import", "import", string(example.body))
	if got := len(w.l.View().Units); got != n || !strings.Contains(d.text(), fmt.Sprintf("%d checked in", n)) {
		t.Errorf("%d of %d units came of\n%s\n%s", got, n, example.body, d.text())
	}
}

// TestWhatDoesNotFitIsNamedOnce: the step that has no place, with its reason, and
// how many wait behind it.
func TestWhatDoesNotFitIsNamedOnce(t *testing.T) {
	w := newWorld(t)
	w.machine("LM-1", "VH35-23-00001", "reflash", func(a *queue.UnitArrived) {
		a.Machine.Make, a.Machine.Model, a.Machine.Year, a.Machine.Family = "Varlund", "Holt 350", 2023, "vl7"
	})
	d := w.page("/board")
	panel := d.all(func(n *html.Node) bool { return attr(n, "id") == "unplaced" })
	if len(panel) != 1 {
		t.Fatalf("%d panels of what does not fit: %s", len(panel), d.text())
	}
	steps := len(w.l.View().Units["LM-1"].Steps)
	got := text(panel[0])
	for _, part := range []string{"LM-1 Flash the calibration", "needs no calibration", fmt.Sprintf("and %d steps after it", steps-2)} {
		if !strings.Contains(got, part) {
			t.Errorf("it lacks %q: %s", part, got)
		}
	}
	if strings.Contains(got, "which comes before it") {
		t.Errorf("it repeats itself: %s", got)
	}
}
