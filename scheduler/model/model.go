// Package model is the planning problem and its plan as plain data.
//
// It speaks the field's words (job, activity, mode, stretch, resource, worker,
// lag, release, due) and knows nothing of shops: a motorcycle shop, a project
// with renewable and non-renewable resources, and a flexible job shop are all
// written with the same types.
//
// What it guarantees:
//  1. Validate accepts only problems whose arithmetic cannot overflow, whose
//     ids resolve and whose minimum lags are acyclic; its error names the
//     activity and the reason.
//  2. Nothing here depends on a clock, on a place or on chance. Calendars come
//     in as expanded half-open intervals.
//
// What it does not do: place anything (package solve), judge a plan (package
// check), or read calendars (package calendar).
package model

import "time"

// Time counts ticks since Problem.Origin. A tick is one minute in a shop and
// an abstract unit in a benchmark. Lengths of time use the same type.
type Time int64

// Unlimited stands for "no limit" where a length or a date may be open-ended:
// Stretch.MaxWait, Job.Due, Hold.Until. It is larger than any valid Time.
const Unlimited Time = 1 << 40

// TimeMax is the largest magnitude that Validate accepts for any time or
// length but Unlimited (about 4,000 years of minutes).
const TimeMax Time = 1 << 31

// Interval is half-open: [Start, End).
type Interval struct{ Start, End Time }

// Named ids. They are opaque; ties between equal choices break by id.
type (
	ActivityID string
	JobID      string
	ResourceID string
	WorkerID   string
	CalendarID string
	SpanID     string
	PinID      string
)

// Problem is one snapshot to plan. The order of every list is irrelevant: the
// same problem in another order gives the same plan.
type Problem struct {
	// Origin is the instant of Time 0, for whoever renders times. Planning
	// never reads it.
	Origin time.Time
	// Now is the moment the plan is made: nothing that has not begun starts
	// before it (C1).
	Now Time
	// Horizon is the end of planning: everything placed ends at or before it.
	// It must be after Now.
	Horizon Time

	Jobs       []Job
	Activities []Activity
	Lags       []Lag
	// Parallel lists pairs of activities of one OnePlace job that may overlap
	// (C13).
	Parallel  []Pair
	Resources []Resource
	Workers   []Worker
	// Calendars are windows that activities and stretches refer to by id, for
	// example the hours in which the site is open.
	Calendars []Calendar
	// Spans hold one resource over several activities.
	Spans []Span
	// Buffer limits the jobs that wait between activities (C14); nil for no
	// limit.
	Buffer *Buffer

	Pins  []Pin
	Holds []Hold
	// Previous is the plan in force, one entry an activity; it steers the
	// search and defines the stability terms of the objective. Nil for none.
	Previous []Previous
	// PreviousJobs are the Jobs of the plan in force. With them, a plan in
	// force that is still feasible, that no due date or weight has changed
	// under, and in which nothing can move forward, is given back untouched:
	// an event that changes nothing changes no assignment. Nil always
	// searches.
	PreviousJobs []JobOutcome

	Weights Weights
}

// Job is a set of activities with one release, one due date and one weight: a
// unit in a shop, a whole project in a benchmark.
type Job struct {
	ID JobID
	// Release is the earliest start of any of its activities (C1), and the
	// zero of its flow time.
	Release Time
	// Due is soft: lateness costs. Unlimited for a job that has none.
	Due Time
	// Weight multiplies its tardiness and its flow time, 0 … 1,000,000.
	Weight int64
	// OnePlace says that its activities do not overlap unless Parallel allows
	// a pair (C13). An activity occupies the job from its first stretch's
	// start to its last stretch's end, pauses and waiting included.
	OnePlace bool
}

// Activity is one step of a job, done in one of its modes.
type Activity struct {
	ID  ActivityID
	Job JobID
	// Release is when its parts are ready, on top of the job's (C1). Zero or
	// earlier than the job's release for no further limit.
	Release Time
	// Modes are the ways to do it; one is chosen. At least one.
	Modes []Mode
	// Handover lets different workers do its hands-on stretches. Without it,
	// the crew of every stretch is a subset of the largest crew (C6).
	Handover bool
	// Presence demands at least one worker on shift, breaks included, at every
	// tick from the activity's start to its end (C9).
	Presence bool
	// Inside, when set, names a calendar: the activity lies, waiting and
	// pauses included, in one of its intervals (C9): what must not run
	// overnight, what must end before the site closes.
	Inside CalendarID
	// Progress is what has already happened; nil for an activity not begun.
	Progress *Progress
}

// Mode is one way to do an activity.
type Mode struct {
	// Stretches run in order (C3). At least one; a Duration of 0 is a
	// milestone.
	Stretches []Stretch
	// Needs are held from the first stretch's start to the last one's end
	// (C4), each by one resource. Two needs of a mode never share a resource.
	Needs []Need
}

// Stretch is a part of an activity that is hands-on throughout (Workers > 0)
// or hands-off throughout (Workers = 0).
//
// A hands-off stretch starts the tick the stretch before it ends. A hands-on
// stretch starts at most MaxWait of the stretch before it after that one's end.
type Stretch struct {
	Duration Time
	// Workers is the size of the crew; 0 for hands-off.
	Workers int
	// Skills are needed of every worker of the crew (C7).
	Skills []string
	// Splittable lets the stretch pause while a worker of its crew is off
	// (break, night) or a held resource is closed. It never pauses otherwise:
	// it works in every tick that it can. Held resources stay held; the crew
	// is free during a pause.
	Splittable bool
	// MaxWait bounds the wait from this stretch's end to the next hands-on
	// stretch's start: 0 for none, Unlimited for any. Ignored on the last
	// stretch and before a hands-off one.
	MaxWait Time
	// Inside, when set, names a calendar: the stretch lies, pauses included,
	// in one of its intervals (C9).
	Inside CalendarID
}

// Need asks for Amount of one resource: one of Resources when given, else one
// whose Kind is Kind; in both cases it carries all Tags (C7).
type Need struct {
	Kind      string
	Tags      []string
	Resources []ResourceID
	// Amount is the units of capacity taken; 0 means 1. A negative amount is
	// refused.
	Amount int64
	// Span, when set, takes the resource that this span holds; Kind, Tags and
	// Amount are then the span's.
	Span SpanID
}

// Span is one resource kept from the first start to the last end of all
// activities that have a Need with its id: a unit that stays on its bench.
type Span struct {
	ID   SpanID
	Need Need
}

// Resource is what activities hold.
type Resource struct {
	ID ResourceID
	// Kind groups like resources ("bench", "interface"); it is also the word
	// that explanations use.
	Kind string
	Tags []string
	// Capacity is how much can be held at once, ≥ 0. Of a Consumable it is
	// the stock.
	Capacity int64
	// Consumable resources are non-renewable: the amounts of all activities
	// together do not exceed Capacity, whenever they run. They have no hours
	// and no closures.
	Consumable bool
	// Open are sorted, disjoint intervals; nil for always open, empty and not
	// nil for never. No stretch runs while a resource it holds is closed,
	// unless it is splittable and pauses. Waiting and pauses may lie outside,
	// unless Within is set.
	Open []Interval
	// Within demands that the whole hold, waiting and pauses included, lies in
	// one open interval (C8): an outdoor place with its daylight.
	Within bool
	// Closures are when it is down (C12). Nothing holds it in a closure,
	// waiting included, but what was already running on it.
	Closures []Closure
}

// Closure is a time when a resource is down.
type Closure struct {
	Interval
	Reason string
}

// Worker does one hands-on stretch at a time (C5).
type Worker struct {
	ID     WorkerID
	Skills []string
	// Shifts are when the worker is on site: sorted, disjoint; absences are
	// already taken out. Nil for always, empty and not nil for never.
	Shifts []Interval
	// Breaks are when the worker is on site but does no hands-on work.
	Breaks []Interval
}

// Calendar is a named set of sorted, disjoint intervals.
type Calendar struct {
	ID CalendarID
	// Name is the word that explanations use ("opening hours").
	Name string
	Open []Interval
}

// Point is an end of an activity.
type Point int

// The two ends of an activity.
const (
	End Point = iota
	Start
)

// Lag relates two activities (C2): with a = the From activity's end (or start)
// and b = the To activity's start (or end),
//
//	a + Min ≤ b, and b ≤ a + Max when Limited.
//
// Its zero points mean end to start. A lag to an activity that has begun binds
// nothing: it goes on as soon as it can.
type Lag struct {
	From, To ActivityID
	// FromPoint is End unless set to Start.
	FromPoint Point
	// ToEnd relates to the To activity's end instead of its start.
	ToEnd bool
	// Min may be negative (an allowed overlap).
	Min     Time
	Limited bool
	Max     Time
}

// Pair is two activities, in any order.
type Pair struct{ A, B ActivityID }

// Buffer is the room for jobs between activities (C14). A OnePlace job takes
// one place from the end of an activity to the start of its next one, when no
// other activity of it runs meanwhile; not before its first and not after its
// last. A job that already waits at Now may exceed the capacity; none may
// enter a full buffer.
type Buffer struct{ Capacity int }

// Progress is what has happened of an activity. The times are facts and are
// not judged.
type Progress struct {
	// Done says that the activity is finished: the last entry of Stretches
	// ended it.
	Done bool
	// Mode is the index of the mode in use.
	Mode int
	// Stretches are those begun, in order; at least one. The last one's End
	// is the expected one, at Now or later while it runs, before Now when it
	// has ended and the next has not begun.
	Stretches []StretchTime
	// Held is the resource of each need of the mode, all of them (C10); of a
	// Done activity it may be empty.
	Held []ResourceID
}

// StretchTime is when a stretch runs and who does it.
type StretchTime struct {
	Start, End Time
	// Parts are the intervals worked, without pauses; nil when the stretch is
	// contiguous: then it is [Start, End).
	Parts []Interval
	// Workers are sorted by id; empty for hands-off.
	Workers []WorkerID
}

// Pin is a wish of the foreman that binds (C11). Several pins of one activity
// add up. Empty fields don't bind.
type Pin struct {
	ID       PinID
	Activity ActivityID
	// Resource must be among what the activity holds.
	Resource ResourceID
	// Worker must be in the crew of every hands-on stretch not yet begun.
	Worker WorkerID
	// Start binds the activity's start when HasStart is set.
	HasStart bool
	Start    Time
}

// Hold keeps an activity from starting before Until; Unlimited until the hold
// is lifted. The activity is then unplaced with the hold's reason (C11).
type Hold struct {
	Activity ActivityID
	Until    Time
	Reason   string
}

// Previous is an activity's place in the plan in force.
type Previous struct {
	Activity  ActivityID
	Start     Time
	Resources []ResourceID
	// Workers of its first hands-on stretch, sorted by id.
	Workers []WorkerID
	// Stretches of the assignment; without them the plan in force cannot be
	// told from a like one that waits elsewhere, and counts as changed.
	Stretches []StretchTime
	// Accepted says that a worker has taken the assignment on.
	Accepted bool
}

// Cost is thousandths of a weighted tick, so that the objective stays exact.
type Cost int64

// Weights are the prices of the objective, in thousandths. The zero value
// costs nothing; ShopWeights are the defaults of a shop.
//
//	J = Tardiness·Σ weight·max(0, finish − due)
//	  + Flow·Σ weight·(finish − release)
//	  + Makespan·(last finish − Now)
//	  + Move·(activities moved that were planned to start in [Now, Now+MoveWindow))
//	  + Reassign·(accepted assignments that change worker)
//
// A job that is not wholly placed counts as finishing at the horizon. Moved
// means another start, another held resource, or unplaced.
type Weights struct {
	Tardiness, Flow, Makespan Cost
	Move                      Cost
	MoveWindow                Time
	Reassign                  Cost
}

// ShopWeights are the default prices of a shop: 1, 0.05, 5 within 30 minutes,
// and 20.
func ShopWeights() Weights {
	return Weights{Tardiness: 1000, Flow: 50, Move: 5000, MoveWindow: 30, Reassign: 20000}
}
