package solve

import (
	"cmp"
	"math/rand/v2"
	"slices"
)

// evolver is a genetic algorithm with two populations, one of schedules pushed
// to the left and one of schedules pushed to the right, each bred from the
// other (Debels & Vanhoucke, LNCS 3483, 2005): every child costs one schedule
// and is justified by construction. It serves objectives that depend on the
// last finish alone.
type evolver struct {
	s     *search
	r     *rand.Rand
	back  *decoder
	rank  []int32 // by activity: place in a topological order
	left  []individual
	right []individual
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
}

// populationOf is the size of a population for a number of schedules.
func populationOf(schedules int) int {
	switch {
	case schedules < 400:
		return 8
	case schedules < 2500:
		return 16
	case schedules < 20000:
		return 50
	default:
		return 100
	}
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

// evolve breeds until the count is used up.
func (s *search) evolve() {
	e := newEvolver(s)
	n := populationOf(s.o.Schedules)
	for i := range n {
		if s.over() {
			return
		}
		e.seed(i)
	}
	e.right = make([]individual, n)
	for i := range e.right {
		e.right[i] = individual{score: worst}
	}
	limit := s.o.Schedules
	if e.multi || len(s.in.jobs) > 1 { // options and whole jobs are best moved one by one
		limit = s.o.Schedules / 2
	}
	l := newLearner(s, e.order)
	if l != nil {
		limit = s.o.Schedules / 5
	}
	for !s.over() && s.d.schedules < limit {
		e.generation(e.left, e.right, true)
		e.generation(e.right, e.left, false)
		if e.uniform() {
			e.refresh()
		}
	}
	if l != nil {
		l.run(s.o.Schedules)
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

// uniform says that all on the left are equally good: nothing is left to
// select.
func (e *evolver) uniform() bool {
	for i := range e.left {
		if e.left[i].score != e.left[0].score {
			return false
		}
	}
	return true
}

// refresh draws all but one on the left anew.
func (e *evolver) refresh() {
	for i := 1; i < len(e.left) && !e.s.over(); i++ {
		e.seed(i)
	}
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
	ind.span = 0
	for a := range ind.keys {
		if d.state[a] == placedState {
			ind.keys[a] -= int64(d.in.now)
			ind.span = max(ind.span, int64(d.end[a]-d.in.now))
		}
	}
	if e.multi {
		ind.opt = append(ind.opt[:0], d.opt...)
	}
}

// generation breeds each of from with another one into the place of the same
// number in to, scheduled in the other direction.
func (e *evolver) generation(from, to []individual, backward bool) {
	best := 0
	for i := range to {
		if to[i].score.less(to[best].score) {
			best = i
		}
	}
	for i := range from {
		if e.s.over() {
			return
		}
		mother := e.tournament(from)
		father := i
		if e.r.IntN(2) == 0 {
			mother, father = father, mother
		}
		e.breed(&from[father], &from[mother], backward)
		d := e.s.d
		if backward {
			d = e.back
		}
		var out outcome
		if backward {
			before := d.schedules
			out = d.decode(&e.child)
			e.s.d.schedules += d.schedules - before
		} else {
			out = e.s.try(&e.child)
		}
		if i != best || out.score.compare(to[i].score) <= 0 {
			e.record(&to[i], d, out.score)
			if out.score.less(to[best].score) {
				best = i
			}
		}
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
	length := f.span/4 + e.r.Int64N(f.span/2+1)
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
	e.mutate(backward)
	e.child.list = append(e.child.list[:0], e.order...)
	slices.SortStableFunc(e.child.list, func(a, b int32) int {
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

// mutate swaps the keys of a few pairs that no lag orders directly; the decoder
// puts the rest right.
func (e *evolver) mutate(backward bool) {
	if len(e.order) < 2 || e.r.IntN(100) >= 70 {
		return
	}
	for range 1 + e.r.IntN(3) {
		k := e.r.IntN(len(e.order) - 1)
		a, b := e.order[k], e.order[k+1+e.r.IntN(min(10, len(e.order)-k-1))]
		e.keys[a], e.keys[b] = e.keys[b], e.keys[a]
	}
}
