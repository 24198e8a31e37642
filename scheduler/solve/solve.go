// Package solve constructs and improves plans.
//
// A plan is an activity list put through a decoder: serial schedule generation
// with calendars, stretches, waits, crews and alternative resources (decode.go,
// fit.go). Priority rules, schedules built forward in time and the plan in
// force give the first lists (rules.go, forward.go). What varies them depends
// on what the problem is made of: a race of seeded climbs (search.go, race.go),
// breeding and learning from dead ends where only the last finish counts
// (evolve.go, learned.go), or the sequences of machines where every resource is
// unary (orders.go). The number of schedules generated bounds the effort, so
// that the same problem, seed and number give the same plan on any machine and
// any number of threads.
//
// What it does not do: prove optimality (bound.go gives a lower limit), or
// judge itself (package check does).
package solve

import (
	"context"
	"slices"
	"sync"

	"tickover/scheduler/model"
)

// Options are those of package scheduler.
type Options struct {
	Schedules int
	Seed      uint64
	Threads   int
	Better    func(*model.Plan)
}

// Solve plans a valid problem.
func Solve(ctx context.Context, p *model.Problem, o Options) *model.Plan {
	return find(ctx, p, o).plan()
}

// find searches until the count is used up.
func find(ctx context.Context, p *model.Problem, o Options) *search {
	in := compile(p)
	d := newDecoder(in)
	s := &search{in: in, d: d, ctx: ctx, o: o, best: worst}
	s.runs = d.placeFacts(false)
	s.settlePins()
	if !s.stands() {
		switch {
		case s.ordered():
		case s.evolves():
			s.evolve()
		default:
			s.construct()
			s.improve()
			s.polish()
		}
	}
	s.clearCrowd()
	return s
}

// search is the state of one call.
type search struct {
	in   *instance
	d    *decoder
	ctx  context.Context
	o    Options
	runs []running

	best   score
	genome genome // of best
	// shown says that the decoder's layout is that of the best.
	shown bool
	cut   bool
	// seeds are the best that were constructed, the best first.
	seeds []seed
	// optimal says that the best meets the lower bound.
	optimal bool
	// proved is a lower limit on the objective of plans that place all.
	proved model.Cost
	// low are the least finishes, once computed.
	low *lowers
}

// over says that the count is used up or the caller has had enough.
func (s *search) over() bool {
	if s.ctx.Err() != nil {
		s.cut = true
		return true
	}
	return s.d.schedules >= s.o.Schedules-1 || s.optimal // one is for polish
}

// try decodes g and keeps a copy when it is the best so far.
func (s *search) try(g *genome) outcome {
	out := s.d.decode(g)
	s.shown = false
	s.take(g, out)
	return out
}

// take keeps a copy of g, decoded last, when it is the best so far.
func (s *search) take(g *genome, out outcome) {
	if out.pin < 0 && out.score.less(s.best) {
		s.shown = true
		s.best = out.score
		s.genome.copy(g)
		s.optimal = out.score.unplaced == 0 && out.score.crowd == 0 && out.score.cost <= s.in.bound(s.d, s.least())
		if s.o.Better != nil {
			s.o.Better(s.plan())
			s.shown = false
		}
	}
}

// least are the least finishes, computed once.
func (s *search) least() *lowers {
	if s.low == nil {
		s.low = s.in.lowers(s.d)
	}
	return s.low
}

func (g *genome) copy(h *genome) {
	g.list = append(g.list[:0], h.list...)
	g.opt, g.floor, g.bind = copyOf(g.opt, h.opt), copyOf(g.floor, h.floor), copyOf(g.bind, h.bind)
	g.floorAt, g.crew = copyOf(g.floorAt, h.floorAt), copyOf(g.crew, h.crew)
	g.after = copyOf(g.after, h.after)
	g.keep = copyOf(g.keep, h.keep)
	g.like = copyOf(g.like, h.like)
}

func copyOf[T any](to, from []T) []T {
	if from == nil {
		return nil
	}
	return append(to[:0], from...)
}

// settlePins drops the pins that cannot be kept, with the reason, and keeps
// the rest. It first tries to keep a pin by decoding what must come before it
// first.
func (s *search) settlePins() {
	if len(s.in.pins) == 0 {
		return
	}
	g := &genome{list: s.in.listBy(latestFinish(s.in))}
	tried := map[int]bool{}
	for range 2*len(s.in.pins) + 1 {
		out := s.d.decode(g)
		if out.pin >= 0 {
			if !tried[out.pin] {
				tried[out.pin] = true
				s.boost(s.in.pins[out.pin].act)
				continue
			}
			s.drop(out.pin, g)
			continue
		}
		k := s.unplacedPin()
		if k < 0 {
			return
		}
		s.drop(k, g)
	}
}

// boost puts everything that a waits for at the front.
func (s *search) boost(a int32) {
	if s.in.boosted == nil {
		s.in.boosted = make([]bool, len(s.in.acts))
	}
	for _, l := range s.in.acts[a].before {
		if !s.in.boosted[l.other] {
			s.in.boosted[l.other] = true
			s.boost(l.other)
		}
	}
}

// unplacedPin is a standing pin of an activity that found no place.
func (s *search) unplacedPin() int {
	for k := range s.in.pins {
		n := &s.in.pins[k]
		if a := &s.in.acts[n.act]; !n.dropped && s.d.state[n.act] == unplacedState && a.held == nil {
			return k
		}
	}
	return -1
}

// drop gives up pin k and notes what stood against it.
func (s *search) drop(k int, g *genome) {
	n := &s.in.pins[k]
	n.why = s.whyNot(n, g)
	n.dropped = true
	if !s.in.acts[n.act].begun() {
		s.in.respell(n.act)
		s.in.outline.rank(s.in.acts[n.act].opts)
	}
}

// whyNot decodes once more with the trace on and reads the reason off.
func (s *search) whyNot(n *pin, g *genome) model.Cause {
	a := &s.in.acts[n.act]
	if len(a.opts) == 0 && a.missing.Kind != 0 {
		return a.missing
	}
	s.trace(g)
	why, pinned := s.d.tr.why[n.act], s.d.tr.pinned
	s.d.tr = nil
	switch {
	case pinned.Kind != 0:
		return pinned
	case len(why) > 0:
		return why[0]
	}
	for _, l := range a.before {
		if s.d.state[l.other] != placedState {
			return model.Cause{Kind: model.CauseNeeds, Constraint: model.C2, Activity: s.in.acts[l.other].id}
		}
	}
	return model.Cause{Kind: model.CauseHorizon, Constraint: model.C1, Until: s.in.horizon}
}

// trace decodes g with the tracer on; the caller takes it off.
func (s *search) trace(g *genome) outcome {
	s.d.tr = newTracer(s.in, s.runs)
	n := s.d.schedules
	out := s.d.decode(g)
	s.d.schedules = n // it is the same schedule again
	return out
}

// stands says that the plan in force is still feasible as it is, that nothing
// in it can move forward, and that no due date or weight is new: then it stays,
// untouched.
func (s *search) stands() bool {
	if len(s.in.p.Previous) == 0 {
		return false
	}
	warm := s.warm()
	if s.sameJobs() {
		s.runs = s.d.placeFacts(true)
		kept := s.d.decode(warm)
		if kept.pin < 0 && s.replays() && !s.d.advance(s.runs, false) {
			s.best = kept.score
			s.genome.copy(warm)
			return true
		}
		s.runs = s.d.placeFacts(false)
	}
	s.sowBoth(warm, &genome{list: warm.list, keep: s.in.soon()}) // the second needs less polish
	return false
}

// sameJobs says that all jobs are planned for what they were planned for.
func (s *search) sameJobs() bool {
	was := make(map[model.JobID]*model.JobOutcome, len(s.in.p.PreviousJobs))
	for i := range s.in.p.PreviousJobs {
		was[s.in.p.PreviousJobs[i].Job] = &s.in.p.PreviousJobs[i]
	}
	for i := range s.in.jobs {
		j := s.in.jobs[i].src
		if o := was[j.ID]; o == nil || o.Due != j.Due || o.Weight != j.Weight {
			return false
		}
	}
	return true
}

// warm is the plan in force as a genome: its order, its starts as floors, its
// crews.
func (s *search) warm() *genome {
	keys := latestFinish(s.in)
	for i := range s.in.acts {
		if v := s.in.acts[i].prev; v != nil {
			keys[i] = int64(v.start) - int64(forever)
		}
	}
	g := &genome{list: s.in.listBy(keys), opt: make([]int16, len(s.in.acts)), floor: make([]Time, len(s.in.acts)),
		floorAt: make([]Time, s.in.stretchOff[len(s.in.acts)]), crew: make([]int16, s.in.stretchOff[len(s.in.acts)])}
	for i := range g.crew {
		g.floorAt[i], g.crew[i] = -forever, -1
	}
	for i := range s.in.acts {
		a := &s.in.acts[i]
		g.opt[i], g.floor[i] = -1, -forever
		if a.prev != nil && a.ending != nil {
			s.replayEnding(g, int32(i))
		}
		if a.prev == nil || a.begun() {
			continue
		}
		g.floor[i] = a.prev.start
		for k := range a.opts {
			if p := &a.opts[k]; s.in.sameCrews(p, a.prev) && p.mayHold(a.prev.held) {
				g.opt[i] = int16(k)
				break
			}
		}
		s.replay(g, int32(i))
	}
	return g
}

// sameCrews says that p has the crews of v: of every stretch when v knows
// them, else of the first hands-on one.
func (in *instance) sameCrews(p *option, v *previous) bool {
	if len(v.st) != len(p.st) {
		return sameCrew(p, v.crew)
	}
	for i := range p.st {
		if !slices.ContainsFunc(p.st[i].crews, func(c crew) bool { return in.crewIs(c.workers, v.st[i].Workers) }) {
			return false
		}
	}
	return true
}

// mayHold says that the needs of p can be served by these resources.
func (p *option) mayHold(held []int32) bool {
	if len(held) != len(p.needs) {
		return false
	}
	for _, r := range held {
		if !slices.ContainsFunc(p.needs, func(n need) bool { return contains(n.cand, r) }) {
			return false
		}
	}
	return true
}

// replay binds the stretches of a to where the plan in force has them.
func (s *search) replay(g *genome, a int32) {
	act := &s.in.acts[a]
	if len(act.prev.st) != len(act.src.Modes[0].Stretches) || len(act.opts) == 0 {
		return
	}
	for i, st := range act.prev.st {
		o := s.in.stretchOff[a] + int32(i)
		g.floorAt[o] = st.Start
		for k, c := range act.opts[max(g.opt[a], 0)].st[i].crews {
			if len(act.opts[0].st[i].crews) > 1 && s.in.crewIs(c.workers, st.Workers) {
				g.crew[o] = int16(k)
			}
		}
	}
}

// replayEnding binds the ending of a running activity to where the plan in
// force has it.
func (s *search) replayEnding(g *genome, a int32) {
	act := &s.in.acts[a]
	n := len(act.src.Modes[act.src.Progress.Mode].Stretches)
	if len(act.prev.st) != n {
		return
	}
	o, st := s.in.stretchOff[a]+int32(n)-1, act.prev.st[n-1]
	g.floorAt[o] = st.Start
	for k, c := range act.ending.st[0].crews {
		if s.in.crewIs(c.workers, st.Workers) {
			g.crew[o] = int16(k)
		}
	}
}

// crewIs compares sorted crews.
func (in *instance) crewIs(ws []int32, ids []model.WorkerID) bool {
	return slices.EqualFunc(ws, ids, func(w int32, id model.WorkerID) bool { return in.workers[w].id == id })
}

// replays says that the layout has what the plan in force has, and nothing
// else.
func (s *search) replays() bool {
	d := s.d
	for i := range s.in.acts {
		a := &s.in.acts[i]
		if a.begun() {
			continue
		}
		placed := d.state[i] == placedState
		if placed != (a.prev != nil) {
			return false
		}
		if placed && (d.start[i] != a.prev.start || !d.sameHeld(int32(i), a.prev.held) || !d.samePeople(int32(i), a.prev.crew)) {
			return false
		}
	}
	return true
}

// seed is a genome to climb from.
type seed struct {
	genome
	score score
}

// sow tries g and keeps it among the seeds if it is one of the best.
func (s *search) sow(g *genome) { s.keepSeed(g, s.try(g)) }

// sowBoth sows two genomes before anything else. Both are decoded, and the
// least finishes computed, side by side where threads allow.
func (s *search) sowBoth(a, b *genome) {
	other := newDecoder(s.in)
	other.base.set(&s.d.base)
	var of [2]outcome
	s.side(func() { of[0] = s.d.decode(a) }, func() { of[1] = other.decode(b) }, func() { s.least() })
	schedules := s.d.schedules + other.schedules
	for i, g := range []*genome{a, b} {
		if i == 1 && of[1].pin < 0 && of[1].score.less(s.best) {
			s.d = other
		}
		s.d.schedules = schedules
		s.take(g, of[i])
		schedules = s.d.schedules
		s.keepSeed(g, of[i])
	}
}

// side runs independent tasks, at once where threads allow.
func (s *search) side(tasks ...func()) {
	if s.o.Threads < 2 {
		for _, f := range tasks {
			f()
		}
		return
	}
	var wait sync.WaitGroup
	for _, f := range tasks[1:] {
		wait.Go(f)
	}
	tasks[0]()
	wait.Wait()
}

// keepSeed keeps g among the seeds if it is one of the best.
func (s *search) keepSeed(g *genome, out outcome) {
	if out.pin >= 0 || slices.ContainsFunc(s.seeds, func(x seed) bool { return x.score == out.score }) {
		return
	}
	k, _ := slices.BinarySearchFunc(s.seeds, out.score, func(x seed, sc score) int { return x.score.compare(sc) })
	if k == racers {
		return
	}
	x := seed{score: out.score}
	x.copy(g)
	s.seeds = slices.Insert(s.seeds, k, x)
	s.seeds = s.seeds[:min(len(s.seeds), racers)]
}

// Beyond constructMax activities a plan in force is start enough, and building
// forward takes too long where fewer than constructMin schedules are wanted.
const (
	constructMax = 600
	constructMin = 200
)

// construct decodes lists built forward in time, where there are several jobs,
// and each priority rule's list, as far as the count goes; at least one. Few
// schedules are not all spent on it.
func (s *search) construct() {
	large := len(s.in.acts) > constructMax
	if large && len(s.seeds) > 0 {
		return
	}
	if (s.several() || s.in.loose()) && (!large || s.o.Schedules >= constructMin) {
		for _, r := range seeders {
			if s.best != worst && (s.over() || s.d.schedules > s.o.Schedules/4) {
				return
			}
			if g := s.forward(r); g != nil {
				s.sow(g)
			}
		}
	}
	for _, r := range rules {
		if s.best != worst && (s.over() || s.d.schedules > s.o.Schedules/3) {
			return
		}
		s.sow(&genome{list: s.in.listBy(r(s.in))})
	}
}

// clearCrowd puts whole jobs off until those that remain have room to wait.
func (s *search) clearCrowd() {
	s.d.resume = nil // what is shelved shows in no genome
	if s.best.crowd > 0 {
		s.d.decode(&s.genome)
	}
	for s.best.crowd > 0 {
		last, finish := -1, -forever
		for i := range s.in.jobs {
			j := &s.in.jobs[i]
			f, _ := s.d.finishOf(j)
			if s.planned(j) && f > finish {
				last, finish = i, f
			}
		}
		if last < 0 {
			return
		}
		for _, a := range s.in.jobs[last].acts {
			if !s.in.acts[a].begun() {
				s.in.acts[a].shelved = true
				s.unpin(a, model.Cause{Kind: model.CauseBuffer, Constraint: model.C14})
			}
		}
		out := s.d.decode(&s.genome)
		for ; out.pin >= 0; out = s.d.decode(&s.genome) {
			s.drop(out.pin, &s.genome)
		}
		s.best = out.score
	}
}

// unpin gives up all pins of a.
func (s *search) unpin(a int32, why model.Cause) {
	for k := range s.in.pins {
		if n := &s.in.pins[k]; n.act == a && !n.dropped {
			n.dropped, n.why = true, why
		}
	}
}

// planned says that a job has an activity that the decoder placed.
func (s *search) planned(j *job) bool {
	for _, a := range j.acts {
		if s.d.state[a] == placedState && !s.in.acts[a].begun() {
			return true
		}
	}
	return false
}
