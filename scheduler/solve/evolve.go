package solve

import (
	"cmp"
	"math/rand/v2"
	"slices"
)

// evolver is a genetic algorithm with two populations, one of schedules pushed
// to the left and one of schedules pushed to the right, each bred from the
// other (Debels & Vanhoucke, LNCS 3483, 2005): every child costs one schedule
// and is justified by construction. It takes the place of the worst of its
// population unless it is worse still or there already. It serves objectives
// that depend on the last finish alone.
type evolver struct {
	s     *search
	r     *rand.Rand
	back  *decoder
	rank  []int32 // by activity: place in a topological order
	left  []individual
	right []individual
	spare individual
	child genome
	keys  []int64
	order []int32 // activities to place, topologically
	multi bool    // some activity has more than one option
}

// individual is a schedule as keys: its starts, in forward time on the left,
// in backward time on the right.
type individual struct {
	score score
	keys  []int64
	opt   []int16
	span  int64
	// sum of the keys breaks ties: the less, the more compact.
	sum int64
}

// populationOf is the size of a population for a number of schedules to breed:
// it grows with the square root.
func populationOf(schedules int) int {
	root := 1
	for root*root < schedules {
		root++
	}
	return 6 + 3*root/4
}

// evolves says that the objective is the makespan alone and that no activity
// has begun, so that time may run backwards.
func (s *search) evolves() bool {
	w := s.in.p.Weights
	if w.Makespan == 0 || w.Tardiness != 0 || w.Flow != 0 || len(s.in.p.Previous) > 0 || len(s.in.pins) > 0 || s.in.p.Buffer != nil {
		return false
	}
	return !slices.ContainsFunc(s.in.acts, func(a act) bool { return a.begun() || a.held != nil })
}

func newEvolver(s *search) *evolver {
	back := newDecoder(compile(mirror(s.in.p)))
	back.placeFacts(false)
	e := &evolver{s: s, r: rand.New(rand.NewPCG(s.o.Seed, 0x7469636b)), back: back, rank: make([]int32, len(s.in.acts)), keys: make([]int64, len(s.in.acts))}
	e.order = s.in.forwards()
	for k, a := range e.order {
		e.rank[a] = int32(k)
		e.multi = e.multi || len(s.in.acts[a].opts) > 1
	}
	return e
}

// breedMax bounds what is bred before other searches take over, where there are
// any: beyond it breeding finds little, and under a deadline the count has no
// half.
const breedMax = 25_000

// evolve breeds, and learns from dead ends where that applies, until the count
// is used up. Learning comes first, for what is easy to prove, and last.
func (s *search) evolve() {
	e := newEvolver(s)
	l := newLearner(e)
	breed := min(s.o.Schedules/2, breedMax)
	if l == nil && !e.multi && len(s.in.jobs) == 1 {
		breed = s.o.Schedules // what else climbs moves options and whole jobs
	} else if l != nil && e.multi {
		breed = min(s.o.Schedules/10, breedMax)
	}
	n := populationOf(breed)
	for i := 0; i < n && (i == 0 || !s.over()); i++ { // there always is one
		e.seed(i)
	}
	if l != nil && !s.over() && !l.begin() {
		return
	}
	e.breedUntil(min(breed+s.d.schedules-n, s.o.Schedules))
	if l != nil && !s.over() && !l.improve() {
		return
	}
	s.improve() // the rest of the count climbs
}

// seed makes an individual for the left: rules first, then random lists biased
// by the latest finish.
func (e *evolver) seed(i int) {
	var list []int32
	if i < len(rules) && i == len(e.left) {
		list = e.s.in.listBy(rules[i](e.s.in))
	} else {
		list = e.sample()
	}
	e.child = genome{list: list}
	if e.multi {
		e.child.opt = make([]int16, len(e.s.in.acts))
		for a := range e.child.opt {
			e.child.opt[a] = -1
			if n := len(e.s.in.acts[a].opts); (i >= len(rules) || i < len(e.left)) && n > 1 && e.r.IntN(4) == 0 {
				e.child.opt[a] = int16(e.r.IntN(n))
			}
		}
	}
	out := e.s.try(&e.child)
	if i == len(e.left) {
		e.left = append(e.left, individual{})
	}
	e.record(&e.left[i], e.s.d, out.score)
}

// sample lists the activities by a random choice among the ready ones, the
// longer tails preferred (regret-based biased random sampling with integers).
func (e *evolver) sample() []int32 {
	in := e.s.in
	keys := make([]int64, len(in.acts))
	var longest int64
	for a := range in.acts {
		longest = max(longest, int64(in.acts[a].tail))
	}
	wide := e.r.IntN(3) == 0 // hardly biased at all
	for a := range keys {
		t := int64(in.acts[a].tail)
		keys[a] = -t + e.r.Int64N(t/2+2)
		if wide {
			keys[a] = -t + e.r.Int64N(2*longest+2)
		}
	}
	return in.listBy(keys)
}

// record takes a schedule down.
func (e *evolver) record(ind *individual, d *decoder, sc score) {
	ind.score = sc
	ind.keys = append(ind.keys[:0], d.starts()...)
	ind.span, ind.sum = 0, 0
	for a := range ind.keys {
		if d.state[a] == placedState {
			ind.keys[a] -= int64(d.in.now)
			ind.sum += ind.keys[a]
			ind.span = max(ind.span, int64(d.end[a]-d.in.now))
		}
	}
	if e.multi {
		ind.opt = append(ind.opt[:0], d.opt...)
	}
}

// breedUntil makes children, right and left in turn, until so many schedules
// are made.
func (e *evolver) breedUntil(limit int) {
	if len(e.left) < 2 {
		return
	}
	e.right = make([]individual, len(e.left))
	for i := range e.right {
		if e.s.over() {
			return
		}
		e.push(i)
	}
	for backward := true; !e.s.over() && e.s.d.schedules < limit; backward = !backward {
		from, to, d := e.right, e.left, e.s.d
		if backward {
			from, to, d = e.left, e.right, e.back
		}
		f := e.tournament(from)
		m := e.tournament(from)
		if f == m {
			m = (m + 1) % len(from)
		}
		e.breed(&from[f], &from[m], backward)
		e.record(&e.spare, d, e.decode(backward).score)
		e.replace(to)
	}
}

// push makes the i-th on the right from the i-th on the left.
func (e *evolver) push(i int) {
	m := &e.left[i]
	for a := range e.keys {
		e.keys[a] = e.ends(e.s.d.in, m, a)
	}
	e.sort(true)
	if e.multi {
		e.child.opt = append(e.child.opt[:0], m.opt...)
	}
	e.record(&e.right[i], e.back, e.decode(true).score)
}

// decode schedules the child.
func (e *evolver) decode(backward bool) outcome {
	if !backward {
		return e.s.try(&e.child)
	}
	before := e.back.schedules
	out := e.back.decode(&e.child)
	e.s.d.schedules += e.back.schedules - before
	return out
}

// replace puts the spare one in the place of the worst.
func (e *evolver) replace(to []individual) {
	worst := 0
	for i := range to {
		c := to[worst].score.compare(to[i].score)
		if c < 0 || c == 0 && to[worst].sum <= to[i].sum {
			worst = i
		}
		if to[i].score == e.spare.score && to[i].sum == e.spare.sum && slices.Equal(to[i].keys, e.spare.keys) {
			return
		}
	}
	if !to[worst].score.less(e.spare.score) {
		to[worst], e.spare = e.spare, to[worst]
	}
}

// tournament is the better of two draws.
func (e *evolver) tournament(from []individual) int {
	a, b := e.r.IntN(len(from)), e.r.IntN(len(from))
	if from[b].score.less(from[a].score) {
		return b
	}
	return a
}

// breed fills child: a window of time comes from the father, what he has before
// and after it is ordered as the mother has it. The keys are starts in the
// direction of the parents; the child runs in the other one, so its order is
// by descending end, which is what the parents' ascending start becomes.
func (e *evolver) breed(f, m *individual, backward bool) {
	length := f.span/20 + e.r.Int64N(f.span*3/10+1)
	lo := e.r.Int64N(max(1, f.span-length+1))
	hi := lo + length
	const far = 1 << 44
	parents := e.s.d.in
	if !backward {
		parents = e.back.in
	}
	for a := range e.keys {
		switch k := f.keys[a]; {
		case k < lo:
			e.keys[a] = e.ends(parents, m, a) - far
		case k >= hi:
			e.keys[a] = e.ends(parents, m, a) + far
		default:
			e.keys[a] = e.ends(parents, f, a)
		}
	}
	if e.multi {
		e.options(f, m, lo, hi)
	}
	e.sort(backward)
	e.mutate()
}

// sort lists the child by descending key.
func (e *evolver) sort(backward bool) {
	e.child.list = append(e.child.list[:0], e.order...)
	slices.SortFunc(e.child.list, func(a, b int32) int {
		if c := cmp.Compare(e.keys[b], e.keys[a]); c != 0 {
			return c
		}
		if backward {
			return cmp.Compare(e.rank[b], e.rank[a])
		}
		return cmp.Compare(e.rank[a], e.rank[b])
	})
}

// ends is when activity a ends in a parent, as a key.
func (e *evolver) ends(in *instance, p *individual, a int) int64 {
	d := in.acts[a].minimum
	if e.multi && p.opt != nil && int(p.opt[a]) < len(in.acts[a].opts) && p.opt[a] >= 0 {
		d = in.acts[a].opts[p.opt[a]].minimum
	}
	return p.keys[a] + int64(d)
}

// options come from the same parent as the key; a few are drawn anew or left
// to the decoder.
func (e *evolver) options(f, m *individual, lo, hi int64) {
	if cap(e.child.opt) < len(e.keys) {
		e.child.opt = make([]int16, len(e.keys))
	}
	e.child.opt = e.child.opt[:len(e.keys)]
	for a := range e.keys {
		from := f
		if k := f.keys[a]; k < lo || k >= hi {
			from = m
		}
		e.child.opt[a] = from.opt[a]
		if n := len(e.s.in.acts[a].opts); n > 1 && e.r.IntN(100) < 4 {
			e.child.opt[a] = int16(e.r.IntN(n+1)) - 1
		}
	}
}

// mutate swaps a few pairs that are near each other in the list; the decoder
// puts right what lags forbid.
func (e *evolver) mutate() {
	list := e.child.list
	if len(list) < 2 {
		return
	}
	for range 1 + e.r.IntN(6) {
		k := e.r.IntN(len(list) - 1)
		j := min(len(list)-1, k+1+e.r.IntN(5))
		list[k], list[j] = list[j], list[k]
	}
}
