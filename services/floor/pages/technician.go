package pages

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/ident"
	"tickover/services/floor/job"
)

// Card is one step with the forms that it allows.
type Card struct {
	*Base
	Sheet   job.Sheet
	Choices []job.Choice
	Bench   queue.ResourceID // of the bench screen
	Big     bool             // the one that comes next
	Back    string
	ahead   bool // not so yet: see Ahead
}

func (b *Base) card(s job.Sheet) Card {
	c := Card{Base: b, Sheet: s, Back: b.Here}
	if s.Step.Status == queue.Todo {
		c.Choices = job.Choices(b.State, s, b.Now)
	}
	return c
}

func (b *Base) cards(sheets []job.Sheet) []Card {
	out := make([]Card, len(sheets))
	for i, s := range sheets {
		out[i] = b.card(s)
	}
	return out
}

// Calibration is what a flash writes.
func (c Card) Calibration() *queue.CalibrationRef { return job.Calibration(c.State, c.Sheet, c.Now) }

// NoCalibration is why there is nothing to flash.
func (c Card) NoCalibration() *queue.Refusal {
	if c.Sheet.Op.Kind != queue.Flash {
		return nil
	}
	_, r := c.State.CalibrationFor(&c.Sheet.Unit.Machine, c.Now)
	return r
}

// StartFields have to be read before the step starts.
func (c Card) StartFields() []queue.EvidenceField {
	return slices.DeleteFunc(typed(job.Fields(c.Sheet.Op, true)), func(f queue.EvidenceField) bool { return !f.Required })
}

// MayRead are the fields that may be read before it starts.
func (c Card) MayRead() []queue.EvidenceField {
	return slices.DeleteFunc(typed(job.Fields(c.Sheet.Op, true)), func(f queue.EvidenceField) bool { return f.Required })
}

// DoneFields are asked for when it is done; photos have a field of their own.
func (c Card) DoneFields() []queue.EvidenceField { return typed(job.Fields(c.Sheet.Op, false)) }

// typed leaves photos out.
func typed(fields []queue.EvidenceField) []queue.EvidenceField {
	return slices.DeleteFunc(fields, func(f queue.EvidenceField) bool { return f.Type == queue.Photo })
}

// Value is what stands in an evidence field: what was typed before a refusal,
// what was recorded, or what is known.
func (c Card) Value(action string, key queue.EvidenceKey) string {
	if c.Tried.Is(action, c.Sheet.Unit.ID, c.Sheet.Step.ID) {
		return c.Tried.Values.Get("ev." + string(key))
	}
	v := c.Sheet.Step.Evidence[key]
	if f := fieldOf(c.Sheet.Op, key); f != nil && c.InMiles(*f) {
		if km, err := strconv.ParseFloat(v, 64); err == nil {
			return c.Number(c.Miles(km), 1)
		}
	}
	return v
}

// InMiles reports a field that the log keeps in kilometres and this person
// reads in miles.
func (c Card) InMiles(f queue.EvidenceField) bool {
	return f.Type == queue.Number && f.Unit == "km" && c.Prefs.Distance == "mi"
}

// Typed is what was typed into another field before a refusal.
func (c Card) Typed(action, field string) string {
	if c.Tried.Is(action, c.Sheet.Unit.ID, c.Sheet.Step.ID) {
		return c.Tried.Values.Get(field)
	}
	return ""
}

// CommandID is a form's: the same again after a refusal, so that a repeat of
// what was not confirmed is known as one.
func (c Card) CommandID(action string) string {
	if c.Tried.Is(action, c.Sheet.Unit.ID, c.Sheet.Step.ID) {
		return c.Tried.Values.Get("command_id")
	}
	return c.NewID()
}

// Blocked is what the step waits for in its own unit.
func (c Card) Blocked() string { return c.Say(job.Blocked(c.Sheet)) }

// Unfit is why the plan has no place for it; empty: it has, or there is none.
func (c Card) Unfit() string { return unfit(c.Base, c.Sheet) }

// Why is the plan's explanation.
func (c Card) Why() string {
	if c.Sheet.Planned == nil {
		return ""
	}
	return c.Say(c.Sheet.Planned.Reason())
}

// Next is the stretch that comes next, nil in the last one.
func (c Card) Next() *queue.Stretch {
	if i, ok := c.Sheet.NextStretch(); ok {
		return &c.Sheet.Op.Stretches[i]
	}
	return nil
}

// NextIndex is the next stretch's index.
func (c Card) NextIndex() int { i, _ := c.Sheet.NextStretch(); return i }

// Overdue reports that the running stretch is past its end.
func (c Card) Overdue() bool {
	return c.Sheet.Step.Status == queue.Running && c.Now.After(c.Sheet.StretchEnds())
}

// Alarm reports that it is past its end by more than the shop file allows.
func (c Card) Alarm() bool {
	return c.Sheet.Step.Status == queue.Running && !c.Now.Before(c.Sheet.StretchEnds().Add(c.Shop.Limits.OverdueAfter))
}

// Parts of the running step, for its bar.
func (c Card) Stretches() []StretchMark {
	out := make([]StretchMark, len(c.Sheet.Op.Stretches))
	for i, s := range c.Sheet.Op.Stretches {
		out[i] = StretchMark{Stretch: s, State: "next"}
		switch {
		case c.Sheet.Step.Status != queue.Running || i > c.Sheet.Step.Stretch:
		case i < c.Sheet.Step.Stretch:
			out[i].State = "over"
		default:
			out[i].State = "now"
		}
	}
	return out
}

// StretchMark is a stretch and where it stands: over, now or next.
type StretchMark struct {
	queue.Stretch
	State string
}

// Mine reports that the chosen person accepted the step.
func (c Card) Mine() bool {
	return c.Sheet.Step.Accepted != nil && c.Sheet.Step.Accepted.Technician == c.Me
}

// find opens the unit that a ticket or frame number names, or shows what
// matches.
func (p *Pages) find(w http.ResponseWriter, r *http.Request) {
	q := strings.TrimSpace(r.URL.Query().Get("q"))
	st := p.state(r)
	if u := exactly(st, q); u != nil {
		http.Redirect(w, r, "/units/"+url.PathEscape(string(u.ID)), http.StatusSeeOther)
		return
	}
	if len(q) > 80 {
		q = strings.ToValidUTF8(q[:80], "")
	}
	http.Redirect(w, r, "/units?q="+url.QueryEscape(q), http.StatusSeeOther)
}

// exactly is the one unit with this ticket, plate or frame number; of several
// visits of a machine the one in the shop, else the latest.
func exactly(st *queue.State, q string) *queue.Unit {
	if q == "" {
		return nil
	}
	frame := queue.MachineKey(ident.Key(q))
	var best *queue.Unit
	for _, u := range st.Units {
		if strings.EqualFold(string(u.ID), q) {
			return u
		}
		if isMachine(q, frame, queue.KeyOf(u), u.Machine.Plate) && (best == nil || newer(u, best)) {
			best = u
		}
	}
	return best
}

// isMachine reports that a text, which is typed as the key of a frame number, is
// a machine's whole frame number or plate.
func isMachine(text string, typed, key queue.MachineKey, plate string) bool {
	return typed != "" && key == typed || plate != "" && strings.EqualFold(plate, text)
}

func newer(a, b *queue.Unit) bool {
	if (a.Status == queue.InShop) != (b.Status == queue.InShop) {
		return a.Status == queue.InShop
	}
	return a.Arrived.After(b.Arrived)
}

// AsksWho: a bench screen, and somebody who is no technician, have to say who
// does it.
func (c Card) AsksWho() bool { return c.Bench != "" || c.Me != "" && c.Shop.Technician(c.Me) == nil }

// AsksActor: nobody is chosen on this device.
func (c Card) AsksActor() bool { return c.Me == "" && c.Bench == "" }

// NeedsPlace: something that the step needs has to be chosen by hand.
func (c Card) NeedsPlace() bool {
	for _, ch := range c.Choices {
		if ch.Chosen == "" && !ch.MayBeNone {
			return true
		}
		for _, o := range ch.Options {
			if o.Resource.ID == ch.Chosen && !o.TakenBy.IsZero() {
				return true
			}
		}
	}
	return false
}

// PlacesText names what is chosen.
func (c Card) PlacesText() string {
	var names []string
	for _, ch := range c.Choices {
		if ch.Chosen != "" {
			names = append(names, c.Thing(ch.Chosen))
		}
	}
	if len(names) == 0 {
		return c.T("Choose a place")
	}
	return c.T("At %s – change", strings.Join(names, ", "))
}

// Bring is what somebody needs to have with him.
func (c Card) Bring() string {
	var out []string
	for _, n := range c.Sheet.Op.Needs {
		switch {
		case c.With() != "": // named there
		case n.Kind == queue.Interface:
			out = append(out, c.T("interface with its laptop"))
		case n.Kind == queue.Charger:
			out = append(out, c.T("charger"))
		}
	}
	switch c.Sheet.Op.Kind {
	case queue.TestRide:
		out = append(out, c.T("helmet, riding gear, key"))
	case queue.Relearn, queue.RestartCheck:
		out = append(out, c.T("key, ear protection"))
	}
	return strings.Join(out, ", ")
}

// Hint says how a field is written.
func (c Card) Hint(f queue.EvidenceField) string {
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	switch {
	case f.Key == queue.EvidenceCalibration && c.Sheet.Step.Calibration != nil:
		return c.T("begun: %s", string(c.Sheet.Step.Calibration.ID))
	case f.Key == queue.EvidenceRevision && c.Sheet.Step.Calibration != nil:
		return c.T("begun: %s", strconv.Itoa(c.Sheet.Step.Calibration.Revision))
	case f.Key == queue.EvidenceOdometer && c.Sheet.Unit.OdometerKM != nil:
		return c.T("last read %s", c.Distance(*c.Sheet.Unit.OdometerKM, 1))
	case f.Key == queue.EvidenceEngineHours && c.Sheet.Unit.EngineH != nil:
		return c.T("last read %s", number(*c.Sheet.Unit.EngineH))
	case f.Key == queue.EvidenceFrame:
		return c.T("on the ticket: %s", c.Sheet.Unit.Machine.Frame)
	case f.Min != nil && f.Max != nil:
		return c.T("%s to %s", number(*f.Min), number(*f.Max))
	case f.Min != nil:
		return c.T("at least %s", number(*f.Min))
	case f.Max != nil:
		return c.T("at most %s", number(*f.Max))
	}
	return ""
}

// Left is the time left of the running stretch, as the timer begins.
func (c Card) Left() string {
	d := c.Sheet.StretchEnds().Sub(c.Now)
	sign := ""
	if d < 0 {
		sign, d = "+", -d
	}
	s := int(d / time.Second)
	if s >= 3600 {
		return sign + strconv.Itoa(s/3600) + ":" + two(s/60%60) + ":" + two(s%60)
	}
	return sign + strconv.Itoa(s/60) + ":" + two(s%60)
}

func two(n int) string {
	if n < 10 {
		return "0" + strconv.Itoa(n)
	}
	return strconv.Itoa(n)
}

// RecordedPhotos lists the photos among the step's evidence.
func (c Card) RecordedPhotos() []string {
	var out []string
	for _, key := range slices.Sorted(maps.Keys(c.Sheet.Step.Evidence)) {
		if list, ok := queue.Photos(c.Sheet.Step.Evidence[key]); ok {
			out = append(out, list...)
		}
	}
	return out
}

// Places names resources.
func (b *Base) Places(ids []queue.ResourceID) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = b.Thing(id)
	}
	return strings.Join(names, ", ")
}

// Reading is a recorded value with its field's name.
type Reading struct{ Label, Value, Unit, Flag string }

// Recorded lists the step's evidence in the order of its fields.
func (c Card) Recorded() []Reading {
	var out []Reading
	for _, f := range c.Sheet.Op.Evidence {
		if v := c.Sheet.Step.Evidence[f.Key]; v != "" && f.Type != queue.Photo {
			r := Reading{f.Label, v, f.Unit, ""}
			if km, err := strconv.ParseFloat(v, 64); err == nil && c.InMiles(f) {
				r.Value, r.Unit = c.Number(c.Miles(km), 1), "mi"
			}
			for _, flag := range c.Sheet.Step.Flags {
				if flag.Key == f.Key {
					r.Flag = flag.Why
				}
			}
			out = append(out, r)
		}
	}
	return out
}
