package solve_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/scheduler/modeltest"
	"tickover/scheduler/solve"
)

// The plan does not depend on the number of threads, and the count is kept.
func TestThreadsDoNotChangeThePlan(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	for _, jobs := range []int{3, 20, 40} {
		p := modeltest.Shop(rand.New(rand.NewPCG(seed, uint64(jobs))), modeltest.Size{
			Jobs: jobs, Benches: 3, Interfaces: 2, Chargers: 2, Pads: 1, Workers: 3, Days: 5, Wild: jobs < 40})
		for _, schedules := range []int{1, 40, 600} {
			one := solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: seed, Threads: 1})
			for _, threads := range []int{2, 3, 8} {
				t.Run(fmt.Sprintf("jobs=%d/schedules=%d/threads=%d", jobs, schedules, threads), func(t *testing.T) {
					many := solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: seed, Threads: threads})
					if diff := cmp.Diff(one, many); diff != "" {
						t.Error(diff)
					}
				})
			}
			next := modeltest.Later(p, one, p.Now+240)
			want := solve.Solve(context.Background(), next, solve.Options{Schedules: schedules, Seed: seed, Threads: 1})
			if diff := cmp.Diff(want, solve.Solve(context.Background(), next, solve.Options{Schedules: schedules, Seed: seed, Threads: 2})); diff != "" {
				t.Errorf("%d jobs, %d schedules, with a plan in force: %s", jobs, schedules, diff)
			}
			if least := 20; schedules > least && one.Schedules > schedules+schedules/10 {
				t.Errorf("%d jobs: %d schedules of %d", jobs, one.Schedules, schedules)
			}
		}
	}
}
