package calendar

import (
	"errors"
	"fmt"
	"time"
)

// Weekly holds the spans of each weekday, indexed by [time.Weekday]. Spans of
// one day may come in any order and overlap; a day without spans is shut.
type Weekly [7][]ClockSpan

// EveryDay is the week whose days all have these spans.
func EveryDay(spans ...ClockSpan) Weekly {
	var w Weekly
	for day := range w {
		w[day] = spans
	}
	return w
}

// DayException replaces what the week says about one day: a public holiday, a
// sale day, a short day before a feast. No spans: shut all day. It governs the
// spans that start on its day; a night shift from the day before goes on.
type DayException struct {
	Date   Date // with year 0, every year; a dated exception wins over it
	Spans  []ClockSpan
	Reason string // shown to people: "stocktaking"
}

// Hours are the recurring hours of a site, a shift, a break or quiet hours.
// The zero value is never open.
type Hours struct {
	Weekly     Weekly
	Exceptions []DayException
}

// Validate lists every span that makes no sense and every day with two
// exceptions.
func (h Hours) Validate() error {
	var errs []error
	for day, spans := range h.Weekly {
		for _, s := range spans {
			if err := s.Validate(); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", time.Weekday(day), err))
			}
		}
	}
	seen := make(map[Date]bool, len(h.Exceptions))
	for _, e := range h.Exceptions {
		if seen[e.Date] {
			errs = append(errs, fmt.Errorf("%s: two exceptions for one day; write one with all its hours", e.Date))
		}
		seen[e.Date] = true
		for _, s := range e.Spans {
			if err := s.Validate(); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", e.Date, err))
			}
		}
	}
	return errors.Join(errs...)
}

// Expand is when h is open in [from, to), in the clock of loc; nil is UTC.
// The cost grows with the days in the range, see [RangeMax].
func (h Hours) Expand(loc *time.Location, from, to time.Time) Set {
	if !boundRange(from, to) {
		return nil
	}
	loc = orUTC(loc)
	exceptions := h.exceptions()
	first, last := DateOf(from, loc).AddDays(-1), DateOf(to, loc)
	s := make(Set, 0, 32)
	for d := first; !last.before(d); d = d.AddDays(1) {
		spans := h.Weekly[d.Weekday()]
		if e, found := exceptions.on(d); found {
			spans = e.Spans
		}
		for _, span := range spans {
			s = append(s, span.On(d, loc))
		}
	}
	return NewSet(s...).Clip(from, to)
}

// ExceptionOn is the exception that governs day d, if there is one.
func (h Hours) ExceptionOn(d Date) (DayException, bool) {
	return h.exceptions().on(d)
}

type exceptionsByDate map[Date]DayException

func (h Hours) exceptions() exceptionsByDate {
	m := make(exceptionsByDate, len(h.Exceptions))
	for _, e := range h.Exceptions {
		m[e.Date] = e
	}
	return m
}

func (m exceptionsByDate) on(d Date) (DayException, bool) {
	if e, found := m[d]; found {
		return e, true
	}
	e, found := m[Date{0, d.Month, d.Day}]
	return e, found
}

func (d Date) before(e Date) bool {
	if d.Year != e.Year {
		return d.Year < e.Year
	}
	if d.Month != e.Month {
		return d.Month < e.Month
	}
	return d.Day < e.Day
}

// Closure is time that somebody took out: a pad closed for weather, a bench
// under repair, a technician away.
type Closure struct {
	Start  time.Time // zero: since ever
	End    time.Time // zero: until further notice
	Reason string    // completes "closed for …": "weather", "repair"
}

// Contains reports whether t lies in the closure.
func (c Closure) Contains(t time.Time) bool {
	return !t.Before(c.Start) && (c.End.IsZero() || t.Before(c.End))
}

// Closed is the part of [from, to) that lies in any of the closures.
func Closed(closures []Closure, from, to time.Time) Set {
	s := make(Set, 0, len(closures))
	for _, c := range closures {
		end := c.End
		if end.IsZero() {
			end = to
		}
		s = append(s, Interval{later(c.Start, from), earlier(end, to)})
	}
	return NewSet(s...)
}

// Roster is when a person or a machine works: in the shifts, outside the
// breaks, not during an absence.
type Roster struct {
	Shifts   Hours
	Breaks   Hours
	Absences []Closure
}

// Validate lists every mistake of shifts and breaks.
func (r Roster) Validate() error {
	var errs []error
	if err := r.Shifts.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("shifts: %w", err))
	}
	if err := r.Breaks.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("breaks: %w", err))
	}
	return errors.Join(errs...)
}

// Expand is when the roster works in [from, to), in the clock of loc; nil is
// UTC. A break belongs to the day its clock shows, so the break of a night
// shift at 02:00 is written on the day after the shift's start.
func (r Roster) Expand(loc *time.Location, from, to time.Time) Set {
	return r.Shifts.Expand(loc, from, to).
		Subtract(r.Breaks.Expand(loc, from, to)).
		Subtract(Closed(r.Absences, from, to))
}
