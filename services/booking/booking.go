// Package booking finds times at which a machine that is called back can come:
// openings of the shop from which its visit would be finished the same day,
// while no promise gets worse, neither of the units that are here nor of those
// that are booked already.
//
// It guarantees that nothing is changed, that the same input gives the same
// answer, and that the effort is bounded: at most [DaysMax] plans beside the
// one that there would be anyway. It does not hold a time: a booking does, once
// it is recorded.
package booking

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/services/almanac"
	"tickover/services/dispatch"
	"tickover/services/whatif"
)

// Bounds of a search.
const (
	DaysMax     = 10  // opening days that are looked at
	SlotsMax    = 3   // times that are proposed
	BookingsMax = 100 // booked visits that are taken into account, the nearest
	schedules   = 60  // of each plan
	weight      = 5   // of a visit that has not come
)

// Input is what is looked at.
type Input struct {
	State   *queue.State // a View; it stays as it is
	Almanac *almanac.Almanac
	Plan    *dispatch.Plan // in force; nil: none yet
	Now     time.Time
	Machine queue.MachineRecord // which is to come
	// Options bound the planning; the zero value is for a person who waits.
	Options dispatch.ComputeOptions
}

// Slot is a time at which the machine can come.
type Slot struct {
	At    time.Time // the shop opens
	Ready time.Time // by the plan
}

// Result is what was found.
type Result struct {
	Route queue.Route // what the visit would be
	Slots []Slot      // the first ones, at most SlotsMax
	Days  int         // opening days that were looked at
	// Booked is how many booked visits were taken into account.
	Booked int
}

// Errors.
var (
	ErrNoRoute = errors.New("no route of the shop file has a flash")
	ErrIsHere  = errors.New("the machine is in the shop")
)

// Propose looks for times.
func Propose(ctx context.Context, in Input) (*Result, error) {
	if in.State == nil || in.State.Shop == nil || in.Almanac == nil {
		return nil, errors.New("booking: no shop file is in effect")
	}
	route := in.State.Shop.SweepRoute()
	switch {
	case route == nil:
		return nil, ErrNoRoute
	case in.Machine.Latest().Status == queue.InShop:
		return nil, ErrIsHere
	}
	openings := openings(in.Almanac, in.Now)
	if len(openings) == 0 {
		return &Result{Route: *route}, nil
	}
	s := search{in: &in, route: route, o: in.Options}
	if s.o.Schedules == 0 {
		s.o.Schedules, s.o.Conflicts = schedules, -1
	}
	days := int(openings[len(openings)-1].Start.Sub(in.Now)/(24*time.Hour)) + 2
	s.o.HorizonDays = max(s.o.HorizonDays, days)
	return s.run(ctx, openings)
}

// opening is an opening of the shop.
type opening struct{ Start, End time.Time }

// openings are the first ones of the next opening days, the day's last hour as
// their end.
func openings(a *almanac.Almanac, now time.Time) []opening {
	var out []opening
	loc := a.Location()
	const look = 60 * 24 * time.Hour
	for _, in := range a.Open(now, now.Add(look)) {
		if !in.Start.After(now) {
			continue // it is open already
		}
		start, end := in.Start.In(loc), in.End.In(loc)
		if n := len(out); n > 0 && out[n-1].Start.Format(time.DateOnly) == start.Format(time.DateOnly) {
			out[n-1].End = end
			continue
		}
		if len(out) == DaysMax {
			break
		}
		out = append(out, opening{start, end})
	}
	return out
}

type search struct {
	in    *Input
	route *queue.Route
	o     dispatch.ComputeOptions
	n     int // hypothetical units made
}

func (s *search) run(ctx context.Context, openings []opening) (*Result, error) {
	r := &Result{Route: *s.route}
	st, err := s.withBookings(r)
	if err != nil {
		return nil, err
	}
	before, err := s.plan(ctx, st, s.in.Plan)
	if err != nil {
		return nil, err
	}
	for _, day := range openings {
		r.Days++
		slot, err := s.try(ctx, st, before, day)
		if err != nil {
			return nil, err
		}
		if slot != nil {
			r.Slots = append(r.Slots, *slot)
		}
		if len(r.Slots) == SlotsMax {
			break
		}
	}
	return r, nil
}

// withBookings is the state as if all booked machines came at their times.
func (s *search) withBookings(r *Result) (*queue.State, error) {
	st := s.in.State.Fork()
	for _, b := range bookings(s.in.State, s.in.Now) {
		if b.machine.Key == s.in.Machine.Key {
			continue // it is booked anew
		}
		if r.Booked == BookingsMax {
			break
		}
		if _, err := s.come(st, b.machine.Latest().Machine, opening{b.at, s.closing(b.at)}); err != nil {
			return nil, err
		}
		r.Booked++
	}
	return st, nil
}

// try plans with the machine coming at an opening; nil: it does not do.
func (s *search) try(ctx context.Context, st *queue.State, before *dispatch.Plan, day opening) (*Slot, error) {
	next := st.Fork()
	id, err := s.come(next, s.in.Machine.Latest().Machine, day)
	if err != nil {
		return nil, err
	}
	after, err := s.plan(ctx, next, before)
	if err != nil {
		return nil, err
	}
	c := whatif.Compare(st, next, before, after)
	if slices.ContainsFunc(c.Promises, func(p whatif.Promise) bool { return p.Unit != id && p.Verdict.Bad() }) {
		return nil, nil
	}
	i := slices.IndexFunc(after.Units, func(f dispatch.UnitForecast) bool { return f.Unit == id })
	if i < 0 || after.Units[i].Ready.IsZero() || after.Units[i].Ready.After(day.End) {
		return nil, nil
	}
	return &Slot{At: day.Start, Ready: after.Units[i].Ready}, nil
}

func (s *search) plan(ctx context.Context, st *queue.State, before *dispatch.Plan) (*dispatch.Plan, error) {
	c, err := dispatch.ComputeAll(ctx, st, s.in.Almanac, s.in.Now, before, s.o)
	if err != nil {
		return nil, err
	}
	if c.Raw.Cut {
		return nil, context.Cause(ctx)
	}
	return c.Plan, nil
}

// come checks a machine in as if it had come at an opening, to be finished by
// the end of that day.
func (s *search) come(st *queue.State, m queue.Machine, day opening) (queue.UnitID, error) {
	s.n++
	id := queue.UnitID(fmt.Sprintf("booked-%d", s.n))
	for st.Units[id] != nil {
		s.n++
		id = queue.UnitID(fmt.Sprintf("booked-%d", s.n))
	}
	m.Frame = "" // it is not judged before it is here
	cmd := queue.Command{ID: queue.CommandID(id), Action: &queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
		Machine: m, Ownership: queue.CustomerUnit, Route: s.route.ID, Promise: day.End, Weight: weight,
	}}}
	out, err := queue.Decide(st, queue.Conditions{Now: s.in.Now}, cmd)
	if err != nil {
		return "", err
	}
	if _, err := st.Apply(out.Entry(st)); err != nil {
		return "", fmt.Errorf("booking: %w", err)
	}
	u := *st.Units[id]
	u.Arrived = day.Start // the planner lets nothing begin before
	st.Units[id] = &u
	return id, nil
}

// closing is the end of a day's last opening.
func (s *search) closing(at time.Time) time.Time {
	loc := s.in.Almanac.Location()
	y, m, d := at.In(loc).Date()
	from := time.Date(y, m, d, 0, 0, 0, 0, loc)
	open := s.in.Almanac.Open(from, from.AddDate(0, 0, 1))
	if len(open) == 0 || !open[len(open)-1].End.After(at) {
		return at.Add(8 * time.Hour) // booked outside opening hours
	}
	return open[len(open)-1].End
}

type booked struct {
	machine queue.MachineRecord
	at      time.Time
}

// bookings are the machines that are booked and have not come, the next first.
func bookings(st *queue.State, now time.Time) []booked {
	at := map[queue.MachineKey]time.Time{}
	for _, c := range st.Campaigns {
		if !c.Closed.IsZero() {
			continue
		}
		for key, contact := range c.Contacts {
			if contact.State != queue.Booked || !contact.Slot.After(now) {
				continue
			}
			if old, ok := at[key]; !ok || contact.Slot.Before(old) {
				at[key] = contact.Slot // one visit does for several campaigns
			}
		}
	}
	if len(at) == 0 {
		return nil
	}
	var out []booked
	for _, m := range st.Machines() {
		if slot, ok := at[m.Key]; ok && m.Latest().Status != queue.InShop {
			out = append(out, booked{m, slot})
		}
	}
	slices.SortFunc(out, func(a, b booked) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.machine.Key, b.machine.Key)) })
	return out
}
