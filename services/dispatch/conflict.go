package dispatch

import (
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler"
	"tickover/scheduler/conflict"
	"tickover/scheduler/model"
)

// conflictsMax is for how many pins, and for how many late units, a plan says
// what rules them out, unless it is asked for more.
const conflictsMax = 8

// conflicts enters what rules out the pins that fail and the promises that
// can't be kept.
func (s *snapshot) conflicts(raw *model.Plan, p *Plan, limit int) {
	w := s.words()
	sw := w.scheduler()
	units := make(map[queue.UnitID]*UnitForecast, len(p.Units))
	for i := range p.Units {
		units[p.Units[i].Unit] = &p.Units[i]
	}
	for _, c := range conflict.Of(s.p, raw, limit) {
		if !c.Proved {
			continue
		}
		for i := range c.Facts {
			s.absence(&c.Facts[i])
		}
		out := w.conflict(&sw, c)
		if c.Pin == "" {
			units[queue.UnitID(c.Job)].Conflict = out
			continue
		}
		for i := range raw.Pins {
			if raw.Pins[i].Pin != c.Pin {
				continue
			}
			f := &p.Pins[i]
			f.Conflict = out
			switch acc := w.acts[c.Activity].step.Accepted; {
			case len(c.Facts) == 0: // the planner's word says more
			case acc != nil && isAcceptance(c.Pin):
				f.Say = said.Say("%s accepted it, but %s", w.person(model.WorkerID(acc.Technician)), sayable(sw.Because(c)))
			default:
				f.Say = out.Say
			}
			f.Why = f.Say.String()
		}
	}
}

// absence is the reason for which a technician is off.
func (s *snapshot) absence(f *conflict.Fact) {
	if f.Kind != conflict.ShiftFact {
		return
	}
	for _, a := range s.st.Absences[queue.PersonID(f.Worker)] {
		if s.down(a.From) < f.Until && f.From < s.up(a.Until) && a.Reason != "" {
			f.Reason = a.Reason
		}
	}
}

func (w *words) conflict(sw *scheduler.Words, c *conflict.Conflict) *Conflict {
	out := &Conflict{Say: sayable(sw.Conflict(c)), Smallest: c.Smallest}
	out.Text = out.Say.String()
	texts := sw.Facts(c)
	for i := range c.Facts {
		f := &c.Facts[i]
		k := ConflictCause{Kind: f.Kind.String(), Resource: queue.ResourceID(f.Resource), Technician: queue.PersonID(f.Worker), Say: sayable(texts[i])}
		k.Text = k.Say.String()
		if ref, ok := w.acts[f.Activity]; ok {
			k.Unit, k.Step = ref.unit.ID, ref.step.ID
		} else if f.Kind == conflict.ReleaseFact {
			k.Unit = queue.UnitID(f.Job)
		}
		if f.Kind != conflict.SkillFact && f.Kind != conflict.TagFact && f.Kind != conflict.OrderFact {
			k.From, k.Until = w.moment(f.From), w.moment(f.Until)
		}
		out.Causes = append(out.Causes, k)
	}
	return out
}

// moment is nil for no moment: never, always, or a pin without a start.
func (w *words) moment(t model.Time) *time.Time {
	if t == 0 || t <= -farAway || t >= farAway {
		return nil
	}
	at := w.at(t)
	return &at
}

// sayable is a text of the scheduler with all that is in it.
func sayable(t scheduler.Text) said.Text {
	out := said.Text{Format: t.Format, Args: make([]any, len(t.Args))}
	for i, a := range t.Args {
		if within, ok := a.(scheduler.Text); ok {
			a = sayable(within)
		}
		out.Args[i] = a
	}
	return out
}

// scheduler are the words of package scheduler with the shop's names.
func (w *words) scheduler() scheduler.Words {
	return scheduler.Words{
		Time:     func(t model.Time) any { return w.clock(t) },
		Length:   func(t model.Time) any { return said.Length(time.Duration(t) * time.Minute) },
		Activity: func(id model.ActivityID) any { return w.step(id, "") },
		Resource: func(id model.ResourceID) any { return w.resource(id) },
		Worker:   func(id model.WorkerID) any { return w.person(id) },
		Calendar: calendarWord,
		Skill: func(s string) any {
			if family, ok := familyOf(s); ok {
				return said.Say("controller family %s", family)
			}
			return said.Say("“%s”", s)
		},
	}
}
