package dispatch

import (
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// Plan is the plan in force of one site, in the shop's own words and in
// instants. It is derived: losing it loses nothing.
type Plan struct {
	Site  queue.SiteID `json:"site"`
	Seq   uint64       `json:"seq"` // of the state that it was made from
	Made  time.Time    `json:"made"`
	Until time.Time    `json:"until"` // the horizon
	Seed  uint64       `json:"seed"`
	// Epoch is the fencing token of the dispatcher that put it into force; 0:
	// nobody did yet.
	Epoch uint64 `json:"epoch,omitempty"`
	// Steps are all placed steps, running ones included, by start, unit, step.
	Steps []PlannedStep `json:"steps"`
	// Unplaced are the steps that do not fit before Until, each with the
	// constraint that stops it.
	Unplaced []UnplacedStep `json:"unplaced,omitempty"`
	// Pins are the foreman's pins that can't be kept.
	Pins []FailedPin `json:"pins,omitempty"`
	// Units says when each unit will be ready.
	Units []UnitForecast `json:"units"`
	Cost  Cost           `json:"cost"`
	// TookMS is the planning time in milliseconds; it is not part of the plan.
	TookMS float64 `json:"took_ms"`
}

// PlannedStep is one step's place in the plan.
type PlannedStep struct {
	Unit      queue.UnitID        `json:"unit"`
	Step      queue.StepID        `json:"step"`
	Operation queue.OperationID   `json:"operation"`
	Kind      queue.OperationKind `json:"kind"`
	Resources []queue.ResourceID  `json:"resources,omitempty"`
	// Technician does the first hands-on stretch that is not over; empty if
	// none is left.
	Technician queue.PersonID   `json:"technician,omitempty"`
	Start      time.Time        `json:"start"`
	End        time.Time        `json:"end"`
	Stretches  []PlannedStretch `json:"stretches"`
	Running    bool             `json:"running,omitempty"`
	Accepted   bool             `json:"accepted,omitempty"`
	// Why says, in a technician's words, why then and what it waits for.
	Why string `json:"why,omitempty"`
	// Ahead is set when its technician may begin it now; see [Ahead].
	Ahead *Ahead `json:"ahead,omitempty"`
	// Length is set when it was learnt from what was seen.
	Length *StepLength `json:"length,omitempty"`
	// Say is Why for another language or clock; nothing in old messages.
	Say said.Text `json:"say,omitzero"`
}

// PlannedStretch is when a stretch runs and who does it; hands-off ones have
// nobody. Between the end of one and the start of the next the step waits and
// keeps what it holds.
type PlannedStretch struct {
	HandsOn     bool             `json:"hands_on"`
	Start       time.Time        `json:"start"`
	End         time.Time        `json:"end"`
	Technicians []queue.PersonID `json:"technicians,omitempty"`
	// Parts are when it is worked on, of a stretch that pauses for a break or
	// the night.
	Parts []StretchPart `json:"parts,omitempty"`
}

// StretchPart is a time from a moment up to another.
type StretchPart struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
}

// UnplacedStep is a step that does not fit.
type UnplacedStep struct {
	Unit       queue.UnitID `json:"unit"`
	Step       queue.StepID `json:"step"`
	Constraint string       `json:"constraint"` // C1…C14
	Why        string       `json:"why"`
	Say        said.Text    `json:"say,omitzero"`
	// After is the step before it that does not fit either, if that is why.
	After queue.StepID `json:"after,omitempty"`
}

// FailedPin is a pin that the plan can't keep.
type FailedPin struct {
	Unit       queue.UnitID `json:"unit"`
	Step       queue.StepID `json:"step"`
	Constraint string       `json:"constraint"`
	Why        string       `json:"why"`
	Say        said.Text    `json:"say,omitzero"`
	// Conflict is what rules the pin out, if that could be proved.
	Conflict *Conflict `json:"conflict,omitempty"`
}

// Conflict is a smallest set of causes that together make something
// impossible: none of them can be left out.
type Conflict struct {
	// Text says it in one sentence.
	Text string    `json:"text"`
	Say  said.Text `json:"say,omitzero"`
	// Smallest: no set with fewer causes exists.
	Smallest bool `json:"smallest"`
	// Causes are empty when it is impossible whatever they are.
	Causes []ConflictCause `json:"causes,omitempty"`
}

// ConflictCause is one thing that could be otherwise. From and Until, where
// set, are when it holds.
type ConflictCause struct {
	// Kind is pin, hold, closure, running, release, order, calendar, hours,
	// break, shift, skill or tag.
	Kind       string           `json:"kind"`
	Unit       queue.UnitID     `json:"unit,omitempty"`
	Step       queue.StepID     `json:"step,omitempty"`
	Resource   queue.ResourceID `json:"resource,omitempty"`
	Technician queue.PersonID   `json:"technician,omitempty"`
	From       *time.Time       `json:"from,omitempty"`
	Until      *time.Time       `json:"until,omitempty"`
	Text       string           `json:"text"`
	Say        said.Text        `json:"say,omitzero"`
}

// UnitForecast is when a unit will be ready by the plan.
type UnitForecast struct {
	Unit    queue.UnitID `json:"unit"`
	Ready   time.Time    `json:"ready"` // zero: not within the horizon
	Promise time.Time    `json:"promise"`
	Weight  int          `json:"weight"` // 1…10, that it was planned with
	// LateMin is minutes after the promise; 0: kept.
	LateMin int64 `json:"late_min"`
	// Conflict is what rules the promise out even if the unit goes first, if
	// that could be proved. A late unit without one waits for others.
	Conflict *Conflict `json:"conflict,omitempty"`
}

// or is a text, or what an old message without one has in English.
func or(t said.Text, english string) said.Text {
	if t.IsZero() && english != "" {
		return said.Say("%s", english)
	}
	return t
}

// Reason is why it is planned then, or why it may begin before, to be said in
// the reader's language.
func (ps *PlannedStep) Reason() said.Text {
	if ps.Ahead != nil {
		return ps.Ahead.Reason()
	}
	return or(ps.Say, ps.Why)
}

// Reason is what stops it.
func (u UnplacedStep) Reason() said.Text { return or(u.Say, u.Why) }

// Reason is why the pin can't be kept.
func (f FailedPin) Reason() said.Text { return or(f.Say, f.Why) }

// Reason is the conflict in one sentence.
func (c Conflict) Reason() said.Text { return or(c.Say, c.Text) }

// Cost is the planning objective and its parts, in weighted minutes.
type Cost struct {
	J            float64 `json:"j"`
	Late         float64 `json:"late"`
	Flow         float64 `json:"flow"`
	Moved        float64 `json:"moved"`
	AcceptedMove float64 `json:"accepted_move"`
	Bound        float64 `json:"bound"` // proved lower limit of J
}

// Offer is the next job of a station, as it lies on the station's work queue.
type Offer struct {
	Site    queue.SiteID `json:"site"`
	Station Station      `json:"station"`
	Seq     uint64       `json:"seq"` // of the plan
	// Step is nil when there is nothing to do for the station.
	Step *PlannedStep `json:"step,omitempty"`
	// Epoch is the dispatcher's fencing token; an offer of a lower epoch than
	// one seen before is void.
	Epoch uint64 `json:"epoch"`
}

// Station is where assignments are queued: a bench, a pad, a loop, or "floor"
// for steps that hold none of these.
type Station string

// Floor is the station of steps that are done anywhere.
const Floor Station = "floor"
