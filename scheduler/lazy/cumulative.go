package lazy

import (
	"cmp"
	"slices"
)

// cumulative is a renewable resource, filtered by its time table: the
// activities' compulsory parts, from the latest start to the earliest end.
// Explanations speak of one instant and so are as wide as they can be (Schutt,
// Feydy, Stuckey & Wallace, CP 2009).
type cumulative struct {
	capacity int32
	tasks    []task
	// byStart and byEnd keep the order of the last call: bounds move little
	// between calls.
	byStart, byEnd []int32
	// Segments of the profile: height[i] over [at[i], at[i+1]), 0 after the
	// last.
	at, height []int32
	highest    int32
}

// task is what an activity does to one resource. d and h are its duration and
// demand when dx and hx, their variables, are negative.
type task struct {
	x              int32
	d, dx, h, hx   int32
	latest, finish int32 // latest start, earliest end
}

func (s *Solver) duration(t *task) int32 {
	if t.dx < 0 {
		return t.d
	}
	return s.lo(t.dx)
}

func (s *Solver) demand(t *task) int32 {
	if t.hx < 0 {
		return t.h
	}
	return s.lo(t.hx)
}

// propagateCumulative builds the profile and moves what does not fit.
func (s *Solver) propagateCumulative(c *cumulative) bool {
	for i := range c.tasks {
		t := &c.tasks[i]
		t.latest, t.finish = s.hi(t.x), s.lo(t.x)+s.duration(t)
	}
	if !s.profile(c) {
		return false
	}
	if len(c.at) == 0 {
		return true
	}
	for i := range c.tasks {
		if !s.fit(c, int32(i)) {
			return false
		}
	}
	return true
}

// profile sums up the compulsory parts.
func (s *Solver) profile(c *cumulative) bool {
	sortBy(c.byStart, c.tasks, func(t *task) int32 { return t.latest })
	sortBy(c.byEnd, c.tasks, func(t *task) int32 { return t.finish })
	c.at, c.height, c.highest = c.at[:0], c.height[:0], 0
	height, i, j, n := int32(0), 0, 0, len(c.tasks)
	for j < n {
		e := &c.tasks[c.byEnd[j]]
		if e.latest >= e.finish {
			j++
			continue
		}
		now := e.finish
		for i < n {
			b := &c.tasks[c.byStart[i]]
			if b.latest < b.finish {
				now = min(now, b.latest)
				break
			}
			i++
		}
		for i < n && c.tasks[c.byStart[i]].latest <= now {
			if b := &c.tasks[c.byStart[i]]; b.latest < b.finish {
				height += s.demand(b)
			}
			i++
		}
		for j < n && c.tasks[c.byEnd[j]].finish <= now {
			if e := &c.tasks[c.byEnd[j]]; e.latest < e.finish {
				height -= s.demand(e)
			}
			j++
		}
		c.at, c.height = append(c.at, now), append(c.height, height)
		c.highest = max(c.highest, height)
		if height > c.capacity {
			s.conflict = s.cover(s.conflict[:0], c, -1, now, height-c.capacity-1)
			return false
		}
	}
	return true
}

// sortBy sorts by insertion: the order is nearly right already.
func sortBy(order []int32, tasks []task, key func(*task) int32) {
	for i := 1; i < len(order); i++ {
		x := order[i]
		k, j := key(&tasks[x]), i
		for ; j > 0 && key(&tasks[order[j-1]]) > k; j-- {
			order[j] = order[j-1]
		}
		order[j] = x
	}
}

// holder is a task that takes something at the time asked about: d long, h of
// it, since an entry of the trail, -1 for the root or where that is not asked.
type holder struct{ task, d, h, since int32 }

// cover appends why the tasks but one take what they do at time t: that each
// began by then and has not ended. spare is how much of it is not needed: what
// came last is left out, so that the clause holds in more of the tree.
func (s *Solver) cover(out []lit, c *cumulative, but, t, spare int32) []lit {
	s.holders = s.holders[:0]
	for i := range c.tasks {
		k := &c.tasks[i]
		if int32(i) == but || s.hi(k.x) > t {
			continue
		}
		q := holder{task: int32(i), d: s.duration(k), h: s.demand(k), since: -1}
		if s.lo(k.x)+q.d <= t || q.h == 0 {
			continue
		}
		if spare > 0 {
			s.why = s.holding(s.why[:0], k, q, t)
			for _, l := range s.why {
				q.since = max(q.since, s.since(l))
			}
		}
		s.holders = append(s.holders, q)
	}
	if spare > 0 {
		slices.SortStableFunc(s.holders, func(a, b holder) int { return cmp.Compare(b.since, a.since) })
	}
	for _, q := range s.holders {
		if q.h <= spare {
			spare -= q.h
			continue
		}
		out = s.holding(out, &c.tasks[q.task], q, t)
	}
	return out
}

// holding appends why a task takes what it does at time t.
func (s *Solver) holding(out []lit, k *task, q holder, t int32) []lit {
	return s.counted(append(out, lit{2*k.x + 1, -t}, lit{2 * k.x, t + 1 - q.d}), k, q.h, q.d)
}

// segment is the first one that ends after t.
func (c *cumulative) segment(t int32) int {
	lo, hi := 0, len(c.at)-1 // the last segment has no height
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if c.at[mid+1] > t {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// fit moves the start of task i out of what has no room for it, and lowers the
// most that it may take.
func (s *Solver) fit(c *cumulative, i int32) bool {
	t := &c.tasks[i]
	h, d := s.demand(t), s.duration(t)
	most := h
	if t.hx >= 0 {
		most = s.hi(t.hx)
	}
	if c.highest+most <= c.capacity || d == 0 {
		return true
	}
	if h > 0 && s.lo(t.x) < s.hi(t.x) && (!s.later(c, i, t, h, d) || !s.earlier(c, i, t, h, d)) {
		return false
	}
	if t.hx >= 0 || t.dx >= 0 {
		return s.shrink(c, i, t)
	}
	return true
}

// later raises the earliest start.
func (s *Solver) later(c *cumulative, i int32, t *task, h, d int32) bool {
	start := s.lo(t.x)
	for k := c.segment(start); k < len(c.at)-1 && c.at[k] < start+d; k++ {
		if c.height[k]+h <= c.capacity || t.latest < t.finish && c.at[k] >= t.latest && c.at[k+1] <= t.finish {
			continue
		}
		for end := c.at[k+1]; start < end; {
			at := min(end, start+d) - 1
			why := s.cover(s.list[:0], c, i, at, s.over(c, i, at)+h-c.capacity-1)
			why = append(why, lit{2 * t.x, at + 1 - d})
			s.list = s.counted(why, t, h, d)
			if !s.set(2*t.x, at+1, s.because(s.list)) {
				return false
			}
			start = at + 1
		}
	}
	return true
}

// earlier lowers the latest start.
func (s *Solver) earlier(c *cumulative, i int32, t *task, h, d int32) bool {
	start := s.hi(t.x)
	for k := min(c.segment(start+d-1), len(c.at)-2); k >= 0 && c.at[k+1] > start; k-- {
		if c.at[k] >= start+d || c.height[k]+h <= c.capacity || t.latest < t.finish && c.at[k] >= t.latest && c.at[k+1] <= t.finish {
			continue
		}
		for from := c.at[k]; start+d > from; {
			at := max(from, start)
			why := s.cover(s.list[:0], c, i, at, s.over(c, i, at)+h-c.capacity-1)
			why = append(why, lit{2*t.x + 1, -at})
			s.list = s.counted(why, t, h, d)
			if !s.set(2*t.x+1, d-at, s.because(s.list)) {
				return false
			}
			start = at - d
		}
	}
	return true
}

// counted adds the duration and the demand that were counted on.
func (s *Solver) counted(why []lit, t *task, h, d int32) []lit {
	if t.dx >= 0 {
		why = append(why, lit{2 * t.dx, d})
	}
	if t.hx >= 0 {
		why = append(why, lit{2 * t.hx, h})
	}
	return why
}

// over is what the tasks but one take at time t.
func (s *Solver) over(c *cumulative, but, t int32) int32 {
	sum := int32(0)
	for i := range c.tasks {
		k := &c.tasks[i]
		if int32(i) != but && s.hi(k.x) <= t && s.lo(k.x)+s.duration(k) > t {
			sum += s.demand(k)
		}
	}
	return sum
}

// shrink lowers the most that a task of several modes may demand or last.
func (s *Solver) shrink(c *cumulative, i int32, t *task) bool {
	lo, hi := s.lo(t.x), s.hi(t.x)
	d, h := s.duration(t), s.demand(t)
	for k := c.segment(hi); k < len(c.at)-1; k++ {
		at := max(c.at[k], hi)
		switch {
		case at < lo+d && t.hx >= 0:
			other := s.over(c, i, at)
			if other+s.hi(t.hx) <= c.capacity {
				continue
			}
			s.list = s.cover(s.list[:0], c, i, at, 0)
			s.list = append(s.list, lit{2*t.x + 1, -at}, lit{2 * t.x, at + 1 - d})
			if t.dx >= 0 {
				s.list = append(s.list, lit{2 * t.dx, d})
			}
			if !s.set(2*t.hx+1, other-c.capacity, s.because(s.list)) {
				return false
			}
		case at >= lo+d && t.dx >= 0:
			if at >= lo+s.hi(t.dx) {
				return true
			}
			if h == 0 || c.height[k]+h <= c.capacity {
				continue
			}
			other := s.over(c, i, at)
			if other+h <= c.capacity {
				continue
			}
			s.list = s.cover(s.list[:0], c, i, at, other+h-c.capacity-1)
			s.list = append(s.list, lit{2*t.x + 1, -at}, lit{2 * t.x, lo})
			if t.hx >= 0 {
				s.list = append(s.list, lit{2 * t.hx, h})
			}
			return s.set(2*t.dx+1, lo-at, s.because(s.list))
		case at >= lo+d:
			return true
		}
	}
	return true
}
