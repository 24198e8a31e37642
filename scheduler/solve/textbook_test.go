package solve_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// inOrder is one machine whose jobs are tied to an order, given by index.
func inOrder(p, d []int, order []int) *model.Problem {
	w := make([]int, len(p))
	for i := range w {
		w[i] = 1
	}
	prob := oneMachine(p, w, d)
	for k := 1; k < len(order); k++ {
		prob.Lags = append(prob.Lags, model.Lag{From: prob.Activities[order[k-1]].ID, To: prob.Activities[order[k]].ID})
	}
	return prob
}

// TestDispatchRules plans the sequences that textbooks give for the dispatch
// rules; flow and tardiness come out as printed there. Six jobs: Stevenson,
// Operations Management, example 16.2; five jobs: Heizer & Render, Operations
// Management, the architectural rendering jobs (both attributions from memory,
// values recomputed).
func TestDispatchRules(t *testing.T) {
	six, sixDue := []int{2, 8, 4, 10, 5, 12}, []int{7, 16, 4, 17, 15, 18}
	five, fiveDue := []int{6, 2, 8, 3, 9}, []int{8, 6, 18, 15, 23}
	for _, test := range []struct {
		rule           string
		p, d, order    []int
		flow, lateness model.Cost // sums
	}{
		{"first come first served", six, sixDue, []int{0, 1, 2, 3, 4, 5}, 120, 54},
		{"shortest processing time", six, sixDue, []int{0, 2, 4, 1, 3, 5}, 108, 40},
		{"earliest due date", six, sixDue, []int{2, 0, 4, 1, 3, 5}, 110, 38},
		{"critical ratio", six, sixDue, []int{2, 5, 0, 4, 1, 3}, 133, 58},
		{"first come first served", five, fiveDue, []int{0, 1, 2, 3, 4}, 77, 11},
		{"shortest processing time", five, fiveDue, []int{1, 3, 0, 2, 4}, 65, 9},
		{"earliest due date", five, fiveDue, []int{1, 0, 3, 2, 4}, 68, 6},
		{"longest processing time", five, fiveDue, []int{4, 2, 0, 3, 1}, 103, 48},
	} {
		p := inOrder(test.p, test.d, test.order)
		p.Weights = model.Weights{Flow: 1000}
		if got := solveChecked(t, p, 1).Cost.Total / 1000; got != test.flow {
			t.Errorf("%s of %v: total flow %d, want %d", test.rule, test.p, got, test.flow)
		}
		p.Weights = model.Weights{Tardiness: 1000}
		if got := solveChecked(t, p, 1).Cost.Total / 1000; got != test.lateness {
			t.Errorf("%s of %v: total tardiness %d, want %d", test.rule, test.p, got, test.lateness)
		}
	}
}

// On one machine the shortest processing time first minimises the sum of flow
// times, weight over processing time (Smith 1956) the weighted sum, the
// earliest due date (Jackson 1955) the maximum lateness: the planner reaches
// the least over all orders.
func TestOneMachineTheorems(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 1))
	for n := range 25 {
		k := 2 + r.IntN(6)
		p, w, d := make([]int, k), make([]int, k), make([]int, k)
		for i := range k {
			p[i], w[i], d[i] = 1+r.IntN(12), 1+r.IntN(9), 1+r.IntN(40)
		}
		var flow, weighted, lateness = 1 << 30, 1 << 30, 1 << 30
		orders(k, func(order []int) {
			at, f, wf, l := 0, 0, 0, -1<<30
			for _, i := range order {
				at += p[i]
				f, wf, l = f+at, wf+w[i]*at, max(l, at-d[i])
			}
			flow, weighted, lateness = min(flow, f), min(weighted, wf), min(lateness, l)
		})
		same := make([]int, k)
		for i := range same {
			same[i] = 1
		}
		problem := oneMachine(p, same, d)
		problem.Weights = model.Weights{Flow: 1000}
		if got := int(solveChecked(t, problem, 400).Cost.Total / 1000); got != flow {
			t.Errorf("seed %d, case %d: flow %d of %v, want %d", seed, n, got, p, flow)
		}
		problem = oneMachine(p, w, d)
		problem.Weights = model.Weights{Flow: 1000}
		if got := int(solveChecked(t, problem, 400).Cost.Total / 1000); got != weighted {
			t.Errorf("seed %d, case %d: weighted flow %d of %v %v, want %d", seed, n, got, p, w, weighted)
		}
		if got := int(solveChecked(t, withTails(p, d), 400).Cost.Total/1000) - 100; got != lateness {
			t.Errorf("seed %d, case %d: maximum lateness %d of %v %v, want %d", seed, n, got, p, d, lateness)
		}
	}
}

// withTails turns maximum lateness into a makespan: each job is followed by
// 100 − d ticks without the machine.
func withTails(p, d []int) *model.Problem {
	q := &model.Problem{Horizon: 1000, Weights: model.Weights{Makespan: 1000}, Resources: []model.Resource{{ID: "m", Kind: "m", Capacity: 1}}}
	for i := range p {
		id := fmt.Sprint(i)
		q.Jobs = append(q.Jobs, model.Job{ID: model.JobID(id), Due: model.Unlimited, Weight: 1})
		q.Activities = append(q.Activities,
			model.Activity{ID: model.ActivityID(id), Job: model.JobID(id), Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: model.Time(p[i])}}, Needs: []model.Need{{Kind: "m"}}}}},
			model.Activity{ID: model.ActivityID(id + "t"), Job: model.JobID(id), Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: model.Time(100 - d[i])}}}}})
		q.Lags = append(q.Lags, model.Lag{From: model.ActivityID(id), To: model.ActivityID(id + "t")})
	}
	return q
}

// orders yields all permutations of 0 … k−1.
func orders(k int, yield func([]int)) {
	order := make([]int, k)
	for i := range order {
		order[i] = i
	}
	var rec func(i int)
	rec = func(i int) {
		if i == k {
			yield(order)
			return
		}
		for j := i; j < k; j++ {
			order[i], order[j] = order[j], order[i]
			rec(i + 1)
			order[i], order[j] = order[j], order[i]
		}
	}
	rec(0)
}

// rejecting is one machine whose jobs must end by their due dates or be left
// out: as few as possible are left out, which is the least number of late jobs.
func rejecting(p, d []int) *model.Problem {
	q := &model.Problem{Horizon: 1000, Weights: model.Weights{Flow: 1}, Resources: []model.Resource{{ID: "m", Kind: "m", Capacity: 1}}}
	for i := range p {
		id := fmt.Sprint(i)
		q.Calendars = append(q.Calendars, model.Calendar{ID: model.CalendarID(id), Open: []model.Interval{{Start: 0, End: model.Time(d[i])}}})
		q.Jobs = append(q.Jobs, model.Job{ID: model.JobID(id), Due: model.Unlimited, Weight: 1})
		q.Activities = append(q.Activities, model.Activity{ID: model.ActivityID(id), Job: model.JobID(id), Inside: model.CalendarID(id),
			Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: model.Time(p[i])}}, Needs: []model.Need{{Kind: "m"}}}}})
	}
	return q
}

// Moore and Hodgson's rule gives the least number of late jobs. Pinedo,
// Scheduling, exercise of section 3.3 (attribution from memory, recomputed by
// brute force): 2 of these five.
func TestMooreHodgson(t *testing.T) {
	left := func(p, d []int) int {
		q := rejecting(p, d)
		plan := solve.Solve(context.Background(), q, solve.Options{Schedules: 600, Seed: 1})
		if v := check.Plan(q, plan); v != nil {
			t.Fatal(v)
		}
		return len(plan.Unplaced)
	}
	if got := left([]int{7, 8, 4, 6, 6}, []int{9, 17, 18, 19, 21}); got != 2 {
		t.Errorf("%d jobs are late, want 2", got)
	}
	const seed = 12
	r := rand.New(rand.NewPCG(seed, 1))
	for n := range 40 {
		k := 2 + r.IntN(5)
		p, d := make([]int, k), make([]int, k)
		for i := range k {
			p[i], d[i] = 1+r.IntN(9), 1+r.IntN(25)
		}
		least := k
		orders(k, func(order []int) {
			at, late := 0, 0
			for _, i := range order {
				if at += p[i]; at > d[i] {
					late++
				}
			}
			least = min(least, late)
		})
		if got := left(p, d); got != least {
			t.Errorf("seed %d, case %d: %d of %v due %v are late, want %d", seed, n, got, p, d, least)
		}
	}
}

// Five jobs on two machines for which an answer of 26 circulates; no sequence
// takes less than 28 (recomputed by brute force, no published source).
func TestFlowShopTrap(t *testing.T) {
	if got := solveChecked(t, flowShop([][2]int{{10, 2}, {5, 4}, {7, 5}, {3, 6}, {1, 7}}), 2000).Cost.Total / 1000; got != 28 {
		t.Errorf("makespan %d, want 28", got)
	}
}
