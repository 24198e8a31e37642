package disjunctive

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// anySolution draws a topological list and ways.
func anySolution(c *compiled, r *rand.Rand) *solution {
	s := newSolution(c)
	b := newBuilder(c)
	for v := range c.ops {
		b.key[v] = r.Int64N(1000)
		s.way[v] = int32(r.IntN(len(c.waysOf(int32(v)))))
	}
	b.list(&s)
	return &s
}

// picture is all that a graph says of an operation but its place in the order.
func picture(g *graph) []node {
	out := slices.Clone(g.n)
	for i := range out {
		out[i].pos = 0
	}
	return out
}

func checkOrder(t *testing.T, g *graph) {
	t.Helper()
	for i, v := range g.order {
		if g.n[v].pos != int32(i) {
			t.Fatalf("operation %d is at %d, says %d", v, i, g.n[v].pos)
		}
		if a := g.n[v].mp; a >= 0 && g.n[a].pos > int32(i) {
			t.Fatalf("%d stands before %d of its machine", v, a)
		}
		for _, a := range g.c.before(v) {
			if g.n[a.other].pos > int32(i) {
				t.Fatalf("%d stands before %d by lag", v, a.other)
			}
		}
	}
}

// drawMove draws any move, possible or not.
func drawMove(g *graph, r *rand.Rand) (v, way, after int32) {
	v = int32(r.IntN(g.c.ops))
	ways := g.c.waysOf(v)
	way, after = int32(r.IntN(len(ways))), -1
	m := ways[way].machine
	if m < 0 {
		return v, way, -1
	}
	on := []int32{-1}
	for u := g.first[m]; u >= 0; u = g.n[u].ms {
		if u != v {
			on = append(on, u)
		}
	}
	return v, way, on[r.IntN(len(on))]
}

// TestMovesLeaveLongestPaths: after each move, and after each refused one,
// heads, tails, sequences and order are those of a graph built from scratch,
// and a schedule built without the graph agrees. A move is refused only for a
// cycle.
func TestMovesLeaveLongestPaths(t *testing.T) {
	for seed := range uint64(300) {
		r := seeded(seed)
		p := draw(r, shape{ops: 2 + r.IntN(14), machines: 1 + r.IntN(4), jobs: 3, flexible: r.IntN(2) == 0, anyLag: r.IntN(2) == 0, weights: Weights{1, 1, 1}})
		c, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		g, fresh := newGraph(c), newGraph(c)
		s := anySolution(c, r)
		g.set(s.list, s.way)
		refused := 0
		for range 60 {
			was := picture(g)
			v, way, after := drawMove(g, r)
			if g.move(v, way, after) {
				if g.n[v].way != way || g.n[v].machine >= 0 && g.n[v].mp != after {
					t.Fatalf("seed %d: %d went elsewhere", seed, v)
				}
			} else {
				refused++
				if !slices.Equal(was, picture(g)) {
					t.Fatalf("seed %d: a refused move left a trace", seed)
				}
				if !closesCycle(g, v, way, after) {
					t.Fatalf("seed %d: a move without a cycle was refused", seed)
				}
			}
			checkOrder(t, g)
			s.take(g, 0)
			fresh.set(s.list, s.way)
			if !slices.Equal(picture(fresh), picture(g)) || fresh.span != g.span {
				t.Fatalf("seed %d: heads or tails differ from those computed afresh", seed)
			}
			list, ways := ints(s.list), ints(s.way)
			at, _ := starts(p, list, ways)
			for v := range at {
				if at[v] != g.n[v].r {
					t.Fatalf("seed %d: operation %d starts at %d, head %d", seed, v, at[v], g.n[v].r)
				}
				if g.n[v].r+g.n[v].q > g.span {
					t.Fatalf("seed %d: a path through %d is longer than the makespan", seed, v)
				}
			}
		}
	}
}

func ints(list []int32) []int {
	out := make([]int, len(list))
	for i, v := range list {
		out[i] = int(v)
	}
	return out
}

// closesCycle says that v cannot come behind after: what follows there leads to
// v, or v leads to what goes before.
func closesCycle(g *graph, v, way, after int32) bool {
	m := g.c.waysOf(v)[way].machine
	next := g.first[m]
	if after >= 0 {
		next = g.n[after].ms
	}
	if next == v {
		next = g.n[v].ms
	}
	reach := func(from, to int32) bool {
		seen := make([]bool, g.c.ops)
		var visit func(u int32) bool
		visit = func(u int32) bool {
			if u == to {
				return true
			}
			if seen[u] {
				return false
			}
			seen[u] = true
			ms := g.n[u].ms
			if ms == v { // v is taken out
				ms = g.n[v].ms
			}
			if u != v && ms >= 0 && visit(ms) {
				return true
			}
			return slices.ContainsFunc(g.c.after(u), func(a arc) bool { return visit(a.other) })
		}
		return visit(from)
	}
	return next >= 0 && reach(next, v) || after >= 0 && reach(v, after)
}

// TestEstimates: turning a pair around is estimated exactly as the longest path
// through either; an insertion is never estimated below the longest path
// through it; what mayFollow and mayLead allow closes no cycle.
func TestEstimates(t *testing.T) {
	pairs, insertions, runs := 0, 0, 0
	for seed := range uint64(400) {
		r := seeded(seed)
		p := draw(r, shape{ops: 4 + r.IntN(16), machines: 1 + r.IntN(3), jobs: 3, flexible: seed%2 == 0, anyLag: seed%4 < 2, weights: Weights{Makespan: 1}})
		c, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		g := newGraph(c)
		heads := make([]int64, 0, c.ops)
		for range 20 {
			s := anySolution(c, r)
			g.set(s.list, s.way)
			u := int32(r.IntN(c.ops))
			v := g.n[u].ms
			if v >= 0 && g.mayFollow(u, v) {
				est := g.behind([]int32{u, v}, heads, never)
				if g.mayLead(v, u) {
					if other := g.ahead([]int32{u, v}, heads, never); other != est {
						t.Fatalf("seed %d: the same exchange is estimated at %d and %d", seed, est, other)
					}
				}
				if !g.move(u, g.n[u].way, v) {
					t.Fatalf("seed %d: mayFollow allowed a cycle", seed)
				}
				if got := max(g.n[u].r+g.n[u].q, g.n[v].r+g.n[v].q); got != est {
					t.Fatalf("seed %d: exchange estimated at %d, is %d", seed, est, got)
				}
				pairs++
			}
			runs += runMove(t, seed, g, r)
			insertions += insertMove(t, seed, g, r)
		}
	}
	if pairs < 500 || insertions < 200 || runs < 500 {
		t.Errorf("only %d exchanges, %d insertions and %d longer moves were tried", pairs, insertions, runs)
	}
}

// runMove moves over several operations where mayFollow or mayLead allow it.
func runMove(t *testing.T, seed uint64, g *graph, r *rand.Rand) int {
	t.Helper()
	u := int32(r.IntN(g.c.ops))
	v := u
	for range 1 + r.IntN(4) {
		if g.n[v].ms >= 0 {
			v = g.n[v].ms
		}
	}
	switch {
	case u == v:
		return 0
	case r.IntN(2) == 0 && g.mayFollow(u, v):
		if !g.move(u, g.n[u].way, v) {
			t.Fatalf("seed %d: mayFollow allowed a cycle", seed)
		}
	case g.mayLead(v, u):
		if !g.move(v, g.n[v].way, g.n[u].mp) {
			t.Fatalf("seed %d: mayLead allowed a cycle", seed)
		}
	}
	return 1
}

func insertMove(t *testing.T, seed uint64, g *graph, r *rand.Rand) int {
	t.Helper()
	v := int32(r.IntN(g.c.ops))
	ways := g.c.waysOf(v)
	k := int32(r.IntN(len(ways)))
	if ways[k].machine < 0 || ways[k].machine == g.n[v].machine {
		return 0
	}
	in := g.insert(v, ways[k].machine, ways[k].p)
	if in.est == never {
		return 0
	}
	if !g.move(v, k, in.after) {
		t.Fatalf("seed %d: an insertion closes a cycle", seed)
	}
	if got := g.n[v].r + g.n[v].q; got > in.est {
		t.Fatalf("seed %d: insertion estimated at %d, is %d", seed, in.est, got)
	}
	return 1
}
