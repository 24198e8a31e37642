package dispatch_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// TestNothingHappened: 200 random events that change nothing, on days that go
// as planned, move no assignment, though most of them make the planner look
// again: a takeover, a closure or an absence when nobody would be there, a pin
// to where the step is, a promise that stays.
func TestNothingHappened(t *testing.T) {
	seed := uint64(20260217)
	if s := os.Getenv("TICKOVER_SEED"); s != "" {
		seed, _ = strconv.ParseUint(s, 10, 64)
	}
	t.Logf("TICKOVER_SEED=%d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	looked := 0
	for events := 0; events < 200; {
		q := newQuietDay(t, r)
		for range 20 {
			if !q.goOn() {
				break
			}
			looked += q.nothing()
			events++
		}
	}
	if looked < 70 {
		t.Errorf("the planner looked again at only %d of the events", looked)
	}
}

type quietDay struct {
	*world
	r    *rand.Rand
	core *dispatch.Core
	n    int
}

func newQuietDay(t *testing.T, r *rand.Rand) *quietDay {
	q := &quietDay{world: newWorld(t, busyDay.Add(time.Duration(r.IntN(4*60))*time.Minute)), r: r, core: newCore()}
	q.receiveMany(2 + r.IntN(10))
	q.replan(q.core)
	if r.IntN(2) == 0 {
		if out, err := q.core.Improve(t.Context(), q.now); err != nil || len(out.Violations) > 0 {
			t.Fatal(err, out.Violations)
		}
	}
	return q
}

// goOn carries out up to six things of the plan.
func (q *quietDay) goOn() bool {
	for range q.r.IntN(7) {
		at, act := q.next(q.core.Plan())
		if act == nil {
			return false
		}
		if at.After(q.now) {
			q.now = at
		}
		q.do(act)
		q.replan(q.core)
	}
	return len(q.core.Plan().Steps) > 2
}

// nothing does something that changes nothing; 1 when the planner looked again.
func (q *quietDay) nothing() int {
	q.n++
	before := q.places(q.core.Plan())
	what := q.event()
	out := q.replan(q.core)
	if diff := firstDifference(before, q.places(out.Plan)); diff != "" {
		q.t.Errorf("%s at %s (%q) moved %s", what, q.now.Format("15:04"), out.Reason, diff)
	}
	if out.Reason != "" {
		return 1
	}
	return 0
}

func (q *quietDay) event() string {
	night := time.Date(q.now.Year(), q.now.Month(), q.now.Day(), 23, q.n%50, 0, 0, time.UTC)
	p := q.core.Plan()
	var todo []*dispatch.PlannedStep
	for i := range p.Steps {
		if s := q.l.View().Units[p.Steps[i].Unit].Step(p.Steps[i].Step); s.Status == queue.Todo && s.Pin == nil {
			todo = append(todo, &p.Steps[i])
		}
	}
	switch k := q.r.IntN(7); {
	case k == 0:
		q.core = newCore()
		q.core.Adopt(p)
		return "a takeover"
	case k == 1:
		q.do(&queue.Close{Technician: "ruth", From: night, Until: night.Add(time.Minute), Reason: "asleep"})
		return "an absence at night"
	case k == 2:
		q.do(&queue.Close{Resource: "p1", From: night, Until: night.Add(time.Minute), Reason: "dark"})
		return "a closure at night"
	case k == 3 && len(todo) > 0:
		s := todo[q.r.IntN(len(todo))]
		pin := queue.Pin{Resources: s.Resources}
		if q.r.IntN(2) == 0 {
			pin.Start = &s.Start
		}
		if pin.Start == nil && alone(s) {
			pin.Technician = s.Technician
		}
		if len(pin.Resources) == 0 && pin.Technician == "" {
			pin.Start = &s.Start
		}
		q.do(&queue.PinStep{Unit: s.Unit, Step: s.Step, Pin: pin})
		return fmt.Sprintf("a pin of %s of %s to its place", s.Step, s.Unit)
	case k == 4 && len(todo) > 0:
		s := todo[q.r.IntN(len(todo))]
		promise := q.l.View().Units[s.Unit].Promise
		_ = q.try(&queue.AmendUnit{Unit: s.Unit, Change: queue.UnitAmended{Promise: &promise}})
		return "the same promise"
	case k == 5 && len(todo) > 0:
		q.do(&queue.ReportProblem{Unit: todo[0].Unit, Step: todo[0].Step, Reason: "a scratch"})
		return "a problem"
	}
	return "nothing at all"
}

// alone says that one technician does all of a step.
func alone(s *dispatch.PlannedStep) bool {
	return !slices.ContainsFunc(s.Stretches, func(x dispatch.PlannedStretch) bool {
		return x.HandsOn && !slices.Equal(x.Technicians, []queue.PersonID{s.Technician})
	})
}

// places are the plan's assignments, a line each: of what runs, what has not
// begun.
func (q *quietDay) places(p *dispatch.Plan) []string {
	var out []string
	for i := range p.Steps {
		s := &p.Steps[i]
		line := fmt.Sprintf("%s %s %v until %s", s.Unit, s.Step, s.Resources, s.End.Format("15:04"))
		first := 0
		if s.Running {
			first = q.l.View().Units[s.Unit].Step(s.Step).Stretch + 1
		}
		for _, x := range s.Stretches[first:] {
			line += fmt.Sprintf(", %s–%s %v %d", x.Start.Format("15:04"), x.End.Format("15:04"), x.Technicians, len(x.Parts))
		}
		out = append(out, line)
	}
	slices.Sort(out)
	return out
}

func firstDifference(a, b []string) string {
	if len(a) != len(b) {
		return fmt.Sprintf("from %d steps to %d", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			return a[i] + "\n  to " + b[i]
		}
	}
	return ""
}
