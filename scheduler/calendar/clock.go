package calendar

import (
	"fmt"
	"strings"
	"time"
)

// ClockTime is a reading of the wall clock in minutes after local midnight,
// 0 (00:00) to 1440 (24:00, the end of the day).
type ClockTime int

const minutesPerDay ClockTime = 24 * 60

// ParseClockTime reads hh:mm or h:mm from 00:00 to 24:00.
func ParseClockTime(s string) (ClockTime, error) {
	text := strings.TrimSpace(s)
	hours, minutes, found := strings.Cut(text, ":")
	h, okHours := digits(hours, 1, 2)
	m, okMinutes := digits(minutes, 2, 2)
	c := ClockTime(h*60 + m)
	if !found || !okHours || !okMinutes || m > 59 || c > minutesPerDay {
		return 0, fmt.Errorf("clock time %q: want hh:mm from 00:00 to 24:00", clipped(s))
	}
	return c, nil
}

// String is hh:mm.
func (c ClockTime) String() string { return fmt.Sprintf("%02d:%02d", c/60, c%60) }

// MarshalText writes hh:mm.
func (c ClockTime) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText is [ParseClockTime].
func (c *ClockTime) UnmarshalText(text []byte) (err error) {
	*c, err = ParseClockTime(string(text))
	return err
}

// ClockSpan is [From, To) on the wall clock. A To at or before From is on the
// next day: 22:00-06:00 is a night shift, and belongs to the day it starts on.
type ClockSpan struct {
	From, To ClockTime
}

// ParseClockSpan reads 08:00-17:30. The whole day is 00:00-24:00.
func ParseClockSpan(s string) (ClockSpan, error) {
	from, to, found := strings.Cut(strings.Replace(s, "–", "-", 1), "-")
	if !found {
		return ClockSpan{}, fmt.Errorf("hours %q: want from-to, for example 08:00-17:30", clipped(s))
	}
	var span ClockSpan
	var err error
	if span.From, err = ParseClockTime(from); err != nil {
		return ClockSpan{}, fmt.Errorf("hours %q: %w", clipped(s), err)
	}
	if span.To, err = ParseClockTime(to); err != nil {
		return ClockSpan{}, fmt.Errorf("hours %q: %w", clipped(s), err)
	}
	return span, span.Validate()
}

// Validate refuses readings outside the day and a span that ends when it starts.
func (s ClockSpan) Validate() error {
	switch {
	case s.From < 0 || s.From >= minutesPerDay:
		return fmt.Errorf("hours %s: the start must lie from 00:00 to 23:59", s)
	case s.To < 0 || s.To > minutesPerDay:
		return fmt.Errorf("hours %s: the end must lie from 00:00 to 24:00", s)
	case s.From == s.To:
		return fmt.Errorf("hours %s: start and end are the same; write 00:00-24:00 for the whole day, or leave the day out", s)
	}
	return nil
}

// On is the interval of the span that starts on day d; empty when a clock
// change skips all of it.
func (s ClockSpan) On(d Date, loc *time.Location) Interval {
	end := d
	if s.To <= s.From {
		end = d.AddDays(1)
	}
	return Interval{d.At(s.From, loc), end.At(s.To, loc)}
}

// String is hh:mm-hh:mm.
func (s ClockSpan) String() string { return s.From.String() + "-" + s.To.String() }

// MarshalText writes hh:mm-hh:mm.
func (s ClockSpan) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText is [ParseClockSpan].
func (s *ClockSpan) UnmarshalText(text []byte) (err error) {
	*s, err = ParseClockSpan(string(text))
	return err
}

// Date is a day of the Gregorian calendar, without a place. Year 0 means every
// year, which only [DayException] gives a meaning to.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf is the day that t falls on in loc; nil is UTC.
func DateOf(t time.Time, loc *time.Location) Date {
	y, m, d := t.In(orUTC(loc)).Date()
	return Date{y, m, d}
}

// ParseDate reads yyyy-mm-dd, or mm-dd for a day of every year.
func ParseDate(s string) (Date, error) {
	text := strings.TrimSpace(s)
	if t, err := time.Parse(time.DateOnly, text); err == nil && t.Year() > 0 {
		return DateOf(t, time.UTC), nil
	}
	// 2000 is a leap year, so 02-29 is a day.
	if t, err := time.Parse(time.DateOnly, "2000-"+text); err == nil {
		return Date{0, t.Month(), t.Day()}, nil
	}
	return Date{}, fmt.Errorf("date %q: want a day that exists as yyyy-mm-dd, or mm-dd for every year", clipped(s))
}

// String is yyyy-mm-dd, or mm-dd for a day of every year.
func (d Date) String() string {
	if d.Year == 0 {
		return fmt.Sprintf("%02d-%02d", d.Month, d.Day)
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day)
}

// MarshalText writes the date as [Date.String] does.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText is [ParseDate].
func (d *Date) UnmarshalText(text []byte) (err error) {
	*d, err = ParseDate(string(text))
	return err
}

// AddDays is the day n days later, or earlier when n is negative.
func (d Date) AddDays(n int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+n, 0, 0, 0, 0, time.UTC), time.UTC)
}

// Weekday is the day of the week.
func (d Date) Weekday() time.Weekday {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC).Weekday()
}

// At is the instant when clocks in loc first show c on day d. When a change of
// the clocks skips c it is the instant of the change, so a later reading never
// gives an earlier instant. 24:00 is 00:00 of the next day; nil is UTC.
func (d Date) At(c ClockTime, loc *time.Location) time.Time {
	loc = orUTC(loc)
	t := time.Date(d.Year, d.Month, d.Day, 0, int(c), 0, 0, loc)
	want := time.Date(d.Year, d.Month, d.Day, 0, int(c), 0, 0, time.UTC)
	zoneStart, zoneEnd := t.ZoneBounds()
	// time.Date promises neither side of a gap nor of a repeat: decide both.
	switch got := wall(t); {
	case got.After(want):
		return zoneStart
	case got.Before(want):
		return zoneEnd
	}
	if zoneStart.IsZero() {
		return t
	}
	last := zoneStart.Add(-time.Nanosecond)
	_, offset := last.Zone()
	if first := want.Add(-time.Duration(offset) * time.Second); first.Before(zoneStart) && first.Before(t) {
		return first.In(loc)
	}
	return t
}

// wall is the reading of the clock at t, as an instant of UTC.
func wall(t time.Time) time.Time {
	_, offset := t.Zone()
	return t.UTC().Add(time.Duration(offset) * time.Second)
}

// digits reads an unsigned number of atLeast to atMost ASCII digits.
func digits(s string, atLeast, atMost int) (n int, ok bool) {
	if len(s) < atLeast || len(s) > atMost {
		return 0, false
	}
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// clipped keeps hostile input out of error texts.
func clipped(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return s[:most] + "…"
}

func orUTC(loc *time.Location) *time.Location {
	if loc == nil {
		return time.UTC
	}
	return loc
}
