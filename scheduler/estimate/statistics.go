package estimate

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Running keeps mean and spread of a stream (Welford 1962): one pass, no
// cancellation.
type Running struct {
	n        int
	mean, m2 float64
}

// Add takes one value in.
func (r *Running) Add(x float64) {
	r.n++
	d := x - r.mean
	r.mean += d / float64(r.n)
	r.m2 += d * (x - r.mean)
}

// N, Mean and SD are of the values so far; SD divides by n−1.
func (r *Running) N() int        { return r.n }
func (r *Running) Mean() float64 { return r.mean }
func (r *Running) SD() float64 {
	if r.n < 2 {
		return 0
	}
	return math.Sqrt(r.m2 / float64(r.n-1))
}

// JamesStein draws k means of one known variance towards their own mean by
// the factor c = 1 − (k−3)·variance/Σ(y−ȳ)², not below zero (Efron & Morris
// 1975, JASA 70). With three or fewer it changes nothing.
func JamesStein(y []float64, variance float64) (shrunk []float64, c float64) {
	var mean, sum float64
	for _, v := range y {
		mean += v / float64(len(y))
	}
	for _, v := range y {
		sum += (v - mean) * (v - mean)
	}
	c = 1
	if len(y) > 3 && sum > 0 {
		c = max(0, 1-float64(len(y)-3)*variance/sum)
	}
	shrunk = make([]float64, len(y))
	for i, v := range y {
		shrunk[i] = mean + c*(v-mean)
	}
	return shrunk, c
}

// Pooled is the common mean of groups with standard errors, each weighing by
// its precision and by the variance between groups.
func Pooled(means, se []float64, between float64) (mean, variance float64) {
	var sw, swy float64
	for i := range means {
		w := 1 / (se[i]*se[i] + between)
		sw += w
		swy += w * means[i]
	}
	if sw == 0 {
		return 0, math.Inf(1)
	}
	return swy / sw, 1 / sw
}

// Between is the moment estimate of the variance between groups (DerSimonian
// & Laird 1986), not below zero.
func Between(means, se []float64) float64 {
	k := len(means)
	if k < 2 {
		return 0
	}
	mean, _ := Pooled(means, se, 0)
	var q, sw, sw2 float64
	for i := range means {
		w := 1 / (se[i] * se[i])
		q += w * (means[i] - mean) * (means[i] - mean)
		sw += w
		sw2 += w * w
	}
	if d := sw - sw2/sw; d > 0 {
		return max(0, (q-float64(k-1))/d)
	}
	return 0
}

// censoredNormal is the maximum likelihood of mean and spread of normal values
// of which some are only known to be at least, or at most, so large (EM,
// Dempster, Laird & Rubin 1977), drawn towards the listed value and the prior
// spread while they are few.
func censoredNormal(g []sample, listed, prior float64) (mu, sigma float64) {
	var r Running
	for _, s := range g {
		r.Add(s.log)
	}
	mu, sigma = r.Mean(), prior
	if r.N() > 1 {
		sigma = max(r.SD(), 0.01)
	}
	for range 200 {
		var sum, sq float64
		for _, s := range g {
			m, v := s.expected(mu, sigma)
			sum += m
			sq += v + m*m
		}
		// The listed length counts as one observation.
		n, m := float64(len(g)), sum/float64(len(g))
		next := m
		if !math.IsNaN(listed) {
			next = (sum + listed) / (n + 1)
		}
		around := sq - 2*next*sum + n*next*next
		spread := math.Sqrt(max((max(around, 0)+priorWeigh*prior*prior)/(n+priorWeigh), 1e-4))
		done := math.Abs(next-mu)+math.Abs(spread-sigma) < 1e-9
		mu, sigma = next, spread
		if done {
			break
		}
	}
	return mu, sigma
}

// expected is mean and variance of what is known of a sample.
func (s *sample) expected(mu, sigma float64) (mean, variance float64) {
	switch {
	case s.open:
		return tail(s.log, mu, sigma)
	case s.most: // the mirror image
		mean, variance = tail(-s.log, -mu, sigma)
		return -mean, variance
	}
	return s.log, 0
}

// tail is mean and variance of a normal value that is at least so large.
func tail(at, mu, sigma float64) (mean, variance float64) {
	a := (at - mu) / sigma
	if a > 8 { // the tail of a normal there is an exponential of rate a
		return at + sigma/a, sigma * sigma / (a * a)
	}
	h := distuv.UnitNormal.Prob(a) / distuv.UnitNormal.Survival(a)
	return mu + sigma*h, max(sigma*sigma*(1+a*h-h*h), 0)
}

// filled puts censored observations at what is expected of them.
func filled(g []sample, mu, sigma float64) []sample {
	out := slices.Clone(g)
	for i := range out {
		out[i].log, _ = g[i].expected(mu, sigma)
	}
	return out
}

// HalfSampleMode is the mode by halving the sample again and again to its
// densest half (Robertson & Cryer 1974, JASA 69; as in Bickel & Frühwirth 2006);
// 0 of nothing.
func HalfSampleMode(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	for len(x) > 3 {
		n, at := (len(x)+1)/2, 0
		for i := range len(x) - n + 1 {
			if x[i+n-1]-x[i] < x[at+n-1]-x[at] {
				at = i
			}
		}
		x = x[at : at+n]
	}
	switch len(x) {
	case 0:
		return 0
	case 3:
		switch a, b := x[1]-x[0], x[2]-x[1]; {
		case a < b:
			x = x[:2]
		case b < a:
			x = x[1:]
		default:
			return x[1]
		}
	}
	return medianOf(x)
}

// LogNormal is the maximum likelihood of whole observations, dividing by n.
func LogNormal(x []float64) (mu, sigma float64) {
	var r Running
	for _, v := range x {
		r.Add(math.Log(v))
	}
	if r.N() == 0 {
		return 0, 0
	}
	return r.Mean(), math.Sqrt(r.m2 / float64(r.n))
}

// fitLeast is how many observations a test of fit needs.
const fitLeast = 8

// AndersonDarling tests whether values are normal.
func AndersonDarling(x []float64) Fit {
	f := Fit{N: len(x)}
	var r Running
	for _, v := range x {
		r.Add(v)
	}
	if f.N < fitLeast || r.SD() == 0 || math.IsNaN(r.SD()) {
		return f
	}
	z := slices.Sorted(slices.Values(x))
	n := float64(f.N)
	var sum float64
	for i := range z {
		low := min(max(distuv.UnitNormal.CDF((z[i]-r.Mean())/r.SD()), 1e-300), 1-1e-16)
		high := min(max(distuv.UnitNormal.Survival((z[f.N-1-i]-r.Mean())/r.SD()), 1e-300), 1-1e-16)
		sum += float64(2*i+1) * (math.Log(low) + math.Log(high))
	}
	f.Statistic = (-n - sum/n) * (1 + 0.75/n + 2.25/(n*n))
	f.Refused = f.Statistic > 0.752
	return f
}

// driftLeast is how many observations a drift needs.
const driftLeast = 16

// driftOf compares the newest quarter with the rest.
func driftOf(g []sample, rest []float64, sigma float64) Drift {
	d := Drift{Ratio: 1}
	if len(g) < driftLeast {
		return d
	}
	order := make([]int, len(g))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(g[a].o.At.Compare(g[b].o.At), cmp.Compare(a, b)) })
	d.N = len(g) / 4
	var old, fresh Running
	for i, at := range order {
		if i < len(order)-d.N {
			old.Add(rest[at])
		} else {
			fresh.Add(rest[at])
		}
	}
	diff := fresh.Mean() - old.Mean()
	d.Ratio = math.Exp(diff)
	d.Z = diff / (sigma * math.Sqrt(1/float64(old.N())+1/float64(fresh.N())))
	d.Seen = math.Abs(d.Z) >= 3
	return d
}
