package solve_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"tickover/scheduler/check"
	"tickover/scheduler/instances"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// The files are of PSPLIB (Kolisch & Sprecher, EJOR 96, 1996), its lists of
// optima state the makespans.
func TestPublishedProjects(t *testing.T) {
	for _, tt := range []struct {
		file string
		want model.Cost
	}{
		{"j301_1.sm", 43}, // 30 activities
		{"j102_2.mm", 20}, // 10 activities of 3 modes, with stock
	} {
		f, err := os.Open("testdata/" + tt.file)
		if err != nil {
			t.Fatal(err)
		}
		p, err := instances.Project(tt.file, f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		for few := range 3 { // however few are allowed, there is one
			if plan := solveChecked(t, p, few); len(plan.Unplaced) > 0 && tt.file == "j301_1.sm" {
				t.Errorf("%s, %d schedules: %d activities have no place", tt.file, few, len(plan.Unplaced))
			}
		}
		plan := solveChecked(t, p, 1000)
		if plan.Cost.Total != 1000*tt.want || plan.Bound != plan.Cost.Total {
			t.Errorf("%s: makespan %d, proved at least %d; the optimum is %d", tt.file, plan.Cost.Total/1000, plan.Bound/1000, tt.want)
		}
		if plan.Schedules >= 1000 {
			t.Errorf("%s: %d schedules: the proof did not end the search", tt.file, plan.Schedules)
		}
	}
}

// drawProject makes a project of up to so many modes an activity, with renewable resources and a
// stock that may be too small.
func drawProject(r *rand.Rand, n, modes int) *model.Problem {
	p := &model.Problem{Weights: model.Weights{Makespan: 1000}, Horizon: model.Time(12*n + 1),
		Jobs: []model.Job{{ID: "project", Due: model.Unlimited, Weight: 1}}}
	for k := range 3 {
		p.Resources = append(p.Resources, model.Resource{ID: model.ResourceID(fmt.Sprint("r", k)), Kind: "resource", Capacity: 4 + r.Int64N(4)})
	}
	p.Resources = append(p.Resources, model.Resource{ID: "stock", Kind: "stock", Consumable: true, Capacity: int64(n) + r.Int64N(int64(2*n))})
	id := func(i int) model.ActivityID { return model.ActivityID(fmt.Sprintf("a%03d", i)) }
	for i := range n {
		a := model.Activity{ID: id(i), Job: "project"}
		for range 1 + r.IntN(modes) {
			m := model.Mode{Stretches: []model.Stretch{{Duration: model.Time(1 + r.IntN(10))}}}
			for _, q := range p.Resources {
				if amount := r.Int64N(5); amount > 0 && amount <= q.Capacity {
					m.Needs = append(m.Needs, model.Need{Resources: []model.ResourceID{q.ID}, Amount: amount})
				}
			}
			a.Modes = append(a.Modes, m)
		}
		p.Activities = append(p.Activities, a)
		for range r.IntN(3) {
			if i > 0 {
				p.Lags = append(p.Lags, model.Lag{From: id(r.IntN(i)), To: id(i)})
			}
		}
	}
	return p
}

func TestDrawnProjects(t *testing.T) {
	const seed = 20260216
	t.Logf("seed %d", seed)
	proved, open, whole := 0, 0, 0
	for k := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, k))
		modes := 1 + 2*int(k%2)
		p := drawProject(r, 4+r.IntN(16), modes)
		if err := model.Validate(p); err != nil {
			t.Fatal(err)
		}
		lower := model.Cost(0)
		for _, n := range []int{2, 3, 30, 200, 1000} {
			plan := solve.Solve(context.Background(), p, solve.Options{Schedules: n, Seed: k})
			if v := check.Plan(p, plan); v != nil {
				t.Fatalf("project %d: %v", k, v)
			}
			if len(plan.Unplaced) > 0 {
				continue
			}
			if plan.Schedules > n && modes == 1 { // the final polish may change modes at a cost
				t.Errorf("project %d: %d schedules; %d were allowed", k, plan.Schedules, n)
			}
			whole++
			if plan.Bound > plan.Cost.Total {
				t.Errorf("project %d: proved at least %d, found %d", k, plan.Bound, plan.Cost.Total)
			}
			lower = max(lower, plan.Bound)
			if plan.Cost.Total < lower {
				t.Errorf("project %d: makespan %d below what was proved, %d", k, plan.Cost.Total, lower)
			}
			if n < 1000 {
				continue
			}
			if plan.Bound == plan.Cost.Total {
				proved++
			} else {
				open++
			}
			again := solve.Solve(context.Background(), p, solve.Options{Schedules: n, Seed: k})
			if d := cmp.Diff(plan, again); d != "" {
				t.Errorf("project %d: another plan the second time: %s", k, d)
			}
		}
	}
	if whole < 100 || proved < 4*open {
		t.Errorf("%d plans place all; of the longest searches %d are proved and %d are not", whole, proved, open)
	}
}

func TestCancelledProject(t *testing.T) {
	p := drawProject(rand.New(rand.NewPCG(1, 1)), 100, 1)
	ctx, cancel := context.WithCancel(context.Background())
	better := 0
	plan := solve.Solve(ctx, p, solve.Options{Schedules: 1 << 30, Seed: 1, Better: func(*model.Plan) {
		if better++; better == 2 {
			cancel()
		}
	}})
	defer cancel()
	if v := check.Plan(p, plan); v != nil {
		t.Fatal(v)
	}
	if !plan.Cut {
		t.Error("a plan that was cut short does not say so")
	}
}
