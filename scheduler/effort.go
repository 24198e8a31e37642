package scheduler

import "tickover/scheduler/model"

// Effort is how many schedules a plan is worth after an event and when there is
// time: some 30 ms and some 300 ms on one core of a small computer. It depends
// on the number of activities alone, so that it is the same everywhere.
func Effort(p *model.Problem) (event, idle int) {
	n := max(1, len(p.Activities))
	return min(500, max(16, 30_000/n)), min(5000, max(400, 300_000/n))
}
