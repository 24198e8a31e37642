// Package check judges a plan against the fourteen constraints C1 … C14 and
// recomputes the objective. It imports the model only and shares no code with
// the solver, so that one can be wrong without the other.
//
// What it does not do: judge facts. What had already happened when the plan
// was made (a running activity's begun stretches and resources, everything of
// a done one) is checked to be kept, not to be right.
package check

import (
	"cmp"
	"fmt"
	"slices"

	"tickover/scheduler/model"
)

// Violation is one thing wrong with a plan.
type Violation struct {
	// Constraint is 0 when the plan itself is malformed: an activity missing,
	// twice, unknown, or a wrong sum.
	Constraint model.Constraint
	Activity   model.ActivityID
	Words      string
}

// String is "C5 T-104/flash: …".
func (v Violation) String() string {
	name := "plan"
	if v.Constraint != 0 {
		name = v.Constraint.String()
	}
	if v.Activity == "" {
		return name + ": " + v.Words
	}
	return fmt.Sprintf("%s %s: %s", name, v.Activity, v.Words)
}

// Plan reports every violation, sorted by constraint, then activity, then
// words; nil for a plan that keeps all constraints. The problem must be valid.
func Plan(p *model.Problem, plan *model.Plan) []Violation {
	c := newChecker(p, plan)
	c.listing()
	if len(c.found) > 0 {
		return c.found // the rest would only repeat it
	}
	for _, a := range c.placed {
		c.timing(a)
		c.stretches(a)
		c.crew(a)
		c.matches(a)
		c.windows(a)
		c.facts(a)
	}
	c.lags()
	c.capacity()
	c.consumption()
	c.workers()
	c.wishes()
	c.places()
	c.buffer()
	c.objective()
	slices.SortStableFunc(c.found, func(a, b Violation) int {
		return cmp.Or(cmp.Compare(a.Constraint, b.Constraint), cmp.Compare(a.Activity, b.Activity), cmp.Compare(a.Words, b.Words))
	})
	return c.found
}

// placed is an activity with a place, by plan or by fact.
type placed struct {
	*model.Activity
	as   *model.Assignment
	job  *model.Job
	mode *model.Mode
	// begun is the number of stretches that are facts.
	begun int
}

func (a *placed) running() bool { return a.begun > 0 }

type checker struct {
	p     *model.Problem
	plan  *model.Plan
	found []Violation

	activities map[model.ActivityID]*model.Activity
	jobs       map[model.JobID]*model.Job
	resources  map[model.ResourceID]*model.Resource
	workerOf   map[model.WorkerID]*model.Worker
	calendars  map[model.CalendarID]*model.Calendar
	spans      map[model.SpanID]*model.Span
	breached   map[model.Breach]bool
	placed     []*placed
	byID       map[model.ActivityID]*placed
	// work and presence are worked out once: see working and present.
	work     map[model.WorkerID][]model.Interval
	presence []model.Interval
}

func newChecker(p *model.Problem, plan *model.Plan) *checker {
	c := &checker{
		p: p, plan: plan,
		activities: map[model.ActivityID]*model.Activity{},
		jobs:       map[model.JobID]*model.Job{},
		resources:  map[model.ResourceID]*model.Resource{},
		workerOf:   map[model.WorkerID]*model.Worker{},
		calendars:  map[model.CalendarID]*model.Calendar{},
		spans:      map[model.SpanID]*model.Span{},
		breached:   map[model.Breach]bool{},
		byID:       map[model.ActivityID]*placed{},
		work:       map[model.WorkerID][]model.Interval{},
	}
	for i := range p.Activities {
		c.activities[p.Activities[i].ID] = &p.Activities[i]
	}
	for i := range p.Jobs {
		c.jobs[p.Jobs[i].ID] = &p.Jobs[i]
	}
	for i := range p.Resources {
		c.resources[p.Resources[i].ID] = &p.Resources[i]
	}
	for i := range p.Workers {
		c.workerOf[p.Workers[i].ID] = &p.Workers[i]
	}
	for i := range p.Calendars {
		c.calendars[p.Calendars[i].ID] = &p.Calendars[i]
	}
	for i := range p.Spans {
		c.spans[p.Spans[i].ID] = &p.Spans[i]
	}
	for _, b := range plan.Breaches {
		c.breached[b] = true
	}
	return c
}

func (c *checker) add(k model.Constraint, a model.ActivityID, format string, args ...any) {
	c.found = append(c.found, Violation{Constraint: k, Activity: a, Words: fmt.Sprintf(format, args...)})
}

// limit is add, unless the activity runs and the plan owns up to the breach.
func (c *checker) limit(k model.Constraint, a *placed, format string, args ...any) {
	if a.running() && c.breached[model.Breach{Activity: a.ID, Constraint: k}] {
		return
	}
	c.add(k, a.ID, format, args...)
}

// listing: each activity is exactly once placed, unplaced or done, with a mode,
// resources and stretches of the right number.
func (c *checker) listing() {
	for i := range c.plan.Assignments {
		c.list(&c.plan.Assignments[i])
	}
	unplaced := map[model.ActivityID]bool{}
	for _, u := range c.plan.Unplaced {
		a := c.activities[u.Activity]
		switch {
		case a == nil:
			c.add(0, u.Activity, "is unplaced but unknown")
		case c.byID[u.Activity] != nil:
			c.add(0, u.Activity, "is placed and unplaced")
		case unplaced[u.Activity]:
			c.add(0, u.Activity, "is unplaced twice")
		case a.Progress != nil && !a.Progress.Done:
			c.add(model.C10, u.Activity, "has begun and is unplaced")
		case u.Constraint == 0:
			c.add(0, u.Activity, "is unplaced without a constraint")
		}
		unplaced[u.Activity] = true
	}
	for i := range c.p.Activities {
		a := &c.p.Activities[i]
		done := a.Progress != nil && a.Progress.Done
		if c.byID[a.ID] == nil && !unplaced[a.ID] && !done {
			c.add(0, a.ID, "is neither placed nor unplaced")
		}
		if done {
			c.addDone(a)
		}
	}
	for _, b := range c.plan.Breaches {
		a := c.byID[b.Activity]
		if a == nil || !a.running() || !slices.Contains([]model.Constraint{model.C3, model.C5, model.C6, model.C7, model.C8, model.C9}, b.Constraint) {
			c.add(0, b.Activity, "cannot breach %v: it is not running or the constraint cannot be breached", b.Constraint)
		}
	}
}

func (c *checker) list(as *model.Assignment) {
	a := c.activities[as.Activity]
	switch {
	case a == nil:
		c.add(0, as.Activity, "is placed but unknown")
		return
	case c.byID[as.Activity] != nil:
		c.add(0, as.Activity, "is placed twice")
		return
	case as.Job != a.Job:
		c.add(0, as.Activity, "is placed for job %q but belongs to %q", as.Job, a.Job)
		return
	case a.Progress != nil && a.Progress.Done:
		c.add(0, as.Activity, "is done and placed")
		return
	case as.Mode < 0 || as.Mode >= len(a.Modes):
		c.add(0, as.Activity, "is placed in mode %d of %d", as.Mode, len(a.Modes))
		return
	}
	pl := &placed{Activity: a, as: as, job: c.jobs[a.Job], mode: &a.Modes[as.Mode]}
	switch {
	case len(as.Stretches) != len(pl.mode.Stretches):
		c.add(model.C3, as.Activity, "has %d stretches of %d", len(as.Stretches), len(pl.mode.Stretches))
		return
	case len(as.Held) != len(pl.mode.Needs):
		c.add(model.C4, as.Activity, "holds %d resources for %d needs", len(as.Held), len(pl.mode.Needs))
		return
	}
	for _, r := range as.Held {
		if c.resources[r] == nil {
			c.add(0, as.Activity, "holds %q, which is unknown", r)
			return
		}
	}
	for _, s := range as.Stretches {
		for _, w := range s.Workers {
			if c.workerOf[w] == nil {
				c.add(0, as.Activity, "is done by %q, who is unknown", w)
				return
			}
		}
	}
	if a.Progress != nil {
		pl.begun = len(a.Progress.Stretches)
	}
	c.byID[as.Activity] = pl
	c.placed = append(c.placed, pl)
}

// addDone gives a done activity a place for lags, spans and job times; it is
// never judged itself.
func (c *checker) addDone(a *model.Activity) {
	g := a.Progress
	last := len(g.Stretches) - 1
	c.byID[a.ID] = &placed{
		Activity: a, job: c.jobs[a.Job], mode: &a.Modes[g.Mode], begun: last + 1,
		as: &model.Assignment{Activity: a.ID, Job: a.Job, Mode: g.Mode,
			Start: g.Stretches[0].Start, End: g.Stretches[last].End, Stretches: g.Stretches, Held: g.Held},
	}
}

// timing: C1 and the horizon.
func (c *checker) timing(a *placed) {
	first, last := a.as.Stretches[0], a.as.Stretches[len(a.as.Stretches)-1]
	if a.as.Start != first.Start || a.as.End != last.End {
		c.add(0, a.ID, "runs [%d, %d) but its stretches [%d, %d)", a.as.Start, a.as.End, first.Start, last.End)
	}
	if !a.running() {
		if a.as.Start < c.p.Now {
			c.add(model.C1, a.ID, "starts at %d, before now %d", a.as.Start, c.p.Now)
		}
		if a.as.Start < a.job.Release {
			c.add(model.C1, a.ID, "starts at %d, before its job's release %d", a.as.Start, a.job.Release)
		}
		if a.as.Start < a.Release {
			c.add(model.C1, a.ID, "starts at %d, before its release %d", a.as.Start, a.Release)
		}
		if a.as.End > c.p.Horizon {
			c.add(0, a.ID, "ends at %d, after the horizon %d", a.as.End, c.p.Horizon)
		}
	}
	for i := a.begun; i < len(a.as.Stretches); i++ {
		if s := a.as.Stretches[i]; s.Start < c.p.Now && a.mode.Stretches[i].Workers > 0 {
			c.add(model.C1, a.ID, "stretch %d starts at %d, before now %d", i+1, s.Start, c.p.Now)
		}
	}
}

// stretches: C3, and the shape of splittable work.
func (c *checker) stretches(a *placed) {
	for i := a.begun; i < len(a.as.Stretches); i++ {
		s, def := &a.as.Stretches[i], &a.mode.Stretches[i]
		if i > 0 {
			c.follows(a, i)
		}
		if s.End < s.Start {
			c.add(model.C3, a.ID, "stretch %d ends before it starts", i+1)
			continue
		}
		var worked model.Time
		at := s.Start
		for _, part := range parts(s) {
			if part.Start < at || part.End < part.Start {
				c.add(model.C3, a.ID, "stretch %d works [%d, %d) out of order", i+1, part.Start, part.End)
			}
			if part.Start > at {
				c.pause(a, i, model.Interval{Start: at, End: part.Start})
			}
			worked += part.End - part.Start
			at = part.End
		}
		if at != s.End {
			c.add(model.C3, a.ID, "stretch %d ends at %d but its work at %d", i+1, s.End, at)
		}
		if worked != def.Duration {
			c.add(model.C3, a.ID, "stretch %d works %d of %d", i+1, worked, def.Duration)
		}
	}
}

// follows judges how stretch i joins the one before it.
func (c *checker) follows(a *placed, i int) {
	before, s := &a.as.Stretches[i-1], &a.as.Stretches[i]
	wait := s.Start - before.End
	limit := a.mode.Stretches[i-1].MaxWait
	switch {
	case wait < 0:
		c.add(model.C3, a.ID, "stretch %d starts at %d, before stretch %d ends at %d", i+1, s.Start, i, before.End)
	case a.mode.Stretches[i].Workers == 0 && wait != 0:
		c.limit(model.C3, a, "hands-off stretch %d starts %d after stretch %d", i+1, wait, i)
	case a.mode.Stretches[i].Workers > 0 && limit != model.Unlimited && wait > limit:
		c.limit(model.C3, a, "stretch %d waits %d; at most %d", i+1, wait, limit)
	}
}

// pause judges a gap in the work of stretch i: every tick of it must have a
// worker of the crew off or a held resource closed.
func (c *checker) pause(a *placed, i int, gap model.Interval) {
	if !a.mode.Stretches[i].Splittable {
		c.limit(model.C5, a, "stretch %d pauses [%d, %d) but must not be split", i+1, gap.Start, gap.End)
		return
	}
	able := []model.Interval{gap}
	for _, w := range a.as.Stretches[i].Workers {
		able = intersect(able, c.working(c.workerOf[w]))
	}
	if !a.running() {
		for _, r := range a.as.Held {
			if open := c.resources[r].Open; open != nil {
				able = intersect(able, open)
			}
		}
	}
	if len(able) > 0 {
		c.add(model.C3, a.ID, "stretch %d pauses over [%d, %d) though it could work", i+1, able[0].Start, able[0].End)
	}
}

// crew: the sizes of C5 and the nesting of C6.
func (c *checker) crew(a *placed) {
	var largest []model.WorkerID
	for i := range a.as.Stretches {
		ws := a.as.Stretches[i].Workers
		if len(ws) > len(largest) {
			largest = ws
		}
		if i < a.begun {
			continue
		}
		if len(ws) != a.mode.Stretches[i].Workers {
			c.limit(model.C5, a, "stretch %d has %d workers of %d", i+1, len(ws), a.mode.Stretches[i].Workers)
		}
		if !slices.IsSorted(ws) {
			c.add(0, a.ID, "stretch %d lists its workers out of order", i+1)
		}
		if len(slices.Compact(slices.Clone(ws))) != len(ws) {
			c.add(model.C5, a.ID, "stretch %d lists a worker twice", i+1)
		}
	}
	if a.Handover {
		return
	}
	for i := a.begun; i < len(a.as.Stretches); i++ {
		for _, w := range a.as.Stretches[i].Workers {
			if !slices.Contains(largest, w) {
				c.limit(model.C6, a, "stretch %d is done by %q, who is not of its crew", i+1, w)
			}
		}
	}
}

// matches: C7.
func (c *checker) matches(a *placed) {
	if !a.running() {
		for i, r := range a.as.Held {
			need := &a.mode.Needs[i]
			if need.Span != "" {
				need = &c.spans[need.Span].Need
			}
			if why := mismatch(need, c.resources[r]); why != "" {
				c.add(model.C7, a.ID, "holds %q, %s", r, why)
			}
		}
		for i, r := range a.as.Held {
			if slices.Contains(a.as.Held[:i], r) {
				c.add(model.C4, a.ID, "holds %q for two needs", r)
			}
		}
	}
	for i := a.begun; i < len(a.as.Stretches); i++ {
		for _, w := range a.as.Stretches[i].Workers {
			for _, skill := range a.mode.Stretches[i].Skills {
				if !slices.Contains(c.workerOf[w].Skills, skill) {
					c.limit(model.C7, a, "stretch %d is done by %q, who lacks %q", i+1, w, skill)
				}
			}
		}
	}
}

func mismatch(n *model.Need, r *model.Resource) string {
	if len(n.Resources) > 0 {
		if !slices.Contains(n.Resources, r.ID) {
			return "which is not among its alternatives"
		}
	} else if n.Kind != r.Kind {
		return fmt.Sprintf("a %q instead of a %q", r.Kind, n.Kind)
	}
	for _, tag := range n.Tags {
		if !slices.Contains(r.Tags, tag) {
			return fmt.Sprintf("which lacks %q", tag)
		}
	}
	return ""
}

// facts: C10.
func (c *checker) facts(a *placed) {
	if a.as.Running != a.running() {
		c.add(0, a.ID, "is marked running: %v", a.as.Running)
	}
	if !a.running() {
		return
	}
	g := a.Progress
	if a.as.Mode != g.Mode {
		c.add(model.C10, a.ID, "runs in mode %d but is planned in %d", g.Mode, a.as.Mode)
	}
	if !slices.Equal(a.as.Held, g.Held) {
		c.add(model.C10, a.ID, "holds %v but is planned on %v", g.Held, a.as.Held)
	}
	for i, f := range g.Stretches {
		s := a.as.Stretches[i]
		if s.Start != f.Start || s.End != f.End || !slices.Equal(s.Workers, f.Workers) {
			c.add(model.C10, a.ID, "stretch %d has begun as [%d, %d) by %v but is planned as [%d, %d) by %v",
				i+1, f.Start, f.End, f.Workers, s.Start, s.End, s.Workers)
		}
	}
}
