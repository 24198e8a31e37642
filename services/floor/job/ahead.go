package job

import (
	"slices"
	"strings"
	"time"

	"tickover/queue"
)

// Ahead is the sheet as it will be when the stretch has begun: what a phone
// shows that could not tell the shop yet.
func (s Sheet) Ahead(stretch int, at time.Time, who queue.PersonID) Sheet {
	step := *s.Step
	step.Resources = s.Resources()
	if step.Status != queue.Running {
		step.Status, step.Started, step.Technician, step.Accepted = queue.Running, at, who, nil
	}
	step.Stretch, step.StretchStarted = stretch, at
	s.Step = &step
	s.ends = at.Add(s.Stretch().Duration)
	return s
}

// WaitsFor lists the steps of its own unit that have to be settled before it
// can start; empty if something else stands in the way too.
func WaitsFor(s Sheet) []queue.StepID {
	if s.Unit.Held {
		return nil
	}
	var out []queue.StepID
	add := func(id queue.StepID) {
		if !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	for _, a := range s.Step.After {
		if b := s.Unit.Step(a.Step); b != nil && !b.Settled() {
			add(b.ID)
		}
	}
	for i := range s.Unit.Steps {
		if o := &s.Unit.Steps[i]; o.Status == queue.Running && !s.Step.ParallelWith(o) {
			add(o.ID)
		}
	}
	return out
}

// Stands is where the unit was last: what its running step holds (now), else
// where its last step was done. Empty: in the yard, since it arrived.
func Stands(u *queue.Unit) (at []queue.ResourceID, now bool) {
	var last *queue.Step
	for i := range u.Steps {
		st := &u.Steps[i]
		if len(st.Resources) == 0 {
			continue
		}
		if st.Status == queue.Running {
			return st.Resources, true
		}
		if st.Status == queue.Done && (last == nil || st.Ended.After(last.Ended)) {
			last = st
		}
	}
	if last == nil {
		return nil, false
	}
	return last.Resources, false
}

// Meanwhile is the step that somebody can do while a hands-off stretch runs
// until free: the first of his desk that nothing in its unit and no taken
// resource stands in the way of, and that the plan does not begin later.
func Meanwhile(st *queue.State, d Desk, free, now time.Time) *Sheet {
	list := slices.Clone(d.Later)
	if d.Next != nil {
		list = slices.Insert(list, 0, *d.Next)
	}
	for _, s := range append(list, d.Ready...) {
		if Blocked(s).IsZero() && (s.Start().IsZero() || s.Start().Before(free)) && places(st, s, now) {
			return &s
		}
	}
	return nil
}

// places reports that everything the step needs is free.
func places(st *queue.State, s Sheet, now time.Time) bool {
	for _, c := range Choices(st, s, now) {
		if c.MayBeNone {
			continue
		}
		i := slices.IndexFunc(c.Options, func(o Option) bool { return o.Resource.ID == c.Chosen })
		if i < 0 || !c.Options[i].TakenBy.IsZero() {
			return false
		}
	}
	return true
}

// Join writes ids with a space between two.
func Join[T ~string](ids []T) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return strings.Join(out, " ")
}

// First puts a step of the desk at its top.
func (d *Desk) First(s Sheet) {
	same := func(o Sheet) bool { return o.Unit.ID == s.Unit.ID && o.Step.ID == s.Step.ID }
	if d.Next != nil && same(*d.Next) {
		return
	}
	d.Later, d.Ready = slices.DeleteFunc(slices.Clone(d.Later), same), slices.DeleteFunc(slices.Clone(d.Ready), same)
	if d.Next != nil {
		d.Later = slices.Insert(d.Later, 0, *d.Next)
	}
	d.Next = &s
}
