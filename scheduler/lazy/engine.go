package lazy

import "slices"

// A variable x is an integer between bounds. Each has two directions: 2x is x
// itself, 2x+1 is -x; so every bound is a lower bound of a direction, and every
// literal says that a direction is at least a value.
type lit struct{ u, v int32 }

func (l lit) not() lit { return lit{l.u ^ 1, 1 - l.v} }

// kind says how the reason of a bound is kept.
type kind int32

const (
	byDecision kind = iota
	byClause        // ref is a clause, its first literal what followed
	byRule          // ref is a rule, aux the bound of its second term
	byList          // aux literals of the arena from ref on
	byModes         // ref is a choice, aux what it looked at
	byStock         // ref is a stock
)

// reason says why a bound holds.
type reason struct {
	kind kind
	ref  int32
	aux  int32
}

// entry is one tightened bound.
type entry struct {
	u, val, old int32
	prev        int32 // the entry of u before, -1 for the root's bound
	level       int32
	reason
}

// watcher is a clause that must be looked at when a direction reaches from.
type watcher struct {
	from   int32
	clause int32
}

type clause struct {
	from, size int32 // in Solver.lits
	glue       int32 // decision levels when it was learnt
	used       bool  // in an analysis since the last reduction
}

type mark struct{ trail, arena, popped int32 }

// engine holds bounds and clauses. Bounds of the root are never taken back.
type engine struct {
	lb    []int32 // by direction
	root  []int32
	last  []int32 // the entry of the current bound, -1 for the root's
	trail []entry
	head  int // the trail is propagated up to here
	marks []mark
	arena []lit

	lits    []lit
	clauses []clause
	watch   [][]watcher

	conflict []lit // true literals that cannot all be
}

func (e *engine) newVar(lo, hi int32) int32 {
	x := int32(len(e.lb) / 2)
	e.lb = append(e.lb, lo, -hi)
	e.root = append(e.root, lo, -hi)
	e.last = append(e.last, -1, -1)
	e.watch = append(e.watch, nil, nil)
	return x
}

func (e *engine) lo(x int32) int32 { return e.lb[2*x] }
func (e *engine) hi(x int32) int32 { return -e.lb[2*x+1] }

func (e *engine) level() int32 { return int32(len(e.marks)) }

// holds says that l is true now.
func (e *engine) holds(l lit) bool { return e.lb[l.u] >= l.v }

// fails says that l is false now.
func (e *engine) fails(l lit) bool { return e.lb[l.u^1] > -l.v }

// set tightens a bound. It returns false, with the conflict filled in, when
// the other bound stands against it.
func (s *Solver) set(u, v int32, why reason) bool {
	if s.lb[u] >= v {
		return true
	}
	if s.lb[u^1] > -v {
		s.conflict = append(s.conflict[:0], lit{u ^ 1, 1 - v})
		s.conflict = s.explain(s.conflict, why, lit{u, v}, int32(len(s.trail)))
		return false
	}
	s.trail = append(s.trail, entry{u: u, val: v, old: s.lb[u], prev: s.last[u], level: s.level(), reason: why})
	s.last[u] = int32(len(s.trail) - 1)
	s.lb[u] = v
	return true
}

// at is the bound of u before entry p.
func (e *engine) at(u, p int32) int32 {
	k := e.last[u]
	for k >= p {
		k = e.trail[k].prev
	}
	if k < 0 {
		return e.root[u]
	}
	return e.trail[k].val
}

// since is the entry that made l true, -1 for the root.
func (e *engine) since(l lit) int32 {
	if l.v <= e.root[l.u] {
		return -1
	}
	k := e.last[l.u]
	for e.trail[k].old >= l.v {
		k = e.trail[k].prev
	}
	return k
}

// explain appends the literals from which l followed, all true before entry p.
func (s *Solver) explain(out []lit, why reason, l lit, p int32) []lit {
	switch why.kind {
	case byClause:
		c := &s.clauses[why.ref]
		for _, o := range s.lits[c.from+1 : c.from+c.size] {
			out = append(out, o.not())
		}
	case byRule:
		out = s.rules[why.ref].explain(out, l.v, why.aux)
	case byList:
		out = append(out, s.arena[why.ref:why.ref+why.aux]...)
	case byModes:
		out = s.choices[why.ref].explain(out, l, why.aux)
	case byStock:
		out = s.explainStock(out, why.ref, l, p)
	}
	return out
}

// because keeps literals as a reason.
func (e *engine) because(list []lit) reason {
	from := int32(len(e.arena))
	e.arena = append(e.arena, list...)
	return reason{byList, from, int32(len(list))}
}

// decide opens a level with a literal that is neither true nor false.
func (s *Solver) decide(l lit) {
	s.marks = append(s.marks, mark{int32(len(s.trail)), int32(len(s.arena)), int32(len(s.popped))})
	s.set(l.u, l.v, reason{kind: byDecision})
}

// backTo takes all bounds above a level back.
func (s *Solver) backTo(level int32) {
	if s.level() <= level {
		return
	}
	m := s.marks[level]
	for k := int32(len(s.trail)) - 1; k >= m.trail; k-- {
		t := &s.trail[k]
		s.lb[t.u], s.last[t.u] = t.old, t.prev
	}
	s.trail, s.arena, s.marks = s.trail[:m.trail], s.arena[:m.arena], s.marks[:level]
	s.head = len(s.trail)
	s.restore(m.popped)
	s.clearDirty()
}

// settle makes the bounds found at the root permanent.
func (s *Solver) settle() {
	for i := range s.trail {
		u := s.trail[i].u
		s.root[u], s.last[u] = s.lb[u], -1
	}
	s.trail, s.arena, s.head = s.trail[:0], s.arena[:0], 0
}

// propagate draws every conclusion; false means conflict.
func (s *Solver) propagate() bool {
	for {
		for s.head < len(s.trail) {
			t := s.trail[s.head]
			s.head++
			if !s.follow(t.u, t.old, t.val) {
				return false
			}
		}
		ok, more := s.propagateNext()
		if !ok {
			return false
		}
		if !more && s.head == len(s.trail) {
			return true
		}
	}
}

// follow draws the cheap conclusions of one bound and marks who else must
// look.
func (s *Solver) follow(u, old, val int32) bool {
	for _, k := range s.ruleOf[u] {
		if !s.apply(k) {
			return false
		}
	}
	for _, w := range s.wakes[u] {
		s.markDirty(w)
	}
	return s.visit(u, old, val)
}

// visit looks at the clauses that a bound may have made short.
func (s *Solver) visit(u, old, val int32) bool {
	list := s.watch[u]
	keep := list[:0]
	for i, w := range list {
		if w.from <= old || w.from > val {
			keep = append(keep, w)
			continue
		}
		c := &s.clauses[w.clause]
		lits := s.lits[c.from : c.from+c.size]
		if lits[0].u == u^1 && 1-lits[0].v == w.from {
			lits[0], lits[1] = lits[1], lits[0]
		}
		if s.holds(lits[0]) {
			keep = append(keep, w)
			continue
		}
		if s.rewatch(lits, w.clause) {
			continue
		}
		keep = append(keep, w)
		if s.fails(lits[0]) {
			s.conflict = s.conflict[:0]
			for _, l := range lits {
				s.conflict = append(s.conflict, l.not())
			}
			s.watch[u] = append(keep, list[i+1:]...)
			return false
		}
		if !s.set(lits[0].u, lits[0].v, reason{kind: byClause, ref: w.clause}) {
			panic("lazy: a literal that is not false cannot be set")
		}
	}
	s.watch[u] = keep
	return true
}

// rewatch moves the watch of the second literal to one that is not false.
func (e *engine) rewatch(lits []lit, c int32) bool {
	for k := 2; k < len(lits); k++ {
		if !e.fails(lits[k]) {
			lits[1], lits[k] = lits[k], lits[1]
			e.watchFor(lits[1], c)
			return true
		}
	}
	return false
}

// watchFor has clause c looked at when l becomes false.
func (e *engine) watchFor(l lit, c int32) {
	e.watch[l.u^1] = append(e.watch[l.u^1], watcher{1 - l.v, c})
}

// add keeps a clause of two or more literals.
func (e *engine) add(lits []lit, glue int32) int32 {
	k := int32(len(e.clauses))
	e.clauses = append(e.clauses, clause{from: int32(len(e.lits)), size: int32(len(lits)), glue: glue, used: true})
	e.lits = append(e.lits, lits...)
	e.watchFor(lits[0], k)
	e.watchFor(lits[1], k)
	return k
}

// reduce forgets, at the root, what is true for good and the worse half of the
// clauses that no recent analysis used.
func (e *engine) reduce() {
	order := make([]int32, 0, len(e.clauses))
	drop := make([]bool, len(e.clauses))
	for i := range e.clauses {
		c := &e.clauses[i]
		for _, l := range e.lits[c.from : c.from+c.size] {
			if e.holds(l) {
				drop[i] = true
				break
			}
		}
		if !drop[i] && !c.used && c.glue > 2 {
			order = append(order, int32(i))
		}
		c.used = false
	}
	slices.SortStableFunc(order, func(a, b int32) int { return int(e.clauses[b].glue - e.clauses[a].glue) })
	for _, i := range order[:len(order)/2] {
		drop[i] = true
	}
	e.compact(drop)
}

func (e *engine) compact(drop []bool) {
	for u := range e.watch {
		e.watch[u] = e.watch[u][:0]
	}
	n, at := 0, int32(0)
	for i := range e.clauses {
		if drop[i] {
			continue
		}
		c := e.clauses[i]
		copy(e.lits[at:], e.lits[c.from:c.from+c.size])
		c.from = at
		at += c.size
		e.clauses[n] = c
		n++
	}
	e.clauses, e.lits = e.clauses[:n], e.lits[:at]
	for i := range e.clauses {
		c := &e.clauses[i]
		e.watchFor(e.lits[c.from], int32(i))
		e.watchFor(e.lits[c.from+1], int32(i))
	}
}
