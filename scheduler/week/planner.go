package week

import (
	"context"
	"slices"

	"tickover/scheduler"
	"tickover/scheduler/model"
)

// Effort is how hard the planner searches.
type Effort struct {
	// Schedules a plan.
	Schedules int
	// Improve is the number for the first plan in any opening hours, when there
	// was all night for it.
	Improve int
	// Observe, if set, is called with the week, and each problem and its plan
	// by its number; its error ends the run.
	Observe func(w *Week, n int, p *model.Problem, plan *model.Plan) error
}

// UsualEffort is what bench-shop spends: less than a shop's dispatcher does,
// which goes on looking between events (scheduler.Effort).
var UsualEffort = Effort{Schedules: 150, Improve: 1000}

// Planner is the product's way: a plan, made anew whenever something is
// otherwise than planned, from standard times and what is known. People do what
// it has for now, and whoever is free meanwhile goes ahead with what is planned
// for later, where that is in nobody's way (see fill).
func Planner(e Effort) Way {
	return Way{func(w *Week) way {
		return &planner{effort: e, holds: make([]Time, len(w.acts)), at: make([]int, len(w.acts))}
	}}
}

type planner struct {
	effort Effort
	plan   *model.Plan
	// at is the place in the plan of each activity, -1 for none.
	at []int
	// holds are when a start that was refused is tried again.
	holds     []Time
	day       int // the opening hours last planned for, from 1
	plans     int
	moves     int
	schedules int
}

func (p *planner) name() string  { return "planner" }
func (p *planner) watches() bool { return false }

// slack is how far the floor may be off the plan before it is made anew.
const slack Time = 1

// plansMax bounds the plans made at one moment.
const plansMax = 5

func (p *planner) decide(ctx context.Context, f *floor) (Time, error) {
	if f.arrived == 0 {
		return 0, nil
	}
	refused := false
	if p.plan != nil && !f.news {
		refused = p.goOn(f)
	}
	for range plansMax {
		if p.plan != nil && !f.news && !refused && !p.deviates(f) {
			break
		}
		if err := p.replan(ctx, f); err != nil {
			return 0, err
		}
		f.news = false
		refused = p.goOn(f)
	}
	return p.wake(f), nil
}

// goOn lets people begin what the plan has for now, and whoever is free then
// what it has for later. That needs no other plan first: who is done early
// takes what comes next. It says whether something was refused.
func (p *planner) goOn(f *floor) bool {
	refused := p.execute(f)
	for p.fill(f) {
	}
	return refused
}

// fill lets whoever is free begin the first step of the plan that he can do
// now, or sign off the first that waits for it, though it is planned for later
// or for somebody else, if it is over before what is planned earlier needs him
// or what it takes.
func (p *planner) fill(f *floor) bool {
	for w := range f.busy {
		if f.busy[w] >= 0 || openUntil(f.known[w], f.now) <= f.now {
			continue
		}
		for i := range p.plan.Assignments {
			as := &p.plan.Assignments[i]
			a := f.w.index[as.Activity]
			switch s := &f.state[a]; {
			case s.waits:
				if st := &as.Stretches[s.stretch]; f.mayContinue(a, w) && p.handsFree(f, as, w, st.Start, st.End-st.Start) {
					f.work(a, w)
					return true
				}
			case f.ready(a) && f.free(a, w):
				held, ok := p.spare(f, as)
				if !ok || !p.handsFree(f, as, w, as.Start, as.Stretches[0].End-as.Stretches[0].Start) {
					continue
				}
				if ok, _ := f.mayStart(a, w, held); ok {
					f.start(a, w, held)
					return true
				}
			}
		}
	}
	return false
}

// spare is what a planned step holds, if all of it is free and not planned
// meanwhile for something of an earlier start.
func (p *planner) spare(f *floor, as *model.Assignment) ([]int, bool) {
	var held []int
	for _, id := range as.Held {
		r := f.w.resource[id]
		if !f.spare(r) {
			return nil, false
		}
		held = append(held, r)
	}
	hold := model.Interval{Start: f.now, End: f.now + as.End - as.Start}
	for i := range p.plan.Assignments {
		o := &p.plan.Assignments[i]
		if o == as || o.Start >= as.Start || f.state[f.w.index[o.Activity]].status != todo {
			continue
		}
		if overlap(hold, model.Interval{Start: o.Start, End: o.End}) && o.Start > f.now && f.shares(as, o) {
			return nil, false
		}
	}
	return held, true
}

// handsFree says that the worker, if he were at work from now on for the length
// of a stretch that is planned for later, would be kept from nothing of an
// earlier start.
func (p *planner) handsFree(f *floor, as *model.Assignment, w int, start, length Time) bool {
	hands := model.Interval{Start: f.now, End: f.now + length}
	for i := range p.plan.Assignments {
		o := &p.plan.Assignments[i]
		if o == as || o.Start >= start {
			continue
		}
		s := &f.state[f.w.index[o.Activity]]
		if s.status == done {
			continue
		}
		for _, st := range o.Stretches[len(s.times):] { // it may be ahead of the plan
			if overlap(hands, model.Interval{Start: st.Start, End: st.End}) && slices.Contains(st.Workers, f.w.shop.Workers[w].ID) {
				return false
			}
		}
	}
	return true
}

// shares says that two steps need a resource that only one can have.
func (f *floor) shares(a, b *model.Assignment) bool {
	return slices.ContainsFunc(a.Held, func(id model.ResourceID) bool {
		return f.w.shop.Resources[f.w.resource[id]].Capacity == 1 && slices.Contains(b.Held, id)
	})
}

func overlap(a, b model.Interval) bool { return max(a.Start, b.Start) < min(a.End, b.End) }

// deviates says that something is otherwise than planned, and not just earlier:
// who is early goes on with what comes next, and everything else may stay.
func (p *planner) deviates(f *floor) bool {
	for i := range f.state {
		s := &f.state[i]
		if p.at[i] < 0 {
			if s.status == running {
				return true
			}
			continue
		}
		as := &p.plan.Assignments[p.at[i]]
		switch s.status {
		case todo:
			if as.Start < f.now-slack {
				return true
			}
		case running:
			k := len(s.times) - 1
			end := as.Stretches[k].End
			if s.waits {
				end = as.Stretches[k+1].Start
			}
			if s.times[k].Start > as.Stretches[k].Start+slack || end < f.now-slack {
				return true
			}
		case done:
			if s.times[len(s.times)-1].End > as.End+slack {
				return true
			}
			p.at[i] = -1
		}
	}
	return false
}

// execute begins what the plan has for now, and says whether something was
// refused.
func (p *planner) execute(f *floor) bool {
	refused := false
	for i := range p.plan.Assignments {
		as := &p.plan.Assignments[i]
		a := f.w.index[as.Activity]
		s := &f.state[a]
		switch {
		case s.waits:
			k := s.stretch
			if as.Stretches[k].Start > f.now {
				continue
			}
			if w := f.w.worker(as.Stretches[k].Workers); f.mayContinue(a, w) {
				f.work(a, w)
			} else if i := slices.IndexFunc(f.w.acts[a].able, func(w int) bool { return f.mayContinue(a, w) }); i >= 0 {
				f.work(a, f.w.acts[a].able[i])
			}
		case s.status == todo && as.Start <= f.now && f.ready(a):
			refused = p.begin(f, a, as) || refused
		}
	}
	return refused
}

// begin starts a step as planned; it says whether that was refused though all
// that it takes is free.
func (p *planner) begin(f *floor, a int, as *model.Assignment) bool {
	w := f.w.worker(as.Stretches[0].Workers)
	if !f.free(a, w) {
		return false
	}
	var held []int
	for _, id := range as.Held {
		r := f.w.resource[id]
		if !f.spare(r) {
			return false
		}
		held = append(held, r)
	}
	ok, again := f.mayStart(a, w, held)
	if ok {
		f.start(a, w, held)
		return false
	}
	p.holds[a] = again
	return true
}

// wake is the next moment of the plan.
func (p *planner) wake(f *floor) Time {
	t := model.Unlimited
	look := func(x Time) {
		if x > f.now {
			t = min(t, x)
		}
	}
	for i := range f.state {
		if p.at[i] < 0 || f.state[i].status == done {
			continue
		}
		as := &p.plan.Assignments[p.at[i]]
		look(as.Start)
		look(as.Start + slack + 1)
		if s := &f.state[i]; s.status == running {
			look(as.Stretches[len(s.times)-1].End + slack + 1)
			if s.waits {
				look(as.Stretches[s.stretch].Start)
				look(as.Stretches[s.stretch].Start + slack + 1)
			}
		}
	}
	if t == model.Unlimited {
		return 0
	}
	return t
}

func (p *planner) replan(ctx context.Context, f *floor) error {
	q := p.problem(f)
	n := p.effort.Schedules
	if day := after(f.w.open, f.now) + 1; day != p.day {
		p.day, n = day, max(n, p.effort.Improve)
	}
	plan, err := scheduler.Plan(ctx, q, scheduler.Options{Schedules: n, Seed: f.w.Seed})
	if err != nil {
		return err
	}
	if plan.Cut {
		return ctx.Err()
	}
	if p.effort.Observe != nil {
		if err := p.effort.Observe(f.w, p.plans, q, plan); err != nil {
			return err
		}
	}
	p.plan = plan
	p.plans++
	p.moves += plan.Cost.MovesCount
	p.schedules += plan.Schedules
	for i := range p.at {
		p.at[i] = -1
	}
	for i := range plan.Assignments {
		p.at[f.w.index[plan.Assignments[i].Activity]] = i
	}
	return nil
}

// horizonDays are the days planned for.
const horizonDays = 14

// problem is what the planner is told: what is in the shop, with standard
// times, and what is known of the future.
func (p *planner) problem(f *floor) *model.Problem {
	w := f.w
	q := &model.Problem{
		Origin: w.shop.Origin, Now: f.now, Horizon: min(w.shop.Horizon, f.now-f.now%day+horizonDays*day),
		Calendars: w.shop.Calendars, Weights: w.shop.Weights,
	}
	for j := range w.shop.Jobs {
		if w.shop.Jobs[j].Release > f.now || !slices.ContainsFunc(w.jobs[j], func(a int) bool { return f.state[a].status != done }) {
			continue
		}
		q.Jobs = append(q.Jobs, w.shop.Jobs[j])
		for _, a := range w.jobs[j] {
			p.activity(f, q, a)
		}
	}
	p.relations(f, q)
	p.means(f, q)
	return q
}

func (p *planner) activity(f *floor, q *model.Problem, a int) {
	s := &f.state[a]
	if s.status == done {
		return
	}
	act := *f.w.acts[a].src
	if s.status == running {
		act.Progress = f.progressOf(a)
	} else if p.holds[a] > f.now {
		q.Holds = append(q.Holds, model.Hold{Activity: act.ID, Until: p.holds[a], Reason: "it might not be over in time"})
	}
	q.Activities = append(q.Activities, act)
	if p.plan != nil && p.at[a] >= 0 && s.status == todo {
		as := &p.plan.Assignments[p.at[a]]
		q.Previous = append(q.Previous, model.Previous{
			Activity: act.ID, Start: as.Start, Resources: as.Held, Workers: as.Stretches[0].Workers, Stretches: as.Stretches,
		})
	}
}

// relations are the lags and pairs among activities that are not done.
func (p *planner) relations(f *floor, q *model.Problem) {
	open := func(id model.ActivityID) bool {
		a := f.w.index[id]
		return f.w.shop.Jobs[f.w.acts[a].job].Release <= f.now && f.state[a].status != done
	}
	for _, l := range f.w.shop.Lags {
		if open(l.From) && open(l.To) {
			q.Lags = append(q.Lags, l)
		}
	}
	for _, x := range f.w.shop.Parallel {
		if open(x.A) && open(x.B) {
			q.Parallel = append(q.Parallel, x)
		}
	}
}

// means are resources and workers with the surprises heard of.
func (p *planner) means(f *floor, q *model.Problem) {
	q.Resources = slices.Clone(f.w.shop.Resources)
	q.Workers = slices.Clone(f.w.shop.Workers)
	for i, x := range f.w.surprises {
		switch {
		case !f.heard[i] || x.End <= f.now:
		case x.resource >= 0:
			r := &q.Resources[x.resource]
			r.Closures = append(slices.Clone(r.Closures), model.Closure{Interval: x.Interval, Reason: x.reason})
		default:
			w := &q.Workers[x.worker]
			w.Shifts = without(w.Shifts, x.Interval)
		}
	}
}

// progressOf is what is known of a running step; the end of the present
// stretch is expected by its standard time.
func (f *floor) progressOf(a int) *model.Progress {
	s, act := &f.state[a], &f.w.acts[a]
	g := &model.Progress{Stretches: slices.Clone(s.times)}
	for _, r := range s.held {
		g.Held = append(g.Held, f.w.shop.Resources[r].ID)
	}
	if s.waits {
		return g
	}
	last := &g.Stretches[len(g.Stretches)-1]
	st := &act.stretch[s.stretch]
	last.Parts = nil
	switch {
	case st.Workers == 0:
		last.End = last.Start + expected(st.Duration, f.now-last.Start, st.Duration/20)
	case st.Splittable:
		worked := covered(f.known[s.owner], last.Start, f.now)
		parts := walk(f.known[s.owner], f.now, expected(st.Duration, worked, st.Duration/5)-worked)
		last.End = parts[len(parts)-1].End
	default:
		last.End = last.Start + expected(st.Duration, f.now-last.Start, st.Duration/5)
	}
	return g
}

// expected is how long work of a standard time takes in all that has taken so
// long and is not over. Hands-on work that is overdue is taken to need a fifth
// more: what is left on average of a log-normal length with σ 0.25 that has used
// its standard time up (1.03·Φ(0.25)/Φ(0) − 1 = 0.24, less what the bounds cut
// off); machines, with σ 0.05, need a twentieth. When that is over too, it will
// be twice as much beyond the standard, and so on: between these moments
// nothing is expected anew, so that what waits for it keeps its place.
func expected(standard, taken, more Time) Time {
	if taken < standard {
		return standard
	}
	more = max(1, more)
	for standard+more <= taken {
		more *= 2
	}
	return standard + more
}
