// Package conflict says why something that is asked of a plan is impossible:
// a pin that does not hold, or a due date that a job misses even when it goes
// first. The answer is a set of input facts (pins, holds, closures, calendars,
// shifts, arrivals, what runs, who has a skill) that together rule it out and
// of which none can be left out: an irreducible conflict.
//
//	if c := conflict.OfPin(p, plan, "pin-7"); c.Proved { … c.Facts … }
//
// Method: a test decides whether the question has an answer when only some
// facts are in force; sets are then looked for smallest first (single facts,
// pairs) and by deletion, divide and conquer: Chinneck and Dravnieks, ORSA
// Journal on Computing 3, 1991 (deletion filter); Junker, AAAI 2004
// (QuickXplain).
//
// What it guarantees:
//  1. A conflict that is Proved is one: the test that proves it relaxes the
//     problem (other jobs that are not pinned and do not run are put off, room
//     to wait, stock and spans are ignored) and is exhaustive in what it keeps.
//  2. Leaving any one fact out of it makes the test find an answer. With Exact
//     that answer is a true one for the jobs looked at, so changing any one
//     fact is enough for them.
//  3. The same problem and plan give the same conflict.
//
// What it does not do: say what becomes of other jobs when a fact is changed,
// or prove that no smaller conflict exists (unless Smallest says so).
package conflict

import (
	"tickover/scheduler/model"
)

// Kind of a fact.
type Kind int

// The kinds of facts, the ones that a foreman can change most easily first:
// among sets of one size the set of earlier kinds is told. The comment names
// the fields that are set beside From and Until.
const (
	PinFact      Kind = iota + 1 // Pin of Activity, which binds Resource, Worker or its start at From
	HoldFact                     // Activity is held until Until, Reason
	ClosureFact                  // Resource is down over [From, Until), Reason
	RunningFact                  // Activity runs until Until, with Resource or Worker
	ReleaseFact                  // Job arrives at Until; with Activity, its parts do
	OrderFact                    // Activity comes first and takes Takes at least
	CalendarFact                 // Calendar is shut over [From, Until)
	HoursFact                    // Resource is shut over [From, Until)
	BreakFact                    // Worker has a break over [From, Until)
	ShiftFact                    // Worker is off over [From, Until)
	SkillFact                    // only Workers have Skill
	TagFact                      // of all resources of ResourceKind, only Resources have Skill
)

var kindNames = [...]string{PinFact: "pin", HoldFact: "hold", ClosureFact: "closure", RunningFact: "running",
	ReleaseFact: "release", OrderFact: "order", CalendarFact: "calendar", HoursFact: "hours",
	BreakFact: "break", ShiftFact: "shift", SkillFact: "skill", TagFact: "tag"}

// String names a kind in one word.
func (k Kind) String() string {
	if k < PinFact || k > TagFact {
		return "fact"
	}
	return kindNames[k]
}

// Fact is one thing given with the problem that could be otherwise. Of hours,
// [From, Until) is the shut time that matters most to the question; From is
// −Unlimited when it has begun by the start asked for (of a pin) or by now.
type Fact struct {
	Kind         Kind
	Pin          model.PinID
	Activity     model.ActivityID
	Job          model.JobID
	Resource     model.ResourceID
	Worker       model.WorkerID
	Calendar     model.CalendarID
	Skill        string
	ResourceKind string
	Workers      []model.WorkerID
	Resources    []model.ResourceID
	// HasStart says that a pin binds a start.
	HasStart    bool
	From, Until model.Time
	Takes       model.Time
	Reason      string
}

// Conflict is the answer to one question.
type Conflict struct {
	// Pin and Activity, or Job, say what was asked.
	Pin      model.PinID
	Activity model.ActivityID
	Job      model.JobID
	// HasStart: the pin asks for a start at At. Of a due date, At is the date.
	HasStart bool
	At       model.Time
	// Takes is the least time that the work needs with every fact left out.
	Takes model.Time
	// Earliest is, for a job, the earliest finish that the test finds when it
	// goes first; Unlimited when there is none.
	Earliest model.Time

	// Proved says that Facts rule it out. Without it nothing could be shown:
	// for a due date, that others may have to wait for the job to keep it.
	Proved bool
	// Exact says that the test ignored nothing that bears on the question.
	Exact bool
	// Smallest says that no conflict with fewer facts exists.
	Smallest bool
	// Facts are sorted by kind, then by what they are about. None, when
	// proved: it is impossible whatever the facts.
	Facts []Fact
	// Cause is what the planner said of a pin.
	Cause model.Cause
}

// OfPin asks why a pin of plan.Pins does not hold. plan is that of p.
func OfPin(p *model.Problem, plan *model.Plan, id model.PinID) *Conflict {
	return ofPin(newIndex(p, plan), id)
}

func ofPin(x *index, id model.PinID) *Conflict {
	q := newQuestion(x)
	p, plan := x.p, x.plan
	c := &Conflict{Pin: id, Earliest: model.Unlimited}
	for i := range plan.Pins {
		if plan.Pins[i].Pin == id {
			c.Cause = plan.Pins[i].Cause
		}
	}
	for i := range p.Pins {
		if p.Pins[i].ID == id {
			c.Activity, c.HasStart, c.At = p.Pins[i].Activity, p.Pins[i].HasStart, p.Pins[i].Start
			q.askPin(&p.Pins[i])
		}
	}
	if len(q.own) == 0 {
		return c // unknown, or it has begun: a fact
	}
	c.Job = q.own[q.target].a.Job
	c.Takes = q.own[q.target].least
	q.from, q.to = p.Now, p.Horizon
	if c.HasStart {
		q.from, q.to = c.At, c.At+c.Takes
	}
	q.answer(c)
	return c
}

// OfDue asks why a job misses its due date in plan. plan is that of p.
func OfDue(p *model.Problem, plan *model.Plan, id model.JobID) *Conflict {
	c, q := ofDue(newIndex(p, plan), id)
	if q != nil && !c.Proved {
		c.Earliest = q.earliest()
	}
	return c
}

// ofDue leaves Earliest open when nothing is proved.
func ofDue(x *index, id model.JobID) (*Conflict, *question) {
	q := newQuestion(x)
	c := &Conflict{Job: id, Earliest: model.Unlimited}
	j := q.jobs[id]
	if j == nil || j.Due == model.Unlimited {
		return c, nil
	}
	c.At = j.Due
	q.askDue(j)
	if len(q.own) == 0 && len(q.running) == 0 {
		return c, nil
	}
	q.from, q.to = x.p.Now, max(j.Due, x.p.Now+1)
	q.answer(c)
	if c.Proved {
		c.Earliest = q.earliest()
		if t, ok := q.finish(q.all(false), x.p.Horizon); ok {
			c.Takes = t - x.p.Now
		}
	}
	return c, q
}

func (q *question) earliest() Time {
	if t, ok := q.finish(q.all(true), q.p.Horizon); ok {
		return t
	}
	return model.Unlimited
}

func (q *question) all(on bool) []bool {
	set := make([]bool, len(q.facts))
	for i := range set {
		set[i] = on
	}
	return set
}
