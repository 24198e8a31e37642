package conflict

import (
	"slices"

	"tickover/scheduler/model"
)

// Time is short for model.Time throughout the package.
type Time = model.Time

const forever = model.Unlimited

// hours are sorted, disjoint, not touching intervals; nil is always.
type hours []model.Interval

// joined merges touching intervals of a sorted list.
func joined(list []model.Interval) hours {
	if list == nil {
		return nil
	}
	out := make(hours, 0, len(list))
	for _, iv := range list {
		if n := len(out); n > 0 && iv.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, iv.End)
			continue
		}
		out = append(out, iv)
	}
	return out
}

// find is the first interval that ends after t; len when none does.
func (h hours) find(t Time) int {
	i, _ := slices.BinarySearchFunc(h, t, func(iv model.Interval, t Time) int {
		if iv.End <= t {
			return -1
		}
		return 1
	})
	return i
}

// contain says whether [s, e) lies in one interval, and otherwise the next
// start for which it may.
func (h hours) contain(s, e Time) (bool, Time) {
	if h == nil || s >= e {
		return true, s
	}
	i := h.find(s)
	switch {
	case i == len(h):
		return false, forever
	case h[i].Start > s:
		return false, h[i].Start
	case e <= h[i].End:
		return true, s
	case i+1 == len(h):
		return false, forever
	}
	return false, h[i+1].Start
}

// parts are the open pieces that d ticks of work begun in the open tick s
// need; false when the hours end before.
func (h hours) parts(s, d Time) ([]model.Interval, bool) {
	if h == nil {
		return []model.Interval{{Start: s, End: s + d}}, true
	}
	var out []model.Interval
	for i := h.find(s); i < len(h); i++ {
		from := max(s, h[i].Start)
		if h[i].End-from >= d {
			return append(out, model.Interval{Start: from, End: from + d}), true
		}
		d -= h[i].End - from
		out = append(out, model.Interval{Start: from, End: h[i].End})
	}
	return nil, false
}

func meet(a, b hours) hours {
	if a == nil {
		return b
	}
	if b == nil {
		return a
	}
	out := hours{}
	for i, k := 0, 0; i < len(a) && k < len(b); {
		if s, e := max(a[i].Start, b[k].Start), min(a[i].End, b[k].End); s < e {
			out = append(out, model.Interval{Start: s, End: e})
		}
		if a[i].End < b[k].End {
			i++
		} else {
			k++
		}
	}
	return out
}

// shut is the complement of h.
func (h hours) shut() []model.Interval {
	if h == nil {
		return nil
	}
	var out []model.Interval
	at := -forever
	for _, iv := range h {
		if iv.Start > at {
			out = append(out, model.Interval{Start: at, End: iv.Start})
		}
		at = iv.End
	}
	return append(out, model.Interval{Start: at, End: forever})
}

// without is h minus the sorted breaks.
func (h hours) without(breaks []model.Interval) hours {
	if len(breaks) == 0 {
		return h
	}
	return meet(h, joined(joined(breaks).shut()))
}

func union(lists ...[]model.Interval) hours {
	all := slices.Concat(lists...)
	slices.SortFunc(all, func(a, b model.Interval) int { return int(a.Start - b.Start) })
	if all == nil {
		all = []model.Interval{}
	}
	return joined(all)
}

// most is the interval of list that overlaps [from, to) longest, the earliest
// of equals; without an overlap the first that ends after from.
func most(list []model.Interval, from, to Time) model.Interval {
	best, overlap := model.Interval{}, Time(-1)
	for _, iv := range list {
		if iv.End <= from {
			continue
		}
		if o := max(0, min(iv.End, to)-max(iv.Start, from)); o > overlap {
			best, overlap = iv, o
		}
	}
	return best
}
