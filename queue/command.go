package queue

import (
	"fmt"
	"time"

	"tickover/queue/said"
)

// Command asks the queue for a change. The sender makes the ID and keeps it on
// every repeat, so that a repeat is answered as what it is.
type Command struct {
	ID    CommandID
	At    time.Time // when it happened on the floor
	Actor PersonID  // who asks; empty for the program itself
	// Expect is the unit's Revision on the page that the command came from;
	// 0: don't care. If the unit has changed since, the command is refused
	// as stale.
	Expect uint64
	// ExpectSeq is the State's Seq that the sender looked at; 0: don't care.
	// If anything at all was recorded since, the command is refused as stale:
	// what it would do to other units may be different now.
	ExpectSeq uint64
	// Overrides names interlocks that a foreman lets pass, each with a reason.
	Overrides []Override
	Action    Action
}

// Subject is what the command changes: a unit, or the shop.
func (c *Command) Subject() Subject {
	if c.Action == nil {
		return ""
	}
	return c.Action.subject()
}

// Action is what a command asks for; one type each.
type Action interface {
	// subject is the aggregate whose revision Expect speaks of.
	subject() Subject
	decide(*decider) error
}

// Conditions is what Decide needs to know of the world at the time that the
// command counts at, see [State.CountsAt].
type Conditions struct {
	Now time.Time // the queue's own clock, at arrival of the command
	// ClosesAt is the end of the opening that the command's time lies in;
	// zero: the shop is shut.
	ClosesAt time.Time
	// Outdoor tells, for each pad and loop, its open window. A resource that
	// is missing is taken as shut.
	Outdoor map[ResourceID]Window
}

// Window is the open window of an outdoor resource at the command's time.
type Window struct {
	Until time.Time // zero: shut
	Why   said.Text // why it is shut, or why it shuts then
}

// follower is an action that can't have happened before something else did.
type follower interface {
	// follows is when that was; zero: nothing to follow.
	follows(*State) time.Time
}

// CountsAt is the time that a command's events would count at: its own, or now
// where the sender's clock is not believed. The sky and the hours must be those
// of this time: what a wrong clock says must not open the pad at night.
func (s *State) CountsAt(now time.Time, cmd Command) time.Time {
	if cmd.At.IsZero() || s.Shop != nil && !s.believes(now, cmd.At, cmd.Action) {
		return now
	}
	return cmd.At
}

// believes: a command may have happened at a moment. It may not be ahead of the
// queue's clock, nor before what it must follow, by more than the shop allows.
func (s *State) believes(now, at time.Time, a Action) bool {
	skew := s.Shop.Limits.ClockSkew
	if at.After(now.Add(skew)) {
		return false
	}
	if f, ok := a.(follower); ok {
		if after := f.follows(s); !after.IsZero() && at.Before(after.Add(-skew)) {
			return false
		}
	}
	return true
}

// stepOf looks a step up, nil if there is none.
func (s *State) stepOf(u UnitID, id StepID) *Step {
	if u := s.Units[u]; u != nil {
		return u.Step(id)
	}
	return nil
}

// Outcome is what a command comes to.
type Outcome struct {
	Events []Event // sealed: numbered, linked and encoded
	// Duplicate: the command was carried out before; Events is empty.
	Duplicate bool
	// Overridden lists the interlocks that stood in the way and were let pass.
	Overridden []Override
}

// Entry makes the log entry of the outcome on the state it was decided on.
func (o *Outcome) Entry(s *State) *Entry {
	return &Entry{Site: s.Site, Prev: s.LastEntry, Events: o.Events}
}

// Decide judges a command. It changes nothing; the caller appends the
// outcome's entry to the log on the condition that nobody was faster, and
// applies it. The error is a [*Refusal].
func Decide(s *State, c Conditions, cmd Command) (Outcome, error) {
	if s.Seen(cmd.ID) {
		return Outcome{Duplicate: true}, nil
	}
	d := &decider{state: s, shop: s.Shop, cond: c, cmd: cmd}
	if err := d.checkMeta(); err != nil {
		return Outcome{}, err
	}
	if err := cmd.Action.decide(d); err != nil {
		return Outcome{}, err
	}
	events, err := d.seal()
	if err != nil {
		return Outcome{}, err
	}
	return Outcome{Events: events, Overridden: d.overridden}, nil
}

// Lengths that bound what a person may write.
const (
	idMax   = 64
	textMax = 2000
)

// decider gathers the events of one command.
type decider struct {
	state *State
	shop  *Shop
	cond  Conditions
	cmd   Command
	at    time.Time // the time that rules are judged at

	pending    []pendingEvent
	overridden []Override
	suspect    bool
	// calibration is what a flash is going to write.
	calibration *CalibrationRef
}

type pendingEvent struct {
	subject Subject
	typ     EventType
	data    Data
}

func (d *decider) checkMeta() error {
	switch {
	case d.cmd.Action == nil:
		return refuse(CodeMalformed, "Say what to do.", "the command has no action")
	case d.cmd.ID == "" || len(d.cmd.ID) > idMax:
		return refuse(CodeMalformed, "Send an id of 1 to 64 characters, the same on every repeat.", "the command has no usable id")
	case len(d.cmd.Actor) > idMax:
		return refuse(CodeMalformed, "Send the person's id from the shop file.", "the actor's id is too long")
	}
	if d.shop == nil {
		if _, ok := d.cmd.Action.(*ConfigureShop); !ok {
			return refuse(CodeNotReady, "Load a shop file first.", "the shop is not set up")
		}
	}
	d.at = d.cmd.At
	if d.at.IsZero() {
		d.at = d.cond.Now
	}
	d.suspect = d.shop != nil && !d.state.believes(d.cond.Now, d.at, d.cmd.Action)
	for _, o := range d.cmd.Overrides {
		if o.Reason == "" || len(o.Reason) > textMax {
			return refuse(CodeMalformed, "Write the reason for the override; it is kept as evidence.", "the override of %s has no usable reason", o.Interlock)
		}
	}
	if d.cmd.ExpectSeq != 0 && d.cmd.ExpectSeq != d.state.Seq {
		return refuse(CodeStale, "Look at what it would do now, and decide again.",
			"the shop has moved on since this was previewed (entry %d then, %d now)", d.cmd.ExpectSeq, d.state.Seq)
	}
	if d.cmd.Expect != 0 {
		if n := d.state.linkOf(d.cmd.Action.subject()).N; n != d.cmd.Expect {
			return refuse(CodeStale, "Look at what changed and decide again.",
				"%s has changed since this page was loaded (then %d, now %d)", d.cmd.Action.subject(), d.cmd.Expect, n)
		}
	}
	return nil
}

func (d *decider) emit(subject Subject, t EventType, data Data) {
	d.pending = append(d.pending, pendingEvent{subject, t, data})
}

func (d *decider) emitUnit(u UnitID, t EventType, data Data) { d.emit(UnitSubject(u), t, data) }

// pass lets an interlock pass if the command carries a foreman's override for
// it, else returns the refusal.
func (d *decider) pass(r *Refusal) error {
	if r == nil {
		return nil
	}
	if !r.Override {
		return r
	}
	for _, o := range d.cmd.Overrides {
		if o.Interlock != r.Interlock {
			continue
		}
		if !d.shop.Foreman(o.By) || (d.cmd.Actor != "" && o.By != d.cmd.Actor) {
			return refuse(CodeWrongPerson, "Ask a foreman to do it himself.", "%q may not override %s", o.By, r.Interlock)
		}
		d.overridden = append(d.overridden, o)
		return nil
	}
	return r
}

// seal numbers, links and encodes the events.
func (d *decider) seal() ([]Event, error) {
	at := d.at.UTC()
	ends := map[Subject]link{}
	events := make([]Event, 0, len(d.pending))
	for i, p := range d.pending {
		end, ok := ends[p.subject]
		if !ok {
			end = d.state.linkOf(p.subject)
		}
		e := Event{
			ID: fmt.Sprintf("%s.%d", d.cmd.ID, i), Site: d.state.Site, Subject: p.subject,
			Time: at, Received: d.cond.Now.UTC(), Actor: d.cmd.Actor, Command: d.cmd.ID,
			N: end.N + 1, Prev: end.Hash, ClockSuspect: d.suspect, Type: p.typ, Data: p.data,
		}
		if err := e.seal(); err != nil {
			return nil, err
		}
		ends[p.subject] = link{e.N, e.hash}
		events = append(events, e)
	}
	return events, nil
}

// when is the time that the command's events count at.
func (d *decider) when() time.Time {
	if d.suspect {
		return d.cond.Now
	}
	return d.at
}

// unit returns a unit that is in the shop.
func (d *decider) unit(id UnitID) (*Unit, error) {
	u := d.state.Units[id]
	if u == nil {
		return nil, refuse(CodeUnknown, "Check the ticket's number.", "there is no unit %q", id)
	}
	if u.Status != InShop {
		return nil, refuse(CodeWrongStep, "Check it in again if it is back.", "unit %s has left (%s)", id, u.Status)
	}
	return u, nil
}

// step returns a unit that is in the shop and one of its steps.
func (d *decider) step(uid UnitID, sid StepID) (*Unit, *Step, error) {
	u, err := d.unit(uid)
	if err != nil {
		return nil, nil, err
	}
	st := u.Step(sid)
	if st == nil {
		return nil, nil, refuse(CodeUnknown, "Look at the unit's page for its steps.", "unit %s has no step %q", uid, sid)
	}
	return u, st, nil
}

func (d *decider) foremanOnly(what string) error {
	if d.cmd.Actor == "" || d.shop.Foreman(d.cmd.Actor) {
		return nil
	}
	return refuse(CodeWrongPerson, "Ask the foreman.", "only a foreman may %s", what)
}

func checkText(what, text string, required bool) error {
	if required && text == "" {
		return refuse(CodeMalformed, "Write a short reason.", "%s is missing", what)
	}
	if len(text) > textMax {
		return refuse(CodeMalformed, "Shorten it.", "%s is longer than %d bytes", what, textMax)
	}
	return nil
}
