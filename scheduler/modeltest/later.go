package modeltest

import (
	"maps"
	"math/rand/v2"
	"slices"

	"tickover/scheduler/model"
)

// Later is the shop of p when everything went as planned until now: what has
// begun runs or is done, and the plan is the one in force.
func Later(p *model.Problem, plan *model.Plan, now model.Time) *model.Problem {
	q := *p
	q.Now = now
	q.Activities = slices.Clone(p.Activities)
	q.Previous, q.PreviousJobs = nil, plan.Jobs
	for _, as := range plan.Assignments {
		i := slices.IndexFunc(q.Activities, func(a model.Activity) bool { return a.ID == as.Activity })
		if as.End > now {
			v := model.Previous{Activity: as.Activity, Start: as.Start, Resources: as.Held, Stretches: as.Stretches}
			for _, st := range as.Stretches {
				if len(st.Workers) > 0 {
					v.Workers = st.Workers
					break
				}
			}
			q.Previous = append(q.Previous, v)
		}
		if as.Start >= now {
			continue
		}
		g := &model.Progress{Mode: as.Mode, Held: as.Held, Done: as.End <= now}
		for _, st := range as.Stretches {
			if st.Start < now || g.Done {
				g.Stretches = append(g.Stretches, st)
			}
		}
		q.Activities[i].Progress = g
	}
	return &q
}

// Shuffle is p with every list in another order.
func Shuffle(r *rand.Rand, p *model.Problem) *model.Problem {
	q := *p
	q.Jobs = shuffled(r, p.Jobs)
	q.Activities = shuffled(r, p.Activities)
	q.Lags = shuffled(r, p.Lags)
	q.Parallel = shuffled(r, p.Parallel)
	q.Resources = shuffled(r, p.Resources)
	q.Workers = shuffled(r, p.Workers)
	q.Calendars = shuffled(r, p.Calendars)
	q.Spans = shuffled(r, p.Spans)
	q.Pins = shuffled(r, p.Pins)
	q.Holds = shuffled(r, p.Holds)
	q.Previous = shuffled(r, p.Previous)
	return &q
}

func shuffled[T any](r *rand.Rand, list []T) []T {
	out := slices.Clone(list)
	r.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// Shift is p with every date moved by d.
func Shift(p *model.Problem, d model.Time) *model.Problem {
	q := *p
	date := func(t model.Time) model.Time {
		if t == model.Unlimited {
			return t
		}
		return t + d
	}
	intervals := func(list []model.Interval) []model.Interval {
		out := slices.Clone(list)
		for i := range out {
			out[i].Start, out[i].End = date(out[i].Start), date(out[i].End)
		}
		return out
	}
	q.Now, q.Horizon = date(p.Now), date(p.Horizon)
	q.Jobs = mapped(p.Jobs, func(j *model.Job) { j.Release, j.Due = date(j.Release), date(j.Due) })
	q.Activities = mapped(p.Activities, func(a *model.Activity) {
		a.Release = date(a.Release)
		if a.Progress != nil {
			g := *a.Progress
			g.Stretches = mapped(g.Stretches, func(s *model.StretchTime) {
				s.Start, s.End, s.Parts = date(s.Start), date(s.End), intervals(s.Parts)
			})
			a.Progress = &g
		}
	})
	q.Resources = mapped(p.Resources, func(r *model.Resource) {
		r.Open = intervals(r.Open)
		r.Closures = mapped(r.Closures, func(c *model.Closure) { c.Start, c.End = date(c.Start), date(c.End) })
	})
	q.Workers = mapped(p.Workers, func(w *model.Worker) { w.Shifts, w.Breaks = intervals(w.Shifts), intervals(w.Breaks) })
	q.Calendars = mapped(p.Calendars, func(c *model.Calendar) { c.Open = intervals(c.Open) })
	q.Pins = mapped(p.Pins, func(n *model.Pin) { n.Start = date(n.Start) })
	q.Holds = mapped(p.Holds, func(h *model.Hold) { h.Until = date(h.Until) })
	q.PreviousJobs = mapped(p.PreviousJobs, func(o *model.JobOutcome) { o.Due = date(o.Due) })
	q.Previous = mapped(p.Previous, func(v *model.Previous) {
		v.Start = date(v.Start)
		v.Stretches = mapped(v.Stretches, func(s *model.StretchTime) {
			s.Start, s.End, s.Parts = date(s.Start), date(s.End), intervals(s.Parts)
		})
	})
	return &q
}

func mapped[T any](list []T, f func(*T)) []T {
	out := slices.Clone(list)
	for i := range out {
		f(&out[i])
	}
	return out
}

// Boundaries are the moments at which something of the plan starts or ends
// after now and before the horizon, sorted.
func Boundaries(p *model.Problem, plan *model.Plan) []model.Time {
	set := map[model.Time]bool{}
	for _, as := range plan.Assignments {
		for _, st := range as.Stretches {
			set[st.Start], set[st.End] = true, true
		}
	}
	return slices.DeleteFunc(slices.Sorted(maps.Keys(set)), func(t model.Time) bool { return t <= p.Now || t >= p.Horizon })
}
