package solve

import (
	"slices"

	"tickover/scheduler/model"
)

// mirror is the problem with time running backwards, for scheduling activities
// as late as possible (justification; Valls, Ballestín & Quintanilla, EJOR 165,
// 2005). It is only a source of orders: what its schedules say is decoded
// forward again, so that what it leaves out (releases, due dates, waits in
// their exact sense) costs quality at most. It has the same activities, so
// indices agree.
func mirror(p *model.Problem) *model.Problem {
	q := &model.Problem{
		Now: -p.Horizon, Horizon: -p.Now,
		Weights: model.Weights{Makespan: p.Weights.Makespan},
		Spans:   p.Spans, Parallel: p.Parallel,
	}
	for _, j := range p.Jobs {
		q.Jobs = append(q.Jobs, model.Job{ID: j.ID, Release: q.Now, Due: model.Unlimited, Weight: j.Weight, OnePlace: j.OnePlace})
	}
	for i := range p.Activities {
		a := p.Activities[i]
		a.Release = q.Now
		a.Modes = slices.Clone(a.Modes)
		for k := range a.Modes {
			a.Modes[k].Stretches = slices.Clone(a.Modes[k].Stretches)
			slices.Reverse(a.Modes[k].Stretches)
			st := a.Modes[k].Stretches
			for n := range st {
				st[n].MaxWait = model.Unlimited
			}
		}
		q.Activities = append(q.Activities, a)
	}
	for _, l := range p.Lags {
		b := model.Lag{From: l.To, To: l.From, Min: l.Min}
		if l.ToEnd {
			b.FromPoint = model.Start
		}
		b.ToEnd = l.FromPoint == model.Start
		q.Lags = append(q.Lags, b)
	}
	for _, r := range p.Resources {
		r.Open = mirrored(r.Open)
		r.Closures = slices.Clone(r.Closures)
		for k, c := range r.Closures {
			r.Closures[k].Interval = model.Interval{Start: -c.End, End: -c.Start}
		}
		q.Resources = append(q.Resources, r)
	}
	for _, w := range p.Workers {
		w.Shifts, w.Breaks = mirrored(w.Shifts), mirrored(w.Breaks)
		q.Workers = append(q.Workers, w)
	}
	for _, c := range p.Calendars {
		c.Open = mirrored(c.Open)
		q.Calendars = append(q.Calendars, c)
	}
	return q
}

func mirrored(list []model.Interval) []model.Interval {
	if list == nil {
		return nil
	}
	out := make([]model.Interval, 0, len(list))
	for i := len(list) - 1; i >= 0; i-- {
		out = append(out, model.Interval{Start: -list[i].End, End: -list[i].Start})
	}
	return out
}
