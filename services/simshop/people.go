package simshop

import (
	"slices"
	"sync/atomic"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/dispatch"
)

// person is a simulated technician.
type person struct {
	id     queue.PersonID
	pace   float64     // time taken, as a factor
	played atomic.Bool // by a human: does nothing by himself
	was    bool        // played, when last looked at
	busy   *job        // walks to it, works on it, or stays with it
	until  time.Time
	wakeAt time.Time

	hours    calendar.Set // at work, from hoursOf's midnight on
	hoursOf  calendar.Date
	absences int
}

// Habits of the people: common practice, no source.
const (
	walkMin, walkMax     = 30 * time.Second, 150 * time.Second
	ahead                = 90 * time.Second // leaves for a job this long before its start
	retry                = 3 * time.Minute
	pauseMin, pauseMax   = 15 * time.Second, 2 * time.Minute
	lookAheadDays        = 15
	overtimeMax          = 40 * time.Minute                  // stays for what he began
	forgetMin, forgetMax = 4 * time.Minute, 45 * time.Minute // or until the alarm
)

// present tells whether the person is at work now, and if not, when next.
func (w *world) present(p *person) (bool, time.Time) {
	hours := w.hoursOf(p)
	if hours.Contains(w.now) {
		return true, w.now
	}
	if next, ok := hours.NextOpen(w.now); ok {
		return false, next
	}
	return false, w.now.Add(24 * time.Hour)
}

func (w *world) hoursOf(p *person) calendar.Set {
	a, absences := w.floor.Almanac(), w.floor.View().Absences[p.id]
	today := calendar.DateOf(w.now, a.Location())
	if p.hoursOf != today || p.absences != len(absences) {
		from := today.At(0, a.Location())
		to := today.AddDays(lookAheadDays).At(0, a.Location())
		p.hours = a.Shifts(p.id, absences, from, to).Subtract(a.Breaks(p.id, from, to))
		p.hoursOf, p.absences = today, len(absences)
	}
	return p.hours
}

// wake looks at the person's next job again at t, unless he does so earlier.
func (w *world) wake(p *person, t time.Time) {
	if p.wakeAt.After(w.now) && !p.wakeAt.After(t) {
		return
	}
	p.wakeAt = t
	w.at(t, func() {
		if p.wakeAt.Equal(t) {
			p.wakeAt = time.Time{}
			w.consider(p)
		}
	})
}

// considerAll lets everybody look at the plan, in a fixed order.
func (w *world) considerAll() {
	for _, p := range w.people {
		w.consider(p)
	}
}

// consider lets a person who is free take the next job that the plan has for
// him, or wait for it.
func (w *world) consider(p *person) {
	if played := p.played.Load(); played != p.was {
		p.was = played
		w.adopt(p)
	}
	if p.was || p.busy != nil || w.fatal != nil {
		return
	}
	if w.now.Before(p.until) {
		w.wake(p, p.until)
		return
	}
	plan := w.plan()
	if plan == nil || w.atWorkForReal(p) {
		return
	}
	here, back := w.present(p)
	wait := back
	if here {
		wait = w.now.Add(time.Hour)
	}
	for i := range plan.Steps {
		ps := &plan.Steps[i]
		when, take := w.meantFor(p, ps)
		if take == nil {
			continue
		}
		if when.After(w.now) {
			if here && when.Before(wait) {
				wait = when
			}
			continue
		}
		if (here || w.staysFor(p, ps)) && take() {
			return
		}
	}
	w.wake(p, wait)
}

// atWorkForReal: a human works under the person's name.
func (w *world) atWorkForReal(p *person) bool {
	for _, u := range w.floor.View().OpenUnits() {
		for i := range u.Steps {
			st := &u.Steps[i]
			if st.Status != queue.Running || st.Technician != p.id || w.jobs[queue.Hold{Unit: u.ID, Step: st.ID}] != nil {
				continue
			}
			if op := w.operation(st); op != nil && st.Stretch < len(op.Stretches) && op.Stretches[st.Stretch].HandsOn {
				return true
			}
		}
	}
	return false
}

func (w *world) operation(st *queue.Step) *queue.Operation {
	return w.floor.View().Shop.Operation(st.Operation)
}

// staysFor: a person whose shift is just over comes back to what he began and
// nobody else is planned for.
func (w *world) staysFor(p *person, ps *dispatch.PlannedStep) bool {
	j := w.jobs[queue.Hold{Unit: ps.Unit, Step: ps.Step}]
	return ps.Running && j != nil && j.last == p &&
		w.hoursOf(p).Contains(w.now.Add(-overtimeMax))
}

// meantFor tells when the planned step is the person's to take, and how; nil
// if it is not.
func (w *world) meantFor(p *person, ps *dispatch.PlannedStep) (time.Time, func() bool) {
	key := queue.Hold{Unit: ps.Unit, Step: ps.Step}
	if ps.Running {
		return w.runningFor(p, key, ps)
	}
	if ps.Technician != p.id && ps.Technician != "" { // a step that needs no hands is begun by whoever is free
		return time.Time{}, nil
	}
	when := ps.Start.Add(-ahead)
	if a := ps.Ahead; a != nil && w.now.Before(a.Until) {
		when = w.now
	}
	return when, func() bool { return w.take(p, key, ps) }
}

func (w *world) runningFor(p *person, key queue.Hold, ps *dispatch.PlannedStep) (time.Time, func() bool) {
	j := w.jobs[key]
	if j == nil {
		return time.Time{}, nil
	}
	if j.who != nil {
		if j.walking || j.who == p || !j.op.Handover || j.stretch >= len(ps.Stretches) ||
			!slices.Contains(ps.Stretches[j.stretch].Technicians, p.id) {
			return time.Time{}, nil
		}
		if here, _ := w.present(j.who); here {
			return time.Time{}, nil
		}
		return w.now, func() bool { return w.takeOver(p, j) }
	}
	k := j.nextHandsOn()
	if k < 0 || k >= len(ps.Stretches) {
		return time.Time{}, nil
	}
	who := ps.Stretches[k].Technicians
	if !slices.Contains(who, p.id) {
		return time.Time{}, nil
	}
	when := ps.Stretches[k].Start.Add(-ahead)
	called := j.called
	if called.IsZero() {
		called = j.offEnd // nobody called: he looks for himself
	}
	if called = called.Add(j.late); called.After(when) {
		when = called
	}
	return when, func() bool { return w.attend(p, j, k) }
}

// take accepts a step and walks to it.
func (w *world) take(p *person, key queue.Hold, ps *dispatch.PlannedStep) bool {
	u, st := w.step(key)
	if st == nil || st.Status != queue.Todo || w.leaving[key] {
		return false
	}
	mine := w.jobs[key]
	if st.Accepted != nil && mine == nil {
		return false // a human's
	}
	op := w.operation(st)
	ev := w.readings(u, st, op, true)
	start := &queue.StartStep{Unit: key.Unit, Step: key.Step, Technician: p.id, Resources: ps.Resources, Evidence: ev}
	if r := w.try(p.id, start); r != nil {
		w.wake(p, w.now.Add(retry))
		return false
	}
	if err := w.do(p.id, w.accept(p, ps)); err != nil {
		w.wake(p, w.now.Add(retry))
		return false
	}
	j := &job{key: key, op: op, who: p, last: p, walking: true}
	w.jobs[key], p.busy = j, j
	w.luck("walk", key, st.Runs)
	w.in(w.between(walkMin, walkMax), func() { w.begin(p, j, start) })
	return true
}

// free lets the person look for the next job after a short pause.
func (w *world) free(p *person) {
	if p == nil {
		return
	}
	p.busy = nil
	p.until = w.now.Add(w.between(pauseMin, pauseMax))
	w.wake(p, p.until)
}
