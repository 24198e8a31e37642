package model

// Plan is what was decided. Everything in it is sorted, so that equal plans
// are equal byte for byte.
type Plan struct {
	// Seed and Schedules reproduce it: the seed given and the number of
	// schedules generated.
	Seed      uint64
	Schedules int
	// Cut says that the search was cancelled before its count was used up:
	// such a plan is valid but not reproducible.
	Cut bool

	// Assignments are all activities placed, running ones included, done ones
	// not, sorted by Start, then ID.
	Assignments []Assignment
	// Unplaced are the others, sorted by ID.
	Unplaced []Unplaced
	// Pins are those that do not hold, with the reason, sorted by ID (C11).
	Pins []PinFailure
	// Breaches are limits that what has already happened makes impossible to
	// keep, sorted by activity.
	Breaches []Breach
	// Jobs are the outcome of each job, sorted by ID.
	Jobs []JobOutcome
	// Cost is the objective and its parts.
	Cost CostParts
	// Bound is a proved lower limit on Cost.Total, given the same set of
	// placed activities.
	Bound Cost
}

// Assignment places one activity.
type Assignment struct {
	Activity ActivityID
	Job      JobID
	// Mode is the index in Activity.Modes.
	Mode       int
	Start, End Time
	// Stretches are those of the mode, in order.
	Stretches []StretchTime
	// Held is the resource of each need of the mode, in order.
	Held []ResourceID
	// Running says that it had begun before the plan.
	Running bool
	// Why says what the start waited for, the latest limit first; empty for a
	// running activity.
	Why []Cause
}

// Cause is one binding limit: the activity could not start before Until
// because of it.
type Cause struct {
	Constraint Constraint
	Kind       CauseKind
	// Activity is the one in the way or the one waited for.
	Activity ActivityID
	Resource ResourceID
	Worker   WorkerID
	Calendar CalendarID
	// Skill or tag that is scarce.
	Skill string
	// Until is when the limit lifts.
	Until Time
	// Reason is free text given with the input (a closure's, a hold's).
	Reason string
}

// CauseKind says how to read a Cause.
type CauseKind int

// The kinds of cause. The comment names the fields that are set.
const (
	CauseRelease     CauseKind = iota + 1 // job or parts arrive at Until
	CauseNow                              // nothing is in the way: it starts now
	CauseLag                              // Activity comes first
	CauseJobBusy                          // the job is in Activity until then
	CauseResource                         // Resource is held by Activity
	CauseClosed                           // Resource opens at Until
	CauseClosure                          // Resource is down, Reason
	CauseWorker                           // Worker is busy with Activity
	CauseShift                            // Worker, or with none anybody with Skill, comes on at Until
	CauseCalendar                         // Calendar opens at Until
	CausePresence                         // nobody is on site before Until
	CauseHold                             // held, Reason
	CausePin                              // pinned to start at Until
	CauseBuffer                           // no room to wait
	CauseNoCandidate                      // no Resource or Worker matches Skill
	CauseStock                            // Resource is used up
	CauseHorizon                          // does not fit before Until, the horizon
	CauseNeeds                            // Activity is not placed itself
	CauseWait                             // the end of a hands-off stretch would wait too long
	CauseMaxLag                           // Activity is too long ago, or must be able to follow in time
	CauseKept                             // nothing before it is in the way: it keeps its place for what comes after
)

// Unplaced is an activity without a place, and what stops it.
type Unplaced struct {
	Activity   ActivityID
	Job        JobID
	Constraint Constraint
	Cause      Cause
}

// PinFailure is a pin that does not hold.
type PinFailure struct {
	Pin        PinID
	Activity   ActivityID
	Constraint Constraint
	Cause      Cause
}

// Breach is a limit of a running activity that can no longer be kept, because
// time has passed or a worker has left. Only C3 (MaxWait), C5 (an unsplittable
// stretch, or too few workers), C6 (its crew is gone), C7 (nobody has its skill
// any more), C8 and C9 can be breached; the activity is then finished as soon
// as possible.
type Breach struct {
	Activity   ActivityID
	Constraint Constraint
}

// JobOutcome is what becomes of a job.
type JobOutcome struct {
	Job JobID
	// Due and Weight are what it was planned for.
	Due    Time
	Weight int64
	// Placed says that all its activities are placed or done.
	Placed bool
	// Finish is the last end of its activities, the horizon when not Placed.
	Finish Time
	// Tardiness is max(0, Finish − Due), unweighted.
	Tardiness Time
	// Bound is the earliest finish that release, durations, lags and
	// calendars allow with everything to itself.
	Bound Time
}

// CostParts are the objective and its parts; Total is their sum.
type CostParts struct {
	Total, Tardiness, Flow, Makespan, Moves, Reassigned Cost
	// MovesCount and ReassignedCount are the unpriced numbers.
	MovesCount, ReassignedCount int
}

// Constraint is a numbered rule that plans keep.
type Constraint int

// The constraints. Numbers stay: error texts and tests use them.
const (
	C1  Constraint = iota + 1 // release, parts, now
	C2                        // precedence and lags
	C3                        // order of stretches and max wait
	C4                        // capacity of held resources
	C5                        // one worker, one stretch, inside a shift
	C6                        // one crew an activity
	C7                        // skills, tags, families
	C8                        // whole hold inside an open window
	C9                        // somebody on site; nothing overnight that may not
	C10                       // running activities stay
	C11                       // pins and holds
	C12                       // closures
	C13                       // a job is in one place
	C14                       // room to wait
)

var constraintTexts = [...]string{
	C1:  "nothing starts in the past, before the unit is here or before its parts have come",
	C2:  "precedence and lags hold",
	C3:  "stretches run in order and wait no longer than allowed",
	C4:  "held resources stay within their capacity",
	C5:  "a worker does one stretch at a time, on shift and outside breaks",
	C6:  "one crew does an activity unless handover is allowed",
	C7:  "skills and tags match",
	C8:  "a hold lies within the open window of its resource",
	C9:  "somebody is on site, and nothing runs outside its hours",
	C10: "what is running keeps its start and its resources",
	C11: "pins and holds are kept",
	C12: "nothing is placed in a closure",
	C13: "a job is in one place at a time",
	C14: "no more jobs wait than there is room for",
}

// String is "C1" … "C14".
func (c Constraint) String() string {
	if c < C1 || c > C14 {
		return "C?"
	}
	if c < 10 {
		return "C" + string(rune('0'+c))
	}
	return "C1" + string(rune('0'+c-10))
}

// Text is the rule in words.
func (c Constraint) Text() string {
	if c < C1 || c > C14 {
		return "unknown constraint"
	}
	return constraintTexts[c]
}
