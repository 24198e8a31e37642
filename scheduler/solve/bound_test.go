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

// TestCrowdedBoundAgainstBruteForce: where one worker does all, the bound on
// weighted flow is never above the optimum, and says more than that each job
// takes its own time.
func TestCrowdedBoundAgainstBruteForce(t *testing.T) {
	worlds := rapid.Custom(smallWorld)
	more, tried := 0, 0
	for seed := range 200 {
		p := worlds.Example(seed)
		p.Weights = model.Weights{Flow: 1000}
		for i := range p.Activities {
			p.Activities[i].Modes[0].Stretches = []model.Stretch{{Duration: p.Activities[i].Modes[0].Stretches[0].Duration, Workers: 1}}
		}
		plan := solve.Solve(context.Background(), p, solve.Options{Schedules: 20, Seed: 3})
		if v := check.Plan(p, plan); v != nil {
			t.Fatal(v)
		}
		best, feasible := bruteForce(p)
		if !feasible || len(plan.Unplaced) > 0 {
			continue
		}
		tried++
		var alone model.Cost
		for i, j := range plan.Jobs {
			alone += 1000 * model.Cost(p.Jobs[i].Weight) * model.Cost(j.Bound-p.Jobs[i].Release)
		}
		if plan.Bound > best {
			t.Errorf("world %d: bound %d above the optimum %d", seed, plan.Bound, best)
		}
		if plan.Bound > alone {
			more++
		}
	}
	t.Logf("the bound says more than each job alone in %d of %d worlds", more, tried)
	if tried < 120 || more < tried/8 {
		t.Errorf("the bound says more in only %d of %d worlds", more, tried)
	}
}
