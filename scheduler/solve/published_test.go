package solve_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/instances"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// ft06 is the 6×6 job shop of Fisher & Thompson (1963); its optimum is 55.
const ft06 = `6 6
2 1 0 3 1 6 3 7 5 3 4 6
1 8 2 5 4 10 5 10 0 10 3 4
2 5 3 4 5 8 0 9 1 1 4 7
1 5 0 5 2 5 3 3 4 8 5 9
2 9 1 3 4 5 5 4 0 3 3 1
1 3 3 3 5 9 0 10 4 4 2 1
`

func solveChecked(t *testing.T, p *model.Problem, schedules int) *model.Plan {
	t.Helper()
	if err := model.Validate(p); err != nil {
		t.Fatal(err)
	}
	plan := solve.Solve(context.Background(), p, solve.Options{Schedules: schedules, Seed: 1})
	if v := check.Plan(p, plan); v != nil {
		t.Fatal(v)
	}
	if len(plan.Unplaced) > 0 {
		t.Fatalf("unplaced: %+v", plan.Unplaced)
	}
	return plan
}

func TestFisherThompson06(t *testing.T) {
	p, err := instances.JobShop("ft06", strings.NewReader(ft06))
	if err != nil {
		t.Fatal(err)
	}
	plan := solveChecked(t, p, 3000)
	if got := plan.Cost.Total / 1000; got != 55 {
		t.Errorf("makespan %d; the optimum is 55", got)
	}
	if bound := plan.Bound / 1000; bound > 55 || bound < 47 {
		t.Errorf("bound %d; the longest job takes 47, the optimum 55", bound)
	}
}

// flowShop has two machines that all jobs visit in the same order.
func flowShop(times [][2]int) *model.Problem {
	var b strings.Builder
	fmt.Fprintf(&b, "%d 2\n", len(times))
	for _, t := range times {
		fmt.Fprintf(&b, "0 %d 1 %d\n", t[0], t[1])
	}
	p, err := instances.JobShop("flow", strings.NewReader(b.String()))
	if err != nil {
		panic(err)
	}
	return p
}

// Johnson's rule gives the optimum of two-machine flow shops. The values:
// Stevenson, Operations Management, example 16.4 (sequence D-E-C-F-A-B, 51),
// and a five-job example of the same kind (B-E-A-C-D, 35).
func TestJohnson(t *testing.T) {
	for _, test := range []struct {
		times [][2]int
		want  model.Cost
	}{
		{[][2]int{{5, 5}, {4, 3}, {8, 9}, {2, 7}, {6, 8}, {12, 15}}, 51},
		{[][2]int{{5, 8}, {3, 9}, {8, 7}, {7, 2}, {4, 6}}, 35},
	} {
		if got := solveChecked(t, flowShop(test.times), 3000).Cost.Total / 1000; got != test.want {
			t.Errorf("%v: makespan %d; want %d", test.times, got, test.want)
		}
	}
}

// oneMachine reads p, w, d.
func oneMachine(p, w, d []int) *model.Problem {
	text := ""
	for _, row := range [][]int{p, w, d} {
		for _, v := range row {
			text += fmt.Sprint(v, " ")
		}
		text += "\n"
	}
	list, err := instances.WeightedTardiness("one", strings.NewReader(text), len(p))
	if err != nil {
		panic(err)
	}
	return list[0]
}

// Pinedo, Scheduling, chapters 3 and 14: total tardiness 370, and total
// weighted tardiness 408 (1-4-2-3) where the sequence 2-1-4-3 has 500.
func TestOneMachineTardiness(t *testing.T) {
	total := oneMachine([]int{121, 79, 147, 83, 130}, []int{1, 1, 1, 1, 1}, []int{260, 266, 266, 336, 337})
	if got := solveChecked(t, total, 300).Cost.Total / 1000; got != 370 {
		t.Errorf("total tardiness %d; want 370", got)
	}
	weighted := oneMachine([]int{10, 10, 13, 4}, []int{14, 12, 1, 12}, []int{4, 2, 1, 12})
	plan := solveChecked(t, weighted, 300)
	if got := plan.Cost.Total / 1000; got != 408 {
		t.Errorf("weighted tardiness %d; want 408", got)
	}
	var order []string
	for _, as := range plan.Assignments {
		order = append(order, string(as.Activity[3]))
	}
	if !slices.Equal(order, []string{"0", "3", "1", "2"}) {
		t.Errorf("order %v; want 0 3 1 2", order)
	}
}

// Maximum lateness with release dates, Pinedo, example 3.2.5: optimum 5 with
// 1-3-4-2. Each job is followed by a tail of D − d without a machine, so that
// the last finish is the maximum lateness plus D.
func TestMaximumLateness(t *testing.T) {
	const d = 12
	p := &model.Problem{Horizon: 100, Weights: model.Weights{Makespan: 1000}, Resources: []model.Resource{{ID: "m", Kind: "m", Capacity: 1}}}
	for i, j := range []struct{ r, p, d model.Time }{{0, 4, 8}, {1, 2, 12}, {3, 6, 11}, {5, 5, 10}} {
		id := fmt.Sprint(i + 1)
		p.Jobs = append(p.Jobs, model.Job{ID: model.JobID(id), Release: j.r, Due: model.Unlimited, Weight: 1})
		work := model.Mode{Stretches: []model.Stretch{{Duration: j.p}}, Needs: []model.Need{{Kind: "m"}}}
		tail := model.Mode{Stretches: []model.Stretch{{Duration: d - j.d}}}
		p.Activities = append(p.Activities,
			model.Activity{ID: model.ActivityID(id), Job: model.JobID(id), Modes: []model.Mode{work}},
			model.Activity{ID: model.ActivityID(id + "t"), Job: model.JobID(id), Modes: []model.Mode{tail}})
		p.Lags = append(p.Lags, model.Lag{From: model.ActivityID(id), To: model.ActivityID(id + "t")})
	}
	if got := solveChecked(t, p, 300).Cost.Total/1000 - d; got != 5 {
		t.Errorf("maximum lateness %d; want 5", got)
	}
}

// The shortest processing time first minimises mean flow, the earliest due date
// first the maximum lateness (theorems); five jobs of a common textbook
// example: flow 13.0 on average.
func TestMeanFlow(t *testing.T) {
	p := oneMachine([]int{6, 2, 8, 3, 9}, []int{1, 1, 1, 1, 1}, []int{8, 6, 18, 15, 23})
	p.Weights = model.Weights{Flow: 1000}
	if got := solveChecked(t, p, 300).Cost.Total; got != 65_000 {
		t.Errorf("total flow %d; want 65 (mean 13.0)", got/1000)
	}
}
