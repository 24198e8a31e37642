package estimate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/scheduler/estimate"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: got %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

// TestLogNormalExample: ReliaWiki, Lognormal Distribution Examples: eight
// failure times, mean 2.83 and deviation 1.10 of the logarithms; the quantiles
// follow from the full digits.
func TestLogNormalExample(t *testing.T) {
	mu, sigma := estimate.LogNormal([]float64{2, 5, 11, 23, 29, 37, 43, 59})
	near(t, "mu", mu, 2.83, 0.005)
	near(t, "sigma", sigma, 1.10, 0.005)
	near(t, "median", math.Exp(mu), 16.973, 0.001)
}

// TestLogNormalIdentities: mean, quantiles and coefficient of variation of the
// log-normal with 3 and 0.5 by the formulas of the NIST/SEMATECH e-Handbook,
// 1.3.6.6.9 (attribution from memory), with a history that has exactly these
// moments; and six failure times of weibull.com's graphical example: a median
// of 760 within half a percent.
func TestLogNormalIdentities(t *testing.T) {
	mu, sigma := estimate.LogNormal([]float64{math.Exp(2.5), math.Exp(3.5)})
	near(t, "mu", mu, 3, 1e-12)
	near(t, "sigma", sigma, .5, 1e-12)
	near(t, "median", math.Exp(mu), 20.0855, 1e-4)
	near(t, "mean", math.Exp(mu+sigma*sigma/2), 22.7599, 1e-4)
	near(t, "coefficient of variation", math.Sqrt(math.Exp(sigma*sigma)-1), .53294, 1e-5)
	mu, _ = estimate.LogNormal([]float64{144, 385, 747, 1144, 1576, 2616})
	near(t, "median of six", math.Exp(mu)/760, 1, .005)
	// Estimate's quantiles are those of its own median and spread.
	r := rand.New(rand.NewPCG(4, 1))
	e := estimate.Fitted(history(r, 500), hour).Of("fit", "m2", "ben")
	for p, z := range map[float64]float64{.8: .841621, .9: 1.281552, .95: 1.644854} { // e-Handbook, 1.3.6.7.1
		near(t, fmt.Sprint("quantile ", p), e.Quantile(p).Seconds()/e.Median().Seconds(), math.Exp(z*e.Sigma()), 1e-5)
	}
	near(t, "mean over median", e.Mean().Seconds()/e.Median().Seconds(), math.Exp(e.Sigma()*e.Sigma()/2), 1e-5)
}

// TestJamesSteinExample: Efron & Morris, Scientific American 236(5), 1977: 18
// batters after 45 times at bat; factor 0.212, Clemente .294, Munson .247; the
// drawn ones are nearer to the rest of the season.
func TestJamesSteinExample(t *testing.T) {
	y := []float64{.400, .378, .356, .333, .311, .311, .289, .267, .244, .244, .222, .222, .222, .222, .222, .200, .178, .156}
	mean := 0.0
	for _, v := range y {
		mean += v / float64(len(y))
	}
	shrunk, c := estimate.JamesStein(y, mean*(1-mean)/45)
	near(t, "c", c, .212, .001)
	near(t, "Clemente", shrunk[0], .294, .001)
	near(t, "Munson", shrunk[16], .247, .001)
	if _, c := estimate.JamesStein([]float64{1, 2, 3}, 1); c != 1 {
		t.Errorf("three means are drawn by %v", c)
	}
}

// TestEightSchools: Rubin 1981; pooled 7.686 with variance 16.58, and between
// them a moment estimate of zero (Gelman et al., Bayesian Data Analysis, 5.5,
// attribution from memory).
func TestEightSchools(t *testing.T) {
	y, se := []float64{28, 8, -3, 7, -1, 1, 18, 12}, []float64{15, 10, 16, 11, 9, 11, 10, 18}
	mean, variance := estimate.Pooled(y, se, 0)
	near(t, "mean", mean, 7.686, .001)
	near(t, "variance", variance, 16.58, .01)
	near(t, "between", estimate.Between(y, se), 0, 0)
	mean, _ = estimate.Pooled(y, se, 100)
	near(t, "mean with a spread of 10", mean, 8.126, .001)
}

// TestRunningAgainstNIST: certified values of the NIST Statistical Reference
// Datasets; NumAcc3 and NumAcc4 break a sum of squares.
func TestRunningAgainstNIST(t *testing.T) {
	alternate := func(base float64) []float64 {
		x := []float64{base + .2}
		for range 500 {
			x = append(x, base+.1, base+.3)
		}
		return x
	}
	for name, c := range map[string]struct {
		x            []float64
		mean, sd     float64
		tolerance    float64 // of the deviation, relative
		meanRelative float64
	}{
		"NumAcc1": {[]float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-15, 1e-15},
		"NumAcc2": {alternate(1), 1.2, .1, 1e-10, 1e-14},
		"NumAcc3": {alternate(1000000), 1000000.2, .1, 1e-8, 1e-15},
		"NumAcc4": {alternate(10000000), 10000000.2, .1, 1e-6, 1e-15},
	} {
		var r estimate.Running
		for _, v := range c.x {
			r.Add(v)
		}
		near(t, name+" mean", r.Mean()/c.mean, 1, c.meanRelative)
		near(t, name+" deviation", r.SD()/c.sd, 1, c.tolerance)
	}
}

// TestWarmingExamples: Incropera, example 5.1 (a junction reaches 199 °C in a
// gas of 200 °C from 25 °C in 5.2 s with a time constant of 1 s); Çengel,
// example 4-1 (b = 0.462/s, 99 % in 10 s); three time constants are 95 %
// (Lienhard, A Heat Transfer Textbook).
func TestWarmingExamples(t *testing.T) {
	seconds := func(w estimate.Warming, air, target float64) float64 {
		d, ok := w.Time(air, target)
		if !ok {
			t.Fatalf("%+v never gets from %v to %v", w, air, target)
		}
		return d.Seconds()
	}
	near(t, "Incropera 5.1", seconds(estimate.Warming{Tau: time.Second, Rise: 175}, 25, 199), 5.2, .052)
	b := 0.462 // 1/s
	tau := time.Duration(float64(time.Second) / b)
	near(t, "Çengel 4-1", seconds(estimate.Warming{Tau: tau, Rise: 100}, 0, 99), 10, .1)
	near(t, "three time constants", seconds(estimate.Warming{Tau: time.Second, Rise: 100}, 0, 95.0213), 3, .001)
	// The formula itself, by hand.
	w := estimate.Warming{Tau: 240 * time.Second, Rise: 110}
	for air, want := range map[float64]float64{-10: 242.8, 0: 189.2, 20: 108.5, 35: 61.9} {
		near(t, fmt.Sprint("from ", air), seconds(w, air, 60), want, .1)
	}
	if _, ok := w.Time(-60, 60); ok {
		t.Error("a rise of 110 K reaches 120 K")
	}
	if d, ok := w.Time(70, 60); !ok || d != 0 {
		t.Error("a warm engine has to wait")
	}
}

func TestWarmingIsLearnt(t *testing.T) {
	seed := uint64(1)
	r := rand.New(rand.NewPCG(seed, 1))
	truth := estimate.Warming{Tau: 200 * time.Second, Rise: 130}
	var seen []estimate.Relearn
	for range 60 {
		air, end := -8+30*r.Float64(), 62+12*r.Float64()
		d, ok := truth.Time(air, end)
		if !ok {
			continue
		}
		seen = append(seen, estimate.Relearn{AirC: air, EndC: end, Took: time.Duration(float64(d) * math.Exp(.05*r.NormFloat64()))})
	}
	seen = append(seen, estimate.Relearn{AirC: 5, EndC: 70, Took: 3 * time.Hour}, estimate.Relearn{AirC: math.NaN(), EndC: 70, Took: time.Minute})
	got, ok := estimate.FitWarming(seen)
	if !ok {
		t.Fatalf("seed %d: nothing learnt", seed)
	}
	for _, air := range []float64{-5, 8, 20} {
		want, _ := truth.Time(air, 65)
		have, _ := got.Time(air, 65)
		near(t, fmt.Sprintf("seed %d: from %v °C", seed, air), have.Seconds()/want.Seconds(), 1, .06)
	}
	if _, ok := estimate.FitWarming(seen[:2]); ok {
		t.Error("two relearns are enough")
	}
}

func hour(string) estimate.Listed { return estimate.Listed{Length: time.Hour} }

// history draws lengths of one operation with effects of model and technician.
func history(r *rand.Rand, n int) []estimate.Observation {
	models, people := []string{"m1", "m2", "m3", "m4"}, []string{"ada", "ben", "cleo"}
	var out []estimate.Observation
	for i := range n {
		m, p := r.IntN(len(models)), r.IntN(len(people))
		log := math.Log(1800) + .15*float64(m-1) + .2*float64(p-1) + .25*r.NormFloat64()
		out = append(out, estimate.Observation{Operation: "fit", Model: models[m], Technician: people[p], Took: time.Duration(math.Exp(log) * float64(time.Second)), At: time.Unix(int64(i)*3600, 0)})
	}
	return out
}

// TestEffectsAreFound: with many observations the truth of each group, with
// few something between the group and the whole.
func TestEffectsAreFound(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 1))
	b := estimate.Fitted(history(r, 3000), hour)
	for m := range 4 {
		for p, who := range []string{"ada", "ben", "cleo"} {
			e := b.Of("fit", fmt.Sprintf("m%d", m+1), who)
			want := 1800 * math.Exp(.15*float64(m-1)+.2*float64(p-1))
			near(t, fmt.Sprintf("seed %d: m%d %s", seed, m+1, who), e.Median().Seconds()/want, 1, .06)
			near(t, "sigma", e.Sigma(), .25, .03)
			if e.Basis != estimate.ByModelAndTechnician {
				t.Errorf("basis %v", e.Basis)
			}
		}
	}
	if f := b.Of("fit", "", "").Fit; f.Refused || f.N != 3000 {
		t.Errorf("fit %+v", f)
	}
	few := append(history(r, 200), estimate.Observation{Operation: "fit", Model: "rare", Technician: "ada", Took: 2 * time.Hour})
	e, all := estimate.Fitted(few, hour).Of("fit", "rare", "ada"), estimate.Fitted(few, hour).Of("fit", "", "ada")
	if e.Median() <= all.Median() || e.Median() > 90*time.Minute {
		t.Errorf("one observation of 2 h with %v for all: %v", all.Median(), e.Median())
	}
}

// TestForgottenDone: lengths of days among those of half an hour are flagged
// and move the median little; what is only known to be at least so long is
// not taken for its length.
func TestForgottenDone(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 1))
	clean := history(r, 200)
	dirty := slices.Clone(clean)
	for i := range 8 {
		dirty[i*20].Took = 14*time.Hour + time.Duration(i)*time.Hour
	}
	a, b := estimate.Fitted(clean, hour), estimate.Fitted(dirty, hour)
	if len(a.Flagged) != 0 || len(b.Flagged) != 8 {
		t.Fatalf("flagged %d of none and %d of 8", len(a.Flagged), len(b.Flagged))
	}
	near(t, "median", b.Of("fit", "", "").Median().Seconds()/a.Of("fit", "", "").Median().Seconds(), 1, .1)
	// Right-censored at its 70th percentile: EM finds the whole again.
	cut := slices.Clone(clean)
	limit := a.Of("fit", "", "").Quantile(.7)
	for i := range cut {
		if cut[i].Took > limit {
			cut[i].Took, cut[i].Censored = limit, true
		}
	}
	near(t, "median of censored", estimate.Fitted(cut, hour).Of("fit", "", "").Median().Seconds()/a.Of("fit", "", "").Median().Seconds(), 1, .08)
}

// TestWaitedOut: a machine takes 28 min or so; four times in ten somebody comes
// back late. The mode is found, and the waiting does not count. Halves of a
// sample: by hand.
func TestWaitedOut(t *testing.T) {
	for want, x := range map[float64][]float64{3: {1, 3, 3, 3, 9}, 1.5: {1, 2}, 5: {1, 5, 5, 100}, 7: {7}, 2: {1, 2, 3}, 0: nil, 2.05: {1, 2, 2.1, 5, 9}} {
		near(t, fmt.Sprint("mode of ", x), estimate.HalfSampleMode(x), want, 1e-9)
	}
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 1))
	var h []estimate.Observation
	for i := range 120 {
		took := 28 * math.Exp(.04*r.NormFloat64())
		if i%5 < 2 {
			took += 40 * r.Float64()
		}
		h = append(h, estimate.Observation{Operation: "flash", Took: time.Duration(took * float64(time.Minute)), Waited: true, At: time.Unix(int64(i), 0)})
	}
	b := estimate.Fitted(h, func(string) estimate.Listed { return estimate.Listed{Length: 40 * time.Minute, Sigma: .08} })
	e := b.Of("flash", "", "")
	near(t, "median", e.Median().Minutes(), 28, .8)
	near(t, "spread", e.Sigma(), .05, .03)
	if e.Open < 30 || e.Open > 60 || len(b.Flagged) != 0 {
		t.Errorf("%d of 120 waited out, %d flagged", e.Open, len(b.Flagged))
	}
}

// TestPlannedLength: nothing seen: the listed length; little: near to it; much:
// the quantile.
func TestPlannedLength(t *testing.T) {
	const seed = 2
	r := rand.New(rand.NewPCG(seed, 1))
	all := history(r, 400)
	if e := estimate.Fitted(nil, hour).Of("fit", "", ""); e.Planned(.6, time.Hour) != time.Hour {
		t.Errorf("nothing seen: %v", e.Planned(.6, time.Hour))
	}
	e := estimate.Fitted(all[:1], hour).Of("fit", "m1", "")
	if p := e.Planned(.6, time.Hour); p < 45*time.Minute || p > 75*time.Minute {
		t.Errorf("one of %v seen: %v", all[0].Took, p)
	}
	e = estimate.Fitted(all, hour).Of("fit", "m1", "")
	near(t, "much seen", e.Planned(.6, time.Hour).Seconds()/e.Quantile(.6).Seconds(), 1, .02)
}

func TestDriftAndFit(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 1))
	h := history(r, 200)
	if d := estimate.Fitted(h, hour).Of("fit", "", "").Drift; d.Seen {
		t.Errorf("seed %d: drift where there is none: %+v", seed, d)
	}
	for i := 150; i < 200; i++ {
		h[i].Took = h[i].Took * 3 / 2
	}
	if d := estimate.Fitted(h, hour).Of("fit", "", "").Drift; !d.Seen || d.Ratio < 1.3 || d.Ratio > 1.7 {
		t.Errorf("seed %d: drift %+v", seed, d)
	}
	var two []estimate.Observation
	for i := range 100 {
		two = append(two, estimate.Observation{Operation: "x", Took: time.Duration(10+30*(i%2)) * time.Minute, At: time.Unix(int64(i), 0)})
	}
	if f := estimate.Fitted(two, hour).Of("x", "", "").Fit; !f.Refused {
		t.Errorf("two lengths only are taken for log-normal: %+v", f)
	}
}

// TestAnswersAreAlwaysSensible: whatever the history, an answer is finite and
// positive, its limits in order, and the order of the history changes nothing.
func TestAnswersAreAlwaysSensible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		took := rapid.OneOf(rapid.Int64Range(-1000, 200_000), rapid.SampledFrom([]int64{0, math.MaxInt64 / 1_000_000_000, math.MinInt64 / 1_000_000_000, 1, 2_600_000, 1_000_000_000}))
		var h []estimate.Observation
		for i := range rapid.IntRange(0, 30).Draw(t, "n") {
			h = append(h, estimate.Observation{
				Operation: rapid.SampledFrom([]string{"a", "b", ""}).Draw(t, "operation"), Model: rapid.SampledFrom([]string{"m", "n", ""}).Draw(t, "model"),
				Technician: rapid.SampledFrom([]string{"x", "y", ""}).Draw(t, "technician"), Took: time.Duration(took.Draw(t, "s")) * time.Second,
				Censored: rapid.IntRange(0, 4).Draw(t, "censored") == 0, Waited: rapid.IntRange(0, 3).Draw(t, "waited") == 0, Suspect: rapid.IntRange(0, 9).Draw(t, "suspect") == 0, At: time.Unix(int64(i), 0),
			})
		}
		var standard estimate.Standard
		if rapid.Bool().Draw(t, "listed") {
			listed := map[string]estimate.Listed{}
			for _, op := range []string{"a", "b", "", "never"} {
				listed[op] = estimate.Listed{Length: time.Duration(took.Draw(t, "listed")) * time.Second, Sigma: rapid.Float64().Draw(t, "sigma")}
			}
			standard = func(op string) estimate.Listed { return listed[op] }
		}
		one, two := estimate.Fitted(h, standard), estimate.Fitted(rapid.Permutation(h).Draw(t, "order"), standard)
		for _, op := range []string{"a", "b", "", "never"} {
			for _, m := range []string{"m", "new", ""} {
				e := one.Of(op, m, "x")
				low, high := e.Limits()
				q := []time.Duration{e.Quantile(.1), e.Median(), e.Quantile(.8), e.Quantile(.95)}
				if !slices.IsSorted(q) || low > e.Median() || high < e.Median() || q[0] < time.Second || q[3] > 30*24*time.Hour || e.Mean() < time.Second || e.Basis == 0 {
					t.Fatalf("%s %s: %v, %v to %v, basis %v", op, m, q, low, high, e.Basis)
				}
				if p := e.Planned(.6, time.Duration(took.Draw(t, "planned"))*time.Second); p < time.Second || p > 30*24*time.Hour && e.Basis != estimate.ByStandard {
					t.Fatalf("%s %s: planned with %v", op, m, p)
				}
				if o := two.Of(op, m, "x"); o.Median() != e.Median() || o.Quantile(.8) != e.Quantile(.8) {
					t.Fatalf("another order: %v, %v", e.Median(), o.Median())
				}
			}
		}
	})
}

func BenchmarkFitted(b *testing.B) {
	h := history(rand.New(rand.NewPCG(1, 1)), 50_000)
	for b.Loop() {
		estimate.Fitted(h, hour)
	}
}
