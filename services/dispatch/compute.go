package dispatch

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/scheduler"
	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/services/almanac"
)

// ComputeOptions bound the effort of a plan. The zero value gives the first
// good plan.
type ComputeOptions struct {
	SnapshotOptions
	// Schedules is the search effort, as scheduler.Options has it.
	Schedules int
	Seed      uint64
	Threads   int
	// Check judges the plan by the independent checker.
	Check bool
	// Anew looks for a plan though the one in force may still stand.
	Anew bool
	// Conflicts is for how many pins that fail and how many late units the
	// plan says what rules them out; 0: 8, negative: none.
	Conflicts int
}

// Computed is a plan and what it was made of.
type Computed struct {
	Plan *Plan
	// Violations of C1…C14 that the checker found; only with Check, and none
	// unless the planner is wrong.
	Violations []check.Violation
	Problem    *model.Problem
	Raw        *model.Plan
	// HorizonDays is the horizon that was needed.
	HorizonDays int
}

// Compute plans a state at a moment. A step that does not fit is in
// Plan.Unplaced; an error means that the state makes no sense.
func Compute(ctx context.Context, st *queue.State, a *almanac.Almanac, now time.Time, prev *Plan, o ComputeOptions) (*Plan, error) {
	c, err := ComputeAll(ctx, st, a, now, prev, o)
	if err != nil {
		return nil, err
	}
	return c.Plan, nil
}

// ComputeAll is Compute with everything that it came by. The horizon is
// doubled, within bounds, as long as that places more.
func ComputeAll(ctx context.Context, st *queue.State, a *almanac.Almanac, now time.Time, prev *Plan, o ComputeOptions) (*Computed, error) {
	days := orDefault(o.HorizonDays, horizonDays)
	var last *Computed
	for {
		o.HorizonDays = days
		c, err := computeOnce(ctx, st, a, now, prev, o)
		if err != nil {
			return nil, err
		}
		if last != nil && len(c.Raw.Unplaced) >= len(last.Raw.Unplaced) {
			return last, nil
		}
		last = c
		if !beyondHorizon(c.Raw) || days >= horizonDaysMax || c.Raw.Cut {
			return c, nil
		}
		days = min(2*days, horizonDaysMax)
	}
}

func computeOnce(ctx context.Context, st *queue.State, a *almanac.Almanac, now time.Time, prev *Plan, o ComputeOptions) (*Computed, error) {
	s, err := takeSnapshot(st, a, now, prev, o.SnapshotOptions)
	if err != nil {
		return nil, err
	}
	if o.Anew {
		s.p.PreviousJobs = nil
	}
	event, idle := scheduler.Effort(s.p)
	switch o.Schedules {
	case eventEffort:
		o.Schedules = event
	case idleEffort:
		o.Schedules = idle
	}
	raw, err := scheduler.Plan(ctx, s.p, scheduler.Options{Schedules: o.Schedules, Seed: o.Seed, Threads: o.Threads})
	if err != nil {
		return nil, fmt.Errorf("plan site %s at entry %d: %w", st.Site, st.Seq, err)
	}
	c := &Computed{Plan: s.render(raw), Problem: s.p, Raw: raw, HorizonDays: o.HorizonDays}
	if o.Conflicts >= 0 {
		s.conflicts(raw, c.Plan, orDefault(o.Conflicts, conflictsMax))
	}
	if o.Check {
		c.Violations = check.Plan(s.p, raw)
	}
	return c, nil
}

func beyondHorizon(p *model.Plan) bool {
	return slices.ContainsFunc(p.Unplaced, func(u model.Unplaced) bool { return u.Cause.Kind == model.CauseHorizon })
}

// render puts a plan into the shop's words.
func (s *snapshot) render(raw *model.Plan) *Plan {
	w := s.words()
	p := &Plan{
		Site: s.st.Site, Seq: s.st.Seq, Made: s.now.UTC(), Until: s.until.UTC(), Seed: raw.Seed,
		Steps: []PlannedStep{}, Units: []UnitForecast{}, Cost: costOf(raw),
	}
	for i := range raw.Assignments {
		ps := w.planned(&raw.Assignments[i])
		ps.Length = s.learnt[raw.Assignments[i].Activity]
		p.Steps = append(p.Steps, ps)
	}
	for i := range raw.Unplaced {
		x := &raw.Unplaced[i]
		ref := w.acts[x.Activity]
		why := w.cause(x.Activity, &x.Cause)
		un := UnplacedStep{Unit: ref.unit.ID, Step: ref.step.ID, Constraint: x.Constraint.String(), Why: why.String(), Say: why}
		if x.Cause.Kind == model.CauseNeeds {
			un.After = w.acts[x.Cause.Activity].step.ID
		}
		p.Unplaced = append(p.Unplaced, un)
	}
	for i := range raw.Pins {
		x := &raw.Pins[i]
		ref := w.acts[x.Activity]
		why := w.pin(x)
		p.Pins = append(p.Pins, FailedPin{
			Unit: ref.unit.ID, Step: ref.step.ID, Constraint: x.Constraint.String(), Why: why.String(), Say: why,
		})
	}
	p.Pins = append(p.Pins, s.lostPins()...)
	p.Units = s.forecasts(raw)
	return p
}

func costOf(raw *model.Plan) Cost {
	f := func(c model.Cost) float64 { return float64(c) / 1000 }
	c := raw.Cost
	return Cost{
		J: f(c.Total), Late: f(c.Tardiness), Flow: f(c.Flow), Moved: f(c.Moves),
		AcceptedMove: f(c.Reassigned), Bound: f(raw.Bound),
	}
}

func (w *words) planned(a *model.Assignment) PlannedStep {
	ref := w.acts[a.Activity]
	ps := PlannedStep{
		Unit: ref.unit.ID, Step: ref.step.ID, Operation: ref.step.Operation, Kind: ref.step.Kind,
		Start: w.at(a.Start), End: w.at(a.End), Running: a.Running, Accepted: ref.step.Accepted != nil,
	}
	for _, r := range a.Held {
		ps.Resources = append(ps.Resources, queue.ResourceID(r))
	}
	for i, x := range a.Stretches {
		s := PlannedStretch{Start: w.at(x.Start), End: w.at(x.End)}
		s.HandsOn = i < len(ref.op.Stretches) && ref.op.Stretches[i].HandsOn
		for _, t := range x.Workers {
			s.Technicians = append(s.Technicians, queue.PersonID(t))
		}
		for _, part := range x.Parts {
			s.Parts = append(s.Parts, StretchPart{w.at(part.Start), w.at(part.End)})
		}
		ps.Stretches = append(ps.Stretches, s)
	}
	present := 0
	if a.Running {
		present = ref.step.Stretch
	}
	ps.Technician = ps.technician(present, ref.step.Accepted)
	if !a.Running {
		ps.Say = w.why(a)
		ps.Why = ps.Say.String()
	}
	return ps
}

// technician is who does the first hands-on stretch from the present one on;
// of a crew the one who accepted.
func (ps *PlannedStep) technician(present int, acc *queue.Acceptance) queue.PersonID {
	for i := present; i < len(ps.Stretches); i++ {
		crew := ps.Stretches[i].Technicians
		if len(crew) == 0 {
			continue
		}
		if acc != nil && slices.Contains(crew, acc.Technician) {
			return acc.Technician
		}
		return crew[0]
	}
	return ""
}

// pin tells of a pin that does not hold: a foreman's, or an acceptance.
func (w *words) pin(x *model.PinFailure) said.Text {
	why := w.cause(x.Activity, &x.Cause)
	if acc := w.acts[x.Activity].step.Accepted; acc != nil && isAcceptance(x.Pin) {
		return said.Say("%s accepted it, but %s", w.person(model.WorkerID(acc.Technician)), why)
	}
	return why
}

// isAcceptance: the pin is that of a technician who accepted the step.
func isAcceptance(id model.PinID) bool { return strings.HasPrefix(string(id), "accepted") }

// lostPins are pins to what the shop file no longer has.
func (s *snapshot) lostPins() []FailedPin {
	var out []FailedPin
	for _, u := range s.units {
		for i := range u.Steps {
			st := &u.Steps[i]
			if st.Pin == nil || st.Status != queue.Todo {
				continue
			}
			lost := func(what string) {
				why := said.Say("%s is no longer in the shop file", what)
				out = append(out, FailedPin{Unit: u.ID, Step: st.ID, Constraint: model.C11.String(), Why: why.String(), Say: why})
			}
			for _, r := range st.Pin.Resources {
				if s.shop.Resource(r) == nil {
					lost(string(r))
				}
			}
			if t := st.Pin.Technician; t != "" && s.shop.Technician(t) == nil {
				lost(string(t))
			}
		}
	}
	return out
}

// forecasts says when each unit in the shop is ready; one without open steps
// was ready when its last step ended.
func (s *snapshot) forecasts(raw *model.Plan) []UnitForecast {
	outcome := map[queue.UnitID]*model.JobOutcome{}
	for i := range raw.Jobs {
		outcome[queue.UnitID(raw.Jobs[i].Job)] = &raw.Jobs[i]
	}
	out := make([]UnitForecast, 0, len(s.units))
	for _, u := range s.units {
		f := UnitForecast{Unit: u.ID, Promise: u.Promise, Weight: u.Weight}
		if o := outcome[u.ID]; o == nil {
			f.Ready = u.Arrived
			if last := lastDone(u); last != nil {
				f.Ready = last.Ended
			}
		} else if o.Placed {
			f.Ready = s.at(o.Finish)
		}
		if !f.Ready.IsZero() && f.Ready.After(u.Promise) {
			f.LateMin = int64(f.Ready.Sub(u.Promise).Round(time.Minute) / time.Minute)
		}
		out = append(out, f)
	}
	return out
}
