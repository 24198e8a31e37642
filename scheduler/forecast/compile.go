package forecast

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"slices"

	"tickover/scheduler/model"
)

func compile(in *Input) (*compiled, error) {
	p := in.Problem
	c := &compiled{now: p.Now, horizon: p.Horizon}
	jobs, jobOf := map[model.JobID]int{}, map[model.JobID]*model.Job{}
	for i := range p.Jobs {
		jobOf[p.Jobs[i].ID] = &p.Jobs[i]
	}
	acts, def := map[model.ActivityID]int{}, map[model.ActivityID]*model.Activity{}
	for i := range p.Activities {
		def[p.Activities[i].ID] = &p.Activities[i]
	}
	missing := map[model.JobID]bool{}
	for i := range in.Plan.Unplaced {
		missing[in.Plan.Unplaced[i].Job] = true
	}
	for i := range in.Plan.Jobs {
		jobs[in.Plan.Jobs[i].Job] = len(c.jobs)
		c.jobs = append(c.jobs, in.Plan.Jobs[i].Job)
	}
	slices.Sort(c.jobs)
	for j, id := range c.jobs {
		jobs[id] = j
	}
	c.planned, c.done = make([]model.Time, len(c.jobs)), make([]model.Time, len(c.jobs))
	workers := c.workers(p)
	resources, kinds := c.resources(p)
	calendars := map[model.CalendarID][]model.Interval{}
	for i := range p.Calendars {
		calendars[p.Calendars[i].ID] = p.Calendars[i].Open
	}
	order := slices.Clone(in.Plan.Assignments)
	slices.SortStableFunc(order, func(a, b model.Assignment) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Activity, b.Activity))
	})
	onResource, inJob := map[model.ResourceID][]int{}, map[model.JobID][]int{}
	type begin struct {
		at, end model.Time
		piece   piece
	}
	var begins []begin
	for i := range order {
		as := &order[i]
		a := def[as.Activity]
		if a == nil || as.Mode < 0 || as.Mode >= len(a.Modes) {
			return nil, fmt.Errorf("forecast: the plan places %q in a way that the problem does not know", as.Activity)
		}
		j, ok := jobs[a.Job]
		if !ok {
			return nil, fmt.Errorf("forecast: the plan does not speak of job %q", a.Job)
		}
		at := len(c.acts)
		acts[a.ID] = at
		x := activity{job: j, release: max(a.Release, jobOf[a.Job].Release, p.Now), pieces: len(as.Stretches)}
		if a.Inside != "" {
			x.whole = known(calendars[a.Inside])
		}
		for _, r := range as.Held {
			k, ok := resources[r]
			if !ok {
				continue
			}
			x.held = append(x.held, k)
			if kinds[k].Within {
				x.whole = both(x.whole, c.open[k])
			}
			// Who must be gone before it comes: as many as are there when the
			// place is full in the plan.
			x.place = append(x.place, leaving(in, order, onResource[r], as, kinds[k].Capacity)...)
			onResource[r] = append(onResource[r], i)
		}
		if jobOf[a.Job].OnePlace {
			for _, k := range inJob[a.Job] {
				if order[k].End <= as.Start {
					x.place = append(x.place, acts[order[k].Activity])
				}
			}
		}
		inJob[a.Job] = append(inJob[a.Job], i)
		if g := a.Progress; g != nil && !g.Done && len(g.Stretches) > 0 {
			x.begun, x.start = true, g.Stretches[0].Start
		}
		c.acts = append(c.acts, x)
		c.planned[j] = max(c.planned[j], as.End)
		for s, st := range as.Stretches {
			m := &a.Modes[as.Mode].Stretches[min(s, len(a.Modes[as.Mode].Stretches)-1)]
			pc := piece{act: at, index: s, first: s == 0, last: s == len(as.Stretches)-1, duration: m.Duration, handsOn: m.Workers > 0, splittable: m.Splittable,
				spread: in.Spread(a, s, st.Workers), salt: salted(a.ID, s)}
			if m.Inside != "" {
				pc.inside = known(calendars[m.Inside])
			}
			for _, w := range st.Workers {
				if k, ok := workers[w]; ok {
					pc.crew = append(pc.crew, k)
				}
			}
			if g := a.Progress; g != nil && s < len(g.Stretches) {
				switch e := g.Stretches[s].End; {
				case s < len(g.Stretches)-1 || e <= p.Now:
					pc.over, pc.ended = true, e
				default:
					pc.running, pc.began = true, g.Stretches[s].Start
				}
			}
			begins = append(begins, begin{st.Start, st.End, pc})
		}
	}
	slices.SortStableFunc(begins, func(a, b begin) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.end, b.end))
	})
	// A worker is free in the pause of a stretch, so that it is not simply the
	// piece before that has to be over.
	of := make([][]int, len(c.free))
	for i := range begins {
		p := begins[i].piece
		for _, k := range p.crew {
			for n, j := 0, len(of[k])-1; j >= 0 && n < 2; j-- {
				if before := of[k][j]; begins[before].end <= begins[i].at {
					p.after = append(p.after, before)
					n++
				}
			}
			of[k] = append(of[k], i)
		}
		c.pieces = append(c.pieces, p)
	}
	c.lags(p, acts, def, jobs)
	for id := range missing {
		if j, ok := jobs[id]; ok {
			c.planned[j] = model.Unlimited
		}
	}
	return c, nil
}

func salted(id model.ActivityID, stretch int) uint64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(id)) // never fails
	return h.Sum64() + uint64(stretch)*0x9e3779b97f4a7c15
}

// known makes a calendar's intervals never nil: nil means anywhere.
func known(open []model.Interval) []model.Interval {
	if open == nil {
		return []model.Interval{}
	}
	return open
}

// leaving are the activities that have to end on a resource before another may
// begin there: all that the plan ends by then, of the last ones as many as fill
// it.
func leaving(in *Input, order []model.Assignment, there []int, as *model.Assignment, capacity int64) []int {
	var out []int
	for _, k := range there {
		if order[k].End <= as.Start {
			out = append(out, k)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(order[b].End, order[a].End) })
	if n := int(max(capacity, 1)); capacity > 1 {
		// With room for several, the one that leaves last but n−1 makes room.
		beside := 0
		for _, k := range there {
			if order[k].End > as.Start {
				beside++
			}
		}
		out = out[min(len(out), max(0, n-1-beside)):]
	}
	return out[:min(len(out), 4)]
}

func (c *compiled) workers(p *model.Problem) map[model.WorkerID]int {
	at := map[model.WorkerID]int{}
	for i := range p.Workers {
		w := &p.Workers[i]
		at[w.ID] = len(c.free)
		shifts := w.Shifts
		if shifts == nil {
			shifts = []model.Interval{{Start: 0, End: model.TimeMax}}
		}
		c.free = append(c.free, without(shifts, w.Breaks))
	}
	return at
}

func (c *compiled) resources(p *model.Problem) (map[model.ResourceID]int, []*model.Resource) {
	at := map[model.ResourceID]int{}
	var all []*model.Resource
	for i := range p.Resources {
		r := &p.Resources[i]
		if r.Consumable {
			continue
		}
		at[r.ID] = len(c.open)
		open := r.Open
		if len(r.Closures) > 0 {
			if open == nil {
				open = []model.Interval{{Start: 0, End: model.TimeMax}}
			}
			var shut []model.Interval
			for _, x := range r.Closures {
				shut = append(shut, x.Interval)
			}
			slices.SortFunc(shut, func(a, b model.Interval) int { return cmp.Compare(a.Start, b.Start) })
			open = without(open, shut)
		}
		c.open = append(c.open, open)
		all = append(all, r)
	}
	return at, all
}

// lags keeps the minimum lags between what is still to begin; ends of what is
// over are facts.
func (c *compiled) lags(p *model.Problem, acts map[model.ActivityID]int, def map[model.ActivityID]*model.Activity, jobs map[model.JobID]int) {
	over := map[model.ActivityID]model.Time{}
	for i := range p.Activities {
		a := &p.Activities[i]
		if g := a.Progress; g != nil && g.Done && len(g.Stretches) > 0 {
			end := g.Stretches[len(g.Stretches)-1].End
			over[a.ID] = end
			if j, ok := jobs[a.Job]; ok {
				c.done[j] = max(c.done[j], end)
			}
		}
	}
	for i := range p.Lags {
		l := &p.Lags[i]
		to, ok := acts[l.To]
		if !ok || l.ToEnd {
			continue
		}
		if end, isOver := over[l.From]; isOver && l.FromPoint == model.End {
			c.acts[to].release = max(c.acts[to].release, end+l.Min)
			continue
		}
		if from, ok := acts[l.From]; ok {
			c.acts[to].before = append(c.acts[to].before, before{from, l.Min, l.FromPoint == model.Start})
		}
	}
}

// without cuts intervals out; both sorted.
func without(open, cut []model.Interval) []model.Interval {
	out := make([]model.Interval, 0, len(open))
	k := 0
	for _, o := range open {
		for k > 0 && cut[k-1].End > o.Start {
			k--
		}
		at := o.Start
		for ; k < len(cut) && cut[k].Start < o.End; k++ {
			if cut[k].End <= at {
				continue
			}
			if cut[k].Start > at {
				out = append(out, model.Interval{Start: at, End: cut[k].Start})
			}
			at = max(at, cut[k].End)
		}
		if at < o.End {
			out = append(out, model.Interval{Start: at, End: o.End})
		}
	}
	return out
}

// both is what two sets have in common; nil is everything.
func both(a, b []model.Interval) []model.Interval {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	}
	out := []model.Interval{}
	for i, j := 0, 0; i < len(a) && j < len(b); {
		if s, e := max(a[i].Start, b[j].Start), min(a[i].End, b[j].End); s < e {
			out = append(out, model.Interval{Start: s, End: e})
		}
		if a[i].End < b[j].End {
			i++
		} else {
			j++
		}
	}
	return out
}
