package dispatch_test

import (
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// TestGoingAhead works a day faster than planned, and looks at every step that
// somebody is told he may begin before its time: his hands are free, the
// interlocks let it begin, and neither he nor what it holds is planned for
// anything meanwhile that is planned earlier or within half an hour.
func TestGoingAhead(t *testing.T) {
	seed := uint64(20260218)
	if s := os.Getenv("TICKOVER_SEED"); s != "" {
		seed, _ = strconv.ParseUint(s, 10, 64)
	}
	t.Logf("TICKOVER_SEED=%d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	marks, began := 0, 0
	for range 4 {
		w := newWorld(t, busyDay)
		w.receiveMany(14)
		c := newCore()
		for range 60 {
			p := w.replan(c).Plan
			at, act := w.next(p)
			if act == nil {
				break
			}
			for i := range p.Steps {
				ps := &p.Steps[i]
				if ps.Ahead == nil {
					continue
				}
				marks++
				w.harmless(p, ps)
				if r.IntN(3) == 0 {
					act, at = &queue.StartStep{Unit: ps.Unit, Step: ps.Step, Technician: ps.Technician, Resources: ps.Resources}, w.now
					began++
					break
				}
			}
			if d := at.Sub(w.now); d > 0 {
				if _, starts := act.(*queue.StartStep); !starts { // work takes less than planned
					d = (d * time.Duration(6+r.IntN(5)) / 10).Truncate(time.Minute)
				}
				w.now = w.now.Add(d)
			}
			w.do(act)
		}
	}
	if marks < 20 || began < 5 {
		t.Errorf("only %d steps may begin before their time, %d did", marks, began)
	}
}

// harmless judges a mark with code of its own.
func (w *world) harmless(p *dispatch.Plan, ps *dispatch.PlannedStep) {
	w.t.Helper()
	st := w.l.View()
	if !w.now.Before(ps.Ahead.Until) || ps.Ahead.Until.After(ps.Start) || !strings.Contains(ps.Reason().String(), "before its time") {
		w.t.Errorf("at %s: %s of %s may begin till %s: %s", w.now.Format("15:04"), ps.Step, ps.Unit, ps.Ahead.Until.Format("15:04"), ps.Reason())
	}
	start := &queue.StartStep{Unit: ps.Unit, Step: ps.Step, Technician: ps.Technician, Resources: ps.Resources}
	if err := w.l.Try(queue.Command{ID: "x", At: w.now, Action: start}); err != nil {
		w.t.Errorf("at %s: %v", w.now.Format("15:04"), err)
	}
	if crew := ps.Stretches[0].Technicians; len(crew) > 0 && w.handsFull(ps.Technician) {
		w.t.Errorf("at %s: %s has his hands full", w.now.Format("15:04"), ps.Technician)
	}
	horizon := w.now.Add(30 * time.Minute)
	if ps.Start.After(horizon) {
		horizon = ps.Start
	}
	work := ps.Stretches[0].End.Sub(ps.Stretches[0].Start)
	for _, begin := range []time.Time{w.now, ps.Ahead.Until} {
		for i := range p.Steps {
			o := &p.Steps[i]
			if o == ps || !o.Start.Before(horizon) {
				continue
			}
			for _, id := range ps.Resources {
				alone := st.Shop.Resource(id).Capacity <= 1
				if alone && !o.Running && slices.Contains(o.Resources, id) && o.Start.Before(begin.Add(ps.End.Sub(ps.Start))) && o.Start.Before(ps.Start) && len(ps.Stretches[0].Parts) == 0 {
					w.t.Errorf("at %s: %s of %s would keep %s from %s of %s", begin.Format("15:04"), ps.Step, ps.Unit, id, o.Step, o.Unit)
				}
			}
			for _, x := range o.Stretches {
				if slices.Contains(x.Technicians, ps.Technician) && x.End.After(w.now) && x.Start.Before(horizon) && x.Start.Before(begin.Add(work)) && len(ps.Stretches[0].Parts) == 0 {
					w.t.Errorf("at %s: %s of %s would keep %s from %s of %s", begin.Format("15:04"), ps.Step, ps.Unit, ps.Technician, o.Step, o.Unit)
				}
			}
		}
	}
}

func (w *world) handsFull(t queue.PersonID) bool {
	st := w.l.View()
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			s := &u.Steps[i]
			if s.Status == queue.Running && s.Technician == t && st.Shop.Operation(s.Operation).Stretches[s.Stretch].HandsOn {
				return true
			}
		}
	}
	return false
}

// A start that does not come is not planned for the next minute each minute:
// the longer it does not come, the longer the plan stays.
func TestAStartThatDoesNotCome(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(6)
	c := newCore()
	first := w.replan(c).Plan.Steps[0]
	w.now = first.Start
	plans := 0
	last := w.now
	var gaps []time.Duration
	for range 80 {
		w.now = w.now.Add(30 * time.Second)
		due := c.Due()
		out := w.replan(c)
		if late := due.Before(w.now); late != strings.Contains(out.Reason, "did not start in time") {
			t.Errorf("at %s, due %s: %q", w.now.Format("15:04:05"), due.Format("15:04:05"), out.Reason)
		}
		if out.Reason != "" {
			plans++
			gaps = append(gaps, w.now.Sub(last))
			last = w.now
		}
	}
	if plans < 3 || plans > 12 {
		t.Errorf("%d plans in 40 minutes, after %v", plans, gaps)
	}
	w.do(&queue.StartStep{Unit: first.Unit, Step: first.Step, Technician: first.Technician, Resources: first.Resources})
	if out := w.replan(c); !strings.Contains(out.Reason, "did not start as planned") && out.Reason != "" {
		t.Errorf("after it began: %q", out.Reason)
	}
}

// Work that is overdue gets a new expectation a few times, not each minute.
func TestOverdueWorkIsExpectedInSteps(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(6)
	c := newCore()
	p := w.replan(c).Plan
	i := slices.IndexFunc(p.Steps, func(ps dispatch.PlannedStep) bool { return ps.Stretches[0].HandsOn && ps.Start.Equal(p.Steps[0].Start) })
	ps := p.Steps[i]
	w.now = ps.Start
	w.do(&queue.StartStep{Unit: ps.Unit, Step: ps.Step, Technician: ps.Technician, Resources: ps.Resources})
	length := ps.Stretches[0].End.Sub(ps.Stretches[0].Start)
	var ends []time.Time
	for began := w.now; w.now.Sub(began) < 3*length; w.now = w.now.Add(time.Minute) {
		q, err := dispatch.Snapshot(w.l.View(), w.l.Almanac(), w.now, nil, dispatch.SnapshotOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range q.Activities {
			if a.ID != dispatch.ActivityID(ps.Unit, ps.Step) {
				continue
			}
			end := q.Origin.Add(time.Duration(a.Progress.Stretches[0].End) * time.Minute)
			switch n := len(ends); {
			case end.Before(w.now):
				t.Errorf("at %s it is expected to have ended at %s", w.now.Format("15:04"), end.Format("15:04"))
			case n > 0 && end.Before(ends[n-1]):
				t.Errorf("expected at %s after %s", end.Format("15:04"), ends[n-1].Format("15:04"))
			case n == 0 || end.After(ends[n-1].Add(time.Minute)): // within the slack it ends now
				ends = append(ends, end)
			}
		}
	}
	if len(ends) < 3 || len(ends) > 6 {
		t.Errorf("%v long, expected to end at %v", length, ends)
	}
}

// The plan puts what would end some minutes after closing on the next morning.
// If it is all that is left of a late unit, whoever is planned for it may begin
// it all the same, but not if it would run over by more than ten minutes.
func TestLastStepOfALateUnitMayRunOver(t *testing.T) {
	closing := busyDay.Add(9*time.Hour + 30*time.Minute)
	for _, x := range []struct {
		name    string
		promise time.Time
		begin   time.Duration // before closing; the final check takes 20 minutes
		may     bool
	}{
		{"late", closing.Add(-30 * time.Minute), 15 * time.Minute, true},
		{"late, too near closing", closing.Add(-30 * time.Minute), 9 * time.Minute, false},
		{"in time", closing.Add(20 * time.Hour), 15 * time.Minute, false},
	} {
		t.Run(x.name, func(t *testing.T) {
			shop := demoShop(t)
			shop.Technicians = slices.DeleteFunc(shop.Technicians, func(t queue.Technician) bool { return t.ID != "ruth" })
			w := newWorldWith(t, busyDay.Add(7*time.Hour), shop)
			w.receive("T-1", "accessories", x.promise)
			c := newCore()
			w.until(c, "T-1", "fitting")
			w.now = closing.Add(-x.begin)
			p := w.replan(c).Plan
			ps := &p.Steps[0]
			if ps.Step != "final-check" || ps.Start.Before(closing) {
				t.Fatalf("planned: %s at %s", ps.Step, ps.Start)
			}
			switch {
			case !x.may && ps.Ahead != nil:
				t.Errorf("it may begin: %s", ps.Reason())
			case x.may && ps.Ahead == nil:
				t.Error("it may not begin")
			case x.may && !ps.Ahead.Until.Equal(closing.Add(-10*time.Minute)):
				t.Errorf("it may begin till %s", ps.Ahead.Until)
			case x.may && !strings.Contains(ps.Ahead.Reason().String(), "over the end of your shift"):
				t.Errorf("it says %q", ps.Ahead.Reason())
			}
		})
	}
}
