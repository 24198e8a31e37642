package queue

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"time"

	"tickover/queue/said"
)

// SkillRide is what a technician needs for a test ride (I10).
const SkillRide Skill = "ride"

// StartStep says that a technician starts a step and what he holds for it.
type StartStep struct {
	Unit       UnitID
	Step       StepID
	Technician PersonID
	Resources  []ResourceID
	Evidence   Evidence // what was read before the start
	// Calibration is what a flash is going to write; nil: the current one.
	Calibration *CalibrationRef
	// Bench is where the command comes from, empty for a phone.
	Bench ResourceID
}

func (a *StartStep) subject() Subject { return UnitSubject(a.Unit) }

// follows: a step that is done again starts after it ended.
func (a *StartStep) follows(s *State) time.Time {
	if st := s.stepOf(a.Unit, a.Step); st != nil {
		return st.Ended
	}
	return time.Time{}
}

func (a *StartStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	op, err := d.operation(st)
	if err != nil {
		return err
	}
	for _, check := range []func(*Unit, *Step, *Operation) error{
		a.ready(d), a.placeTaken(d), a.ride(d), a.order(d), a.outdoors(d), a.flash(d),
	} {
		if err := check(u, st, op); err != nil {
			return err
		}
	}
	if err := checkEvidence(op, a.Evidence); err != nil {
		return err
	}
	if _, r := d.plausible(u, op, a.Evidence); r != nil {
		if err := d.pass(r); err != nil {
			return err
		}
	}
	d.emitUnit(u.ID, stepEventType(st.Kind, verbStarted), &StepStarted{
		Step: st.ID, Technician: a.Technician, Resources: a.Resources, Evidence: a.Evidence,
		Calibration: d.calibration, ExpectedS: int64(op.Duration() / time.Second), Overrides: d.overridden,
	})
	d.void(u, st)
	return nil
}

type startCheck = func(*Unit, *Step, *Operation) error

// ready: the step is to be done, by this person, and nothing before it is open.
func (a *StartStep) ready(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		if st.Status != Todo {
			return notTodo(u, st)
		}
		if u.Held {
			return refuse(CodeNotReady, "Ask the foreman.", "unit %s is held back", u.ID)
		}
		if st.Accepted != nil {
			if st.Accepted.Technician != a.Technician && !d.shop.Foreman(d.cmd.Actor) {
				return acceptedBy(u, st)
			}
			if a.Bench != "" && !slices.Contains(st.Accepted.Resources, a.Bench) {
				return refuse(CodeWrongBench, "Go to that bench, or give the assignment back.",
					"step %s of unit %s is accepted for %s, not for %s", st.ID, u.ID, resourceNames(st.Accepted.Resources), a.Bench)
			}
		}
		if a.Bench != "" && !slices.Contains(a.Resources, a.Bench) {
			return refuse(CodeWrongBench, "Start it where it is done.", "step %s of unit %s is not done at %s", st.ID, u.ID, a.Bench)
		}
		return d.mayWork(a.Technician, op)
	}
}

// placeTaken: the resources are the right ones and free (I1, I2, I7), and the
// unit is in one place.
func (a *StartStep) placeTaken(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		for i := range u.Steps {
			o := &u.Steps[i]
			if o.Status != Running {
				continue
			}
			if o.Kind == Flash {
				return interlock(I2, "Wait until the flash is signed off.", "a flash runs on unit %s since %s", u.ID, d.clock(o.Started))
			}
			if st.Kind == Flash || !st.ParallelWith(o) {
				return refuse(CodeWrongStep, "Finish it first.", "step %s of unit %s is running, the unit is in one place", o.ID, u.ID)
			}
		}
		if op.Engine {
			if r := d.engineOutdoors(a.Resources); r != nil {
				return r
			}
		}
		if err := d.resourcesFit(u, op, a.Resources); err != nil {
			return err
		}
		for _, id := range a.Resources {
			if err := d.free(u, id); err != nil {
				return err
			}
		}
		return nil
	}
}

// engineOutdoors is I7.
func (d *decider) engineOutdoors(ids []ResourceID) *Refusal {
	outdoors := false
	for _, id := range ids {
		if r := d.shop.Resource(id); r != nil {
			if r.Kind == Bench {
				return interlock(I7, "Take the unit to the pad. Exhaust gas indoors kills.", "the engine may not run at bench %s", id)
			}
			outdoors = outdoors || r.Kind.Outdoors()
		}
	}
	if !outdoors {
		return interlock(I7, "Name the pad or loop where the engine runs.", "the engine may run outdoors only, and no outdoor place is named")
	}
	return nil
}

// free is I1 and I2 for one resource, and its closures.
func (d *decider) free(u *Unit, id ResourceID) error {
	res := d.shop.Resource(id)
	if c := Covering(d.state.Closures[id], d.when()); c != nil {
		return refuse(CodeClosed, "Take another one, or open it again.", "%s is closed until %s: %s", id, d.clock(c.Until), c.Reason)
	}
	holds := d.state.Holds[id]
	if len(holds) < max(1, res.Capacity) {
		return nil
	}
	h := holds[0]
	if other := d.state.Units[h.Unit]; other != nil {
		if st := other.Step(h.Step); st != nil && st.Kind == Flash {
			n := I2
			if res.Kind == Interface {
				n = I1
			}
			return interlock(n, "Wait until somebody signs that flash off.",
				"%s is locked by the flash of unit %s since %s", id, h.Unit, d.clock(st.Started))
		}
	}
	return interlock(I1, "Finish or move that one first.", "%s is taken by step %s of unit %s", id, h.Step, h.Unit)
}

// order: precedences, and what the interlocks say of resets and engine starts.
func (a *StartStep) order(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		if err := d.pass(resetOrder(u, st, op)); err != nil {
			return err
		}
		for _, after := range st.After {
			before := u.Step(after.Step)
			if before == nil {
				continue
			}
			if !before.Settled() {
				if d.letPass(st, before) {
					continue
				}
				return refuse(CodeNotReady, "Do that first.", "step %s of unit %s comes after %s, which is %s", st.ID, u.ID, before.ID, before.Status)
			}
			if before.Status == Done && after.Min > 0 {
				if from := before.Ended.Add(after.Min); d.when().Before(from) {
					return refuse(CodeNotReady, "Wait until then.", "step %s of unit %s may start at %s at the earliest, %s after %s",
						st.ID, u.ID, d.clock(from), after.Min, before.ID)
				}
			}
		}
		return nil
	}
}

// letPass: an open predecessor that an overridden interlock speaks of.
func (d *decider) letPass(st, before *Step) bool {
	has := func(i Interlock) bool {
		return slices.ContainsFunc(d.overridden, func(o Override) bool { return o.Interlock == i })
	}
	switch {
	case has(I6) && (before.Kind == Flash || before.Kind == Relearn):
		return true
	case has(I10) && st.Kind == TestRide && (before.Kind == Relearn || before.Kind == RestartCheck):
		return true
	}
	return false
}

// resetOrder is I6.
func resetOrder(u *Unit, st *Step, op *Operation) *Refusal {
	if st.Kind == Reset {
		if f := u.stepOfKind(Flash); f != nil && f.Status != Done {
			return interlock(I6, "Flash first.", "the resets of unit %s come after its flash, which is %s", u.ID, f.Status)
		}
	}
	if !op.Engine || st.Kind == Relearn {
		return nil
	}
	reset, relearn := u.stepOfKind(Reset), u.stepOfKind(Relearn)
	if reset != nil && reset.Status == Done && relearn != nil && relearn.Status != Done && st.Kind != TestRide {
		return interlock(I6, "Do the relearn first.", "unit %s was reset, so its next engine start is the relearn", u.ID)
	}
	return nil
}

// outdoors is I8.
func (a *StartStep) outdoors(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		if !op.Outdoors && !op.Engine {
			return nil
		}
		for _, id := range a.Resources {
			if r := d.shop.Resource(id); r == nil || !r.Kind.Outdoors() {
				continue
			}
			w := d.cond.Outdoor[id]
			if w.Until.IsZero() {
				why := w.Why
				if why.IsZero() {
					why = said.Say("outside its hours")
				}
				return d.pass(interlock(I8, "Wait for it to open.", "%s is shut: %s", id, why))
			}
			if end := d.when().Add(op.Duration()); end.After(w.Until) {
				return d.pass(interlock(I8, "Do it in the next open window.", "%s would take until %s, but %s shuts at %s (%s)",
					op.Name, d.clock(end), id, d.clock(w.Until), w.Why))
			}
		}
		return nil
	}
}

// flash is I3, I4 and I5.
func (a *StartStep) flash(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		if st.Kind != Flash {
			return nil
		}
		d.calibration = a.Calibration
		if err := d.pass(d.powered(a)); err != nil {
			return err
		}
		cal, r := d.state.CalibrationFor(&u.Machine, d.when())
		switch {
		case r != nil:
			if err := d.pass(r); err != nil {
				return err
			}
		case a.Calibration == nil:
			d.calibration = &CalibrationRef{cal.ID, cal.Revision}
		case *a.Calibration != (CalibrationRef{cal.ID, cal.Revision}):
			err := d.pass(interlock(I4, "Flash the current one.", "the current calibration of unit %s is %s revision %d, not %s revision %d",
				u.ID, cal.ID, cal.Revision, a.Calibration.ID, a.Calibration.Revision))
			if err != nil {
				return err
			}
		}
		end := d.when().Add(op.Duration())
		switch {
		case d.cond.ClosesAt.IsZero():
			return d.pass(interlock(I5, "Flash when the shop is open.", "the shop is shut"))
		case end.After(d.cond.ClosesAt):
			return d.pass(interlock(I5, "Start it tomorrow.", "the flash would end at %s, the shop closes at %s", d.clock(end), d.clock(d.cond.ClosesAt)))
		}
		return nil
	}
}

// powered is I3.
func (d *decider) powered(a *StartStep) *Refusal {
	for _, id := range a.Resources {
		if r := d.shop.Resource(id); r != nil && r.Kind == Charger {
			return nil
		}
	}
	least := d.shop.Limits.BatteryMinV
	v, ok := number(a.Evidence[EvidenceBattery])
	switch {
	case !ok:
		return interlock(I3, "Connect a charger, or measure the battery at rest.", "the flash of unit %s has no charger and no rest voltage", a.Unit)
	case v < least:
		return interlock(I3, "Connect a charger.", "the battery of unit %s rests at %g V, at least %g V are needed without a charger", a.Unit, v, least)
	}
	return nil
}

// ride is I10.
func (a *StartStep) ride(d *decider) startCheck {
	return func(u *Unit, st *Step, op *Operation) error {
		if st.Kind != TestRide {
			return nil
		}
		for _, k := range []OperationKind{Relearn, RestartCheck} {
			if o := u.stepOfKind(k); o != nil && o.Status != Done && !slices.ContainsFunc(d.overridden, func(o Override) bool { return o.Interlock == I10 }) {
				if err := d.pass(interlock(I10, "Do that first.", "the test ride of unit %s comes after its %s, which is %s", u.ID, k, o.Status)); err != nil {
					return err
				}
			}
		}
		if t := d.shop.Technician(a.Technician); t != nil && !t.Skilled(SkillRide) {
			return d.pass(interlock(I10, "Ask somebody who may ride.", "%s may not ride", t.Name))
		}
		return nil
	}
}

// void emits what no longer counts once the step has started (I9). A final
// check looked at all of it, so it is voided with it; a new flash voids the
// resets that the earlier one was followed by.
func (d *decider) void(u *Unit, st *Step) {
	for i := range u.Steps {
		o := &u.Steps[i]
		if o.Status != Done || !voidedBy(st.Kind, o.Kind) {
			continue
		}
		d.emitUnit(u.ID, TypeStepVoided, &StepVoided{o.ID, st.ID, "a new " + st.Kind.String() + " came after it"})
	}
}

// voidedBy reports whether a step that was done no longer counts when one of
// another kind begins (I9).
func voidedBy(begun, done OperationKind) bool {
	switch done {
	case Relearn, RestartCheck, TestRide, FinalCheck:
		return begun == Flash || begun == Reset
	case Reset:
		return begun == Flash
	}
	return false
}

// FinishStep says that a running step is over.
type FinishStep struct {
	Unit       UnitID
	Step       StepID
	Technician PersonID
	Evidence   Evidence
	Failed     bool
	Reason     string // of a failure
	Bench      ResourceID
}

func (a *FinishStep) subject() Subject { return UnitSubject(a.Unit) }

func (a *FinishStep) follows(s *State) time.Time { return s.stretchBegan(a.Unit, a.Step) }

// stretchBegan is when the step's last stretch did.
func (s *State) stretchBegan(u UnitID, id StepID) time.Time {
	if st := s.stepOf(u, id); st != nil {
		return st.StretchStarted
	}
	return time.Time{}
}

func (a *FinishStep) decide(d *decider) error {
	u, st, err := d.step(a.Unit, a.Step)
	if err != nil {
		return err
	}
	if st.Status != Running {
		return notRunning(u, st)
	}
	if a.Bench != "" && !slices.Contains(st.Resources, a.Bench) {
		return refuse(CodeWrongBench, "Finish it where it runs.", "step %s of unit %s runs at %s, not at %s", st.ID, u.ID, resourceNames(st.Resources), a.Bench)
	}
	if err := d.knownTechnician(a.Technician); err != nil {
		return err
	}
	op, err := d.operation(st)
	if err != nil {
		return err
	}
	if err := checkEvidence(op, a.Evidence); err != nil {
		return err
	}
	if a.Failed {
		return a.fail(d, u, st)
	}
	flags, err := a.judge(d, u, st, op)
	if err != nil {
		return err
	}
	d.emitUnit(u.ID, stepEventType(st.Kind, doneVerb(st.Kind)), &StepDone{
		Step: st.ID, Technician: a.Technician, Evidence: a.Evidence, Flags: flags, Overrides: d.overridden,
	})
	return nil
}

// judge looks at the evidence: complete (I11) and plausible (I12).
func (a *FinishStep) judge(d *decider, u *Unit, st *Step, op *Operation) ([]Flag, error) {
	all := merge(st.Evidence, a.Evidence)
	if missing := missingEvidence(op, all); len(missing) > 0 {
		err := d.pass(interlock(I11, "Read or measure it; without it the unit can't leave.", "step %s of unit %s lacks %s", st.ID, u.ID, list(missing)))
		if err != nil {
			return nil, err
		}
	}
	flags, r := d.plausible(u, op, a.Evidence)
	if r == nil && st.Calibration != nil {
		// Most often it is a slip of the pen, so it is refused first; a foreman
		// who lets it pass has it recorded as read, and the machine stays open.
		if r = writtenAsBegun(st, a.Evidence); r != nil {
			flags = append(flags, Flag{EvidenceCalibration, flagOther})
		}
	}
	return flags, d.pass(r)
}

// Unlike reports that something else was read back from the controller than
// the step was to write, so that what it wrote is not known.
func (s *Step) Unlike() bool {
	return slices.ContainsFunc(s.Flags, func(f Flag) bool { return f.Key == EvidenceCalibration })
}

func writtenAsBegun(st *Step, ev Evidence) *Refusal {
	if v := ev[EvidenceCalibration]; v != "" && v != string(st.Calibration.ID) {
		return interlock(I12, "Read it back again.", "calibration %.40q was read back, %s was begun", v, st.Calibration.ID)
	}
	if v := ev[EvidenceRevision]; v != "" && v != strconv.Itoa(st.Calibration.Revision) {
		return interlock(I12, "Read it back again.", "revision %.20q was read back, %d was begun", v, st.Calibration.Revision)
	}
	return nil
}

// fail records that the step ended without success. A failed test ride opens
// rework (I13); after a failed restart check the relearn is done again.
func (a *FinishStep) fail(d *decider, u *Unit, st *Step) error {
	if err := checkText("the reason", a.Reason, true); err != nil {
		return err
	}
	d.emitUnit(u.ID, stepEventType(st.Kind, verbFailed), &StepFailed{st.ID, a.Technician, a.Reason, a.Evidence})
	switch st.Kind {
	case TestRide:
		d.emitUnit(u.ID, TypeReworkOpened, &ReworkOpened{
			Step: reworkID(u), Operation: d.shop.Limits.ReworkOp, Before: st.ID, Reason: a.Reason,
		})
	case RestartCheck:
		if o := u.stepOfKind(Relearn); o != nil && o.Status == Done {
			d.emitUnit(u.ID, TypeStepVoided, &StepVoided{o.ID, st.ID, "the restart check failed"})
		}
	}
	return nil
}

func reworkID(u *Unit) StepID {
	for n := 1; ; n++ {
		if id := StepID("rework-" + strconv.Itoa(n)); u.Step(id) == nil {
			return id
		}
	}
}

func (d *decider) operation(st *Step) (*Operation, error) {
	if op := d.shop.Operation(st.Operation); op != nil {
		return op, nil
	}
	return nil, refuse(CodeUnknown, "Put the operation back into the shop file.", "the shop file has no operation %q", st.Operation)
}

func (d *decider) knownTechnician(id PersonID) error {
	if d.shop.Technician(id) == nil {
		return refuse(CodeUnknown, "Use the person's id from the shop file.", "there is no technician %.40q", id)
	}
	return nil
}

// mayWork: the technician exists, is not absent, and has the skills of the
// operation's hands-on stretches. The skill to ride is I10's.
func (d *decider) mayWork(id PersonID, op *Operation) error {
	if err := d.knownTechnician(id); err != nil {
		return err
	}
	t := d.shop.Technician(id)
	if c := Covering(d.state.Absences[id], d.when()); c != nil {
		return refuse(CodeClosed, "Choose somebody else, or take the absence back.", "%s is absent until %s: %s", t.Name, d.clock(c.Until), c.Reason)
	}
	for _, s := range op.Stretches {
		if s.HandsOn && s.Skill != SkillRide && !t.Skilled(s.Skill) {
			return refuse(CodeWrongPerson, "Ask somebody who can.", "%s lacks the skill %q for %s", t.Name, s.Skill, op.Name)
		}
	}
	return nil
}

// resourcesFit matches the named resources with the operation's needs, one to
// one. A flash may leave the charger out (I3 looks at the battery then).
func (d *decider) resourcesFit(u *Unit, op *Operation, ids []ResourceID) error {
	needs := slices.Clone(op.Needs)
	for i, id := range ids {
		r := d.shop.Resource(id)
		if r == nil {
			return refuse(CodeUnknown, "Look at the shop file for its name.", "there is no resource %.40q", id)
		}
		if slices.Contains(ids[:i], id) {
			return refuse(CodeMalformed, "Name it once.", "%s is named twice", id)
		}
		if r.Kind == Interface && !r.Speaks(u.Machine.Family) {
			return refuse(CodeMalformed, "Take another interface.", "interface %s does not speak to controller family %q", id, u.Machine.Family)
		}
		k := bestNeed(needs, r)
		if k < 0 {
			return refuse(CodeMalformed, "", "%s has no use for %s (%s)", op.Name, id, r.Kind).
				doing("Name what the operation needs: %s.", needNames(op.Needs))
		}
		needs = slices.Delete(needs, k, k+1)
	}
	for _, n := range needs {
		if n.Kind == Charger && op.Kind == Flash {
			continue
		}
		return refuse(CodeMalformed, "", "%s needs a %s", op.Name, needName(n)).
			doing("Name what the operation needs: %s.", needNames(op.Needs))
	}
	return nil
}

// bestNeed finds the need that the resource meets, the one with a tag first.
func bestNeed(needs []Need, r *Resource) int {
	plain := -1
	for i, n := range needs {
		switch {
		case n.Kind != r.Kind:
		case n.Tag == "":
			plain = i
		case slices.Contains(r.Tags, n.Tag):
			return i
		}
	}
	return plain
}

// Speaks reports whether the interface speaks to the controller family.
func (r *Resource) Speaks(f Family) bool {
	return len(r.Families) == 0 || slices.Contains(r.Families, f)
}

func needName(n Need) string {
	if n.Tag == "" {
		return n.Kind.String()
	}
	return n.Kind.String() + " (" + n.Tag + ")"
}

func needNames(needs []Need) string {
	out := make([]string, len(needs))
	for i, n := range needs {
		out[i] = needName(n)
	}
	return list(out)
}

func resourceNames(ids []ResourceID) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return list(out)
}

func notTodo(u *Unit, st *Step) *Refusal {
	switch st.Status {
	case Running:
		if len(st.Resources) == 0 {
			return refuse(CodeWrongStep, "Finish it, or report a problem.", "step %s of unit %s is running, begun by %s", st.ID, u.ID, st.Technician)
		}
		return refuse(CodeWrongStep, "Finish it, or report a problem.", "step %s of unit %s is running at %s", st.ID, u.ID, resourceNames(st.Resources))
	case Done:
		return refuse(CodeWrongStep, "A foreman may open it again.", "step %s of unit %s is done", st.ID, u.ID)
	}
	return refuse(CodeWrongStep, "A foreman may open it again.", "step %s of unit %s was left out: %s", st.ID, u.ID, st.Why)
}

func notRunning(u *Unit, st *Step) *Refusal {
	if st.Status == Done {
		return refuse(CodeWrongStep, "Nothing to do.", "step %s of unit %s is done already", st.ID, u.ID)
	}
	return refuse(CodeWrongStep, "Start it first.", "step %s of unit %s is not running", st.ID, u.ID)
}

func acceptedBy(u *Unit, st *Step) *Refusal {
	return refuse(CodeWrongPerson, "Ask for it to be given back, or ask the foreman.", "step %s of unit %s is accepted by %s", st.ID, u.ID, st.Accepted.Technician)
}

// Covering is the closure in which a moment lies; nil: none.
func Covering(cs []Closure, at time.Time) *Closure {
	return find(cs, func(c *Closure) bool { return !at.Before(c.From) && at.Before(c.Until) })
}

// clock is a moment, to be told by the reader's clock in the shop's zone.
func (d *decider) clock(t time.Time) said.Moment {
	return said.When(t, d.cond.Now.In(d.shop.Location()))
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	return slices.Sorted(maps.Keys(m))
}
