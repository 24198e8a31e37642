package solve

import (
	"slices"

	"tickover/scheduler/model"
)

// Time is short for model.Time throughout the package.
type Time = model.Time

// forever is later than any time that occurs.
const forever = model.Unlimited

// hours are sorted, disjoint, not touching open intervals with prefix sums of
// open ticks. A nil *hours is always open.
type hours struct {
	iv []model.Interval
	// sum[i] is the open ticks before iv[i].
	sum []Time
}

// newHours joins touching intervals; list is sorted by start.
func newHours(list []model.Interval) *hours {
	h := &hours{iv: make([]model.Interval, 0, len(list)), sum: make([]Time, 0, len(list))}
	var open Time
	for _, iv := range list {
		if n := len(h.iv); n > 0 && iv.Start <= h.iv[n-1].End {
			if iv.End > h.iv[n-1].End {
				open += iv.End - h.iv[n-1].End
				h.iv[n-1].End = iv.End
			}
			continue
		}
		h.iv = append(h.iv, iv)
		h.sum = append(h.sum, open)
		open += iv.End - iv.Start
	}
	return h
}

// at is the index of the first interval that ends after t; len when none does.
func (h *hours) at(t Time) int {
	lo, hi := 0, len(h.iv)
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if h.iv[mid].End > t {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// contain says whether [s, e) lies in one interval, and otherwise the earliest
// later start for which it may, forever when there is none.
func (h *hours) contain(s, e Time) (ok bool, next Time) {
	i := h.at(s)
	if i == len(h.iv) {
		return s >= e, forever
	}
	if h.iv[i].Start > s {
		return s >= e, h.iv[i].Start
	}
	if e <= h.iv[i].End {
		return true, s
	}
	if i+1 == len(h.iv) {
		return false, forever
	}
	return false, h.iv[i+1].Start
}

// finish is when work of d > 0 open ticks begun in an open tick s ends;
// forever when it never does.
func (h *hours) finish(s, d Time) Time {
	i := h.at(s)
	if i == len(h.iv) {
		return forever
	}
	if s+d <= h.iv[i].End {
		return s + d
	}
	done := h.sum[i] + (s - h.iv[i].Start) + d // open ticks at the end
	lo, hi := i+1, len(h.iv)
	for lo < hi { // first interval with sum ≥ done
		mid := int(uint(lo+hi) >> 1)
		if h.sum[mid] >= done {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	last := h.iv[lo-1]
	e := last.Start + (done - h.sum[lo-1])
	if e > last.End {
		return forever
	}
	return e
}

// both is where a and b are open. Touching intervals stay apart only if they
// were apart in a or b.
func both(a, b *hours) *hours {
	if a == nil {
		return b
	}
	if b == nil || a == b {
		return a
	}
	var out []model.Interval
	for i, j := 0, 0; i < len(a.iv) && j < len(b.iv); {
		x, y := a.iv[i], b.iv[j]
		if s, e := max(x.Start, y.Start), min(x.End, y.End); s < e {
			out = append(out, model.Interval{Start: s, End: e})
		}
		if x.End < y.End {
			i++
		} else {
			j++
		}
	}
	h := &hours{iv: out, sum: make([]Time, len(out))}
	var open Time
	for i, iv := range out {
		h.sum[i] = open
		open += iv.End - iv.Start
	}
	return h
}

// union is where any of the lists is open.
func union(lists ...[]model.Interval) *hours {
	all := slices.Concat(lists...)
	slices.SortFunc(all, func(a, b model.Interval) int { return int(a.Start - b.Start) })
	return newHours(all)
}

// without is a minus the breaks.
func without(a *hours, breaks []model.Interval) *hours {
	if len(breaks) == 0 {
		return a
	}
	gaps := make([]model.Interval, 0, len(breaks)+1)
	at := -forever
	for _, b := range union(breaks).iv {
		if b.Start > at {
			gaps = append(gaps, model.Interval{Start: at, End: b.Start})
		}
		at = b.End
	}
	gaps = append(gaps, model.Interval{Start: at, End: forever})
	return both(a, newHours(gaps))
}
