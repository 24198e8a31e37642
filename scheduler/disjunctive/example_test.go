package disjunctive_test

import (
	"context"
	"fmt"

	"tickover/scheduler/disjunctive"
)

// Five jobs run over two machines, each first on one and then on the other.
func ExampleSearch() {
	p := &disjunctive.Problem{Machines: 2, Weights: disjunctive.Weights{Makespan: 1}}
	for j, d := range [][2]int64{{5, 8}, {3, 9}, {8, 7}, {7, 2}, {4, 6}} {
		p.Jobs = append(p.Jobs, disjunctive.Job{})
		for m := range d {
			p.Operations = append(p.Operations, disjunctive.Operation{Job: j, Ways: []disjunctive.Way{{Machine: m, Duration: d[m]}}})
		}
		p.Lags = append(p.Lags, disjunctive.Lag{From: 2 * j, To: 2*j + 1})
	}
	s, err := disjunctive.New(p, disjunctive.Options{Schedules: 1000, Seed: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	for used := 0; used < 1000 && !s.Optimal(); {
		n, _ := s.Run(context.Background(), 100)
		used += n
	}
	fmt.Println("makespan", s.Best().Cost, "proved", s.Optimal())
	// Output: makespan 35 proved true
}
