package disjunctive

import (
	"math"
	"math/rand/v2"
)

// climb is late acceptance hill climbing (Burke & Bykov, EJOR 258, 2017) for
// objectives that look at every job: a step turns a pair around, moves an
// operation along its machine, or changes its way, on the path that decides the
// finish of a job that costs something. Every step is carried out.
type climb struct {
	g      *graph
	r      *rand.Rand
	finish []int64
	gain   []int64 // by job: what an earlier finish may save, cumulated
	path   []int32
	cost   int64
	late   []int64
	i      int
	top    int64
	since  int
}

// lateSteps is the length of the memory.
const lateSteps = 60

func newClimb(c *compiled, r *rand.Rand) *climb {
	return &climb{g: newGraph(c), r: r, finish: make([]int64, len(c.p.Jobs)), gain: make([]int64, len(c.p.Jobs)+1),
		path: make([]int32, 0, c.ops), late: make([]int64, lateSteps)}
}

func (t *climb) state() (*graph, int64, int) { return t.g, t.cost, t.since }

func (t *climb) begin(s *solution) {
	t.g.set(s.list, s.way)
	t.cost = t.price()
	for i := range t.late { // some way up is open, less and less
		t.late[i] = t.cost + t.cost*int64(i)/(4*lateSteps)
	}
	t.top, t.since = t.cost, 0
}

func (t *climb) price() int64 {
	t.g.finishes(t.finish)
	return t.g.c.price(t.g.span, t.finish)
}

func (t *climb) advance() bool {
	t.since++
	t.trace()
	v, way, after, ok := t.draw()
	if !ok {
		return t.since < lateSteps
	}
	was, wasAfter := t.g.n[v].way, t.g.n[v].mp
	if !t.g.move(v, way, after) {
		return true
	}
	cost := t.price()
	slot := &t.late[t.i%len(t.late)]
	t.i++
	if cost <= t.cost || cost <= *slot {
		t.cost = cost
	} else {
		t.g.move(v, was, wasAfter)
	}
	*slot = min(*slot, t.cost)
	if t.cost < t.top {
		t.top, t.since = t.cost, 0
	}
	return true
}

// trace follows a path back from the last operation of a job that costs
// something, or from the end of everything.
func (t *climb) trace() {
	c := t.g.c
	var sum int64
	for j := range c.p.Jobs {
		gain := c.jobPrice(j, t.finish[j])
		if c.p.Weights.Flow == 0 && gain < 0 {
			gain = 0
		}
		sum += max(0, gain)
		t.gain[j] = sum
	}
	sum += c.p.Weights.Makespan * (t.g.span - c.p.Origin)
	t.path = t.path[:0]
	if sum == 0 {
		return
	}
	x := t.r.Int64N(sum)
	v := int32(-1)
	for j := range c.p.Jobs {
		if x < t.gain[j] {
			v = t.lastOf(j)
			break
		}
	}
	if v < 0 {
		v = t.lastOfAll()
	}
	for v >= 0 {
		t.path = append(t.path, v)
		v = t.g.tight(v, t.r)
	}
}

func (t *climb) lastOf(j int) int32 {
	v, end := int32(-1), int64(math.MinInt64)
	for _, u := range t.g.c.jobOps[t.g.c.jobOff[j]:t.g.c.jobOff[j+1]] {
		if e := t.g.n[u].r + t.g.n[u].p; e > end {
			v, end = u, e
		}
	}
	return v
}

func (t *climb) lastOfAll() int32 {
	for _, e := range t.g.c.ends {
		if x := &t.g.n[e]; x.r+x.p == t.g.span {
			return e
		}
	}
	return -1
}

// draw makes a move of an operation on the path, which runs backwards in time.
func (t *climb) draw() (v, way, after int32, ok bool) {
	if len(t.path) == 0 {
		return 0, 0, 0, false
	}
	g := t.g
	for range 2 * len(t.path) {
		v := t.path[t.r.IntN(len(t.path))]
		if t.r.IntN(16) == 0 {
			v = int32(t.r.IntN(g.c.ops))
		}
		x := &g.n[v]
		if ways := g.c.waysOf(v); len(ways) > 1 && t.r.IntN(4) == 0 {
			k := int32(t.r.IntN(len(ways)))
			if k == x.way {
				continue
			}
			w := &ways[k]
			switch {
			case w.machine < 0:
				return v, k, -1, true
			case w.machine == x.machine:
				return v, k, x.mp, true
			}
			if t.r.IntN(2) == 0 {
				if in := g.insert(v, w.machine, w.p); in.est < never {
					return v, k, in.after, true
				}
			} else if a, ok := t.anywhere(v, w.machine); ok {
				return v, k, a, true
			}
			continue
		}
		if x.machine >= 0 && t.r.IntN(16) == 0 {
			if a, ok := t.anywhere(v, x.machine); ok && a != v {
				return v, x.way, a, true
			}
		}
		u := x.mp
		if u < 0 || g.n[u].r+g.n[u].p < x.r {
			continue
		}
		// v goes before some of what keeps it waiting.
		for t.r.IntN(3) == 0 && g.n[u].mp >= 0 && g.n[g.n[u].mp].r+g.n[g.n[u].mp].p == g.n[u].r {
			u = g.n[u].mp
		}
		if g.mayLead(v, u) {
			return v, x.way, g.n[u].mp, true
		}
		if u = x.mp; g.mayFollow(u, v) {
			return u, g.n[u].way, v, true
		}
	}
	return 0, 0, 0, false
}

// anywhere draws a place for v on machine m.
func (t *climb) anywhere(v, m int32) (after int32, ok bool) {
	g, n := t.g, 0
	for a, b := int32(-1), g.first[m]; ; a, b = b, g.n[b].ms {
		if (a < 0 || g.mayFollow(v, a)) && (b < 0 || g.mayLead(v, b)) {
			if n++; t.r.IntN(n) == 0 {
				after = a
			}
		}
		if b < 0 {
			return after, n > 0
		}
	}
}
