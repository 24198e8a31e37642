package disjunctive

import (
	"math"
	"math/rand/v2"
)

// late is a tabu search for objectives that look at every job: it follows the
// critical paths of a few jobs that cost something (Mati, Dauzère-Pérès &
// Lahlou, EJOR 212, 2011), and estimates what moves on them cost from the tails
// to the end of each job. The makespan is one job more, of all operations.
type late struct {
	tabu  // moves and what is forbidden
	cols  []column
	colOf []int32 // by job, -1 for one without a price
	// tail and lag are by operation and column: the longest path from its
	// start to the end of the column's job, by all arcs and by lags alone.
	tail, lag []int64
	finish    []int64 // by column
	gain      []int64 // by column: what an earlier finish would save, cumulated
	est       []int64 // by column
	cur       []int64 // by column
	rest      []int64 // by column
	order     []int32 // a segment as it would be
	seen      []uint32
	stamp     uint32
	price     int64
}

// column is a job with a price.
type column struct {
	tariff
	least int64 // its least finish
}

const noPath = math.MinInt64 / 4

// cellsMax bounds operations times jobs with a price: the memory of tails.
const cellsMax = 1 << 20

// pathsMax is how many jobs' paths are followed in a step.
const pathsMax = 5

// kickEvery is after how many steps without a new best one move is drawn at
// random.
const kickEvery = 100

// columns are the jobs with a price, and the makespan when it has one.
func (c *compiled) columns() (cols []column, colOf []int32) {
	w := &c.p.Weights
	head := c.leastHeads()
	colOf = make([]int32, len(c.p.Jobs))
	span := c.p.Origin
	for j := range c.p.Jobs {
		job := &c.p.Jobs[j]
		ops := c.jobOps[c.jobOff[j]:c.jobOff[j+1]]
		f := column{tariff: tariff{due: noDue, flow: w.Flow * job.Weight}, least: math.MinInt64}
		if job.HasDue {
			f.due, f.tard = job.Due, w.Tardiness*job.Weight
		}
		for _, v := range ops {
			f.least = max(f.least, head[v]+c.least[v])
		}
		span = max(span, f.least)
		colOf[j] = -1
		if len(ops) > 0 && (f.tard > 0 || f.flow > 0) {
			colOf[j] = int32(len(cols))
			cols = append(cols, f)
		}
	}
	if w.Makespan > 0 {
		cols = append(cols, column{tariff: tariff{due: noDue, flow: w.Makespan}, least: span})
	}
	return cols, colOf
}

func newLate(c *compiled, r *rand.Rand) *late {
	t := &late{tabu: *newTabu(c, r)}
	t.cols, t.colOf = c.columns()
	n := len(t.cols)
	t.tail, t.lag = make([]int64, n*c.ops), make([]int64, n*c.ops)
	t.finish, t.gain, t.est, t.cur, t.rest = make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n)
	t.order, t.seen = make([]int32, 0, c.ops), make([]uint32, c.ops)
	return t
}

func (t *late) state() (*graph, int64, int) { return t.g, t.price, t.since }

func (t *late) begin(s *solution) {
	t.tabu.begin(s)
	t.look()
	t.best = t.price
}

// look reads finishes, the price and tails off the graph. Prices are those of
// Problem, the constant of flow times and origin included.
func (t *late) look() {
	g := t.g
	n := len(t.cols)
	for k := range t.finish {
		t.finish[k] = math.MinInt64
	}
	if g.c.p.Weights.Makespan > 0 {
		t.finish[n-1] = g.span
	}
	for i := len(g.order) - 1; i >= 0; i-- {
		v := g.order[i]
		x := &g.n[v]
		k := t.colOf[g.c.job[v]]
		lag := t.lag[int(v)*n : int(v)*n+n]
		t.lagTails(v, x.p, lag)
		if k >= 0 {
			t.finish[k] = max(t.finish[k], x.r+x.p)
		}
		tail := t.tail[int(v)*n : int(v)*n+n]
		copy(tail, lag)
		if x.ms >= 0 {
			next := t.tail[int(x.ms)*n : int(x.ms)*n+n]
			for j, q := range next {
				tail[j] = max(tail[j], x.p+q)
			}
		}
	}
	t.price = g.c.offset
	for k := range t.cols {
		t.price += t.cols[k].at(t.finish[k])
	}
}

// lagTails writes the tails of v by lags alone, when it takes p.
func (t *late) lagTails(v int32, p int64, out []int64) {
	g := t.g
	n := len(t.cols)
	for j := range out {
		out[j] = noPath
	}
	if k := t.colOf[g.c.job[v]]; k >= 0 {
		out[k] = p
	}
	if g.c.p.Weights.Makespan > 0 {
		out[n-1] = p
	}
	for i, end := g.c.sucOff[v], g.c.sucOff[v+1]; i < end; i++ {
		a := &g.c.suc[i]
		y := &g.n[a.other]
		d := a.min + p&a.from - y.p&a.to
		next := t.tail[int(a.other)*n : int(a.other)*n+n]
		for j, q := range next {
			out[j] = max(out[j], d+q)
		}
	}
}

func (t *late) row(v int32) []int64 {
	n := len(t.cols)
	return t.tail[int(v)*n : int(v)*n+n]
}

// advance makes one step; false when no job can gain, or no move is left.
func (t *late) advance() bool {
	t.step++
	t.since++
	t.choice = choice{top: candidate{est: never}}
	if t.since%kickEvery == 0 {
		t.kick()
	} else if !t.search() {
		return false
	}
	t.look()
	if t.price < t.best {
		t.best, t.since = t.price, 0
	}
	return true
}

// search carries the best move on a few critical paths out.
func (t *late) search() bool {
	var sum int64
	for k := range t.cols {
		c := &t.cols[k]
		sum += c.at(t.finish[k]) - c.at(c.least)
		t.gain[k] = sum
	}
	if sum <= 0 {
		return false
	}
	t.stamp++
	for range min(pathsMax, len(t.cols)) {
		x := t.r.Int64N(sum)
		k := 0
		for t.gain[k] <= x {
			k++
		}
		t.follow(k)
	}
	m := t.top
	if m.est == never {
		if t.forbidden == 0 {
			t.kick()
			return true
		}
		m = t.fallback
	}
	t.path = t.path[:0]
	if m.seg > 0 { // the segment as carryOut reads it
		for v, i := int32(m.at), 0; i < m.seg; v, i = t.g.n[v].ms, i+1 {
			t.path = append(t.path, v)
		}
		m.at = 0
	}
	t.carryOut(&m)
	return true
}

// follow offers the moves on the critical path of column k. What another path
// has offered in this step is passed over.
func (t *late) follow(k int) {
	g := t.g
	v := t.endOf(k)
	for v >= 0 {
		u := g.tight(v, t.r)
		if t.seen[v] != t.stamp {
			t.seen[v] = t.stamp
			if u >= 0 && u == g.n[v].mp {
				t.offerBlock(v)
			}
			if len(g.c.waysOf(v)) > 1 {
				t.offerWays(v)
			}
		}
		v = u
	}
}

// endOf is the operation that ends column k.
func (t *late) endOf(k int) int32 {
	g := t.g
	if g.c.p.Weights.Makespan > 0 && k == len(t.cols)-1 {
		return t.lastCritical()
	}
	for i := len(g.order) - 1; i >= 0; i-- {
		v := g.order[i]
		if int(t.colOf[g.c.job[v]]) == k && g.n[v].r+g.n[v].p == t.finish[k] {
			return v
		}
	}
	return -1
}

// offerBlock offers to exchange v with what keeps it waiting on its machine,
// and to move one of them past a few more; how many is drawn.
func (t *late) offerBlock(v int32) {
	g := t.g
	u := g.n[v].mp
	t.offerRun(u, v, 2, true)
	long := 3 + t.r.IntN(segmentMax-2)
	n := 2
	for w := g.n[u].mp; n < long && w >= 0 && g.n[w].r+g.n[w].p >= g.n[u].r; w = g.n[u].mp {
		u = w
		n++
	}
	if n > 2 {
		t.offerRun(u, v, n, t.r.IntN(2) == 0)
	}
}

// offerRun offers to move over the n operations from u to v.
func (t *late) offerRun(u, v int32, n int, ahead bool) {
	g := t.g
	t.order = t.order[:0]
	for x := u; len(t.order) < n; x = g.n[x].ms {
		t.order = append(t.order, x)
	}
	c := candidate{at: int(u), seg: n, ahead: ahead}
	if ahead {
		c.v, c.way, c.after = v, g.n[v].way, g.n[u].mp
		if g.mayLead(v, u) {
			t.offerSegment(c)
		}
		return
	}
	c.v, c.way, c.after = u, g.n[u].way, v
	if g.mayFollow(u, v) {
		t.offerSegment(c)
	}
}

// segmentMax bounds the operations that a move passes.
const segmentMax = 8

// offerSegment prices a move over t.order, the segment as it is.
func (t *late) offerSegment(c candidate) {
	g := t.g
	seg := t.order
	n := len(seg)
	forbidden := t.forbids(seg, c.ahead)
	for j := range t.est {
		t.est[j] = t.cols[j].least
		t.rest[j] = noPath
		t.cur[j] = noPath
	}
	if ms := g.n[seg[n-1]].ms; ms >= 0 {
		copy(t.cur, t.row(ms))
	}
	at := func(i int) int32 { // the segment as it would be
		switch {
		case c.ahead && i == 0:
			return seg[n-1]
		case c.ahead:
			return seg[i-1]
		case i == n-1:
			return seg[0]
		}
		return seg[i+1]
	}
	h := g.c.p.Origin
	if mp := g.n[seg[0]].mp; mp >= 0 {
		h = g.n[mp].r + g.n[mp].p
	}
	t.heads = t.heads[:0]
	for i := range n {
		x := &g.n[at(i)]
		h = max(h, x.jh)
		t.heads = append(t.heads, h)
		h += x.p
	}
	cols := len(t.cols)
	for i := n - 1; i >= 0; i-- {
		v := at(i)
		x := &g.n[v]
		lag, old := t.lag[int(v)*cols:int(v)*cols+cols], t.tail[int(v)*cols:int(v)*cols+cols]
		head := t.heads[i]
		for j := range lag {
			q := max(lag[j], x.p+t.cur[j])
			t.cur[j] = q
			t.est[j] = max(t.est[j], head+q)
			t.rest[j] = max(t.rest[j], x.r+old[j])
		}
	}
	c.est = g.c.offset
	for j := range t.est {
		e := t.est[j]
		if t.rest[j] < t.finish[j] { // a longest path avoids the segment
			e = max(e, t.finish[j])
		}
		c.est += t.cols[j].at(e)
	}
	t.offer(&c, forbidden)
}

// offerWays prices the other ways of v at every place that is allowed.
func (t *late) offerWays(v int32) {
	g := t.g
	x := &g.n[v]
	own := t.row(v)
	for j := range t.rest {
		t.rest[j] = t.finish[j]
		if x.r+own[j] == t.finish[j] {
			t.rest[j] = t.cols[j].least
		}
	}
	if x.ms >= 0 { // what follows moves up
		y := &g.n[x.ms]
		h := y.jh
		if x.mp >= 0 {
			h = max(h, g.n[x.mp].r+g.n[x.mp].p)
		}
		for j, q := range t.row(x.ms) {
			t.rest[j] = max(t.rest[j], h+q)
		}
	}
	ways := g.c.waysOf(v)
	for k := range ways {
		if int32(k) == x.way {
			continue
		}
		w := &ways[k]
		forbidden := t.way[g.c.wayOff[v]+int32(k)] > t.step
		head := g.headIn(v, w.p)
		t.lagTails(v, w.p, t.est)
		c := candidate{v: v, way: int32(k), after: -1}
		switch {
		case w.machine < 0:
			t.offerPlace(c, head, w.p, -1, forbidden)
		case w.machine == x.machine:
			c.after = x.mp
			if x.mp >= 0 {
				head = max(head, g.n[x.mp].r+g.n[x.mp].p)
			}
			t.offerPlace(c, head, w.p, x.ms, forbidden)
		default:
			for a, b := int32(-1), g.first[w.machine]; ; a, b = b, g.n[b].ms {
				if (a < 0 || g.mayFollow(v, a)) && (b < 0 || g.mayLead(v, b)) {
					c.after = a
					h := head
					if a >= 0 {
						h = max(h, g.n[a].r+g.n[a].p)
					}
					t.offerPlace(c, h, w.p, b, forbidden)
				}
				if b < 0 {
					break
				}
			}
		}
	}
}

// offerPlace prices a way that starts at head before b; t.est holds its tails
// by lags.
func (t *late) offerPlace(c candidate, head, p int64, b int32, forbidden bool) {
	c.est = t.g.c.offset
	var next []int64
	if b >= 0 {
		next = t.row(b)
	}
	for j := range t.cols {
		q := t.est[j]
		if next != nil {
			q = max(q, p+next[j])
		}
		c.est += t.cols[j].at(max(t.rest[j], head+q))
	}
	t.offer(&c, forbidden)
}

// kick moves an operation drawn at random to a place drawn at random.
func (t *late) kick() {
	g := t.g
	v := int32(t.r.IntN(g.c.ops))
	ways := g.c.waysOf(v)
	k := int32(t.r.IntN(len(ways)))
	m := ways[k].machine
	if m < 0 {
		g.move(v, k, -1)
		return
	}
	n, after := 0, int32(-1)
	for a, b := int32(-1), g.first[m]; ; a, b = b, g.n[b].ms {
		if a != v && b != v && (a < 0 || g.mayFollow(v, a)) && (b < 0 || g.mayLead(v, b)) {
			if n++; t.r.IntN(n) == 0 {
				after = a
			}
		}
		if b < 0 {
			break
		}
	}
	if n > 0 {
		g.move(v, k, after)
	}
}
