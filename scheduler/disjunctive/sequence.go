package disjunctive

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"
)

// sequencer orders operations on one machine that never has to wait, by
// iterated dynasearch: a sweep finds the best set of moves that do not overlap
// (Congram, Potts & van de Velde, INFORMS Journal on Computing 14, 2002;
// insertions as in Grosso, Della Croce & Tadei, Operations Research Letters 32,
// 2004), and a local optimum is left by a few random exchanges. A sweep assigns
// start times once and is one schedule.
type sequencer struct {
	c    *compiled
	r    *rand.Rand
	from int64    // when the first operation may start
	jobs []tariff // by operation

	seq  []int32
	cost int64    // of seq, as its tariffs have it
	at   []tariff // by position, as all below
	end  []int64
	pre  []int64 // prices before it, summed
	gain []int64 // the least change by moves before it
	move []placeMove
	fwd  []int64 // prices of what follows it, were it not there

	local     []int32 // the local optimum that kicks start from
	localCost int64
	fails     int // worse local optima since
	fresh     bool
	started   int
	top       solution
}

// tariff is the price of finishing at t: flow·t + tard·max(0, t − due).
type tariff struct{ p, tard, due, flow int64 }

func (f *tariff) at(t int64) int64 { return f.flow*t + f.tard*max(0, t-f.due) }

// noDue is later than any time.
const noDue = 1 << 60

// placeMove ends at a position and begins at from.
type placeMove struct {
	from int32
	kind moveKind
}

type moveKind uint8

const (
	stay moveKind = iota
	exchange
	backward // the last to the front
	forward  // the first to the back
)

// oneSequence says that a sequencer serves: one operation a job, all on one
// machine in one way, all released together, no lags.
func (c *compiled) oneSequence() bool {
	if c.spanOnly || len(c.p.Lags) > 0 || c.flexible || c.ways[0].machine < 0 {
		return false
	}
	for v := range c.ops {
		if c.ways[v].machine != c.ways[0].machine || c.release[v] != c.release[0] {
			return false
		}
	}
	for j := range c.p.Jobs {
		if c.jobOff[j+1]-c.jobOff[j] > 1 {
			return false
		}
	}
	return true
}

func newSequencer(c *compiled, seed, stream uint64) *sequencer {
	n := c.ops
	s := &sequencer{
		c: c, r: rand.New(rand.NewPCG(seed, stream)), from: c.release[0], jobs: make([]tariff, n), seq: make([]int32, n),
		at: make([]tariff, n), end: make([]int64, n), pre: make([]int64, n+1), gain: make([]int64, n+1),
		move: make([]placeMove, n+1), fwd: make([]int64, n), local: make([]int32, n), top: newSolution(c), started: int(stream),
	}
	for v := range s.jobs {
		j := &c.p.Jobs[c.job[v]]
		f := tariff{p: c.ways[v].p, due: noDue, flow: c.p.Weights.Flow * j.Weight}
		if j.HasDue {
			f.due, f.tard = j.Due, c.p.Weights.Tardiness*j.Weight
		}
		s.jobs[v] = f
	}
	return s
}

func (s *sequencer) best() *solution { return &s.top }

// begin starts from the sequence of another search.
func (s *sequencer) begin(o *solution) {
	copy(s.seq, o.list)
	s.localCost = 1<<63 - 1
	s.fresh = true
}

// admit continues from a better solution found elsewhere.
func (s *sequencer) admit(o *solution) {
	if o.cost < s.top.cost {
		s.top.copy(o)
		copy(s.local, o.list)
		s.localCost, s.fails = o.cost, 0
		s.kick()
	}
}

func (s *sequencer) advance(ctx context.Context, limit int, bound int64) int {
	used := 0
	for used < limit && s.top.cost > bound && ctx.Err() == nil {
		used++
		if !s.fresh {
			s.start()
		}
		if !s.sweep(ctx) && ctx.Err() == nil {
			s.settle()
			s.kick()
		}
	}
	return used
}

// start orders by due date, or by least weighted duration.
func (s *sequencer) start() {
	s.fresh = true
	for i := range s.seq {
		s.seq[i] = int32(i)
	}
	slices.SortStableFunc(s.seq, func(a, b int32) int {
		x, y := &s.jobs[a], &s.jobs[b]
		if s.started%2 == 0 {
			return cmp.Or(cmp.Compare(x.due, y.due), cmp.Compare(x.p, y.p))
		}
		return cmp.Or(cmp.Compare(x.p*(y.tard+y.flow), y.p*(x.tard+x.flow)), cmp.Compare(x.due, y.due))
	})
	s.localCost = 1<<63 - 1
}

// sweep assigns times to seq and does its best set of moves; false at a local
// optimum, or when ctx ends.
func (s *sequencer) sweep(ctx context.Context) bool {
	s.assign()
	if cost := s.price(); cost < s.top.cost {
		copy(s.top.list, s.seq)
		s.top.cost = cost
	}
	n := len(s.seq)
	for k := range n {
		if k%placesMax == placesMax-1 && ctx.Err() != nil {
			return false
		}
		s.reach(k)
	}
	if s.gain[n] == 0 {
		return false
	}
	for k := n; k > 0; {
		m := s.move[k]
		if m.kind == stay {
			k--
			continue
		}
		i, last := int(m.from), k-1
		switch m.kind {
		case exchange:
			s.seq[i], s.seq[last] = s.seq[last], s.seq[i]
		case backward:
			v := s.seq[last]
			copy(s.seq[i+1:last+1], s.seq[i:last])
			s.seq[i] = v
		case forward:
			v := s.seq[i]
			copy(s.seq[i:last], s.seq[i+1:last+1])
			s.seq[last] = v
		}
		k = i
	}
	s.cost += s.gain[n]
	return true
}

// placesMax bounds the positions of a sweep between two looks at the context.
const placesMax = 64

// assign gives seq its times and prices.
func (s *sequencer) assign() {
	t := s.from
	var sum int64
	for k, v := range s.seq {
		s.at[k] = s.jobs[v]
		t += s.at[k].p
		s.end[k] = t
		s.pre[k] = sum
		sum += s.at[k].at(t)
	}
	s.pre[len(s.seq)] = sum
	s.cost = sum
}

// reach finds the least change of the first k+1 places, given those of all
// shorter heads: the last place stays, or it ends a move that begins at i.
func (s *sequencer) reach(k int) {
	at, ends, pre, gain, fwd := s.at[:k+1], s.end[:k+1], s.pre[:k+2], s.gain[:k+1], s.fwd[:k+1]
	b := &at[k]
	end := ends[k]
	best, move := gain[k], placeMove{}
	fwd[k] = 0
	var back int64 // of what makes room for b
	for i := k - 1; i >= 0; i-- {
		a := &at[i]
		// What lies between i and k, and k itself, earlier by a.
		between := fwd[i]
		fwd[i] += b.at(end - a.p)
		back += a.at(ends[i] + b.p)
		was := pre[k+1] - pre[i]
		aLast := a.at(end)
		start := ends[i] - a.p
		bFirst := b.at(start + b.p)
		old := gain[i] - was
		if x := old + fwd[i] + aLast; x < best {
			best, move = x, placeMove{int32(i), forward}
		}
		if x := old + back + bFirst; x < best {
			best, move = x, placeMove{int32(i), backward}
		}
		// An exchange shifts what lies between by delta.
		x := old + aLast + bFirst
		delta := b.p - a.p
		if delta >= 0 {
			between = pre[k] - pre[i+1]
		}
		if x+between >= best {
			continue
		}
		for l := i + 1; l < k && x < best; l++ {
			x += at[l].at(ends[l] + delta)
		}
		if x < best {
			best, move = x, placeMove{int32(i), exchange}
		}
	}
	s.gain[k+1], s.move[k+1] = best, move
}

// settle takes a local optimum up.
func (s *sequencer) settle() {
	switch {
	case s.cost <= s.localCost:
		if s.cost < s.localCost {
			s.fails = 0
		}
		copy(s.local, s.seq)
		s.localCost = s.cost
	default:
		if s.fails++; s.fails > failsMax {
			copy(s.local, s.seq)
			s.localCost, s.fails = s.cost, 0
		}
	}
}

// price is the objective of seq in full.
func (s *sequencer) price() int64 {
	return s.cost + s.c.offset + s.c.p.Weights.Makespan*s.end[len(s.end)-1]
}

// failsMax is how many local optima may be worse in a row before one is taken.
const failsMax = 30

// kick exchanges a few operations that are not far apart.
func (s *sequencer) kick() {
	copy(s.seq, s.local)
	n := len(s.seq)
	if n < 2 {
		return
	}
	for range 3 + s.r.IntN(5) {
		i := s.r.IntN(n)
		j := min(n-1, max(0, i+s.r.IntN(2*kickReach+1)-kickReach))
		s.seq[i], s.seq[j] = s.seq[j], s.seq[i]
	}
}

const kickReach = 12
