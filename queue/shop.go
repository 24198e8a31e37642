package queue

import (
	"fmt"
	"time"
)

// Shop is everything that the shop file says, in normal form: the place, its
// hours, its people and things, and the kinds of work done there. It travels
// in the event shop.configured, so that a log explains itself. A Shop is not
// changed after it was built.
type Shop struct {
	Site       SiteID  `json:"site"`
	Name       string  `json:"name"`
	TimeZone   string  `json:"time_zone"` // IANA name
	LatitudeD  float64 `json:"latitude_deg"`
	LongitudeD float64 `json:"longitude_deg"`
	ElevationM float64 `json:"elevation_m"`

	Hours    Week           `json:"hours"`
	Days     []DayException `json:"days,omitempty"` // holidays and one-off days
	Quiet    Week           `json:"quiet"`          // no engine outdoors
	Daylight DaylightRule   `json:"daylight"`

	Resources    []Resource    `json:"resources"`
	Technicians  []Technician  `json:"technicians"`
	Foremen      []PersonID    `json:"foremen"` // who may override; may be technicians
	Operations   []Operation   `json:"operations"`
	Routes       []Route       `json:"routes"`
	Calibrations []Calibration `json:"calibrations,omitempty"`

	Objective Objective `json:"objective"`
	Planning  Planning  `json:"planning"`
	Limits    Limits    `json:"limits"`

	location *time.Location // of TimeZone, once the shop file took effect
}

// Minute is a time of day on the shop's wall clock, in minutes after midnight,
// 0…1440 (24:00).
type Minute int

func (m Minute) String() string { return fmt.Sprintf("%02d:%02d", int(m)/60, int(m)%60) }

// Span is a piece of a day, [From, To). To ≤ From runs over midnight.
type Span struct {
	From Minute `json:"from_min"`
	To   Minute `json:"to_min"`
}

// Week holds the spans of each weekday, indexed by time.Weekday (Sunday is 0).
type Week [7][]Span

// DayException replaces a weekday's opening hours on one date; no spans: shut.
type DayException struct {
	Date   string `json:"date"` // YYYY-MM-DD
	Spans  []Span `json:"spans,omitempty"`
	Reason string `json:"reason,omitempty"`
}

// DaylightRule says when an engine may run outdoors.
type DaylightRule struct {
	CivilTwilight bool          `json:"civil_twilight"` // else sunrise to sunset
	AfterDawn     time.Duration `json:"after_dawn_ns"`  // opens this long after
	BeforeDusk    time.Duration `json:"before_dusk_ns"` // shuts this long before
}

// Resource is a thing that a step holds.
type Resource struct {
	ID       ResourceID   `json:"id"`
	Name     string       `json:"name"`
	Kind     ResourceKind `json:"kind"`
	Capacity int          `json:"capacity"` // units at once; 1 but for loop and yard
	Tags     []string     `json:"tags,omitempty"`
	Families []Family     `json:"families,omitempty"` // of an interface; empty: all
}

// Technician is a person who works hands-on.
type Technician struct {
	ID     PersonID `json:"id"`
	Name   string   `json:"name"`
	Skills []Skill  `json:"skills"`
	Shifts Week     `json:"shifts"`
	Breaks Week     `json:"breaks"`
	Away   []string `json:"away,omitempty"` // dates, YYYY-MM-DD
}

// Skilled reports whether the technician has the skill; the empty skill is
// everybody's.
func (t *Technician) Skilled(s Skill) bool {
	if s == "" {
		return true
	}
	for _, have := range t.Skills {
		if have == s {
			return true
		}
	}
	return false
}

// Operation is the kind of work of a step.
type Operation struct {
	ID        OperationID     `json:"id"`
	Name      string          `json:"name"`
	Kind      OperationKind   `json:"kind"`
	Stretches []Stretch       `json:"stretches"`
	Needs     []Need          `json:"needs,omitempty"` // held from first start to last end
	Outdoors  bool            `json:"outdoors"`        // lies in a pad's or loop's open window
	Engine    bool            `json:"engine_runs"`
	Overnight bool            `json:"overnight"` // may run on with nobody there
	Handover  bool            `json:"handover"`  // another technician may go on with it
	Evidence  []EvidenceField `json:"evidence,omitempty"`
	Cautions  []Caution       `json:"cautions,omitempty"`
}

// Duration is the operation's time from start to end without any waiting.
func (o *Operation) Duration() time.Duration {
	var sum time.Duration
	for _, s := range o.Stretches {
		sum += s.Duration
	}
	return sum
}

// HandsOn is the part of Duration that a technician works.
func (o *Operation) HandsOn() time.Duration {
	var sum time.Duration
	for _, s := range o.Stretches {
		if s.HandsOn {
			sum += s.Duration
		}
	}
	return sum
}

// Stretch is one piece of an operation.
type Stretch struct {
	HandsOn     bool          `json:"hands_on"`
	Duration    time.Duration `json:"duration_ns"`
	Skill       Skill         `json:"skill,omitempty"`       // hands-on only
	Technicians int           `json:"technicians,omitempty"` // hands-on only, at least 1
	Splittable  bool          `json:"splittable,omitempty"`  // may pause at a break or overnight
	// MaxWait is how long this stretch's end may wait for the next stretch;
	// negative: as long as it takes.
	MaxWait time.Duration `json:"max_wait_ns"`
}

// Need is one resource that a step holds: any of the kind that carries the tag
// and, for an interface, speaks to the unit's controller family.
type Need struct {
	Kind ResourceKind `json:"kind"`
	Tag  string       `json:"tag,omitempty"`
}

// EvidenceField is one thing that is read or measured when a step is done.
type EvidenceField struct {
	Key      EvidenceKey  `json:"key"`
	Label    string       `json:"label"`
	Type     EvidenceType `json:"type"`
	Unit     string       `json:"unit,omitempty"` // of a number: "km", "h", "V", "rpm", "°C"
	Required bool         `json:"required"`
	// Min and Max bound a number; nil: no bound.
	Min *float64 `json:"min,omitempty"`
	Max *float64 `json:"max,omitempty"`
	// AtStart: read before the step starts (a battery's rest voltage).
	AtStart bool `json:"at_start,omitempty"`
}

// Keys of evidence that the interlocks look at.
const (
	EvidenceOdometer    EvidenceKey = "odometer_km"
	EvidenceEngineHours EvidenceKey = "engine_h"
	EvidenceBattery     EvidenceKey = "battery_v"
	EvidenceProgrammed  EvidenceKey = "programmed_on" // date read back from the controller
	EvidenceCalibration EvidenceKey = "calibration"   // id that was written
	EvidenceRevision    EvidenceKey = "revision"
	EvidenceFrame       EvidenceKey = "frame_number"
	EvidenceIdle        EvidenceKey = "idle_rpm"
	// EvidenceCoolant and EvidenceAir are the coolant at the end of a relearn and
	// the air outside: lengths of warm-ups are learnt from them.
	EvidenceCoolant EvidenceKey = "coolant_c"
	EvidenceAir     EvidenceKey = "air_c"
	// EvidencePhotos may go with any step, also of an operation that does not
	// ask for it.
	EvidencePhotos EvidenceKey = "photos"
)

// Route is the steps that a visit needs: data of the shop file.
type Route struct {
	ID    RouteID     `json:"id"`
	Name  string      `json:"name"`
	Steps []RouteStep `json:"steps"`
}

// RouteStep is one step of a route.
type RouteStep struct {
	ID        StepID      `json:"id"`
	Operation OperationID `json:"operation"`
	After     []After     `json:"after,omitempty"`
	// Optional steps are taken only if the unit's arrival asks for them.
	Optional bool `json:"optional,omitempty"`
	// Parallel names steps that this one may overlap (charging while a part
	// is fitted); it holds in both directions.
	Parallel []StepID `json:"parallel,omitempty"`
}

// After is a precedence: this step starts at least Min and at most Max after
// the end of Step. A negative Max is no limit.
type After struct {
	Step StepID        `json:"step"`
	Min  time.Duration `json:"min_ns,omitempty"`
	Max  time.Duration `json:"max_ns"`
}

// Calibration is an engine calibration that may be flashed.
type Calibration struct {
	ID         CalibrationID `json:"id"`
	Revision   int           `json:"revision"`
	Make       string        `json:"make"`
	Model      string        `json:"model"`
	YearFrom   int           `json:"year_from"`
	YearTo     int           `json:"year_to"`
	Family     Family        `json:"family"`
	Fitment    Fitment       `json:"fitment"`
	Released   string        `json:"released"` // YYYY-MM-DD
	ForCaller  string        `json:"for_caller,omitempty"`
	NoneNeeded bool          `json:"none_needed,omitempty"` // listed to say: leave as it is
	Variant    Variant       `json:"variant,omitempty"`
	// Supersedes is another calibration that this one takes the place of.
	Supersedes CalibrationID `json:"supersedes,omitempty"`
	// Mandatory: machines with another one are called back.
	Mandatory bool `json:"mandatory,omitempty"`
}

// Objective holds the weights of the planning objective J, see the planning
// problem in the documentation.
type Objective struct {
	Late         float64 `json:"late"`          // per weight and minute after the promise
	Flow         float64 `json:"flow"`          // per weight and minute in the shop
	Moved        float64 `json:"moved"`         // per step moved shortly before its start
	AcceptedMove float64 `json:"accepted_move"` // per accepted assignment that changes technician
}

// Planning says how lengths of work are planned.
type Planning struct {
	// Quantile is the share of the work that took no longer than the length it
	// is planned with, as far as that was seen; 0: [QuantileDefault].
	Quantile float64 `json:"quantile"`
}

// QuantileDefault is a little more than half: plans that are made of medians
// fall behind in every second step, and what is long pulls the mean above the
// median; more than that leaves gaps that nobody fills.
const QuantileDefault = 0.6

// PlanningQuantile is the shop's, or the default.
func (s *Shop) PlanningQuantile() float64 {
	if s.Planning.Quantile > 0 {
		return s.Planning.Quantile
	}
	return QuantileDefault
}

// Limits are the shop's thresholds.
type Limits struct {
	BatteryMinV  float64       `json:"battery_min_v"`    // rest voltage for a flash without a charger
	ClockSkew    time.Duration `json:"clock_skew_ns"`    // a phone's clock may be wrong by this much
	OverdueAfter time.Duration `json:"overdue_after_ns"` // alarm this long after an expected end
	CallBefore   time.Duration `json:"call_before_ns"`   // call the technician back this long before
	ShowroomMax  time.Duration `json:"showroom_max_ns"`  // a unit that sits longer comes up
	YardCapacity int           `json:"yard_capacity"`    // waiting units; 0: no limit
	ReworkOp     OperationID   `json:"rework_operation"` // what a failed test ride inserts
	UnitsOpenMax int           `json:"units_open_max"`   // units in the shop at once
}

// Location returns the shop's time zone; UTC if the name is unknown, which a
// shop file's check has ruled out.
func (s *Shop) Location() *time.Location {
	if s.location != nil {
		return s.location
	}
	if loc, err := time.LoadLocation(s.TimeZone); err == nil {
		return loc
	}
	return time.UTC
}

// Operation looks an operation up.
func (s *Shop) Operation(id OperationID) *Operation {
	return find(s.Operations, func(o *Operation) bool { return o.ID == id })
}

// Route looks a route up.
func (s *Shop) Route(id RouteID) *Route {
	return find(s.Routes, func(r *Route) bool { return r.ID == id })
}

// Resource looks a resource up.
func (s *Shop) Resource(id ResourceID) *Resource {
	return find(s.Resources, func(r *Resource) bool { return r.ID == id })
}

// Technician looks a technician up.
func (s *Shop) Technician(id PersonID) *Technician {
	return find(s.Technicians, func(t *Technician) bool { return t.ID == id })
}

// ResourceName is what people call a resource; the id of one without a name, or
// that the shop doesn't have.
func (s *Shop) ResourceName(id ResourceID) string {
	if r := s.Resource(id); r != nil && r.Name != "" {
		return r.Name
	}
	return string(id)
}

// TechnicianName is what people call a technician; the id of one without a name,
// or that the shop doesn't have.
func (s *Shop) TechnicianName(id PersonID) string {
	if t := s.Technician(id); t != nil && t.Name != "" {
		return t.Name
	}
	return string(id)
}

// Foreman reports whether the person may override interlocks.
func (s *Shop) Foreman(id PersonID) bool {
	for _, f := range s.Foremen {
		if f == id {
			return true
		}
	}
	return false
}

func find[T any](list []T, match func(*T) bool) *T {
	for i := range list {
		if match(&list[i]) {
			return &list[i]
		}
	}
	return nil
}
