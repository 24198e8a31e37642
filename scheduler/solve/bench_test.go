package solve_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"tickover/scheduler"
	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
	"tickover/scheduler/solve"
)

// busy is a shop in season.
func busy(jobs int, seed uint64) *model.Problem {
	return modeltest.Shop(rand.New(rand.NewPCG(seed, 1)), modeltest.Size{
		Jobs: jobs, Benches: 12, Interfaces: 3, Chargers: 4, Pads: 2, Workers: 8, Days: max(8, jobs/10),
	})
}

// afterEvent is a busy shop with a plan in force at the moment of an event: an
// interface is down for two hours, and one unit has become urgent.
func afterEvent(jobs int, seed uint64) *model.Problem {
	first := busy(jobs, seed)
	_, idle := scheduler.Effort(first)
	plan := solve.Solve(context.Background(), first, solve.Options{Schedules: idle, Seed: seed, Threads: runtime.NumCPU()})
	p := modeltest.Later(first, plan, first.Now+95)
	p.Resources = slices.Clone(p.Resources)
	for i := range p.Resources {
		if r := &p.Resources[i]; r.ID == "i2" {
			r.Closures = append(r.Closures, model.Closure{Interval: model.Interval{Start: p.Now + 60, End: p.Now + 180}, Reason: "does not answer"})
		}
	}
	p.Jobs = slices.Clone(p.Jobs)
	p.Jobs[jobs/2].Weight = 10
	p.Jobs[jobs/2].Due = p.Now + 300
	return p
}

// BenchmarkReplan is the time from an event to the next plan, with the plan in
// force at hand: schedules=1 is the first good plan.
func BenchmarkReplan(b *testing.B) {
	for _, jobs := range []int{60, 200} {
		p := afterEvent(jobs, 1)
		for _, schedules := range []int{1, 100} {
			b.Run(fmt.Sprintf("jobs=%d/schedules=%d", jobs, schedules), func(b *testing.B) {
				b.ReportAllocs()
				var last *model.Plan
				for b.Loop() {
					last = solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: 1, Threads: runtime.NumCPU()})
				}
				b.ReportMetric(float64(len(last.Assignments)), "activities")
				b.ReportMetric(float64(len(last.Unplaced)), "unplaced")
				b.ReportMetric(float64(last.Cost.Total)/1000, "J")
			})
		}
	}
}

// BenchmarkQuarterSecond is how far a plan of 250 ms lies above one of 10 s
// after the same event, on all cores: the median of five shops, in percent.
func BenchmarkQuarterSecond(b *testing.B) {
	for b.Loop() {
		var above []float64
		for seed := range uint64(5) {
			p := afterEvent(200, seed+1)
			within := func(d time.Duration) float64 {
				ctx, cancel := context.WithTimeout(context.Background(), d)
				defer cancel()
				return float64(solve.Solve(ctx, p, solve.Options{Schedules: 1 << 30, Seed: 1, Threads: runtime.NumCPU()}).Cost.Total)
			}
			short, long := within(250*time.Millisecond), within(10*time.Second)
			b.Logf("shop %d: J %.0f after 250 ms, %.0f after 10 s", seed+1, short/1000, long/1000)
			above = append(above, 100*(short/long-1))
		}
		slices.Sort(above)
		b.Logf("above the plan of 10 s: %.2f %%", above)
		b.ReportMetric(above[len(above)/2], "%above")
	}
}

// BenchmarkGrowth is the time to a first plan by the number of jobs.
func BenchmarkGrowth(b *testing.B) {
	for _, jobs := range []int{250, 500, 1000, 2000} {
		p := busy(jobs, 1)
		b.Run(fmt.Sprintf("jobs=%d", jobs), func(b *testing.B) {
			for b.Loop() {
				solve.Solve(context.Background(), p, solve.Options{Schedules: 1, Seed: 1})
			}
		})
	}
}
