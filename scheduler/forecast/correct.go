package forecast

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Score is how an earlier forecast came out: Z is how far beyond the forecast's
// median the job ended, in the forecast's own spreads. Open: it has not ended
// yet, so that it will be more. Kind is the kind of job; empty: any.
type Score struct {
	Z    float64
	Open bool
	Kind string
}

// Correction turns what a forecast says into what earlier ones were worth:
// split conformal prediction with normalised residuals (Lei et al. 2018, JASA
// 113, section 5.2), on the scores of the past. Those still open are heeded as
// Kaplan & Meier 1958 do; without them the late ones would be missing.
//
// The zero value and nil are a correction that knows no past: a usual widening,
// which every score outweighs by a little more.
type Correction struct {
	z     []float64 // in order
	f     []float64 // share of the outcomes up to z
	n     int
	kinds map[string]*Correction
}

// usualN is how many scores the usual widening counts as: a normal with this
// mean and deviation (no source; what arrives later makes things worse).
const (
	usualN     = 20
	usualShift = 0.3
	usualWiden = 1.3
	zMax       = 50.0 // beyond it a score says no more than "very late"
	// othersN is how many scores of a job's own kind all the others count as
	// together (no source; of 5 to 80, tried on simulated shops, 5 to 20 did best).
	othersN = 20.0
)

// Correct learns from scores, of all together and of each kind. Those that are
// no numbers are left out.
//
// For a kind, the scores of the others count as [othersN] of its own together,
// or as what they are while they are fewer: a kind that was hardly seen is
// corrected like the whole, one that was seen often by itself (conformal
// prediction by groups, Vovk 2012, with a weight instead of a cut).
func Correct(scores []Score) *Correction {
	var all []Score
	count := map[string]int{}
	for _, s := range scores {
		if math.IsNaN(s.Z) {
			continue
		}
		s.Z = min(max(s.Z, -zMax), zMax)
		all = append(all, s)
		count[s.Kind]++
	}
	c := correct(all, func(*Score) float64 { return 1 })
	for kind, own := range count {
		others := len(all) - own
		if kind == "" || others == 0 {
			continue
		}
		w := min(1, othersN/float64(others))
		k := correct(all, func(s *Score) float64 {
			if s.Kind == kind {
				return 1
			}
			return w
		})
		if c.kinds == nil {
			c.kinds = make(map[string]*Correction, len(count))
		}
		c.kinds[kind] = k
	}
	return c
}

func correct(scores []Score, weight func(*Score) float64) *Correction {
	all := make([]weighed, 0, len(scores)+usualN)
	var n float64
	for i := range scores {
		w := weight(&scores[i])
		all = append(all, weighed{scores[i], w})
		n += w
	}
	// The usual widening fades while the past grows.
	w := usualN / (usualN + n/4)
	for i := range usualN {
		p := (float64(i) + .5) / usualN
		all = append(all, weighed{Score{Z: usualShift + usualWiden*distuv.UnitNormal.Quantile(p)}, w})
	}
	c := &Correction{n: int(n + .5)}
	c.z, c.f = productLimit(all)
	return c
}

// Of is the correction of a kind of jobs; one that was never seen is corrected
// like the whole.
func (c *Correction) Of(kind string) *Correction {
	if c == nil || c.kinds[kind] == nil {
		return c
	}
	return c.kinds[kind]
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

var noPast = Correct(nil)

func (c *Correction) known() *Correction {
	if c == nil || len(c.z) == 0 {
		return noPast
	}
	return c
}

// N is the number of scores behind it; of a kind, of those that the others
// count as too.
func (c *Correction) N() int {
	if c == nil {
		return 0
	}
	return c.n
}

// Quantile is the score that a share p of the outcomes stayed below, p within
// 0.01 and 0.99; between two scores it is interpolated.
func (c *Correction) Quantile(p float64) float64 {
	c = c.known()
	if math.IsNaN(p) {
		p = .5
	}
	p = min(max(p, .01), .99)
	i, _ := slices.BinarySearch(c.f, p)
	switch {
	case i == 0:
		return c.z[0]
	case i == len(c.f):
		return c.z[i-1]
	}
	if c.f[i] == c.f[i-1] {
		return c.z[i]
	}
	return c.z[i-1] + (c.z[i]-c.z[i-1])*(p-c.f[i-1])/(c.f[i]-c.f[i-1])
}

// Probability is the share of the outcomes that stayed at or below a score.
func (c *Correction) Probability(z float64) float64 {
	c = c.known()
	if math.IsNaN(z) {
		return 0
	}
	i, _ := slices.BinarySearch(c.z, z)
	switch {
	case i == 0:
		if z < c.z[0] {
			return 0
		}
		return c.f[0]
	case i == len(c.z):
		return c.f[i-1]
	}
	return c.f[i-1] + (c.f[i]-c.f[i-1])*(z-c.z[i-1])/(c.z[i]-c.z[i-1])
}

// ProductLimit is the estimate of Kaplan & Meier itself: the share of the
// outcomes up to each score, without the usual widening.
func ProductLimit(scores []Score) (z, share []float64) {
	all := make([]weighed, len(scores))
	for i, s := range scores {
		all[i] = weighed{s, 1}
	}
	return productLimit(all)
}

type weighed struct {
	Score
	w float64
}

func productLimit(all []weighed) (z, share []float64) {
	var left float64
	slices.SortFunc(all, func(a, b weighed) int {
		// What ended at a moment was still under way just before.
		return cmp.Or(cmp.Compare(a.Z, b.Z), btoi(a.Open)-btoi(b.Open), cmp.Compare(a.w, b.w))
	})
	for _, s := range all {
		left += s.w
	}
	survive := 1.0
	for _, s := range all {
		if !s.Open {
			survive *= max(0, 1-s.w/left)
			if n := len(z); n > 0 && z[n-1] == s.Z {
				share[n-1] = 1 - survive
			} else {
				z, share = append(z, s.Z), append(share, 1-survive)
			}
		}
		left = max(left-s.w, 1e-12)
	}
	return z, share
}
