package dispatch

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// slack is how far the floor may be off the plan before the plan is made anew.
const slack = time.Minute

// waited are the steps that did not start when they were planned first, and
// that moment. They were planned for the next minute since, again and again.
type waited map[queue.Hold]time.Time

// patienceMax bounds how long a plan stays in force after a step did not start.
const patienceMax = 10 * time.Minute

// patience is how late a planned step may start before the plan is made anew:
// the slack, and half of what it has waited already. Nobody knows when a start
// will come that has not come; who plans for the next minute each minute moves
// everything that follows, each minute.
func (w waited) patience(ps *PlannedStep) time.Duration {
	since, ok := w[queue.Hold{Unit: ps.Unit, Step: ps.Step}]
	if !ok {
		return slack
	}
	return slack + min(max(0, ps.Start.Sub(since)/2), patienceMax)
}

// after are those that wait by the next plan, made now.
func (w waited) after(p, next *Plan, now time.Time) waited {
	if p == nil {
		return nil
	}
	missed := waited{}
	for i := range p.Steps {
		ps := &p.Steps[i]
		if key := (queue.Hold{Unit: ps.Unit, Step: ps.Step}); !ps.Running && now.After(ps.Start.Add(slack)) {
			missed[key] = ps.Start
			if since, ok := w[key]; ok {
				missed[key] = since
			}
		}
	}
	out := waited{}
	for i := range next.Steps {
		ps := &next.Steps[i]
		key := queue.Hold{Unit: ps.Unit, Step: ps.Step}
		since, ok := missed[key]
		if !ok {
			since, ok = w[key] // planned anew for another reason meanwhile
		}
		if ok && !ps.Running && !ps.Start.After(now.Add(slack)) {
			out[key] = since
		}
	}
	return out
}

// deviation says what makes a plan out of date, or "" if everything since was
// as planned: old is the state that the plan was last compared with, st the
// newest one, and w has the steps that wait to be started.
func deviation(old, st *queue.State, p *Plan, w waited, now time.Time) string {
	switch {
	case old == nil || p == nil:
		return "there is no plan yet"
	case old.Shop != st.Shop:
		return "the shop file changed"
	case !maps.EqualFunc(old.Closures, st.Closures, slices.Equal):
		return "a resource was closed or opened"
	case !maps.EqualFunc(old.Absences, st.Absences, slices.Equal):
		return "a technician's absences changed"
	}
	d := deviator{old: old, now: now, waited: w, planned: map[queue.Hold]*PlannedStep{}, unplaced: map[queue.Hold]bool{}}
	for i := range p.Steps {
		ps := &p.Steps[i]
		d.planned[queue.Hold{Unit: ps.Unit, Step: ps.Step}] = ps
		if u := st.Units[ps.Unit]; u == nil || u.Status != queue.InShop {
			return fmt.Sprintf("unit %s left", ps.Unit)
		}
	}
	for _, x := range p.Unplaced {
		d.unplaced[queue.Hold{Unit: x.Unit, Step: x.Step}] = true
	}
	for _, u := range st.OpenUnits() {
		if why := d.unit(u); why != "" {
			return why
		}
	}
	return ""
}

type deviator struct {
	old      *queue.State
	now      time.Time
	waited   waited
	planned  map[queue.Hold]*PlannedStep
	unplaced map[queue.Hold]bool
}

func (d *deviator) unit(u *queue.Unit) string {
	was := d.old.Units[u.ID]
	if was == nil {
		return fmt.Sprintf("unit %s arrived", u.ID)
	}
	if was != u {
		switch {
		case was.Promise != u.Promise || was.Weight != u.Weight || was.Held != u.Held ||
			was.Machine != u.Machine || !maps.Equal(was.Parts, u.Parts):
			return fmt.Sprintf("unit %s was amended", u.ID)
		case len(was.Steps) != len(u.Steps):
			return fmt.Sprintf("unit %s has other steps", u.ID)
		}
	}
	for i := range u.Steps {
		if why := d.step(u, &was.Steps[i], &u.Steps[i]); why != "" {
			return why
		}
	}
	return ""
}

func (d *deviator) step(u *queue.Unit, was, st *queue.Step) string {
	about := func(what string) string { return fmt.Sprintf("step %s of unit %s %s", st.ID, u.ID, what) }
	ps := d.planned[queue.Hold{Unit: u.ID, Step: st.ID}]
	switch st.Status {
	case queue.Todo:
		switch {
		case was.Status != queue.Todo || was.Runs != st.Runs:
			return about("is to be done again")
		case !samePin(was.Pin, st.Pin):
			return about("was pinned or unpinned")
		case was.Accepted != nil && st.Accepted == nil:
			return about("was given back")
		case ps == nil && !d.unplaced[queue.Hold{Unit: u.ID, Step: st.ID}]:
			return about("is not in the plan")
		case st.Accepted != nil && (ps == nil || !ps.takes(st.Accepted.Technician, st.Accepted.Resources)):
			return about("was accepted otherwise than planned")
		case ps != nil && d.now.After(ps.Start.Add(d.waited.patience(ps))):
			return about("did not start in time")
		}
	case queue.Running:
		if ps == nil {
			return about("was not planned")
		}
		if why := d.running(ps, st); why != "" {
			return about(why)
		}
	case queue.Done:
		if !was.Settled() && (ps == nil || !near(st.Ended, ps.End)) {
			return about("did not end as planned")
		}
	case queue.Skipped:
		if was.Status != queue.Skipped {
			return about("was left out")
		}
	}
	return ""
}

func (d *deviator) running(ps *PlannedStep, st *queue.Step) string {
	if !near(st.Started, ps.Start) || !sameSet(st.Resources, ps.Resources) {
		return "did not start as planned"
	}
	k := min(st.Stretch, len(ps.Stretches)-1)
	x := &ps.Stretches[k]
	switch {
	case !near(st.StretchStarted, x.Start):
		return "did not go on as planned"
	case x.HandsOn && !slices.Contains(x.Technicians, st.Technician):
		return "is done by another technician"
	}
	next, what := ps.End, "is overdue"
	if k+1 < len(ps.Stretches) {
		next, what = ps.Stretches[k+1].Start, "waits longer than planned"
	}
	if d.now.After(next.Add(slack)) {
		return what
	}
	return ""
}

func near(a, b time.Time) bool { return a.Sub(b).Abs() <= slack }

// takes reports that the technician and the station are those planned.
func (ps *PlannedStep) takes(t queue.PersonID, resources []queue.ResourceID) bool {
	if !slices.Contains(ps.crew(), t) {
		return false
	}
	for _, r := range resources {
		if !slices.Contains(ps.Resources, r) {
			return false
		}
	}
	return true
}

func samePin(a, b *queue.Pin) bool {
	if a == nil || b == nil {
		return a == b
	}
	sameStart := a.Start == nil && b.Start == nil || a.Start != nil && b.Start != nil && a.Start.Equal(*b.Start)
	return sameStart && a.Technician == b.Technician && slices.Equal(a.Resources, b.Resources)
}

func sameSet[T ~string](a, b []T) bool {
	x, y := slices.Clone(a), slices.Clone(b)
	slices.Sort(x)
	slices.Sort(y)
	return slices.Equal(x, y)
}

// due is when the plan has to be looked at again though nothing was heard: a
// planned start, or the end of what runs, has passed by more than the slack.
func due(st *queue.State, p *Plan, w waited) time.Time {
	var first time.Time
	for i := range p.Steps {
		ps := &p.Steps[i]
		at := ps.Start.Add(w.patience(ps))
		if u := st.Units[ps.Unit]; u != nil {
			if s := u.Step(ps.Step); s != nil && s.Status == queue.Running {
				at = ps.End
				if k := s.Stretch + 1; k < len(ps.Stretches) {
					at = ps.Stretches[k].Start
				}
				at = at.Add(slack)
			}
		}
		if first.IsZero() || at.Before(first) {
			first = at
		}
	}
	return first
}

// rolled is the plan with what has happened since entered: finished steps are
// gone, started ones run. Nothing else moves.
func rolled(p *Plan, st *queue.State) *Plan {
	next := *p
	next.Seq = st.Seq
	next.Steps = make([]PlannedStep, 0, len(p.Steps))
	for _, ps := range p.Steps {
		u := st.Units[ps.Unit]
		if u == nil {
			continue
		}
		s := u.Step(ps.Step)
		if s == nil || s.Settled() {
			continue
		}
		ps.Running, ps.Accepted = s.Status == queue.Running, s.Accepted != nil
		if ps.Running {
			ps.Technician, ps.Why, ps.Say = ps.technician(s.Stretch, nil), "", said.Text{}
		}
		next.Steps = append(next.Steps, ps)
	}
	next.Units = slices.Clone(p.Units)
	next.Units = slices.DeleteFunc(next.Units, func(f UnitForecast) bool {
		u := st.Units[f.Unit]
		return u == nil || u.Status != queue.InShop
	})
	return &next
}
