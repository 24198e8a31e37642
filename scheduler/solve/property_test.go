package solve_test

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
	"tickover/scheduler/solve"
)

// shop draws a random shop; the seed is part of what a failure prints.
func shop(t *rapid.T) *model.Problem {
	size := modeltest.Size{
		Jobs:       rapid.IntRange(1, 9).Draw(t, "jobs"),
		Benches:    rapid.IntRange(1, 4).Draw(t, "benches"),
		Interfaces: rapid.IntRange(1, 2).Draw(t, "interfaces"),
		Chargers:   rapid.IntRange(1, 2).Draw(t, "chargers"),
		Workers:    rapid.IntRange(1, 4).Draw(t, "workers"),
		Days:       rapid.IntRange(1, 4).Draw(t, "days"),
		Wild:       rapid.Bool().Draw(t, "wild"),
	}
	seed := rapid.Uint64().Draw(t, "seed")
	p := modeltest.Shop(rand.New(rand.NewPCG(seed, 0)), size)
	if err := model.Validate(p); err != nil {
		t.Fatalf("the generator made an invalid problem: %v", err)
	}
	return p
}

func plan(p *model.Problem, schedules int) *model.Plan {
	return solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: 7})
}

func mustHold(t *rapid.T, what string, p *model.Problem, plan *model.Plan) {
	t.Helper()
	for _, v := range check.Plan(p, plan) {
		t.Errorf("%s: %v", what, v)
	}
	if t.Failed() {
		t.FailNow()
	}
}

func TestEveryPlanKeepsEveryConstraint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := shop(t)
		first := plan(p, 20)
		mustHold(t, "first plan", p, first)
		cuts := modeltest.Boundaries(p, first)
		if len(cuts) == 0 {
			return
		}
		now := rapid.SampledFrom(cuts).Draw(t, "now") + model.Time(rapid.IntRange(-1, 1).Draw(t, "offset"))
		if now <= p.Now || now >= p.Horizon {
			return
		}
		later := modeltest.Later(p, first, now)
		if err := model.Validate(later); err != nil {
			t.Fatalf("later: %v", err)
		}
		mustHold(t, "replanned", later, plan(later, 20))
	})
}

func TestShuffledInputGivesTheSamePlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := shop(t)
		q := modeltest.Shuffle(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "shuffle"), 1)), p)
		if diff := cmp.Diff(plan(p, 15), plan(q, 15)); diff != "" {
			t.Fatal(diff)
		}
	})
}

func TestShiftedTimesShiftThePlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := shop(t)
		d := model.Time(rapid.IntRange(-100000, 100000).Draw(t, "shift"))
		a, b := plan(p, 15), plan(modeltest.Shift(p, d), 15)
		if a.Cost != b.Cost || len(a.Assignments) != len(b.Assignments) {
			t.Fatalf("cost %+v and %+v", a.Cost, b.Cost)
		}
		for i := range a.Assignments {
			x, y := &a.Assignments[i], &b.Assignments[i]
			if x.Activity != y.Activity || x.Start+d != y.Start || x.End+d != y.End {
				t.Fatalf("%s [%d, %d) became %s [%d, %d) after a shift of %d", x.Activity, x.Start, x.End, y.Activity, y.Start, y.End, d)
			}
		}
	})
}

func TestNothingNewChangesNoAssignment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := shop(t)
		p.Buffer = nil // room that frees up is news
		first := plan(p, 20)
		cuts := modeltest.Boundaries(p, first)
		if len(cuts) == 0 || len(first.Pins) > 0 { // a pin that failed may hold later: that is news
			return
		}
		now := rapid.SampledFrom(cuts).Draw(t, "now")
		later := modeltest.Later(p, first, now)
		second := plan(later, 20)
		mustHold(t, "second plan", later, second)
		was := map[model.ActivityID]model.Assignment{}
		for _, as := range first.Assignments {
			was[as.Activity] = as
		}
		for _, as := range second.Assignments {
			before := was[as.Activity]
			before.Why, as.Why, before.Running, as.Running = nil, nil, false, false
			if diff := cmp.Diff(before, as); diff != "" {
				t.Errorf("at %d: %s", now, diff)
			}
		}
	})
}
