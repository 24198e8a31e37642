// Package estimate says how long work takes, from what it took before.
//
// Lengths are taken as log-normal. A group's logarithm is the mean of its
// operation, plus what the model and what the technician add; each addition is
// drawn towards nothing as far as its data are few (empirical Bayes, the
// normal-normal form of Efron & Morris 1975). What was never seen falls back
// on the broader group, and in the end on the standard time of the shop file,
// with wide limits and a note that says so.
//
// It guarantees:
//
//  1. Every answer is a finite, positive length with limits, whatever the
//     history: empty, one observation, absurd values.
//  2. A length that somebody forgot to end is found by its distance from the
//     rest, flagged, and counted as "at least the fence", not as what it says
//     and not as nothing.
//  3. The order of the observations changes nothing but the drift, which goes
//     by their times.
//
// It is pure: no clock, no disk, no chance.
package estimate

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// Observation is one piece of work that was done.
type Observation struct {
	Operation, Model, Technician string
	Took                         time.Duration
	// Censored: it took at least that long; when it ended is not known.
	Censored bool
	// Suspect: a clock was wrong, so that Took means nothing; it is left out
	// and counted.
	Suspect bool
	At      time.Time // when it ended, for the drift
}

// Standard is the length that an operation is listed with; zero or less: it
// has none.
type Standard func(operation string) time.Duration

// Bounds of what is believed at all.
const (
	shortest = time.Second
	longest  = 30 * 24 * time.Hour
)

// Prior spread of an operation that was seen less than twice: the logarithm's
// standard deviation of hands-on work is usually below a half (no source).
const (
	priorSigma = 0.5
	priorWeigh = 3.0 // observations that the prior spread counts as
	fenceMADs  = 4.0 // robust standard deviations from the median
	fenceTimes = 3.0 // and at least this many times the median
)

// Book answers for the groups that it was fitted to.
type Book struct {
	standard   Standard
	operations map[string]*operation
	Flagged    []Flagged
	Suspect    int // observations left out
	Absurd     int // outside a second to thirty days, left out
}

// Flagged is an observation that was not believed as it is.
type Flagged struct {
	Observation
	Fence time.Duration // it is counted as at least this long
}

// operation is what was learnt of one operation.
type operation struct {
	mu, sigma float64 // of the logarithm of seconds
	n         int
	models    map[string]effect
	people    map[string]effect
	fit       Fit
	drift     Drift
}

// effect is what a group adds to the logarithm, drawn towards zero.
type effect struct {
	add, se float64
	n       int
}

// Fit is how well the log-normal fits: the Anderson–Darling statistic of the
// residuals' logarithms, corrected for estimated mean and spread (Stephens
// 1974: A²(1 + 0.75/n + 2.25/n²), refused at 5 % above 0.752).
type Fit struct {
	N         int
	Statistic float64
	Refused   bool
}

// Drift compares the newest quarter of the observations with those before.
type Drift struct {
	N     int     // of the newest
	Ratio float64 // of the medians, new to old; 1: none
	Z     float64 // in standard errors
	Seen  bool    // |Z| of at least 3
}

// Estimate is how long a piece of work takes.
type Estimate struct {
	mu, sigma float64
	// MuSE is the standard error of the median's logarithm.
	MuSE float64
	// N is the number of observations of the narrowest group that counted.
	N     int
	Basis Basis
	Fit   Fit
	Drift Drift
}

// Basis says what an estimate rests on, the narrowest group first.
type Basis int

// The bases.
const (
	ByModelAndTechnician Basis = iota + 1
	ByModel
	ByTechnician
	ByOperation
	ByStandard // nothing was observed: the listed time
	ByNothing  // not even that: an hour, with very wide limits
)

var bases = [...]string{"", "this model and this technician", "this model", "this technician", "this operation", "the listed time, never observed", "nothing: neither listed nor observed"}

func (b Basis) String() string { return bases[b] }

// Median is the length that half of the work stays below.
func (e Estimate) Median() time.Duration { return length(e.mu) }

// Mean is the expected length.
func (e Estimate) Mean() time.Duration { return length(e.mu + e.spread()*e.spread()/2) }

// Quantile is the length that a share p of the work stays below, what is not
// known about the median included; p is taken within 0.001 to 0.999.
func (e Estimate) Quantile(p float64) time.Duration {
	p = min(max(p, 0.001), 0.999)
	if math.IsNaN(p) {
		p = 0.5
	}
	return length(e.mu + e.spread()*distuv.UnitNormal.Quantile(p))
}

// Limits hold the median with 95 %.
func (e Estimate) Limits() (low, high time.Duration) {
	return length(e.mu - 1.96*e.MuSE), length(e.mu + 1.96*e.MuSE)
}

// Sigma is the standard deviation of the logarithm of one more observation.
func (e Estimate) Sigma() float64 { return e.spread() }

func (e Estimate) spread() float64 { return math.Hypot(e.sigma, e.MuSE) }

func length(log float64) time.Duration {
	s := math.Exp(min(max(log, math.Log(shortest.Seconds())), math.Log(longest.Seconds())))
	return time.Duration(s * float64(time.Second))
}

// Fitted learns from a history.
func Fitted(history []Observation, standard Standard) *Book {
	b := &Book{standard: standard, operations: map[string]*operation{}}
	groups := map[string][]sample{}
	for _, o := range history {
		switch {
		case o.Suspect:
			b.Suspect++
		case o.Took < shortest || o.Took > longest:
			b.Absurd++
		default:
			groups[o.Operation] = append(groups[o.Operation], sample{o, math.Log(o.Took.Seconds()), o.Censored})
		}
	}
	for name, g := range groups {
		// The same sums in the same order, whatever order they came in.
		slices.SortFunc(g, func(x, y sample) int {
			return cmp.Or(cmp.Compare(x.log, y.log), x.o.At.Compare(y.o.At), cmp.Compare(x.o.Model, y.o.Model), cmp.Compare(x.o.Technician, y.o.Technician))
		})
		b.Flagged = append(b.Flagged, fence(g)...)
		b.operations[name] = learn(g, b.listed(name))
	}
	slices.SortFunc(b.Flagged, func(x, y Flagged) int { return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.Operation, y.Operation)) })
	return b
}

type sample struct {
	o    Observation
	log  float64
	open bool // at least
}

// fence finds what is far above the rest: it is counted as at least the fence.
func fence(g []sample) []Flagged {
	if len(g) < 5 {
		return nil
	}
	logs := make([]float64, len(g))
	for i, s := range g {
		logs[i] = s.log
	}
	med := medianOf(logs)
	dev := make([]float64, len(logs))
	for i, l := range logs {
		dev[i] = math.Abs(l - med)
	}
	// 1.4826 makes the median deviation a standard deviation of a normal.
	spread := max(1.4826*medianOf(dev), 0.05)
	limit := med + max(fenceMADs*spread, math.Log(fenceTimes))
	var out []Flagged
	for i := range g {
		if g[i].log > limit && !g[i].open {
			out = append(out, Flagged{g[i].o, length(limit)})
			g[i].log, g[i].open = limit, true
		}
	}
	return out
}

func medianOf(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	n := len(x)
	if n == 0 {
		return 0
	}
	return (x[(n-1)/2] + x[n/2]) / 2
}

func learn(g []sample, listed float64) *operation {
	mu, sigma := censoredNormal(g, listed)
	o := &operation{mu: mu, sigma: sigma, n: len(g)}
	full := filled(g, mu, sigma) // censored ones at what is expected of them
	// Model and technician in turn on what the other leaves; a few rounds are
	// enough for so small a table.
	o.models, o.people = map[string]effect{}, map[string]effect{}
	for range 8 {
		o.models = shrunk(full, sigma, func(s sample) string { return s.o.Model }, func(s sample) float64 { return s.log - mu - o.people[s.o.Technician].add })
		o.people = shrunk(full, sigma, func(s sample) string { return s.o.Technician }, func(s sample) float64 { return s.log - mu - o.models[s.o.Model].add })
	}
	rest := make([]float64, 0, len(g))
	for _, s := range full {
		rest = append(rest, s.log-mu-o.models[s.o.Model].add-o.people[s.o.Technician].add)
	}
	o.sigma = within(rest, sigma)
	var seen []float64
	for i, s := range full {
		if !s.open {
			seen = append(seen, rest[i])
		}
	}
	o.fit = AndersonDarling(seen)
	o.drift = driftOf(full, rest, o.sigma)
	return o
}

// within is the spread of one observation in its group, drawn towards the
// spread of all while they are few.
func within(rest []float64, prior float64) float64 {
	var sum float64
	for _, r := range rest {
		sum += r * r
	}
	n := float64(len(rest))
	return max(math.Sqrt((sum+priorWeigh*prior*prior)/(n+priorWeigh)), 0.01)
}

// shrunk are the means of groups, each drawn towards zero by how little it
// says against how far the groups differ (DerSimonian & Laird's moment
// estimate of the spread between them).
func shrunk(g []sample, sigma float64, key func(sample) string, value func(sample) float64) map[string]effect {
	type sum struct {
		n int
		s float64
	}
	sums := map[string]sum{}
	var names []string
	for _, s := range g {
		k := key(s)
		if k == "" {
			continue
		}
		x, ok := sums[k]
		if !ok {
			names = append(names, k)
		}
		sums[k] = sum{x.n + 1, x.s + value(s)}
	}
	slices.Sort(names)
	means, se := make([]float64, len(names)), make([]float64, len(names))
	for i, k := range names {
		means[i] = sums[k].s / float64(sums[k].n)
		se[i] = sigma / math.Sqrt(float64(sums[k].n))
	}
	tau2 := Between(means, se)
	out := make(map[string]effect, len(names))
	for i, k := range names {
		b := tau2 / (tau2 + se[i]*se[i])
		out[k] = effect{add: b * means[i], se: math.Sqrt(b) * se[i], n: sums[k].n}
	}
	return out
}

// listed is the logarithm of an operation's listed length; NaN: none.
func (b *Book) listed(operation string) float64 {
	if b.standard != nil {
		if d := b.standard(operation); d >= shortest && d <= longest {
			return math.Log(d.Seconds())
		}
	}
	return math.NaN()
}

// Of estimates a piece of work. Model and technician may be empty: any.
func (b *Book) Of(operation, model, technician string) Estimate {
	o := b.operations[operation]
	if o == nil {
		if l := b.listed(operation); !math.IsNaN(l) {
			return Estimate{mu: l, sigma: priorSigma, MuSE: priorSigma, Basis: ByStandard}
		}
		return Estimate{mu: math.Log(3600), sigma: 1, MuSE: 1, Basis: ByNothing}
	}
	e := Estimate{mu: o.mu, sigma: o.sigma, N: o.n, Basis: ByOperation, Fit: o.fit, Drift: o.drift}
	variance := o.sigma * o.sigma / float64(o.n)
	m, byModel := o.models[model]
	p, byPerson := o.people[technician]
	e.mu += m.add + p.add
	variance += m.se*m.se + p.se*p.se
	switch {
	case byModel && byPerson:
		e.Basis, e.N = ByModelAndTechnician, min(m.n, p.n)
	case byModel:
		e.Basis, e.N = ByModel, m.n
	case byPerson:
		e.Basis, e.N = ByTechnician, p.n
	}
	e.MuSE = math.Sqrt(variance)
	return e
}
