// Package whatif answers a foreman's question before he decides: what would
// this do to the promises?
//
//	p, err := whatif.Preview(ctx, whatif.Input{State: l.View(), Almanac: l.Almanac(), Plan: plans.Latest(), Now: now, Commands: cmds})
//	if p.Refused != nil { … }            // the queue would not carry it out
//	for _, c := range p.Promises { … }   // whose promise gets worse, or better, by how much
//
// The commands are judged by queue.Decide and folded on a copy of the state,
// one after the other; the copy is planned as the dispatcher would plan it,
// from the plan in force, and the two plans are compared.
//
// It guarantees that nothing is changed, neither the state nor the plan that
// came in, and that the same input gives the same answer. It does not promise
// that the shop stands still until the foreman has decided: Seq says which
// state was looked at, and a command with ExpectSeq is refused on another.
package whatif

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/queue"
	"tickover/services/almanac"
	"tickover/services/dispatch"
)

// CommandsMax bounds how many commands are looked at together.
const CommandsMax = 20

// Input is what is looked at.
type Input struct {
	State    *queue.State // a View; it stays as it is
	Almanac  *almanac.Almanac
	Plan     *dispatch.Plan // in force; nil: none yet
	Now      time.Time
	Commands []queue.Command
	// Options bound the planning; the zero value plans as the dispatcher does
	// after an event.
	Options dispatch.ComputeOptions
}

// Result is what the commands would come to.
type Result struct {
	Seq    uint64 // log sequence of the state that was looked at
	Events []queue.Event
	// Refused is the queue's answer to the command At; nil: all would be
	// carried out. Nothing below is set then.
	Refused *queue.Refusal
	At      int
	Comparison
	Before, After *dispatch.Plan
	// Next is the state that would follow.
	Next *queue.State
}

// ErrTooMany: more than CommandsMax commands.
var ErrTooMany = errors.New("too many commands to look at together")

// Preview says what the commands would do.
func Preview(ctx context.Context, in Input) (*Result, error) {
	if in.State == nil || in.State.Shop == nil || in.Almanac == nil {
		return nil, errors.New("preview: no shop file is in effect")
	}
	if len(in.Commands) > CommandsMax {
		return nil, fmt.Errorf("%w: %d, at most %d", ErrTooMany, len(in.Commands), CommandsMax)
	}
	r := &Result{Seq: in.State.Seq}
	next, err := r.fold(&in)
	if err != nil || r.Refused != nil {
		return r, err
	}
	if err := r.plan(ctx, &in, next); err != nil {
		return nil, err
	}
	r.Comparison, r.Next = Compare(in.State, next, r.Before, r.After), next
	return r, nil
}

// fold carries the commands out on a copy.
func (r *Result) fold(in *Input) (*queue.State, error) {
	next := in.State.Fork()
	for i, cmd := range in.Commands {
		cmd.ExpectSeq = 0 // it is judged on this state, whatever it is
		outcome, err := queue.Decide(next, in.Almanac.Conditions(next, in.Now, next.CountsAt(in.Now, cmd)), cmd)
		var refusal *queue.Refusal
		if errors.As(err, &refusal) {
			r.Refused, r.At = refusal, i
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		if outcome.Duplicate {
			continue
		}
		if _, err := next.Apply(outcome.Entry(next)); err != nil {
			return nil, fmt.Errorf("preview of command %s: %w", cmd.ID, err)
		}
		r.Events = append(r.Events, outcome.Events...)
	}
	return next, nil
}

// plan makes both plans: the one in force, made anew only if it is out of
// date, and the one that would follow.
func (r *Result) plan(ctx context.Context, in *Input, next *queue.State) error {
	core := dispatch.NewCore(dispatch.Options{ComputeOptions: in.Options})
	core.Adopt(in.Plan)
	for _, s := range []struct {
		st *queue.State
		to **dispatch.Plan
	}{{in.State, &r.Before}, {next, &r.After}} {
		out, err := core.Replan(ctx, s.st, in.Now)
		if err != nil {
			return err
		}
		if out.Plan == nil {
			return context.Cause(ctx)
		}
		*s.to = out.Plan
	}
	return nil
}
