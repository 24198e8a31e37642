// Package promise says by when units will be ready and how surely: it plans
// the shop as the dispatcher would, and carries that plan out many times with
// lengths drawn by chance (scheduler/forecast).
//
// What it says holds for the plan in force and the usual spread of lengths.
// What arrives or breaks later is not in it, and it has not been corrected by
// how the shop's earlier promises were kept: pages say so.
package promise

import (
	"context"
	"fmt"
	"sync"
	"time"

	"tickover/queue"
	"tickover/scheduler/forecast"
	"tickover/scheduler/model"
	"tickover/services/almanac"
	"tickover/services/dispatch"
)

// Promise is what can be said of one unit.
type Promise struct {
	// Even is the time by which it is ready in half of the cases, Sure in four
	// of five; Early and Late hold it in eight of ten. Zero: not within the
	// plan's days.
	Even, Sure, Early, Late time.Time
	// Kept is the probability that it is ready by its promise, 0 to 1.
	Kept float64
}

// Known reports that a time can be named.
func (p *Promise) Known() bool { return p != nil && !p.Sure.IsZero() }

// Input is a state of the shop and the plan in force.
type Input struct {
	State   *queue.State // a View
	Almanac *almanac.Almanac
	Plan    *dispatch.Plan // nil: none
	Now     time.Time
	Paths   int // 0: 500
	Threads int
}

// seed is the same for all, so that two states are compared under the same
// luck.
const seed = 1

// All are the promises of all units in the shop that the plan speaks of.
func All(ctx context.Context, in Input) (map[queue.UnitID]Promise, error) {
	c, err := dispatch.ComputeAll(ctx, in.State, in.Almanac, in.Now, in.Plan, dispatch.ComputeOptions{Threads: in.Threads, Conflicts: -1})
	if err != nil {
		return nil, fmt.Errorf("promise: %w", err)
	}
	r, err := forecast.Run(forecast.Input{Problem: c.Problem, Plan: c.Raw, Paths: in.Paths, Seed: seed, Threads: in.Threads})
	if err != nil {
		return nil, fmt.Errorf("promise: %w", err)
	}
	at := func(t model.Time) time.Time {
		if t >= model.Unlimited {
			return time.Time{}
		}
		return c.Problem.Origin.Add(time.Duration(t) * time.Minute)
	}
	out := make(map[queue.UnitID]Promise, len(r.Jobs))
	for i := range r.Jobs {
		j := &r.Jobs[i]
		u := in.State.Units[queue.UnitID(j.ID)]
		if u == nil {
			continue
		}
		due := model.Time(u.Promise.Sub(c.Problem.Origin) / time.Minute)
		out[u.ID] = Promise{
			Even: at(j.Quantile(.5)), Sure: at(j.Quantile(.8)), Early: at(j.Quantile(.1)), Late: at(j.Quantile(.9)), Kept: j.Probability(due),
		}
	}
	return out, nil
}

// Kept answers again and again: it computes once for each entry of the log and
// minute. It is safe for concurrent use.
type Kept struct {
	mu   sync.Mutex
	seq  uint64
	plan *dispatch.Plan
	at   time.Time
	last map[queue.UnitID]Promise
}

// All is like the function, but kept. Who asks while it is computed waits.
func (k *Kept) All(ctx context.Context, in Input) (map[queue.UnitID]Promise, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	minute := in.Now.Truncate(time.Minute)
	if k.last != nil && k.seq == in.State.Seq && k.plan == in.Plan && k.at.Equal(minute) {
		return k.last, nil
	}
	all, err := All(ctx, in)
	if err != nil {
		return nil, err
	}
	k.seq, k.plan, k.at, k.last = in.State.Seq, in.Plan, minute, all
	return all, nil
}
