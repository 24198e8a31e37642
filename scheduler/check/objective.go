package check

import (
	"slices"

	"tickover/scheduler/model"
)

// wishes: C11, pins and holds.
func (c *checker) wishes() {
	failed := map[model.PinID]bool{}
	for _, f := range c.plan.Pins {
		failed[f.Pin] = true
		if f.Constraint == 0 {
			c.add(model.C11, f.Activity, "the pin %q fails without a reason", f.Pin)
		}
	}
	for _, pin := range c.p.Pins {
		a := c.activities[pin.Activity]
		if a.Progress != nil && a.Progress.Done {
			continue
		}
		why := c.pinBroken(&pin)
		switch {
		case why != "" && !failed[pin.ID]:
			c.add(model.C11, pin.Activity, "the pin %q is broken: %s", pin.ID, why)
		case why == "" && failed[pin.ID]:
			c.add(model.C11, pin.Activity, "the pin %q is reported to fail, but holds", pin.ID)
		}
	}
	for _, h := range c.p.Holds {
		a := c.byID[h.Activity]
		if a != nil && !a.running() && a.as.Start < h.Until {
			c.add(model.C11, h.Activity, "starts at %d though held until %d (%s)", a.as.Start, h.Until, h.Reason)
		}
	}
}

func (c *checker) pinBroken(pin *model.Pin) string {
	a := c.byID[pin.Activity]
	if a == nil {
		return "the activity is not placed"
	}
	if pin.Resource != "" && !slices.Contains(a.as.Held, pin.Resource) {
		return "it does not hold " + string(pin.Resource)
	}
	if pin.HasStart && a.as.Start != pin.Start {
		return "it starts at another time"
	}
	if pin.Worker != "" {
		for i := a.begun; i < len(a.as.Stretches); i++ {
			if a.mode.Stretches[i].Workers > 0 && !slices.Contains(a.as.Stretches[i].Workers, pin.Worker) {
				return "it is not done by " + string(pin.Worker)
			}
		}
	}
	return ""
}

// objective recomputes J, its parts and the jobs' outcomes.
func (c *checker) objective() {
	var want model.CostParts
	w := c.p.Weights
	outcomes := map[model.JobID]model.JobOutcome{}
	for _, o := range c.plan.Jobs {
		outcomes[o.Job] = o
	}
	latest := c.p.Now
	for i := range c.p.Jobs {
		j := &c.p.Jobs[i]
		finish, placed := c.finish(j)
		latest = max(latest, finish)
		var late model.Time
		if j.Due != model.Unlimited {
			late = max(0, finish-j.Due)
		}
		want.Tardiness += w.Tardiness * model.Cost(j.Weight) * model.Cost(late)
		want.Flow += w.Flow * model.Cost(j.Weight) * model.Cost(finish-j.Release)
		o, ok := outcomes[j.ID]
		if !ok || o.Due != j.Due || o.Weight != j.Weight || o.Placed != placed || o.Finish != finish || o.Tardiness != late {
			c.add(0, "", "the outcome of job %q is %+v; it is placed %v, finishes at %d, %d late", j.ID, o, placed, finish, late)
		}
		if o.Bound > finish {
			c.add(0, "", "the bound %d of job %q is above its finish %d", o.Bound, j.ID, finish)
		}
	}
	want.Makespan = w.Makespan * model.Cost(latest-c.p.Now)
	c.stability(&want)
	want.Moves = w.Move * model.Cost(want.MovesCount)
	want.Reassigned = w.Reassign * model.Cost(want.ReassignedCount)
	want.Total = want.Tardiness + want.Flow + want.Makespan + want.Moves + want.Reassigned
	if c.plan.Cost != want {
		c.add(0, "", "the objective is %+v; it comes to %+v", c.plan.Cost, want)
	}
	if c.plan.Bound > want.Total {
		c.add(0, "", "the bound %d is above the objective %d", c.plan.Bound, want.Total)
	}
}

// finish is the last end of a job's activities, its release for one without,
// the horizon for one that is not wholly placed.
func (c *checker) finish(j *model.Job) (model.Time, bool) {
	finish := model.Time(-model.Unlimited)
	for i := range c.p.Activities {
		a := &c.p.Activities[i]
		if a.Job != j.ID {
			continue
		}
		pl := c.byID[a.ID]
		if pl == nil {
			return c.p.Horizon, false
		}
		finish = max(finish, pl.as.End)
	}
	if finish == -model.Unlimited {
		finish = j.Release
	}
	return finish, true
}

func (c *checker) stability(want *model.CostParts) {
	for _, q := range c.p.Previous {
		a := c.byID[q.Activity]
		if a != nil && a.running() {
			continue
		}
		if q.Start >= c.p.Now && q.Start < c.p.Now+c.p.Weights.MoveWindow &&
			(a == nil || a.as.Start != q.Start || !slices.Equal(sorted(a.as.Held), sorted(q.Resources))) {
			want.MovesCount++
		}
		if q.Accepted && (a == nil || !slices.Equal(firstCrew(a), sorted(q.Workers))) {
			want.ReassignedCount++
		}
	}
}

func sorted[T ~string](list []T) []T {
	out := slices.Clone(list)
	slices.Sort(out)
	return out
}

// firstCrew are the workers of the first hands-on stretch.
func firstCrew(a *placed) []model.WorkerID {
	for i := range a.as.Stretches {
		if a.mode.Stretches[i].Workers > 0 {
			return sorted(a.as.Stretches[i].Workers)
		}
	}
	return nil
}
