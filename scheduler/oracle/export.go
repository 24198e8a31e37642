package oracle

import (
	"fmt"
	"slices"
	"strings"

	"tickover/scheduler/model"
)

// Export is p as data for Model, in MiniZinc's own format. The cost that the
// model minimises is the objective divided by Unit.
func Export(p *model.Problem) (string, error) {
	if err := Supported(p); err != nil {
		return "", err
	}
	x := newIndex(p)
	d := &data{}
	earliest := p.Now
	for i := range p.Activities {
		if g := p.Activities[i].Progress; g != nil {
			earliest = min(earliest, g.Stretches[0].Start)
		}
	}
	d.set("now", p.Now)
	d.set("horizon", p.Horizon)
	d.set("earliest", earliest)
	x.stretches(d)
	x.activities(d)
	x.windows(d)
	x.resources(d)
	x.needs(d)
	x.relations(d)
	x.pins(d)
	x.jobs(d)
	x.previous(d)
	return d.b.String(), nil
}

// Unit divides every price of p, so that the solver's numbers stay small.
func Unit(p *model.Problem) model.Cost {
	w := p.Weights
	var g model.Cost
	for _, c := range []model.Cost{w.Tardiness, w.Flow, w.Makespan, w.Move, w.Reassign} {
		for c != 0 {
			g, c = c, g%c
		}
	}
	return max(g, 1)
}

// data is a data file in the making.
type data struct{ b strings.Builder }

func (d *data) set(name string, v any) { fmt.Fprintf(&d.b, "%s = %v;\n", name, v) }

func list[T any](d *data, name string, v []T) {
	fmt.Fprintf(&d.b, "%s = %s;\n", name, joined(v))
}

// table has as many columns as rows of the set named.
func table[T any](d *data, name, rows, columns string, v []T) {
	fmt.Fprintf(&d.b, "%s = array2d(1..%s, 1..%s, %s);\n", name, rows, columns, joined(v))
}

func joined[T any](v []T) string {
	words := make([]string, len(v))
	for i := range v {
		words[i] = fmt.Sprint(v[i])
	}
	return "[" + strings.Join(words, ", ") + "]"
}

// index numbers what a problem names, from 1.
type index struct {
	p         *model.Problem
	activity  map[model.ActivityID]int
	job       map[model.JobID]int
	resource  map[model.ResourceID]int
	worker    map[model.WorkerID]int
	calendar  map[model.CalendarID]int
	span      map[model.SpanID]int
	first     []int // stretch before the first one of each activity
	stretchN  int
	heldUntil map[model.ActivityID]model.Time
}

func newIndex(p *model.Problem) *index {
	x := &index{p: p,
		activity: map[model.ActivityID]int{}, job: map[model.JobID]int{}, resource: map[model.ResourceID]int{},
		worker: map[model.WorkerID]int{}, calendar: map[model.CalendarID]int{}, span: map[model.SpanID]int{},
		heldUntil: map[model.ActivityID]model.Time{},
	}
	for i := range p.Activities {
		x.activity[p.Activities[i].ID] = i + 1
		x.first = append(x.first, x.stretchN)
		x.stretchN += len(p.Activities[i].Modes[0].Stretches)
	}
	for i := range p.Jobs {
		x.job[p.Jobs[i].ID] = i + 1
	}
	for i := range p.Resources {
		x.resource[p.Resources[i].ID] = i + 1
	}
	for i := range p.Workers {
		x.worker[p.Workers[i].ID] = i + 1
	}
	for i := range p.Calendars {
		x.calendar[p.Calendars[i].ID] = i + 1
	}
	for i := range p.Spans {
		x.span[p.Spans[i].ID] = i + 1
	}
	for _, h := range p.Holds {
		x.heldUntil[h.Activity] = max(h.Until, x.heldUntil[h.Activity], p.Now)
	}
	return x
}

func (x *index) stretches(d *data) {
	var act, crew, calendar []int
	var duration, wait, start, end []model.Time
	var split, begun, may []bool
	for i := range x.p.Activities {
		a := &x.p.Activities[i]
		for k := range a.Modes[0].Stretches {
			s := &a.Modes[0].Stretches[k]
			var fact *model.StretchTime
			if a.Progress != nil && k < len(a.Progress.Stretches) {
				fact = &a.Progress.Stretches[k]
			}
			act, crew, calendar = append(act, i+1), append(crew, s.Workers), append(calendar, x.calendar[s.Inside])
			duration, split, begun = append(duration, s.Duration), append(split, s.Splittable), append(begun, fact != nil)
			if s.MaxWait == model.Unlimited {
				wait = append(wait, -1)
			} else {
				wait = append(wait, s.MaxWait)
			}
			if fact == nil {
				start, end = append(start, x.p.Now), append(end, x.p.Now)
			} else {
				start, end = append(start, fact.Start), append(end, fact.End)
			}
			for w := range x.p.Workers {
				worker := &x.p.Workers[w]
				if fact != nil {
					may = append(may, has(fact.Workers, worker.ID))
				} else {
					may = append(may, s.Workers > 0 && all(s.Skills, worker.Skills))
				}
			}
		}
	}
	d.set("stretches", x.stretchN)
	d.set("workers", len(x.p.Workers))
	list(d, "actOf", act)
	list(d, "duration", duration)
	list(d, "crew", crew)
	list(d, "maxWait", wait)
	list(d, "splittable", split)
	list(d, "begun", begun)
	list(d, "factStart", start)
	list(d, "factEnd", end)
	table(d, "mayDo", "stretches", "workers", may)
	list(d, "stretchCalendar", calendar)
}

func (x *index) activities(d *data) {
	var first, last, full, calendar, job []int
	var release []model.Time
	var running, handover, presence []bool
	for i := range x.p.Activities {
		a := &x.p.Activities[i]
		st := a.Modes[0].Stretches
		first, last = append(first, x.first[i]+1), append(last, x.first[i]+len(st))
		largest := 0
		for k := range st {
			if st[k].Workers > st[largest].Workers {
				largest = k
			}
		}
		full, calendar = append(full, x.first[i]+largest+1), append(calendar, x.calendar[a.Inside])
		j := &x.p.Jobs[x.job[a.Job]-1]
		release = append(release, max(j.Release, a.Release, x.heldUntil[a.ID], x.p.Now))
		running, handover, presence = append(running, a.Progress != nil), append(handover, a.Handover), append(presence, a.Presence)
		job = append(job, x.job[a.Job])
	}
	d.set("activities", len(x.p.Activities))
	list(d, "firstStretch", first)
	list(d, "lastStretch", last)
	list(d, "fullCrew", full)
	list(d, "release", release)
	list(d, "running", running)
	list(d, "handover", handover)
	list(d, "presence", presence)
	list(d, "activityCalendar", calendar)
	list(d, "jobOf", job)
}

// windowed writes intervals with their owner; no owner for owner "".
func windowed(d *data, count, owner, from, to string, of []int, iv []model.Interval) {
	var starts, ends []model.Time
	for _, w := range iv {
		starts, ends = append(starts, w.Start), append(ends, w.End)
	}
	d.set(count, len(iv))
	if owner != "" {
		list(d, owner, of)
	}
	list(d, from, starts)
	list(d, to, ends)
}

func (x *index) windows(d *data) {
	var of []int
	var all, site []model.Interval
	for i := range x.p.Workers {
		w := &x.p.Workers[i]
		for _, iv := range working(w, x.p) {
			of, all = append(of, i+1), append(all, iv)
		}
		site = append(site, shifts(w, x.p)...)
	}
	windowed(d, "workWindows", "windowOf", "windowFrom", "windowTo", of, all)
	windowed(d, "siteWindows", "", "siteFrom", "siteTo", nil, merged(site))
	of, all = nil, nil
	for i := range x.p.Calendars {
		for _, iv := range merged(x.p.Calendars[i].Open) {
			of, all = append(of, i+1), append(all, iv)
		}
	}
	windowed(d, "calendarWindows", "calendarOf", "calendarFrom", "calendarTo", of, all)
}

// ever is the time line of a problem, for what has no calendar; facts may lie
// before it.
func ever(p *model.Problem) []model.Interval {
	return []model.Interval{{Start: -model.TimeMax, End: max(p.Horizon, 1)}}
}

func shifts(w *model.Worker, p *model.Problem) []model.Interval {
	if w.Shifts == nil {
		return ever(p)
	}
	return w.Shifts
}

// working are the shifts of w without its breaks.
func working(w *model.Worker, p *model.Problem) []model.Interval {
	left := merged(shifts(w, p))
	for _, b := range w.Breaks {
		var next []model.Interval
		for _, iv := range left {
			if before := (model.Interval{Start: iv.Start, End: min(iv.End, b.Start)}); before.Start < before.End {
				next = append(next, before)
			}
			if after := (model.Interval{Start: max(iv.Start, b.End), End: iv.End}); after.Start < after.End {
				next = append(next, after)
			}
		}
		left = next
	}
	return left
}

// merged is sorted, touching and overlapping intervals as one.
func merged(list []model.Interval) []model.Interval {
	sorted := slices.Clone(list)
	slices.SortFunc(sorted, func(a, b model.Interval) int { return int(a.Start - b.Start) })
	var out []model.Interval
	for _, iv := range sorted {
		if n := len(out); n > 0 && iv.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, iv.End)
		} else {
			out = append(out, iv)
		}
	}
	return out
}

func (x *index) resources(d *data) {
	var capacity []int64
	var limited, within []bool
	var of, downOf []int
	var open, down []model.Interval
	for i := range x.p.Resources {
		r := &x.p.Resources[i]
		capacity, limited, within = append(capacity, r.Capacity), append(limited, r.Open != nil), append(within, r.Within)
		for _, iv := range merged(r.Open) {
			of, open = append(of, i+1), append(open, iv)
		}
		for _, c := range r.Closures {
			downOf, down = append(downOf, i+1), append(down, model.Interval{Start: c.Start, End: min(c.End, x.p.Horizon+1)})
		}
	}
	d.set("resources", len(capacity))
	list(d, "capacity", capacity)
	list(d, "limited", limited)
	list(d, "within", within)
	windowed(d, "openWindows", "openOf", "openFrom", "openTo", of, open)
	windowed(d, "closures", "closureOf", "closureFrom", "closureTo", downOf, down)
}

func (x *index) needs(d *data) {
	var of, span []int
	var amount, spanAmount []int64
	var may []bool
	for i := range x.p.Activities {
		a := &x.p.Activities[i]
		for n := range a.Modes[0].Needs {
			need := &a.Modes[0].Needs[n]
			of, span, amount = append(of, i+1), append(span, x.span[need.Span]), append(amount, max(need.Amount, 1))
			for r := range x.p.Resources {
				if a.Progress != nil {
					may = append(may, a.Progress.Held[n] == x.p.Resources[r].ID)
				} else {
					may = append(may, matches(resolve(x.p, need), &x.p.Resources[r]))
				}
			}
		}
	}
	for i := range x.p.Spans {
		spanAmount = append(spanAmount, max(x.p.Spans[i].Need.Amount, 1))
	}
	d.set("needs", len(of))
	list(d, "needOf", of)
	list(d, "amount", amount)
	list(d, "spanOf", span)
	table(d, "mayHold", "needs", "resources", may)
	d.set("spans", len(spanAmount))
	list(d, "spanAmount", spanAmount)
}
