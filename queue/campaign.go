package queue

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/queue/ident"
)

// Campaign calls machines back: those that a calibration is current for, or
// those that a bulletin selects.
type Campaign struct {
	ID          CampaignID      `json:"id"`
	Title       string          `json:"title"`
	Calibration *CalibrationRef `json:"calibration,omitempty"`
	Bulletin    *Selection      `json:"bulletin,omitempty"`
	ForCaller   string          `json:"for_caller,omitempty"`
	Opened      time.Time       `json:"opened"`
	Closed      time.Time       `json:"closed,omitzero"`
	Reason      string          `json:"reason,omitempty"` // why it was closed

	Contacts map[MachineKey]CampaignContact `json:"contacts,omitempty"`
}

// CampaignContact is how it stands with a machine's owner.
type CampaignContact struct {
	State ContactState `json:"state"`
	At    time.Time    `json:"at"`
	By    PersonID     `json:"by,omitempty"`
	Slot  time.Time    `json:"slot,omitzero"`
	Note  string       `json:"note,omitempty"`
}

// CampaignFor is the id of the campaign that a mandatory calibration opens.
func CampaignFor(ref CalibrationRef) CampaignID {
	return CampaignID(fmt.Sprintf("%s-r%d", ref.ID, ref.Revision))
}

func (s *State) campaign(id CampaignID, change func(*Campaign)) {
	if old := s.Campaigns[id]; old != nil {
		c := *old
		change(&c)
		s.Campaigns[id] = &c
	}
}

// DueFor is the mandatory calibration that a machine lacks on a day in the
// shop's zone; nil: none.
func (s *State) DueFor(m *MachineRecord, at time.Time) *Calibration {
	c, r := s.CalibrationFor(&m.Latest().Machine, at)
	if r != nil || !c.Mandatory || m.Flashed != nil && *m.Flashed == c.Ref() {
		return nil
	}
	return c
}

// CampaignLine is a machine that a campaign concerns.
type CampaignLine struct {
	MachineRecord
	Contact CampaignContact
	// Open: it is to be swept still. A machine whose owner declined stays
	// open: the next visit asks again.
	Open bool
}

// Lines are the machines that a campaign concerns, by key: of a calibration
// those that it is current for, of a bulletin those that it selects.
func (s *State) Lines(c *Campaign, at time.Time) []CampaignLine {
	return s.LinesOf(s.Machines(), c, at)
}

// LinesOf is Lines of what [State.Machines] gave, for several campaigns.
func (s *State) LinesOf(machines []MachineRecord, c *Campaign, at time.Time) []CampaignLine {
	var out []CampaignLine
	for i := range machines {
		if line := s.lineOf(c, &machines[i], at); line != nil {
			out = append(out, *line)
		}
	}
	return out
}

// LineOf is a campaign's line of one machine, by its key or its frame number as
// it is typed; nil: the campaign does not concern it.
func (s *State) LineOf(c *Campaign, key MachineKey, at time.Time) *CampaignLine {
	m, ok := s.MachineByKey(key)
	if !ok {
		return nil
	}
	return s.lineOf(c, &m, at)
}

// contactOf is how it stands with a machine's owner. What somebody said who
// has sold the machine since does not count; that it was done elsewhere does.
func (c *Campaign) contactOf(m *MachineRecord) CampaignContact {
	x := c.Contacts[m.Key]
	if x.State == 0 || x.State != SweptElsewhere && m.changedHands(x.At) {
		return CampaignContact{State: ToCall}
	}
	return x
}

func (s *State) lineOf(c *Campaign, m *MachineRecord, at time.Time) *CampaignLine {
	line := CampaignLine{MachineRecord: *m, Contact: c.contactOf(m)}
	switch {
	case c.Calibration != nil:
		cur, r := s.CalibrationFor(&m.Latest().Machine, at)
		if r != nil || cur.Ref() != *c.Calibration {
			return nil
		}
		line.Open = m.Flashed == nil || *m.Flashed != *c.Calibration
	case c.Bulletin != nil && c.Bulletin.selects(m):
		line.Open = !s.sweptFor(c, m)
	default:
		return nil
	}
	if line.Contact.State == SweptElsewhere {
		line.Open = false
	}
	return &line
}

// sweptFor reports whether a visit after the bulletin had its steps added and
// done.
func (s *State) sweptFor(c *Campaign, m *MachineRecord) bool {
	for _, u := range m.Visits {
		for _, sw := range u.Sweeps {
			if sw.Campaign == c.ID && u.done(sw.Steps) {
				return true
			}
		}
	}
	return false
}

func (u *Unit) done(steps []StepID) bool {
	for _, id := range steps {
		if st := u.Step(id); st == nil || st.Status != Done {
			return false
		}
	}
	return len(steps) > 0
}

func (x *Selection) selects(m *MachineRecord) bool {
	v := &m.Latest().Machine
	key := string(m.Key)
	frames := x.FrameFrom == "" && x.FrameTo == "" ||
		v.Frame != "" && len(key) == len(ident.Key(cmp.Or(x.FrameFrom, x.FrameTo))) &&
			(x.FrameFrom == "" || key >= ident.Key(x.FrameFrom)) && (x.FrameTo == "" || key <= ident.Key(x.FrameTo))
	return frames && (x.Make == "" || strings.EqualFold(x.Make, v.Make)) && (x.Model == "" || strings.EqualFold(x.Model, v.Model)) &&
		(x.YearFrom == 0 || v.Year >= x.YearFrom) && (x.YearTo == 0 || v.Year <= x.YearTo) &&
		(x.Family == "" || x.Family == v.Family) && (x.Fitment == "" || x.Fitment == v.Fitment)
}

// OpenFor are the campaigns that a unit's machine is open in, by id.
func (s *State) OpenFor(u *Unit, at time.Time) []*Campaign {
	m := s.Machine(u)
	var out []*Campaign
	for _, id := range sortedKeys(s.Campaigns) {
		c := s.Campaigns[id]
		switch {
		case !c.Closed.IsZero() || c.Contacts[m.Key].State == SweptElsewhere:
		case c.Calibration != nil:
			if due := s.DueFor(&m, at); due != nil && due.Ref() == *c.Calibration {
				out = append(out, c)
			}
		case c.Bulletin != nil && c.Bulletin.selects(&m) && !s.sweptFor(c, &m):
			out = append(out, c)
		}
	}
	return out
}

// swept is the part of I11 that looks at campaigns.
func (d *decider) swept(u *Unit) *Refusal {
	open := d.state.OpenFor(u, d.when())
	if len(open) > 0 {
		return interlock(I11, "Sweep it: add the campaign's steps on the unit's page.", "unit %s is called back by %s", u.ID, open[0].Title)
	}
	m := d.state.Machine(u)
	if due := d.state.DueFor(&m, d.when()); due != nil {
		if c := d.state.Campaigns[CampaignFor(due.Ref())]; c != nil && (!c.Closed.IsZero() || c.Contacts[m.Key].State == SweptElsewhere) {
			return nil
		}
		return interlock(I11, "Flash it: add the steps on the unit's page.", "unit %s lacks the mandatory calibration %s revision %d", u.ID, due.ID, due.Revision)
	}
	return nil
}

// OpenCampaign calls machines back by a bulletin.
type OpenCampaign struct {
	Campaign CampaignOpened
}

func (*OpenCampaign) subject() Subject { return ShopSubject }

func (a *OpenCampaign) decide(d *decider) error {
	if err := d.foremanOnly("open a campaign"); err != nil {
		return err
	}
	c := a.Campaign
	switch {
	case c.ID == "" || len(c.ID) > idMax:
		return refuse(CodeMalformed, "Give it an id of 1 to 64 characters.", "the campaign has no usable id")
	case d.state.Campaigns[c.ID] != nil:
		return refuse(CodeExists, "Choose another id.", "there is a campaign %q", c.ID)
	case c.Bulletin == nil || *c.Bulletin == (Selection{}):
		return refuse(CodeMalformed, "Say which machines: make, model, years, family, fitment or frame numbers.", "the bulletin selects everything")
	case c.Calibration != nil:
		return refuse(CodeMalformed, "List the calibration as mandatory.", "a calibration's campaign opens by itself")
	}
	if err := checkText("the title", c.Title, true); err != nil {
		return err
	}
	if err := checkText("what to tell the customer", c.ForCaller, false); err != nil {
		return err
	}
	d.emit(ShopSubject, TypeCampaignOpened, &c)
	return nil
}

// CloseCampaign ends a campaign: nobody is called any more.
type CloseCampaign struct {
	ID     CampaignID
	Reason string
}

func (*CloseCampaign) subject() Subject { return ShopSubject }

func (a *CloseCampaign) decide(d *decider) error {
	if err := d.foremanOnly("close a campaign"); err != nil {
		return err
	}
	if _, err := d.openCampaign(a.ID); err != nil {
		return err
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emit(ShopSubject, TypeCampaignClosed, &CampaignClosed{a.ID, a.Reason})
	return nil
}

func (d *decider) openCampaign(id CampaignID) (*Campaign, error) {
	c := d.state.Campaigns[id]
	switch {
	case c == nil:
		return nil, refuse(CodeUnknown, "Look at the list of campaigns.", "there is no campaign %q", id)
	case !c.Closed.IsZero():
		return nil, refuse(CodeWrongStep, "Look at the list of campaigns.", "campaign %s is closed", id)
	}
	return c, nil
}

// ContactOwner records how a campaign stands with a machine's owner.
type ContactOwner struct {
	Contact CampaignContacted
}

func (*ContactOwner) subject() Subject { return ShopSubject }

func (a *ContactOwner) decide(d *decider) error {
	c := a.Contact
	camp, err := d.openCampaign(c.ID)
	if err != nil {
		return err
	}
	line := d.state.LineOf(camp, c.Machine, d.when())
	switch {
	case line == nil:
		return refuse(CodeUnknown, "Look at the campaign's list.", "campaign %s does not concern the machine %q", c.ID, c.Machine)
	case c.State < ToCall || c.State > SweptElsewhere:
		return refuse(CodeMalformed, "Choose one of the states.", "it is not said how it stands with the owner")
	case c.State == Booked && c.Slot.IsZero():
		return refuse(CodeMalformed, "Give a day and a time.", "it is not said when it is booked for")
	case c.State != Booked && !c.Slot.IsZero():
		return refuse(CodeMalformed, "Only a booking has a time.", "a time without a booking")
	}
	if err := checkText("the note", c.Note, c.State == Declined || c.State == SweptElsewhere); err != nil {
		return err
	}
	c.Slot = c.Slot.UTC()
	if c.State != Booked {
		c.Slot = time.Time{}
	}
	c.Machine = line.Key
	d.emit(ShopSubject, TypeCampaignContacted, &c)
	return nil
}

// Sweep is steps of a visit that a campaign asked for.
type Sweep struct {
	Campaign CampaignID `json:"campaign"`
	Steps    []StepID   `json:"steps"`
}

// SweepUnit gives a visit what an open campaign asks for: for a bulletin the
// flash that is to come anyway, the flash again if it was done, else the steps
// of the shortest route with a flash. What a flash voids (I9) and the visit has
// already is not added a second time: it waits for the flash, and is asked for
// again if it was done.
type SweepUnit struct {
	Unit     UnitID
	Campaign CampaignID
}

func (a *SweepUnit) subject() Subject { return UnitSubject(a.Unit) }

func (a *SweepUnit) decide(d *decider) error {
	u, err := d.unit(a.Unit)
	if err != nil {
		return err
	}
	if err := d.foremanOnly("add steps to a visit"); err != nil {
		return err
	}
	open := d.state.OpenFor(u, d.when())
	i := slices.IndexFunc(open, func(c *Campaign) bool { return c.ID == a.Campaign })
	if i < 0 {
		return refuse(CodeWrongStep, "Nothing to do.", "unit %s is not open in campaign %q", u.ID, a.Campaign)
	}
	if slices.ContainsFunc(u.Sweeps, func(s Sweep) bool { return s.Campaign == a.Campaign && !u.done(s.Steps) }) {
		return refuse(CodeWrongStep, "Do them.", "the steps for campaign %s are on unit %s already", a.Campaign, u.ID)
	}
	if st := u.stepOfKind(Flash); st != nil {
		switch st.Status {
		case Running:
			return interlock(I2, "Wait until the flash is signed off.", "a flash runs on unit %s", u.ID)
		case Done:
			d.emitUnit(u.ID, TypeStepReopened, &StepReopened{st.ID, open[i].Title})
			again(d, u, open[i])
			d.emitUnit(u.ID, TypeStepsAdded, &StepsAdded{Campaign: a.Campaign, Reason: open[i].Title, Counts: []StepID{st.ID}})
		case Todo:
			if open[i].Bulletin != nil { // nothing else tells that this flash was for it
				d.emitUnit(u.ID, TypeStepsAdded, &StepsAdded{Campaign: a.Campaign, Reason: open[i].Title, Counts: []StepID{st.ID}})
				return nil
			}
			return refuse(CodeWrongStep, "Flash it; the current calibration is taken.", "the flash of unit %s is still to come", u.ID)
		}
		return nil
	}
	return a.add(d, u, open[i])
}

func (a *SweepUnit) add(d *decider, u *Unit, c *Campaign) error {
	r := d.shop.SweepRoute()
	if r == nil {
		return refuse(CodeNotReady, "Add a route with a flash to the shop file.", "no route has a flash, so there are no steps to add")
	}
	ev := StepsAdded{Route: r.ID, Campaign: a.Campaign, Reason: c.Title}
	final := u.stepOfKind(FinalCheck) // a flash voids one that is done (I9)
	if final != nil {
		ev.Before = final.ID
	}
	name := map[StepID]StepID{} // step of the route → step of the visit
	has := u.voidable()
	for _, rs := range r.Steps {
		op := d.shop.Operation(rs.Operation)
		if rs.Optional || op == nil || op.Kind == CheckIn {
			continue
		}
		if op.Kind == FinalCheck && final != nil {
			continue // the visit's own looks at the sweep too
		}
		if own := has[op.Kind]; own != "" {
			name[rs.ID] = own
			delete(has, op.Kind)
			continue
		}
		name[rs.ID] = u.freeStep(rs.ID)
	}
	for _, rs := range r.Steps {
		id, ok := name[rs.ID]
		if !ok {
			continue
		}
		var waits []After
		for _, after := range rs.After {
			if before, ok := name[after.Step]; ok {
				after.Step = before
				waits = append(waits, after)
			}
		}
		ev.Counts = append(ev.Counts, id)
		if own := u.Step(id); own != nil {
			waits = slices.DeleteFunc(waits, func(w After) bool { return u.waitsFor(w.Step, id) || own.follows(w.Step) })
			if len(waits) > 0 {
				ev.Waits = append(ev.Waits, StepWaits{id, waits})
			}
			continue
		}
		ev.Steps = append(ev.Steps, RouteStep{ID: id, Operation: rs.Operation, After: waits})
	}
	again(d, u, c)
	d.emitUnit(u.ID, TypeStepsAdded, &ev)
	return nil
}

// voidable are the visit's first steps of the kinds that a flash voids and that
// are not left out.
func (u *Unit) voidable() map[OperationKind]StepID {
	out := map[OperationKind]StepID{}
	for _, k := range []OperationKind{Reset, Relearn, RestartCheck, TestRide} {
		if st := u.stepOfKind(k); st != nil {
			out[k] = st.ID
		}
	}
	return out
}

// again asks for what the visit has done and a flash will void, so that the
// plan reckons with it before the flash begins.
func again(d *decider, u *Unit, c *Campaign) {
	for i := range u.Steps {
		if st := &u.Steps[i]; st.Status == Done && voidedBy(Flash, st.Kind) {
			d.emitUnit(u.ID, TypeStepReopened, &StepReopened{st.ID, c.Title})
		}
	}
}

// follows reports whether the step waits for another one directly.
func (s *Step) follows(id StepID) bool {
	return slices.ContainsFunc(s.After, func(a After) bool { return a.Step == id })
}

// waitsFor reports whether a step waits for another one, over any number of
// steps.
func (u *Unit) waitsFor(id, other StepID) bool {
	seen := map[StepID]bool{}
	var look func(StepID) bool
	look = func(id StepID) bool {
		if id == other {
			return true
		}
		st := u.Step(id)
		if st == nil || seen[id] {
			return false
		}
		seen[id] = true
		return slices.ContainsFunc(st.After, func(a After) bool { return look(a.Step) })
	}
	return look(id)
}

// freeStep is the id, or the first of id-2, id-3… that no step has.
func (u *Unit) freeStep(id StepID) StepID {
	free := id
	for n := 2; u.Step(free) != nil; n++ {
		free = StepID(fmt.Sprintf("%s-%d", id, n))
	}
	return free
}

// SweepRoute is the route with a flash that has the fewest steps; nil: none
// has one.
func (s *Shop) SweepRoute() *Route {
	var best *Route
	for i := range s.Routes {
		r := &s.Routes[i]
		flashes := slices.ContainsFunc(r.Steps, func(rs RouteStep) bool {
			op := s.Operation(rs.Operation)
			return !rs.Optional && op != nil && op.Kind == Flash
		})
		if flashes && (best == nil || len(r.Steps) < len(best.Steps)) {
			best = r
		}
	}
	return best
}

// addSteps puts steps of a campaign behind those that there are.
func (u *Unit) addSteps(d *StepsAdded, shop *Shop) {
	u.Sweeps = append(slices.Clip(u.Sweeps), Sweep{d.Campaign, d.Counts})
	if shop == nil {
		return
	}
	at := len(u.Steps)
	if i := slices.IndexFunc(u.Steps, func(st Step) bool { return st.ID == d.Before }); i >= 0 {
		at = i
	}
	var added []Step
	for _, rs := range d.Steps {
		if op := shop.Operation(rs.Operation); op != nil {
			added = append(added, Step{ID: rs.ID, Operation: rs.Operation, Kind: op.Kind, Status: Todo, After: rs.After, Why: d.Reason})
		}
	}
	u.Steps = slices.Insert(u.Steps, at, added...)
	before := u.Step(d.Before)
	for i := range added {
		follows := func(o Step) bool {
			return slices.ContainsFunc(o.After, func(a After) bool { return a.Step == added[i].ID })
		}
		if before != nil && !slices.ContainsFunc(added, follows) {
			before.After = append(slices.Clip(before.After), After{Step: added[i].ID, Max: -1})
		}
	}
	for _, w := range d.Waits {
		if st := u.Step(w.Step); st != nil {
			st.After = append(slices.Clip(st.After), w.After...)
		}
	}
}
