package check

import (
	"slices"

	"tickover/scheduler/model"
)

// windows: C5 against shifts, C8, C9 and C12.
func (c *checker) windows(a *placed) {
	whole := model.Interval{Start: a.as.Start, End: a.as.End}
	for i := a.begun; i < len(a.as.Stretches); i++ {
		c.shift(a, i)
		def, s := &a.mode.Stretches[i], &a.as.Stretches[i]
		if def.Inside != "" && !within(model.Interval{Start: s.Start, End: s.End}, c.calendars[def.Inside].Open) {
			c.limit(model.C9, a, "stretch %d runs [%d, %d), outside %q", i+1, s.Start, s.End, def.Inside)
		}
	}
	if a.Inside != "" && !within(whole, c.calendars[a.Inside].Open) {
		c.limit(model.C9, a, "runs [%d, %d), outside %q", whole.Start, whole.End, a.Inside)
	}
	if a.Presence {
		from := whole
		if a.running() {
			from.Start = min(max(from.Start, c.p.Now), from.End)
		}
		if !within(from, c.present()) {
			c.limit(model.C9, a, "runs [%d, %d) while nobody is on site", from.Start, from.End)
		}
	}
	for _, id := range a.as.Held {
		r := c.resources[id]
		if r.Within && r.Open != nil && !within(whole, r.Open) {
			c.limit(model.C8, a, "holds %q over [%d, %d), outside its open window", id, whole.Start, whole.End)
		}
		if a.running() {
			continue // it was there before the closure
		}
		for i := range a.as.Stretches {
			for _, part := range parts(&a.as.Stretches[i]) {
				if !r.Within && r.Open != nil && !within(part, r.Open) {
					c.add(model.C8, a.ID, "stretch %d works [%d, %d) while %q is closed", i+1, part.Start, part.End, id)
				}
			}
		}
		for _, cl := range r.Closures {
			if overlap(whole, cl.Interval) {
				c.add(model.C12, a.ID, "holds %q over [%d, %d), down from %d to %d (%s)", id, whole.Start, whole.End, cl.Start, cl.End, cl.Reason)
			}
		}
	}
}

// shift: the crew of stretch i is at work in every part of it.
func (c *checker) shift(a *placed, i int) {
	s := &a.as.Stretches[i]
	for _, w := range s.Workers {
		work := c.working(c.workerOf[w])
		for _, part := range parts(s) {
			if !within(part, work) {
				c.limit(model.C5, a, "stretch %d is done over [%d, %d), when %q is off", i+1, part.Start, part.End, w)
			}
		}
	}
}

// parts are the intervals worked.
func parts(s *model.StretchTime) []model.Interval {
	if s.Parts != nil {
		return s.Parts
	}
	return []model.Interval{{Start: s.Start, End: s.End}}
}

// within says that iv lies in one interval of list, touching ones taken as
// one; an empty iv always does.
func within(iv model.Interval, list []model.Interval) bool {
	if iv.Start >= iv.End {
		return true
	}
	var run model.Interval
	for i, o := range list {
		if i > 0 && o.Start <= run.End {
			run.End = max(run.End, o.End)
		} else {
			run = o
		}
		if run.Start <= iv.Start && iv.End <= run.End {
			return true
		}
	}
	return false
}

func overlap(a, b model.Interval) bool {
	return max(a.Start, b.Start) < min(a.End, b.End)
}

// everything is the time line; for what has no calendar.
var everything = []model.Interval{{Start: -model.Unlimited, End: model.Unlimited}}

// working is a worker's shifts without breaks, touching intervals joined.
func (c *checker) working(w *model.Worker) []model.Interval {
	out, ok := c.work[w.ID]
	if !ok {
		out = unbroken(w)
		c.work[w.ID] = out
	}
	return out
}

func unbroken(w *model.Worker) []model.Interval {
	shifts := w.Shifts
	if shifts == nil {
		shifts = everything
	}
	var out []model.Interval
	for _, s := range joined(shifts) {
		at := s.Start
		for _, b := range w.Breaks {
			if b.End <= at || b.Start >= s.End {
				continue
			}
			if b.Start > at {
				out = append(out, model.Interval{Start: at, End: b.Start})
			}
			at = b.End
		}
		if at < s.End {
			out = append(out, model.Interval{Start: at, End: s.End})
		}
	}
	return out
}

// joined merges intervals that touch or overlap; list is sorted by start.
func joined(list []model.Interval) []model.Interval {
	var out []model.Interval
	for _, iv := range list {
		if n := len(out); n > 0 && iv.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, iv.End)
			continue
		}
		out = append(out, iv)
	}
	return out
}

// present is the union of all workers' shifts.
func (c *checker) present() []model.Interval {
	if c.presence == nil {
		c.presence = presence(c.p)
	}
	return c.presence
}

func presence(p *model.Problem) []model.Interval {
	var all []model.Interval
	for i := range p.Workers {
		if p.Workers[i].Shifts == nil {
			return everything
		}
		all = append(all, p.Workers[i].Shifts...)
	}
	slices.SortFunc(all, func(a, b model.Interval) int { return int(a.Start - b.Start) })
	return joined(all)
}

func intersect(a, b []model.Interval) []model.Interval {
	var out []model.Interval
	for _, x := range a {
		for _, y := range b {
			if overlap(x, y) {
				out = append(out, model.Interval{Start: max(x.Start, y.Start), End: min(x.End, y.End)})
			}
		}
	}
	return out
}
