package dispatch

import (
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler/model"
)

// words puts causes into a technician's words, with the shop's clock.
type words struct {
	ticks
	shop *queue.Shop
	loc  *time.Location
	acts map[model.ActivityID]stepRef
	held map[string]said.Text
}

// stepRef is what an activity is in the shop.
type stepRef struct {
	unit *queue.Unit
	step *queue.Step
	op   *queue.Operation
}

func (s *snapshot) words() *words {
	w := &words{ticks: s.ticks, shop: s.shop, loc: s.a.Location(), acts: map[model.ActivityID]stepRef{}, held: s.held}
	for _, u := range s.units {
		for i := range u.Steps {
			st := &u.Steps[i]
			w.acts[activityID(u.ID, st.ID)] = stepRef{u, st, s.shop.Operation(st.Operation)}
		}
	}
	return w
}

// causesMax is how many binding limits are told.
const causesMax = 3

// why tells what a start waited for, the latest limit first. Limits that lift
// after the start stood in the way of others who might have done it; they are
// told when there is nothing else to tell.
func (w *words) why(a *model.Assignment) said.Text {
	var own, others []said.Text
	type limit struct {
		own      bool
		kind     model.CauseKind
		worker   model.WorkerID
		resource model.ResourceID
	}
	told := map[limit]bool{}
	for i := range a.Why {
		c := &a.Why[i]
		l := limit{c.Until <= a.Start, c.Kind, c.Worker, c.Resource}
		if told[l] && (c.Worker != "" || c.Resource != "") {
			continue // busy before that, too
		}
		told[l] = true
		text := w.cause(a.Activity, c)
		if l.own {
			own = append(own, text)
		} else {
			others = append(others, text)
		}
	}
	if len(own) == 0 {
		own = others
	}
	return reasons(own[:min(len(own), causesMax)])
}

// reasons are several causes, one after the other.
func reasons(texts []said.Text) said.Text {
	join := said.Say("%s; %s").Format
	return said.List(join, join, texts...)
}

// clock is a moment, to be told by the reader's clock in the shop's zone.
func (w *words) clock(t model.Time) said.Moment { return said.When(w.at(t), w.now.In(w.loc)) }

// step names a step: without its unit when that is the one spoken of.
func (w *words) step(id, of model.ActivityID) said.Text {
	ref, ok := w.acts[id]
	if !ok {
		return said.Say("%s", string(id))
	}
	name := string(ref.step.ID)
	if ref.op != nil {
		name = ref.op.Name
	}
	if own, ok := w.acts[of]; ok && own.unit == ref.unit {
		return said.Say("“%s”", name)
	}
	return said.Say("“%s” of %s", name, string(ref.unit.ID))
}

func (w *words) resource(id model.ResourceID) string {
	return w.shop.ResourceName(queue.ResourceID(id))
}

func (w *words) person(id model.WorkerID) string {
	return w.shop.TechnicianName(queue.PersonID(id))
}

// cause tells one limit on the activity a.
func (w *words) cause(a model.ActivityID, c *model.Cause) said.Text {
	until := w.clock(c.Until)
	switch c.Kind {
	case model.CauseRelease:
		return w.release(a, c)
	case model.CauseNow:
		return said.Say("nothing is in the way")
	case model.CauseKept:
		return said.Say("keeps its place in the plan at %s", until)
	case model.CauseLag:
		return said.Say("comes after %s, until %s", w.step(c.Activity, a), until)
	case model.CauseJobBusy:
		return said.Say("the unit is in %s until %s", w.step(c.Activity, a), until)
	case model.CauseResource:
		return said.Say("%s is taken by %s until %s", w.resource(c.Resource), w.step(c.Activity, a), until)
	case model.CauseClosed:
		return said.Say("%s opens at %s (daylight, quiet hours)", w.resource(c.Resource), until)
	case model.CauseClosure:
		if c.Until >= farAway {
			return said.Say("%s is closed: %s", w.resource(c.Resource), c.Reason)
		}
		return said.Say("%s is closed until %s: %s", w.resource(c.Resource), until, c.Reason)
	case model.CauseWorker:
		return said.Say("%s is busy with %s until %s", w.person(c.Worker), w.step(c.Activity, a), until)
	case model.CauseShift:
		return w.shift(c)
	case model.CauseCalendar:
		return said.Say("has to lie within %s, which start at %s", calendarWord(c.Calendar), until)
	case model.CausePresence:
		return said.Say("nobody is on site before %s", until)
	case model.CauseHold:
		return w.hold(c.Reason)
	case model.CausePin:
		return said.Say("the foreman fixed its start at %s", until)
	}
	return w.blocked(a, c)
}

// blocked tells the limits that stop a step altogether.
func (w *words) blocked(a model.ActivityID, c *model.Cause) said.Text {
	switch c.Kind {
	case model.CauseBuffer:
		return said.Say("no unit more has room to wait in the yard")
	case model.CauseNoCandidate:
		return w.noCandidate(c)
	case model.CauseStock:
		return said.Say("%s is used up", w.resource(c.Resource))
	case model.CauseHorizon:
		return said.Say("does not fit before %s, where the plan ends", w.clock(c.Until))
	case model.CauseNeeds:
		return said.Say("%s, which comes before it, is not planned", w.step(c.Activity, a))
	case model.CauseWait:
		return said.Say("nobody would be there when its hands-off time ends")
	case model.CauseMaxLag:
		return said.Say("%s is too long ago", w.step(c.Activity, a))
	}
	return said.Say("no place in the plan keeps all its rules")
}

func (w *words) hold(reason string) said.Text {
	if t, ok := w.held[reason]; ok {
		return t
	}
	return said.Say("%s", reason)
}

func (w *words) release(a model.ActivityID, c *model.Cause) said.Text {
	ref, ok := w.acts[a]
	if ok {
		if part, waits := ref.unit.Parts[ref.step.ID]; waits && w.up(part) == c.Until {
			return said.Say("its part is due %s", w.clock(c.Until))
		}
		if w.up(ref.unit.Arrived) == c.Until {
			return said.Say("the unit came in %s", w.clock(c.Until))
		}
	}
	return said.Say("may not start before %s", w.clock(c.Until))
}

func (w *words) shift(c *model.Cause) said.Text {
	never := c.Until >= w.down(w.until)
	switch {
	case never && c.Worker != "":
		return said.Say("%s is not at work before %s, where the plan ends", w.person(c.Worker), w.clock(c.Until))
	case c.Worker != "":
		return said.Say("%s is at work again from %s", w.person(c.Worker), w.clock(c.Until))
	case c.Skill != "":
		return said.Say("nobody with the skill “%s” is at work before %s", c.Skill, w.clock(c.Until))
	}
	return said.Say("nobody is at work before %s", w.clock(c.Until))
}

func (w *words) noCandidate(c *model.Cause) said.Text {
	family, isFamily := familyOf(c.Skill)
	switch {
	case isFamily:
		return said.Say("no interface speaks to controllers of the family %s", family)
	case c.Resource != "":
		return said.Say("%s does not fit (%s)", w.resource(c.Resource), c.Skill)
	case c.Worker != "":
		return said.Say("%s lacks the skill “%s”", w.person(c.Worker), c.Skill)
	case c.Skill != "":
		return said.Say("the shop has none with “%s”", c.Skill)
	}
	return said.Say("the shop has none that fits")
}

func calendarWord(id model.CalendarID) any {
	switch id {
	case calendarOutdoor:
		return said.Say("daylight outside quiet hours")
	case calendarOpen:
		return said.Say("opening hours")
	}
	return string(id)
}
