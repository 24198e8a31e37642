package dispatch_test

import (
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// A pin that can't be kept and a promise that can't be kept name the smallest
// set of causes, in the shop's words.
func TestConflictsOfThePlan(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receive("T-1", "reflash", busyDay.Add(30*time.Hour))
	w.receive("T-2", "set-up", busyDay.Add(90*time.Minute))
	w.do(&queue.Close{Resource: "i2", From: w.now, Until: w.now.Add(9 * time.Hour), Reason: "cable broken"})
	w.do(&queue.Close{Resource: "i1", From: w.now, Until: w.now.Add(8 * time.Hour), Reason: "update"})
	at := busyDay.Add(8*time.Hour + 10*time.Minute)
	w.do(&queue.PinStep{Unit: "T-1", Step: "flash", Pin: queue.Pin{Start: &at, Resources: []queue.ResourceID{"i2"}}})
	p := w.compute(nil, dispatch.ComputeOptions{Schedules: 20, Seed: 1})
	if len(p.Pins) != 1 || p.Pins[0].Conflict == nil {
		t.Fatalf("pins %+v", p.Pins)
	}
	c := p.Pins[0].Conflict
	want := `“Flash the calibration” of T-1 can't start at 16:10: it takes 40 min, it is pinned to Interface 2 and Interface 2 is down until 17:00 (cable broken); any one of these would have to change`
	if c.Text != want || p.Pins[0].Why != want || !c.Smallest {
		t.Errorf("got  %s\nwant %s", c.Text, want)
	}
	if len(c.Causes) != 2 || c.Causes[0].Kind != "pin" || c.Causes[1].Kind != "closure" || c.Causes[1].Resource != "i2" ||
		c.Causes[1].Until == nil || !c.Causes[1].Until.Equal(busyDay.Add(9*time.Hour)) {
		t.Errorf("causes %+v", c.Causes)
	}
	for _, u := range p.Units {
		switch {
		case u.Unit == "T-1" && u.Conflict != nil:
			t.Errorf("T-1 is in time, and has %+v", u.Conflict)
		case u.Unit == "T-2" && (u.Conflict == nil || !strings.HasPrefix(u.Conflict.Text, "T-2 can't be ready by 09:30, even if it goes first: what is left of it takes ")):
			t.Errorf("T-2 has %+v", u.Conflict)
		}
	}
	none := w.compute(nil, dispatch.ComputeOptions{Schedules: 20, Seed: 1, Conflicts: -1})
	if none.Pins[0].Conflict != nil {
		t.Errorf("conflicts though none were asked for")
	}
}

// BenchmarkConflicts is what it costs a plan of 60 units, many of them late, to
// say what rules their promises out.
func BenchmarkConflicts(b *testing.B) {
	w := newWorld(b, busyDay)
	w.receiveMany(60)
	for name, conflicts := range map[string]int{"none": -1, "8": 8} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				w.compute(nil, dispatch.ComputeOptions{Schedules: 1, Seed: 1, Conflicts: conflicts})
			}
		})
	}
}

// A route whose longest wait is shorter than the steps in between stops its own
// units, with the reason, and nobody else's.
func TestContradictoryRoute(t *testing.T) {
	shop := demoShop(t)
	r := routeStep(shop, "reflash", "test-ride")
	r.After = append(r.After, queue.After{Step: "flash", Max: 10 * time.Minute})
	w := newWorldWith(t, busyDay, shop)
	w.receive("T-1", "reflash", busyDay.Add(30*time.Hour))
	w.receive("T-2", "set-up", busyDay.Add(30*time.Hour))
	p := w.compute(nil, dispatch.ComputeOptions{Schedules: 20, Seed: 1})
	x := unplaced(p, "T-1", "flash")
	if x == nil || x.Constraint != "C11" || !strings.Contains(x.Why, "the longest waits of its route can't be kept") {
		t.Errorf("T-1: %+v", p.Unplaced)
	}
	for _, u := range p.Unplaced {
		if u.Unit == "T-2" {
			t.Errorf("T-2 is stopped too: %+v", u)
		}
	}
}
