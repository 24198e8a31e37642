// Package planfile plans a shop from files alone: a shop file and a CSV of
// units, no server and no log. It serves what-if questions and benchmarks of
// other programs against ours.
package planfile

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/almanac"
	"tickover/services/dispatch"
)

// Options say what to plan and how hard to look.
type Options struct {
	Shop  *queue.Shop
	Units io.Reader // CSV, see queue/intake
	At    time.Time // the moment the plan is made
	// Schedules bounds the search by a count; 0: 400, 1: the first plan.
	Schedules int
	// Limit bounds it by time instead; the plan is then not reproducible.
	Limit   time.Duration
	Seed    uint64
	Threads int // 0: 1; the plan does not depend on it
}

// schedulesDefault is a second or two of search for a shop of 60 units.
const schedulesDefault = 400

// conflictsMax is for how many late units the plan says what rules their
// promise out.
const conflictsMax = 100

// Result is a plan and what it was judged by.
type Result struct {
	Plan *dispatch.Plan
	// Violations are what the independent checker found: none.
	Violations []string
	// Errors are lines of the CSV that were left out.
	Errors intake.Errors
	// Almanac answers the shop's hours, for a drawing.
	Almanac *almanac.Almanac
}

// schedulesMax stands for "until the time is up".
const schedulesMax = 1 << 30

// Plan reads the units, takes all of them as arrived at the moment of
// planning, and plans. Bad lines of the CSV are an error.
func Plan(ctx context.Context, o Options) (*Result, error) {
	a, err := almanac.New(o.Shop)
	if err != nil {
		return nil, err
	}
	st, errs, err := arrive(o, a)
	if err != nil {
		return &Result{Errors: errs}, err
	}
	co := dispatch.ComputeOptions{Schedules: o.Schedules, Seed: o.Seed, Threads: o.Threads, Check: true, Conflicts: conflictsMax}
	if co.Schedules == 0 {
		co.Schedules = schedulesDefault
	}
	c, err := search(ctx, st, a, o, co)
	if err != nil {
		return nil, err
	}
	res := &Result{Plan: c.Plan, Almanac: a}
	for _, v := range c.Violations {
		res.Violations = append(res.Violations, fmt.Sprintf("%s %s: %s", v.Constraint, v.Activity, v.Words))
	}
	return res, nil
}

// search finds the horizon that is needed with the first plan, so that a limit
// of time is spent on that one.
func search(ctx context.Context, st *queue.State, a *almanac.Almanac, o Options, co dispatch.ComputeOptions) (*dispatch.Computed, error) {
	if o.Limit <= 0 {
		return dispatch.ComputeAll(ctx, st, a, o.At, nil, co)
	}
	ctx, stop := context.WithTimeout(ctx, o.Limit)
	defer stop()
	co.Schedules, co.Conflicts = 1, -1
	first, err := dispatch.ComputeAll(ctx, st, a, o.At, nil, co)
	if err != nil {
		return nil, err
	}
	co.Schedules, co.Conflicts, co.HorizonDays = schedulesMax, conflictsMax, first.HorizonDays
	return dispatch.ComputeAll(ctx, st, a, o.At, nil, co)
}

// arrive checks the units in to a queue in memory.
func arrive(o Options, a *almanac.Almanac) (*queue.State, intake.Errors, error) {
	st := queue.NewState(o.Shop.Site)
	do := func(cmd queue.Command) error {
		out, err := queue.Decide(st, a.Conditions(st, o.At, st.CountsAt(o.At, cmd)), cmd)
		if err != nil {
			return err
		}
		en := out.Entry(st)
		if _, err := en.Encode(); err != nil {
			return err
		}
		_, err = st.Apply(en)
		return err
	}
	if err := do(queue.Command{ID: "shop", At: o.At, Action: &queue.ConfigureShop{Shop: *o.Shop}}); err != nil {
		return nil, nil, err
	}
	batch, errs := intake.Load(o.Units, o.Shop)
	by := intake.Sender{Now: o.At}
	if len(errs) == 0 && batch != nil {
		plan := batch.Against(st, by)
		errs = plan.Errors
		if len(errs) == 0 {
			for _, cmd := range intake.Commands(plan.New, by) {
				if err := do(cmd); err != nil {
					return nil, nil, err
				}
			}
			return st, nil, nil
		}
	}
	return nil, errs, ErrBadUnits
}

// ErrBadUnits: lines of the CSV can't be taken; the result's Errors name them.
var ErrBadUnits = errors.New("the file of units has bad lines")
