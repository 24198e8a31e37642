package dispatch_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/queue"
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

// What changes nothing moves no assignment: a repeat, a problem told, an
// acceptance as planned, a step that ends when it should.
func TestEventsThatChangeNothing(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(8)
	c := newCore()
	first := w.replan(c).Plan
	step := first.Steps[0]
	accept := queue.Command{ID: "accept", At: w.now, Action: &queue.AcceptStep{
		Unit: step.Unit, Step: step.Step, Technician: step.Technician, Resources: step.Resources,
	}}
	for name, do := range map[string]func(){
		"acceptance": func() { w.command(accept) },
		"repeat":     func() { w.command(accept) },
		"problem": func() {
			w.do(&queue.ReportProblem{Unit: first.Steps[1].Unit, Step: first.Steps[1].Step, Reason: "a scratch"})
		},
		"nothing at all": func() {},
	} {
		do()
		out := w.replan(c)
		if out.Changed || out.Reason != "" {
			t.Errorf("%s made a new plan: %s", name, out.Reason)
		}
		if len(out.Plan.Steps) != len(first.Steps) {
			t.Fatalf("%s: %d steps of %d", name, len(out.Plan.Steps), len(first.Steps))
		}
		for i, s := range out.Plan.Steps {
			if f := first.Steps[i]; s.Unit != f.Unit || s.Step != f.Step || !s.Start.Equal(f.Start) || s.Technician != f.Technician {
				t.Errorf("%s moved %+v to %+v", name, f, s)
			}
		}
	}
}

func (w *world) command(c queue.Command) {
	w.t.Helper()
	if _, err := w.l.Do(w.t.Context(), c); err != nil {
		w.t.Fatal(err)
	}
}

// What is otherwise than planned makes a new plan, with the reason.
func TestEventsThatChangeThePlan(t *testing.T) {
	for _, tc := range []struct {
		give string
		do   func(*world, *dispatch.Plan)
		want string
	}{
		{"late start", func(w *world, p *dispatch.Plan) { w.now = p.Steps[0].Start.Add(3 * time.Minute) }, "did not start in time"},
		{"arrival", func(w *world, p *dispatch.Plan) { w.receive("U-1", "reflash", w.now.Add(time.Hour)) }, "unit U-1 arrived"},
		{"promise", func(w *world, p *dispatch.Plan) {
			w.do(&queue.AmendUnit{Unit: "T-003", Change: queue.UnitAmended{Promise: new(w.now.Add(time.Hour))}})
		}, "unit T-003 was amended"},
		{"closure", func(w *world, p *dispatch.Plan) {
			w.do(&queue.Close{Resource: "p1", From: w.now, Until: w.now.Add(time.Hour), Reason: "ice"})
		}, "a resource was closed or opened"},
		{"absence", func(w *world, p *dispatch.Plan) {
			w.do(&queue.Close{Technician: "ruth", From: w.now, Until: w.now.Add(time.Hour), Reason: "dentist"})
		}, "a technician's absences changed"},
		{"another technician", func(w *world, p *dispatch.Plan) {
			who := queue.PersonID("ruth")
			if p.Steps[0].Technician == who {
				who = "kofi"
			}
			w.do(&queue.StartStep{Unit: p.Steps[0].Unit, Step: p.Steps[0].Step, Technician: who})
		}, "is done by another technician"},
		{"pin", func(w *world, p *dispatch.Plan) {
			w.do(&queue.PinStep{Unit: "T-003", Step: "fitting", Pin: queue.Pin{Technician: "tomas"}})
		}, "was pinned or unpinned"},
		{"skip", func(w *world, p *dispatch.Plan) {
			w.do(&queue.SkipStep{Unit: "T-003", Step: "final-check", Reason: "at once"})
		}, "was left out"},
		{"early end", func(w *world, p *dispatch.Plan) {
			s := p.Steps[0]
			w.do(&queue.StartStep{Unit: s.Unit, Step: s.Step, Technician: s.Technician})
			w.now = w.now.Add(4 * time.Minute)
			u := w.l.View().Units[s.Unit]
			w.do(&queue.FinishStep{Unit: s.Unit, Step: s.Step, Technician: s.Technician, Evidence: w.evidence(u, w.l.View().Shop.Operation(s.Operation))})
		}, "did not end as planned"},
	} {
		t.Run(tc.give, func(t *testing.T) {
			w := newWorld(t, busyDay)
			w.receiveMany(6)
			c := newCore()
			tc.do(w, w.replan(c).Plan)
			out := w.replan(c)
			if !strings.Contains(out.Reason, tc.want) {
				t.Errorf("reason %q, want %q", out.Reason, tc.want)
			}
			if again := w.replan(c); again.Reason != "" || len(again.Offers) > 0 {
				t.Errorf("planned again at once: %q", again.Reason)
			}
		})
	}
}

// Two cores that see the same give the same, offers included; one that takes a
// plan over moves nothing.
func TestCoreIsDeterministic(t *testing.T) {
	w := newWorld(t, busyDay)
	a, b := newCore(), newCore()
	for i := range 5 {
		w.receive(queue.UnitID(fmt.Sprintf("T-%d", i)), "set-up", busyDay.Add(time.Duration(4+i)*time.Hour))
		x, y := w.replan(a), w.replan(b)
		if encoded(t, x.Plan) != encoded(t, y.Plan) || fmt.Sprint(x.Offers) == "" || len(x.Offers) != len(y.Offers) {
			t.Fatalf("two plans of one state:\n%s\n%s", encoded(t, x.Plan), encoded(t, y.Plan))
		}
		w.now = w.now.Add(7 * time.Minute)
	}
	w.replan(a)
	taken := newCore()
	taken.Adopt(a.Plan())
	if out := w.replan(taken); out.Changed {
		t.Errorf("the takeover moved assignments: %s", out.Reason)
	}
}

func TestOffersAreTheNextOpenSteps(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(6)
	c := newCore()
	out := w.replan(c)
	if want := len(dispatch.Stations(w.l.View().Shop)); len(out.Offers) != want || len(c.Offers()) != want {
		t.Fatalf("%d offers at first, want one for each of %d stations", len(out.Offers), want)
	}
	for _, o := range out.Offers {
		for _, s := range out.Plan.Steps {
			if dispatch.StationOf(w.l.View().Shop, s.Resources) == o.Station {
				if o.Step == nil || o.Step.Unit != s.Unit || o.Step.Step != s.Step {
					t.Errorf("%s is offered %+v, its first step is %s of %s", o.Station, o.Step, s.Step, s.Unit)
				}
				break
			}
		}
	}
	floor := out.Offers[slices.IndexFunc(out.Offers, func(o dispatch.Offer) bool { return o.Station == dispatch.Floor })].Step
	w.do(&queue.ReportProblem{Unit: floor.Unit, Step: floor.Step, Reason: "no keys"})
	out = w.replan(c)
	if len(out.Offers) != 1 || out.Offers[0].Station != dispatch.Floor || out.Offers[0].Step.Unit == floor.Unit {
		t.Errorf("after a problem: %+v", out.Offers)
	}
	w.do(&queue.PinStep{Unit: floor.Unit, Step: floor.Step, Pin: queue.Pin{Technician: floor.Technician}})
	w.replan(c)
	for _, o := range c.Offers() {
		if o.Station == dispatch.Floor && (o.Step.Unit != floor.Unit || o.Step.Step != floor.Step) {
			t.Errorf("after the foreman pinned it: %+v", o.Step)
		}
	}
}
