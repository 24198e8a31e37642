// Package lazy minimises the makespan of projects with cumulative resources,
// several modes an activity and non-renewable stock by conflict-driven search
// over integer bounds: lazy clause generation (Ohrimenko, Stuckey & Codish,
// Constraints 14, 2009), as used for this problem by Schutt, Feydy, Stuckey &
// Wallace (Constraints 16, 2011).
//
// Every propagator explains the bounds that it tightens. A dead end is
// analysed into a clause over bounds, "one of these start times must be
// earlier, or one of those later", that is kept and cuts off all dead ends of
// the same cause. The parts:
//
//	engine.go      bounds, their trail, propagation, clauses
//	learn.go       from a conflict to a clause
//	rules.go       lags: a bound that follows from the sum of others
//	cumulative.go  renewable resources by their compulsory parts
//	modes.go       modes, and stock
//	search.go      what to decide next, restarts, the loop
//	names.go       which bounds conflicts speak of lately
//	compile.go     from a Problem to variables and propagators
//
// What it guarantees:
//  1. A schedule that is found keeps every limit of the Problem, and is
//     shorter than all before it.
//  2. Exhausted is a proof: there is no shorter schedule.
//  3. The same problem, hint and limit give the same result on any machine:
//     integers only, and effort is counted, never timed. One descent is the
//     way from a decision to a conflict or to a schedule, a full or partial
//     construction.
//
// What it does not do: calendars, maximum lags, other objectives than the
// makespan.
package lazy
