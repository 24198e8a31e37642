package conflict

import (
	"slices"

	"tickover/scheduler/model"
)

// impossible says that the question has no answer with only these facts in
// force. False may also mean that the effort did not suffice to prove it.
func (q *question) impossible(on []bool) bool {
	key := keyOf(on)
	if known, ok := q.known[key]; ok {
		return known
	}
	q.tests++
	_, ok, spent := q.search(on, q.due, false)
	q.spent = q.spent || spent
	q.known[key] = !ok && !spent
	return !ok && !spent
}

func keyOf(on []bool) string {
	key := make([]byte, (len(on)+7)/8)
	for i, b := range on {
		if b {
			key[i/8] |= 1 << (i % 8)
		}
	}
	return string(key)
}

// finish is the earliest finish of own by due that the search finds.
func (q *question) finish(on []bool, due Time) (Time, bool) {
	t, ok, _ := q.search(on, due, true)
	return t, ok
}

// search looks for a place for all nodes, every end by due; for the earliest
// finish when best is set.
func (q *question) search(on []bool, due Time, best bool) (finish Time, ok, spent bool) {
	l := newLab(q, on)
	s := searcher{l: l, due: due, best: best}
	for _, r := range q.running {
		if r.own && l.holds(r.fact) {
			s.done = max(s.done, r.as.End)
		}
	}
	if s.done > due && q.target < 0 {
		return 0, false, false
	}
	s.others(0)
	return s.finish, s.found, l.spent
}

// searcher goes through the choices that matter: the places of activities of
// other jobs that are pinned, and the order of own activities that must not
// overlap. Within one order, each at its earliest end leaves the most to those
// after it, since a later start never ends earlier.
type searcher struct {
	l      *lab
	due    Time
	best   bool
	done   Time // of what runs
	found  bool
	finish Time
}

// over says that the search is to stop.
func (s *searcher) over() bool {
	if s.l.effort > effortMax {
		s.l.spent = true
	}
	return s.l.spent || s.found && !s.best
}

// others places the pinned activities of other jobs from i on, in every way
// that makes a difference.
func (s *searcher) others(i int) {
	q := s.l.q
	if i == len(q.others) {
		s.fixed(0)
		return
	}
	n := q.others[i]
	start, pinned, agree := s.l.pinnedTo(n)
	if !pinned || !agree { // pins that disagree do not hold, and keep nothing
		s.others(i + 1)
		return
	}
	opts := s.l.options(n)
	for k := range opts {
		at, ok := s.l.fit(n, &opts[k], bounds{start, start, -forever, forever})
		if !ok {
			continue
		}
		s.choose(n, &opts[k], at, nil, func() { s.others(i + 1) })
		if s.over() {
			return
		}
	}
}

// choose books each choice of resources for a pinned activity in turn, and
// what surely keeps its workers.
func (s *searcher) choose(n *node, o *option, at spot, taken []int, then func()) {
	i := len(taken)
	if i == len(o.cand) {
		undo := s.keepWorkers(n, o, at)
		then()
		undo()
		return
	}
	amount := max(s.l.q.need(&o.mode.Needs[i]).Amount, 1)
	var seen []int
	for _, k := range o.cand[i] {
		if slices.Contains(taken, k) || s.l.free(k, amount, at.start, at.end) != at.start ||
			slices.ContainsFunc(seen, func(j int) bool { return s.l.same(j, k) }) {
			continue
		}
		seen = append(seen, k)
		s.l.held[k] = append(s.l.held[k], booking{model.Interval{Start: at.start, End: at.end}, amount})
		s.choose(n, o, at, append(taken[:i:i], k), then)
		s.l.held[k] = s.l.held[k][:len(s.l.held[k])-1]
		if s.over() {
			return
		}
	}
}

// same says that two resources can stand in for each other.
func (l *lab) same(a, b int) bool {
	x, y := &l.q.resources[a], &l.q.resources[b]
	return len(l.held[a]) == 0 && len(l.held[b]) == 0 && len(x.closures) == 0 && len(y.closures) == 0 &&
		x.src.Kind == y.src.Kind && x.src.Capacity == y.src.Capacity && x.src.Within == y.src.Within &&
		slices.Equal(x.src.Tags, y.src.Tags) && (x.open == nil) == (y.open == nil) && slices.Equal(x.open, y.open)
}

// keepWorkers books the stretches whose time and crew are certain: those that
// follow the pinned start at once, by a crew that has no alternative.
func (s *searcher) keepWorkers(n *node, o *option, at spot) (undo func()) {
	l, t := s.l, at.start
	count := make(map[int]int)
	for i := range o.mode.Stretches {
		st := &o.mode.Stretches[i]
		if st.Splittable || i > 0 && st.Workers > 0 && o.mode.Stretches[i-1].MaxWait > 0 {
			break
		}
		if st.Workers > 0 && st.Workers == len(o.pool) {
			for _, k := range o.pool {
				l.busy[k] = append(l.busy[k], model.Interval{Start: t, End: t + st.Duration})
				count[k]++
			}
		}
		t += st.Duration
	}
	return func() {
		for k, c := range count {
			l.busy[k] = l.busy[k][:len(l.busy[k])-c]
		}
	}
}

// pinnedTo is the start to which the facts in force bind a node, and whether
// they agree.
func (l *lab) pinnedTo(n *node) (start Time, pinned, agree bool) {
	agree = true
	for _, d := range n.starts {
		if l.holds(d.fact) {
			agree = agree && (!pinned || start == d.at)
			start, pinned = d.at, true
		}
	}
	return start, pinned, agree
}

// fixed places own activities that are pinned to a start.
func (s *searcher) fixed(i int) {
	q := s.l.q
	for ; i < len(q.own); i++ {
		if _, pinned, _ := s.l.pinnedTo(q.own[i]); pinned && s.l.needed[i] {
			break
		}
	}
	if i == len(q.own) {
		s.free()
		return
	}
	n := q.own[i]
	start, _, agree := s.l.pinnedTo(n)
	b, ok := s.bounds(i)
	b.lo, b.hi = max(b.lo, start), min(b.hi, start)
	if !ok || !agree || b.lo > b.hi {
		return
	}
	if at, ok := s.earliest(n, b); ok {
		s.l.at[i] = at
		s.fixed(i + 1)
		s.l.at[i] = spot{}
	}
}

// earliest is the place of n with the earliest end.
func (s *searcher) earliest(n *node, b bounds) (best spot, ok bool) {
	opts := s.l.options(n)
	for k := range opts {
		at, fits := s.l.fit(n, &opts[k], b)
		if fits && (!ok || at.end < best.end) {
			best, ok = at, true
			b.hiEnd = min(b.hiEnd, at.end-1)
		}
	}
	return best, ok
}

// free places the rest.
func (s *searcher) free() {
	if s.over() {
		return
	}
	ready := s.ready()
	if len(ready) == 0 {
		s.settle()
		return
	}
	for _, i := range ready {
		b, ok := s.bounds(i)
		if !ok {
			return
		}
		at, ok := s.earliest(s.l.q.own[i], b)
		if !ok {
			return // nor will it fit when others have taken their places
		}
		s.l.at[i] = at
		s.free()
		s.l.at[i] = spot{}
		if s.over() {
			return
		}
	}
}

// ready lists the nodes that may come next: one when it is in nobody's way.
func (s *searcher) ready() []int {
	var out []int
	own := s.l.q.own
	for i, n := range own {
		if !s.l.needed[i] || s.l.at[i].placed || !s.l.after(i) {
			continue
		}
		if !slices.ContainsFunc(n.peers, func(k int) bool { return s.l.needed[k] && !s.l.at[k].placed && !s.l.waits[i][k] }) {
			return []int{i}
		}
		out = append(out, i)
	}
	return out
}

// after says that all that node i waits for has a place.
func (l *lab) after(i int) bool {
	for _, k := range l.q.own[i].before {
		if k.node >= 0 && l.holds(k.fact) && !l.at[k.node].placed {
			return false
		}
	}
	return true
}

// settle takes note of an answer.
func (s *searcher) settle() {
	finish := s.done
	for _, at := range s.l.at {
		finish = max(finish, at.end)
	}
	if !s.found || finish < s.finish {
		s.found, s.finish, s.due = true, finish, min(s.due, finish-1)
	}
}

// bounds of node i: what it waits for, what is placed and waits for it, its
// wishes. False when a fact in force rules it out.
func (s *searcher) bounds(i int) (bounds, bool) {
	l := s.l
	n := l.q.own[i]
	b := bounds{lo: l.q.p.Now, hi: forever, loEnd: -forever, hiEnd: min(s.due, l.q.p.Horizon)}
	if l.q.target >= 0 {
		b.hiEnd = l.q.p.Horizon
	}
	for _, h := range n.lows {
		if l.holds(h.fact) {
			b.lo = max(b.lo, h.at)
		}
	}
	if b.lo >= forever {
		return b, false
	}
	for _, k := range n.before {
		if l.holds(k.fact) {
			s.follow(&b, k)
		}
	}
	for j, m := range l.q.own {
		if !l.at[j].placed {
			continue
		}
		for _, k := range m.before {
			if k.node == i && l.holds(k.fact) {
				precede(&b, k.lag, l.at[j])
			}
		}
	}
	return b, true
}

// follow bounds a node by one that has a place before it. Maximum lags bind
// only to what has happened: among own they are ignored.
func (s *searcher) follow(b *bounds, k link) {
	at := spot{}
	switch {
	case k.node >= 0:
		if at = s.l.at[k.node]; !at.placed {
			return
		}
	case k.run >= 0:
		r := s.l.q.running[k.run]
		if !s.l.holds(r.fact) {
			return
		}
		at = spot{true, r.as.Start, r.as.End}
	default:
		g := k.done.Progress
		at = spot{true, g.Stretches[0].Start, g.Stretches[len(g.Stretches)-1].End}
	}
	from := at.end
	if k.lag.FromPoint == model.Start {
		from = at.start
	}
	lo, hi := &b.lo, &b.hi
	if k.lag.ToEnd {
		lo, hi = &b.loEnd, &b.hiEnd
	}
	*lo = max(*lo, from+k.lag.Min)
	if k.lag.Limited && k.node < 0 {
		*hi = min(*hi, from+k.lag.Max)
	}
}

// precede bounds a node by one that has a place after it.
func precede(b *bounds, l *model.Lag, at spot) {
	to := at.start
	if l.ToEnd {
		to = at.end
	}
	if l.FromPoint == model.Start {
		b.hi = min(b.hi, to-l.Min)
	} else {
		b.hiEnd = min(b.hiEnd, to-l.Min)
	}
}
