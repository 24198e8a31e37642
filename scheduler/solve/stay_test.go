package solve

import (
	"fmt"
	"testing"

	"tickover/scheduler/model"
)

// soonAndLater is a machine with a job that is planned to begin on it in 20
// minutes though nothing is in the way before, and eight that are not planned
// yet and need another machine.
func soonAndLater(due Time) *model.Problem {
	w := model.ShopWeights()
	p := &model.Problem{Now: 100, Horizon: 2000, Weights: w,
		Resources: []model.Resource{{ID: "m", Kind: "machine", Capacity: 1}, {ID: "n", Kind: "other", Capacity: 1}},
		Previous:  []model.Previous{{Activity: "soon", Start: 120, Resources: []model.ResourceID{"m"}}},
	}
	add := func(id string, kind string, due Time) {
		p.Jobs = append(p.Jobs, model.Job{ID: model.JobID(id), Due: due, Weight: 1})
		p.Activities = append(p.Activities, model.Activity{ID: model.ActivityID(id), Job: model.JobID(id), Modes: []model.Mode{{
			Needs: []model.Need{{Kind: kind}}, Stretches: []model.Stretch{{Duration: 30}},
		}}})
	}
	add("soon", "machine", due)
	for i := range 8 {
		add(fmt.Sprintf("new-%d", i), "other", Time(420-40*i))
	}
	return p
}

// What is planned to start soon stays where it is while the rest is searched,
// unless moving it gains more than its price: 20 minutes of the time in the shop
// are worth 1, of lateness 20, and a move costs 5.
func TestWhatStartsSoonStays(t *testing.T) {
	for _, tc := range []struct {
		name       string
		due, start Time
		moves      int
	}{
		{"on time either way", 1000, 120, 0},
		{"late if it stays", 130, 100, 1},
		{"a little late if it stays", 148, 120, 0},
	} {
		for _, schedules := range []int{5, 60, 600} {
			plan := Solve(t.Context(), soonAndLater(tc.due), Options{Schedules: schedules, Seed: 1})
			for _, a := range plan.Assignments {
				if a.Activity == "soon" && (a.Start != tc.start || plan.Cost.MovesCount != tc.moves) && (schedules > 5 || tc.moves == 0) {
					t.Errorf("%s, %d schedules: begins at %d with %d moves, want %d with %d", tc.name, schedules, a.Start, plan.Cost.MovesCount, tc.start, tc.moves)
				}
			}
			if schedules == 600 && plan.Cost.Tardiness > model.Cost(max(0, tc.start+30-tc.due))*1000 {
				t.Errorf("%s: the new jobs are late: %+v", tc.name, plan.Cost)
			}
		}
	}
}
