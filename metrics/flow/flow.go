// Package flow measures how work flows through a shop: throughput, time in the
// shop, work in process, promises kept, what each resource's time went into,
// what units waited for, and where the bottleneck is.
//
//	report := flow.Measure(&data, flow.Window{Interval: flow.Interval{Start: from, End: to}, Join: 5 * time.Minute})
//	behind := flow.Select(&data, window, flow.Query{Of: flow.Left}) // the units behind a number
//
// The input is neutral: visits, uses of resources, waits and calendars, each a
// half-open interval of instants. The package knows no shop, no log and no
// clock; the same input gives the same report.
//
// What is guaranteed:
//
//  1. Little's law, L = λ·W, holds exactly on every report, in the form for a
//     window of finite length: λ counts the units that were in the shop at any
//     moment of the window and W is the time that each spent there within the
//     window (J. D. C. Little, "Little's Law as Viewed on Its 50th
//     Anniversary", Operations Research 59(3), 2011, 536–549; from memory). L
//     is found by integrating over the window, λ and W from the visits.
//  2. Hands-on, hands-off, locked, down and idle time of a resource add up to
//     its open time, to the millisecond.
//  3. A count in a report is the length of the list that [Select] gives.
//
// Instants are taken to the millisecond.
//
// Sources: C. Roser, M. Nakano, M. Tanaka, "A Practical Bottleneck Detection
// Method", Proc. Winter Simulation Conference 2001, 949–953 (average active
// period); the same, "Shifting Bottleneck Detection", WSC 2002 (momentary,
// sole and shifting); E. B. Wilson, JASA 22 (1927), 209–212 (interval of a
// share; from memory).
package flow

import (
	"math"
	"slices"
	"time"
)

// Interval is [Start, End).
type Interval struct{ Start, End time.Time }

// Visit is one unit's stay.
type Visit struct {
	Unit    string
	Arrived time.Time
	Left    time.Time // zero: it is still in the shop
	Ready   time.Time // when its last step ended; zero: it is not ready
	Promise time.Time // in force; zero: none
	First   time.Time // promised at arrival; zero: none
}

// State is what a resource's time went into.
type State int

// The states of a resource. Idle follows from the others.
const (
	HandsOn  State = iota + 1 // somebody works
	HandsOff                  // it works by itself
	Locked                    // held, and nothing happens: waste
	Down                      // closed, broken, absent
	Idle
)

var stateNames = []string{"", "hands-on", "hands-off", "locked", "down", "idle"}

func (s State) String() string { return name(stateNames, int(s)) }

// ParseState is the inverse of String; 0: there is no such state.
func ParseState(s string) State { return State(max(0, slices.Index(stateNames, s))) }

// Cause is what a unit waited for.
type Cause int

// The causes. Unknown says that nothing that was recorded stood in the way.
const (
	ForInterface Cause = iota + 1
	ForBench
	ForCharger
	ForPad
	ForLoop
	ForDaylight // or for quiet hours to end
	ForTechnician
	ForParts
	ForRest // a step that comes a fixed time after another
	ForClosing
	Held // by the foreman
	Unknown
)

var causeNames = []string{"", "interface", "bench", "charger", "pad", "loop", "daylight", "technician", "parts", "rest", "closing", "held", "unknown"}

func (c Cause) String() string { return name(causeNames, int(c)) }

// ParseCause is the inverse of String; 0: there is no such cause.
func ParseCause(s string) Cause { return Cause(max(0, slices.Index(causeNames, s))) }

// Causes lists all causes.
func Causes() []Cause {
	var out []Cause
	for c := ForInterface; c <= Unknown; c++ {
		out = append(out, c)
	}
	return out
}

func name(names []string, i int) string {
	if i < 0 || i >= len(names) {
		return ""
	}
	return names[i]
}

// Use is a time in which a unit held a resource, or a technician worked on a
// unit. Down has no unit.
type Use struct {
	Resource, Unit string
	State          State
	Interval
}

// Wait is a time in which a unit was in the shop, not ready, and not worked on.
type Wait struct {
	Unit  string
	Cause Cause
	Interval
}

// Resource is a place, a tool or a person.
type Resource struct {
	ID       string
	Capacity int        // units at once; 0: 1
	Open     []Interval // when it can be used, sorted and disjoint
}

// Pool is resources that can stand in for each other. The papers speak of
// single machines; a pool counts as active while none of its members that are
// open is free (our extension: no source).
type Pool struct {
	ID      string
	Members []string
}

// Data is what is measured. Uses and waits may come in any order.
type Data struct {
	Visits    []Visit
	Resources []Resource
	Pools     []Pool
	Uses      []Use
	Waits     []Wait
	// Open is when the shop is open, sorted and disjoint: the clock of active
	// periods, which go on over a night. Nil: always.
	Open []Interval
}

// Window is what a report covers. Its end should not lie in the future.
type Window struct {
	Interval
	// Join bridges gaps in an active period that are shorter: somebody wipes
	// his hands and taps a screen between two jobs.
	Join time.Duration
}

// Report is what was measured in a window.
type Report struct {
	Window
	Arrived, Left int
	AtStart       int // units in the shop when the window began
	AtEnd         int
	Stay          Stay // of the units that left
	Little        Little
	// Promises are those that fell due in the window: kept when the unit was
	// ready by then. FirstPromises are the same of the promises as first given.
	Promises, FirstPromises Share
	Loads                   []Load // in the order of Data.Resources
	Waits                   []CauseTime
	Bottleneck              Bottleneck
}

// Stay is the time in the shop of the units that left in the window. Median
// and P90 are nearest ranks: the time of a unit that there was.
type Stay struct {
	Units             int
	Mean, Median, P90 time.Duration
}

// Little is the law in the window: L = LambdaPerDay · W, W in days of 24 hours.
type Little struct {
	Present      int     // units that were in the shop at any moment
	L            float64 // mean number in the shop
	LambdaPerDay float64
	W            time.Duration
	// AreaMS is the integral of the number in the shop, StayMS the sum of the
	// stays within the window, both in unit-milliseconds. They are equal: that
	// is the law.
	AreaMS, StayMS int64
}

// Share is Kept of Of, with its 95 % Wilson interval; 0 to 1.
type Share struct {
	Kept, Of  int
	Low, High float64
}

// Value is Kept/Of; 0 of nothing.
func (s Share) Value() float64 {
	if s.Of == 0 {
		return 0
	}
	return float64(s.Kept) / float64(s.Of)
}

func share(kept, of int) Share {
	low, high := Wilson(kept, of)
	return Share{kept, of, low, high}
}

// normal975 is the 97.5 % quantile of the normal distribution.
const normal975 = 1.959963984540054

// Wilson returns the 95 % score interval of k successes among n; 0 to 1 when
// n is 0.
func Wilson(k, n int) (low, high float64) {
	if n <= 0 {
		return 0, 1
	}
	const z = normal975
	p, nn := float64(k)/float64(n), float64(n)
	mid := (p + z*z/(2*nn)) / (1 + z*z/nn)
	half := z / (1 + z*z/nn) * math.Sqrt(p*(1-p)/nn+z*z/(4*nn*nn))
	low, high = max(0, mid-half), min(1, mid+half)
	if k == 0 {
		low = 0
	}
	if k == n {
		high = 1
	}
	return low, high
}

// Load is what a resource's open time in the window went into.
type Load struct {
	Resource string
	Capacity int
	// Open is its open time times its capacity; the five below add up to it.
	Open, HandsOn, HandsOff, Locked, Down, Idle time.Duration
	// Outside is time that it was held while it was not open.
	Outside time.Duration
}

// Of is the time in a state.
func (l *Load) Of(s State) time.Duration {
	switch s {
	case HandsOn:
		return l.HandsOn
	case HandsOff:
		return l.HandsOff
	case Locked:
		return l.Locked
	case Down:
		return l.Down
	case Idle:
		return l.Idle
	}
	return 0
}

// Share is the part of the open time in a state, 0 to 1.
func (l *Load) Share(s State) float64 {
	if l.Open == 0 {
		return 0
	}
	return float64(l.Of(s)) / float64(l.Open)
}

// CauseTime is how long units waited for something, summed over them, and how
// many they were.
type CauseTime struct {
	Cause Cause
	Time  time.Duration
	Units int
}

// Measure makes the report of a window. An empty window gives an empty report.
func Measure(d *Data, w Window) Report {
	r := Report{Window: w}
	win := clipOf(w.Interval)
	if win.empty() {
		return r
	}
	for _, v := range d.Visits {
		came, went := ms(v.Arrived), leftMS(v)
		r.Arrived += one(win.has(came))
		r.Left += one(win.has(went))
		r.AtStart += one(came < win.from && went >= win.from)
		r.AtEnd += one(came < win.to && went >= win.to)
	}
	r.Stay, r.Little = stay(d.Visits, win), little(d.Visits, win)
	r.Promises = promises(d.Visits, win, func(v *Visit) time.Time { return v.Promise })
	r.FirstPromises = promises(d.Visits, win, func(v *Visit) time.Time { return v.First })
	shop := newTimelines(d, win)
	for i := range d.Resources {
		r.Loads = append(r.Loads, shop.load(i))
	}
	r.Waits = waits(d.Waits, win)
	r.Bottleneck = shop.bottleneck(d, w.Join)
	return r
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func stay(visits []Visit, win span) Stay {
	var stays []int64
	sum := int64(0)
	for _, v := range visits {
		if win.has(leftMS(v)) {
			d := max(0, leftMS(v)-ms(v.Arrived))
			stays, sum = append(stays, d), sum+d
		}
	}
	if len(stays) == 0 {
		return Stay{}
	}
	slices.Sort(stays)
	rank := func(q float64) time.Duration {
		i := int(math.Ceil(q*float64(len(stays)))) - 1
		return millis(stays[max(0, i)])
	}
	return Stay{len(stays), millis(sum / int64(len(stays))), rank(0.5), rank(0.9)}
}

// little integrates the number in the shop over the window and, apart from
// that, sums the stays.
func little(visits []Visit, win span) Little {
	var l Little
	var steps []step
	for _, v := range visits {
		in := win.cut(span{ms(v.Arrived), leftMS(v)})
		if in.empty() {
			continue
		}
		l.Present++
		l.StayMS += in.length()
		steps = append(steps, step{in.from, 1, 0}, step{in.to, -1, 0})
	}
	sortSteps(steps)
	n, last := int64(0), win.from
	for _, s := range steps {
		l.AreaMS += n * (s.at - last)
		n, last = n+int64(s.by), s.at
	}
	l.L = float64(l.AreaMS) / float64(win.length())
	l.LambdaPerDay = float64(l.Present) / (float64(win.length()) / dayMS)
	if l.Present > 0 {
		l.W = time.Duration(float64(l.StayMS) / float64(l.Present) * float64(time.Millisecond))
	}
	return l
}

const dayMS = 24 * 60 * 60 * 1000

func promises(visits []Visit, win span, promise func(*Visit) time.Time) Share {
	kept, of := 0, 0
	for i := range visits {
		p := promise(&visits[i])
		if p.IsZero() || !win.has(ms(p)) {
			continue
		}
		of++
		kept += one(visits[i].keeps(p))
	}
	return share(kept, of)
}

// keeps reports whether the unit was ready by the promise.
func (v *Visit) keeps(promise time.Time) bool {
	return !v.Ready.IsZero() && ms(v.Ready) <= ms(promise)
}

func waits(all []Wait, win span) []CauseTime {
	times := make([]int64, Unknown+1)
	units := make([]map[string]bool, Unknown+1)
	for _, w := range all {
		in := win.cut(clipOf(w.Interval))
		if in.empty() || w.Cause < ForInterface || w.Cause > Unknown {
			continue
		}
		times[w.Cause] += in.length()
		if units[w.Cause] == nil {
			units[w.Cause] = map[string]bool{}
		}
		units[w.Cause][w.Unit] = true
	}
	var out []CauseTime
	for _, c := range Causes() {
		if times[c] > 0 {
			out = append(out, CauseTime{c, millis(times[c]), len(units[c])})
		}
	}
	return out
}

// Bucket is what came and went in a piece of time.
type Bucket struct {
	Interval
	Arrived, Left int
	Promises      Share
}

// Count sorts visits into buckets: days, weeks.
func Count(visits []Visit, buckets []Interval) []Bucket {
	out := make([]Bucket, len(buckets))
	for i, b := range buckets {
		win := clipOf(b)
		out[i].Interval = b
		for _, v := range visits {
			out[i].Arrived += one(win.has(ms(v.Arrived)))
			out[i].Left += one(win.has(leftMS(v)))
		}
		out[i].Promises = promises(visits, win, func(v *Visit) time.Time { return v.Promise })
	}
	return out
}
