package disjunctive

import (
	"math/rand/v2"
)

// tabu is a tabu search for the makespan. Its neighbours move an operation of a
// critical block to an end of the block, or an operation at an end into it
// (N7: Zhang, Li, Guan & Rao 2007), and operations of the critical path into
// their other ways (Mastrolilli & Gambardella 2000). All are estimated; one is
// carried out each step.
type tabu struct {
	g      *graph
	r      *rand.Rand
	path   []int32
	blocks []block
	heads  []int64

	step int32
	// arc forbids to bring x before y on a machine again until a step.
	arc     []int32
	arcMask uint32
	// way forbids to bring an operation into a way again until a step.
	way          []int32
	tenure, more int32

	choice
	best  int64 // of this run
	since int   // steps since best
}

// candidate is a move with its estimate. With seg > 0, v moves within its block
// over path[at:at+seg]: behind it, or before it when ahead.
type candidate struct {
	v, way, after int32
	at, seg       int
	ahead         bool
	est           int64
}

// choice is the best candidate not forbidden, and any one that is.
type choice struct {
	top       candidate
	ties      int
	fallback  candidate
	forbidden int
}

// arcTableMax bounds the memory of forbidden arcs; beyond it some share a place.
const arcTableMax = 1 << 20

func newTabu(c *compiled, r *rand.Rand) *tabu {
	size := 1
	for size < c.ops*c.ops && size < arcTableMax {
		size <<= 1
	}
	t := &tabu{
		g: newGraph(c), r: r, arc: make([]int32, size), arcMask: uint32(size - 1), way: make([]int32, len(c.ways)),
		path: make([]int32, 0, c.ops), blocks: make([]block, 0, c.ops), heads: make([]int64, 0, c.ops),
	}
	m := max(1, c.p.Machines)
	t.tenure = 5 + int32(c.ops/(m*m))
	t.more = t.tenure/2 + 1
	return t
}

func (t *tabu) begin(s *solution) {
	t.g.set(s.list, s.way)
	if t.step > 1<<30 {
		t.step = 0
		clear(t.arc)
		clear(t.way)
	}
	t.step += 2 * (t.tenure + t.more) // nothing is forbidden
	t.best, t.since = t.g.span, 0
}

func (t *tabu) arcOf(x, y int32) *int32 {
	return &t.arc[(uint32(x)*uint32(t.g.c.ops)+uint32(y))&t.arcMask]
}

func (t *tabu) state() (*graph, int64, int) {
	return t.g, t.g.c.p.Weights.Makespan * (t.g.span - t.g.c.p.Origin), t.since
}

// advance makes one step. It says false when there is no move at all: then the
// makespan cannot be improved by any of these neighbours.
func (t *tabu) advance() bool {
	t.step++
	t.since++
	t.critical()
	t.choice = choice{top: candidate{est: never}}
	for i := range t.blocks {
		t.within(t.blocks[i], i == 0 && !t.mayOpen(t.blocks[i]), i == len(t.blocks)-1)
	}
	if t.g.c.flexible {
		t.reways()
	}
	m := &t.top
	if m.est == never {
		if t.forbidden == 0 {
			return false
		}
		m = &t.fallback
	}
	t.carryOut(m)
	if t.g.span < t.best {
		t.best, t.since = t.g.span, 0
	}
	return true
}

// mayOpen says that an operation of the first block could start before the first
// one does.
func (t *tabu) mayOpen(b block) bool {
	r := t.g.n[t.path[b.from]].r
	for _, v := range t.path[b.from+1 : b.to] {
		if t.g.n[v].jh < r {
			return true
		}
	}
	return false
}

// within looks at the moves in a block. In the first block of the path only a
// new last operation can help, in the last one only a new first one.
func (t *tabu) within(b block, first, last bool) {
	n := b.to - b.from
	if n < 2 {
		return
	}
	if !last {
		for i := b.from; i < b.to-1; i++ { // to the back
			t.consider(i, b.to-i, false)
		}
		if n > 2 {
			for i := b.from + 1; i < b.to-1; i++ { // the last one into it
				t.consider(i, b.to-i, true)
			}
			if first {
				t.consider(b.from, n, true)
			}
		}
	}
	if !first {
		for i := b.from + 1; i < b.to; i++ { // to the front
			if n == 2 && !last {
				break // the same swap
			}
			t.consider(b.from, i-b.from+1, true)
		}
		if n > 2 {
			for i := b.from + 1; i < b.to-1; i++ { // the first one into it
				t.consider(b.from, i-b.from+1, false)
			}
			if last {
				t.consider(b.from, n, false)
			}
		}
	}
}

// consider estimates a move over path[at:at+n].
func (t *tabu) consider(at, n int, ahead bool) {
	seg := t.path[at : at+n]
	u, v := seg[0], seg[n-1]
	c := candidate{at: at, seg: n, ahead: ahead}
	if ahead {
		if !t.g.mayLead(v, u) {
			return
		}
		c.v, c.after, c.way = v, t.g.n[u].mp, t.g.n[v].way
		c.est = t.g.ahead(seg, t.heads, t.top.est)
	} else {
		if !t.g.mayFollow(u, v) {
			return
		}
		c.v, c.after, c.way = u, v, t.g.n[u].way
		c.est = t.g.behind(seg, t.heads, t.top.est)
	}
	if c.est > t.top.est {
		return
	}
	t.offer(&c, t.forbids(seg, ahead))
}

// forbids says that the move brings back a pair that was turned around lately.
func (t *tabu) forbids(seg []int32, ahead bool) bool {
	if ahead {
		v := seg[len(seg)-1]
		for _, x := range seg[:len(seg)-1] {
			if *t.arcOf(v, x) > t.step {
				return true
			}
		}
		return false
	}
	for _, x := range seg[1:] {
		if *t.arcOf(x, seg[0]) > t.step {
			return true
		}
	}
	return false
}

// offer takes c up. A forbidden move counts only when it promises a new best.
func (t *tabu) offer(c *candidate, forbidden bool) {
	if forbidden && c.est >= t.best {
		if t.forbidden++; t.r.IntN(t.forbidden) == 0 {
			t.fallback = *c
		}
		return
	}
	switch {
	case c.est < t.top.est:
		t.top, t.ties = *c, 1
	case c.est == t.top.est:
		if t.ties++; t.r.IntN(t.ties) == 0 {
			t.top = *c
		}
	}
}

// reways looks at the other ways of the operations on the path.
func (t *tabu) reways() {
	g := t.g
	for _, v := range t.path {
		ways := g.c.waysOf(v)
		if len(ways) < 2 {
			continue
		}
		x := &g.n[v]
		for k := range ways {
			if int32(k) == x.way {
				continue
			}
			c := candidate{v: v, way: int32(k), after: -1}
			switch w := &ways[k]; {
			case w.machine < 0:
				c.est = g.headIn(v, w.p) + g.tailIn(v, w.p)
			case w.machine == x.machine:
				c.after = x.mp
				c.est = g.inPlace(v, w.p)
			default:
				in := g.insert(v, w.machine, w.p)
				c.after, c.est = in.after, in.est
			}
			if c.est < never {
				t.offer(&c, t.way[g.c.wayOff[v]+int32(k)] > t.step)
			}
		}
	}
}

// inPlace is the longest path through v when it takes p where it is.
func (g *graph) inPlace(v int32, p int64) int64 {
	x := &g.n[v]
	h, q := g.headIn(v, p), g.tailIn(v, p)
	if x.mp >= 0 {
		h = max(h, g.n[x.mp].r+g.n[x.mp].p)
	}
	if x.ms >= 0 {
		q = max(q, p+g.n[x.ms].q)
	}
	return h + q
}

// carryOut does the move and forbids its return.
func (t *tabu) carryOut(m *candidate) {
	g := t.g
	was := g.n[m.v].way
	until := t.step + t.tenure + t.r.Int32N(t.more)
	if !g.move(m.v, m.way, m.after) {
		return // a cycle after all: the step is spent
	}
	if m.seg == 0 {
		t.way[g.c.wayOff[m.v]+was] = until
		return
	}
	for i := m.at; i < m.at+m.seg; i++ {
		switch x := t.path[i]; {
		case x == m.v:
		case m.ahead:
			*t.arcOf(x, m.v) = until
		default:
			*t.arcOf(m.v, x) = until
		}
	}
}
