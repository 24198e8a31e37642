package flow

import (
	"math"
	"slices"
	"sort"
	"time"
)

// span is [from, to) in Unix milliseconds.
type span struct{ from, to int64 }

func (s span) empty() bool         { return s.from >= s.to }
func (s span) length() int64       { return max(0, s.to-s.from) }
func (s span) has(at int64) bool   { return s.from <= at && at < s.to }
func (s span) cut(other span) span { return span{max(s.from, other.from), min(s.to, other.to)} }

// never is after everything.
const never = math.MaxInt64 / 4

func ms(t time.Time) int64 { return t.UnixMilli() }

func millis(n int64) time.Duration { return time.Duration(n) * time.Millisecond }

func clipOf(v Interval) span { return span{ms(v.Start), ms(v.End)} }

func leftMS(v Visit) int64 {
	if v.Left.IsZero() {
		return never
	}
	return ms(v.Left)
}

// set is sorted, disjoint, non-empty spans.
type set []span

func newSet(spans []span) set {
	spans = slices.DeleteFunc(spans, span.empty)
	sort.Slice(spans, func(i, j int) bool { return spans[i].from < spans[j].from })
	return bridge(spans, 0)
}

// bridge joins sorted spans whose gap is at most so many milliseconds.
func bridge(spans []span, gap int64) set {
	var out set
	for _, s := range spans {
		if n := len(out); n > 0 && s.from-out[n-1].to <= gap {
			out[n-1].to = max(out[n-1].to, s.to)
			continue
		}
		out = append(out, s)
	}
	return out
}

// minus is what of s does not lie in t.
func (s set) minus(t set) set {
	var out set
	j := 0
	for _, v := range s {
		for j < len(t) && t[j].to <= v.from {
			j++
		}
		for k := j; k < len(t) && t[k].from < v.to; k++ {
			if t[k].from > v.from {
				out = append(out, span{v.from, t[k].from})
			}
			v.from = max(v.from, t[k].to)
		}
		if !v.empty() {
			out = append(out, v)
		}
	}
	return out
}

func (s set) length() (sum int64) {
	for _, v := range s {
		sum += v.length()
	}
	return sum
}

// cut is the part of the set that lies in the window.
func (s set) cut(win span) set {
	var out set
	for i := sort.Search(len(s), func(i int) bool { return s[i].to > win.from }); i < len(s) && s[i].from < win.to; i++ {
		out = append(out, win.cut(s[i]))
	}
	return out
}

func setOf(in []Interval, win span) set {
	spans := make([]span, 0, len(in))
	for _, v := range in {
		spans = append(spans, win.cut(clipOf(v)))
	}
	return newSet(spans)
}

// clock counts open time only: a moment's place on it is the open time before
// it. Nil open is a clock that always runs.
type clock struct {
	open   set
	before []int64 // open time before each span
}

func newClock(open set) *clock {
	c := &clock{open: open, before: make([]int64, len(open))}
	sum := int64(0)
	for i, s := range open {
		c.before[i] = sum
		sum += s.length()
	}
	return c
}

func (c *clock) at(t int64) int64 {
	if c.open == nil {
		return t
	}
	i := sort.Search(len(c.open), func(i int) bool { return c.open[i].from > t }) - 1
	if i < 0 {
		return 0
	}
	return c.before[i] + min(t, c.open[i].to) - c.open[i].from
}

// on writes a set on the clock: what lies in closed hours vanishes, what goes
// on over them stays one.
func (c *clock) on(s set) set {
	out := make([]span, len(s))
	for i, v := range s {
		out[i] = span{c.at(v.from), c.at(v.to)}
	}
	return newSet(out)
}

// step changes a count at a moment.
type step struct {
	at   int64
	by   int32
	what State // 0: open or shut
}

func sortSteps(steps []step) {
	slices.SortFunc(steps, func(a, b step) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
}
