// Package almanac answers what the clock and the sky say of a shop: when it is
// open, who is on shift, when an engine may run outdoors. It translates the
// shop file's hours (package queue) into intervals (package calendar), so that
// neither needs to know the other.
//
// An Almanac is built once for a shop file and does not change; all methods
// may be called concurrently. Closures and absences are state, not shop file,
// and are handed in.
package almanac

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/calendar"
)

// Almanac is a shop's hours in the form that the calendar package computes with.
type Almanac struct {
	shop     *queue.Shop
	place    calendar.Place
	hours    calendar.Hours
	quiet    calendar.Hours
	daylight calendar.DaylightRule
	shifts   map[queue.PersonID]calendar.Hours
	breaks   map[queue.PersonID]calendar.Hours

	mu   sync.Mutex
	sky  openSky
	open while // the shop was open when it was last looked at
}

// while is the time for which something that was looked at is known.
type while struct{ from, until time.Time }

func (w while) holds(at time.Time) bool { return !at.Before(w.from) && at.Before(w.until) }

// openSky is a window that was open when it was last looked at. It is the same
// for every moment of it on the same day (its reasons are told in words like
// tomorrow); working the sun out anew for each command took longer than all
// else that a command needs.
type openSky struct {
	while
	w queue.Window
}

// skyFrom is what holds of a window from a moment of it on.
func skyFrom(from time.Time, w queue.Window, loc *time.Location) openSky {
	y, m, d := from.In(loc).Date()
	until := time.Date(y, m, d+1, 0, 0, 0, 0, loc)
	if w.Until.Before(until) {
		until = w.Until
	}
	return openSky{while{from, until}, w}
}

// New translates the shop's hours. The error names what in them makes no sense.
func New(shop *queue.Shop) (*Almanac, error) {
	loc, err := time.LoadLocation(shop.TimeZone)
	if err != nil {
		return nil, fmt.Errorf("time zone %q: %w", shop.TimeZone, err)
	}
	a := &Almanac{
		shop:   shop,
		place:  calendar.Place{LatitudeDeg: shop.LatitudeD, LongitudeDeg: shop.LongitudeD, ElevationM: shop.ElevationM, Location: loc},
		quiet:  calendar.Hours{Weekly: weekly(shop.Quiet)},
		shifts: map[queue.PersonID]calendar.Hours{},
		breaks: map[queue.PersonID]calendar.Hours{},
	}
	a.daylight = calendar.DaylightRule{Light: calendar.SunriseToSunset, AfterStart: shop.Daylight.AfterDawn, BeforeEnd: shop.Daylight.BeforeDusk}
	if shop.Daylight.CivilTwilight {
		a.daylight.Light = calendar.CivilTwilight
	}
	a.hours.Weekly = weekly(shop.Hours)
	for _, d := range shop.Days {
		date, err := calendar.ParseDate(d.Date)
		if err != nil {
			return nil, fmt.Errorf("day %q: %w", d.Date, err)
		}
		a.hours.Exceptions = append(a.hours.Exceptions, calendar.DayException{Date: date, Spans: spans(d.Spans), Reason: d.Reason})
	}
	for i := range shop.Technicians {
		t := &shop.Technicians[i]
		shifts := calendar.Hours{Weekly: weekly(t.Shifts)}
		for _, day := range t.Away {
			date, err := calendar.ParseDate(day)
			if err != nil {
				return nil, fmt.Errorf("technician %s away on %q: %w", t.ID, day, err)
			}
			shifts.Exceptions = append(shifts.Exceptions, calendar.DayException{Date: date, Reason: "away"})
		}
		a.shifts[t.ID] = shifts
		a.breaks[t.ID] = calendar.Hours{Weekly: weekly(t.Breaks)}
	}
	if err := a.outdoor(nil).Validate(); err != nil {
		return nil, err
	}
	return a, a.hours.Validate()
}

// Shop is the shop that the almanac was built for.
func (a *Almanac) Shop() *queue.Shop { return a.shop }

// Location is the shop's time zone.
func (a *Almanac) Location() *time.Location { return a.place.Location }

// Open is when the shop is open in [from, to).
func (a *Almanac) Open(from, to time.Time) calendar.Set {
	return a.hours.Expand(a.place.Location, from, to)
}

// Daylight is when it is light enough for an engine outdoors, in [from, to).
func (a *Almanac) Daylight(from, to time.Time) calendar.Set {
	return calendar.Daylight(a.place, a.daylight, from, to)
}

// Quiet is when no engine may run outdoors, in [from, to).
func (a *Almanac) Quiet(from, to time.Time) calendar.Set {
	return a.quiet.Expand(a.place.Location, from, to)
}

// Shifts is when the technician is on site in [from, to): his shifts within
// the shop's hours, without his absences.
func (a *Almanac) Shifts(t queue.PersonID, absences []queue.Closure, from, to time.Time) calendar.Set {
	return a.shifts[t].Expand(a.place.Location, from, to).
		Intersect(a.Open(from, to)).
		Subtract(calendar.Closed(closures(absences), from, to))
}

// Breaks is when the technician takes a break in [from, to).
func (a *Almanac) Breaks(t queue.PersonID, from, to time.Time) calendar.Set {
	return a.breaks[t].Expand(a.place.Location, from, to)
}

// Outdoor is when an engine may run at a pad or loop in [from, to): in
// daylight, in the shop's hours, outside quiet hours. Closures are not taken
// out, so that the planner can name them.
func (a *Almanac) Outdoor(from, to time.Time) calendar.Set {
	return a.outdoor(nil).Windows(from, to)
}

// Closed is the closures as a set, in [from, to).
func Closed(cs []queue.Closure, from, to time.Time) calendar.Set {
	return calendar.Closed(closures(cs), from, to)
}

// Conditions is what queue.Decide needs to know for a command of the time at,
// decided at now.
func (a *Almanac) Conditions(st *queue.State, now, at time.Time) queue.Conditions {
	if at.IsZero() {
		at = now
	}
	const look = 36 * time.Hour // longer than any opening that runs over midnight
	c := queue.Conditions{Now: now, Outdoor: map[queue.ResourceID]queue.Window{}}
	c.ClosesAt = a.closes(at, look)
	var unclosed *queue.Window
	for i := range a.shop.Resources {
		r := &a.shop.Resources[i]
		if !r.Kind.Outdoors() {
			continue
		}
		if cs := st.Closures[r.ID]; len(cs) > 0 {
			c.Outdoor[r.ID] = a.window(cs, at, look)
			continue
		}
		if unclosed == nil { // pads and loops without a closure share the sky
			w := a.unclosed(at, look)
			unclosed = &w
		}
		c.Outdoor[r.ID] = *unclosed
	}
	return c
}

// closes is when the shop, open at a moment, closes next; zero when it is shut.
func (a *Almanac) closes(at time.Time, look time.Duration) time.Time {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.open.holds(at) {
		return a.open.until
	}
	until, open := a.Open(at.Add(-look), at.Add(look)).OpenUntil(at)
	if !open {
		return time.Time{}
	}
	if until.Before(at.Add(look)) { // else it is the end of the look
		a.open = while{at, until}
	}
	return until
}

// unclosed is the window of an outdoor place without closures.
func (a *Almanac) unclosed(at time.Time, look time.Duration) queue.Window {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.sky.holds(at) {
		return a.sky.w
	}
	w := a.window(nil, at, look)
	if !w.Until.IsZero() && w.Until.Before(at.Add(look)) {
		a.sky = skyFrom(at, w, a.place.Location)
	}
	return w
}

// window is the open window of an outdoor place at a moment.
func (a *Almanac) window(cs []queue.Closure, at time.Time, look time.Duration) queue.Window {
	o := a.outdoor(cs)
	if why := o.WhyShut(at); len(why) > 0 {
		return queue.Window{Why: texts(why, at.In(a.place.Location))}
	}
	until, open := o.Windows(at, at.Add(look)).OpenUntil(at)
	if !open {
		return queue.Window{}
	}
	return queue.Window{Until: until, Why: texts(o.WhyShut(until), at.In(a.place.Location))}
}

// texts are reasons as they are said at a moment.
func texts(reasons []calendar.Shut, now time.Time) said.Text {
	out := make([]said.Text, len(reasons))
	for i, r := range reasons {
		out[i] = said.Text{Format: r.Format, Args: make([]any, len(r.Args))}
		for k, a := range r.Args {
			if at, ok := a.(time.Time); ok {
				a = said.When(at, now)
			}
			out[i].Args[k] = a
		}
	}
	join := said.Say("%s; %s").Format
	return said.List(join, join, out...)
}

func (a *Almanac) outdoor(cs []queue.Closure) calendar.Outdoor {
	return calendar.Outdoor{Place: a.place, Shop: &a.hours, Quiet: a.quiet, Daylight: a.daylight, Closures: closures(cs)}
}

func closures(cs []queue.Closure) []calendar.Closure {
	out := make([]calendar.Closure, len(cs))
	for i, c := range cs {
		out[i] = calendar.Closure{Start: c.From, End: c.Until, Reason: strings.TrimSpace(c.Reason)}
	}
	return out
}

func weekly(w queue.Week) calendar.Weekly {
	var out calendar.Weekly
	for day := range w {
		out[day] = spans(w[day])
	}
	return out
}

func spans(in []queue.Span) []calendar.ClockSpan {
	out := make([]calendar.ClockSpan, len(in))
	for i, s := range in {
		out[i] = calendar.ClockSpan{From: calendar.ClockTime(s.From), To: calendar.ClockTime(s.To)}
	}
	return out
}
