package dispatch_test

import (
	"testing"

	"tickover/services/dispatch"
)

func (w *world) replan(c *dispatch.Core) dispatch.Outcome {
	w.t.Helper()
	out, err := c.Replan(w.t.Context(), w.l.View(), w.now)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, v := range out.Violations {
		w.t.Errorf("checker at %s: %v", w.now.Format("2006-01-02 15:04"), v)
	}
	return out
}

func newCore() *dispatch.Core {
	return dispatch.NewCore(dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Seed: 1, Check: true}})
}

// A shop that does everything when the plan says so is never planned anew, and
// every step of the plan can be carried out: no interlock stands in the way.
func TestPlanCarriedOut(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(12)
	c := newCore()
	p := w.replan(c).Plan
	todo := len(p.Steps)
	if todo == 0 || len(p.Unplaced) > 0 {
		t.Fatalf("%d steps planned, unplaced %v", todo, p.Unplaced)
	}
	for events := 0; ; events++ {
		at, act := w.next(c.Plan())
		if act == nil {
			break
		}
		if events > 10*todo {
			t.Fatal("the plan does not come to an end")
		}
		w.now = at
		w.do(act)
		if out := w.replan(c); out.Changed || out.Reason != "" {
			t.Fatalf("%T at %s made a new plan: %s", act, at.Format("15:04"), out.Reason)
		}
	}
	for _, u := range w.l.View().OpenUnits() {
		for i := range u.Steps {
			if s := &u.Steps[i]; !s.Settled() {
				t.Errorf("step %s of %s is %s at the end", s.ID, u.ID, s.Status)
			}
		}
	}
}
