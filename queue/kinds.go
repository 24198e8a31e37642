package queue

import (
	"fmt"
	"strings"
)

// ResourceKind says what a resource is.
type ResourceKind int

// The kinds of resources.
const (
	Bench ResourceKind = iota + 1
	Interface
	Charger
	Pad
	Loop
	Yard
)

var resourceKinds = names[ResourceKind]{"resource kind", []string{"", "bench", "interface", "charger", "pad", "loop", "yard"}}

func (k ResourceKind) String() string               { return resourceKinds.text(k) }
func (k ResourceKind) MarshalText() ([]byte, error) { return resourceKinds.marshal(k) }
func (k *ResourceKind) UnmarshalText(b []byte) error {
	return resourceKinds.unmarshal(b, k)
}

// Outdoors reports whether an engine may run there.
func (k ResourceKind) Outdoors() bool { return k == Pad || k == Loop }

// ResourceKinds lists the names of all kinds.
func ResourceKinds() []string { return resourceKinds.list[1:] }

// OperationKind is what the interlocks know of an operation.
type OperationKind int

// The kinds of operations.
const (
	General OperationKind = iota + 1
	CheckIn
	Assembly
	Charge
	Flash
	Reset
	Relearn
	RestartCheck
	TestRide
	Fitting
	FinalCheck
	HoursCheck
)

var operationKinds = names[OperationKind]{"operation kind", []string{"", "general", "check-in", "assembly", "charge",
	"flash", "reset", "relearn", "restart-check", "test-ride", "fitting", "final-check", "hours-check"}}

func (k OperationKind) String() string               { return operationKinds.text(k) }
func (k OperationKind) MarshalText() ([]byte, error) { return operationKinds.marshal(k) }
func (k *OperationKind) UnmarshalText(b []byte) error {
	return operationKinds.unmarshal(b, k)
}

// OperationKinds lists the names of all kinds.
func OperationKinds() []string { return operationKinds.list[1:] }

// Judged reports whether the operation ends with passed or failed rather than
// with done.
func (k OperationKind) Judged() bool { return k == RestartCheck || k == TestRide }

// EvidenceType says how a piece of evidence is written.
type EvidenceType int

// The types of evidence.
const (
	Number EvidenceType = iota + 1
	Text
	YesNo
	Date  // YYYY-MM-DD
	Photo // SHA-256s of photos in hex, a space between two
	Count // a number of things
)

var evidenceTypes = names[EvidenceType]{"evidence type", []string{"", "number", "text", "yes-no", "date", "photo", "count"}}

func (t EvidenceType) String() string               { return evidenceTypes.text(t) }
func (t EvidenceType) MarshalText() ([]byte, error) { return evidenceTypes.marshal(t) }
func (t *EvidenceType) UnmarshalText(b []byte) error {
	return evidenceTypes.unmarshal(b, t)
}

// Measured reports that values of the type are numbers, with a unit and bounds.
func (t EvidenceType) Measured() bool { return t == Number || t == Count }

// EvidenceTypes lists the names of all types.
func EvidenceTypes() []string { return evidenceTypes.list[1:] }

// Caution is a hazard that the pages show with a step. The wording lives with
// the pages; local codes and licensed practice come first.
type Caution int

// The cautions.
const (
	CarbonMonoxide Caution = iota + 1
	HotExhaust
	Fuel
	Battery
	Lift
	Noise
	RideGear
)

var cautions = names[Caution]{"caution", []string{"", "carbon-monoxide", "hot-exhaust", "fuel", "battery", "lift", "noise", "ride-gear"}}

func (c Caution) String() string               { return cautions.text(c) }
func (c Caution) MarshalText() ([]byte, error) { return cautions.marshal(c) }
func (c *Caution) UnmarshalText(b []byte) error {
	return cautions.unmarshal(b, c)
}

// Cautions lists the names of all cautions.
func Cautions() []string { return cautions.list[1:] }

// UnitStatus says where a unit's visit stands.
type UnitStatus int

// The states of a visit.
const (
	InShop UnitStatus = iota + 1
	InShowroom
	Delivered
)

var unitStatuses = names[UnitStatus]{"unit status", []string{"", "in-shop", "showroom", "delivered"}}

func (s UnitStatus) String() string               { return unitStatuses.text(s) }
func (s UnitStatus) MarshalText() ([]byte, error) { return unitStatuses.marshal(s) }
func (s *UnitStatus) UnmarshalText(b []byte) error {
	return unitStatuses.unmarshal(b, s)
}

// StepStatus says where a step stands.
type StepStatus int

// The states of a step.
const (
	Todo StepStatus = iota + 1
	Running
	Done
	Skipped // left out by a foreman's decision
)

var stepStatuses = names[StepStatus]{"step status", []string{"", "todo", "running", "done", "skipped"}}

func (s StepStatus) String() string               { return stepStatuses.text(s) }
func (s StepStatus) MarshalText() ([]byte, error) { return stepStatuses.marshal(s) }
func (s *StepStatus) UnmarshalText(b []byte) error {
	return stepStatuses.unmarshal(b, s)
}

// ContactState says how a campaign stands with a machine's owner.
type ContactState int

// The states of contact.
const (
	ToCall ContactState = iota + 1
	Called
	Booked
	Declined
	SweptElsewhere // done by another shop, by the owner's word
)

var contactStates = names[ContactState]{"contact state", []string{"", "to-call", "called", "booked", "declined", "done-elsewhere"}}

func (c ContactState) String() string               { return contactStates.text(c) }
func (c ContactState) MarshalText() ([]byte, error) { return contactStates.marshal(c) }
func (c *ContactState) UnmarshalText(b []byte) error {
	return contactStates.unmarshal(b, c)
}

// ContactStates lists the names of all states.
func ContactStates() []string { return contactStates.list[1:] }

// Ownership says whose machine a unit is.
type Ownership int

// The ownerships.
const (
	NewUnit Ownership = iota + 1
	CustomerUnit
	TradeIn
)

var ownerships = names[Ownership]{"ownership", []string{"", "new", "customer", "trade-in"}}

func (o Ownership) String() string               { return ownerships.text(o) }
func (o Ownership) MarshalText() ([]byte, error) { return ownerships.marshal(o) }
func (o *Ownership) UnmarshalText(b []byte) error {
	return ownerships.unmarshal(b, o)
}

// Ownerships lists the names of all ownerships.
func Ownerships() []string { return ownerships.list[1:] }

// names is the one source of an enumeration's words, in pages, JSON, metrics
// and the shop file alike.
type names[T ~int] struct {
	what string
	list []string // by value; the zero value has no name
}

func (n names[T]) text(v T) string {
	if v <= 0 || int(v) >= len(n.list) {
		return fmt.Sprintf("%s %d", n.what, int(v))
	}
	return n.list[v]
}

func (n names[T]) marshal(v T) ([]byte, error) {
	if v <= 0 || int(v) >= len(n.list) {
		return nil, fmt.Errorf("no such %s: %d", n.what, int(v))
	}
	return []byte(n.list[v]), nil
}

func (n names[T]) unmarshal(b []byte, v *T) error {
	for i, name := range n.list {
		if i > 0 && name == string(b) {
			*v = T(i)
			return nil
		}
	}
	return fmt.Errorf("%q is no %s; one of %s", b, n.what, strings.Join(n.list[1:], ", "))
}
