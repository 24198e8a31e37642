package dispatch

import (
	"fmt"
	"time"

	"tickover/queue"
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
				f.Why = fmt.Sprintf("%s accepted it, but %s", w.person(model.WorkerID(acc.Technician)), sw.Because(c))
			default:
				f.Why = out.Text
			}
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
	out := &Conflict{Text: sw.Conflict(c), Smallest: c.Smallest}
	texts := sw.Facts(c)
	for i := range c.Facts {
		f := &c.Facts[i]
		k := ConflictCause{Kind: f.Kind.String(), Resource: queue.ResourceID(f.Resource), Technician: queue.PersonID(f.Worker), Text: texts[i]}
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

// scheduler are the words of package scheduler with the shop's names.
func (w *words) scheduler() scheduler.Words {
	return scheduler.Words{
		Time:     w.clock,
		Length:   length,
		Activity: func(id model.ActivityID) string { return w.step(id, "") },
		Resource: w.resource,
		Worker:   w.person,
		Calendar: calendarWord,
		Skill: func(s string) string {
			if family, ok := familyOf(s); ok {
				return "controller family " + family
			}
			return fmt.Sprintf("%q", s)
		},
	}
}

// length writes minutes: "40 min", "3 h 10 min".
func length(t model.Time) string {
	switch h, m := t/60, t%60; {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	default:
		return fmt.Sprintf("%d h %d min", h, m)
	}
}
