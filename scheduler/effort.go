package scheduler

import "tickover/scheduler/model"

// Effort is how many schedules a plan is worth after an event, when somebody
// waits for his next job, and when there is time: some 10 to 30 ms and some
// 200 to 800 ms on one core of a small computer. It depends on the number of
// activities alone, so that it is the same everywhere.
func Effort(p *model.Problem) (event, idle int) {
	n := max(1, len(p.Activities))
	return min(500, max(16, 10_000/n)), min(5000, max(400, 300_000/n))
}
