// Package solve constructs and improves plans.
package solve

import (
	"context"

	"tickover/scheduler/model"
)

// Options are those of package scheduler.
type Options struct {
	Schedules int
	Seed      uint64
	Threads   int
	Better    func(*model.Plan)
}

// Solve plans a valid problem.
func Solve(ctx context.Context, p *model.Problem, o Options) *model.Plan { panic("not yet") }
