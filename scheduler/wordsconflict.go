package scheduler

import (
	"fmt"

	"tickover/scheduler/conflict"
	"tickover/scheduler/model"
)

// Conflict says in one sentence what was asked, why it is impossible, and what
// could be changed.
//
//	Flash of U-17 can't start at 16:40: it takes 40 min, opening hours end at
//	17:00 and Interface 1 is down until 16:50 (leaks); any one of these would
//	have to change
func (w Words) Conflict(c *conflict.Conflict) Text {
	asked := w.asked(c)
	switch {
	case !c.Proved && c.Pin != "":
		return phrase("%s: %s", asked, w.stop(&c.Cause))
	case !c.Proved && c.Earliest < model.Unlimited && c.Earliest <= c.At:
		return phrase("%s because others go first; by itself it could be ready by %s", asked, w.moment(c.Earliest))
	case !c.Proved:
		return phrase("%s; why could not be shown", asked)
	case len(c.Facts) == 0 && c.Pin != "":
		return phrase("%s, whatever else is changed: %s", asked, w.stop(&c.Cause))
	case c.Pin == "" && c.Earliest < model.Unlimited:
		return phrase("%s: %s; the earliest is %s", asked, w.Because(c), w.moment(c.Earliest))
	}
	return phrase("%s: %s", asked, w.Because(c))
}

// Because is the reasons of a proved conflict in one clause: how long the work
// takes, and the facts.
func (w Words) Because(c *conflict.Conflict) Text {
	facts := w.Facts(c)
	reasons := facts
	switch {
	case c.Takes <= 0 || c.Pin != "" && !c.HasStart:
	case c.Pin == "":
		reasons = append([]Text{phrase("what is left of it takes %s", w.length(c.Takes))}, facts...)
	default:
		reasons = append([]Text{phrase("it takes %s", w.length(c.Takes))}, facts...)
	}
	if len(facts) > 1 {
		return phrase("%s; any one of these would have to change", clauses(reasons))
	}
	return clauses(reasons)
}

// asked is the question, answered with no.
func (w Words) asked(c *conflict.Conflict) Text {
	switch {
	case c.Pin == "" && c.Proved:
		return phrase("%s can't be ready by %s, even if it goes first", named(w.Job, c.Job), w.moment(c.At))
	case c.Pin == "":
		return phrase("%s can't be ready by %s", named(w.Job, c.Job), w.moment(c.At))
	case c.HasStart:
		return phrase("%s can't start at %s", named(w.Activity, c.Activity), w.moment(c.At))
	}
	return phrase("The pin of %s can't be kept", named(w.Activity, c.Activity))
}

// Facts are the reasons of a conflict, one clause each.
func (w Words) Facts(c *conflict.Conflict) []Text {
	var out []Text
	for i := range c.Facts {
		out = append(out, w.fact(c, &c.Facts[i]))
	}
	return out
}

func (w Words) fact(c *conflict.Conflict, f *conflict.Fact) Text {
	activity, resource, worker, until := named(w.Activity, f.Activity), named(w.Resource, f.Resource), named(w.Worker, f.Worker), w.moment(f.Until)
	switch f.Kind {
	case conflict.PinFact:
		return w.pinned(c, f)
	case conflict.HoldFact:
		if f.Until >= model.Unlimited {
			return with(phrase("%s is held", w.of(c, f.Activity)), f.Reason)
		}
		return with(phrase("%s is held until %s", w.of(c, f.Activity), until), f.Reason)
	case conflict.ClosureFact:
		return with(w.span(f, resource, phrase("%s is down until %s").Format, phrase("%s is down from %s on").Format, phrase("%s is down from %s to %s").Format), f.Reason)
	case conflict.RunningFact:
		switch {
		case f.Resource != "":
			return phrase("%s is on %s until %s", activity, resource, until)
		case f.Worker != "":
			return phrase("%s is at %s until %s", worker, activity, until)
		}
		return phrase("%s runs until %s", activity, until)
	case conflict.ReleaseFact:
		if f.Activity != "" {
			return phrase("parts of %s come at %s", activity, until)
		}
		return phrase("%s comes in at %s", named(w.Job, f.Job), until)
	case conflict.OrderFact:
		return phrase("%s (%s) comes first", activity, w.length(f.Takes))
	case conflict.CalendarFact:
		return w.edge(f, named(w.Calendar, f.Calendar), phrase("%s never open").Format, phrase("%s open at %s").Format, phrase("%s end at %s").Format)
	case conflict.HoursFact:
		return w.edge(f, resource, phrase("%s never opens").Format, phrase("%s opens at %s").Format, phrase("%s closes at %s").Format)
	case conflict.BreakFact:
		return w.span(f, worker, phrase("%s has a break until %s").Format, phrase("%s has a break from %s on").Format, phrase("%s has a break from %s to %s").Format)
	case conflict.ShiftFact:
		return with(w.shift(f), f.Reason)
	}
	return w.scarce(f)
}

func (w Words) pinned(c *conflict.Conflict, f *conflict.Fact) Text {
	who := w.of(c, f.Activity)
	switch {
	case f.HasStart:
		return phrase("%s is pinned to start at %s", who, w.moment(f.From))
	case f.Worker != "":
		return phrase("%s is pinned to %s", who, named(w.Worker, f.Worker))
	}
	return phrase("%s is pinned to %s", who, named(w.Resource, f.Resource))
}

// scarce tells who or what alone has a skill or a tag.
func (w Words) scarce(f *conflict.Fact) Text {
	var skill any = f.Skill
	if w.Skill != nil {
		skill = w.Skill(f.Skill)
	}
	var names []Text
	for _, id := range f.Workers {
		names = append(names, phrase("%s", named(w.Worker, id)))
	}
	for _, id := range f.Resources {
		names = append(names, phrase("%s", named(w.Resource, id)))
	}
	switch {
	case len(names) == 1:
		return phrase("only %s has %s", names[0], skill)
	case len(names) > 1:
		return phrase("only %s have %s", clauses(names), skill)
	case f.Kind == conflict.SkillFact:
		return phrase("nobody has %s", skill)
	}
	return phrase("no %s has %s", phrase(f.ResourceKind), skill)
}

// of names an activity, "it" when it is the one asked about.
func (w Words) of(c *conflict.Conflict, id model.ActivityID) any {
	if id == c.Activity {
		return phrase("it")
	}
	return named(w.Activity, id)
}

// span is a shut time: the part of it that the question feels.
func (w Words) span(f *conflict.Fact, what any, until, from, both string) Text {
	switch {
	case f.From <= -model.Unlimited:
		return phrase(until, what, w.moment(f.Until))
	case f.Until >= model.Unlimited:
		return phrase(from, what, w.moment(f.From))
	}
	return phrase(both, what, w.moment(f.From), w.moment(f.Until))
}

func (w Words) shift(f *conflict.Fact) Text {
	switch who := named(w.Worker, f.Worker); {
	case f.Until < model.Unlimited && f.Reason == "":
		return w.edge(f, who, phrase("%s never comes").Format, phrase("%s comes at %s").Format, phrase("%s goes home at %s").Format)
	case f.From <= -model.Unlimited && f.Until >= model.Unlimited:
		return phrase("%s is not at work", who)
	default:
		return w.span(f, who, phrase("%s is not at work until %s").Format, phrase("%s is not at work from %s on").Format, phrase("%s is not at work from %s to %s").Format)
	}
}

// edge is the end of shut hours that the question meets: the last one when
// they have begun, else the first one.
func (w Words) edge(f *conflict.Fact, what any, never, opens, closes string) Text {
	switch {
	case f.From <= -model.Unlimited && f.Until >= model.Unlimited:
		return phrase(never, what)
	case f.From <= -model.Unlimited:
		return phrase(opens, what, w.moment(f.Until))
	}
	return phrase(closes, what, w.moment(f.From))
}

func (w Words) length(t model.Time) any {
	if w.Length == nil {
		return fmt.Sprint(int64(t))
	}
	return w.Length(t)
}

// with adds the reason that somebody gave.
func with(t Text, why string) Text {
	if reason(why) == "" {
		return t
	}
	return phrase("%s (%s)", t, why)
}

// clauses joins clauses with commas and "and".
func clauses(items []Text) Text {
	if len(items) == 0 {
		return Text{}
	}
	out := items[0]
	for i, item := range items[1:] {
		join := phrase("%s, %s").Format
		if i == len(items)-2 {
			join = phrase("%s and %s").Format
		}
		out = phrase(join, out, item)
	}
	return out
}
