package forecast_test

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"tickover/scheduler/forecast"
)

// TestKaplanMeier: weeks in remission of 21 patients on 6-mercaptopurine
// (Freireich et al., Blood 21, 1963), the textbook example of the product-limit
// estimate: those still in remission .857 after 6 weeks, .807 after 7, .753,
// .690, .627, .538, .448 after 23 (data and values from memory).
func TestKaplanMeier(t *testing.T) {
	var scores []forecast.Score
	for _, w := range []float64{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		scores = append(scores, forecast.Score{Z: w})
	}
	for _, w := range []float64{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		scores = append(scores, forecast.Score{Z: w, Open: true})
	}
	z, share := forecast.ProductLimit(scores)
	if want := []float64{6, 7, 10, 13, 16, 22, 23}; !slices.Equal(z, want) {
		t.Fatalf("ends at %v, want %v", z, want)
	}
	for i, want := range []float64{.857, .807, .753, .690, .627, .538, .448} {
		if math.Abs(1-share[i]-want) > .0005 {
			t.Errorf("after %v weeks %.4f, want %.3f", z[i], 1-share[i], want)
		}
	}
}

// TestCorrectionIsSensible: whatever the scores, quantiles are numbers in order,
// probabilities between 0 and 1 in order, and one is the other's inverse; open
// scores make it no earlier.
func TestCorrectionIsSensible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var scores, ended []forecast.Score
		for range rapid.IntRange(0, 60).Draw(t, "n") {
			s := forecast.Score{Z: rapid.OneOf(rapid.Float64Range(-5, 5), rapid.Float64(), rapid.Just(math.Inf(1))).Draw(t, "z"), Open: rapid.Bool().Draw(t, "open")}
			if math.IsNaN(s.Z) {
				continue
			}
			scores = append(scores, s)
			s.Open = false
			ended = append(ended, s)
		}
		c := forecast.Correct(append(scores, forecast.Score{Z: math.NaN()}))
		z, share := forecast.ProductLimit(scores)
		all, whole := forecast.ProductLimit(ended)
		for i := range z {
			if j, ok := slices.BinarySearch(all, z[i]); !ok || share[i] > whole[j]+1e-9 {
				t.Fatalf("up to %v a share of %v, though it is %v as if all were over", z[i], share[i], whole[j])
			}
		}
		var was, shareWas float64 = math.Inf(-1), 0
		for p := .0; p <= 1; p += .05 {
			z := c.Quantile(p)
			if math.IsNaN(z) || math.IsInf(z, 0) || z < was {
				t.Fatalf("quantile %v is %v after %v", p, z, was)
			}
			share := c.Probability(z)
			if share < shareWas-1e-9 || share < 0 || share > 1 || p > .01 && p < .99 && z < 49 && share < min(p, c.Probability(49))-1e-6 {
				t.Fatalf("share up to %v (quantile %v) is %v", z, p, share)
			}
			was, shareWas = z, share
		}
	})
	var none *forecast.Correction
	if a, b := none.Quantile(.5), none.Quantile(.8); a < 0 || b-a < .8 || b-a > 1.6 {
		t.Errorf("without a past: %v and %v", a, b)
	}
}

// TestCorrectionLearns: of forecasts that are two spreads too early and half as
// wide as they should be, the corrected ones keep what they say.
func TestCorrectionLearns(t *testing.T) {
	var scores []forecast.Score
	for i := range 400 {
		scores = append(scores, forecast.Score{Z: 2 + 2*math.Sqrt2*math.Erfinv(2*(float64(i)+.5)/400-1)})
	}
	c := forecast.Correct(scores)
	for p, want := range map[float64]float64{.5: 2, .8: 2 + 2*.8416, .2: 2 - 2*.8416, .9: 2 + 2*1.2816} {
		if got := c.Quantile(p); math.Abs(got-want) > .12 {
			t.Errorf("quantile %v: %.3f, want %.3f", p, got, want)
		}
	}
}

// TestKindsShrinkToTheWhole: a kind of jobs that was seen often is corrected by
// what became of it, one that was hardly seen like all together, and the more
// of it was seen the further it goes from one to the other.
func TestKindsShrinkToTheWhole(t *testing.T) {
	normal := distuv.Normal{Mu: 0, Sigma: 1}
	late := func(n int) []forecast.Score { // a kind that ends a spread later than the rest
		var out []forecast.Score
		for i := range 200 {
			out = append(out, forecast.Score{Z: normal.Quantile((float64(i) + .5) / 200), Kind: "usual"})
		}
		for i := range n {
			out = append(out, forecast.Score{Z: 2 + normal.Quantile((float64(i)+.5)/float64(n)), Kind: "late"})
		}
		return out
	}
	const p = .8
	own := 2 + normal.Quantile(p)
	var was float64
	for _, n := range []int{1, 5, 20, 80, 400} {
		c := forecast.Correct(late(n))
		q, whole := c.Of("late").Quantile(p), c.Quantile(p)
		if q < was || q > own+.3 {
			t.Errorf("of %d: %.2f after %.2f, by itself it would be %.2f", n, q, was, own)
		}
		if n == 1 && math.Abs(q-whole) > .3 {
			t.Errorf("of one alone %.2f, of the whole %.2f", q, whole)
		}
		if n == 400 && math.Abs(q-own) > .15 {
			t.Errorf("of 400 %.2f, by itself %.2f", q, own)
		}
		if x := c.Of("usual").Quantile(p); n >= 80 && x >= whole {
			t.Errorf("of %d late ones: usual ones are said %.2f, all together %.2f", n, x, whole)
		}
		was = q
	}
	c := forecast.Correct(late(30))
	if c.Of("never seen") != c || c.Of("") != c {
		t.Error("a kind that was never seen is not corrected like the whole")
	}
	if one := forecast.Correct(late(0)); one.Of("usual").Quantile(p) != one.Quantile(p) {
		t.Error("a shop with one kind only has two corrections")
	}
	if n := c.Of("late").N(); n != 50 { // 30 of its own, and the others as twenty
		t.Errorf("rests on %d", n)
	}
	var none *forecast.Correction
	if none.Of("late").Quantile(p) != none.Quantile(p) {
		t.Error("without a past a kind differs")
	}
}
