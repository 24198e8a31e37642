// Package decisions remembers what foremen decided lately and says how each
// can be undone.
//
//	recent, err := decisions.Watch(ctx, ledger, log, site)
//	for _, d := range recent.Newest(8) { why := d.Stuck(state, now) … }
//	action, err := recent.Undo(ctx, history, state, command, now)
//
// It guarantees that an undo puts back exactly what stood before, as the log
// tells it (but a part that had no date keeps the new one), and that it is refused, with a sentence, once the floor has acted
// on the decision or somebody has decided otherwise since. An undo is itself a
// command; nothing is taken out of the log. What is older than the last
// [kept] decisions is not offered.
package decisions

import (
	"context"
	"slices"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/ledger"
)

const (
	kept = 50   // decisions
	tail = 2000 // entries of the log read at the start
)

// Decision is one that a foreman took.
type Decision struct {
	Command queue.CommandID
	Seq     uint64
	At      time.Time
	By      queue.PersonID
	Event   queue.Event
}

// Recent is the list of the last decisions, fed by the ledger. It is safe for
// concurrent use.
type Recent struct {
	mu   sync.Mutex
	list []Decision // by Seq
}

// Watch reads the end of the log and follows it from then on. The list is
// complete from the start on if the error is nil; else it begins empty.
func Watch(ctx context.Context, l *ledger.Ledger, from log.Log, site queue.SiteID) (*Recent, error) {
	r := &Recent{}
	l.Observe(r.note)
	seq := l.View().Seq
	if seq > tail {
		seq -= tail
	} else {
		seq = 0
	}
	last := l.View().Seq
	err := from.Read(ctx, site, seq, func(en *queue.Entry) error {
		if en.Seq <= last {
			r.note(en)
		}
		return nil
	})
	return r, err
}

func (r *Recent) note(en *queue.Entry) {
	i := slices.IndexFunc(en.Events, func(e queue.Event) bool { return decided(&e) })
	if i < 0 {
		return
	}
	e := en.Events[i]
	d := Decision{Command: e.Command, Seq: en.Seq, At: e.When(), By: e.Actor, Event: e}
	r.mu.Lock()
	defer r.mu.Unlock()
	at, found := slices.BinarySearchFunc(r.list, d.Seq, func(x Decision, seq uint64) int {
		switch {
		case x.Seq < seq:
			return -1
		case x.Seq > seq:
			return 1
		}
		return 0
	})
	if found {
		return
	}
	r.list = slices.Insert(r.list, at, d)
	if n := len(r.list) - kept; n > 0 {
		r.list = slices.Delete(r.list, 0, n)
	}
}

// decided reports an event that a foreman's decision leaves behind.
func decided(e *queue.Event) bool {
	switch e.Data.(type) {
	case *queue.StepPinned, *queue.StepUnpinned, *queue.UnitAmended, *queue.ResourceClosed, *queue.ResourceOpened, *queue.StepSkipped, *queue.StepReopened:
		return true
	}
	return false
}

// Newest are the last n decisions, the newest first.
func (r *Recent) Newest(n int) []Decision {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := slices.Clone(r.list[max(0, len(r.list)-n):])
	slices.Reverse(out)
	return out
}

// Has reports that the command is among them.
func (r *Recent) Has(id queue.CommandID) bool {
	_, ok := r.find(id)
	return ok
}

func (r *Recent) find(id queue.CommandID) (Decision, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	i := slices.IndexFunc(r.list, func(d Decision) bool { return d.Command == id })
	if i < 0 {
		return Decision{}, false
	}
	return r.list[i], true
}

// Stuck says why the decision can't be undone any more; nil: it can.
func (d *Decision) Stuck(st *queue.State, now time.Time) *queue.Refusal {
	switch x := d.Event.Data.(type) {
	case *queue.ResourceClosed:
		return stuckClosure(st, x, now)
	case *queue.ResourceOpened:
		return queue.Refuse(queue.CodeWrongStep, "Close it again if it is needed.", "a reopening is not undone: what was closed before may be over")
	case *queue.StepReopened:
		return queue.Refuse(queue.CodeWrongStep, "Leave the step out if it is not needed.", "asking for a step again is not undone")
	}
	id, _ := d.Event.Subject.Unit()
	u := st.Units[id]
	if u == nil || u.Status != queue.InShop {
		return queue.Refuse(queue.CodeWrongStep, "Check it in again if it is back.", "unit %s has left", id)
	}
	switch x := d.Event.Data.(type) {
	case *queue.UnitAmended:
		if !stands(u, x) {
			return queue.Refuse(queue.CodeWrongStep, "Look at the unit's page for what stands now.", "unit %s was changed again since", id)
		}
		return floorActed(st, u, d.At, func(s *queue.Step) bool {
			_, part := x.Parts[s.ID]
			return part || s.Kind == queue.Flash && (x.Fitment != nil || x.Variant != nil) || x.Held != nil && !*x.Held
		})
	case *queue.StepPinned:
		return stuckStep(st, u, x.Step, func(s *queue.Step) bool { return s.Pin != nil && samePin(*s.Pin, x.Pin) })
	case *queue.StepUnpinned:
		return stuckStep(st, u, x.Step, func(s *queue.Step) bool { return s.Pin == nil })
	case *queue.StepSkipped:
		if s := u.Step(x.Step); s == nil || s.Status != queue.Skipped {
			return queue.Refuse(queue.CodeWrongStep, "Look at the unit's page for what stands now.", "step %s of unit %s is to be done again already", x.Step, id)
		}
		after := followers(u, x.Step)
		return floorActed(st, u, d.At, func(s *queue.Step) bool { return after[s.ID] })
	}
	return nil
}

func stuckClosure(st *queue.State, x *queue.ResourceClosed, now time.Time) *queue.Refusal {
	cs, name := st.Closures[x.Resource], st.Shop.ResourceName(x.Resource)
	if x.Technician != "" {
		cs, name = st.Absences[x.Technician], st.Shop.TechnicianName(x.Technician)
	}
	switch {
	case !slices.ContainsFunc(cs, func(c queue.Closure) bool {
		return c.From.Equal(x.From) && c.Until.Equal(x.Until) && c.Reason == x.Reason
	}):
		return queue.Refuse(queue.CodeWrongStep, "Nothing to do.", "this closure or absence of %s is taken back already", name)
	case !x.Until.After(now):
		return queue.Refuse(queue.CodeWrongStep, "Nothing to do.", "this closure or absence of %s is over", name)
	}
	return nil
}

func closure(x *queue.ResourceClosed) queue.Closure {
	return queue.Closure{From: x.From, Until: x.Until, Reason: x.Reason}
}

// stuckStep refuses once the floor has begun the step, or the pin is another.
func stuckStep(st *queue.State, u *queue.Unit, id queue.StepID, stands func(*queue.Step) bool) *queue.Refusal {
	s := u.Step(id)
	const look = "Look at the unit's page for what stands now."
	switch {
	case s == nil:
		return queue.Refuse(queue.CodeWrongStep, look, "unit %s has no step %q any more", u.ID, id)
	case s.Status != queue.Todo:
		return acted(st, u, s)
	case !stands(s):
		return queue.Refuse(queue.CodeWrongStep, look, "step %s of unit %s was decided otherwise since", id, u.ID)
	}
	return nil
}

// floorActed refuses once the floor has begun one of the steps since.
func floorActed(st *queue.State, u *queue.Unit, since time.Time, one func(*queue.Step) bool) *queue.Refusal {
	for i := range u.Steps {
		if s := &u.Steps[i]; !s.Started.IsZero() && !s.Started.Before(since) && one(s) {
			return acted(st, u, s)
		}
	}
	return nil
}

func acted(st *queue.State, u *queue.Unit, s *queue.Step) *queue.Refusal {
	if s.Status == queue.Running {
		return queue.Refuse(queue.CodeWrongStep, "Let it be finished.", "the floor has acted on it: step %s of unit %s runs since %s", s.ID, u.ID, s.Started.In(st.Shop.Location()).Format("15:04"))
	}
	return queue.Refuse(queue.CodeWrongStep, "Look at the unit's page for what stands now.", "the floor has acted on it: step %s of unit %s is %s", s.ID, u.ID, s.Status)
}

// followers are the steps that wait for one, perhaps over others.
func followers(u *queue.Unit, id queue.StepID) map[queue.StepID]bool {
	out := map[queue.StepID]bool{}
	for more := true; more; {
		more = false
		for i := range u.Steps {
			s := &u.Steps[i]
			if !out[s.ID] && slices.ContainsFunc(s.After, func(a queue.After) bool { return a.Step == id || out[a.Step] }) {
				out[s.ID], more = true, true
			}
		}
	}
	return out
}

// stands reports that the unit still is as the change made it.
func stands(u *queue.Unit, c *queue.UnitAmended) bool {
	for id, t := range c.Parts {
		if !u.Parts[id].Equal(t) {
			return false
		}
	}
	return (c.Promise == nil || u.Promise.Equal(*c.Promise)) && (c.Weight == nil || u.Weight == *c.Weight) &&
		(c.Fitment == nil || u.Machine.Fitment == *c.Fitment) && (c.Variant == nil || u.Machine.Variant == *c.Variant) && (c.Note == nil || u.Note == *c.Note) && (c.Held == nil || u.Held == *c.Held)
}

func samePin(a, b queue.Pin) bool {
	sameStart := a.Start == nil && b.Start == nil || a.Start != nil && b.Start != nil && a.Start.Equal(*b.Start)
	return sameStart && a.Technician == b.Technician && slices.Equal(a.Resources, b.Resources)
}
