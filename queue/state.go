package queue

import (
	"maps"
	"slices"
	"sort"
	"time"
)

// commandsRemembered is how many commands the state knows to be repeats: weeks
// of a busy site. A phone's outbox is never that far behind; an older repeat
// is refused by the step's own state.
const commandsRemembered = 50_000

// State is a site's queue as the log tells it: the fold over its entries.
//
// A State is not safe for concurrent use. A *Unit that was read from a View or
// Clone stays as it was: the state copies a unit before it changes one that
// somebody else may hold.
type State struct {
	Site SiteID
	Shop *Shop // nil until a shop file took effect

	// ShopFile is the hash of the shop file's bytes.
	ShopFile Hash
	Units    map[UnitID]*Unit
	// Holds tells which unit's step holds a resource; at most its capacity.
	Holds    map[ResourceID][]Hold
	Closures map[ResourceID][]Closure
	Absences map[PersonID][]Closure
	// Listed are calibrations listed after the shop file's; Withdrawn those
	// that don't count any more, with the reason.
	Listed    []Calibration
	Withdrawn map[CalibrationRef]string
	Campaigns map[CampaignID]*Campaign // a campaign is not changed, but replaced

	Seq       uint64 // stream sequence of the last entry applied
	LastEntry Hash
	Events    uint64 // events applied
	Unknown   map[EventType]uint64

	// epoch tells units apart that only this state holds from units that a
	// View or Clone holds too.
	epoch     uint64
	catalogue *Catalogue
	machines  machines
	shop      link // the chain of the shop's own events
	seen      map[CommandID]struct{}
	seenRing  []CommandID
	seenNext  int
}

// link is the end of an aggregate's chain.
type link struct {
	N    uint64 `json:"n"`
	Hash Hash   `json:"hash"`
}

// Hold is a step that holds a resource.
type Hold struct {
	Unit UnitID `json:"unit"`
	Step StepID `json:"step"`
}

// Closure is a time in which a resource is down or a technician absent,
// [From, Until).
type Closure struct {
	From   time.Time `json:"from"`
	Until  time.Time `json:"until"`
	Reason string    `json:"reason"`
}

func (c Closure) same(o Closure) bool {
	return c.From.Equal(o.From) && c.Until.Equal(o.Until) && c.Reason == o.Reason
}

// Unit is a machine in for work, with the steps of its visit.
type Unit struct {
	ID        UnitID               `json:"id"`
	Machine   Machine              `json:"machine"`
	Ownership Ownership            `json:"ownership"`
	Contact   ContactID            `json:"contact,omitempty"`
	Route     RouteID              `json:"route"`
	Promise   time.Time            `json:"promise"`
	Weight    int                  `json:"weight"`
	Parts     map[StepID]time.Time `json:"parts,omitempty"`
	Note      string               `json:"note,omitempty"`
	// Arrival is the [UnitArrived.Hash] of what was said at arrival, whatever
	// was changed since: an importer knows by it what it has sent before.
	Arrival Hash `json:"arrival"`

	Status  UnitStatus `json:"status"`
	Arrived time.Time  `json:"arrived"`
	Left    time.Time  `json:"left,omitzero"`
	// LeftOver: a foreman let the unit leave over I11 or I13.
	LeftOver bool   `json:"left_over,omitempty"`
	Held     bool   `json:"held,omitempty"` // held back by the foreman
	Rework   string `json:"rework,omitempty"`
	// Sold is when it left the showroom with its owner.
	Sold time.Time `json:"sold,omitzero"`
	// NewOwner is when it was last said to be somebody else's than was known.
	NewOwner time.Time `json:"new_owner,omitzero"`
	// Written is what the visit wrote to the controller, the oldest first.
	Written []Written `json:"written,omitempty"`
	// Sweeps are what campaigns asked of this visit.
	Sweeps []Sweep `json:"sweeps,omitempty"`
	Steps  []Step  `json:"steps"`

	// OdometerKM and EngineH are the last readings believed; nil: none yet.
	OdometerKM *float64  `json:"odometer_km,omitempty"`
	EngineH    *float64  `json:"engine_h,omitempty"`
	Touched    time.Time `json:"touched"` // last event
	// Entries are the stream sequences of the entries that concern the unit.
	Entries []uint64 `json:"entries"`
	Link    link     `json:"link"`

	epoch uint64     // of the state that owns it
	key   MachineKey // as [KeyOf] has it; empty: to be worked out
}

// Step is one step of a unit's visit.
type Step struct {
	ID        StepID        `json:"id"`
	Operation OperationID   `json:"operation"`
	Kind      OperationKind `json:"kind"`
	After     []After       `json:"after,omitempty"`
	Parallel  []StepID      `json:"parallel,omitempty"`

	Status   StepStatus  `json:"status"`
	Accepted *Acceptance `json:"accepted,omitempty"`
	Pin      *Pin        `json:"pin,omitempty"`

	// While running and after: the last run.
	Runs           int             `json:"runs,omitempty"`
	Started        time.Time       `json:"started,omitzero"`
	Stretch        int             `json:"stretch,omitempty"`
	StretchStarted time.Time       `json:"stretch_started,omitzero"`
	Ended          time.Time       `json:"ended,omitzero"`
	Expected       time.Duration   `json:"expected_ns,omitempty"`
	Technician     PersonID        `json:"technician,omitempty"`
	Resources      []ResourceID    `json:"resources,omitempty"`
	Evidence       Evidence        `json:"evidence,omitempty"`
	Flags          []Flag          `json:"flags,omitempty"`
	Calibration    *CalibrationRef `json:"calibration,omitempty"`
	Overrides      []Override      `json:"overrides,omitempty"`

	Problem string `json:"problem,omitempty"` // reported and not settled
	Why     string `json:"why,omitempty"`     // why it is to be done again, or was skipped
}

// Acceptance is a technician's word to do a step.
type Acceptance struct {
	Technician PersonID     `json:"technician"`
	Resources  []ResourceID `json:"resources,omitempty"`
	At         time.Time    `json:"at"`
}

// Step looks a step up.
func (u *Unit) Step(id StepID) *Step {
	return find(u.Steps, func(s *Step) bool { return s.ID == id })
}

// Revision counts the unit's events; a page that was loaded at one revision
// and sends it along is told when the unit has changed since.
func (u *Unit) Revision() uint64 { return u.Link.N }

// stepOfKind returns the first step of the kind that was not skipped.
func (u *Unit) stepOfKind(k OperationKind) *Step {
	return find(u.Steps, func(s *Step) bool { return s.Kind == k && s.Status != Skipped })
}

// Settled reports whether the step needs nothing more.
func (s *Step) Settled() bool { return s.Status == Done || s.Status == Skipped }

// ParallelWith reports whether the two may overlap.
func (s *Step) ParallelWith(o *Step) bool {
	return slices.Contains(s.Parallel, o.ID) || slices.Contains(o.Parallel, s.ID)
}

// NewState returns the state of an empty log.
func NewState(site SiteID) *State {
	return &State{
		Site: site, Units: map[UnitID]*Unit{}, Holds: map[ResourceID][]Hold{},
		Closures: map[ResourceID][]Closure{}, Absences: map[PersonID][]Closure{},
		Campaigns: map[CampaignID]*Campaign{},
		Unknown:   map[EventType]uint64{}, seen: map[CommandID]struct{}{}, epoch: 1,
	}
}

// Clone returns a copy that can be folded on without touching the original;
// units are shared until one is changed.
func (s *State) Clone() *State {
	c := s.View()
	c.seen = maps.Clone(s.seen)
	c.seenRing = slices.Clone(s.seenRing)
	c.seenNext = s.seenNext
	return c
}

// View is Clone without the memory of commands: cheaper, for readers. Deciding
// on it would take a repeat for a new command.
func (s *State) View() *State {
	s.epoch++
	c := *s
	c.Units = maps.Clone(s.Units)
	c.Holds = maps.Clone(s.Holds)
	c.Closures = maps.Clone(s.Closures)
	c.Absences = maps.Clone(s.Absences)
	c.Campaigns = maps.Clone(s.Campaigns)
	c.Unknown = maps.Clone(s.Unknown)
	c.machines = s.machines.clone()
	c.seen, c.seenRing, c.seenNext = nil, nil, 0
	return &c
}

// Fork is Clone of a View, to fold on and throw away: it changes nothing in
// the View, so that many may do it at once. It has forgotten all commands.
func (s *State) Fork() *State {
	c := *s
	c.epoch = s.epoch + 1 // it owns no unit of the View
	c.Units = maps.Clone(s.Units)
	c.Holds = maps.Clone(s.Holds)
	c.Closures = maps.Clone(s.Closures)
	c.Absences = maps.Clone(s.Absences)
	c.Campaigns = maps.Clone(s.Campaigns)
	c.Unknown = maps.Clone(s.Unknown)
	c.machines = s.machines.clone()
	c.seen, c.seenRing, c.seenNext = map[CommandID]struct{}{}, nil, 0
	return &c
}

// own returns the unit to change, a copy if somebody else may hold it; nil if
// there is none.
func (s *State) own(id UnitID) *Unit {
	u := s.Units[id]
	if u == nil || u.epoch == s.epoch {
		return u
	}
	c := *u
	c.Steps = slices.Clone(u.Steps)
	c.Entries = slices.Clip(u.Entries)
	c.epoch = s.epoch
	s.Units[id] = &c
	return &c
}

// Seen reports whether the command's events are in the state.
func (s *State) Seen(id CommandID) bool {
	_, ok := s.seen[id]
	return ok
}

func (s *State) remember(id CommandID) {
	if len(s.seenRing) < commandsRemembered {
		s.seenRing = append(s.seenRing, id)
	} else {
		delete(s.seen, s.seenRing[s.seenNext])
		s.seenRing[s.seenNext] = id
		s.seenNext = (s.seenNext + 1) % commandsRemembered
	}
	s.seen[id] = struct{}{}
}

// OpenUnits returns the units in the shop, by id.
func (s *State) OpenUnits() []*Unit {
	var open []*Unit
	for _, u := range s.Units {
		if u.Status == InShop {
			open = append(open, u)
		}
	}
	sort.Slice(open, func(i, j int) bool { return open[i].ID < open[j].ID })
	return open
}

// linkOf returns the end of an aggregate's chain.
func (s *State) linkOf(subject Subject) link {
	id, ok := subject.Unit()
	if !ok {
		return s.shop
	}
	if u := s.Units[id]; u != nil {
		return u.Link
	}
	return link{}
}
