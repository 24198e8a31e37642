package conflict

import (
	"slices"

	"tickover/scheduler/model"
)

// option is one way to do an activity: a mode, a choice of calendars of the
// resources that pause its work, and the workers who may take part.
type option struct {
	mode *model.Mode
	// cand are the resources for each need, open when all that may pause are.
	cand [][]int
	open hours
	pool []int
}

const optionsMax = 256

// options of a node. Workers that are alike, and not busy, count once.
func (l *lab) options(n *node) []option {
	var out []option
	for m := range n.a.Modes {
		mode := &n.a.Modes[m]
		needs, ok := l.needs(n, mode)
		if !ok {
			continue
		}
		pools := l.pools(n, mode)
		for _, o := range needs {
			for _, pool := range pools {
				if len(out) == optionsMax {
					l.spent = true
					return out
				}
				o.mode, o.pool = mode, pool
				out = append(out, o)
			}
		}
	}
	return out
}

// wishes are the pins in force of a node.
func (l *lab) wishes(n *node) (resources []model.ResourceID, workers []model.WorkerID) {
	add := func(r model.ResourceID, w model.WorkerID) {
		if r != "" {
			resources = append(resources, r)
		}
		if w != "" {
			workers = append(workers, w)
		}
	}
	for _, f := range n.pinned {
		if l.holds(f) {
			add(l.q.facts[f].Resource, l.q.facts[f].Worker)
		}
	}
	if n.asked != nil {
		add(n.asked.Resource, n.asked.Worker)
	}
	return resources, workers
}

// needs are the choices of resources: one for each combination of calendars at
// which work pauses.
func (l *lab) needs(n *node, mode *model.Mode) ([]option, bool) {
	wanted, _ := l.wishes(n)
	out := []option{{}}
	for i := range mode.Needs {
		need := l.q.need(&mode.Needs[i])
		var all []int
		for k := range l.q.resources {
			if l.serves(k, need) {
				all = append(all, k)
			}
		}
		for w, id := range wanted {
			if k := l.resource(id); slices.Contains(all, k) {
				all, wanted = []int{k}, slices.Delete(slices.Clone(wanted), w, w+1)
				break
			}
		}
		out = l.spread(out, all)
	}
	return out, len(wanted) == 0 && len(out) > 0
}

// spread adds one need to each choice, by the calendar of its resources.
func (l *lab) spread(choices []option, all []int) []option {
	var out []option
	for _, o := range choices {
		for rest := all; len(rest) > 0; {
			open := l.pausing(rest[0])
			var same, others []int
			for _, k := range rest {
				if slices.Equal(l.pausing(k), open) && (l.pausing(k) == nil) == (open == nil) {
					same = append(same, k)
				} else {
					others = append(others, k)
				}
			}
			rest = others
			if len(out) == optionsMax {
				l.spent = true
				return out
			}
			out = append(out, option{cand: append(slices.Clone(o.cand), same), open: meet(o.open, open)})
		}
	}
	return out
}

// pausing are the hours in which work on resource k goes on.
func (l *lab) pausing(k int) hours {
	r := &l.q.resources[k]
	if r.src.Within || !l.holds(r.hours) {
		return nil
	}
	return r.open
}

// pools are the sets of workers that may do the hands-on stretches.
func (l *lab) pools(n *node, mode *model.Mode) [][]int {
	size := 0
	var able []int
	for i := range mode.Stretches {
		s := &mode.Stretches[i]
		size = max(size, s.Workers)
		for k := range l.q.workers {
			if s.Workers > 0 && l.able(k, s.Skills) && !slices.Contains(able, k) {
				able = append(able, k)
			}
		}
	}
	slices.Sort(able)
	_, wanted := l.wishes(n)
	if size == 0 || n.a.Handover {
		return [][]int{able}
	}
	var out [][]int
	l.combine(able, size, func(pool []int) bool {
		for _, id := range wanted {
			if !slices.ContainsFunc(pool, func(k int) bool { return l.q.workers[k].src.ID == id }) {
				return true
			}
		}
		if size > 1 || !slices.ContainsFunc(out, func(o []int) bool { return l.alike(o[0], pool[0]) }) {
			out = append(out, slices.Clone(pool))
		}
		if len(out) == optionsMax {
			l.spent = true
		}
		return len(out) < optionsMax
	})
	return out
}

// alike says that two workers can stand in for each other.
func (l *lab) alike(a, b int) bool {
	x, y := &l.q.workers[a], &l.q.workers[b]
	return len(l.busy[a]) == 0 && len(l.busy[b]) == 0 && slices.Equal(x.src.Skills, y.src.Skills) &&
		(l.work[a] == nil) == (l.work[b] == nil) && slices.Equal(l.work[a], l.work[b])
}

// combine yields the n-subsets of pool until yield says stop.
func (l *lab) combine(pool []int, n int, yield func([]int) bool) {
	pick := make([]int, 0, n)
	var rec func(from int) bool
	rec = func(from int) bool {
		if len(pick) == n {
			return yield(pick)
		}
		for i := from; i <= len(pool)-(n-len(pick)); i++ {
			pick = append(pick, pool[i])
			if more := rec(i + 1); !more {
				return false
			}
			pick = pick[:len(pick)-1]
		}
		return true
	}
	rec(0)
}

// bounds of a placement.
type bounds struct {
	lo, hi       Time // of the start
	loEnd, hiEnd Time // of the end
}

// stepsMax bounds the starts tried by one fit.
const stepsMax = 20000

// fit is the earliest place of n by an option.
func (l *lab) fit(n *node, o *option, b bounds) (spot, bool) {
	l.effort++
	t := b.lo
	for range stepsMax {
		start, end, next := l.lay(n, o, t, b)
		if start > b.hi || start >= forever || start+n.least > b.hiEnd {
			return spot{}, false
		}
		if next <= start {
			if end > b.hiEnd {
				return spot{}, false
			}
			next = l.clear(n, o, start, end)
		}
		if next <= start {
			return spot{true, start, end}, true
		}
		t = next
	}
	l.spent = true
	return spot{}, false
}

// lay lays the stretches from t on, each as early as it can. A next after the
// start says that they do not follow each other from there.
func (l *lab) lay(n *node, o *option, t Time, b bounds) (start, end, next Time) {
	st := o.mode.Stretches
	start, end, _ = l.stretch(n, o, 0, t, forever)
	if start >= forever || start > b.hi {
		return start, end, start
	}
	rigid := !st[0].Splittable
	for i := 1; i < len(st); i++ {
		limit := Time(0)
		if st[i].Workers > 0 {
			limit = st[i-1].MaxWait
		}
		s, e, _ := l.stretch(n, o, i, end, limit)
		if s >= forever {
			return forever, forever, forever
		}
		if limit != model.Unlimited && s-end > limit {
			if rigid {
				return start, e, start + (s - end - limit)
			}
			return start, e, start + 1
		}
		rigid = rigid && st[i].Workers == 0
		end = e
	}
	if end < b.loEnd {
		if rigid {
			return start, end, start + (b.loEnd - end)
		}
		return start, end, start + 1
	}
	return start, end, start
}

// stretch is the earliest place of stretch i at t or later; within the limit
// the earliest end counts, beyond it the earliest start. who are its workers.
func (l *lab) stretch(n *node, o *option, i int, t, limit Time) (s, e Time, who []int) {
	st := &o.mode.Stretches[i]
	inside := l.inside(st.Inside)
	if st.Workers == 0 {
		s, e = l.slot(st, o.open, nil, inside, t)
		return s, e, nil
	}
	s, e = forever, forever
	var able []int
	for _, k := range o.pool {
		if l.able(k, st.Skills) {
			able = append(able, k)
		}
	}
	_, wanted := l.wishes(n)
	l.combine(able, st.Workers, func(crew []int) bool {
		for _, id := range wanted {
			if !slices.ContainsFunc(crew, func(k int) bool { return l.q.workers[k].src.ID == id }) {
				return true
			}
		}
		open := o.open
		for _, k := range crew {
			open = meet(open, l.work[k])
		}
		s2, e2 := l.slot(st, open, crew, inside, t)
		if s2 >= forever {
			return true
		}
		in, in2 := limit >= forever || s-t <= limit, limit >= forever || s2-t <= limit
		if s >= forever || in2 && !in || in2 == in && (in && e2 < e || !in && s2 < s) {
			s, e, who = s2, e2, slices.Clone(crew)
		}
		return true
	})
	return s, e, who
}

// slot is the earliest place for d ticks in the open hours in which the crew
// is not busy.
func (l *lab) slot(st *model.Stretch, open hours, crew []int, inside hours, t Time) (s, e Time) {
	if st.Duration == 0 {
		return t, t
	}
	for s = t; s < forever; {
		i := 0
		if open != nil {
			if i = open.find(s); i == len(open) {
				return forever, forever
			}
			s = max(s, open[i].Start)
			if !st.Splittable && s+st.Duration > open[i].End {
				s = open[i].End
				continue
			}
		}
		parts, ok := open.parts(s, st.Duration)
		if !ok {
			return forever, forever
		}
		e = parts[len(parts)-1].End
		if ok, next := inside.contain(s, e); !ok {
			s = next
			continue
		}
		next, busy := l.busyUntil(crew, parts)
		if !busy {
			return s, e
		}
		s = next
	}
	return forever, forever
}

// busyUntil is when the first booking of the crew that overlaps the parts
// ends.
func (l *lab) busyUntil(crew []int, parts []model.Interval) (until Time, busy bool) {
	until = forever
	for _, k := range crew {
		for _, b := range l.busy[k] {
			for _, p := range parts {
				if b.Start < p.End && p.Start < b.End {
					until, busy = min(until, b.End), true
				}
			}
		}
	}
	return until, busy
}

// clear is s when the hold over [s, e) and the job's other activities allow
// it, and otherwise a later start.
func (l *lab) clear(n *node, o *option, s, e Time) Time {
	if ok, next := l.inside(n.a.Inside).contain(s, e); !ok {
		return next
	}
	if n.a.Presence {
		if ok, next := l.present.contain(s, e); !ok {
			return next
		}
	}
	for _, k := range n.peers {
		if p := l.at[k]; p.placed && s < e && p.start < p.end && p.start < e && s < p.end {
			return p.end
		}
	}
	for _, r := range l.q.running {
		if r.own && l.holds(r.fact) && !l.q.parallel(r.a.ID, n.a.ID) && s < e && s < r.as.End && r.as.Start < e && !n.foreign {
			return r.as.End
		}
	}
	next, _ := l.serve(o, nil, s, e)
	return next
}

// serve gives each need a resource of its own that is free over [s, e).
func (l *lab) serve(o *option, taken []int, s, e Time) (Time, []int) {
	i := len(taken)
	if i == len(o.cand) {
		return s, taken
	}
	amount := max(l.q.need(&o.mode.Needs[i]).Amount, 1)
	next := forever
	for _, k := range o.cand[i] {
		if slices.Contains(taken, k) {
			continue
		}
		if at := l.free(k, amount, s, e); at != s {
			next = min(next, at)
			continue
		}
		at, all := l.serve(o, append(taken[:i:i], k), s, e)
		if at == s {
			return s, all
		}
		next = min(next, at)
	}
	return next, nil
}
