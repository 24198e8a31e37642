// Package dispatch turns a site's state into a plan, and the plan into offers
// on the benches' work queues.
//
//	core := dispatch.NewCore(dispatch.Options{Seed: 1})
//	out, err := core.Replan(ctx, ledger.View(), now)      // synchronous, no IO
//
//	d, err := dispatch.New(ctx, dispatch.Config{Conn: nc, Ledger: l, Now: time.Now})
//	err = d.Run(ctx)                                      // the service
//
// The parts, each usable alone: [Snapshot] is the one translation from the
// queue's state to the scheduler's problem; [Compute] plans and puts the plan
// into the shop's words; [Core] decides when to plan again and what to offer;
// [Dispatcher] is the loop around it, of which one a site is active.
//
// What it guarantees:
//
//  1. Snapshot, Compute and Core read no clock and no socket: the same state,
//     moment, previous plan and options give the same plan, byte for byte.
//  2. A step that was accepted stays with its technician and at its station as
//     long as that is possible; where it is not, the plan says why.
//  3. What happens as planned moves no assignment.
//  4. Plans and offers are derived: losing all of them loses nothing. Benches
//     that hear of no dispatcher go on with the last plan ([NextFor]).
//  5. Of two dispatchers of a site one is active. Each offer carries the epoch
//     of the lease that it was made under; a bench ignores older epochs.
//
// It does not decide what may be done: every start is judged by queue.Decide.
package dispatch
