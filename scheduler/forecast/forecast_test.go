package forecast_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"tickover/scheduler"
	"tickover/scheduler/forecast"
	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
)

func planned(t testing.TB, p *model.Problem) *model.Plan {
	t.Helper()
	plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{Schedules: 20, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func run(t testing.TB, in forecast.Input) *forecast.Result {
	t.Helper()
	r, err := forecast.Run(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func exactly(*model.Activity, int, []model.WorkerID) forecast.Spread { return forecast.Spread{} }

// TestWithoutChanceThePlanIsKept: with every length as planned no job ends
// after its plan, on random shops.
func TestWithoutChanceThePlanIsKept(t *testing.T) {
	for seed := range uint64(150) {
		p := modeltest.Shop(rand.New(rand.NewPCG(seed, 9)), modeltest.Size{Jobs: 9, Benches: 3, Chargers: 2, Workers: 3, Days: 4, Wild: seed%2 == 1})
		plan := planned(t, p)
		r := run(t, forecast.Input{Problem: p, Plan: plan, Spread: exactly, Paths: 1})
		for _, j := range r.Jobs {
			if j.Planned != model.Unlimited && j.Ends[0] > j.Planned {
				t.Errorf("seed %d: job %s ends at %d, planned %d", seed, j.ID, j.Ends[0], j.Planned)
			}
		}
	}
}

// chain is one job of n steps one after the other, each an hour-like length
// of e³ thousands, with a worker for each and no hours.
func chain(n int) (*model.Problem, *model.Plan) {
	d := model.Time(math.Round(1000 * math.Exp(3)))
	p := &model.Problem{Horizon: 1 << 24, Jobs: []model.Job{{ID: "j", Due: model.Unlimited, Weight: 1}}, Workers: []model.Worker{{ID: "w"}}}
	for i := range n {
		p.Activities = append(p.Activities, model.Activity{ID: model.ActivityID(fmt.Sprint("a", i)), Job: "j", Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: d, Workers: 1}}}}})
		if i > 0 {
			p.Lags = append(p.Lags, model.Lag{From: p.Activities[i-1].ID, To: p.Activities[i].ID})
		}
	}
	plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{Schedules: 1})
	if err != nil {
		panic(err)
	}
	return p, plan
}

func halfSigma(*model.Activity, int, []model.WorkerID) forecast.Spread {
	return forecast.Spread{Sigma: .5}
}

// TestLogNormalQuantiles: LN(3, 0.5) has the median 20.0855, the 80 % quantile
// 30.5942 and the 95 % quantile 45.7150 (formulas: NIST/SEMATECH e-Handbook
// 1.3.6.6.9, attribution from memory); four in series have the mean 91.0396
// and the deviation 24.2593 (moments are exact). Within four standard errors.
func TestLogNormalQuantiles(t *testing.T) {
	const paths = 20_000
	p, plan := chain(1)
	j := run(t, forecast.Input{Problem: p, Plan: plan, Spread: halfSigma, Paths: paths, Seed: 4, Threads: 2}).Job("j")
	for _, c := range []struct{ p, want, se float64 }{{.5, 20.0855, .089}, {.8, 30.5942, .155}, {.95, 45.7150, .342}} {
		if got := float64(j.Quantile(c.p)) / 1000; math.Abs(got-c.want) > 4*c.se {
			t.Errorf("quantile %v: %v, want %v ± %v", c.p, got, c.want, 4*c.se)
		}
		if got := j.Probability(model.Time(1000 * c.want)); math.Abs(got-c.p) > 4*math.Sqrt(c.p*(1-c.p)/paths) {
			t.Errorf("probability of %v: %v, want %v", c.want, got, c.p)
		}
	}
	p, plan = chain(4)
	j = run(t, forecast.Input{Problem: p, Plan: plan, Spread: halfSigma, Paths: paths, Seed: 4, Threads: 2}).Job("j")
	var sum float64
	for _, e := range j.Ends {
		sum += float64(e) / 1000
	}
	if got := sum / paths; math.Abs(got-91.0396) > 4*24.2593/math.Sqrt(paths) {
		t.Errorf("four in series: mean %v, want 91.0396", got)
	}
}

// TestRunningWorkIsNotOver: what runs longer than planned ends after now, and
// has the less chance to end soon the more it strays.
func TestRunningWorkIsNotOver(t *testing.T) {
	p := &model.Problem{Now: 100, Horizon: 1 << 20, Jobs: []model.Job{{ID: "j", Due: model.Unlimited, Weight: 1}}, Workers: []model.Worker{{ID: "w"}},
		Activities: []model.Activity{{ID: "a", Job: "j", Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: 40, Workers: 1}}}},
			Progress: &model.Progress{Stretches: []model.StretchTime{{Start: 30, End: 101, Workers: []model.WorkerID{"w"}}}}}}}
	r := run(t, forecast.Input{Problem: p, Plan: planned(t, p), Spread: halfSigma, Paths: 2000})
	j := r.Job("j")
	if j.Ends[0] < 100 {
		t.Errorf("ends at %d, before now", j.Ends[0])
	}
	if m := j.Quantile(.5); m < 105 || m > 160 {
		t.Errorf("given 70 of planned 40 with a spread of 0.5 the median end is %d", m)
	}
}

// TestThreadsAndLuck: threads change nothing; an activity has the same luck in
// two plans.
func TestThreadsAndLuck(t *testing.T) {
	p := modeltest.Shop(rand.New(rand.NewPCG(5, 9)), modeltest.Size{Jobs: 9, Benches: 3, Chargers: 2, Workers: 3, Days: 4})
	plan := planned(t, p)
	one := run(t, forecast.Input{Problem: p, Plan: plan, Paths: 200, Seed: 2})
	three := run(t, forecast.Input{Problem: p, Plan: plan, Paths: 200, Seed: 2, Threads: 3})
	for i := range one.Jobs {
		if !slices.Equal(one.Jobs[i].Ends, three.Jobs[i].Ends) {
			t.Errorf("job %s: threads change the answer", one.Jobs[i].ID)
		}
		if !slices.IsSorted(one.Jobs[i].Ends) {
			t.Errorf("job %s: not in order", one.Jobs[i].ID)
		}
	}
	a, planA := chain(1)
	b, planB := chain(2)
	x := run(t, forecast.Input{Problem: a, Plan: planA, Spread: halfSigma, Paths: 50, Seed: 8}).Job("j")
	b.Jobs[0].Due = 5 // another problem around the same activity
	y := run(t, forecast.Input{Problem: b, Plan: planB, Spread: func(a *model.Activity, s int, _ []model.WorkerID) forecast.Spread {
		if a.ID == "a0" {
			return forecast.Spread{Sigma: .5}
		}
		return forecast.Spread{}
	}, Paths: 50, Seed: 8}).Job("j")
	d := model.Time(math.Round(1000 * math.Exp(3)))
	for i := range x.Ends {
		if x.Ends[i]+d != y.Ends[i] {
			t.Fatalf("path %d: other luck: %d and %d", i, x.Ends[i], y.Ends[i])
		}
	}
}

// TestMoreSpreadIsLater: on random shops no quantile gets earlier when every
// median is longer, and probabilities are between none and all.
func TestLongerIsLater(t *testing.T) {
	for seed := range uint64(40) {
		p := modeltest.Shop(rand.New(rand.NewPCG(seed, 3)), modeltest.Size{Jobs: 9, Benches: 3, Chargers: 2, Workers: 3, Days: 4, Wild: seed%2 == 1})
		plan := planned(t, p)
		at := func(shift float64) *forecast.Result {
			return run(t, forecast.Input{Problem: p, Plan: plan, Paths: 60, Spread: func(*model.Activity, int, []model.WorkerID) forecast.Spread {
				return forecast.Spread{Sigma: .2, Shift: shift}
			}})
		}
		short, long := at(0), at(.4)
		for i := range short.Jobs {
			if a, b := short.Jobs[i].Quantile(.5), long.Jobs[i].Quantile(.5); b < a {
				t.Errorf("seed %d: job %s: %d with longer work, %d with shorter", seed, short.Jobs[i].ID, b, a)
			}
		}
	}
}

func TestWrongInput(t *testing.T) {
	p, plan := chain(1)
	for name, in := range map[string]forecast.Input{
		"nothing": {}, "no plan": {Problem: p}, "too many": {Problem: p, Plan: plan, Paths: 1 << 30}, "negative": {Problem: p, Plan: plan, Paths: -1},
		"another problem": {Problem: &model.Problem{}, Plan: plan},
	} {
		if _, err := forecast.Run(in); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	empty := run(t, forecast.Input{Problem: &model.Problem{Horizon: 10}, Plan: &model.Plan{}})
	if len(empty.Jobs) != 0 || empty.Job("x") != nil {
		t.Errorf("%+v", empty)
	}
	var none forecast.Job
	if none.Quantile(.8) != model.Unlimited || none.Probability(5) != 0 {
		t.Error("a job without paths is known")
	}
}

// BenchmarkForecast is 200 units and 500 paths on two threads.
func BenchmarkForecast(b *testing.B) {
	p := modeltest.Shop(rand.New(rand.NewPCG(1, 1)), modeltest.Size{Jobs: 200, Benches: 12, Interfaces: 3, Chargers: 6, Pads: 2, Workers: 8, Days: 20})
	plan := planned(b, p)
	b.ResetTimer()
	for b.Loop() {
		run(b, forecast.Input{Problem: p, Plan: plan, Paths: 500, Threads: 2})
	}
}
