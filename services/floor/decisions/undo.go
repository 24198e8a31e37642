package decisions

import (
	"context"
	"errors"
	"time"

	"tickover/queue"
	"tickover/services/floor/history"
)

// Undo is the action that takes a decision back; why is kept as its reason.
// The error is a *queue.Refusal when that is no longer possible.
func (r *Recent) Undo(ctx context.Context, h history.Reader, st *queue.State, id queue.CommandID, now time.Time, why string) (queue.Action, error) {
	d, ok := r.find(id)
	if !ok {
		return nil, queue.Refuse(queue.CodeUnknown, "Decide anew what should be.", "this decision is not among the recent ones")
	}
	if stuck := d.Stuck(st, now); stuck != nil {
		return nil, stuck
	}
	if x, ok := d.Event.Data.(*queue.ResourceClosed); ok {
		c := closure(x)
		return &queue.Reopen{Resource: x.Resource, Technician: x.Technician, Only: &c, Reason: why}, nil
	}
	unit, _ := d.Event.Subject.Unit()
	if x, ok := d.Event.Data.(*queue.StepSkipped); ok {
		return &queue.ReopenStep{Unit: unit, Step: x.Step, Reason: why}, nil
	}
	was, err := before(ctx, h, st.Units[unit], d.Event.ID)
	if err != nil {
		return nil, err
	}
	switch x := d.Event.Data.(type) {
	case *queue.StepPinned:
		if pin := was.pins[x.Step]; pin != nil {
			return &queue.PinStep{Unit: unit, Step: x.Step, Pin: *pin, Reason: why}, nil
		}
		return &queue.UnpinStep{Unit: unit, Step: x.Step, Reason: why}, nil
	case *queue.StepUnpinned:
		if pin := was.pins[x.Step]; pin != nil {
			return &queue.PinStep{Unit: unit, Step: x.Step, Pin: *pin, Reason: why}, nil
		}
	case *queue.UnitAmended:
		return &queue.AmendUnit{Unit: unit, Change: was.restore(x, why)}, nil
	}
	return nil, queue.Refuse(queue.CodeWrongStep, "Decide anew what should be.", "nothing is left to undo")
}

// values are what can be decided about a unit.
type values struct {
	promise time.Time
	weight  int
	fitment queue.Fitment
	variant queue.Variant
	family  queue.Family
	note    string
	held    bool
	parts   map[queue.StepID]time.Time
	pins    map[queue.StepID]*queue.Pin
}

var errThere = errors.New("there")

// before folds the unit's events up to the one of the decision.
func before(ctx context.Context, h history.Reader, u *queue.Unit, event string) (*values, error) {
	v := &values{parts: map[queue.StepID]time.Time{}, pins: map[queue.StepID]*queue.Pin{}}
	err := h.Events(ctx, u, func(e *queue.Event) error {
		if e.ID == event {
			return errThere
		}
		v.apply(e)
		return nil
	})
	if errors.Is(err, errThere) {
		return v, nil
	}
	if err == nil {
		err = errors.New("undo: the decision is not in the unit's history")
	}
	return nil, err
}

func (v *values) apply(e *queue.Event) {
	switch x := e.Data.(type) {
	case *queue.UnitArrived:
		v.promise, v.weight, v.fitment, v.variant, v.note = x.Promise, x.Weight, x.Machine.Fitment, x.Machine.Variant, x.Note
		v.family = x.Machine.Family
		v.held = false
		for id, t := range x.Parts {
			v.parts[id] = t
		}
		clear(v.pins)
	case *queue.UnitAmended:
		take(&v.promise, x.Promise)
		take(&v.weight, x.Weight)
		take(&v.fitment, x.Fitment)
		take(&v.variant, x.Variant)
		take(&v.family, x.Family)
		take(&v.note, x.Note)
		take(&v.held, x.Held)
		for id, t := range x.Parts {
			v.parts[id] = t
		}
	case *queue.StepPinned:
		pin := x.Pin
		v.pins[x.Step] = &pin
	case *queue.StepUnpinned:
		delete(v.pins, x.Step)
	case *queue.StepStarted:
		delete(v.pins, x.Step) // a start forgets the pin
	}
}

func take[T any](to *T, from *T) {
	if from != nil {
		*to = *from
	}
}

// restore changes back what a change has changed. A part that had no date
// before keeps the new one: the log can't say "no date".
func (v *values) restore(c *queue.UnitAmended, why string) queue.UnitAmended {
	back := queue.UnitAmended{Reason: why}
	if c.Promise != nil {
		back.Promise = &v.promise
	}
	if c.Weight != nil {
		back.Weight = &v.weight
	}
	if c.Fitment != nil {
		back.Fitment = &v.fitment
	}
	if c.Variant != nil {
		back.Variant = &v.variant
	}
	if c.Family != nil {
		back.Family = &v.family
	}
	if c.Note != nil {
		back.Note = &v.note
	}
	if c.Held != nil {
		back.Held = &v.held
	}
	for id := range c.Parts {
		if t, ok := v.parts[id]; ok {
			if back.Parts == nil {
				back.Parts = map[queue.StepID]time.Time{}
			}
			back.Parts[id] = t
		}
	}
	return back
}
