package solve

import (
	"cmp"
	"math/rand/v2"
	"slices"

	"tickover/scheduler/lazy"
	"tickover/scheduler/model"
)

// learner improves a project by learning from dead ends (package lazy) where
// that applies: the objective is the makespan alone, each activity is one
// unattended stretch without calendars, each need is of one given resource,
// lags have no maximum. A descent counts as a schedule, and so does decoding
// what it found. What it finds joins the populations that breeding has left,
// and windows are opened in the best of them.
type learner struct {
	e      *evolver
	s      *search
	solver *lazy.Solver
	r      *rand.Rand
	child  genome
	starts []int64 // of the schedule that guides, in which windows are opened
	modes  []int
	order  []int32 // activities by starts
	limits lazy.Window
	size   int // activities in a window
	// target is the makespan below which the solver searches, negative for
	// none yet.
	target int64
}

// learnMax bounds the demands of all options together: a descent may cost its
// square.
const learnMax = 5000

// Shares of the count: what goes into looking for an easy proof at the
// beginning, and how the rest alternates.
const (
	easyShare   = 20 // one part in so many
	easyMax     = 100
	openMax     = 25
	windowMax   = 50
	windowsOnce = 8
)

// newLearner is nil where it does not apply.
func newLearner(e *evolver) *learner {
	p := e.s.in.project()
	if p == nil {
		return nil
	}
	solver, err := lazy.New(p)
	if err != nil {
		return nil // a figure is beyond its range
	}
	n := len(e.s.in.acts)
	return &learner{
		e: e, s: e.s, solver: solver, r: rand.New(rand.NewPCG(e.s.o.Seed, 0x6c617a79)),
		child:  genome{list: slices.Clone(e.order), opt: make([]int16, n)},
		starts: make([]int64, n), modes: make([]int, n), order: slices.Clone(e.order),
		limits: lazy.Window{Earliest: make([]int64, n), Latest: make([]int64, n), Mode: make([]int, n)},
		size:   max(8, n*3/10), target: -1,
	}
}

// project translates a problem of which evolves holds; nil when the structure
// is another one.
func (in *instance) project() *lazy.Problem {
	p := &lazy.Problem{Horizon: int64(in.horizon - in.now)}
	place := make([]int, len(in.res)) // among the renewable or the consumable
	for i := range in.res {
		r := &in.res[i]
		if r.src.Open != nil || len(r.src.Closures) > 0 {
			return nil
		}
		if r.src.Consumable {
			place[i] = len(p.Stock)
			p.Stock = append(p.Stock, r.src.Capacity)
			continue
		}
		place[i] = len(p.Capacity)
		p.Capacity = append(p.Capacity, r.src.Capacity)
	}
	demands, unary := 0, true
	for i := range in.acts {
		a := &in.acts[i]
		if len(a.peers) > 0 || len(a.opts) == 0 || len(a.opts) == optionsMax || a.latest < forever || a.window != nil {
			return nil
		}
		x := lazy.Activity{Release: int64(a.release - in.now)}
		for k := range a.opts {
			o := &a.opts[k]
			if !o.plain {
				return nil
			}
			demands += len(o.needs)
			m := lazy.Mode{Duration: int64(o.st[0].d), Demand: make([]int64, len(p.Capacity)), Use: make([]int64, len(p.Stock))}
			for n := range o.needs {
				q := &o.needs[n]
				if q.span >= 0 || len(q.cand) != 1 {
					return nil
				}
				r := q.cand[0]
				if in.res[r].src.Consumable {
					m.Use[place[r]] = q.amount
				} else {
					m.Demand[place[r]] = q.amount
				}
				unary = unary && len(o.needs) == 1 && in.res[r].src.Capacity == 1 && !in.res[r].src.Consumable
			}
			x.Modes = append(x.Modes, m)
		}
		p.Activities = append(p.Activities, x)
		for _, l := range a.after {
			if l.max < forever || !in.orders(int32(i), &l) {
				return nil
			}
			p.Lags = append(p.Lags, lazy.Lag{From: i, To: int(l.other), FromStart: l.fromStart, ToEnd: l.toEnd, Min: int64(l.min)})
		}
	}
	if unary || demands > learnMax {
		return nil
	}
	return p
}

// orders says that a lag keeps the start of what it leads to from being before
// the start of a: schedules are handed over as lists by start.
func (in *instance) orders(a int32, l *lag) bool {
	least := l.min
	if !l.fromStart {
		least += shortest(in.acts[a].opts)
	}
	if l.toEnd {
		for k := range in.acts[l.other].opts {
			if in.acts[l.other].opts[k].st[0].d > least {
				return false
			}
		}
	}
	return least >= 0
}

func shortest(opts []option) Time {
	d := forever
	for k := range opts {
		d = min(d, opts[k].st[0].d)
	}
	return d
}

// begin looks for a first schedule where there is none, and for an easy proof.
// It returns false when nothing better is left.
func (l *learner) begin() bool {
	limit := min(l.s.o.Schedules/easyShare, easyMax)
	if l.s.best.unplaced > 0 {
		limit = l.s.o.Schedules
	}
	l.recall()
	return l.search(limit) != lazy.Exhausted || !l.s.optimal
}

// improve searches near the best schedule until the count is used up, the
// whole of it and windows of it in turn. It returns false when nothing better
// is left.
func (l *learner) improve() bool {
	l.recall()
	for l.left() > 0 {
		l.solver.Confine(lazy.Window{})
		if l.search(openMax) == lazy.Exhausted {
			return !l.s.optimal
		}
		for k := 0; k < windowsOnce && l.s.best.unplaced == 0 && l.left() > 0; k++ {
			if l.window() == lazy.Exhausted {
				return !l.s.optimal
			}
		}
	}
	return true
}

// left is how many descents the count allows: one schedule is to decode what
// is found.
func (l *learner) left() int {
	if l.s.over() {
		return 0
	}
	return l.s.o.Schedules - 2 - l.s.d.schedules
}

// search runs the solver for so many descents and hands over what it finds.
func (l *learner) search(limit int) lazy.Status {
	s := l.s
	for {
		n := min(limit, l.left())
		if n < 1 {
			return lazy.Limit
		}
		before := l.solver.Descents()
		status := l.solver.Run(n, func() bool { return s.ctx.Err() != nil })
		used := l.solver.Descents() - before
		s.d.schedules += used
		limit -= used
		if status != lazy.Found {
			l.prove(status == lazy.Exhausted)
			return status
		}
		l.hand()
	}
}

// window looks for a schedule that ends a tick sooner than one of the best, by
// filling some window of time anew. What lies behind the window goes a tick
// forward. Outside of it starts are limited on one side only, the one that the
// schedule was pushed to: pushed to the right, activities start as late as they
// can, and to start no later leaves them all their room; pushed to the left, to
// start no earlier does.
//
// Windows grow while there is none, and shrink while that is hard to tell.
func (l *learner) window() lazy.Status {
	right := l.draw()
	n := len(l.order)
	slices.SortFunc(l.order, func(a, b int32) int {
		return cmp.Or(cmp.Compare(l.starts[a], l.starts[b]), cmp.Compare(a, b))
	})
	from := l.r.IntN(n+l.size) - l.size
	lo, hi := int64(-1), int64(timeMax)
	if from >= 0 {
		lo = l.starts[l.order[from]]
	}
	if to := from + l.size; to < n {
		hi = l.starts[l.order[to]]
	}
	w := &l.limits
	for a, t := range l.starts {
		w.Earliest[a], w.Latest[a], w.Mode[a] = -1, -1, -1
		end := t + int64(l.s.in.acts[a].opts[l.modes[a]].st[0].d)
		if end > lo && t < hi {
			continue
		}
		if end > lo {
			t = max(0, t-1)
		}
		w.Mode[a] = l.modes[a]
		if right {
			w.Latest[a] = t
		} else {
			w.Earliest[a] = t
		}
	}
	l.solver.Confine(*w)
	status := l.search(windowMax)
	switch status {
	case lazy.Refuted:
		l.size = min(n, l.size+1)
	case lazy.Limit:
		l.size = max(4, l.size-1)
	}
	return status
}

const timeMax = 1 << 40

// draw has the solver search near one of the individuals that are as short as
// the best, and says whether it is one of those pushed to the right. Each has
// other windows.
func (l *learner) draw() (right bool) {
	s := l.s
	best := int64(s.best.cost / s.in.p.Weights.Makespan)
	var base *individual
	n := 0
	for k, list := range [][]individual{l.e.left, l.e.right} {
		for i := range list {
			if x := &list[i]; x.score.unplaced == 0 && x.span <= best {
				if n++; l.r.IntN(n) == 0 {
					base, right = x, k == 1
				}
			}
		}
	}
	if base == nil {
		l.recall()
		return false
	}
	for a, t := range base.keys {
		l.modes[a] = 0
		if l.e.multi {
			l.modes[a] = int(base.opt[a])
		}
		if right { // its time runs backwards
			t = base.span - t - int64(s.in.acts[a].opts[l.modes[a]].st[0].d)
		}
		l.starts[a] = t
	}
	l.solver.Guide(l.starts, l.modes)
	return right
}

// recall shows the solver the best schedule.
func (l *learner) recall() {
	s := l.s
	if s.best.unplaced > 0 {
		return
	}
	n := s.d.schedules
	s.d.decode(&s.genome)
	s.d.schedules = n // it is the same schedule again
	l.guide()
}

// hand decodes the schedule found, and pushes it to the right and back.
func (l *learner) hand() {
	starts, modes := l.solver.Schedule()
	slices.SortFunc(l.child.list, func(a, b int32) int {
		return cmp.Or(cmp.Compare(starts[a], starts[b]), cmp.Compare(l.e.rank[a], l.e.rank[b]))
	})
	l.target = 0
	for a, m := range modes {
		l.child.opt[a] = int16(m)
		l.target = max(l.target, starts[a]+int64(l.s.in.acts[a].opts[m].st[0].d))
	}
	l.s.try(&l.child)
	l.justify()
	l.guide()
}

// justify pushes the schedule in the decoder to the right and back to the left
// as long as that shortens it (Valls, Ballestín & Quintanilla, EJOR 165, 2005).
func (l *learner) justify() {
	s := l.s
	for s.best.unplaced == 0 && l.left() > 1 {
		before := s.best
		l.admit(s.d, s.best, l.e.left)
		l.turn(s.d, -1)
		n := l.e.back.schedules
		out := l.e.back.decode(&l.child)
		s.d.schedules += l.e.back.schedules - n
		l.admit(l.e.back, out.score, l.e.right)
		l.turn(l.e.back, 1)
		if s.try(&l.child); !s.best.less(before) {
			return
		}
	}
}

// admit lets the schedule in d into a population, once there are both.
func (l *learner) admit(d *decoder, sc score, to []individual) {
	if len(l.e.right) > 0 {
		l.e.record(&l.e.spare, d, sc)
		l.e.replace(to)
	}
}

// turn lists the activities of a schedule from its last end to its first, ties
// by sign times the rank.
func (l *learner) turn(d *decoder, sign int32) {
	slices.SortFunc(l.child.list, func(a, b int32) int {
		return cmp.Or(cmp.Compare(d.end[b], d.end[a]), cmp.Compare(sign*l.e.rank[a], sign*l.e.rank[b]))
	})
	copy(l.child.opt, d.opt)
}

// guide has the solver search below the best makespan, and near what the
// decoder made.
func (l *learner) guide() {
	s := l.s
	if s.best.unplaced > 0 {
		return
	}
	for a := range l.starts {
		if s.d.state[a] != placedState {
			return
		}
		l.starts[a], l.modes[a] = int64(s.d.start[a]-s.in.now), int(s.d.opt[a])
	}
	l.solver.Guide(l.starts, l.modes)
	if best := int64(s.best.cost / s.in.p.Weights.Makespan); l.target < 0 || best < l.target {
		l.target = best
	}
	l.solver.Below(l.target)
}

// prove notes the lower limit on the objective: the target when nothing is
// below it.
func (l *learner) prove(exhausted bool) {
	s := l.s
	if l.target < 0 {
		return
	}
	lower := min(l.target, l.solver.Lower())
	if exhausted {
		lower = l.target
	}
	s.proved = s.in.p.Weights.Makespan * model.Cost(lower)
	s.optimal = s.best.unplaced == 0 && s.best.cost <= s.proved
}
