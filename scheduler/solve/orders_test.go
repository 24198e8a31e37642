package solve

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
)

// machines is a small flexible job shop: alternatives both as modes and as
// candidates of one need.
func machines(r *rand.Rand, w model.Weights) *model.Problem {
	p := &model.Problem{Now: 5, Horizon: 5000, Weights: w}
	for m := range 3 {
		p.Resources = append(p.Resources, model.Resource{ID: model.ResourceID(fmt.Sprint("m", m)), Kind: "machine", Capacity: 1})
	}
	for j := range 4 {
		job := model.JobID(fmt.Sprint("j", j))
		p.Jobs = append(p.Jobs, model.Job{ID: job, Release: model.Time(r.IntN(9)), Due: model.Time(10 + r.IntN(40)), Weight: int64(1 + r.IntN(4)), OnePlace: true})
		for k := range 3 {
			a := model.Activity{ID: model.ActivityID(fmt.Sprintf("j%d/%d", j, k)), Job: job}
			for range 1 + r.IntN(2) {
				n := model.Need{Kind: "machine"}
				if r.IntN(2) == 0 {
					n = model.Need{Resources: []model.ResourceID{p.Resources[r.IntN(3)].ID}}
				}
				a.Modes = append(a.Modes, model.Mode{Stretches: []model.Stretch{{Duration: model.Time(1 + r.IntN(9))}}, Needs: []model.Need{n}})
			}
			p.Activities = append(p.Activities, a)
			if k > 0 {
				p.Lags = append(p.Lags, model.Lag{From: p.Activities[len(p.Activities)-2].ID, To: a.ID, Min: model.Time(r.IntN(3))})
			}
		}
	}
	return p
}

var objectives = []model.Weights{{Makespan: 1000}, {Tardiness: 1000}, {Flow: 50, Tardiness: 1000}, {Makespan: 1, Flow: 2, Tardiness: 3}}

func begin(p *model.Problem) *search {
	in := compile(p)
	s := &search{in: in, d: newDecoder(in), ctx: context.Background(), o: Options{Schedules: 1000, Seed: 1}, best: worst}
	s.runs = s.d.placeFacts(false)
	return s
}

// TestOrdersKeepWhatTheyFound: the decoder gives what the search of sequences
// promised or better, the checker passes it, the count is respected, and the
// number of threads changes nothing.
func TestOrdersKeepWhatTheyFound(t *testing.T) {
	for seed := range uint64(40) {
		p := machines(rand.New(rand.NewPCG(seed, 1)), objectives[seed%4])
		if err := model.Validate(p); err != nil {
			t.Fatal(err)
		}
		s := begin(p)
		o := newOrders(s)
		if o == nil {
			t.Fatalf("seed %d: does not apply", seed)
		}
		o.found.Run(s.ctx, 500)
		best := o.found.Best()
		if out := s.d.decode(o.take(best)); out.score.unplaced > 0 || int64(out.score.cost) > best.Cost {
			t.Errorf("seed %d: found %d, decoded %+v", seed, best.Cost, out.score)
		}
		for _, count := range []int{10, 100, 1000, 30_000} {
			if count == 30_000 && seed >= 8 {
				continue
			}
			s := begin(p)
			s.o = Options{Schedules: count, Seed: seed}
			if !s.ordered() || s.d.schedules > count-1 || s.cut {
				t.Errorf("seed %d: %d schedules of %d before the polish, cut %v", seed, s.d.schedules, count, s.cut)
			}
			plan := Solve(context.Background(), p, s.o)
			if plan.Cost.Total > s.best.cost || plan.Bound > plan.Cost.Total || plan.Bound < model.Cost(o.found.Bound()) {
				t.Errorf("seed %d: found %d, planned %d, bound %d", seed, s.best.cost, plan.Cost.Total, plan.Bound)
			}
			if v := check.Plan(p, plan); v != nil || len(plan.Unplaced) > 0 {
				t.Errorf("seed %d: %v, unplaced %v", seed, v, plan.Unplaced)
			}
			if count < 30_000 {
				continue
			}
			for _, threads := range []int{2, 4} {
				if other := Solve(context.Background(), p, Options{Schedules: count, Seed: seed, Threads: threads}); !reflect.DeepEqual(plan, other) {
					t.Errorf("seed %d: another plan on %d threads", seed, threads)
				}
			}
		}
	}
}

// TestOrdersApplyByStructure: anything that sequences cannot express is left to
// the other searches.
func TestOrdersApplyByStructure(t *testing.T) {
	for name, do := range map[string]func(p *model.Problem){
		"capacity": func(p *model.Problem) { p.Resources[0].Capacity = 2 },
		"closure": func(p *model.Problem) {
			p.Resources[1].Closures = []model.Closure{{Interval: model.Interval{Start: 9, End: 10}}}
		},
		"opening hours": func(p *model.Problem) { p.Resources[1].Open = []model.Interval{{Start: 0, End: 4000}} },
		"calendar": func(p *model.Problem) {
			p.Calendars = []model.Calendar{{ID: "c", Open: []model.Interval{{Start: 0, End: 4000}}}}
			p.Activities[2].Inside = "c"
		},
		"hands-on": func(p *model.Problem) {
			p.Workers = []model.Worker{{ID: "w"}}
			p.Activities[2].Modes[0].Stretches[0].Workers = 1
		},
		"two stretches": func(p *model.Problem) {
			m := &p.Activities[2].Modes[0]
			m.Stretches = append(m.Stretches, model.Stretch{Duration: 1})
		},
		"two needs": func(p *model.Problem) {
			m := &p.Activities[2].Modes[0]
			m.Needs = []model.Need{{Resources: []model.ResourceID{"m0"}}, {Resources: []model.ResourceID{"m1"}}}
		},
		"maximum lag":   func(p *model.Problem) { p.Lags[0].Limited, p.Lags[0].Max = true, 50 },
		"no chain":      func(p *model.Problem) { p.Lags = p.Lags[1:] },
		"pin":           func(p *model.Problem) { p.Pins = []model.Pin{{ID: "p", Activity: "j1/1", HasStart: true, Start: 60}} },
		"hold":          func(p *model.Problem) { p.Holds = []model.Hold{{Activity: "j1/1", Until: model.Unlimited}} },
		"plan in force": func(p *model.Problem) { p.Previous = []model.Previous{{Activity: "j1/1", Start: 60}} },
		"buffer":        func(p *model.Problem) { p.Buffer = &model.Buffer{Capacity: 9} },
		"already running": func(p *model.Problem) {
			p.Activities[0].Progress = &model.Progress{Stretches: []model.StretchTime{{Start: 1, End: 8}}, Held: []model.ResourceID{"m0"}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			p := machines(rand.New(rand.NewPCG(1, 1)), objectives[0])
			if newOrders(begin(p)) == nil {
				t.Fatal("does not apply before the change")
			}
			do(p)
			if newOrders(begin(p)) != nil {
				t.Error("applies")
			}
		})
	}
}

// TestOrdersLeaveShortHorizons: when not everything fits, the rest of the count
// goes to the searches that choose what to leave out.
func TestOrdersLeaveShortHorizons(t *testing.T) {
	for _, w := range objectives {
		p := machines(rand.New(rand.NewPCG(1, 1)), w)
		p.Horizon = p.Now + 12
		s := begin(p)
		if s.ordered() {
			t.Errorf("%+v: kept though %d activities have no place", w, s.best.unplaced)
		}
		plan := Solve(context.Background(), p, s.o)
		if v := check.Plan(p, plan); v != nil || len(plan.Assignments) == 0 {
			t.Errorf("%+v: %v, %d placed", w, v, len(plan.Assignments))
		}
	}
}

// TestOrdersStopInTime: a context that has ended leaves the first plan, and
// says so.
func TestOrdersStopInTime(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	p := machines(rand.New(rand.NewPCG(1, 1)), objectives[0])
	plan := Solve(ctx, p, Options{Schedules: 1 << 30, Seed: 1, Threads: 2})
	if !plan.Cut || len(plan.Unplaced) > 0 {
		t.Errorf("cut %v, unplaced %v", plan.Cut, plan.Unplaced)
	}
	if v := check.Plan(p, plan); v != nil {
		t.Error(v)
	}
}
