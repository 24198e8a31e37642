package solve

import (
	"cmp"
	"slices"

	"tickover/scheduler/lazy"
	"tickover/scheduler/model"
)

// learner improves a project by learning from dead ends (package lazy) where
// that applies: the objective is the makespan alone, each activity is one
// unattended stretch without calendars, each need is of one given resource,
// lags have no maximum. A descent counts as a schedule, and so does decoding
// what it found.
type learner struct {
	s      *search
	solver *lazy.Solver
	rank   []int32
	child  genome
	starts []int64
	modes  []int
	// target is the makespan below which the solver searches, negative for
	// none yet.
	target int64
}

// learnMax bounds the demands of all options together: a descent may cost its
// square.
const learnMax = 20_000

// newLearner is nil where it does not apply.
func newLearner(s *search, order []int32) *learner {
	p := s.in.project()
	if p == nil {
		return nil
	}
	solver, err := lazy.New(p)
	if err != nil {
		return nil // a figure is beyond its range
	}
	l := &learner{s: s, solver: solver, rank: make([]int32, len(s.in.acts)), starts: make([]int64, len(s.in.acts)), modes: make([]int, len(s.in.acts)), target: -1}
	for k, a := range order {
		l.rank[a] = int32(k)
	}
	l.child = genome{list: slices.Clone(order), opt: make([]int16, len(s.in.acts))}
	return l
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

// run searches below the best schedule until so many schedules are made. It
// returns false when nothing better is left.
func (l *learner) run(until int) bool {
	s := l.s
	l.recall()
	for {
		left := min(until, s.o.Schedules-1) - s.d.schedules - 1 // one to decode what is found
		if left < 1 || s.over() {
			return true
		}
		before := l.solver.Descents()
		status := l.solver.Run(left, func() bool { return s.ctx.Err() != nil })
		s.d.schedules += l.solver.Descents() - before
		if status == lazy.Found {
			l.hand()
			continue
		}
		l.prove(status == lazy.Exhausted)
		return status == lazy.Limit
	}
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

// hand decodes the schedule found.
func (l *learner) hand() {
	starts, modes := l.solver.Schedule()
	slices.SortFunc(l.child.list, func(a, b int32) int {
		return cmp.Or(cmp.Compare(starts[a], starts[b]), cmp.Compare(l.rank[a], l.rank[b]))
	})
	l.target = 0
	for a, m := range modes {
		l.child.opt[a] = int16(m)
		l.target = max(l.target, starts[a]+int64(l.s.in.acts[a].opts[m].st[0].d))
	}
	l.s.try(&l.child)
	l.guide()
}

// guide has the solver search below what the decoder made, and near it.
func (l *learner) guide() {
	s := l.s
	if s.best.unplaced > 0 {
		return
	}
	for a := range l.starts {
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
