package queue

import (
	"fmt"

	"tickover/queue/said"
)

// Interlock is the number of a rule that the queue refuses to break. Zero is
// no interlock: an ordinary refusal.
type Interlock int

// The interlocks.
const (
	I1  Interlock = iota + 1 // one flash on an interface; one unit on a bench, charger, pad
	I2                       // while a flash runs nothing else starts on the unit or takes what it holds
	I3                       // a flash needs a charger, or a rest voltage that is high enough
	I4                       // a flash needs the current calibration for the machine
	I5                       // a flash is not started when it would end after closing
	I6                       // resets after the flash; after a reset the next engine start is the relearn
	I7                       // the engine runs outdoors only
	I8                       // relearn and test ride in daylight and outside quiet hours
	I9                       // a new flash or reset voids relearn, restart check and test ride
	I10                      // test ride after relearn and restart check, by somebody who may ride
	I11                      // a unit leaves with every step done and its evidence complete
	I12                      // evidence must be plausible
	I13                      // a failed test ride opens rework; the unit stays until it passes
)

// InterlockCount is the number of interlocks: I1…I13.
const InterlockCount = 13

func (i Interlock) String() string { return fmt.Sprintf("I%d", int(i)) }

// Overridable reports whether a foreman may let it pass with a reason.
func (i Interlock) Overridable() bool { return i > 0 && i != I1 && i != I2 && i != I7 }

// Code says what sort of refusal it is, for programs.
type Code string

// Codes of refusals.
const (
	CodeInterlock   Code = "interlock"    // see Refusal.Interlock
	CodeUnknown     Code = "unknown"      // no such unit, step, technician, resource, route
	CodeMalformed   Code = "malformed"    // a field is missing or out of its range
	CodeWrongStep   Code = "wrong-step"   // the step is not in a state for this
	CodeNotReady    Code = "not-ready"    // a step before it is not done, or a part is missing
	CodeWrongBench  Code = "wrong-bench"  // the step runs, or is accepted, elsewhere
	CodeWrongPerson Code = "wrong-person" // lacks the skill, or somebody else's step
	CodeStale       Code = "stale"        // the unit has changed since the page was loaded
	CodeExists      Code = "exists"       // a ticket with this number exists
	CodeClosed      Code = "closed"       // a resource is down or a technician absent
	CodeFull        Code = "full"         // a limit of the shop file is reached
)

// Refusal is the answer to a command that the queue does not carry out:
// nothing was changed.
type Refusal struct {
	Code      Code      `json:"code"`
	Interlock Interlock `json:"interlock,omitempty"`
	What      string    `json:"what"` // what is wrong
	Do        string    `json:"do"`   // what to do about it
	// Override: a foreman may let it pass with a reason.
	Override bool `json:"override,omitempty"`

	format, doFormat string
	args, doArgs     []any
}

// Words are What before it was put together, for another language; args are
// empty where What was written as a whole.
func (r *Refusal) Words() (format string, args []any) {
	if r.format == "" {
		return r.What, nil
	}
	return r.format, r.args
}

// DoWords are Do before it was put together.
func (r *Refusal) DoWords() (format string, args []any) {
	if r.doFormat == "" {
		return r.Do, nil
	}
	return r.doFormat, r.doArgs
}

// Said are What and Do as they are said in another language.
func (r *Refusal) Said() (what, do said.Text) {
	format, args := r.Words()
	doFormat, doArgs := r.DoWords()
	return said.Text{Format: format, Args: args}, said.Text{Format: doFormat, Args: doArgs}
}

// doing says what to do where that takes values.
func (r *Refusal) doing(format string, args ...any) *Refusal {
	r.Do, r.doFormat, r.doArgs = said.English(format, args), format, args
	return r
}

func (r *Refusal) Error() string {
	if r.Interlock > 0 {
		return fmt.Sprintf("%s: %s. %s", r.Interlock, r.What, r.Do)
	}
	return fmt.Sprintf("%s: %s. %s", r.Code, r.What, r.Do)
}

// Refuse is a refusal of those who decide about the same things elsewhere.
func Refuse(c Code, do, format string, args ...any) *Refusal { return refuse(c, do, format, args...) }

func refuse(c Code, do, format string, args ...any) *Refusal {
	return &Refusal{Code: c, What: said.English(format, args), Do: do, format: format, args: args}
}

func interlock(i Interlock, do, format string, args ...any) *Refusal {
	return &Refusal{Code: CodeInterlock, Interlock: i, What: said.English(format, args), Do: do, Override: i.Overridable(), format: format, args: args}
}
