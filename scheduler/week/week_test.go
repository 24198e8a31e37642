package week

import (
	"bytes"
	"context"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
)

// tiny weeks are two days of small shops.
func tiny(t *testing.T, seed uint64, threads int) *Series {
	t.Helper()
	s, err := Run(context.Background(), SeriesOptions{
		Seed: seed, Weeks: 2, Size: Size{Benches: 3, Days: 2}, Ways: Usual(Effort{Schedules: 16}), Threads: threads,
	})
	if err != nil {
		t.Fatalf("seed %d: %v", seed, err)
	}
	return s
}

func csvOf(t *testing.T, s *Series) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestTinyWeeks(t *testing.T) {
	s := tiny(t, 1, 2)
	if again := tiny(t, 1, 1); csvOf(t, s) != csvOf(t, again) {
		t.Error("the same seed gives another outcome:", cmp.Diff(csvOf(t, s), csvOf(t, again)))
	}
	if csvOf(t, s) == csvOf(t, tiny(t, 2, 2)) {
		t.Error("another seed gives the same outcome")
	}
	sum := make([]float64, len(s.Ways))
	for _, outs := range slices.Concat(s.Weeks...) {
		for k, o := range outs {
			for _, v := range o.Violations {
				t.Errorf("week %d, %s: %v", o.Week.Number, o.Way, v)
			}
			sum[k] += o.J()
		}
	}
	for k, o := range s.Weeks[0][0] {
		if !o.Watches && sum[0] > sum[k] {
			t.Errorf("J of the planner is %.0f, of %s %.0f", sum[0], s.Ways[k], sum[k])
		}
	}
}

// TestAllWaysSeeTheSame: units, surprises and durations don't depend on who
// decides.
func TestAllWaysSeeTheSame(t *testing.T) {
	for _, outs := range slices.Concat(tiny(t, 3, 2).Weeks...) {
		for _, o := range outs[1:] {
			if diff := cmp.Diff(outs[0].Problem, o.Problem); diff != "" {
				t.Errorf("week %d: %s lived in another world than %s: %s", o.Week.Number, o.Way, outs[0].Way, diff)
			}
		}
	}
}

// TestFullWeeksKeepTheRules lets every rule run shops of every size; package
// check judges what happened, and catches a moved end.
func TestFullWeeksKeepTheRules(t *testing.T) {
	for n := range 4 { // 2, 9, 5 and 12 benches
		w := Draw(7, n, Size{})
		for _, y := range Usual(Effort{})[1:] {
			o, err := w.Run(context.Background(), y)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range o.Violations {
				t.Errorf("week %d of seed 7, %s: %v", n, o.Way, v)
			}
			if n > 0 {
				continue
			}
			last := len(o.Plan.Assignments) - 1
			o.Plan.Assignments[last].Stretches = slices.Clone(o.Plan.Assignments[last].Stretches)
			o.Plan.Assignments[last].Stretches[0].Start -= day
			if len(check.Plan(o.Problem, o.Plan)) == 0 {
				t.Error("the checker looks away")
			}
		}
	}
}

// TestDurationsKeepTheirBounds: nothing takes longer than what starts are
// judged by, and on average a step takes about its standard time.
func TestDurationsKeepTheirBounds(t *testing.T) {
	var planned, actual Time
	for n := range 5 {
		w := Draw(11, n, Size{})
		for i := range w.acts {
			a := &w.acts[i]
			for k := range a.stretch {
				if a.actual[k] > worst(&a.stretch[k]) {
					t.Errorf("stretch %d of %s takes %d, at the worst %d", k, a.src.ID, a.actual[k], worst(&a.stretch[k]))
				}
				planned, actual = planned+a.stretch[k].Duration, actual+a.actual[k]
			}
		}
	}
	if ratio := float64(actual) / float64(planned); ratio < 0.98 || ratio > 1.05 {
		t.Errorf("steps take %.3f of their standard time", ratio)
	}
}

// TestConfidence: the quantiles t(0.975) are 2.262 for 9 and 2.023 for 39
// degrees of freedom (NIST/SEMATECH e-Handbook of Statistical Methods,
// 1.3.6.7.2; from memory).
func TestConfidence(t *testing.T) {
	for _, test := range []struct {
		n int
		t float64
	}{{10, 2.262}, {40, 2.023}} {
		values := make([]float64, test.n) // half 0, half 2: mean 1
		for i := range values {
			values[i] = float64(i % 2 * 2)
		}
		n := float64(test.n)
		want := test.t * math.Sqrt(n/(n-1)) / math.Sqrt(n)
		if got := confidence(values); got.Mean != 1 || math.Abs(got.Half-want) > 1e-3*want {
			t.Errorf("of %d values: got %+v, want 1 ± %.4f", test.n, got, want)
		}
	}
}

// TestPairs: known numbers, week by week; the second week was run twice.
func TestPairs(t *testing.T) {
	s := &Series{Ways: []string{"first", "other"}}
	for i, js := range [][][2]float64{{{5, 10}, {5, 10}}, {{30, 10}, {30, 30}}, {{50, 100}, {50, 100}}} {
		var week [][]*Outcome
		for _, j := range js {
			var outs []*Outcome
			for _, x := range j {
				outs = append(outs, &Outcome{Week: &Week{Number: 10 + i}, Plan: &model.Plan{Cost: model.CostParts{Tardiness: model.Cost(1000 * x)}}})
			}
			week = append(week, outs)
		}
		s.Weeks = append(s.Weeks, week)
	}
	want := Pair{Way: "other", LowerTotal: 100 * 45 / 130.0}
	want.J, want.Lower = confidence([]float64{-5, 10, -50}), confidence([]float64{50, -50, 50})
	want.Worse = []Lost{{Number: 11, Higher: confidence([]float64{100, 0})}}
	p := s.Pairs()[0]
	p.Kept = Interval{}
	if diff := cmp.Diff(want, p); diff != "" {
		t.Error(diff)
	}
	if math.Abs(p.J.Mean+15) > 1e-9 || math.Abs(p.J.Half-4.303*31.225/math.Sqrt(3)) > 0.1 { // t(0.975) of 2: 4.303
		t.Errorf("J: %+v", p.J)
	}
	best := s.Best()
	best.Way = "other"
	if diff := cmp.Diff(want, best); diff != "" {
		t.Error("the best of one way:", diff)
	}
}

// TestLuck: another luck is the same shop with the same units and promises,
// and other lengths of work; the first is that of a week run once.
func TestLuck(t *testing.T) {
	o := SeriesOptions{Seed: 5, Weeks: 1, Size: Size{Benches: 3, Days: 2}, Ways: []Way{ByHand(EarliestPromise, false)}, Luck: 2, Threads: 2}
	twice, err := Run(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	o.Luck = 0
	once, err := Run(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	a, b := twice.Weeks[0][0][0], twice.Weeks[0][1][0]
	if a.J() != once.Weeks[0][0][0].J() {
		t.Errorf("J is %v with luck 0, %v once", a.J(), once.Weeks[0][0][0].J())
	}
	if diff := cmp.Diff(a.Week.shop, b.Week.shop); diff != "" {
		t.Error("another shop:", diff)
	}
	if a.J() == b.J() || cmp.Equal(a.Week.acts[0].actual, b.Week.acts[0].actual) && cmp.Equal(a.Week.acts[1].actual, b.Week.acts[1].actual) {
		t.Error("the same luck twice")
	}
}

func TestIntervals(t *testing.T) {
	list := []model.Interval{{Start: 0, End: 10}, {Start: 20, End: 30}}
	if got := without(list, model.Interval{Start: 5, End: 25}); !slices.Equal(got, []model.Interval{{Start: 0, End: 5}, {Start: 25, End: 30}}) {
		t.Error("without:", got)
	}
	if got := walk(list, 8, 5); !slices.Equal(got, []model.Interval{{Start: 8, End: 10}, {Start: 20, End: 23}}) {
		t.Error("walk:", got)
	}
	if got := walk(list, 28, 5); got != nil {
		t.Error("walk beyond the end:", got)
	}
	if got := room(list, 8, 5); got != 20 {
		t.Error("room:", got)
	}
	if got := openUntil(list, 12); got != 12 {
		t.Error("open until:", got)
	}
	if got := covered(list, 5, 22); got != 7 {
		t.Error("covered:", got)
	}
}

// Work that is overdue is expected anew a few times, not each minute.
func TestOverdueWorkIsExpectedInSteps(t *testing.T) {
	for _, tc := range []struct{ standard, taken, want Time }{
		{20, 0, 20}, {20, 19, 20}, {20, 20, 24}, {20, 23, 24}, {20, 24, 28}, {20, 28, 36}, {20, 36, 52}, {1, 1, 2}, {1, 5, 9},
	} {
		if got := expected(tc.standard, tc.taken, tc.standard/5); got != tc.want {
			t.Errorf("of %d min, %d taken: %d in all, want %d", tc.standard, tc.taken, got, tc.want)
		}
	}
}
