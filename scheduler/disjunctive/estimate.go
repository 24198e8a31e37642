package disjunctive

import (
	"math"
	"math/rand/v2"
)

// never is worse than any estimate.
const never = math.MaxInt64

// block is a run of a critical path on one machine, in its sequence.
type block struct{ from, to int } // path[from:to]

// critical draws one critical path into path, and cuts it into blocks.
func (t *tabu) critical() {
	g := t.g
	v := t.lastCritical()
	t.path = t.path[:0]
	for v >= 0 {
		t.path = append(t.path, v)
		v = g.tight(v, t.r)
	}
	for i, j := 0, len(t.path)-1; i < j; i, j = i+1, j-1 {
		t.path[i], t.path[j] = t.path[j], t.path[i]
	}
	t.blocks = t.blocks[:0]
	for i := 0; i < len(t.path); {
		k := i + 1
		for k < len(t.path) && g.n[t.path[k]].mp == t.path[k-1] {
			k++
		}
		t.blocks = append(t.blocks, block{i, k})
		i = k
	}
}

// lastCritical draws an operation that ends last.
func (t *tabu) lastCritical() int32 {
	v, n := int32(-1), 0
	for _, e := range t.g.c.ends {
		if x := &t.g.n[e]; x.r+x.p == t.g.span {
			if n++; n == 1 || t.r.IntN(n) == 0 {
				v = e
			}
		}
	}
	return v
}

// tight draws what v waits for, -1 when it starts at its release.
func (g *graph) tight(v int32, r *rand.Rand) int32 {
	x := &g.n[v]
	if x.r == g.c.release[v] {
		return -1
	}
	u, n := int32(-1), 0
	if x.mp >= 0 {
		if y := &g.n[x.mp]; y.r+y.p == x.r {
			u, n = x.mp, 1
		}
	}
	for i, end := g.c.preOff[v], g.c.preOff[v+1]; i < end; i++ {
		a := &g.c.pre[i]
		y := &g.n[a.other]
		if a.other != u && y.r+a.min+y.p&a.from-x.p&a.to == x.r {
			if n++; n == 1 || r.IntN(n) == 0 {
				u = a.other
			}
		}
	}
	return u
}

// mayFollow says that v may come behind a on its machine: no path leads from
// what lags let follow v to a. It is sufficient, not necessary.
func (g *graph) mayFollow(v, a int32) bool {
	x := &g.n[a]
	for i, end := g.c.sucOff[v], g.c.sucOff[v+1]; i < end; i++ {
		s := g.c.suc[i].other
		y := &g.n[s]
		if y.pos > x.pos || g.c.plain && s != a && x.r < y.r+y.p {
			continue
		}
		return false
	}
	return true
}

// mayLead says that v may come before b: no path leads from b to what v lags
// behind.
func (g *graph) mayLead(v, b int32) bool {
	x := &g.n[b]
	for i, end := g.c.preOff[v], g.c.preOff[v+1]; i < end; i++ {
		s := g.c.pre[i].other
		y := &g.n[s]
		if y.pos < x.pos || g.c.plain && s != b && y.r < x.r+x.p {
			continue
		}
		return false
	}
	return true
}

// behind estimates the makespan when seg[0] moves right behind seg[len-1]: the
// longest path through an operation of seg, with the heads and tails around it
// as they are (Taillard 1994, Balas & Vazacopoulos 1998). It stops at more than
// limit.
func (g *graph) behind(seg []int32, heads []int64, limit int64) int64 {
	u := seg[0]
	x := &g.n[u]
	v := &g.n[seg[len(seg)-1]]
	var h int64 // the end of what comes before
	if x.mp >= 0 {
		h = g.n[x.mp].r + g.n[x.mp].p
	} else {
		h = g.c.p.Origin
	}
	heads = heads[:0]
	for _, l := range seg[1:] {
		y := &g.n[l]
		h = max(h, y.jh)
		heads = append(heads, h)
		h += y.p
	}
	h = max(h, x.jh)
	q := x.jt
	if v.ms >= 0 {
		q = max(q, x.p+g.n[v.ms].q)
	}
	est := h + q
	for i := len(seg) - 1; i > 0 && est <= limit; i-- {
		y := &g.n[seg[i]]
		q = max(y.jt, y.p+q)
		est = max(est, heads[i-1]+q)
	}
	return est
}

// ahead estimates the makespan when seg[len-1] moves right before seg[0].
func (g *graph) ahead(seg []int32, heads []int64, limit int64) int64 {
	last := len(seg) - 1
	v := &g.n[seg[last]]
	x := &g.n[seg[0]]
	h := v.jh
	if x.mp >= 0 {
		h = max(h, g.n[x.mp].r+g.n[x.mp].p)
	}
	first := h
	h += v.p
	heads = heads[:0]
	for _, l := range seg[:last] {
		y := &g.n[l]
		h = max(h, y.jh)
		heads = append(heads, h)
		h += y.p
	}
	var q, est int64
	if v.ms >= 0 {
		q = g.n[v.ms].q
	}
	for i := last - 1; i >= 0; i-- {
		y := &g.n[seg[i]]
		q = max(y.jt, y.p+q)
		if est = max(est, heads[i]+q); est > limit {
			return est
		}
	}
	return max(est, first+max(v.jt, v.p+q))
}

// insertion is where to put an operation on a machine.
type insertion struct {
	after int32
	est   int64
}

// insert finds the best place for v on machine m with duration p by the longest
// path through v. Only places between what ends too late to come before v at no
// cost, and what starts too early to come after it at no cost, can be best
// (Mastrolilli & Gambardella 2000). v is not on m.
func (g *graph) insert(v, m int32, p int64) insertion {
	head, tail := g.headIn(v, p), g.tailIn(v, p)
	rest := tail - p
	best := insertion{est: never}
	a, b := int32(-1), g.first[m]
	for b >= 0 && g.n[b].r+g.n[b].p <= head {
		a, b = b, g.n[b].ms
	}
	for {
		h, q := head, tail
		if a >= 0 {
			h = max(h, g.n[a].r+g.n[a].p)
		}
		if b >= 0 {
			q = max(q, p+g.n[b].q)
		}
		if est := h + q; est < best.est && (a < 0 || g.mayFollow(v, a)) && (b < 0 || g.mayLead(v, b)) {
			best = insertion{after: a, est: est}
		}
		if b < 0 || g.n[b].q <= rest {
			return best
		}
		a, b = b, g.n[b].ms
	}
}
