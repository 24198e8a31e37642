package queue

import (
	"encoding/json"
	"time"
)

// Data is what an event says beside its envelope. Each kind of event has one
// type; the pointer is what an [Event] carries.
type Data interface{ eventData() }

// ShopConfigured: a shop file took effect.
type ShopConfigured struct {
	Shop Shop `json:"shop"`
	// FileHash is the hash of the shop file's bytes.
	FileHash Hash `json:"file_hash"`
}

// UnitArrived: a unit is in the shop and has a ticket.
type UnitArrived struct {
	Machine   Machine   `json:"machine"`
	Ownership Ownership `json:"ownership"`
	Contact   ContactID `json:"contact,omitempty"`
	Route     RouteID   `json:"route"`
	// Options are the optional steps of the route that this visit takes.
	Options []StepID  `json:"options,omitempty"`
	Promise time.Time `json:"promise"`
	Weight  int       `json:"weight"` // 1…10
	// Parts holds, for steps that wait for a part, when it is expected.
	Parts map[StepID]time.Time `json:"parts,omitempty"`
	Note  string               `json:"note,omitempty"`
	// Overrides are set by Decide: what a foreman let pass at check-in.
	Overrides []Override `json:"overrides,omitempty"`
}

// Hash identifies the arrival: it is the same for the same content, before and
// after the log, whatever was let pass.
func (d *UnitArrived) Hash() Hash {
	said := *d
	said.Overrides = nil
	b, err := json.Marshal(&said)
	if err != nil {
		return "" // no ownership: such an arrival is never decided
	}
	return HashOf(b)
}

// Machine identifies a machine.
type Machine struct {
	Frame   string  `json:"frame"` // frame number as written; see queue/ident
	Make    string  `json:"make"`
	Model   string  `json:"model"`
	Year    int     `json:"year"`
	Family  Family  `json:"family"`
	Fitment Fitment `json:"fitment"`
	Plate   string  `json:"plate,omitempty"`
	// Variant is the variant of calibration that the owner wants.
	Variant Variant `json:"variant,omitempty"`
}

// UnitAmended changes what was said at arrival; nil fields stay.
type UnitAmended struct {
	Promise *time.Time           `json:"promise,omitempty"`
	Weight  *int                 `json:"weight,omitempty"`
	Fitment *Fitment             `json:"fitment,omitempty"`
	Variant *Variant             `json:"variant,omitempty"`
	Parts   map[StepID]time.Time `json:"parts,omitempty"`
	Note    *string              `json:"note,omitempty"`
	Held    *bool                `json:"held,omitempty"` // the foreman holds the unit back
	Family  *Family              `json:"family,omitempty"`
	// Contact is whose it is; of a unit that has left, who has it now.
	Contact *ContactID `json:"contact,omitempty"`
	// NewController: the controller was replaced, so nothing that was flashed
	// before is on the machine.
	NewController bool   `json:"new_controller,omitempty"`
	Reason        string `json:"reason,omitempty"`
}

// UnitLeft: the unit was handed over or went to the showroom.
type UnitLeft struct {
	Showroom bool `json:"showroom"`
	// Contact is who has it now, if that is somebody else than who is known.
	Contact   ContactID  `json:"contact,omitempty"`
	Overrides []Override `json:"overrides,omitempty"`
}

// UnitSold: the unit left the showroom with its owner.
type UnitSold struct {
	Contact   ContactID  `json:"contact,omitempty"` // the owner
	Overrides []Override `json:"overrides,omitempty"`
}

// AssignmentAccepted: a technician took an offered step.
type AssignmentAccepted struct {
	Step       StepID       `json:"step"`
	Technician PersonID     `json:"technician"`
	Resources  []ResourceID `json:"resources,omitempty"`
}

// AssignmentReturned: an accepted step was given back before it started.
type AssignmentReturned struct {
	Step   StepID `json:"step"`
	Reason string `json:"reason"`
}

// StepStarted is flash.started, relearn.started and so on.
type StepStarted struct {
	Step       StepID       `json:"step"`
	Technician PersonID     `json:"technician"`
	Resources  []ResourceID `json:"resources,omitempty"`
	Evidence   Evidence     `json:"evidence,omitempty"`
	// Calibration is what a flash writes.
	Calibration *CalibrationRef `json:"calibration,omitempty"`
	// ExpectedS is the step's expected length in seconds, without waiting.
	ExpectedS int64      `json:"expected_s"`
	Overrides []Override `json:"overrides,omitempty"`
}

// CalibrationRef names a calibration at a revision.
type CalibrationRef struct {
	ID       CalibrationID `json:"id"`
	Revision int           `json:"revision"`
}

// StepAdvanced: the step's next stretch began (the hands-off part of a flash,
// or the technician coming back to it).
type StepAdvanced struct {
	Step       StepID   `json:"step"`
	Stretch    int      `json:"stretch"` // index of the stretch that began
	Technician PersonID `json:"technician,omitempty"`
}

// StepDone is flash.done, relearn.done, test-ride.passed and so on.
type StepDone struct {
	Step       StepID     `json:"step"`
	Technician PersonID   `json:"technician"`
	Evidence   Evidence   `json:"evidence,omitempty"`
	Flags      []Flag     `json:"flags,omitempty"`
	Overrides  []Override `json:"overrides,omitempty"`
}

// StepFailed is flash.failed, test-ride.failed and so on: a person recorded
// that the step ended without success. What it held is free again.
type StepFailed struct {
	Step       StepID   `json:"step"`
	Technician PersonID `json:"technician"`
	Reason     string   `json:"reason"`
	Evidence   Evidence `json:"evidence,omitempty"`
}

// StepVoided: what was done no longer counts (I9) and is to be done again.
type StepVoided struct {
	Step  StepID `json:"step"`
	Cause StepID `json:"cause"`
	Why   string `json:"why"`
}

// StepReopened: a foreman asked for a step once more.
type StepReopened struct {
	Step   StepID `json:"step"`
	Reason string `json:"reason"`
}

// StepSkipped: a foreman left a step out.
type StepSkipped struct {
	Step   StepID `json:"step"`
	Reason string `json:"reason"`
}

// ReworkOpened: a failed test ride asks for work before the next one (I13).
type ReworkOpened struct {
	Step      StepID      `json:"step"`      // the new step
	Operation OperationID `json:"operation"` // its operation
	Before    StepID      `json:"before"`    // the step that failed
	Reason    string      `json:"reason"`
}

// StepPinned: the foreman fixed a step's resources, technician or start.
type StepPinned struct {
	Step   StepID `json:"step"`
	Pin    Pin    `json:"pin"`
	Reason string `json:"reason,omitempty"`
}

// Pin is a foreman's decision that the plan keeps (C11); zero fields are free.
type Pin struct {
	Resources  []ResourceID `json:"resources,omitempty"`
	Technician PersonID     `json:"technician,omitempty"`
	Start      *time.Time   `json:"start,omitempty"`
}

// StepUnpinned takes a pin back.
type StepUnpinned struct {
	Step   StepID `json:"step"`
	Reason string `json:"reason,omitempty"`
}

// ProblemReported: somebody on the floor met a problem with a step; the
// foreman decides. It changes no lock.
type ProblemReported struct {
	Step     StepID   `json:"step"`
	Reason   string   `json:"reason"`
	Evidence Evidence `json:"evidence,omitempty"`
}

// ResourceClosed: a resource is down, or a technician absent, [From, Until).
type ResourceClosed struct {
	Resource   ResourceID `json:"resource,omitempty"`
	Technician PersonID   `json:"technician,omitempty"`
	From       time.Time  `json:"from"`
	Until      time.Time  `json:"until"`
	Reason     string     `json:"reason"`
}

// ResourceOpened takes the closures of a resource or technician back: all, or
// the one that is named.
type ResourceOpened struct {
	Resource   ResourceID `json:"resource,omitempty"`
	Technician PersonID   `json:"technician,omitempty"`
	Only       *Closure   `json:"only,omitempty"`
	Reason     string     `json:"reason,omitempty"`
}

// CalibrationsListed: the catalogue grew; an entry with the id and revision of
// an older one takes its place.
type CalibrationsListed struct {
	Calibrations []Calibration `json:"calibrations"`
}

// CalibrationWithdrawn: one revision is not to be flashed any more.
type CalibrationWithdrawn struct {
	Ref    CalibrationRef `json:"calibration"`
	Reason string         `json:"reason"`
}

// CampaignOpened: machines are called back, those that a calibration is current
// for, or those that a bulletin selects.
type CampaignOpened struct {
	ID          CampaignID      `json:"id"`
	Title       string          `json:"title"`
	Calibration *CalibrationRef `json:"calibration,omitempty"`
	Bulletin    *Selection      `json:"bulletin,omitempty"`
	ForCaller   string          `json:"for_caller,omitempty"`
}

// Selection says which machines a bulletin concerns; empty fields match all.
type Selection struct {
	Make      string  `json:"make,omitempty"`
	Model     string  `json:"model,omitempty"`
	YearFrom  int     `json:"year_from,omitempty"`
	YearTo    int     `json:"year_to,omitempty"`
	Family    Family  `json:"family,omitempty"`
	Fitment   Fitment `json:"fitment,omitempty"`
	FrameFrom string  `json:"frame_from,omitempty"` // in the order of characters, of the same length
	FrameTo   string  `json:"frame_to,omitempty"`
}

// CampaignClosed: nobody is called any more.
type CampaignClosed struct {
	ID     CampaignID `json:"id"`
	Reason string     `json:"reason"`
}

// CampaignContacted: how it stands with one machine's owner.
type CampaignContacted struct {
	ID      CampaignID   `json:"id"`
	Machine MachineKey   `json:"machine"`
	State   ContactState `json:"state"`
	Slot    time.Time    `json:"slot,omitzero"` // when it is booked for
	Note    string       `json:"note,omitempty"`
}

// StepsAdded: a campaign gave a visit more to do.
type StepsAdded struct {
	Campaign CampaignID  `json:"campaign"`
	Route    RouteID     `json:"route,omitempty"` // that the steps are taken from
	Steps    []RouteStep `json:"steps,omitempty"`
	Before   StepID      `json:"before,omitempty"` // a step that now waits for them
	// Waits are for steps that the visit had and that now wait for others.
	Waits []StepWaits `json:"waits,omitempty"`
	// Counts are the steps that sweep the machine once they are done.
	Counts []StepID `json:"counts"`
	Reason string   `json:"reason"`
}

// StepWaits is what a step of the visit waits for from now on, beside what it
// did before.
type StepWaits struct {
	Step  StepID  `json:"step"`
	After []After `json:"after"`
}

// Override is a foreman's decision to let something pass that an interlock
// refuses; it is evidence.
type Override struct {
	Interlock Interlock `json:"interlock"`
	Reason    string    `json:"reason"`
	By        PersonID  `json:"by"`
}

// Evidence is what was read or measured, by key, as written. Numbers are in
// the unit that the field of the operation names.
type Evidence map[EvidenceKey]string

// Flag marks a reading that was recorded as read but is not believed.
type Flag struct {
	Key EvidenceKey `json:"key"`
	Why string      `json:"why"`
}

func (*ShopConfigured) eventData()       {}
func (*UnitArrived) eventData()          {}
func (*UnitAmended) eventData()          {}
func (*UnitLeft) eventData()             {}
func (*UnitSold) eventData()             {}
func (*AssignmentAccepted) eventData()   {}
func (*AssignmentReturned) eventData()   {}
func (*StepStarted) eventData()          {}
func (*StepAdvanced) eventData()         {}
func (*StepDone) eventData()             {}
func (*StepFailed) eventData()           {}
func (*StepVoided) eventData()           {}
func (*StepReopened) eventData()         {}
func (*StepSkipped) eventData()          {}
func (*ReworkOpened) eventData()         {}
func (*StepPinned) eventData()           {}
func (*StepUnpinned) eventData()         {}
func (*ProblemReported) eventData()      {}
func (*ResourceClosed) eventData()       {}
func (*ResourceOpened) eventData()       {}
func (*CalibrationsListed) eventData()   {}
func (*CalibrationWithdrawn) eventData() {}
func (*CampaignOpened) eventData()       {}
func (*CampaignClosed) eventData()       {}
func (*CampaignContacted) eventData()    {}
func (*StepsAdded) eventData()           {}

// Types of events that are not named after an operation.
const (
	TypeShopConfigured     EventType = "shop.configured"
	TypeUnitArrived        EventType = "unit.arrived"
	TypeUnitAmended        EventType = "unit.amended"
	TypeUnitLeft           EventType = "unit.left"
	TypeUnitSold           EventType = "unit.sold"
	TypeAssignmentAccepted EventType = "assignment.accepted"
	TypeAssignmentReturned EventType = "assignment.returned"
	TypeStepVoided         EventType = "step.voided"
	TypeStepReopened       EventType = "step.reopened"
	TypeStepSkipped        EventType = "step.skipped"
	TypeReworkOpened       EventType = "rework.opened"
	TypeStepPinned         EventType = "step.pinned"
	TypeStepUnpinned       EventType = "step.unpinned"
	TypeProblemReported    EventType = "problem.reported"
	TypeResourceClosed     EventType = "resource.closed"
	TypeResourceOpened     EventType = "resource.opened"

	TypeCalibrationsListed   EventType = "calibrations.listed"
	TypeCalibrationWithdrawn EventType = "calibration.withdrawn"
	TypeCampaignOpened       EventType = "campaign.opened"
	TypeCampaignClosed       EventType = "campaign.closed"
	TypeCampaignContacted    EventType = "campaign.contacted"
	TypeStepsAdded           EventType = "steps.added"
)

// Verbs of events that are named after an operation's kind.
const (
	verbStarted  = "started"
	verbAdvanced = "advanced"
	verbDone     = "done"
	verbPassed   = "passed"
	verbFailed   = "failed"
)

// StepEventType names a step's event: StepEventType(Flash, "started") is
// "flash.started".
func stepEventType(k OperationKind, verb string) EventType {
	return EventType(k.String() + "." + verb)
}

// doneVerb is passed for a judged operation, else done.
func doneVerb(k OperationKind) string {
	if k.Judged() {
		return verbPassed
	}
	return verbDone
}

// newData returns an empty value of the type's data, nil for an unknown type.
func newData(t EventType) Data {
	switch t {
	case TypeShopConfigured:
		return &ShopConfigured{}
	case TypeUnitArrived:
		return &UnitArrived{}
	case TypeUnitAmended:
		return &UnitAmended{}
	case TypeUnitLeft:
		return &UnitLeft{}
	case TypeUnitSold:
		return &UnitSold{}
	case TypeAssignmentAccepted:
		return &AssignmentAccepted{}
	case TypeAssignmentReturned:
		return &AssignmentReturned{}
	case TypeStepVoided:
		return &StepVoided{}
	case TypeStepReopened:
		return &StepReopened{}
	case TypeStepSkipped:
		return &StepSkipped{}
	case TypeReworkOpened:
		return &ReworkOpened{}
	case TypeStepPinned:
		return &StepPinned{}
	case TypeStepUnpinned:
		return &StepUnpinned{}
	case TypeProblemReported:
		return &ProblemReported{}
	case TypeResourceClosed:
		return &ResourceClosed{}
	case TypeResourceOpened:
		return &ResourceOpened{}
	case TypeCalibrationsListed:
		return &CalibrationsListed{}
	case TypeCalibrationWithdrawn:
		return &CalibrationWithdrawn{}
	case TypeCampaignOpened:
		return &CampaignOpened{}
	case TypeCampaignClosed:
		return &CampaignClosed{}
	case TypeCampaignContacted:
		return &CampaignContacted{}
	case TypeStepsAdded:
		return &StepsAdded{}
	}
	what, verb := t.split()
	var k OperationKind
	if k.UnmarshalText([]byte(what)) != nil {
		return nil
	}
	switch verb {
	case verbStarted:
		return &StepStarted{}
	case verbAdvanced:
		return &StepAdvanced{}
	case verbDone, verbPassed:
		return &StepDone{}
	case verbFailed:
		return &StepFailed{}
	}
	return nil
}
