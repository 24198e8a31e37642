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
//     and not as nothing. Time of a machine of which only is known when somebody
//     came back to it counts as "at most", as far as it is above what the machine
//     usually takes.
//  3. The order of the observations changes nothing but the drift, which goes
//     by their times.
//
// It is pure: no clock, no disk, no chance.
package estimate

import (
	"cmp"
	"maps"
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
	// Waited: it was over when somebody came to look, perhaps long before: the
	// hands-off time of a machine.
	Waited bool
	// Suspect: a clock was wrong, so that Took means nothing; it is left out
	// and counted.
	Suspect bool
	At      time.Time // when it ended, for the drift
}

// Listed is what is thought of an operation before anything was seen of it.
type Listed struct {
	Length time.Duration // zero or less: none
	// Sigma is the usual standard deviation of the logarithm; 0: 0.35, of
	// hands-on work (no source).
	Sigma float64
}

// Standard is what an operation is listed with.
type Standard func(operation string) Listed

// Bounds of what is believed at all.
const (
	shortest = time.Second
	longest  = 30 * 24 * time.Hour
)

// What is held true while little was seen (no source).
const (
	priorSigma = 0.35
	priorWeigh = 3.0 // observations that the prior spread counts as
	planWeigh  = 5.0 // observations that the listed length counts as in a plan
	// A machine's time that is above its mode by more than this factor was
	// waited out, not worked.
	waitTimes  = 1.1
	fenceMADs  = 4.0 // robust standard deviations from the median
	fenceTimes = 3.0 // and at least this many times the median
)

// Book answers for the groups that it was fitted to.
type Book struct {
	standard   Standard
	operations map[string]*operation
	Flagged    []Flagged
	WaitedOut  []Observation // counted as at most so long
	Suspect    int           // observations left out
	Absurd     int           // outside a second to thirty days, left out
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
	open      int // of them censored: at least, or at most, so long
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
	N int
	// Operation is the number of observations of the operation, Open of them
	// censored.
	Operation, Open int
	Basis           Basis
	Fit             Fit
	Drift           Drift
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

// Planned is the length to plan with: the quantile p of what was seen, drawn
// towards the listed length while little was seen of the operation; without any
// observation the listed length itself.
func (e Estimate) Planned(p float64, listed time.Duration) time.Duration {
	if e.Basis == ByStandard && listed > 0 {
		return listed
	}
	q := e.Quantile(p)
	if e.Basis == ByNothing || listed < shortest || listed > longest {
		return q
	}
	w := float64(e.Operation) / (float64(e.Operation) + planWeigh)
	return length(w*math.Log(q.Seconds()) + (1-w)*math.Log(listed.Seconds()))
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
			groups[o.Operation] = append(groups[o.Operation], sample{o: o, log: math.Log(o.Took.Seconds()), open: o.Censored})
		}
	}
	for name, g := range groups {
		// The same sums in the same order, whatever order they came in.
		slices.SortFunc(g, func(x, y sample) int {
			return cmp.Or(cmp.Compare(x.log, y.log), x.o.At.Compare(y.o.At), cmp.Compare(x.o.Model, y.o.Model), cmp.Compare(x.o.Technician, y.o.Technician))
		})
		listed, sigma := b.listed(name)
		waits(g, listed)
		b.Flagged = append(b.Flagged, fence(g)...)
		b.operations[name] = learn(g, listed, sigma)
		for _, s := range g {
			if s.most {
				b.WaitedOut = append(b.WaitedOut, s.o)
			}
		}
	}
	slices.SortFunc(b.Flagged, func(x, y Flagged) int { return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.Operation, y.Operation)) })
	return b
}

type sample struct {
	o    Observation
	log  float64
	open bool // at least
	most bool // at most
}

// waits finds what was waited out: above the mode of the machine's time, which
// the half-sample mode finds whatever the tail (Robertson & Cryer 1974). While
// there are few the listed length stands in for it.
func waits(g []sample, listed float64) {
	var logs []float64
	for _, s := range g {
		if s.o.Waited && !s.open {
			logs = append(logs, s.log)
		}
	}
	if len(logs) == 0 {
		return
	}
	mode := HalfSampleMode(logs)
	if len(logs) < 5 && !math.IsNaN(listed) {
		mode = listed
	}
	for i := range g {
		if g[i].o.Waited && !g[i].open && g[i].log > mode+math.Log(waitTimes) {
			g[i].most = true
		}
	}
}

// fence finds what is far above the rest: it is counted as at least the fence.
func fence(g []sample) []Flagged {
	if len(g) < 5 {
		return nil
	}
	logs := make([]float64, 0, len(g))
	for _, s := range g {
		if !s.most {
			logs = append(logs, s.log)
		}
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
		if g[i].log > limit && !g[i].open && !g[i].most {
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

func learn(g []sample, listed, prior float64) *operation {
	mu, sigma := censoredNormal(g, listed, prior)
	o := &operation{mu: mu, sigma: sigma, n: len(g)}
	for _, s := range g {
		if s.open || s.most {
			o.open++
		}
	}
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
		if !s.open && !s.most {
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

// listed is the logarithm of an operation's listed length, NaN: none, and its
// usual spread.
func (b *Book) listed(operation string) (log, sigma float64) {
	log, sigma = math.NaN(), priorSigma
	if b.standard == nil {
		return log, sigma
	}
	l := b.standard(operation)
	if l.Length >= shortest && l.Length <= longest {
		log = math.Log(l.Length.Seconds())
	}
	if l.Sigma > 0 && l.Sigma < 10 {
		sigma = l.Sigma
	}
	return log, sigma
}

// Effect is what a model or a technician makes of an operation's length.
type Effect struct {
	Name string
	N    int
	// Factor is on the median of the operation, drawn towards 1 as far as the
	// data are few; Low and High hold it with 95 %.
	Factor, Low, High float64
	// Clear: the limits leave 1 out.
	Clear bool
}

// Effects are those of the models and of the technicians that an operation was
// seen with, by name.
func (b *Book) Effects(operation string) (models, technicians []Effect) {
	o := b.operations[operation]
	if o == nil {
		return nil, nil
	}
	list := func(m map[string]effect) []Effect {
		var out []Effect
		for _, name := range slices.Sorted(maps.Keys(m)) {
			e := m[name]
			x := Effect{Name: name, N: e.n, Factor: math.Exp(e.add), Low: math.Exp(e.add - 1.96*e.se), High: math.Exp(e.add + 1.96*e.se)}
			x.Clear = e.se > 0 && (x.Low > 1 || x.High < 1)
			out = append(out, x)
		}
		return out
	}
	return list(o.models), list(o.people)
}

// Of estimates a piece of work. Model and technician may be empty: any.
func (b *Book) Of(operation, model, technician string) Estimate {
	o := b.operations[operation]
	if o == nil {
		if l, sigma := b.listed(operation); !math.IsNaN(l) {
			return Estimate{mu: l, sigma: sigma, MuSE: sigma, Basis: ByStandard}
		}
		return Estimate{mu: math.Log(3600), sigma: 1, MuSE: 1, Basis: ByNothing}
	}
	e := Estimate{mu: o.mu, sigma: o.sigma, N: o.n, Operation: o.n, Open: o.open, Basis: ByOperation, Fit: o.fit, Drift: o.drift}
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
