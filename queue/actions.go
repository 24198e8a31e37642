package queue

import (
	"reflect"
	"slices"
	"strings"
	"time"
)

// ConfigureShop puts a shop file into effect.
type ConfigureShop struct {
	Shop     Shop
	FileHash Hash // of the file's bytes
	// Was is the hash of the shop that is changed, as whoever changed it saw
	// it; empty: don't care. If another one is in effect by now, the command is
	// refused as stale.
	Was Hash
}

func (*ConfigureShop) subject() Subject { return ShopSubject }

func (a *ConfigureShop) decide(d *decider) error {
	if a.Shop.Site != d.state.Site {
		return refuse(CodeMalformed, "Load the file of this site, or start the program for that one.",
			"the shop file is for site %q, this log is of %q", a.Shop.Site, d.state.Site)
	}
	if a.Was != "" && a.Was != d.state.ShopFile {
		return refuse(CodeStale, "Look at what is in effect now, and change that.", "the shop was changed by somebody else since this was made from it")
	}
	if d.shop != nil {
		if err := d.foremanOnly("change the shop file"); err != nil {
			return err
		}
		if err := d.keepsWhatIsUsed(&a.Shop); err != nil {
			return err
		}
	}
	d.emit(ShopSubject, TypeShopConfigured, &ShopConfigured{Shop: a.Shop, FileHash: a.FileHash})
	return nil
}

// keepsWhatIsUsed refuses a shop file that drops an operation or resource which
// a unit in the shop still needs.
func (d *decider) keepsWhatIsUsed(next *Shop) error {
	for _, u := range d.state.OpenUnits() {
		for i := range u.Steps {
			st := &u.Steps[i]
			if st.Settled() {
				continue
			}
			if next.Operation(st.Operation) == nil {
				return refuse(CodeWrongStep, "Keep the operation until these units are done, or skip the step.",
					"the shop file drops operation %q, which step %s of unit %s still needs", st.Operation, st.ID, u.ID)
			}
		}
	}
	for _, r := range sortedKeys(d.state.Holds) {
		if next.Resource(r) == nil {
			h := d.state.Holds[r][0]
			return refuse(CodeWrongStep, "Keep it until the step is done.",
				"the shop file drops %q, which step %s of unit %s holds", r, h.Step, h.Unit)
		}
	}
	return nil
}

// AmendUnit changes what was said at arrival; nil fields stay.
type AmendUnit struct {
	Unit   UnitID
	Change UnitAmended
}

func (a *AmendUnit) subject() Subject { return UnitSubject(a.Unit) }

func (a *AmendUnit) decide(d *decider) error {
	c := a.Change
	if c.Contact != nil {
		if err := checkContact(a.Unit, *c.Contact); err != nil {
			return err
		}
		if u := d.state.Units[a.Unit]; u != nil && u.Status != InShop && c.onlyContact() {
			return a.nameOwner(d, u)
		}
	}
	u, err := d.unit(a.Unit)
	if err != nil {
		return err
	}
	if c.Weight != nil && (*c.Weight < 1 || *c.Weight > 10) {
		return refuse(CodeMalformed, "Give a weight from 1 to 10.", "the weight is %d", *c.Weight)
	}
	if c.Held != nil {
		if err := d.foremanOnly("hold a unit back"); err != nil {
			return err
		}
	}
	for _, id := range sortedKeys(c.Parts) {
		if u.Step(id) == nil {
			return refuse(CodeUnknown, "Look at the unit's page for its steps.", "unit %s has no step %q to wait for a part", u.ID, id)
		}
	}
	if c.Variant != nil && !slices.Contains(Variants(), *c.Variant) {
		return refuse(CodeMalformed, "Choose one of the variants.", "there is no variant %q", *c.Variant)
	}
	if c.Family != nil && len(*c.Family) > 60 {
		return refuse(CodeMalformed, "Shorten it.", "a field of unit %s's machine is too long", u.ID)
	}
	if c.Note != nil {
		if err := checkText("the note", *c.Note, false); err != nil {
			return err
		}
	}
	if err := checkText("the reason", c.Reason, c.NewController); err != nil {
		return err
	}
	if f := u.stepOfKind(Flash); c.NewController && f != nil && f.Status == Running {
		return interlock(I2, "Wait until the flash is signed off.", "a flash runs on unit %s", u.ID)
	}
	d.emitUnit(a.Unit, TypeUnitAmended, &c)
	if c.NewController {
		return d.flashAnew(u, &c)
	}
	return nil
}

// onlyContact reports that nothing else is to change.
func (c UnitAmended) onlyContact() bool {
	c.Contact, c.Reason = nil, ""
	return reflect.ValueOf(c).IsZero()
}

// nameOwner says who has a machine that has left.
func (a *AmendUnit) nameOwner(d *decider, u *Unit) error {
	if err := d.latest(u, mark("Name the owner there.")); err != nil {
		return err
	}
	if err := checkText("the reason", a.Change.Reason, false); err != nil {
		return err
	}
	d.emitUnit(u.ID, TypeUnitAmended, &a.Change)
	return nil
}

// latest refuses a visit of a machine that has come again since.
func (d *decider) latest(u *Unit, what string) error {
	if m := d.state.Machine(u); m.Latest().ID != u.ID {
		return refuse(CodeWrongStep, what, "the machine of unit %s has been checked in again since, as %s", u.ID, m.Latest().ID)
	}
	return nil
}

func checkContact(u UnitID, id ContactID) error {
	if len(id) > idMax {
		return refuse(CodeMalformed, "Use the contact's id.", "unit %s's contact id is too long", u)
	}
	return nil
}

// controllerNew is why a visit's flash is done again, or added.
var controllerNew = mark("the controller was replaced")

// flashAnew gives a visit whose machine got a new controller its flash again,
// or one if it has none, as far as there is a calibration to flash.
func (d *decider) flashAnew(u *Unit, change *UnitAmended) error {
	m := u.Machine
	if change.Family != nil {
		m.Family = *change.Family
	}
	if _, none := d.state.CalibrationFor(&m, d.when()); none != nil {
		return nil
	}
	why := &Campaign{Title: controllerNew}
	switch f := u.stepOfKind(Flash); {
	case f == nil && d.shop.SweepRoute() != nil:
		return (&SweepUnit{Unit: u.ID}).add(d, u, why)
	case f != nil && f.Status == Done:
		d.emitUnit(u.ID, TypeStepReopened, &StepReopened{f.ID, controllerNew})
		again(d, u, why)
	}
	return nil
}

// AcceptStep is a technician's word to do a step that was offered.
type AcceptStep struct {
	Unit       UnitID
	Step       StepID
	Technician PersonID
	Resources  []ResourceID
}

func (a *AcceptStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *AcceptStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if st.Status != Todo {
		return notTodo(u, st)
	}
	if st.Accepted != nil && st.Accepted.Technician != a.Technician {
		return acceptedBy(u, st)
	}
	op, err := d.operation(st)
	if err != nil {
		return err
	}
	if err := d.mayWork(a.Technician, op); err != nil {
		return err
	}
	if err := d.resourcesFit(u, op, a.Resources); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeAssignmentAccepted, &AssignmentAccepted{a.Step, a.Technician, a.Resources})
	return nil
}

// ReturnStep gives an accepted step back before it started.
type ReturnStep struct {
	Unit   UnitID
	Step   StepID
	Reason string
}

func (a *ReturnStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *ReturnStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if st.Accepted == nil {
		return refuse(CodeWrongStep, "Nothing to do.", "step %s of unit %s is not accepted by anybody", st.ID, u.ID)
	}
	if d.cmd.Actor != st.Accepted.Technician {
		if err := d.foremanOnly("take back somebody else's step"); err != nil {
			return err
		}
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeAssignmentReturned, &AssignmentReturned{a.Step, a.Reason})
	return nil
}

// AdvanceStep says that the step's next stretch began.
type AdvanceStep struct {
	Unit       UnitID
	Step       StepID
	Stretch    int
	Technician PersonID // who begins a hands-on stretch; empty for hands-off
}

func (a *AdvanceStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *AdvanceStep) follows(s *State) time.Time { return s.stretchBegan(a.Unit, a.Step) }

func (a *AdvanceStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if st.Status != Running {
		return notRunning(u, st)
	}
	op, err := d.operation(st)
	if err != nil {
		return err
	}
	if a.Stretch != st.Stretch+1 || a.Stretch >= len(op.Stretches) {
		return refuse(CodeWrongStep, "Look at the step again.", "step %s of unit %s is in stretch %d of %d, it can't go to %d",
			st.ID, u.ID, st.Stretch+1, len(op.Stretches), a.Stretch+1)
	}
	if op.Stretches[a.Stretch].HandsOn && a.Technician != "" {
		if err := d.knownTechnician(a.Technician); err != nil {
			return err
		}
	}
	d.emitUnit(a.Unit, stepEventType(st.Kind, verbAdvanced), &StepAdvanced{a.Step, a.Stretch, a.Technician})
	return nil
}

// PinStep fixes a step's resources, technician or start in the plan (C11).
type PinStep struct {
	Unit   UnitID
	Step   StepID
	Pin    Pin
	Reason string // may be empty
}

func (a *PinStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *PinStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if err := d.foremanOnly("pin a step"); err != nil {
		return err
	}
	if st.Status != Todo {
		return notTodo(u, st)
	}
	if a.Pin.Technician != "" {
		if err := d.knownTechnician(a.Pin.Technician); err != nil {
			return err
		}
	}
	for _, r := range a.Pin.Resources {
		if d.shop.Resource(r) == nil {
			return refuse(CodeUnknown, "Look at the shop file for its name.", "there is no resource %q", r)
		}
	}
	if err := checkText("the reason", a.Reason, false); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeStepPinned, &StepPinned{a.Step, a.Pin, a.Reason})
	return nil
}

// UnpinStep takes a pin back.
type UnpinStep struct {
	Unit   UnitID
	Step   StepID
	Reason string // may be empty
}

func (a *UnpinStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *UnpinStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if err := d.foremanOnly("take a pin back"); err != nil {
		return err
	}
	if st.Pin == nil {
		return refuse(CodeWrongStep, "Nothing to do.", "step %s of unit %s has no pin", st.ID, u.ID)
	}
	if err := checkText("the reason", a.Reason, false); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeStepUnpinned, &StepUnpinned{a.Step, a.Reason})
	return nil
}

// ReopenStep asks for a finished step once more.
type ReopenStep struct {
	Unit   UnitID
	Step   StepID
	Reason string
}

func (a *ReopenStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *ReopenStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if err := d.foremanOnly("ask for a step again"); err != nil {
		return err
	}
	if !st.Settled() {
		return refuse(CodeWrongStep, "Do it first.", "step %s of unit %s is %s", st.ID, u.ID, st.Status)
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeStepReopened, &StepReopened{a.Step, a.Reason})
	return nil
}

// SkipStep leaves a step out: a foreman's decision, kept as evidence.
type SkipStep struct {
	Unit   UnitID
	Step   StepID
	Reason string
}

func (a *SkipStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *SkipStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if err := d.foremanOnly("leave a step out"); err != nil {
		return err
	}
	if st.Status != Todo {
		return notTodo(u, st)
	}
	if u.Rework != "" && (st.Kind == TestRide || d.isRework(st)) {
		return interlock(I13, "Do the rework and pass the test ride.", "unit %s failed its test ride (%s)", u.ID, u.Rework)
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeStepSkipped, &StepSkipped{a.Step, a.Reason})
	return nil
}

// ReportProblem tells the foreman of a problem with a step. It moves no lock.
type ReportProblem struct {
	Unit     UnitID
	Step     StepID
	Reason   string
	Evidence Evidence
}

func (a *ReportProblem) subject() Subject { return UnitSubject(a.Unit) }

func (a *ReportProblem) decide(d *decider) error {
	_, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if err := checkText("the problem", a.Reason, true); err != nil {
		return err
	}
	if len(a.Evidence) > 0 {
		op, err := d.operation(st)
		if err != nil {
			return err
		}
		if err := checkEvidence(op, a.Evidence); err != nil {
			return err
		}
	}
	d.emitUnit(a.Unit, TypeProblemReported, &ProblemReported{a.Step, a.Reason, a.Evidence})
	return nil
}

// Close takes a resource down, or a technician out, for [From, Until). Exactly
// one of the two is named.
type Close struct {
	Resource   ResourceID
	Technician PersonID
	From       time.Time
	Until      time.Time
	Reason     string
}

func (*Close) subject() Subject { return ShopSubject }

func (a *Close) decide(d *decider) error {
	if err := d.oneOf(a.Resource, a.Technician); err != nil {
		return err
	}
	if !a.Until.After(a.From) {
		return refuse(CodeMalformed, "Give an end after the start.", "the closure ends before it starts")
	}
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emit(ShopSubject, TypeResourceClosed, &ResourceClosed{a.Resource, a.Technician, a.From.UTC(), a.Until.UTC(), a.Reason})
	return nil
}

// Reopen takes closures of a resource or technician back: all, or Only one.
type Reopen struct {
	Resource   ResourceID
	Technician PersonID
	Only       *Closure // nil: all
	Reason     string   // may be empty
}

func (*Reopen) subject() Subject { return ShopSubject }

func (a *Reopen) decide(d *decider) error {
	if err := d.oneOf(a.Resource, a.Technician); err != nil {
		return err
	}
	closed := slices.Concat(d.state.Closures[a.Resource], d.state.Absences[a.Technician])
	switch {
	case len(closed) == 0:
		return refuse(CodeWrongStep, "Nothing to do.", "%s%s is not closed", a.Resource, a.Technician)
	case a.Only != nil && !slices.ContainsFunc(closed, a.Only.same):
		return refuse(CodeWrongStep, "Nothing to do.", "this closure or absence of %s is taken back already", d.state.Shop.ResourceName(a.Resource)+d.state.Shop.TechnicianName(a.Technician))
	}
	if err := checkText("the reason", a.Reason, false); err != nil {
		return err
	}
	d.emit(ShopSubject, TypeResourceOpened, &ResourceOpened{a.Resource, a.Technician, a.Only, a.Reason})
	return nil
}

func (d *decider) oneOf(r ResourceID, t PersonID) error {
	switch {
	case (r == "") == (t == ""):
		return refuse(CodeMalformed, "Name a resource or a technician.", "exactly one of the two is needed")
	case r != "" && d.shop.Resource(r) == nil:
		return refuse(CodeUnknown, "Look at the shop file for its name.", "there is no resource %q", r)
	case t != "":
		return d.knownTechnician(t)
	}
	return nil
}

// HandOver lets a unit leave: to its owner, or to the showroom; or from the
// showroom to who has bought it.
type HandOver struct {
	Unit     UnitID
	Showroom bool
	Contact  ContactID // the new owner; empty: who is known, of a sale nobody
}

func (a *HandOver) subject() Subject { return UnitSubject(a.Unit) }

func (a *HandOver) decide(d *decider) error {
	if err := checkContact(a.Unit, a.Contact); err != nil {
		return err
	}
	if u := d.state.Units[a.Unit]; u != nil && u.Status == InShowroom && !a.Showroom {
		return a.sell(d, u)
	}
	u, err := d.unit(a.Unit)
	if err != nil {
		return err
	}
	for i := range u.Steps {
		if st := &u.Steps[i]; st.Status == Running {
			r := refuse(CodeWrongStep, "Finish it first.", "step %s of unit %s is running", st.ID, u.ID)
			if st.Kind == Flash {
				r = interlock(I2, "Wait until the flash is signed off.", "a flash runs on unit %s", u.ID)
			}
			return r
		}
	}
	if u.Rework != "" {
		if err := d.pass(interlock(I13, "Do the rework and pass the test ride.", "unit %s failed its test ride (%s)", u.ID, u.Rework)); err != nil {
			return err
		}
	}
	if err := d.pass(d.complete(u)); err != nil {
		return err
	}
	if err := d.pass(d.swept(u)); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeUnitLeft, &UnitLeft{Showroom: a.Showroom, Contact: a.Contact, Overrides: d.overridden})
	return nil
}

// sell lets a machine leave the showroom: what was let pass when it went there
// is asked for once more, and what came since.
func (a *HandOver) sell(d *decider, u *Unit) error {
	if err := d.latest(u, mark("Hand that one over.")); err != nil {
		return err
	}
	if err := d.pass(d.complete(u)); err != nil {
		return err
	}
	if err := d.pass(d.swept(u)); err != nil {
		return err
	}
	d.emitUnit(a.Unit, TypeUnitSold, &UnitSold{Contact: a.Contact, Overrides: d.overridden})
	return nil
}

// complete is I11: every step done, its evidence complete.
func (d *decider) complete(u *Unit) *Refusal {
	var open, thin []string
	for i := range u.Steps {
		st := &u.Steps[i]
		if !st.Settled() {
			open = append(open, string(st.ID))
			continue
		}
		op := d.shop.Operation(st.Operation)
		if st.Status == Done && op != nil && len(st.Overrides) == 0 && len(missingEvidence(op, st.Evidence)) > 0 {
			thin = append(thin, string(st.ID))
		}
	}
	switch {
	case len(open) > 0:
		return interlock(I11, "Do these steps first.", "unit %s is not ready: open %s", u.ID, list(open))
	case len(thin) > 0:
		return interlock(I11, "Complete the evidence.", "unit %s lacks evidence for %s", u.ID, list(thin))
	}
	return nil
}

// isRework reports whether the step was inserted after a failed test ride.
func (d *decider) isRework(st *Step) bool {
	return d.shop.Limits.ReworkOp != "" && st.Operation == d.shop.Limits.ReworkOp
}

func list(names []string) string {
	const most = 6
	if len(names) > most {
		names = append(slices.Clone(names[:most]), "…")
	}
	return strings.Join(names, ", ")
}
