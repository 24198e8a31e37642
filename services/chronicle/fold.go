package chronicle

import (
	"maps"
	"slices"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/services/almanac"
)

func (c *Chronicle) event(e *queue.Event) {
	c.events++
	at := e.When()
	if c.events == 1 {
		c.began = at
	}
	if at.After(c.newest) {
		c.newest = at
	}
	id, ok := e.Subject.Unit()
	if !ok {
		c.shopEvent(e, at)
		return
	}
	if d, ok := e.Data.(*queue.UnitArrived); ok {
		c.arrive(id, at, d)
		return
	}
	u := c.byID[id]
	if u == nil {
		return // dropped
	}
	switch d := e.Data.(type) {
	case *queue.UnitAmended:
		u.amend(at, d)
	case *queue.UnitLeft:
		u.leave(at)
	case *queue.ReworkOpened:
		u.rework(c.shop(), d)
	case *queue.StepsAdded:
		u.added(c.shop(), d)
	default:
		u.stepEvent(c.shop(), e, at)
	}
}

func (c *Chronicle) shopEvent(e *queue.Event, at time.Time) {
	switch d := e.Data.(type) {
	case *queue.ShopConfigured:
		shop := d.Shop
		a, err := almanac.New(&shop)
		if err != nil {
			return // the ledger refuses to serve such a shop
		}
		c.shops = append(c.shops, era{at, &shop, a})
	case *queue.ResourceClosed:
		cl := queue.Closure{From: d.From, Until: d.Until, Reason: d.Reason}
		if d.Resource != "" {
			c.closures[d.Resource] = append(c.closures[d.Resource], cl)
		} else {
			c.absences[d.Technician] = append(c.absences[d.Technician], cl)
		}
	case *queue.ResourceOpened:
		if d.Resource != "" {
			c.closures[d.Resource] = opened(c.closures[d.Resource], d.Only, at)
		} else {
			c.absences[d.Technician] = opened(c.absences[d.Technician], d.Only, at)
		}
	}
}

// opened ends the closures, or only one of them, at a moment; those to come
// are off.
func opened(list []queue.Closure, only *queue.Closure, at time.Time) []queue.Closure {
	var out []queue.Closure
	for _, cl := range list {
		if only != nil && !(cl.From.Equal(only.From) && cl.Until.Equal(only.Until) && cl.Reason == only.Reason) {
			out = append(out, cl)
			continue
		}
		if !cl.From.Before(at) {
			continue
		}
		if cl.Until.After(at) || cl.Until.IsZero() {
			cl.Until = at
		}
		out = append(out, cl)
	}
	return out
}

// shop is the shop file in effect, nil before there is one.
func (c *Chronicle) shop() *queue.Shop {
	if len(c.shops) == 0 {
		return nil
	}
	return c.shops[len(c.shops)-1].shop
}

func (c *Chronicle) arrive(id queue.UnitID, at time.Time, d *queue.UnitArrived) {
	u := &unit{
		Visit:  flow.Visit{Unit: string(id), Arrived: at, Promise: d.Promise, First: d.Promise},
		family: d.Machine.Family, parts: d.Parts,
	}
	if shop := c.shop(); shop != nil {
		for _, st := range shop.StepsOf(d.Route, d.Options) {
			u.steps = append(u.steps, step{id: st.ID, op: shop.Operation(st.Operation), after: st.After, status: queue.Todo})
		}
	}
	c.units, c.byID[id] = append(c.units, u), u
}

func (u *unit) amend(at time.Time, d *queue.UnitAmended) {
	if d.Promise != nil {
		u.Promise = *d.Promise
	}
	if len(d.Parts) > 0 {
		parts := maps.Clone(u.parts)
		if parts == nil {
			parts = map[queue.StepID]time.Time{}
		}
		maps.Copy(parts, d.Parts)
		u.parts = parts
	}
	if d.Held == nil {
		return
	}
	last := len(u.held) - 1
	held := last >= 0 && u.held[last].Until.IsZero()
	switch {
	case *d.Held && !held:
		u.held = append(u.held, queue.Closure{From: at})
	case !*d.Held && held:
		u.held[last].Until = at
	}
}

// leave ends the visit. A unit that left over open steps was as ready as it
// ever got.
func (u *unit) leave(at time.Time) {
	u.Left = at
	if u.Ready.IsZero() {
		u.Ready = at
	}
}

func (u *unit) rework(shop *queue.Shop, d *queue.ReworkOpened) {
	i := slices.IndexFunc(u.steps, func(s step) bool { return s.id == d.Before })
	if i < 0 || shop == nil {
		return
	}
	u.Ready = time.Time{}
	u.steps[i].after = append(slices.Clip(u.steps[i].after), queue.After{Step: d.Step, Max: -1})
	u.steps = slices.Insert(u.steps, i, step{id: d.Step, op: shop.Operation(d.Operation), status: queue.Todo})
}

// added puts the steps of a campaign into the visit.
func (u *unit) added(shop *queue.Shop, d *queue.StepsAdded) {
	if shop == nil || len(d.Steps) == 0 {
		return
	}
	u.Ready = time.Time{}
	for _, w := range d.Waits {
		if st := u.step(w.Step); st != nil {
			st.after = append(slices.Clip(st.after), w.After...)
		}
	}
	at := slices.IndexFunc(u.steps, func(s step) bool { return s.id == d.Before })
	if at >= 0 {
		u.steps[at].after = slices.Clip(u.steps[at].after)
	}
	var steps []step
	for _, rs := range d.Steps {
		op := shop.Operation(rs.Operation)
		if op == nil {
			continue
		}
		steps = append(steps, step{id: rs.ID, op: op, after: rs.After, status: queue.Todo})
		if at >= 0 {
			u.steps[at].after = append(u.steps[at].after, queue.After{Step: rs.ID, Max: -1})
		}
	}
	if at < 0 {
		at = len(u.steps)
	}
	u.steps = slices.Insert(u.steps, at, steps...)
}

func (u *unit) step(id queue.StepID) *step {
	for i := range u.steps {
		if u.steps[i].id == id {
			return &u.steps[i]
		}
	}
	return nil
}

func (u *unit) stepEvent(shop *queue.Shop, e *queue.Event, at time.Time) {
	st := u.step(e.StepOf())
	if st == nil {
		return
	}
	switch d := e.Data.(type) {
	case *queue.StepStarted:
		st.status, st.stretch, st.since = queue.Running, 0, at
		st.technician, st.resources = d.Technician, d.Resources
		if shop != nil && st.op != nil {
			if op := shop.Operation(st.op.ID); op != nil {
				st.op = op
			}
		}
		u.starts = append(u.starts, start{at, st.id, st.op, u.notTill(st)})
	case *queue.StepAdvanced:
		if st.status == queue.Running {
			u.spans = st.spans(u.spans, at)
			st.stretch, st.since = d.Stretch, at
			if d.Technician != "" {
				st.technician = d.Technician
			}
		}
	case *queue.StepDone:
		if st.technician == "" {
			st.technician = d.Technician
		}
		u.end(st, at, queue.Done)
	case *queue.StepFailed:
		u.end(st, at, queue.Todo)
	case *queue.StepSkipped:
		u.end(st, at, queue.Skipped)
	case *queue.StepVoided, *queue.StepReopened:
		st.status = queue.Todo
	}
	u.settle(at)
}

// end closes a step's run.
func (u *unit) end(st *step, at time.Time, status queue.StepStatus) {
	if st.status == queue.Running {
		u.spans = st.spans(u.spans, at)
	}
	st.status, st.ended = status, at
	st.resources, st.technician = nil, ""
}

// settle notes when the last step ended, and takes it back when one is open
// again.
func (u *unit) settle(at time.Time) {
	for i := range u.steps {
		if s := u.steps[i].status; s != queue.Done && s != queue.Skipped {
			u.Ready = time.Time{}
			return
		}
	}
	if u.Ready.IsZero() {
		u.Ready = at
	}
}

// notTill is the end of the times that have to pass after other steps.
func (u *unit) notTill(st *step) (until time.Time) {
	for _, a := range st.after {
		before := u.step(a.Step)
		if a.Min <= 0 || before == nil || before.status != queue.Done {
			continue
		}
		if t := before.ended.Add(a.Min); t.After(until) {
			until = t
		}
	}
	return until
}

// spans appends what the present stretch was until a moment.
func (st *step) spans(out []span, until time.Time) []span {
	add := func(from, to time.Time, state flow.State, pauses bool) {
		if from.Before(to) {
			out = append(out, span{flow.Interval{Start: from, End: to}, state, pauses, st.technician, st.resources})
		}
	}
	if st.op == nil || st.stretch >= len(st.op.Stretches) {
		add(st.since, until, flow.HandsOn, false)
		return out
	}
	x := &st.op.Stretches[st.stretch]
	if x.HandsOn {
		add(st.since, until, flow.HandsOn, x.Splittable)
		return out
	}
	over := st.since.Add(x.Duration)
	if over.After(until) {
		over = until
	}
	add(st.since, over, flow.HandsOff, false)
	add(over, until, flow.Locked, false)
	return out
}
