package queue

import (
	"regexp"
	"slices"
	"time"

	"tickover/queue/ident"
)

// ReceiveUnit checks a unit in: it is in the shop and has a ticket.
type ReceiveUnit struct {
	Unit    UnitID
	Arrival UnitArrived
	// Once refuses the unit while a machine with its frame number is in the
	// shop: most often it is the same machine, checked in twice, or a number
	// misread. Two machines may share a number, though: Beside is the ticket of
	// one that is known to be another.
	Once   bool
	Beside UnitID
}

func (a *ReceiveUnit) subject() Subject { return UnitSubject(a.Unit) }

func (a *ReceiveUnit) decide(d *decider) error {
	if err := d.roomFor(1); err != nil {
		return err
	}
	return d.receive(a)
}

// receive emits a unit's arrival with what was let pass for it.
func (d *decider) receive(a *ReceiveUnit) error {
	before := len(d.overridden)
	if err := d.receivable(a.Unit, &a.Arrival); err != nil {
		return err
	}
	if u := d.state.HereByFrame(a.Arrival.Machine.Frame); a.Once && u != nil && u.ID != a.Beside {
		return twice(a.Unit, u.ID)
	}
	arrival := a.Arrival
	arrival.Overrides = slices.Clone(d.overridden[before:])
	d.emitUnit(a.Unit, TypeUnitArrived, &arrival)
	return nil
}

// ReceiveUnits checks several units in, all or none; at most [EntryEventsMax].
type ReceiveUnits struct {
	Units []ReceiveUnit
}

func (*ReceiveUnits) subject() Subject { return ShopSubject }

func (a *ReceiveUnits) decide(d *decider) error {
	if len(a.Units) == 0 || len(a.Units) > EntryEventsMax {
		return refuse(CodeMalformed, "Send them in parts.", "%d units in one command, 1 to %d are allowed", len(a.Units), EntryEventsMax)
	}
	if err := d.roomFor(len(a.Units)); err != nil {
		return err
	}
	names, frames := map[UnitID]bool{}, map[string]UnitID{}
	for i := range a.Units {
		u := &a.Units[i]
		if names[u.Unit] {
			return refuse(CodeExists, "Give each its own number.", "ticket %q stands twice in the list", u.Unit)
		}
		names[u.Unit] = true
		if frame := ident.Key(u.Arrival.Machine.Frame); frame != "" {
			if other, ok := frames[frame]; ok && u.Once && other != u.Beside {
				return twice(u.Unit, other)
			}
			frames[frame] = u.Unit
		}
		if err := d.receive(u); err != nil {
			return err
		}
	}
	return nil
}

// twice refuses unit, whose frame number other has.
func twice(unit, other UnitID) error {
	return refuse(CodeExists, "Open that ticket, or read the number again. If it is another machine, say so: beside that ticket.",
		"unit %s: a machine with this frame number is in the shop already, as %s", unit, other)
}

func (d *decider) roomFor(n int) error {
	most := d.shop.Limits.UnitsOpenMax
	if most == 0 {
		return nil
	}
	open := 0
	for _, u := range d.state.Units {
		if u.Status == InShop {
			open++
		}
	}
	if open+n > most {
		return refuse(CodeFull, "Hand finished units over, or raise limits.units_open_max in the shop file.",
			"%d units are in the shop, %d more would exceed the limit of %d", open, n, most)
	}
	return nil
}

var unitIDPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$`)

// Years of manufacture that are taken for possible.
const (
	yearMin = 1900
	yearMax = 2100
)

func (d *decider) receivable(id UnitID, a *UnitArrived) error {
	if !unitIDPattern.MatchString(string(id)) {
		return refuse(CodeMalformed, "Use letters, digits, '-', '_' and '.', at most 40.", "%.60q is no ticket number", string(id))
	}
	if u := d.state.Units[id]; u != nil {
		return refuse(CodeExists, "Take another number, or look at the unit's page.", "ticket %s exists: %s %s, arrived %s",
			id, u.Machine.Make, u.Machine.Model, u.Arrived.Format(time.DateOnly))
	}
	m := &a.Machine
	switch {
	case m.Make == "" || m.Model == "":
		return refuse(CodeMalformed, "Fill in make and model.", "unit %s has no make or no model", id)
	case len(m.Make) > 80 || len(m.Model) > 80 || len(m.Plate) > 20 || len(m.Fitment) > 60 || len(m.Family) > 60:
		return refuse(CodeMalformed, "Shorten it.", "a field of unit %s's machine is too long", id)
	case m.Year < yearMin || m.Year > yearMax:
		return refuse(CodeMalformed, "Write the model year with four digits.", "unit %s has the model year %d", id, m.Year)
	case a.Weight < 1 || a.Weight > 10:
		return refuse(CodeMalformed, "Give a weight from 1 to 10.", "unit %s has the weight %d", id, a.Weight)
	case a.Promise.IsZero():
		return refuse(CodeMalformed, "Say until when it is promised.", "unit %s has no promise", id)
	}
	if err := checkContact(id, a.Contact); err != nil {
		return err
	}
	if _, err := a.Ownership.MarshalText(); err != nil {
		return refuse(CodeMalformed, "Say new, customer or trade-in.", "unit %s has no ownership", id)
	}
	if err := checkText("the note", a.Note, false); err != nil {
		return err
	}
	if err := d.routeFits(id, a); err != nil {
		return err
	}
	return d.pass(d.frameFits(id, m.Frame))
}

func (d *decider) routeFits(id UnitID, a *UnitArrived) error {
	r := d.shop.Route(a.Route)
	if r == nil {
		return refuse(CodeUnknown, "Choose one of the shop file's routes.", "unit %s asks for the route %q, which does not exist", id, a.Route)
	}
	has := func(s StepID, optional bool) bool {
		return slices.ContainsFunc(r.Steps, func(rs RouteStep) bool { return rs.ID == s && (rs.Optional || !optional) })
	}
	for _, o := range a.Options {
		if !has(o, true) {
			return refuse(CodeUnknown, "Choose one of the route's optional steps.", "route %s has no optional step %q (unit %s)", r.ID, o, id)
		}
	}
	for _, s := range sortedKeys(a.Parts) {
		if !has(s, false) {
			return refuse(CodeUnknown, "Name a step of the route.", "unit %s waits for a part for %q, route %s has no such step", id, s, r.ID)
		}
	}
	return nil
}

// frameFits is I12 for frame numbers. A number is never refused for being
// foreign, old or an off-road PIN; a wrong check digit is refused only where
// the maker's region has one by law, and a foreman may let it pass.
func (d *decider) frameFits(id UnitID, frame string) *Refusal {
	n := ident.Classify(frame)
	if n.Class != ident.VINCheckDigitWrong || !n.NorthAmerican {
		return nil
	}
	return interlock(I12, "Read the frame number again; a foreman may take it as it is.",
		"unit %s's frame number %s carries the check digit %c, it should be %c", id, n.Text, n.Carried, n.Computed)
}
