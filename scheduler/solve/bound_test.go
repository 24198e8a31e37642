package solve_test

import (
	"context"
	"testing"

	"pgregory.net/rapid"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// TestBoundsAgainstBruteForce compares the bound with brute force over every
// start, resource and worker, for the makespan and for all prices together,
// where activities need one resource each. The bound is never above the
// optimum, and meets it often.
func TestBoundsAgainstBruteForce(t *testing.T) {
	worlds := rapid.Custom(smallWorld)
	met, tried := 0, 0
	for seed := range 200 {
		p := worlds.Example(seed)
		for i := range p.Activities {
			if r := &p.Resources[(seed+i/2)%2]; seed%3 > 0 {
				p.Activities[i].Modes[0].Needs[0] = model.Need{Resources: []model.ResourceID{r.ID}}
			}
		}
		p.Weights = model.Weights{Makespan: 1000}
		if seed%4 == 0 {
			p.Weights = model.Weights{Tardiness: 700, Flow: 50, Makespan: 1000}
		}
		if err := model.Validate(p); err != nil {
			t.Fatal(err)
		}
		plan := solve.Solve(context.Background(), p, solve.Options{Schedules: 100, Seed: 3})
		if v := check.Plan(p, plan); v != nil {
			t.Fatal(v)
		}
		best, feasible := bruteForce(p)
		if !feasible {
			continue
		}
		tried++
		if plan.Bound > best {
			t.Errorf("world %d: bound %d above the optimum %d", seed, plan.Bound, best)
		}
		if plan.Bound == best {
			met++
		}
	}
	t.Logf("the bound meets the optimum in %d of %d worlds", met, tried)
	if tried < 150 || met < tried/2 {
		t.Errorf("the bound meets the optimum in only %d of %d worlds", met, tried)
	}
}
