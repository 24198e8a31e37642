package calendar

import (
	"slices"
	"time"
)

// RangeMax bounds the range that one call expands. A longer range is a mistake
// of the caller and panics: check a range that comes from outside against it.
const RangeMax = 4000 * 24 * time.Hour

// Interval is the half-open stretch of time [Start, End).
type Interval struct {
	Start, End time.Time
}

// Duration is the elapsed time from Start to End.
func (v Interval) Duration() time.Duration { return v.End.Sub(v.Start) }

// Empty reports that no instant lies in v.
func (v Interval) Empty() bool { return !v.Start.Before(v.End) }

// Contains reports Start ≤ t < End.
func (v Interval) Contains(t time.Time) bool {
	return !t.Before(v.Start) && t.Before(v.End)
}

// Set is a set of instants: sorted intervals, none empty, no two touching.
// The nil Set is the empty set. Build one with [NewSet]; the methods rely on
// the order, keep it, and never change their receiver or argument.
type Set []Interval

// NewSet sorts and merges intervals in any order; empty ones are dropped.
func NewSet(intervals ...Interval) Set {
	s := make(Set, 0, len(intervals))
	for _, v := range intervals {
		if !v.Empty() {
			s = append(s, v)
		}
	}
	slices.SortFunc(s, func(a, b Interval) int { return a.Start.Compare(b.Start) })
	return merged(s)
}

// merged joins overlapping and touching intervals of s, sorted by start, in place.
func merged(s Set) Set {
	if len(s) == 0 {
		return nil
	}
	out := s[:1]
	for _, v := range s[1:] {
		last := &out[len(out)-1]
		switch {
		case v.Start.After(last.End):
			out = append(out, v)
		case v.End.After(last.End):
			last.End = v.End
		}
	}
	return out
}

// Union holds the instants of s, of t or of both.
func (s Set) Union(t Set) Set {
	return NewSet(slices.Concat(s, t)...)
}

// Intersect holds the instants of both s and t.
func (s Set) Intersect(t Set) Set {
	var out Set
	for i, j := 0, 0; i < len(s) && j < len(t); {
		v := Interval{later(s[i].Start, t[j].Start), earlier(s[i].End, t[j].End)}
		if !v.Empty() {
			out = append(out, v)
		}
		if s[i].End.Before(t[j].End) {
			i++
		} else {
			j++
		}
	}
	return out
}

// Subtract holds the instants of s that are not in t.
func (s Set) Subtract(t Set) Set {
	var out Set
	j := 0
	for _, v := range s {
		for j < len(t) && !t[j].End.After(v.Start) {
			j++
		}
		for k := j; k < len(t) && t[k].Start.Before(v.End); k++ {
			if before := (Interval{v.Start, t[k].Start}); !before.Empty() {
				out = append(out, before)
			}
			v.Start = later(v.Start, t[k].End)
		}
		if !v.Empty() {
			out = append(out, v)
		}
	}
	return out
}

// Clip holds the instants of s in [from, to).
func (s Set) Clip(from, to time.Time) Set {
	return s.Intersect(NewSet(Interval{from, to}))
}

// Contains reports whether t lies in s.
func (s Set) Contains(t time.Time) bool {
	_, open := s.OpenUntil(t)
	return open
}

// Covers reports whether all of v lies in s. An empty v is covered.
func (s Set) Covers(v Interval) bool {
	if v.Empty() {
		return true
	}
	end, open := s.OpenUntil(v.Start)
	return open && !v.End.After(end)
}

// NextOpen is the first instant of s at or after t: t itself when s is open
// then. It reports false when nothing follows.
func (s Set) NextOpen(t time.Time) (time.Time, bool) {
	i := s.endingAfter(t)
	if i == len(s) {
		return time.Time{}, false
	}
	return later(t, s[i].Start), true
}

// OpenUntil is the end of the interval that holds t; false when s is shut at t.
func (s Set) OpenUntil(t time.Time) (time.Time, bool) {
	i := s.endingAfter(t)
	if i == len(s) || t.Before(s[i].Start) {
		return time.Time{}, false
	}
	return s[i].End, true
}

// Total is the elapsed time that s is open.
func (s Set) Total() time.Duration {
	var d time.Duration
	for _, v := range s {
		d += v.Duration()
	}
	return d
}

// endingAfter is the index of the first interval with t < End, or len(s).
func (s Set) endingAfter(t time.Time) int {
	i, _ := slices.BinarySearchFunc(s, t, func(v Interval, t time.Time) int {
		if v.End.After(t) {
			return 1
		}
		return -1
	})
	return i
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// boundRange panics on a range longer than RangeMax and reports whether
// anything lies in it.
func boundRange(from, to time.Time) bool {
	if to.Sub(from) > RangeMax {
		panic("calendar: range from " + from.Format(time.RFC3339) + " to " + to.Format(time.RFC3339) + " is longer than RangeMax")
	}
	return from.Before(to)
}
