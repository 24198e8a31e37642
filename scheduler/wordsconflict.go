package scheduler

import (
	"fmt"
	"slices"
	"strings"

	"tickover/scheduler/conflict"
	"tickover/scheduler/model"
)

// Conflict says in one sentence what was asked, why it is impossible, and what
// could be changed.
//
//	Flash of U-17 can't start at 16:40: it takes 40 min, opening hours end at
//	17:00 and Interface 1 is down until 16:50 (leaks); any one of these would
//	have to change.
func (w Words) Conflict(c *conflict.Conflict) string {
	asked := w.asked(c)
	switch {
	case !c.Proved && c.Pin != "":
		return asked + ": " + w.stop(&c.Cause)
	case !c.Proved && c.Earliest < model.Unlimited && c.Earliest <= c.At:
		return asked + " because others go first; by itself it could be ready by " + w.time(c.Earliest)
	case !c.Proved:
		return asked + "; why could not be shown"
	case len(c.Facts) == 0 && c.Pin != "":
		return asked + ", whatever else is changed: " + w.stop(&c.Cause)
	}
	text := asked + ": " + w.Because(c)
	if c.Pin == "" && c.Earliest < model.Unlimited {
		text += "; the earliest is " + w.time(c.Earliest)
	}
	return text
}

// Because is the reasons of a proved conflict in one clause: how long the work
// takes, and the facts.
func (w Words) Because(c *conflict.Conflict) string {
	reasons := w.Facts(c)
	more := ""
	if len(reasons) > 1 {
		more = "; any one of these would have to change"
	}
	switch {
	case c.Takes <= 0 || c.Pin != "" && !c.HasStart:
	case c.Pin == "":
		reasons = slices.Insert(reasons, 0, "what is left of it takes "+w.length(c.Takes))
	default:
		reasons = slices.Insert(reasons, 0, "it takes "+w.length(c.Takes))
	}
	return list(reasons) + more
}

// asked is the question, answered with no.
func (w Words) asked(c *conflict.Conflict) string {
	switch {
	case c.Pin == "":
		first := ""
		if c.Proved {
			first = ", even if it goes first"
		}
		return capital(named(w.Job, c.Job)) + " can't be ready by " + w.time(c.At) + first
	case c.HasStart:
		return capital(w.activity(c.Activity)) + " can't start at " + w.time(c.At)
	}
	return "The pin of " + w.activity(c.Activity) + " can't be kept"
}

// Facts are the reasons of a conflict, one clause each.
func (w Words) Facts(c *conflict.Conflict) []string {
	var out []string
	for i := range c.Facts {
		out = append(out, w.fact(c, &c.Facts[i]))
	}
	return out
}

func (w Words) fact(c *conflict.Conflict, f *conflict.Fact) string {
	switch f.Kind {
	case conflict.PinFact:
		return w.pinned(c, f)
	case conflict.HoldFact:
		if f.Until >= model.Unlimited {
			return w.of(c, f.Activity) + " is held" + reason(f.Reason)
		}
		return w.of(c, f.Activity) + " is held until " + w.time(f.Until) + reason(f.Reason)
	case conflict.ClosureFact:
		return w.resource(f.Resource) + " is down " + w.span(f) + reason(f.Reason)
	case conflict.RunningFact:
		switch {
		case f.Resource != "":
			return w.activity(f.Activity) + " is on " + w.resource(f.Resource) + " until " + w.time(f.Until)
		case f.Worker != "":
			return w.worker(f.Worker) + " is at " + w.activity(f.Activity) + " until " + w.time(f.Until)
		}
		return w.activity(f.Activity) + " runs until " + w.time(f.Until)
	case conflict.ReleaseFact:
		if f.Activity != "" {
			return "parts of " + w.activity(f.Activity) + " come at " + w.time(f.Until)
		}
		return named(w.Job, f.Job) + " comes in at " + w.time(f.Until)
	case conflict.OrderFact:
		return w.activity(f.Activity) + " (" + w.length(f.Takes) + ") comes first"
	case conflict.CalendarFact:
		return w.edge(f, w.calendar(f.Calendar), "open", "end")
	case conflict.HoursFact:
		return w.edge(f, w.resource(f.Resource), "opens", "closes")
	case conflict.BreakFact:
		return w.worker(f.Worker) + " has a break " + w.span(f)
	case conflict.ShiftFact:
		return w.shift(f) + reason(f.Reason)
	}
	return w.scarce(f)
}

func (w Words) pinned(c *conflict.Conflict, f *conflict.Fact) string {
	who := w.of(c, f.Activity)
	switch {
	case f.HasStart:
		return who + " is pinned to start at " + w.time(f.From)
	case f.Worker != "":
		return who + " is pinned to " + w.worker(f.Worker)
	}
	return who + " is pinned to " + w.resource(f.Resource)
}

// scarce tells who or what alone has a skill or a tag.
func (w Words) scarce(f *conflict.Fact) string {
	skill := f.Skill
	if w.Skill != nil {
		skill = w.Skill(skill)
	}
	var names []string
	for _, id := range f.Workers {
		names = append(names, w.worker(id))
	}
	for _, id := range f.Resources {
		names = append(names, w.resource(id))
	}
	switch {
	case len(names) > 0:
		verb := " have "
		if len(names) == 1 {
			verb = " has "
		}
		return "only " + list(names) + verb + skill
	case f.Kind == conflict.SkillFact:
		return "nobody has " + skill
	}
	return "no " + f.ResourceKind + " has " + skill
}

// of names an activity, "it" when it is the one asked about.
func (w Words) of(c *conflict.Conflict, id model.ActivityID) string {
	if id == c.Activity {
		return "it"
	}
	return w.activity(id)
}

// span is a shut time: the part of it that the question feels.
func (w Words) span(f *conflict.Fact) string {
	switch {
	case f.From <= -model.Unlimited:
		return "until " + w.time(f.Until)
	case f.Until >= model.Unlimited:
		return "from " + w.time(f.From) + " on"
	}
	return "from " + w.time(f.From) + " to " + w.time(f.Until)
}

func (w Words) shift(f *conflict.Fact) string {
	switch who := w.worker(f.Worker); {
	case f.Until < model.Unlimited && f.Reason == "":
		return w.edge(f, who, "comes", "goes home")
	case f.From <= -model.Unlimited && f.Until >= model.Unlimited:
		return who + " is not at work"
	default:
		return who + " is not at work " + w.span(f)
	}
}

// edge is the end of shut hours that the question meets: the last one when
// they have begun, else the first one.
func (w Words) edge(f *conflict.Fact, what, opens, closes string) string {
	switch {
	case f.From <= -model.Unlimited && f.Until >= model.Unlimited:
		return what + " never " + opens
	case f.From <= -model.Unlimited:
		return what + " " + opens + " at " + w.time(f.Until)
	}
	return what + " " + closes + " at " + w.time(f.From)
}

func (w Words) length(t model.Time) string {
	if w.Length == nil {
		return fmt.Sprint(int64(t))
	}
	return w.Length(t)
}

// list joins clauses with commas and "and".
func list(items []string) string {
	if len(items) < 2 {
		return strings.Join(items, "")
	}
	return strings.Join(items[:len(items)-1], ", ") + " and " + items[len(items)-1]
}

func capital(s string) string {
	i := 0
	if strings.HasPrefix(s, `"`) {
		i = 1
	}
	if len(s) <= i || s[i] < 'a' || s[i] > 'z' {
		return s
	}
	return s[:i] + string(s[i]-'a'+'A') + s[i+1:]
}
