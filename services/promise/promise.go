// Package promise says by when units will be ready and how surely: it plans
// the shop as the dispatcher would, carries that plan out many times with
// lengths drawn as they were learnt (scheduler/forecast, services/experience),
// and corrects the answer by what such answers were worth here before.
//
//	all, err := promise.All(ctx, promise.Input{State: st, Almanac: a, Plan: plan, Now: now, Lengths: e.Lengths(), Past: learner.Correction()})
//	quotes, err := promise.Quote(ctx, in, units)    // of units that are not checked in yet
//
// A forecast alone is about the plan in force. What arrives, breaks or is
// planned anew later is not in it; [Learner] measures on the shop's own log what
// that comes to. Times are compared in opening hours, so that a night does not
// count as delay.
package promise

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"tickover/queue"
	"tickover/scheduler/forecast"
	"tickover/scheduler/model"
	"tickover/services/almanac"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/timesheet"
)

// Promise is what can be said of one unit.
type Promise struct {
	// Even is the time by which it is ready in half of the cases, Sure in four
	// of five; Early and Late hold it in eight of ten. Zero: not within the
	// plan's days.
	Even, Sure, Early, Late time.Time
	// Kept is the probability that it is ready by its promise, 0 to 1; KeptLow
	// and KeptHigh are what it may be by the past that it rests on (95 %).
	Kept, KeptLow, KeptHigh float64
	// Rests is the number of earlier forecasts that it was corrected by.
	Rests int

	made made
}

// At is the time by which a share p of such units are ready; zero: not known.
func (p *Promise) At(share float64) time.Time { return p.made.at(share) }

// Known reports that a time can be named.
func (p *Promise) Known() bool { return p != nil && !p.Sure.IsZero() }

// Input is a state of the shop and the plan in force.
type Input struct {
	State   *queue.State // a View
	Almanac *almanac.Almanac
	Plan    *dispatch.Plan // nil: none
	Now     time.Time
	Lengths *experience.Lengths // nil: the shop file's, with the usual spread
	// Past corrects by earlier forecasts; nil: a usual widening.
	Past    *forecast.Correction
	Paths   int // 0: 500
	Threads int
	// unpromised are planned as if nothing had been promised yet.
	unpromised map[queue.UnitID]bool
}

// seed is the same for all, so that two states are compared under the same
// luck.
const seed = 1

// All are the promises of all units in the shop that the plan speaks of.
func All(ctx context.Context, in Input) (map[queue.UnitID]Promise, error) {
	c, err := dispatch.ComputeAll(ctx, in.State, in.Almanac, in.Now, in.Plan, dispatch.ComputeOptions{
		SnapshotOptions: dispatch.SnapshotOptions{Lengths: in.Lengths, Unpromised: in.unpromised}, Threads: in.Threads, Conflicts: -1,
	})
	if err != nil {
		return nil, fmt.Errorf("promise: %w", err)
	}
	r, err := forecast.Run(forecast.Input{Problem: c.Problem, Plan: c.Raw, Paths: in.Paths, Seed: seed, Threads: in.Threads, Spread: in.spread()})
	if err != nil {
		return nil, fmt.Errorf("promise: %w", err)
	}
	h := hoursFrom(in.Almanac, in.Now, c.Plan.Until)
	out := make(map[queue.UnitID]Promise, len(r.Jobs))
	for i := range r.Jobs {
		j := &r.Jobs[i]
		u := in.State.Units[queue.UnitID(j.ID)]
		if u == nil {
			continue
		}
		out[u.ID] = promised(madeOf(h, c.Problem.Origin, j, in.Past.Of(string(u.Route))), u.Promise)
	}
	return out, nil
}

func promised(m made, due time.Time) Promise {
	p := Promise{made: m, Even: m.at(.5), Sure: m.at(.8), Early: m.at(.1), Late: m.at(.9), Rests: m.past.N()}
	if m.known() && !due.IsZero() {
		p.Kept = m.past.Probability(m.score(due))
		p.KeptLow, p.KeptHigh = Wilson(p.Kept, float64(max(m.past.N(), unlearntN)))
	}
	return p
}

// unlearntN is what a promise rests on before there is a past: little.
const unlearntN = 10

// Wilson is the interval of Wilson 1927 (JASA 22) that holds a share of n with
// 95 %.
func Wilson(share, n float64) (low, high float64) {
	const z = 1.959964
	mid := (share + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(share*(1-share)/n+z*z/(4*n*n))
	return max(0, mid-half), min(1, mid+half)
}

// spread is how far lengths stray, by what was learnt; nil: as usual.
func (in *Input) spread() func(*model.Activity, int, []model.WorkerID) forecast.Spread {
	if in.Lengths == nil {
		return nil
	}
	type work struct {
		op    *queue.Operation
		model string
	}
	of := map[model.ActivityID]work{}
	for _, u := range in.State.OpenUnits() {
		for i := range u.Steps {
			if op := in.State.Shop.Operation(u.Steps[i].Operation); op != nil {
				of[dispatch.ActivityID(u.ID, u.Steps[i].ID)] = work{op, timesheet.ModelOf(&u.Machine)}
			}
		}
	}
	return func(a *model.Activity, stretch int, crew []model.WorkerID) forecast.Spread {
		w, ok := of[a.ID]
		planned := a.Modes[0].Stretches[min(stretch, len(a.Modes[0].Stretches)-1)].Duration
		if !ok || stretch >= len(w.op.Stretches) || planned <= 0 {
			return forecast.Spread{Sigma: .25}
		}
		var who queue.PersonID
		if len(crew) == 1 {
			who = queue.PersonID(crew[0])
		}
		e := in.Lengths.Of(w.op, stretch, w.model, who)
		return forecast.Spread{Sigma: e.Sigma(), Shift: math.Log(e.Median().Minutes() / float64(planned))}
	}
}

// Kept answers again and again: it computes once for each entry of the log and
// minute. It is safe for concurrent use.
type Kept struct {
	mu   sync.Mutex
	seq  uint64
	plan *dispatch.Plan
	past *forecast.Correction
	at   time.Time
	last map[queue.UnitID]Promise
}

// All is like the function, but kept. Who asks while it is computed waits.
func (k *Kept) All(ctx context.Context, in Input) (map[queue.UnitID]Promise, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	minute := in.Now.Truncate(time.Minute)
	if k.last != nil && k.seq == in.State.Seq && k.plan == in.Plan && k.past == in.Past && k.at.Equal(minute) {
		return k.last, nil
	}
	all, err := All(ctx, in)
	if err != nil {
		return nil, err
	}
	k.seq, k.plan, k.past, k.at, k.last = in.State.Seq, in.Plan, in.Past, minute, all
	return all, nil
}
