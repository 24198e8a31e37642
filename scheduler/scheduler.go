// Package scheduler turns a planning problem into a plan. It is pure: the same
// problem and options give the same plan byte for byte, on any machine.
//
//	plan, err := scheduler.Plan(ctx, problem, scheduler.Options{Schedules: 500, Seed: 1})
//
// An error means malformed input (*model.InvalidError). What does not fit is
// data: Plan.Unplaced names the constraint that stops it.
package scheduler

import (
	"context"

	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// Options bound the search. The zero value gives the first plan.
type Options struct {
	// Schedules is the number of schedules generated, the measure of effort:
	// one full or partial construction is one schedule. There is always at
	// least one.
	Schedules int
	// Seed drives every draw.
	Seed uint64
	// Threads run the search in parallel; 0 means 1. The plan does not depend
	// on it.
	Threads int
	// Better, when set, is called with each better plan as it is found, in
	// the calling goroutine.
	Better func(*model.Plan)
}

// Plan solves p. When ctx ends first, the best plan so far is returned with
// Cut set; there always is one.
func Plan(ctx context.Context, p *model.Problem, o Options) (*model.Plan, error) {
	if err := model.Validate(p); err != nil {
		return nil, err
	}
	return solve.Solve(ctx, p, solve.Options(o)), nil
}
