package week

import (
	"cmp"
	"context"
	"slices"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
)

// Way is a way to decide what is done next.
type Way struct{ begin func(*Week) way }

// Name is for tables.
func (y Way) Name() string { return y.begin(&Week{}).name() }

// Outcome is how a week went.
type Outcome struct {
	Week *Week
	Way  string
	// Watches says that technicians stayed through hands-off time.
	Watches bool
	// Problem and Plan are what happened: true durations, all surprises. No
	// plan was in force, so the stability parts of its cost are zero.
	Problem *model.Problem
	Plan    *model.Plan
	// Violations of C1 … C14 that package check found.
	Violations []check.Violation
	// Moves are the steps that the planner moved though they were to start
	// within 30 minutes, priced by Weights.Move; Plans and Schedules are what
	// it made. By hand there is no plan, and nothing to move.
	Moves, Plans, Schedules int
	Use
}

// Use is how a week went in shares of time. Shares are of the week of arrivals,
// Monday's opening to the last closing time; what is finished later counts for
// Plan.Cost and Kept only.
type Use struct {
	// Kept is the share of units finished by their promise.
	Kept float64
	// PerDay are units finished in the week for each open day.
	PerDay float64
	// FlowHours is the mean time from arrival to finish, nights included.
	FlowHours float64
	// InterfaceBusy is the share of opening hours that an interface works,
	// InterfaceWaits that it is locked by a flash that nobody signs off.
	InterfaceBusy, InterfaceWaits float64
	// Pad is the share of the pads' open windows that they are held.
	Pad float64
	// HandsOn is the share of the technicians' hours that they work,
	// Watching that they stand by.
	HandsOn, Watching float64
}

// J is the objective in weighted minutes, moves included.
func (o *Outcome) J() float64 { return o.Late() + o.Flow() + o.Moved() }

// Late is the weighted tardiness.
func (o *Outcome) Late() float64 { return float64(o.Plan.Cost.Tardiness) / 1000 }

// Flow is the price of the time in the shop.
func (o *Outcome) Flow() float64 { return float64(o.Plan.Cost.Flow) / 1000 }

// Moved is the price of moves.
func (o *Outcome) Moved() float64 { return float64(o.Week.shop.Weights.Move) * float64(o.Moves) / 1000 }

// Run lets the week go by until every unit is finished. An error means that ctx
// ended, or that the rest did not get done in four weeks more.
func (w *Week) Run(ctx context.Context, y Way) (*Outcome, error) {
	decider := y.begin(w)
	f := newFloor(w, decider.watches())
	if err := f.run(ctx, decider); err != nil {
		return nil, err
	}
	o := &Outcome{Week: w, Way: decider.name(), Watches: decider.watches()}
	o.Problem, o.Plan = f.record()
	o.Violations = check.Plan(o.Problem, o.Plan)
	if p, ok := decider.(*planner); ok {
		o.Moves, o.Plans, o.Schedules = p.moves, p.plans, p.schedules
	}
	f.measure(o)
	return o, nil
}

// record writes down what happened.
func (f *floor) record() (*model.Problem, *model.Plan) {
	w := f.w
	q := w.shop
	q.Activities, q.Resources, q.Workers = slices.Clone(q.Activities), slices.Clone(q.Resources), slices.Clone(q.Workers)
	for _, x := range w.surprises {
		if x.worker >= 0 {
			q.Workers[x.worker].Shifts = without(q.Workers[x.worker].Shifts, x.Interval)
		} else {
			r := &q.Resources[x.resource]
			r.Closures = append(slices.Clone(r.Closures), model.Closure{Interval: x.Interval, Reason: x.reason})
		}
	}
	plan := &model.Plan{Seed: w.Seed}
	for a := range w.acts {
		m := model.Mode{Needs: w.acts[a].needs, Stretches: slices.Clone(w.acts[a].stretch)}
		for k := range m.Stretches {
			m.Stretches[k].Duration = w.acts[a].actual[k]
		}
		q.Activities[a].Modes = []model.Mode{m}
		s := &f.state[a]
		as := model.Assignment{Activity: q.Activities[a].ID, Job: q.Activities[a].Job,
			Start: s.times[0].Start, End: s.times[len(s.times)-1].End, Stretches: s.times}
		for _, r := range s.held {
			as.Held = append(as.Held, q.Resources[r].ID)
		}
		plan.Assignments = append(plan.Assignments, as)
	}
	slices.SortFunc(plan.Assignments, func(a, b model.Assignment) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Activity, b.Activity))
	})
	for j := range w.jobs {
		o := f.outcomeOf(j)
		plan.Jobs = append(plan.Jobs, o)
		plan.Cost.Tardiness += q.Weights.Tardiness * model.Cost(o.Weight) * model.Cost(o.Tardiness)
		plan.Cost.Flow += q.Weights.Flow * model.Cost(o.Weight) * model.Cost(o.Finish-q.Jobs[j].Release)
	}
	plan.Cost.Total = plan.Cost.Tardiness + plan.Cost.Flow
	return &q, plan
}

func (f *floor) outcomeOf(j int) model.JobOutcome {
	job := &f.w.shop.Jobs[j]
	o := model.JobOutcome{Job: job.ID, Due: job.Due, Weight: job.Weight, Placed: true}
	for _, a := range f.w.jobs[j] {
		t := f.state[a].times
		o.Finish = max(o.Finish, t[len(t)-1].End)
	}
	o.Tardiness = max(0, o.Finish-o.Due)
	return o
}

// measure works the shares out.
func (f *floor) measure(o *Outcome) {
	w := f.w
	for j, x := range o.Plan.Jobs {
		if x.Tardiness == 0 {
			o.Kept++
		}
		if x.Finish <= w.end {
			o.PerDay++
		}
		o.FlowHours += float64(x.Finish-w.shop.Jobs[j].Release) / 60
	}
	n := float64(len(o.Plan.Jobs))
	o.Kept, o.FlowHours = o.Kept/n, o.FlowHours/n
	o.PerDay /= float64(after(w.open, w.end-1) + 1)
	var busy, waits, pad, hands, watch Time
	for a := range w.acts {
		u := f.useOf(a)
		busy, waits, pad, hands, watch = busy+u.busy, waits+u.waits, pad+u.pad, hands+u.hands, watch+u.watch
	}
	share := func(x, of Time) float64 { return float64(x) / float64(max(1, of)) }
	open := Time(w.Interfaces) * covered(w.open, 0, w.end)
	o.InterfaceBusy, o.InterfaceWaits = share(busy, open), share(waits, open)
	o.Pad = share(pad, f.padWindows())
	var hours Time
	for i := range f.actual {
		hours += covered(f.actual[i], 0, w.end)
	}
	o.HandsOn, o.Watching = share(hands, hours), share(watch, hours)
}

// padWindows are the minutes in which the pads could be used.
func (f *floor) padWindows() Time {
	var sum Time
	for r := range f.w.shop.Resources {
		if f.w.shop.Resources[r].Kind != "pad" {
			continue
		}
		list := f.w.outdoor
		for _, x := range f.w.surprises {
			if x.resource == r {
				list = without(list, x.Interval)
			}
		}
		sum += covered(list, 0, f.w.end)
	}
	return sum
}

// minutes are what a step used of things in the week.
type minutes struct{ busy, waits, pad, hands, watch Time }

func (f *floor) useOf(a int) minutes {
	var u minutes
	act, s := &f.w.acts[a], &f.state[a]
	in := func(iv model.Interval) Time { return max(0, min(iv.End, f.w.end)-iv.Start) }
	first, last := s.times[0].Start, s.times[len(s.times)-1].End
	holds := func(kind string) bool {
		return slices.ContainsFunc(act.needs, func(n model.Need) bool { return n.Kind == kind })
	}
	if holds("pad") {
		u.pad = in(model.Interval{Start: first, End: last})
	}
	for k, t := range s.times {
		parts := t.Parts
		if parts == nil {
			parts = []model.Interval{{Start: t.Start, End: t.End}}
		}
		var worked Time
		for _, iv := range parts {
			worked += in(iv)
		}
		if len(t.Workers) > 0 {
			u.hands += worked
		} else if act.src.Presence && f.watches {
			u.watch += worked
		}
		if holds("interface") {
			u.busy += worked
			if k > 0 {
				u.waits += in(model.Interval{Start: s.times[k-1].End, End: t.Start})
			}
		}
	}
	return u
}
