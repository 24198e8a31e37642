package scheduler

import (
	"fmt"
	"strings"

	"tickover/scheduler/model"
)

// Words puts causes into sentences that a technician understands. It is
// derived from the data of the causes; the model knows no clock, so the caller
// says how times and things read.
//
//	words := scheduler.Words{Time: clock, Activity: func(id model.ActivityID) string { … }}
//	for _, line := range words.Assignment(&as) { … } // "waits for interface i1 until 10:40: flash of T-104 is on it"
type Words struct {
	// Time renders a time; nil prints ticks. What these functions return goes
	// into a text by %s: a string, or what is known to whoever says the text in
	// another language.
	Time func(model.Time) any
	// Activity, Resource, Worker and Calendar name things; nil prints ids.
	Activity func(model.ActivityID) any
	Resource func(model.ResourceID) any
	Worker   func(model.WorkerID) any
	Calendar func(model.CalendarID) any
	// Job names a job, Skill a skill or a resource's tag; nil prints them.
	Job   func(model.JobID) any
	Skill func(string) any
	// Length renders a length of time; nil prints ticks.
	Length func(model.Time) any
}

// Text is a sentence as a format and what goes into it, so that it can be said
// in another language. The zero value says nothing.
type Text struct {
	Format string
	Args   []any
}

func phrase(format string, args ...any) Text { return Text{format, args} }

// Words are the format and its values.
func (t Text) Words() (format string, args []any) { return t.Format, t.Args }

// String says it in English.
func (t Text) String() string {
	if len(t.Args) == 0 {
		return t.Format
	}
	return fmt.Sprintf(t.Format, t.Args...)
}

// Assignment says what an activity's start waited for, what bound it last
// first. One line a cause; empty for a running activity.
func (w Words) Assignment(as *model.Assignment) []string {
	var out []string
	for i := range as.Why {
		out = append(out, w.Cause(&as.Why[i]))
	}
	return out
}

// Unplaced says what stops an activity.
func (w Words) Unplaced(u *model.Unplaced) string {
	return w.activity(u.Activity) + " has no place: " + w.stop(&u.Cause)
}

// Pin says why a pin does not hold.
func (w Words) Pin(f *model.PinFailure) string {
	return "pin " + string(f.Pin) + " of " + w.activity(f.Activity) + " cannot hold: " + w.stop(&f.Cause)
}

// Breach says what can no longer be kept.
func (w Words) Breach(b *model.Breach) string {
	what := map[model.Constraint]string{
		model.C3: "waits longer than it may for somebody to go on with it",
		model.C5: "goes on outside the shift of its worker",
		model.C6: "goes over to somebody else, who has the skill",
		model.C7: "is finished by somebody who lacks its skill, since nobody has it",
		model.C8: "lasts beyond the open window of its place",
		model.C9: "lasts beyond its hours, or while nobody is on site",
	}[b.Constraint]
	return w.activity(b.Activity) + " " + what
}

// Cause is one limit as a sentence without a full stop.
func (w Words) Cause(c *model.Cause) string {
	until := w.time(c.Until)
	switch c.Kind {
	case model.CauseNow:
		return "nothing is in the way"
	case model.CauseKept:
		return "keeps its place at " + until
	case model.CauseRelease:
		return "arrives, or its parts do, at " + until
	case model.CauseLag:
		return "comes after " + w.activity(c.Activity) + ", until " + until
	case model.CauseJobBusy:
		return "is in " + w.activity(c.Activity) + " until " + until
	case model.CauseResource:
		if c.Activity == "" {
			return "waits for " + w.resource(c.Resource) + " until " + until
		}
		return "waits for " + w.resource(c.Resource) + " until " + until + ": " + w.activity(c.Activity) + " is on it"
	case model.CauseClosed:
		return "waits for " + w.resource(c.Resource) + ", which opens at " + until
	case model.CauseClosure:
		return "waits for " + w.resource(c.Resource) + ", down until " + until + reason(c.Reason)
	case model.CauseWorker:
		if c.Activity == "" {
			return "waits for " + w.worker(c.Worker) + " until " + until
		}
		return "waits for " + w.worker(c.Worker) + " until " + until + ": busy with " + w.activity(c.Activity)
	case model.CauseShift:
		return "waits until " + w.worker(c.Worker) + " is at work at " + until
	case model.CauseCalendar:
		return "waits for " + w.calendar(c.Calendar) + " at " + until
	case model.CausePresence:
		return "waits until somebody is on site throughout, at " + until
	case model.CauseHold:
		if c.Until == model.Unlimited {
			return "is held" + reason(c.Reason)
		}
		return "is held until " + until + reason(c.Reason)
	case model.CausePin:
		return "is pinned to start at " + until
	case model.CauseWait:
		who := "somebody"
		if c.Worker != "" {
			who = w.worker(c.Worker)
		}
		return "starts at " + until + " so that " + who + " is there when its hands-off time ends"
	case model.CauseMaxLag:
		if c.Until == 0 {
			return "would come too long after " + w.activity(c.Activity)
		}
		return "starts at " + until + " so that " + w.activity(c.Activity) + " can follow in time"
	default:
		return w.stop(c)
	}
}

// stop is a cause that is not a matter of waiting.
func (w Words) stop(c *model.Cause) string {
	switch c.Kind {
	case model.CauseNoCandidate:
		return w.noCandidate(c)
	case model.CauseStock:
		return w.resource(c.Resource) + " is used up"
	case model.CauseHorizon:
		return "it does not fit before " + w.time(c.Until) + ", the end of planning"
	case model.CauseNeeds:
		return "it needs " + w.activity(c.Activity) + ", which has no place"
	case model.CauseBuffer:
		return "there is no room to wait between its steps"
	case model.CauseNow:
		if c.Constraint == model.C10 {
			return "it runs already"
		}
		return "that time is past; it is " + w.time(c.Until)
	case model.CauseLag:
		if c.Until == 0 {
			return w.activity(c.Activity) + " comes first and cannot be done by then"
		}
	}
	return "it " + w.Cause(c)
}

func (w Words) noCandidate(c *model.Cause) string {
	switch {
	case c.Resource != "":
		return w.resource(c.Resource) + " is nothing that it can use"
	case c.Worker != "":
		return w.worker(c.Worker) + " lacks " + c.Skill
	case c.Skill != "":
		return "there is nothing, or nobody, with " + c.Skill
	}
	return "there is nothing that it can use"
}

func reason(text string) string {
	if text == "" {
		return ""
	}
	return " (" + strings.TrimSpace(text) + ")"
}

func (w Words) time(t model.Time) string { return fmt.Sprint(w.moment(t)) }

func (w Words) moment(t model.Time) any {
	switch {
	case t >= model.Unlimited:
		return phrase("further notice")
	case w.Time == nil:
		return fmt.Sprint(int64(t))
	}
	return w.Time(t)
}

func named[T ~string](name func(T) any, id T) any {
	switch {
	case id == "":
		return phrase("it")
	case name == nil:
		return string(id)
	}
	return name(id)
}

func (w Words) activity(id model.ActivityID) string { return fmt.Sprint(named(w.Activity, id)) }
func (w Words) resource(id model.ResourceID) string { return fmt.Sprint(named(w.Resource, id)) }
func (w Words) worker(id model.WorkerID) string     { return fmt.Sprint(named(w.Worker, id)) }
func (w Words) calendar(id model.CalendarID) string { return fmt.Sprint(named(w.Calendar, id)) }
