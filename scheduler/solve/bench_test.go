package solve_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
	"tickover/scheduler/solve"
)

// busy is a shop in season.
func busy(jobs int) *model.Problem {
	return modeltest.Shop(rand.New(rand.NewPCG(1, 1)), modeltest.Size{
		Jobs: jobs, Benches: 12, Interfaces: 3, Chargers: 4, Pads: 2, Workers: 8, Days: max(8, jobs/10),
	})
}

// BenchmarkReplan is the time from an event to the next plan, with the plan in
// force at hand: schedules=1 is the first good plan.
func BenchmarkReplan(b *testing.B) {
	for _, jobs := range []int{60, 200} {
		first := busy(jobs)
		plan := solve.Solve(context.Background(), first, solve.Options{Schedules: 20, Seed: 1})
		p := modeltest.Later(first, plan, first.Now+95)
		for i := range p.Jobs {
			if i%9 == 0 {
				p.Jobs[i].Weight++ // news
			}
		}
		for _, schedules := range []int{1, 100} {
			b.Run(fmt.Sprintf("jobs=%d/schedules=%d", jobs, schedules), func(b *testing.B) {
				b.ReportAllocs()
				var last *model.Plan
				for b.Loop() {
					last = solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: 1})
				}
				b.ReportMetric(float64(len(last.Assignments)), "activities")
				b.ReportMetric(float64(len(last.Unplaced)), "unplaced")
				b.ReportMetric(float64(last.Cost.Total)/1000, "J")
			})
		}
	}
}

// BenchmarkGrowth is the time to a first plan by the number of jobs.
func BenchmarkGrowth(b *testing.B) {
	for _, jobs := range []int{250, 500, 1000, 2000} {
		p := busy(jobs)
		b.Run(fmt.Sprintf("jobs=%d", jobs), func(b *testing.B) {
			for b.Loop() {
				solve.Solve(context.Background(), p, solve.Options{Schedules: 1, Seed: 1})
			}
		})
	}
}
