package timesheet

import (
	"time"

	"tickover/metrics/labour"
	"tickover/queue"
)

// Stretch is one hands-on or hands-off piece of a run, as it was seen.
type Stretch struct {
	Unit        queue.UnitID
	Step        queue.StepID
	Operation   *queue.Operation // as the shop file had it then
	Index       int              // of the stretch in it
	Model       string           // of the machine, see [ModelOf]
	Technician  queue.PersonID   // who began it; of a hands-off one nobody
	Start, End  time.Time
	Worked      time.Duration // from start to end without pauses
	Running     bool          // it was not over
	Failed      bool          // it ended because the step failed or was left out
	Doubt       labour.Doubt
	ClockDoubt  bool     // a clock was wrong at its start or its end
	AirC, WarmC *float64 // °C, read at the end of its run: outside, and of the coolant
}

// Stretches are all stretches that began by what the queue had heard before a
// moment, in the order of the log. What was not over by then runs, and ends at
// the moment.
func (s *Sheet) Stretches(before time.Time) []Stretch {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []Stretch
	for _, r := range s.runs {
		for i := range r.marks {
			m := &r.marks[i]
			if !m.heard.Before(before) {
				break
			}
			if m.stretch < len(r.op.Stretches) {
				out = append(out, s.stretch(r, i, before))
			}
		}
	}
	return out
}

func (s *Sheet) stretch(r *run, i int, before time.Time) Stretch {
	m := &r.marks[i]
	x := Stretch{Unit: r.unit, Step: r.step, Operation: r.op, Index: m.stretch, Model: r.model, Start: m.at, End: r.end, ClockDoubt: m.doubted}
	switch {
	case i+1 < len(r.marks) && r.marks[i+1].heard.Before(before):
		x.End = r.marks[i+1].at
		x.ClockDoubt = x.ClockDoubt || r.marks[i+1].doubted
	case i+1 < len(r.marks) || r.end.IsZero() || !r.heard.Before(before):
		x.Running, x.End = true, before
	default:
		x.Failed, x.ClockDoubt = !r.done, x.ClockDoubt || r.doubted
	}
	if r.done && !r.end.IsZero() && r.heard.Before(before) {
		x.AirC, x.WarmC = r.airC, r.warmC
	}
	if x.End.Before(x.Start) {
		x.End = x.Start
	}
	of := &r.op.Stretches[m.stretch]
	if !of.HandsOn {
		x.Worked = x.End.Sub(x.Start)
		return x
	}
	x.Technician = m.who
	p := labour.Piece{Technician: string(m.who), Start: x.Start, End: x.End, Standard: of.Duration}
	s.work(&p, of.Splittable)
	x.Worked, x.Doubt = p.Time(), p.Doubt
	return x
}
