package solve

import (
	"cmp"
	"math"
	"slices"

	"tickover/scheduler/disjunctive"
	"tickover/scheduler/model"
)

// orders improves by searching the sequences of machines (package disjunctive)
// where that applies: every resource in use is held by one activity at a time,
// each activity is one unattended stretch without calendars and holds at most
// one resource, lags have no maximum, and nothing has begun or is promised.
type orders struct {
	s      *search
	found  *disjunctive.Search
	ways   [][]holding // by activity
	genome genome
}

// holding is what a way of the disjunctive problem stands for.
type holding struct {
	opt  int16
	bind int32
}

// The count is used in rounds, each twice as long as the one before, up to a
// bound; after each the best is decoded.
const (
	roundMin = 500
	roundMax = 20_000
)

// ordered searches the sequences of machines until the count is used up; false
// when that does not apply, or cannot place everything before the horizon.
func (s *search) ordered() bool {
	o := newOrders(s)
	if o == nil {
		return false
	}
	if p := s.in.p.Weights; p.Tardiness == 0 && p.Flow == 0 {
		s.try(&genome{list: s.in.listBy(latestFinish(s.in))})
	} else { // rules know more about jobs
		s.construct()
		if !s.over() {
			o.start()
		}
	}
	for n := roundMin; !s.over(); n = min(2*n, roundMax) {
		left := s.o.Schedules - 3 - s.d.schedules // two are for polish, one decodes what is found
		used, better := o.found.Run(s.ctx, min(n, max(left, 0)))
		s.d.schedules += used
		if better {
			s.try(o.take(o.found.Best()))
		}
		if s.best.unplaced > 0 { // the horizon is too near for all: others choose what to leave out
			return false
		}
		s.optimal = s.optimal || o.found.Optimal()
		if used == 0 {
			break
		}
	}
	if s.best.unplaced == 0 {
		s.proved = max(s.proved, model.Cost(o.found.Bound()))
	}
	s.over() // notes a cut
	return true
}

// newOrders is nil where it does not apply.
func newOrders(s *search) *orders {
	in := s.in
	if len(in.acts) == 0 || len(in.p.Previous) > 0 || len(in.pins) > 0 || in.p.Buffer != nil || len(in.spans) > 0 {
		return nil
	}
	o := &orders{s: s, ways: make([][]holding, len(in.acts))}
	p := &disjunctive.Problem{Machines: len(in.res), Origin: int64(in.now)}
	w := in.p.Weights
	p.Weights = disjunctive.Weights{Makespan: int64(w.Makespan), Tardiness: int64(w.Tardiness), Flow: int64(w.Flow)}
	rank := make([]int32, len(in.acts))
	for k, a := range in.forwards() {
		rank[a] = int32(k)
	}
	for i := range in.jobs {
		j := in.jobs[i].src
		p.Jobs = append(p.Jobs, disjunctive.Job{Release: int64(j.Release), Due: int64(j.Due), HasDue: j.Due != model.Unlimited, Weight: j.Weight})
		if !in.chained(&in.jobs[i], rank) {
			return nil
		}
	}
	for i := range in.acts {
		if !o.operation(p, int32(i)) {
			return nil
		}
		for _, l := range in.acts[i].after {
			if l.max < forever {
				return nil
			}
			p.Lags = append(p.Lags, disjunctive.Lag{From: i, To: int(l.other), FromStart: l.fromStart, ToEnd: l.toEnd, Min: int64(l.min)})
		}
	}
	found, err := disjunctive.New(p, disjunctive.Options{Schedules: s.o.Schedules, Seed: s.o.Seed, Threads: s.o.Threads})
	if err != nil {
		return nil // a figure is beyond its range
	}
	o.found = found
	n := len(in.acts)
	o.genome = genome{list: make([]int32, n), opt: make([]int16, n), bind: make([]int32, n)}
	return o
}

// operation translates activity i; false when it is of another structure.
func (o *orders) operation(p *disjunctive.Problem, i int32) bool {
	in := o.s.in
	a := &in.acts[i]
	if a.begun() || a.held != nil || a.shelved || a.latest < forever || len(a.opts) == 0 {
		return false
	}
	op := disjunctive.Operation{Job: int(a.job), Release: int64(a.release)}
	for k := range a.opts {
		t := &a.opts[k]
		if !t.plain || len(t.needs) > 1 || k > math.MaxInt16 {
			return false
		}
		if len(t.needs) == 0 {
			op.Ways = append(op.Ways, disjunctive.Way{Machine: disjunctive.NoMachine, Duration: int64(t.minimum)})
			o.ways[i] = append(o.ways[i], holding{int16(k), -1})
			continue
		}
		n := &t.needs[0]
		for _, r := range n.cand {
			if n.span >= 0 || n.amount != 1 || !in.unary(r) {
				return false
			}
			c := holding{int16(k), -1}
			if len(n.cand) > 1 {
				c.bind = r
			}
			op.Ways = append(op.Ways, disjunctive.Way{Machine: int(r), Duration: int64(t.minimum)})
			o.ways[i] = append(o.ways[i], c)
		}
	}
	p.Operations = append(p.Operations, op)
	return len(op.Ways) > 0
}

// unary says that r is held by one activity at a time and is always open.
func (in *instance) unary(r int32) bool {
	src := in.res[r].src
	return src.Capacity == 1 && !src.Consumable && src.Open == nil && len(src.Closures) == 0
}

// chained says that no two activities of a OnePlace job could overlap anyway:
// each waits for the end of the one before.
func (in *instance) chained(j *job, rank []int32) bool {
	if !j.onePlace || len(j.acts) < 2 {
		return true
	}
	acts := slices.Clone(j.acts)
	slices.SortFunc(acts, func(a, b int32) int { return cmp.Compare(rank[a], rank[b]) })
	for k, b := range acts[1:] {
		if !slices.ContainsFunc(in.acts[b].before, func(l lag) bool {
			return l.other == acts[k] && !l.fromStart && !l.toEnd && l.min >= 0
		}) {
			return false
		}
	}
	return true
}

// start lets the search begin from the best schedule.
func (o *orders) start() {
	d := o.s.d
	if d.decode(&o.s.genome).score.unplaced > 0 {
		return
	}
	list := d.in.listBy(d.starts())
	order, ways := make([]int, len(list)), make([]int, len(list))
	for k, a := range list {
		order[k] = int(a)
		ways[a] = slices.IndexFunc(o.ways[a], func(h holding) bool {
			return h.opt == d.opt[a] && (h.bind < 0 || h.bind == d.held[d.in.needOff[a]])
		})
		if ways[a] < 0 {
			return
		}
	}
	o.found.Start(order, ways)
}

// take writes a schedule down as a genome.
func (o *orders) take(p *disjunctive.Schedule) *genome {
	for k, a := range p.Order {
		o.genome.list[k] = int32(a)
		c := o.ways[a][p.Way[a]]
		o.genome.opt[a], o.genome.bind[a] = c.opt, c.bind
	}
	return &o.genome
}
