package floor_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/services/floor/live"
)

// look asks on a page what a decision would do. Fields whose form has them
// hidden choose the form.
func (w *world) look(page, action string, fill ...string) document {
	w.t.Helper()
	hidden := []string{"action", action}
	if action == "open" {
		hidden = append(hidden, fill...)
	}
	d := w.submit(w.page(page).form("/preview", hidden...), fill...)
	if d.refusal() != "" {
		w.t.Fatalf("%s: %s", action, d.refusal())
	}
	return d
}

// decide looks at a decision and confirms it.
func (w *world) decide(page, action string, fill ...string) document {
	w.t.Helper()
	seq := w.l.View().Seq
	d := w.look(page, action, fill...)
	if w.l.View().Seq != seq {
		w.t.Fatal("the preview recorded something")
	}
	d = w.submit(d.form("/do/" + action))
	if d.refusal() != "" || w.l.View().Seq != seq+1 {
		w.t.Fatalf("confirm %s: %q, log from %d to %d", action, d.refusal(), seq, w.l.View().Seq)
	}
	return d
}

// crowd checks units in that get into each other's way.
func (w *world) crowd(n int) {
	w.t.Helper()
	for i := range n {
		id := queue.UnitID("LM-" + string(rune('1'+i/10)) + string(rune('0'+i%10)))
		w.do("ruth", &queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Frame: "KB25-26-00417", Make: []string{"Kestrow", "Varlund"}[i%2], Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.CustomerUnit, Route: "relearn-only", Promise: morning.Add(time.Duration(3+i) * time.Hour / 2), Weight: 5,
		}})
	}
}

// TestPreviewWithoutScripts: what a decision would do is a page, with numbers
// that come true, and a way to drop it.
func TestPreviewWithoutScripts(t *testing.T) {
	w := newWorld(t)
	w.crowd(12)
	w.be("ruth")
	seq := w.l.View().Seq
	d := w.look("/decide?what=resource:p1", "close", "until", "2026-02-18T12:00", "reason", "ice")
	for _, part := range []string{"Run-up pad behind the barn is out", "ice", "promises get worse", "late in all", "and miss its promise by", "steps move", "Drop it"} {
		if !strings.Contains(d.text(), part) {
			t.Errorf("the preview lacks %q", part)
		}
	}
	if w.l.View().Seq != seq {
		t.Fatal("a preview recorded something")
	}
	worse := text(d.all(class("worse"))[0])
	said := w.submit(d.form("/do/close"))
	if !strings.Contains(said.said(), "is out until") || len(w.l.View().Closures["p1"]) != 1 {
		t.Fatalf("said %q", said.said())
	}
	// Each unit that was said to miss its promise does.
	for _, f := range w.plans.Latest().Units {
		if strings.Contains(worse, string(f.Unit)+" would miss") && f.LateMin == 0 {
			t.Errorf("%s was to be late and is not", f.Unit)
		}
	}
	// Sent again with the back button it is one closure.
	again := w.submit(d.form("/do/close"))
	if !strings.Contains(again.said(), "recorded before") || len(w.l.View().Closures["p1"]) != 1 {
		t.Errorf("sent twice: %q", again.said())
	}
}

// TestEveryDecisionIsPreviewed: each form of the board leads to a preview, and
// the same form confirms it.
func TestEveryDecisionIsPreviewed(t *testing.T) {
	w := newWorld(t)
	w.crowd(6)
	w.be("ruth")
	w.decide("/decide/LM-12/check-in", "pin", "start", "2026-02-17T10:30", "technician", "ruth")
	if p := w.step("LM-12", "check-in").Pin; p == nil || p.Technician != "ruth" || p.Start == nil {
		t.Errorf("pin %+v", p)
	}
	f := w.page("/decide/LM-12/check-in").form("/preview", "action", "pin")
	if f.values.Get("start") != "2026-02-17T10:30" || f.values.Get("technician") != "ruth" {
		t.Errorf("the form does not show the pin: %v", f.values)
	}
	w.decide("/decide/LM-12/check-in", "unpin")
	w.decide("/decide/LM-13", "first")
	if u := w.l.View().Units["LM-13"]; u.Weight != 10 {
		t.Errorf("first: weight %d", u.Weight)
	}
	if len(w.page("/decide/LM-13").forms("/preview")) != len(w.page("/decide/LM-12").forms("/preview"))-1 {
		t.Error("a unit that goes first is offered to go first")
	}
	d := w.look("/decide/LM-14/relearn", "pin", "start", "2026-02-17T22:00")
	if own := d.all(class("own-pin")); len(own) != 1 || !strings.Contains(text(own[0]), "can’t be kept") {
		t.Errorf("pinned into the night: %s", d.text())
	}
	// A walk-in that is to go first.
	seq := w.l.View().Seq
	in := w.page("/check-in").form("/do/receive")
	in.action = "/preview"
	d = w.submit(in, "action", "receive", "unit", "LM-99", "make", "Kestrow", "model", "Brae 250", "year", "2026", "family", "kr5", "ownership", "customer",
		"route", "reflash", "promise", "2026-02-17T13:00", "weight", "10")
	if w.l.View().Seq != seq || !strings.Contains(d.text(), "Check in LM-99: Kestrow Brae 250") || !strings.Contains(d.text(), "LM-99 ready ") {
		t.Errorf("a walk-in: %s", d.text())
	}
	if w.submit(d.form("/do/receive")); w.l.View().Units["LM-99"] == nil || w.l.View().Units["LM-99"].Weight != 10 {
		t.Error("the walk-in is not in")
	}
	for path, want := range map[string]int{"/decide/nobody": 404, "/decide/LM-12/nothing": 404} {
		if r := w.get(path); r.status != want {
			t.Errorf("%s: %d", path, r.status)
		}
	}
	w.be("tomas") // no foreman
	d = w.submit(w.page("/decide/LM-12/check-in").form("/preview", "action", "pin"), "technician", "ruth")
	if d.r.status != http.StatusForbidden || !strings.Contains(d.refusal(), "Only a foreman may pin") {
		t.Errorf("a technician pins: %d %q", d.r.status, d.refusal())
	}
}

// TestShopMovedOn: a preview that was overtaken is not confirmed; the foreman
// sees what it would do now, under the same command.
func TestShopMovedOn(t *testing.T) {
	w := newWorld(t)
	w.crowd(8)
	w.be("ruth")
	first := w.look("/decide/LM-12/check-in", "pin", "start", "2026-02-17T10:30")
	second := w.look("/decide/LM-13", "amend", "promise", "2026-02-19T10:15", "reason", "owner is away")
	w.submit(first.form("/do/pin"))
	if w.step("LM-12", "check-in").Pin == nil {
		t.Fatal("the first foreman's pin is not there")
	}
	note := "scratched tank"
	w.do("ines", &queue.AmendUnit{Unit: "LM-13", Change: queue.UnitAmended{Note: &note}})
	seq := w.l.View().Seq
	d := w.submit(second.form("/do/amend"))
	if d.r.status != http.StatusPreconditionFailed || w.l.View().Seq != seq || !strings.Contains(d.text(), "has moved on while you looked") {
		t.Fatalf("confirmed although the shop moved on: %d, log from %d to %d", d.r.status, seq, w.l.View().Seq)
	}
	was, is := second.form("/do/amend").values, d.form("/do/amend").values
	if was.Get("command_id") != is.Get("command_id") || was.Get("expect_seq") == is.Get("expect_seq") {
		t.Errorf("another command: %v, %v", was, is)
	}
	w.submit(d.form("/do/amend"))
	u := w.l.View().Units["LM-13"]
	if !u.Promise.Equal(time.Date(2026, 2, 19, 10, 15, 0, 0, time.UTC)) || u.Note != note {
		t.Errorf("promise %v, note %q: what the other wrote is gone", u.Promise, u.Note)
	}
}

// TestUndo takes each kind of decision back, and tells when it is too late.
func TestUndo(t *testing.T) {
	w := newWorld(t)
	w.crowd(4)
	w.be("ruth")
	promise := w.l.View().Units["LM-11"].Promise
	w.decide("/decide/LM-11", "amend", "promise", "2026-02-20T10:15", "weight", "7")
	w.decide("/board", "undo")
	if u := w.l.View().Units["LM-11"]; !u.Promise.Equal(promise) || u.Weight != 5 {
		t.Errorf("promise %v, weight %d", u.Promise, u.Weight)
	}
	story := w.page("/units/LM-11").text()
	if !strings.Contains(story, "undone") {
		t.Error("the history does not say that it was undone")
	}
	w.decide("/decide/LM-11/check-in", "pin", "technician", "ruth")
	w.decide("/decide/LM-11/check-in", "pin", "technician", "ines")
	w.decide("/board", "undo")
	if p := w.step("LM-11", "check-in").Pin; p == nil || p.Technician != "ruth" {
		t.Errorf("the pin before is not back: %+v", p)
	}
	w.decide("/decide", "close", "what", "resource:p1", "until", "2026-02-17T12:00", "reason", "ice")
	w.decide("/decide", "close", "what", "resource:p1", "until", "2026-02-17T15:00", "reason", "paint")
	w.decide("/board", "undo")
	if cs := w.l.View().Closures["p1"]; len(cs) != 1 || cs[0].Reason != "ice" {
		t.Errorf("closures %+v", cs)
	}
	// Too late: the step runs.
	w.decide("/decide/LM-12/check-in", "pin", "technician", "ines")
	offered := w.page("/board").form("/preview", "action", "undo")
	w.do("ines", &queue.StartStep{Unit: "LM-12", Step: "check-in", Technician: "ines"})
	d := w.submit(offered)
	if d.r.status != http.StatusConflict || !strings.Contains(d.refusal(), "The floor has acted on it: step check-in of unit LM-12 runs since 09:30") {
		t.Errorf("undo of what runs: %d %q", d.r.status, d.refusal())
	}
	if taken := text(w.page("/board").all(func(n *html.Node) bool { return attr(n, "id") == "taken" })[0]); !strings.Contains(taken, "The floor has acted on it") {
		t.Errorf("the list offers it: %s", taken)
	}
	// After a restart the decisions are known from the log.
	w.open(w.l.View().Site)
	w.serve(live.Bounds{})
	w.be("ruth")
	w.decide("/board", "undo")
	if cs := w.l.View().Closures["p1"]; len(cs) != 0 {
		t.Errorf("after a restart: closures %+v", cs)
	}
}

// TestUndoPutsBackTheVariant: also what only a program can change.
func TestUndoPutsBackTheVariant(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ruth")
	idle := queue.VariantIdle100
	w.do("ruth", &queue.AmendUnit{Unit: "LM-1", Change: queue.UnitAmended{Variant: &idle, Reason: "asked for"}})
	w.decide("/board", "undo")
	if v := w.l.View().Units["LM-1"].Machine.Variant; v != queue.VariantStandard {
		t.Errorf("variant %q", v)
	}
}

// TestUndoAfterTheFloorActed: what somebody on the floor has worked by is not
// undone behind his back.
func TestUndoAfterTheFloorActed(t *testing.T) {
	held, goes, pipe, standard := true, false, queue.Fitment("open-pipe"), queue.Fitment("standard")
	amend := func(w *world, c queue.UnitAmended) { w.do("ruth", &queue.AmendUnit{Unit: "LM-1", Change: c}) }
	skip := func(w *world) { w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "x"}) }
	checkIn := func(w *world) { w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"}) }
	flash := func(w *world) {
		w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	}
	for name, c := range map[string]struct {
		decide, act func(*world)
	}{
		"a step left out, and the next one begun": {skip, flash},
		"a unit let go on, and a step begun": {func(w *world) {
			amend(w, queue.UnitAmended{Held: &held})
			amend(w, queue.UnitAmended{Held: &goes})
		}, checkIn},
		"a part's date, and its step begun": {func(w *world) {
			for _, before := range []time.Duration{2 * time.Hour, time.Hour} {
				amend(w, queue.UnitAmended{Parts: map[queue.StepID]time.Time{"check-in": morning.Add(-before)}})
			}
		}, checkIn},
		"a fitment, and a flash begun": {func(w *world) {
			skip(w)
			amend(w, queue.UnitAmended{Fitment: &pipe})
			amend(w, queue.UnitAmended{Fitment: &standard})
		}, flash},
	} {
		w := newWorld(t)
		w.arrive("LM-1", "reflash")
		w.be("ruth")
		c.decide(w)
		offered := w.page("/board").form("/preview", "action", "undo")
		w.clock.add(time.Minute)
		c.act(w)
		if d := w.submit(offered); d.r.status != http.StatusConflict || !strings.Contains(d.refusal(), "The floor has acted on it") {
			t.Errorf("%s: undo: %d %q", name, d.r.status, d.refusal())
		}
	}
}

// TestBoardFilters: filters are parts of the address, and they work together.
func TestBoardFilters(t *testing.T) {
	w := newWorld(t)
	w.crowd(12)
	w.do("ruth", &queue.AmendUnit{Unit: "LM-11", Change: queue.UnitAmended{Held: new(true)}})
	units := func(path string) []string {
		t.Helper()
		var out []string
		for _, n := range w.page(path).all(class("ticket")) {
			out = append(out, text(n))
		}
		slices.Sort(out)
		return out
	}
	all := units("/board")
	if len(all) != 12 {
		t.Fatalf("%d units", len(all))
	}
	kestrow, varlund := units("/board?make=Kestrow"), units("/board?make=Varlund")
	if len(kestrow) != 6 || len(varlund) != 6 || slices.Contains(varlund, kestrow[0]) {
		t.Errorf("by make: %v, %v", kestrow, varlund)
	}
	if got := units("/board?state=held"); !slices.Equal(got, []string{"LM-11"}) {
		t.Errorf("held: %v", got)
	}
	if got := units("/board?state=held&make=Varlund"); len(got) != 0 && !slices.Contains(varlund, "LM-11") {
		t.Errorf("held Varlunds: %v", got)
	}
	if got := units("/board?kind=flash"); len(got) != 0 {
		t.Errorf("none of them is flashed: %v", got)
	}
	late := units("/board?state=late")
	plan := w.plans.Latest()
	for _, f := range plan.Units {
		if want := (f.LateMin > 0 || f.Ready.IsZero()) && f.Unit != "LM-11"; want != slices.Contains(late, string(f.Unit)) {
			t.Errorf("%s late: %v, listed %v", f.Unit, want, !want)
		}
	}
	if got := units("/board?state=untouched"); len(got) != 0 {
		t.Errorf("untouched on the first day: %v", got)
	}
	w.clock.add(49 * time.Hour)
	w.do("ines", &queue.AmendUnit{Unit: "LM-12", Change: queue.UnitAmended{Reason: "looked at it"}})
	if got := units("/board?state=untouched&days=2"); len(got) != 11 || slices.Contains(got, "LM-12") {
		t.Errorf("untouched for two days: %v", got)
	}
	if got := units("/board?state=untouched"); len(got) != 0 {
		t.Errorf("untouched for three days: %v", got)
	}
	if got := units("/board?state=overdue"); len(got) != 12 {
		t.Errorf("overdue: %v", got)
	}
	if r := w.get("/board?days=many"); r.status != http.StatusUnprocessableEntity {
		t.Errorf("no number of days: %d", r.status)
	}
}

// TestWeek: seven days, each with its promises, and a way to the day.
func TestWeek(t *testing.T) {
	w := newWorld(t)
	w.crowd(8)
	d := w.page("/board?view=week")
	days := d.all(class("week-day"))
	if len(days) != 7 || len(d.all(class("due-unit"))) != 8 {
		t.Fatalf("%d days, %d promises", len(days), len(d.all(class("due-unit"))))
	}
	if !strings.Contains(text(days[5]), "shut") {
		t.Errorf("a Sunday: %s", text(days[5]))
	}
	if !strings.Contains(text(days[0]), "Run-up pad") || len(all(days[0], class("load-busy"))) < 3 {
		t.Errorf("today's loads: %s", text(days[0]))
	}
	link := attr(all(days[1], tag("a"))[0], "href")
	if day := w.page(link); !strings.Contains(day.text(), "18 February 2026") || len(day.all(class("lane"))) < 10 {
		t.Errorf("%s opens %s", link, day.text()[:200])
	}
}

// TestBoardIsShared: two people see their own board, one never the other's,
// and what was recorded is on the next one at once.
func TestBoardIsShared(t *testing.T) {
	w := newWorld(t)
	w.crowd(3)
	before := w.get("/board").body
	if string(before) != string(w.get("/board").body) {
		t.Error("the same board is made twice")
	}
	w.be("ruth")
	if d := w.page("/board"); !strings.Contains(d.text(), "Ruth") {
		t.Error("somebody else's board")
	}
	w.decide("/decide/LM-11", "hold")
	if d := w.page("/board"); !strings.Contains(text(d.all(class("decision"))[0]), "held back") {
		t.Error("an old board")
	}
	w.clock.add(3 * time.Minute)
	if d := w.page("/board"); !strings.Contains(d.text(), "09:33") {
		t.Error("the clock stands still")
	}
}
