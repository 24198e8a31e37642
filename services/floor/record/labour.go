package record

import (
	"context"
	"strings"
	"time"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/services/floor/answer"
)

// Window is the day, week or month that work is looked at in.
type Window struct {
	labour.Window // ends now if it is under way
	Span          string
	Day           time.Time // its first day
	Whole         time.Time // its end, also if that lies ahead
}

// WindowOf is the window of a span ("day", "week" or "month"; any other text
// means week) around a day, written as 2026-02-17 in now's zone; empty: today.
// The error is an *answer.Problem.
func WindowOf(span, day string, now time.Time) (Window, error) {
	loc := now.Location()
	around := now
	if day = strings.TrimSpace(day); day != "" {
		t, err := time.ParseInLocation(time.DateOnly, day, loc)
		switch {
		case err != nil:
			return Window{}, answer.Malformed("day", day, "that is no day", "Write it as 2026-02-17.")
		case t.After(now):
			return Window{}, answer.Malformed("day", day, "that day has not come yet", "Choose one that has.")
		}
		around = t
	}
	w := Window{Span: span}
	y, m, d := around.Date()
	midnight := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, loc) }
	switch span {
	case "day":
		w.Start, w.End = midnight(y, m, d), midnight(y, m, d+1)
	case "month":
		w.Start, w.End = midnight(y, m, 1), midnight(y, m+1, 1)
	default:
		w.Span = "week"
		d -= (int(around.Weekday()) + 6) % 7
		w.Start, w.End = midnight(y, m, d), midnight(y, m, d+7)
	}
	w.Day, w.Whole = w.Start, w.End
	if w.End.After(now) {
		w.End = now
	}
	return w, nil
}

// Labour is the hands-on work of a window.
type Labour struct {
	Window    Window
	Pieces    []labour.Piece
	Available map[string]time.Duration // by technician
	state     *queue.State
}

// Labour is the hands-on work of a window, as the moment knows it.
func (r *Record) Labour(ctx context.Context, m Moment, w Window) (*Labour, error) {
	s, err := r.Work(ctx, m)
	if err != nil {
		return nil, err
	}
	return &Labour{w, s.Pieces(w.Start, w.End), s.Available(w.Start, w.End), m.State}, nil
}

// Report sums it up.
func (l *Labour) Report() labour.Report {
	return labour.Measure(l.Pieces, l.Available, l.Window.Window)
}

// Line is one piece of work in a window.
type Line struct {
	labour.Piece
	Time    time.Duration // worked in the window
	Earned  time.Duration // standard produced in it
	Machine *queue.Machine
}

// Doubts reports a line that is not counted.
func (l Line) Doubts() bool { return l.Doubt != labour.Sure }

// Groupings are by what lines can be asked for.
var Groupings = []string{"technician", "operation", "unit"}

// Lines are the pieces that count in the window, by start: all, or those of one
// technician, operation or unit.
func (l *Labour) Lines(by, id string) []Line {
	var out []Line
	for _, p := range l.Pieces {
		match := by == "" || by == "technician" && p.Technician == id || by == "operation" && p.Operation == id || by == "unit" && p.Unit == id
		if !match || !p.Touches(l.Window.Window) {
			continue
		}
		x := Line{Piece: p, Time: p.In(l.Window.Window), Earned: p.Produced(l.Window.Window)}
		if u := l.state.Units[queue.UnitID(p.Unit)]; u != nil {
			x.Machine = &u.Machine
		}
		out = append(out, x)
	}
	return out
}

// Sum is what some lines come to.
func (l *Labour) Sum(lines []Line) labour.Sum {
	pieces := make([]labour.Piece, len(lines))
	for i := range lines {
		pieces[i] = lines[i].Piece
	}
	return labour.Measure(pieces, nil, l.Window.Window).All
}
