package lazy

// learner turns a conflict into a clause: the first unique implication point
// of the conflict's level (Marques-Silva & Sakallah, IEEE Trans. Computers 48,
// 1999), over bounds. For each direction at most one bound is needed, the
// highest.
type learner struct {
	need  []int32 // by direction: the bound needed
	pos   []int32 // by direction: the entry that reached it, -1 for not needed
	seen  []int32 // directions needed, with some no longer
	buf   []lit
	out   []lit
	stamp []int32 // by level
	mark  int32
}

func (e *learner) grow(directions int) {
	e.need = make([]int32, directions)
	e.pos = make([]int32, directions)
	for i := range e.pos {
		e.pos[i] = -1
	}
}

// want needs l, true before entry p. It returns by how much the number of
// needed entries of the level that begins at entry base changes.
func (s *Solver) want(l lit, base int32) int {
	k := s.since(l)
	if k < 0 {
		return 0
	}
	change := 0
	if had := s.pos[l.u]; had >= 0 {
		if s.need[l.u] >= l.v {
			return 0
		}
		if had >= base {
			change--
		}
	} else {
		s.seen = append(s.seen, l.u)
	}
	s.need[l.u], s.pos[l.u] = l.v, k
	if k >= base {
		change++
	}
	s.bump(l)
	return change
}

// learn analyses s.conflict, goes back and draws the clause's conclusion. It
// returns false when the conflict holds at the root: nothing is left.
func (s *Solver) learn() bool {
	top := int32(0)
	for _, l := range s.conflict {
		if k := s.since(l); k >= 0 {
			top = max(top, s.trail[k].level)
		}
	}
	if top == 0 {
		return false
	}
	s.backTo(top)
	u := s.resolve(s.marks[top-1].trail)
	uip := lit{u, s.need[u]}
	s.minimise(u)
	s.pos[u] = -1
	back, glue := s.collect(uip)
	s.decay()
	s.backTo(back)
	if len(s.out) == 1 {
		s.set(s.out[0].u, s.out[0].v, reason{kind: byDecision})
		return true
	}
	k := s.add(s.out, glue)
	s.set(s.out[0].u, s.out[0].v, reason{kind: byClause, ref: k})
	return true
}

// resolve replaces what is needed of the conflict's level by its reasons until
// one bound is left. It returns its direction.
func (s *Solver) resolve(base int32) int32 {
	open := 0
	for _, l := range s.conflict {
		open += s.want(l, base)
	}
	for p := int32(len(s.trail)) - 1; ; p-- {
		t := &s.trail[p]
		if s.pos[t.u] != p {
			continue
		}
		if open == 1 {
			return t.u
		}
		if t.kind == byClause {
			s.clauses[t.ref].used = true
		}
		s.buf = s.explain(s.buf[:0], t.reason, lit{t.u, s.need[t.u]}, p)
		s.pos[t.u] = -1
		open--
		for _, l := range s.buf {
			open += s.want(l, base)
		}
	}
}

// minimise drops needed bounds that follow from the others.
func (s *Solver) minimise(uip int32) {
	for _, u := range s.seen {
		if s.pos[u] < 0 || u == uip {
			continue
		}
		p, v := s.pos[u], s.need[u]
		if s.trail[p].kind == byDecision {
			continue
		}
		s.pos[u] = -1
		s.buf = s.buf[:0]
		if !s.follows(lit{u, v}, p, 6) {
			s.pos[u] = p
		}
	}
}

// follows says that the reason of l, reached by entry p, follows from what is
// needed.
func (s *Solver) follows(l lit, p int32, depth int) bool {
	t := &s.trail[p]
	if t.kind == byDecision || depth == 0 {
		return false
	}
	from := len(s.buf)
	s.buf = s.explain(s.buf, t.reason, l, p)
	end := len(s.buf)
	for i := from; i < end; i++ {
		o := s.buf[i]
		k := s.since(o)
		if k < 0 || s.pos[o.u] >= 0 && s.need[o.u] >= o.v {
			continue
		}
		if !s.follows(o, k, depth-1) {
			return false
		}
		s.buf = s.buf[:end]
	}
	s.buf = s.buf[:from]
	return true
}

// collect writes the clause to s.out, what it concludes first and what fell
// last second. It returns the level to go back to and the number of levels.
func (s *Solver) collect(uip lit) (back, glue int32) {
	s.out = append(s.out[:0], uip.not())
	s.learner.mark++
	for len(s.stamp) <= len(s.marks) {
		s.stamp = append(s.stamp, 0)
	}
	second := int32(-1)
	for _, u := range s.seen {
		p := s.pos[u]
		if p < 0 {
			continue
		}
		s.pos[u] = -1
		s.out = append(s.out, lit{u, s.need[u]}.not())
		level := s.trail[p].level
		if p > second {
			second, back = p, level
			last := len(s.out) - 1
			s.out[1], s.out[last] = s.out[last], s.out[1]
		}
		if s.stamp[level] != s.learner.mark {
			s.stamp[level] = s.learner.mark
			glue++
		}
	}
	s.seen = s.seen[:0]
	return back, glue + 1
}
