package dispatch

import (
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/model"
)

// unit adds a unit's visit: a job, and an activity for each step that is still
// to be done or runs.
func (s *snapshot) unit(u *queue.Unit) error {
	open := 0
	for i := range u.Steps {
		if !u.Steps[i].Settled() {
			open++
		}
	}
	if open == 0 {
		return nil // it waits to be handed over
	}
	j := model.Job{
		ID: model.JobID(u.ID), Release: s.up(u.Arrived), Due: s.down(u.Promise),
		Weight: int64(u.Weight), OnePlace: true,
	}
	if u.Promise.IsZero() || s.unpromised[u.ID] {
		j.Due = model.Unlimited
	}
	s.p.Jobs = append(s.p.Jobs, j)
	for i := range u.Steps {
		st := &u.Steps[i]
		if st.Settled() {
			continue
		}
		op := s.shop.Operation(st.Operation)
		if op == nil || len(op.Stretches) == 0 {
			return fmt.Errorf("snapshot: step %s of unit %s needs the operation %q, which the shop file lacks", st.ID, u.ID, st.Operation)
		}
		a := s.activity(u, st, op)
		if st.Status == queue.Running {
			s.begun(&a, st, op)
		} else {
			s.wishes(u, st)
		}
		s.p.Activities = append(s.p.Activities, a)
	}
	s.parallel(u)
	s.lags(u)
	return nil
}

// activity is a step that has not begun.
func (s *snapshot) activity(u *queue.Unit, st *queue.Step, op *queue.Operation) model.Activity {
	a := model.Activity{
		ID: activityID(u.ID, st.ID), Job: model.JobID(u.ID), Handover: op.Handover,
		Release: s.up(u.Arrived),
	}
	if part, ok := u.Parts[st.ID]; ok {
		a.Release = max(a.Release, s.up(part))
	}
	guarded := op.Kind == queue.Flash || op.Engine // C9
	if guarded {
		a.Presence, a.Inside = true, calendarOpen
	}
	if op.Outdoors && !slices.ContainsFunc(op.Needs, func(n queue.Need) bool { return n.Kind.Outdoors() }) {
		a.Inside = calendarOutdoor
	}
	m := model.Mode{Stretches: stretchesOf(op, a.Inside != "")}
	if l := s.learn(u, st, op, m.Stretches, guarded); l != nil {
		s.learnt[a.ID] = l
	}
	for _, n := range op.Needs {
		need := model.Need{Kind: n.Kind.String()}
		if n.Tag != "" {
			need.Tags = append(need.Tags, n.Tag)
		}
		if n.Kind == queue.Interface {
			need.Tags = append(need.Tags, familyTag(u.Machine.Family))
		}
		m.Needs = append(m.Needs, need)
	}
	a.Modes = []model.Mode{m}
	return a
}

// stretchesOf translates an operation's stretches. Who starts a step needs the
// skills of all its stretches, as queue.Decide asks; a test ride needs the
// skill to ride in any case.
func stretchesOf(op *queue.Operation, inside bool) []model.Stretch {
	var all []string
	for _, x := range op.Stretches {
		if x.HandsOn && x.Skill != "" && x.Skill != queue.SkillRide {
			all = append(all, string(x.Skill))
		}
	}
	out := make([]model.Stretch, len(op.Stretches))
	first := true
	for i, x := range op.Stretches {
		m := model.Stretch{Duration: minutesUp(x.Duration), MaxWait: minutesDown(x.MaxWait)}
		if x.MaxWait < 0 {
			m.MaxWait = model.Unlimited
		}
		if x.HandsOn {
			m.Workers, m.Splittable = max(1, x.Technicians), x.Splittable
			if x.Skill != "" {
				m.Skills = append(m.Skills, string(x.Skill))
			}
			if first {
				m.Skills = append(m.Skills, all...)
				first = false
			}
			if op.Kind == queue.TestRide {
				m.Skills = append(m.Skills, string(queue.SkillRide))
			}
			slices.Sort(m.Skills)
			m.Skills = slices.Compact(m.Skills)
		} else if !op.Overnight && !inside {
			m.Inside = calendarOpen
		}
		out[i] = m
	}
	return out
}

// begun turns an activity into one that runs: with what it holds, the
// stretches that have begun, and when the present one is expected to end.
func (s *snapshot) begun(a *model.Activity, st *queue.Step, op *queue.Operation) {
	m := &a.Modes[0]
	m.Needs = nil
	g := &model.Progress{}
	for _, r := range s.known(st.Resources) {
		m.Needs = append(m.Needs, model.Need{Resources: []model.ResourceID{r}})
		g.Held = append(g.Held, r)
	}
	k := min(st.Stretch, len(m.Stretches)-1)
	starts := make([]model.Time, k+1)
	starts[k] = min(s.down(st.StretchStarted), s.nowT)
	for i := k - 1; i > 0; i-- {
		starts[i] = starts[i+1] - m.Stretches[i].Duration
	}
	starts[0] = min(s.down(st.Started), s.nowT)
	for i := 1; i <= k; i++ {
		starts[i] = max(starts[i], starts[i-1])
	}
	for i := range k {
		t := s.stretchTime(st, &m.Stretches[i], starts[i], starts[i+1])
		if m.Stretches[i].Workers == 0 {
			t.End = min(t.End, starts[i]+m.Stretches[i].Duration)
		}
		g.Stretches = append(g.Stretches, t)
	}
	present := s.stretchTime(st, &m.Stretches[k], starts[k], s.expectedEnd(st, &m.Stretches[k], starts[k]))
	if m.Stretches[k].Splittable {
		present.Parts = s.partsOf(st, present.Start, present.End)
	}
	g.Stretches = append(g.Stretches, present)
	a.Progress = g
}

// partsOf are the pieces of [start, end) in which the technician is at work;
// nil when he is throughout, or at neither end.
func (s *snapshot) partsOf(st *queue.Step, start, end model.Time) []model.Interval {
	from, to := s.at(start), s.at(end)
	if to.Sub(from) > workedMax {
		return nil
	}
	parts := s.windows(s.a.Shifts(st.Technician, s.st.Absences[st.Technician], from, to).Subtract(s.a.Breaks(st.Technician, from, to)))
	if n := len(parts); n < 2 || parts[0].Start != start || parts[n-1].End != end {
		return nil
	}
	return parts
}

func (s *snapshot) stretchTime(st *queue.Step, x *model.Stretch, start, end model.Time) model.StretchTime {
	t := model.StretchTime{Start: start, End: end}
	if x.Workers > 0 {
		t.Workers = s.staff([]queue.PersonID{st.Technician})
	}
	return t
}

// expectedEnd is when the present stretch of a running step is expected to
// end. One that is overdue ends now if it is hands-off.
func (s *snapshot) expectedEnd(st *queue.Step, x *model.Stretch, start model.Time) model.Time {
	if x.Workers == 0 {
		return max(start+x.Duration, s.nowT)
	}
	if !x.Splittable {
		return start + expected(x.Duration, s.nowT-start)
	}
	taken := s.worked(st.Technician, start)
	return s.workUntil(st.Technician, expected(x.Duration, taken)-taken)
}

// expected is how long hands-on work is going to take in all that has taken so
// long and is not over. What is overdue is taken to need a fifth of its time
// more, a minute at least: about what is left of a length that spreads as
// lengths of work usually do (log-normal, σ 0.25) once the standard time is used
// up. When that has passed too, it will be twice as much beyond the standard,
// and so on. Between these moments nothing is expected anew, so that what waits
// for it keeps its place.
func expected(standard, taken model.Time) model.Time {
	all := standard
	for more := max(1, standard/5); taken > all+minutesDown(slack); more *= 2 {
		all = standard + more
	}
	return max(all, taken)
}

// workedMax bounds how far back the hours of a running step are looked up.
const workedMax = 60 * 24 * time.Hour

// worked is how much of [start, now) the technician was at work.
func (s *snapshot) worked(t queue.PersonID, start model.Time) model.Time {
	from := s.at(start)
	if from.Before(s.now.Add(-workedMax)) {
		from = s.now.Add(-workedMax)
	}
	at := s.a.Shifts(t, s.st.Absences[t], from, s.now).Subtract(s.a.Breaks(t, from, s.now))
	return model.Time(at.Total() / time.Minute)
}

// workUntil is when the technician will have worked for so long from now on;
// without enough shifts, as if he worked through.
func (s *snapshot) workUntil(t queue.PersonID, left model.Time) model.Time {
	at := s.a.Shifts(t, s.st.Absences[t], s.now, s.until).Subtract(s.a.Breaks(t, s.now, s.until))
	rest := left
	for _, iv := range s.windows(at) {
		from := max(iv.Start, s.nowT)
		if n := iv.End - from; n >= rest {
			return from + rest
		} else if n > 0 {
			rest -= n
		}
	}
	return s.nowT + left
}

// wishes adds what binds a step that has not begun: the foreman's pins and
// holds, the technician who accepted it, and a flash that has nothing to write.
func (s *snapshot) wishes(u *queue.Unit, st *queue.Step) {
	id := activityID(u.ID, st.ID)
	pin := func(what string, p model.Pin) {
		p.ID, p.Activity = model.PinID(what+" "+string(id)), id
		s.p.Pins = append(s.p.Pins, p)
	}
	if acc := st.Accepted; acc != nil {
		if s.shop.Technician(acc.Technician) != nil {
			pin("accepted", model.Pin{Worker: model.WorkerID(acc.Technician)})
		}
		for _, r := range s.known(acc.Resources) {
			if StationOf(s.shop, []queue.ResourceID{queue.ResourceID(r)}) != Floor {
				pin("accepted at "+string(r), model.Pin{Resource: r})
			}
		}
	}
	if p := st.Pin; p != nil {
		for _, r := range s.known(p.Resources) {
			pin("resource "+string(r), model.Pin{Resource: r})
		}
		if p.Technician != "" && s.shop.Technician(p.Technician) != nil {
			pin("technician", model.Pin{Worker: model.WorkerID(p.Technician)})
		}
		if p.Start != nil {
			pin("start", model.Pin{HasStart: true, Start: s.up(*p.Start)})
		}
	}
	switch {
	case u.Held:
		s.hold(id, said.Say("the foreman holds the unit back"))
	case st.Kind == queue.Flash && st.Pin == nil:
		if _, r := s.st.CalibrationFor(&u.Machine, s.now); r != nil {
			what, do := r.Said()
			s.hold(id, said.Say("%s. %s", what, do))
		}
	}
}

func (s *snapshot) hold(id model.ActivityID, why said.Text) {
	text := why.String()
	s.held[text] = why
	s.p.Holds = append(s.p.Holds, model.Hold{Activity: id, Until: model.Unlimited, Reason: text})
}

// parallel lists the pairs that may overlap. A flash overlaps nothing (I2).
func (s *snapshot) parallel(u *queue.Unit) {
	for i := range u.Steps {
		for j := i + 1; j < len(u.Steps); j++ {
			a, b := &u.Steps[i], &u.Steps[j]
			if !a.Settled() && !b.Settled() && a.ParallelWith(b) && a.Kind != queue.Flash && b.Kind != queue.Flash {
				s.p.Parallel = append(s.p.Parallel, model.Pair{A: activityID(u.ID, a.ID), B: activityID(u.ID, b.ID)})
			}
		}
	}
}
