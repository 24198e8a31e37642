package pages

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"go.uber.org/zap"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
)

// dayICS is a technician's day as iCalendar (RFC 5545): what he worked on, and
// what the plan has for him. Times are written in UTC, so that every calendar
// shows them right, also on a day on which the clocks change. An entry keeps
// its UID while it is planned anew, begun and done.
func (p *Pages) dayICS(w http.ResponseWriter, r *http.Request) {
	b, ok := p.base(r)
	if !ok {
		p.plain(w, http.StatusServiceUnavailable, "The shop is not set up yet.", "Start Tickover with a shop file.")
		return
	}
	t := b.Shop.Technician(queue.PersonID(r.PathValue("id")))
	if t == nil {
		p.fail(w, r, b, answer.Unknown(b.T("there is no technician %q", r.PathValue("id")), "Choose one of the shop's technicians."))
		return
	}
	day := b.Now
	if s := r.URL.Query().Get("day"); s != "" {
		var err error
		if day, err = time.ParseInLocation(time.DateOnly, s, b.Loc); err != nil {
			p.fail(w, r, b, answer.Malformed("day", s, "that is no day", "Write it as 2026-02-17."))
			return
		}
	}
	y, m, d := day.Date()
	from, to := time.Date(y, m, d, 0, 0, 0, 0, b.Loc), time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc)
	end := to
	if end.After(b.Now) {
		end = b.Now
	}
	var pieces []labour.Piece
	if from.Before(end) {
		var err error
		if pieces, _, err = p.labourOf(r.Context(), b, labourWindow{Window: labour.Window{Start: from, End: end}}); err != nil {
			p.fail(w, r, b, err)
			return
		}
	}
	cal := ics.NewCalendarFor("Tickover")
	cal.SetProductId("-//Tickover//day of a technician//EN")
	cal.SetXWRCalName(b.T("%s, %s", t.Name, b.Shop.Name))
	cal.SetXWRTimezone(b.Shop.TimeZone)
	for _, e := range b.appointments(t.ID, pieces, from, to) {
		e.add(cal, b)
	}
	h := w.Header()
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="tickover-%s-%s.ics"`, t.ID, from.Format(time.DateOnly)))
	if err := cal.SerializeTo(w, ics.WithNewLineWindows); err != nil {
		p.log.Debug("calendar not sent", zap.Error(err))
	}
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

func (a appointment) add(cal *ics.Calendar, b *Base) {
	e := cal.AddEvent(a.uid)
	e.SetDtStampTime(b.Now)
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

// appointments are what a technician worked on and what the plan has for him in
// [from, to), by start.
func (b *Base) appointments(who queue.PersonID, pieces []labour.Piece, from, to time.Time) []appointment {
	var out []appointment
	taken := map[string]bool{}
	for i := range pieces {
		p := &pieces[i]
		u := b.State.Units[queue.UnitID(p.Unit)]
		op := b.Shop.Operation(queue.OperationID(p.Operation))
		if p.Technician != string(who) || u == nil || op == nil || p.Running || !p.Start.Before(to) {
			continue
		}
		for k, in := range p.Worked {
			a := b.appointment(u, queue.StepID(p.Step), op, p.Run, len(op.Stretches)-p.Stretch, k)
			a.start, a.end, a.note, a.sure = in.Start, in.End, b.T("Done."), true
			if p.Done.IsZero() {
				a.note = b.T("Not done yet.")
			}
			if p.Doubt != labour.Sure {
				a.note = answer.Sentence(b.DoubtText(p.Doubt))
			}
			taken[a.uid] = true
			out = append(out, a)
		}
	}
	if b.Plan != nil {
		for i := range b.Plan.Steps {
			for _, a := range b.planned(who, &b.Plan.Steps[i]) {
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
func (b *Base) planned(who queue.PersonID, s *dispatch.PlannedStep) []appointment {
	u, op := b.State.Units[s.Unit], b.Shop.Operation(s.Operation)
	if u == nil || op == nil || u.Step(s.Step) == nil {
		return nil
	}
	run := u.Step(s.Step).Runs
	if !s.Running {
		run++
	}
	var out []appointment
	for i, x := range s.Stretches {
		if !x.HandsOn || !slices.Contains(x.Technicians, who) {
			continue
		}
		parts := x.Parts
		if len(parts) == 0 {
			parts = []dispatch.StretchPart{{Start: x.Start, End: x.End}}
		}
		for k, part := range parts {
			a := b.appointment(u, s.Step, op, run, len(s.Stretches)-i, k)
			a.start, a.end, a.where, a.sure = part.Start, part.End, b.Places(s.Resources), s.Running || s.Accepted
			a.note = b.T("Planned, it may move. Promised %s.", b.Moment(u.Promise))
			if s.Why != "" {
				a.note += " " + answer.Sentence(s.Why)
			}
			out = append(out, a)
		}
	}
	return out
}

// appointment names a piece of work: its stretch counts from the last one, so
// that it keeps its name when the first ones are over.
func (b *Base) appointment(u *queue.Unit, step queue.StepID, op *queue.Operation, run, fromEnd, part int) appointment {
	return appointment{
		uid:  fmt.Sprintf("%s/%s/%d/%d/%d@%s.tickover", u.ID, step, run, fromEnd, part, b.State.Site),
		what: b.T("%s %s, %s %s", string(u.ID), op.Name, u.Machine.Make, u.Machine.Model),
	}
}
