package dispatch

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
	"tickover/services/almanac"
	"tickover/services/experience"
)

// SnapshotOptions bound what is planned.
type SnapshotOptions struct {
	// HorizonDays is how many days with opening hours, today included, are
	// planned; 0: 10.
	HorizonDays int
	// Lengths of work as they were learnt; nil: the shop file's.
	Lengths *experience.Lengths
	// Unpromised are units that are planned as if nothing had been promised.
	Unpromised map[queue.UnitID]bool
}

// Defaults and bounds of the horizon, in days with opening hours.
const (
	horizonDays    = 10
	horizonDaysMax = 60
)

// Ids of the calendars that activities refer to.
const (
	calendarOpen    model.CalendarID = "opening hours"
	calendarOutdoor model.CalendarID = "outdoor hours"
)

// familyTag is the tag of an interface that speaks to a controller family, and
// what a need of an interface asks for.
func familyTag(f queue.Family) string { return "family " + string(f) }

func familyOf(tag string) (string, bool) { return strings.CutPrefix(tag, familyTag("")) }

// Snapshot is the planning problem of a state at a moment: the one place where
// the shop's words become the scheduler's. A tick is a minute since the
// midnight, on the shop's clock, before now. Moments are rounded to the safe
// side: Now and starts of windows up, ends of windows down.
//
// The error tells of a state that no log can lead to.
func Snapshot(st *queue.State, a *almanac.Almanac, now time.Time, prev *Plan, o SnapshotOptions) (*model.Problem, error) {
	s, err := takeSnapshot(st, a, now, prev, o)
	if err != nil {
		return nil, err
	}
	return s.p, nil
}

func takeSnapshot(st *queue.State, a *almanac.Almanac, now time.Time, prev *Plan, o SnapshotOptions) (*snapshot, error) {
	if st.Shop == nil || a == nil {
		return nil, fmt.Errorf("snapshot of site %s: no shop file is in effect", st.Site)
	}
	s := newSnapshot(st, a, now, o)
	s.calendars()
	s.resources()
	s.workers()
	for _, u := range s.units {
		if err := s.unit(u); err != nil {
			return nil, err
		}
	}
	s.contradictions()
	s.previous(prev)
	if n := s.shop.Limits.YardCapacity; n > 0 {
		s.p.Buffer = &model.Buffer{Capacity: n}
	}
	s.p.Weights = weightsOf(s.shop.Objective)
	return s, nil
}

// snapshot gathers one problem.
type snapshot struct {
	ticks
	st    *queue.State
	shop  *queue.Shop
	a     *almanac.Almanac
	units []*queue.Unit // in the shop, by id
	open  calendar.Set
	p     *model.Problem
	// learnt are the lengths that differ from the listed ones.
	lengths    *experience.Lengths
	unpromised map[queue.UnitID]bool
	learnt     map[model.ActivityID]*StepLength
	// held are the reasons of holds by their English text, which is all that
	// the planner knows of them.
	held map[string]said.Text
}

func newSnapshot(st *queue.State, a *almanac.Almanac, now time.Time, o SnapshotOptions) *snapshot {
	local := now.In(a.Location())
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, a.Location()).UTC()
	s := &snapshot{
		ticks: ticks{origin: midnight.Truncate(time.Minute), now: now},
		st:    st, shop: st.Shop, a: a, units: st.OpenUnits(),
		lengths: o.Lengths, unpromised: o.Unpromised, learnt: map[model.ActivityID]*StepLength{},
		held: map[string]said.Text{},
	}
	s.nowT = s.up(now)
	s.until = s.horizon(orDefault(o.HorizonDays, horizonDays))
	s.p = &model.Problem{Origin: s.origin, Now: s.nowT, Horizon: s.down(s.until)}
	return s
}

func orDefault(n, otherwise int) int {
	if n <= 0 {
		return otherwise
	}
	return n
}

// horizon is the end of the days-th day with opening hours from now on.
func (s *snapshot) horizon(days int) time.Time {
	days = min(days, horizonDaysMax)
	end := s.now.AddDate(0, 0, 3*days+14) // holidays and shut weekdays in between
	s.open = s.a.Open(s.origin, end)
	last, seen := "", 0
	until := s.now.AddDate(0, 0, days)
	for _, iv := range s.open {
		if !iv.End.After(s.now.Add(time.Minute)) {
			continue
		}
		if day := iv.Start.In(s.a.Location()).Format(time.DateOnly); day != last {
			if seen == days {
				break
			}
			last, seen = day, seen+1
		}
		until = iv.End
	}
	s.open = s.open.Clip(s.origin, until)
	return until
}

func (s *snapshot) calendars() {
	s.p.Calendars = []model.Calendar{
		{ID: calendarOpen, Name: string(calendarOpen), Open: s.windows(s.open)},
		{ID: calendarOutdoor, Name: string(calendarOutdoor), Open: s.windows(s.a.Outdoor(s.origin, s.until))},
	}
}

func (s *snapshot) resources() {
	outdoor := s.p.Calendars[1].Open
	families := map[queue.Family]bool{}
	for _, u := range s.units {
		families[u.Machine.Family] = true
	}
	for i := range s.shop.Resources {
		r := &s.shop.Resources[i]
		m := model.Resource{
			ID: model.ResourceID(r.ID), Kind: r.Kind.String(), Tags: slices.Clone(r.Tags),
			Capacity: int64(max(1, r.Capacity)), Closures: s.closures(s.st.Closures[r.ID]),
		}
		if r.Kind.Outdoors() {
			m.Open, m.Within = outdoor, true
		}
		if r.Kind == queue.Interface {
			for f := range families {
				if r.Speaks(f) {
					m.Tags = append(m.Tags, familyTag(f))
				}
			}
		}
		sort.Strings(m.Tags)
		s.p.Resources = append(s.p.Resources, m)
	}
}

// closures that are not over, as they lie on the time line; overlapping ones
// stay apart, each with its reason.
func (s *snapshot) closures(cs []queue.Closure) []model.Closure {
	var out []model.Closure
	for _, c := range cs {
		if !c.Until.After(s.now) {
			continue
		}
		iv := model.Interval{Start: s.down(c.From), End: s.up(c.Until)}
		if iv.Start < iv.End {
			out = append(out, model.Closure{Interval: iv, Reason: c.Reason})
		}
	}
	return out
}

func (s *snapshot) workers() {
	for i := range s.shop.Technicians {
		t := &s.shop.Technicians[i]
		w := model.Worker{
			ID:     model.WorkerID(t.ID),
			Shifts: s.windows(s.a.Shifts(t.ID, s.st.Absences[t.ID], s.origin, s.until)),
			Breaks: s.covers(s.a.Breaks(t.ID, s.origin, s.until)),
		}
		for _, skill := range t.Skills {
			w.Skills = append(w.Skills, string(skill))
		}
		s.p.Workers = append(s.p.Workers, w)
	}
}

// previous hands over where the plan in force has what is not over, what was
// accepted without a plan, and what the plan promised.
func (s *snapshot) previous(prev *Plan) {
	placed := map[model.ActivityID]*PlannedStep{}
	if prev != nil {
		for i := range prev.Steps {
			ps := &prev.Steps[i]
			placed[activityID(ps.Unit, ps.Step)] = ps
		}
		s.promised(prev)
	}
	for _, u := range s.units {
		for i := range u.Steps {
			st := &u.Steps[i]
			id := activityID(u.ID, st.ID)
			ps := placed[id]
			switch st.Status {
			case queue.Todo:
				if q, ok := s.previousOf(id, st, ps); ok {
					s.p.Previous = append(s.p.Previous, q)
				}
			case queue.Running:
				if ps != nil {
					s.p.Previous = append(s.p.Previous, model.Previous{Activity: id, Start: min(s.down(st.Started), s.nowT),
						Resources: s.known(st.Resources), Workers: s.staff([]queue.PersonID{st.Technician}), Stretches: s.stretches(ps)})
				}
			}
		}
	}
}

// promised are the due dates and weights that the plan in force was made for.
func (s *snapshot) promised(prev *Plan) {
	for i := range prev.Units {
		f := &prev.Units[i]
		o := model.JobOutcome{Job: model.JobID(f.Unit), Due: model.Unlimited, Weight: int64(f.Weight)}
		if !f.Promise.IsZero() {
			o.Due = s.down(f.Promise)
		}
		s.p.PreviousJobs = append(s.p.PreviousJobs, o)
	}
}

// stretches are those of a planned step; nil when somebody in them has left
// the shop file.
func (s *snapshot) stretches(ps *PlannedStep) []model.StretchTime {
	out := make([]model.StretchTime, len(ps.Stretches))
	for i := range ps.Stretches {
		x := &ps.Stretches[i]
		out[i] = model.StretchTime{Start: s.down(x.Start), End: s.down(x.End), Workers: s.staff(x.Technicians)}
		if len(out[i].Workers) != len(x.Technicians) {
			return nil
		}
		for _, part := range x.Parts {
			out[i].Parts = append(out[i].Parts, model.Interval{Start: s.down(part.Start), End: s.down(part.End)})
		}
	}
	return out
}

func (s *snapshot) previousOf(id model.ActivityID, st *queue.Step, ps *PlannedStep) (model.Previous, bool) {
	q := model.Previous{Activity: id}
	switch {
	case ps != nil && !ps.Running:
		q.Start, q.Resources = s.down(ps.Start), s.known(ps.Resources)
		q.Workers, q.Stretches = s.staff(ps.crew()), s.stretches(ps)
	case st.Accepted != nil:
		q.Start, q.Resources = min(s.down(st.Accepted.At), s.nowT-1), s.known(st.Accepted.Resources)
	default:
		return q, false
	}
	if acc := st.Accepted; acc != nil && s.shop.Technician(acc.Technician) != nil {
		q.Accepted = true
		if w := model.WorkerID(acc.Technician); !slices.Contains(q.Workers, w) {
			q.Workers, q.Stretches = []model.WorkerID{w}, nil
		}
	}
	return q, true
}

// crew is who does the first hands-on stretch.
func (ps *PlannedStep) crew() []queue.PersonID {
	for _, x := range ps.Stretches {
		if x.HandsOn {
			return x.Technicians
		}
	}
	return nil
}

// known drops resources that the shop file no longer has.
func (s *snapshot) known(ids []queue.ResourceID) []model.ResourceID {
	var out []model.ResourceID
	for _, id := range ids {
		if s.shop.Resource(id) != nil {
			out = append(out, model.ResourceID(id))
		}
	}
	return out
}

func (s *snapshot) staff(ids []queue.PersonID) []model.WorkerID {
	var out []model.WorkerID
	for _, id := range ids {
		if s.shop.Technician(id) != nil {
			out = append(out, model.WorkerID(id))
		}
	}
	slices.Sort(out)
	return out
}

// weightsOf translates the shop file's prices; a shop without any takes the
// defaults.
func weightsOf(o queue.Objective) model.Weights {
	w := model.ShopWeights()
	if o == (queue.Objective{}) {
		return w
	}
	milli := func(f float64) model.Cost { return model.Cost(f*1000 + 0.5) }
	w.Tardiness, w.Flow, w.Move, w.Reassign = milli(o.Late), milli(o.Flow), milli(o.Moved), milli(o.AcceptedMove)
	return w
}

// ActivityID is the id of a step in the planning problem.
func ActivityID(u queue.UnitID, st queue.StepID) model.ActivityID { return activityID(u, st) }

func activityID(u queue.UnitID, st queue.StepID) model.ActivityID {
	return model.ActivityID(string(u) + "/" + string(st))
}
