// Package week runs simulated weeks of different shops under different ways to
// decide what is done next, and compares them: the planner, and what a shop
// does by hand (first come first served, earliest promise first, apparent
// tardiness cost), each of these with and without standing by and watching.
//
//	w := week.Draw(seed, 7, week.Size{})
//	out, err := w.Run(ctx, week.Planner(week.Effort{Schedules: 50}))
//
// What it guarantees:
//  1. All ways see the same shop, arrivals, surprises and durations. A duration
//     is drawn from the seed, the unit, the step and the stretch, never from
//     the order of events.
//  2. Nobody knows more than a shop would: a unit before it has arrived, a
//     surprise before it is announced or a duration before it is over.
//  3. What was done is written down as a plan of what happened, and judged by
//     package check against C1 … C14, with the calendars as they are.
//  4. The same seed, size and effort give the same outcome.
//
// A [Simulation] is the same floor without an end: one shop, whose units come
// for as long as anybody asks and leave no trace but what its observer keeps.
//
// What it does not do: the queue, its events and people's mistakes (that is
// services/simshop), or a limit on the units in the yard (C14).
//
// Everybody keeps one rule on top, the planner included: a step is begun only
// if it ends within its hours even when it takes as long as such a step ever
// does (see slowest), because what has begun can't be interrupted.
package week

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"tickover/scheduler/model"
)

// Time counts minutes from the week's first midnight.
type Time = model.Time

const day Time = 24 * 60

// Week is one drawn week of one shop: what there is, what arrives, and what
// will happen. It does not change; weeks may be run concurrently.
type Week struct {
	Seed   uint64
	Number int
	// Luck numbers what nobody can foresee of it; see Size.
	Luck int
	// What was drawn, for tables.
	Benches, Interfaces, Chargers, Pads, Technicians, Units int
	// Winter says short days, at 55.6° N.
	Winter bool
	// LoadPercent is what the units need of the scarcest of technicians,
	// interfaces and pads.
	LoadPercent int

	// shop holds all units with standard times and no surprise.
	shop model.Problem
	// end is when the week ends: the last closing time. Nothing arrives later;
	// what is left is finished in the days after.
	end  Time
	days int

	acts      []act
	jobs      [][]int // activities by job
	index     map[model.ActivityID]int
	resource  map[model.ResourceID]int
	workers   map[model.WorkerID]int
	surprises []surprise
	// moments at which something of the calendars, arrivals or surprises
	// changes, sorted.
	moments []Time
	// work are the workers' shifts without breaks, in the order of shop.Workers.
	work [][]model.Interval
	// crews are the workers one by one; comes are the jobs as they arrive.
	crews [][]model.WorkerID
	comes []int
	// opening hours, and what the outdoor places share.
	open, outdoor []model.Interval
}

// act is a step with what it takes to decide on it.
type act struct {
	src     *model.Activity
	stretch []model.Stretch
	needs   []model.Need
	// actual are the durations as they will be, worst the longest that starts
	// are judged by.
	actual, worst []Time
	job           int
	// release is when its parts are there.
	release Time
	// before are to be done first, and for so long; apart must not run
	// meanwhile.
	before []before
	apart  []int
	// fits are the resources for each need, the plainest first.
	fits [][]int
	// able are the workers with the skills of all stretches, the least
	// skilled first.
	able []int
}

// before is a step that has to be done for at least a time.
type before struct {
	act int
	min Time
}

// surprise is something that nobody knew of before known.
type surprise struct {
	known Time
	model.Interval
	reason           string
	worker, resource int // one of them, the other -1
}

// slowest is the longest that a hands-on stretch takes, slowestOff the longest
// of a hands-off one, and quickest the shortest, in thousandths of the
// standard time.
const (
	quickest    = 700
	slowest     = 1400
	quickestOff = 900
	slowestOff  = 1100
)

func scaled(d Time, permille int64) Time { return max(1, (d*Time(permille)+500)/1000) }

// worst is the longest that a stretch takes.
func worst(st *model.Stretch) Time {
	if st.Workers > 0 {
		return scaled(st.Duration, slowest)
	}
	if st.MaxWait == 0 {
		return st.Duration
	}
	return scaled(st.Duration, slowestOff)
}

// actualOf draws how long a stretch will take: log-normal about its standard
// time, hands-on with σ 0.25, hands-off with σ 0.05, within the bounds above. A
// hands-off time that somebody has to be back for goes by the clock.
func (w *Week) actualOf(id model.ActivityID, k int, st *model.Stretch) Time {
	if st.Workers == 0 && st.MaxWait == 0 {
		return st.Duration
	}
	h := fnv.New64a()
	fmt.Fprintf(h, "%d/%s/%d", w.Number, id, k)
	if w.Luck > 0 {
		fmt.Fprintf(h, "/%d", w.Luck)
	}
	return usual(rand.New(rand.NewPCG(w.Seed, h.Sum64())), st)
}

// usual draws a length by the shop's usual spread.
func usual(r *rand.Rand, st *model.Stretch) Time {
	if st.Workers == 0 && st.MaxWait == 0 {
		return st.Duration
	}
	sigma, lo, hi := 0.25, int64(quickest), int64(slowest)
	if st.Workers == 0 {
		sigma, lo, hi = 0.05, quickestOff, slowestOff
	}
	permille := int64(math.Round(1000 * math.Exp(sigma*r.NormFloat64())))
	return scaled(st.Duration, min(max(permille, lo), hi))
}

// compile derives what decisions look at.
func (w *Week) compile() {
	p := &w.shop
	jobOf := map[model.JobID]int{}
	for i := range p.Jobs {
		jobOf[p.Jobs[i].ID] = i
	}
	w.jobs = make([][]int, len(p.Jobs))
	w.acts = make([]act, len(p.Activities))
	w.index, w.resource, w.workers = map[model.ActivityID]int{}, map[model.ResourceID]int{}, map[model.WorkerID]int{}
	for i := range p.Resources {
		w.resource[p.Resources[i].ID] = i
	}
	for i := range p.Workers {
		w.workers[p.Workers[i].ID] = i
	}
	for i := range p.Activities {
		w.compileAct(i, jobOf[p.Activities[i].Job])
		w.index[p.Activities[i].ID] = i
	}
	parallel := map[[2]int]bool{}
	for _, q := range p.Parallel {
		a, b := w.index[q.A], w.index[q.B]
		parallel[[2]int{a, b}], parallel[[2]int{b, a}] = true, true
	}
	for _, l := range p.Lags {
		to := &w.acts[w.index[l.To]]
		to.before = append(to.before, before{w.index[l.From], l.Min})
	}
	for _, list := range w.jobs {
		for _, a := range list {
			for _, b := range list {
				if a != b && !parallel[[2]int{a, b}] {
					w.acts[a].apart = append(w.acts[a].apart, b)
				}
			}
		}
	}
	for i := range p.Workers {
		w.work = append(w.work, without(p.Workers[i].Shifts, p.Workers[i].Breaks...))
		w.crews = append(w.crews, []model.WorkerID{p.Workers[i].ID})
	}
	for i := range p.Jobs {
		w.comes = append(w.comes, i)
	}
	slices.SortStableFunc(w.comes, func(a, b int) int { return cmp.Compare(p.Jobs[a].Release, p.Jobs[b].Release) })
	w.collectMoments()
}

// worker is the one of a crew, which is of one in these shops.
func (w *Week) worker(crew []model.WorkerID) int { return w.workers[crew[0]] }

func (w *Week) compileAct(i, job int) {
	p := &w.shop
	src := &p.Activities[i]
	a := &w.acts[i]
	*a = act{src: src, stretch: src.Modes[0].Stretches, needs: src.Modes[0].Needs, job: job, release: src.Release}
	w.jobs[job] = append(w.jobs[job], i)
	var skills []string
	for k := range a.stretch {
		a.actual = append(a.actual, w.actualOf(src.ID, k, &a.stretch[k]))
		a.worst = append(a.worst, worst(&a.stretch[k]))
		skills = append(skills, a.stretch[k].Skills...)
	}
	w.means(a, skills)
}

// means finds what and who could do a step.
func (w *Week) means(a *act, skills []string) {
	p := &w.shop
	for _, n := range a.needs {
		var fits []int
		for r := range p.Resources {
			if res := &p.Resources[r]; res.Kind == n.Kind && containsAll(res.Tags, n.Tags) {
				fits = append(fits, r)
			}
		}
		slices.SortStableFunc(fits, func(x, y int) int { return cmp.Compare(len(p.Resources[x].Tags), len(p.Resources[y].Tags)) })
		a.fits = append(a.fits, fits)
	}
	for k := range p.Workers {
		if containsAll(p.Workers[k].Skills, skills) {
			a.able = append(a.able, k)
		}
	}
	slices.SortStableFunc(a.able, func(x, y int) int { return cmp.Compare(len(p.Workers[x].Skills), len(p.Workers[y].Skills)) })
}

func (w *Week) collectMoments() {
	add := func(list []model.Interval) {
		for _, iv := range list {
			w.moments = append(w.moments, iv.Start, iv.End)
		}
	}
	for i := range w.shop.Jobs {
		w.moments = append(w.moments, w.shop.Jobs[i].Release)
	}
	for i := range w.acts {
		w.moments = append(w.moments, w.acts[i].src.Release)
	}
	for i := range w.work {
		add(w.work[i])
	}
	add(w.open)
	add(w.outdoor)
	for _, x := range w.surprises {
		w.moments = append(w.moments, x.known, x.Start, x.End)
	}
	slices.Sort(w.moments)
	w.moments = slices.Compact(w.moments)
}

func containsAll(have, want []string) bool {
	return !slices.ContainsFunc(want, func(s string) bool { return !slices.Contains(have, s) })
}

// without is list less the others; both are sorted and disjoint.
func without(list []model.Interval, others ...model.Interval) []model.Interval {
	out := []model.Interval{}
	for _, iv := range list {
		for _, o := range others {
			if o.End <= iv.Start || o.Start >= iv.End {
				continue
			}
			if o.Start > iv.Start {
				out = append(out, model.Interval{Start: iv.Start, End: o.Start})
			}
			iv.Start = o.End
			if iv.Start >= iv.End {
				break
			}
		}
		if iv.Start < iv.End {
			out = append(out, iv)
		}
	}
	return out
}

// after is the index of the first interval that ends after t.
func after(list []model.Interval, t Time) int {
	i, _ := slices.BinarySearchFunc(list, t, func(iv model.Interval, t Time) int {
		if iv.End > t {
			return 1
		}
		return -1
	})
	return i
}

// openUntil is the end of the interval that holds t, t itself when none does.
func openUntil(list []model.Interval, t Time) Time {
	if i := after(list, t); i < len(list) && list[i].Start <= t {
		return list[i].End
	}
	return t
}

// room is the first moment from t on with d in one interval.
func room(list []model.Interval, t, d Time) Time {
	for i := after(list, t); i < len(list); i++ {
		if s := max(t, list[i].Start); s+d <= list[i].End {
			return s
		}
	}
	return model.Unlimited
}

// walk works d from t on, pausing between intervals: the parts worked.
func walk(list []model.Interval, t, d Time) []model.Interval {
	var out []model.Interval
	for i := after(list, t); i < len(list) && d > 0; i++ {
		s := max(t, list[i].Start)
		e := min(list[i].End, s+d)
		out = append(out, model.Interval{Start: s, End: e})
		d -= e - s
	}
	if d > 0 {
		return nil
	}
	return out
}

// covered is how much of [s, e) lies in the list.
func covered(list []model.Interval, s, e Time) Time {
	var sum Time
	for i := after(list, s); i < len(list) && list[i].Start < e; i++ {
		sum += min(list[i].End, e) - max(list[i].Start, s)
	}
	return sum
}
