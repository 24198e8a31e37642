package disjunctive

// node is an operation in a graph: where it is and its longest paths. It fills
// one cache line.
type node struct {
	// r is the head: the longest path to its start, which is its start. q is
	// the tail: the longest path from its start to the end of everything.
	r, q int64
	// jh and jt are the head and the tail by release and lags alone.
	jh, jt  int64
	p       int64
	mp, ms  int32 // before and behind it on the machine, -1 for none
	pos     int32 // in the order
	machine int32
	way     int32
	_       int32
}

// graph is a selection of machine sequences with heads and tails (Roy &
// Sussmann, 1964).
type graph struct {
	c     *compiled
	n     []node
	order []int32 // topological
	first []int32 // by machine
	last  []int32
	span  int64
	ends  []int64 // by position: the greatest end so far
	mark  []uint32
	stamp uint32
	buf   []int32
}

func newGraph(c *compiled) *graph {
	return &graph{
		c: c, n: make([]node, c.ops), order: make([]int32, c.ops), ends: make([]int64, c.ops),
		first: make([]int32, c.p.Machines), last: make([]int32, c.p.Machines),
		mark: make([]uint32, c.ops), buf: make([]int32, 0, c.ops),
	}
}

// set builds the graph in which every machine does its operations in the order
// of a topological list, each in the given way, and computes it.
func (g *graph) set(list, ways []int32) {
	for m := range g.first {
		g.first[m], g.last[m] = -1, -1
	}
	copy(g.order, list)
	for i, v := range g.order {
		w := &g.c.waysOf(v)[ways[v]]
		x := &g.n[v]
		*x = node{p: w.p, machine: w.machine, way: ways[v], mp: -1, ms: -1, pos: int32(i)}
		if w.machine >= 0 {
			g.link(v, g.last[w.machine])
		}
	}
	g.heads(0)
	g.tails(g.c.ops - 1)
}

// link puts v on its machine right behind a, or first for -1.
func (g *graph) link(v, a int32) {
	x := &g.n[v]
	m := x.machine
	x.mp = a
	if a >= 0 {
		x.ms = g.n[a].ms
		g.n[a].ms = v
	} else {
		x.ms = g.first[m]
		g.first[m] = v
	}
	if x.ms >= 0 {
		g.n[x.ms].mp = v
	} else {
		g.last[m] = v
	}
}

func (g *graph) unlink(v int32) {
	x := &g.n[v]
	if x.mp >= 0 {
		g.n[x.mp].ms = x.ms
	} else {
		g.first[x.machine] = x.ms
	}
	if x.ms >= 0 {
		g.n[x.ms].mp = x.mp
	} else {
		g.last[x.machine] = x.mp
	}
	x.mp, x.ms = -1, -1
}

// move takes v out and puts it in its given way right behind a, or first for
// -1. It computes the graph, or leaves it as it was and says false when that
// would close a cycle.
func (g *graph) move(v, way, a int32) bool {
	x := &g.n[v]
	was, wasWay := x.mp, x.way
	lo, hi := x.pos, x.pos
	if x.machine >= 0 {
		lo, hi = g.earlier(lo, x.ms), g.later(hi, x.mp)
		g.unlink(v)
	}
	g.use(v, way)
	if x.machine >= 0 {
		g.link(v, a)
		from, ok := g.reorder(v)
		if !ok {
			g.unlink(v)
			g.use(v, wasWay)
			if x.machine >= 0 {
				g.link(v, was)
			}
			return false
		}
		lo, hi = min(g.earlier(lo, x.ms), from), g.later(hi, x.mp)
	}
	g.heads(int(min(lo, x.pos)))
	g.tails(int(max(hi, x.pos)))
	return true
}

func (g *graph) use(v, way int32) {
	w := &g.c.ways[g.c.wayOff[v]+way]
	g.n[v].way, g.n[v].p, g.n[v].machine = way, w.p, w.machine
}

func (g *graph) earlier(pos, v int32) int32 {
	if v >= 0 {
		return min(pos, g.n[v].pos)
	}
	return pos
}

func (g *graph) later(pos, v int32) int32 {
	if v >= 0 {
		return max(pos, g.n[v].pos)
	}
	return pos
}

// reorder makes the order topological again after v was linked, and says from
// where on it changed; false for a cycle. Only the part between v and its new
// neighbour can be out of order.
func (g *graph) reorder(v int32) (from int32, ok bool) {
	x := &g.n[v]
	if a := x.mp; a >= 0 && g.n[a].pos > x.pos {
		from = x.pos
		return from, g.delay(from, g.n[a].pos)
	}
	if b := x.ms; b >= 0 && g.n[b].pos < x.pos {
		from = g.n[b].pos
		return from, g.advance(from, x.pos)
	}
	return x.pos, true
}

// delay moves what is at lo, and what depends on it, behind what is at hi.
func (g *graph) delay(lo, hi int32) bool {
	g.stamp++
	goal := g.order[hi]
	g.mark[g.order[lo]] = g.stamp
	g.buf = append(g.buf[:0], g.order[lo])
	k := lo
	for i := lo + 1; i <= hi; i++ {
		v := g.order[i]
		if g.depends(v) {
			if v == goal {
				return g.restore(lo, k)
			}
			g.mark[v] = g.stamp
			g.buf = append(g.buf, v)
			continue
		}
		g.order[k] = v
		k++
	}
	copy(g.order[k:hi+1], g.buf)
	g.number(lo, hi)
	return true
}

// restore puts back what delay took apart; positions tell where all was.
func (g *graph) restore(lo, k int32) bool {
	for i := k - 1; i >= lo; i-- {
		g.order[g.n[g.order[i]].pos] = g.order[i]
	}
	for _, v := range g.buf {
		g.order[g.n[v].pos] = v
	}
	return false
}

func (g *graph) depends(v int32) bool {
	if a := g.n[v].mp; a >= 0 && g.mark[a] == g.stamp {
		return true
	}
	for i, end := g.c.preOff[v], g.c.preOff[v+1]; i < end; i++ {
		if g.mark[g.c.pre[i].other] == g.stamp {
			return true
		}
	}
	return false
}

// advance moves what is at hi, and what it depends on, before what is at lo.
func (g *graph) advance(lo, hi int32) bool {
	g.stamp++
	goal := g.order[lo]
	g.mark[g.order[hi]] = g.stamp
	g.buf = append(g.buf[:0], g.order[hi])
	k := hi
	for i := hi - 1; i >= lo; i-- {
		v := g.order[i]
		if g.needed(v) {
			if v == goal {
				return g.restoreAdvanced(k, hi)
			}
			g.mark[v] = g.stamp
			g.buf = append(g.buf, v)
			continue
		}
		g.order[k] = v
		k--
	}
	for i, v := range g.buf {
		g.order[k-int32(i)] = v
	}
	g.number(lo, hi)
	return true
}

// restoreAdvanced is restore for advance.
func (g *graph) restoreAdvanced(k, hi int32) bool {
	for i := k + 1; i <= hi; i++ {
		g.order[g.n[g.order[i]].pos] = g.order[i]
	}
	for _, v := range g.buf {
		g.order[g.n[v].pos] = v
	}
	return false
}

func (g *graph) needed(v int32) bool {
	if b := g.n[v].ms; b >= 0 && g.mark[b] == g.stamp {
		return true
	}
	for i, end := g.c.sucOff[v], g.c.sucOff[v+1]; i < end; i++ {
		if g.mark[g.c.suc[i].other] == g.stamp {
			return true
		}
	}
	return false
}

func (g *graph) number(lo, hi int32) {
	for i := lo; i <= hi; i++ {
		g.n[g.order[i]].pos = i
	}
}

// heads computes starts from position i on, and the makespan.
func (g *graph) heads(i int) {
	latest := g.c.p.Origin
	if i > 0 {
		latest = g.ends[i-1]
	}
	for ; i < len(g.order); i++ {
		v := g.order[i]
		x := &g.n[v]
		h := g.c.release[v]
		for k, end := g.c.preOff[v], g.c.preOff[v+1]; k < end; k++ {
			a := &g.c.pre[k]
			y := &g.n[a.other]
			h = max(h, y.r+a.min+y.p&a.from-x.p&a.to)
		}
		x.jh = h
		if x.mp >= 0 {
			y := &g.n[x.mp]
			h = max(h, y.r+y.p)
		}
		x.r = h
		latest = max(latest, h+x.p)
		g.ends[i] = latest
	}
	g.span = latest
}

// tails computes tails from position i down.
func (g *graph) tails(i int) {
	for ; i >= 0; i-- {
		v := g.order[i]
		x := &g.n[v]
		t := x.p
		for k, end := g.c.sucOff[v], g.c.sucOff[v+1]; k < end; k++ {
			a := &g.c.suc[k]
			y := &g.n[a.other]
			t = max(t, a.min+x.p&a.from-y.p&a.to+y.q)
		}
		x.jt = t
		if x.ms >= 0 {
			t = max(t, x.p+g.n[x.ms].q)
		}
		x.q = t
	}
}

// headIn is jh of v with another duration.
func (g *graph) headIn(v int32, p int64) int64 {
	h := g.c.release[v]
	for _, a := range g.c.before(v) {
		y := &g.n[a.other]
		h = max(h, y.r+a.min+y.p&a.from-p&a.to)
	}
	return h
}

// tailIn is jt of v with another duration.
func (g *graph) tailIn(v int32, p int64) int64 {
	t := p
	for _, a := range g.c.after(v) {
		y := &g.n[a.other]
		t = max(t, a.min+p&a.from-y.p&a.to+y.q)
	}
	return t
}
