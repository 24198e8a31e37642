package dispatch

import (
	"fmt"
	"strings"
	"time"

	"tickover/queue"
	"tickover/scheduler/model"
)

// words puts causes into a technician's words, with the shop's clock.
type words struct {
	ticks
	shop *queue.Shop
	loc  *time.Location
	acts map[model.ActivityID]stepRef
}

// stepRef is what an activity is in the shop.
type stepRef struct {
	unit *queue.Unit
	step *queue.Step
	op   *queue.Operation
}

func (s *snapshot) words() *words {
	w := &words{ticks: s.ticks, shop: s.shop, loc: s.a.Location(), acts: map[model.ActivityID]stepRef{}}
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
func (w *words) why(a *model.Assignment) string {
	var own, others []string
	for i := range a.Why {
		text := w.cause(a.Activity, &a.Why[i])
		if a.Why[i].Until <= a.Start {
			own = append(own, text)
		} else {
			others = append(others, text)
		}
	}
	if len(own) == 0 {
		own = others
	}
	return strings.Join(own[:min(len(own), causesMax)], "; ")
}

// clock writes a moment as the shop's wall clock shows it, with the day when
// it is not today.
func (w *words) clock(t model.Time) string {
	at, today := w.at(t).In(w.loc), w.now.In(w.loc)
	days := calendarDays(today, at)
	switch {
	case days == 0:
		return at.Format("15:04")
	case days == 1:
		return "tomorrow " + at.Format("15:04")
	case days > 1 && days < 7:
		return at.Format("Mon 15:04")
	}
	return at.Format("Mon 2 Jan 15:04")
}

func calendarDays(from, to time.Time) int {
	day := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	return int(day(to).Sub(day(from)) / (24 * time.Hour))
}

// step names a step: without its unit when that is the one spoken of.
func (w *words) step(id, of model.ActivityID) string {
	ref, ok := w.acts[id]
	if !ok {
		return string(id)
	}
	name := string(ref.step.ID)
	if ref.op != nil {
		name = ref.op.Name
	}
	name = lowerFirst(name)
	if own, ok := w.acts[of]; ok && own.unit == ref.unit {
		return `"` + name + `"`
	}
	return fmt.Sprintf(`"%s" of %s`, name, ref.unit.ID)
}

func lowerFirst(s string) string {
	if len(s) > 1 && s[0] >= 'A' && s[0] <= 'Z' && s[1] >= 'a' && s[1] <= 'z' {
		return string(s[0]+'a'-'A') + s[1:]
	}
	return s
}

func (w *words) resource(id model.ResourceID) string {
	if r := w.shop.Resource(queue.ResourceID(id)); r != nil && r.Name != "" {
		return r.Name
	}
	return string(id)
}

func (w *words) person(id model.WorkerID) string {
	if t := w.shop.Technician(queue.PersonID(id)); t != nil && t.Name != "" {
		return t.Name
	}
	return string(id)
}

// cause tells one limit on the activity a.
func (w *words) cause(a model.ActivityID, c *model.Cause) string {
	until := func() string { return w.clock(c.Until) }
	switch c.Kind {
	case model.CauseRelease:
		return w.release(a, c)
	case model.CauseNow:
		return "nothing is in the way"
	case model.CauseKept:
		return "keeps its place in the plan at " + until()
	case model.CauseLag:
		return fmt.Sprintf("comes after %s, until %s", w.step(c.Activity, a), until())
	case model.CauseJobBusy:
		return fmt.Sprintf("the unit is in %s until %s", w.step(c.Activity, a), until())
	case model.CauseResource:
		return fmt.Sprintf("%s is taken by %s until %s", w.resource(c.Resource), w.step(c.Activity, a), until())
	case model.CauseClosed:
		return fmt.Sprintf("%s opens at %s (daylight, quiet hours)", w.resource(c.Resource), until())
	case model.CauseClosure:
		if c.Until >= farAway {
			return fmt.Sprintf("%s is closed: %s", w.resource(c.Resource), c.Reason)
		}
		return fmt.Sprintf("%s is closed until %s: %s", w.resource(c.Resource), until(), c.Reason)
	case model.CauseWorker:
		return fmt.Sprintf("%s is busy with %s until %s", w.person(c.Worker), w.step(c.Activity, a), until())
	case model.CauseShift:
		return w.shift(c)
	case model.CauseCalendar:
		return fmt.Sprintf("has to lie within %s, which start at %s", calendarWord(c.Calendar), until())
	case model.CausePresence:
		return fmt.Sprintf("nobody is on site before %s", until())
	case model.CauseHold:
		return c.Reason
	case model.CausePin:
		return fmt.Sprintf("the foreman fixed its start at %s", until())
	}
	return w.blocked(a, c)
}

// blocked tells the limits that stop a step altogether.
func (w *words) blocked(a model.ActivityID, c *model.Cause) string {
	switch c.Kind {
	case model.CauseBuffer:
		return "no unit more has room to wait in the yard"
	case model.CauseNoCandidate:
		return w.noCandidate(c)
	case model.CauseStock:
		return w.resource(c.Resource) + " is used up"
	case model.CauseHorizon:
		return fmt.Sprintf("does not fit before %s, where the plan ends", w.clock(c.Until))
	case model.CauseNeeds:
		return fmt.Sprintf("%s, which comes before it, is not planned", w.step(c.Activity, a))
	case model.CauseWait:
		return "nobody would be there when its hands-off time ends"
	case model.CauseMaxLag:
		return fmt.Sprintf("%s is too long ago", w.step(c.Activity, a))
	}
	return c.Constraint.Text()
}

func (w *words) release(a model.ActivityID, c *model.Cause) string {
	ref, ok := w.acts[a]
	if ok {
		if part, waits := ref.unit.Parts[ref.step.ID]; waits && w.up(part) == c.Until {
			return "its part is due at " + w.clock(c.Until)
		}
		if w.up(ref.unit.Arrived) == c.Until {
			return "the unit came in at " + w.clock(c.Until)
		}
	}
	return "may not start before " + w.clock(c.Until)
}

func (w *words) shift(c *model.Cause) string {
	never := c.Until >= w.down(w.until)
	switch {
	case never && c.Worker != "":
		return fmt.Sprintf("%s is not at work before %s, where the plan ends", w.person(c.Worker), w.clock(c.Until))
	case c.Worker != "":
		return fmt.Sprintf("%s is at work again at %s", w.person(c.Worker), w.clock(c.Until))
	case c.Skill != "":
		return fmt.Sprintf("nobody with the skill %q is at work before %s", c.Skill, w.clock(c.Until))
	}
	return "nobody is at work before " + w.clock(c.Until)
}

func (w *words) noCandidate(c *model.Cause) string {
	switch {
	case strings.HasPrefix(c.Skill, familyTag("")):
		return "no interface speaks to controller " + c.Skill
	case c.Resource != "":
		return fmt.Sprintf("%s does not fit (%s)", w.resource(c.Resource), c.Skill)
	case c.Worker != "":
		return fmt.Sprintf("%s lacks the skill %q", w.person(c.Worker), c.Skill)
	case c.Skill != "":
		return fmt.Sprintf("the shop has none with %q", c.Skill)
	}
	return "the shop has none that fits"
}

func calendarWord(id model.CalendarID) string {
	if id == calendarOutdoor {
		return "daylight outside quiet hours"
	}
	return string(id)
}
