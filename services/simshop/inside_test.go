package simshop

import (
	"testing"
	"time"

	"tickover/queue"
	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/services/dispatch"
)

// What the checker and the audit find reaches the result.
func TestViolationsAreCounted(t *testing.T) {
	w := &world{}
	w.planned(&dispatch.Outcome{Violations: []check.Violation{{Constraint: model.C4}, {Constraint: model.C9}}}, 3*time.Millisecond)
	if w.tally.violations != 2 || len(w.tally.planMS) != 1 {
		t.Errorf("%d violations in %d plans counted, want 2 in 1", w.tally.violations, len(w.tally.planMS))
	}
}

func TestAgendaIsInOrder(t *testing.T) {
	w := &world{now: time.Date(2026, 2, 16, 8, 0, 0, 0, time.UTC)}
	var got []int
	for i, minutes := range []int{30, 10, 10, -5, 20} {
		w.in(time.Duration(minutes)*time.Minute, func() { got = append(got, i) })
	}
	end := w.now.Add(30 * time.Minute) // not before the end
	for {
		x, ok := w.due.Before(end)
		if !ok {
			break
		}
		x.What()
	}
	want := []int{3, 1, 2, 4}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Fatalf("%v, want %v", got, want)
		}
	}
}

func TestQuantile(t *testing.T) {
	xs := []float64{5, 1, 4, 2, 3}
	for q, want := range map[float64]float64{0: 1, 0.5: 3, 0.99: 5, 1: 5} {
		if got := quantile(xs, q); got != want {
			t.Errorf("quantile %g is %g, want %g", q, got, want)
		}
	}
	if quantile(nil, 0.5) != 0 {
		t.Error("the quantile of nothing is not 0")
	}
}

func TestReadyAt(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 2, 16, h, 0, 0, 0, time.UTC) }
	u := &queue.Unit{Arrived: at(8), Steps: []queue.Step{
		{Status: queue.Done, Ended: at(12)}, {Status: queue.Done, Ended: at(11)}, {Status: queue.Skipped},
	}}
	if ok, got := readyAt(u, at(15)); !ok || !got.Equal(at(12)) {
		t.Errorf("ready %v at %v, want at 12", ok, got)
	}
	u.Steps = append(u.Steps, queue.Step{Status: queue.Todo})
	if ok, got := readyAt(u, at(15)); ok || !got.Equal(at(15)) {
		t.Errorf("ready %v at %v, want not, at 15", ok, got)
	}
}

func TestClock(t *testing.T) {
	wall := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	start := time.Date(2026, 2, 19, 8, 30, 0, 0, time.UTC)
	c := NewClock(start, 60, func() time.Time { return wall })
	check := func(want time.Time) {
		t.Helper()
		if got := c.Now(); !got.Equal(want) {
			t.Errorf("the clock shows %s, want %s", got, want)
		}
	}
	check(start)
	wall = wall.Add(10 * time.Second)
	check(start.Add(10 * time.Minute))
	if got := c.Wait(start.Add(20 * time.Minute)); got != 10*time.Second {
		t.Errorf("wait %s, want 10 s", got)
	}
	c.SetSpeed(1)
	wall = wall.Add(time.Minute)
	check(start.Add(11 * time.Minute))
	c.Skip(start) // past: nothing
	check(start.Add(11 * time.Minute))
	c.Skip(start.Add(time.Hour))
	wall = wall.Add(-time.Hour) // the wall's clock went back
	check(start.Add(time.Hour))
}
