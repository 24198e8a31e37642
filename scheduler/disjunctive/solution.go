package disjunctive

import (
	"math"
	"slices"
)

// solution is a graph as data: a topological list and the ways.
type solution struct {
	cost int64
	list []int32
	way  []int32
	// key tells solutions apart.
	key uint64
}

func newSolution(c *compiled) solution {
	return solution{cost: math.MaxInt64, list: make([]int32, c.ops), way: make([]int32, c.ops)}
}

func (s *solution) copy(o *solution) {
	copy(s.list, o.list)
	copy(s.way, o.way)
	s.cost, s.key = o.cost, o.key
}

// take copies the graph's selection.
func (s *solution) take(g *graph, cost int64) {
	copy(s.list, g.order)
	for v := range s.way {
		s.way[v] = g.n[v].way
	}
	s.cost = cost
}

// sign computes key from ways and machine sequences.
func (s *solution) sign(c *compiled, last []uint64) {
	const prime = 1099511628211
	for m := range last {
		last[m] = 14695981039346656037
	}
	var key uint64
	for _, v := range s.list {
		w := c.ways[c.wayOff[v]+s.way[v]]
		if w.machine >= 0 {
			last[w.machine] = (last[w.machine] ^ uint64(v)) * prime
		}
		key += (uint64(v)<<16 ^ uint64(s.way[v])) * 0x9e3779b97f4a7c15
	}
	for m, h := range last {
		key ^= h * (2*uint64(m) + 1)
	}
	s.key = key
}

// builder makes solutions by appending operations, one by one.
type builder struct {
	c     *compiled
	waits []int32
	ready []int32
	key   []int64 // by operation: less goes first
	start []int64
	end   []int64
	free  []int64 // by machine
}

func newBuilder(c *compiled) *builder {
	return &builder{
		c: c, waits: make([]int32, c.ops), ready: make([]int32, 0, c.ops), key: make([]int64, c.ops),
		start: make([]int64, c.ops), end: make([]int64, c.ops), free: make([]int64, c.p.Machines),
	}
}

func (b *builder) reset() {
	c := b.c
	b.ready = b.ready[:0]
	for v := range b.waits {
		if b.waits[v] = c.preOff[v+1] - c.preOff[v]; b.waits[v] == 0 {
			b.ready = append(b.ready, int32(v))
		}
	}
	for m := range b.free {
		b.free[m] = c.p.Origin
	}
}

// pop takes the ready operation with the least key.
func (b *builder) pop() int32 {
	k := 0
	for i, v := range b.ready {
		if u := b.ready[k]; b.key[v] < b.key[u] || b.key[v] == b.key[u] && v < u {
			k = i
		}
	}
	return b.takeReady(k)
}

func (b *builder) takeReady(k int) int32 {
	v := b.ready[k]
	b.ready[k] = b.ready[len(b.ready)-1]
	b.ready = b.ready[:len(b.ready)-1]
	for _, a := range b.c.after(v) {
		if b.waits[a.other]--; b.waits[a.other] == 0 {
			b.ready = append(b.ready, a.other)
		}
	}
	return v
}

// place appends v to the machine of a way.
func (b *builder) place(v, k int32) {
	w := &b.c.ways[b.c.wayOff[v]+k]
	b.start[v] = b.earliest(v, w)
	b.end[v] = b.start[v] + w.p
	if w.machine >= 0 {
		b.free[w.machine] = b.end[v]
	}
}

func (b *builder) earliest(v int32, w *way) int64 {
	t := b.c.release[v]
	if w.machine >= 0 {
		t = max(t, b.free[w.machine])
	}
	for _, a := range b.c.before(v) {
		t = max(t, b.start[a.other]+a.min+(b.end[a.other]-b.start[a.other])&a.from-w.p&a.to)
	}
	return t
}

// soonest is the way in which v would end first.
func (b *builder) soonest(v int32) (way int32, start, end int64) {
	end = math.MaxInt64
	ways := b.c.waysOf(v)
	for k := range ways {
		if s := b.earliest(v, &ways[k]); s+ways[k].p < end {
			way, start, end = int32(k), s, s+ways[k].p
		}
	}
	return way, start, end
}

// dispatch builds a schedule in time: of the operations that can start before
// any could end, the one of the least key goes first (Giffler & Thompson 1960);
// each takes the way in which it ends first.
func (b *builder) dispatch(s *solution) {
	b.reset()
	for i := range s.list {
		soon := int64(math.MaxInt64)
		for _, v := range b.ready {
			_, _, e := b.soonest(v)
			soon = min(soon, e)
		}
		k := -1
		for j, v := range b.ready {
			_, at, e := b.soonest(v)
			if at >= soon && e > soon {
				continue
			}
			if k < 0 || b.key[v] < b.key[b.ready[k]] || b.key[v] == b.key[b.ready[k]] && v < b.ready[k] {
				k = j
			}
		}
		v := b.takeReady(k)
		w, _, _ := b.soonest(v)
		b.place(v, w)
		s.list[i], s.way[v] = v, w
	}
}

// list orders s by keys as far as lags allow.
func (b *builder) list(s *solution) {
	b.reset()
	for i := range s.list {
		s.list[i] = b.pop()
	}
}

// schedule turns a graph's solution into the schedule handed out.
func (s *solution) schedule(g *graph) *Schedule {
	g.set(s.list, s.way)
	out := &Schedule{Cost: s.cost, Way: make([]int, len(s.way)), Start: make([]int64, len(s.way)), Order: make([]int, len(s.list))}
	for v := range s.way {
		out.Way[v], out.Start[v] = int(s.way[v]), g.n[v].r
	}
	for i, v := range s.list {
		out.Order[i] = int(v)
	}
	slices.SortStableFunc(out.Order, func(a, b int) int {
		switch {
		case out.Start[a] < out.Start[b]:
			return -1
		case out.Start[a] > out.Start[b]:
			return 1
		}
		return 0
	})
	return out
}
