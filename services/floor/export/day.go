package export

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/record"
)

// Day is a technician's day: what he worked on, and what the plan has for him.
type Day struct {
	Technician *queue.Technician
	Moment     record.Moment
	Plan       *dispatch.Plan // nil: none is known
	Date       time.Time      // midnight in the shop's zone
	Pieces     []labour.Piece // of that day, up to the moment
	Words      Words
	// Promised says a promise in words.
	Promised func(time.Time) string
}

// WindowOfDay is the window of a day that may lie ahead, up to the moment, and
// the whole day. The error is an *answer.Problem.
func WindowOfDay(text string, m record.Moment) (labour.Window, labour.Window, error) {
	loc := m.State.Shop.Location()
	day := m.At.In(loc)
	if text != "" {
		var err error
		if day, err = time.ParseInLocation(time.DateOnly, text, loc); err != nil {
			return labour.Window{}, labour.Window{}, answer.Malformed("day", text, "that is no day", "Write it as 2026-02-17.")
		}
	}
	y, mon, d := day.Date()
	whole := labour.Window{Start: time.Date(y, mon, d, 0, 0, 0, 0, loc), End: time.Date(y, mon, d+1, 0, 0, 0, 0, loc)}
	seen := whole
	if seen.End.After(m.At) {
		seen.End = m.At
	}
	if seen.End.Before(seen.Start) {
		seen.End = seen.Start
	}
	return seen, whole, nil
}

// DayHeaders names the file that a browser or a calendar keeps.
func (d *Day) DayHeaders(h http.Header) {
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="tickover-%s-%s.ics"`, d.Technician.ID, d.Date.Format(time.DateOnly)))
}

// Write writes the day as iCalendar (RFC 5545). Times are written in UTC, so
// that every calendar shows them right, also on a day on which the clocks
// change. An entry keeps its UID while it is planned anew, begun and done.
func (d *Day) Write(w io.Writer) error {
	shop := d.Moment.State.Shop
	cal := ics.NewCalendarFor("Tickover")
	cal.SetProductId("-//Tickover//day of a technician//EN")
	cal.SetXWRCalName(d.Words.T("%s, %s", d.Technician.Name, shop.Name))
	cal.SetXWRTimezone(shop.TimeZone)
	for _, e := range d.appointments() {
		e.add(cal, d.Moment.At)
	}
	return cal.SerializeTo(w, ics.WithNewLineWindows)
}

// appointment is an entry of a technician's calendar.
type appointment struct {
	uid        string
	start, end time.Time
	what       string
	where      string
	note       string
	sure       bool // it happened, or was accepted
}

func (a appointment) add(cal *ics.Calendar, now time.Time) {
	e := cal.AddEvent(a.uid)
	e.SetDtStampTime(now)
	e.SetStartAt(a.start)
	e.SetEndAt(a.end)
	e.SetSummary(a.what)
	if a.where != "" {
		e.SetLocation(a.where)
	}
	e.SetDescription(a.note)
	e.SetStatus(ics.ObjectStatusTentative)
	if a.sure {
		e.SetStatus(ics.ObjectStatusConfirmed)
	}
}

// appointments are what a technician worked on and what the plan has for him,
// by start.
func (d *Day) appointments() []appointment {
	from, to := d.Date, d.Date.AddDate(0, 0, 1)
	st := d.Moment.State
	var out []appointment
	taken := map[string]bool{}
	for i := range d.Pieces {
		p := &d.Pieces[i]
		u := st.Units[queue.UnitID(p.Unit)]
		op := st.Shop.Operation(queue.OperationID(p.Operation))
		if p.Technician != string(d.Technician.ID) || u == nil || op == nil || p.Running || !p.Start.Before(to) {
			continue
		}
		for k, in := range p.Worked {
			a := d.appointment(u, queue.StepID(p.Step), op, p.Run, len(op.Stretches)-p.Stretch, k)
			a.start, a.end, a.note, a.sure = in.Start, in.End, d.Words.T("Done."), true
			if p.Done.IsZero() {
				a.note = d.Words.T("Not done yet.")
			}
			if p.Doubt != labour.Sure {
				a.note = answer.Sentence(Doubt(d.Words, p.Doubt))
			}
			taken[a.uid] = true
			out = append(out, a)
		}
	}
	if d.Plan != nil {
		for i := range d.Plan.Steps {
			for _, a := range d.planned(&d.Plan.Steps[i]) {
				if !taken[a.uid] {
					out = append(out, a)
				}
			}
		}
	}
	out = slices.DeleteFunc(out, func(a appointment) bool { return !a.start.Before(to) || !a.end.After(from) || !a.start.Before(a.end) })
	slices.SortFunc(out, func(x, y appointment) int {
		if c := x.start.Compare(y.start); c != 0 {
			return c
		}
		return strings.Compare(x.uid, y.uid)
	})
	return out
}

// planned are the hands-on pieces that the plan gives somebody of a step.
func (d *Day) planned(s *dispatch.PlannedStep) []appointment {
	st := d.Moment.State
	u, op := st.Units[s.Unit], st.Shop.Operation(s.Operation)
	if u == nil || op == nil || u.Step(s.Step) == nil {
		return nil
	}
	run := u.Step(s.Step).Runs
	if !s.Running {
		run++
	}
	var out []appointment
	for i, x := range s.Stretches {
		if !x.HandsOn || !slices.Contains(x.Technicians, d.Technician.ID) {
			continue
		}
		parts := x.Parts
		if len(parts) == 0 {
			parts = []dispatch.StretchPart{{Start: x.Start, End: x.End}}
		}
		for k, part := range parts {
			a := d.appointment(u, s.Step, op, run, len(s.Stretches)-i, k)
			a.start, a.end, a.where, a.sure = part.Start, part.End, places(st.Shop, s.Resources), s.Running || s.Accepted
			a.note = d.Words.T("Planned, it may move. Promised %s.", d.Promised(u.Promise))
			if s.Why != "" {
				a.note += " " + answer.Sentence(d.Words.Say(s.Reason()))
			}
			out = append(out, a)
		}
	}
	return out
}

func places(shop *queue.Shop, ids []queue.ResourceID) string {
	var out []string
	for _, id := range ids {
		out = append(out, shop.ResourceName(id))
	}
	return strings.Join(out, ", ")
}

// appointment names a piece of work: its stretch counts from the last one, so
// that it keeps its name when the first ones are over.
func (d *Day) appointment(u *queue.Unit, step queue.StepID, op *queue.Operation, run, fromEnd, part int) appointment {
	return appointment{
		uid:  fmt.Sprintf("%s/%s/%d/%d/%d@%s.tickover", u.ID, step, run, fromEnd, part, d.Moment.State.Site),
		what: d.Words.T("%s %s, %s %s", string(u.ID), op.Name, u.Machine.Make, u.Machine.Model),
	}
}
