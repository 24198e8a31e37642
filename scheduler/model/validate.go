package model

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// Limits that Validate enforces beside TimeMax.
const (
	weightMax      = 1_000_000
	priceMax  Cost = 1_000_000_000
	amountMax      = 1 << 40
	faultsMax      = 20
	countMax       = 200_000 // activities, lags, resources, workers, jobs
)

// Fault is one thing wrong with a problem.
type Fault struct {
	// What names the object: `activity "T-104/flash"`.
	What string
	// Why is the reason, in words.
	Why string
}

// InvalidError lists what is wrong with a problem, at most 20 faults.
type InvalidError struct{ Faults []Fault }

// Error is one line a fault.
func (e *InvalidError) Error() string {
	var b strings.Builder
	for i, f := range e.Faults {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(f.What)
		b.WriteString(": ")
		b.WriteString(f.Why)
	}
	return b.String()
}

// Validate reports malformed input as an *InvalidError, and nil for a problem
// that can be planned.
func Validate(p *Problem) error {
	v := validator{p: p}
	v.index()
	v.frame()
	for i := range p.Resources {
		v.resource(&p.Resources[i])
	}
	for i := range p.Workers {
		w := &p.Workers[i]
		what := named("worker", string(w.ID))
		v.intervals(what, "shifts", w.Shifts)
		v.intervals(what, "breaks", w.Breaks)
	}
	for i := range p.Calendars {
		c := &p.Calendars[i]
		v.intervals(named("calendar", string(c.ID)), "open intervals", c.Open)
	}
	for i := range p.Jobs {
		v.job(&p.Jobs[i])
	}
	for i := range p.Spans {
		what := named("span", string(p.Spans[i].ID))
		if p.Spans[i].Need.Span != "" {
			v.fault(what, "its need refers to a span itself")
		}
		v.need(what, &p.Spans[i].Need)
		v.kept(what, &p.Spans[i].Need)
	}
	for i := range p.Activities {
		v.activity(&p.Activities[i])
	}
	v.relations()
	v.wishes()
	if len(v.faults) == 0 {
		v.cycle()
		v.overflow()
	}
	if len(v.faults) == 0 {
		v.contradiction()
	}
	if len(v.faults) == 0 {
		return nil
	}
	return &InvalidError{Faults: v.faults}
}

type validator struct {
	p          *Problem
	faults     []Fault
	activities map[ActivityID]*Activity
	jobs       map[JobID]*Job
	resources  map[ResourceID]bool
	workers    map[WorkerID]bool
	calendars  map[CalendarID]bool
	spans      map[SpanID]bool
}

func named(kind, id string) string { return fmt.Sprintf("%s %q", kind, id) }

func (v *validator) fault(what, format string, args ...any) {
	if len(v.faults) < faultsMax {
		v.faults = append(v.faults, Fault{What: what, Why: fmt.Sprintf(format, args...)})
	}
}

// register puts ids in a set and reports empty and repeated ones.
func register[T any, K ~string, V any](v *validator, kind string, list []T, set map[K]V, id func(*T) (K, V)) {
	if len(list) > countMax {
		v.fault("problem", "%d of %s; at most %d", len(list), kind, countMax)
		return
	}
	for i := range list {
		k, val := id(&list[i])
		if k == "" {
			v.fault(fmt.Sprintf("%s number %d", kind, i+1), "its id is empty")
		}
		if _, dup := set[k]; dup {
			v.fault(named(kind, string(k)), "the id is used twice")
		}
		set[k] = val
	}
}

func (v *validator) index() {
	p := v.p
	v.activities = make(map[ActivityID]*Activity, len(p.Activities))
	v.jobs = make(map[JobID]*Job, len(p.Jobs))
	v.resources = make(map[ResourceID]bool, len(p.Resources))
	v.workers = make(map[WorkerID]bool, len(p.Workers))
	v.calendars = make(map[CalendarID]bool, len(p.Calendars))
	v.spans = make(map[SpanID]bool, len(p.Spans))
	register(v, "activity", p.Activities, v.activities, func(a *Activity) (ActivityID, *Activity) { return a.ID, a })
	register(v, "job", p.Jobs, v.jobs, func(j *Job) (JobID, *Job) { return j.ID, j })
	register(v, "resource", p.Resources, v.resources, func(r *Resource) (ResourceID, bool) { return r.ID, true })
	register(v, "worker", p.Workers, v.workers, func(w *Worker) (WorkerID, bool) { return w.ID, true })
	register(v, "calendar", p.Calendars, v.calendars, func(c *Calendar) (CalendarID, bool) { return c.ID, true })
	register(v, "span", p.Spans, v.spans, func(s *Span) (SpanID, bool) { return s.ID, true })
}

func (v *validator) frame() {
	p := v.p
	v.time("problem", "now", p.Now)
	v.time("problem", "horizon", p.Horizon)
	if p.Horizon <= p.Now {
		v.fault("problem", "the horizon %d is not after now %d", p.Horizon, p.Now)
	}
	if p.Buffer != nil && p.Buffer.Capacity < 0 {
		v.fault("problem", "the buffer's capacity %d is negative", p.Buffer.Capacity)
	}
	w := p.Weights
	for _, c := range []struct {
		name  string
		price Cost
	}{{"tardiness", w.Tardiness}, {"flow", w.Flow}, {"makespan", w.Makespan}, {"move", w.Move}, {"reassign", w.Reassign}} {
		if c.price < 0 || c.price > priceMax {
			v.fault("weights", "the price of %s, %d, is outside 0 … %d", c.name, c.price, priceMax)
		}
	}
	v.length("weights", "the move window", w.MoveWindow)
}

func (v *validator) time(what, name string, t Time) {
	if t < -TimeMax || t > TimeMax {
		v.fault(what, "%s %d is outside ±%d", name, t, TimeMax)
	}
}

func (v *validator) length(what, name string, t Time) {
	if t < 0 {
		v.fault(what, "%s %d is negative", name, t)
	} else if t > TimeMax {
		v.fault(what, "%s %d is more than %d", name, t, TimeMax)
	}
}

func (v *validator) intervals(what, name string, list []Interval) {
	for i, iv := range list {
		v.time(what, "an interval's start", iv.Start)
		v.time(what, "an interval's end", iv.End)
		if iv.End <= iv.Start {
			v.fault(what, "its %s hold [%d, %d), which is empty or ends before it starts", name, iv.Start, iv.End)
		}
		if i > 0 && iv.Start < list[i-1].End {
			v.fault(what, "its %s [%d, %d) and [%d, %d) overlap or are out of order",
				name, list[i-1].Start, list[i-1].End, iv.Start, iv.End)
		}
	}
}

func (v *validator) resource(r *Resource) {
	what := named("resource", string(r.ID))
	if r.Capacity < 0 || r.Capacity > amountMax {
		v.fault(what, "its capacity %d is outside 0 … %d", r.Capacity, int64(amountMax))
	}
	if r.Consumable && (r.Open != nil || r.Within || len(r.Closures) > 0) {
		v.fault(what, "it is used up, whenever that is, and cannot have hours or closures")
	}
	v.intervals(what, "open intervals", r.Open)
	for _, c := range r.Closures {
		v.time(what, "a closure's start", c.Start)
		if c.End != Unlimited {
			v.time(what, "a closure's end", c.End)
		}
		if c.End <= c.Start {
			v.fault(what, "its closure [%d, %d) is empty or ends before it starts", c.Start, c.End)
		}
	}
}

func (v *validator) job(j *Job) {
	what := named("job", string(j.ID))
	v.time(what, "its release", j.Release)
	if j.Due != Unlimited {
		v.time(what, "its due date", j.Due)
	}
	if j.Weight < 0 || j.Weight > weightMax {
		v.fault(what, "its weight %d is outside 0 … %d", j.Weight, weightMax)
	}
}

func (v *validator) activity(a *Activity) {
	what := named("activity", string(a.ID))
	if v.jobs[a.Job] == nil {
		v.fault(what, "its job %q is unknown", a.Job)
	}
	v.time(what, "its release", a.Release)
	v.calendar(what, a.Inside)
	if len(a.Modes) == 0 {
		v.fault(what, "it has no mode")
	}
	for i := range a.Modes {
		v.mode(what, &a.Modes[i])
	}
	if a.Progress != nil {
		v.progress(what, a)
	}
}

func (v *validator) calendar(what string, id CalendarID) {
	if id != "" && !v.calendars[id] {
		v.fault(what, "its calendar %q is unknown", id)
	}
}

func (v *validator) mode(what string, m *Mode) {
	if len(m.Stretches) == 0 {
		v.fault(what, "a mode has no stretch")
	}
	for i := range m.Stretches {
		s := &m.Stretches[i]
		v.length(what, "a duration", s.Duration)
		if s.MaxWait != Unlimited {
			v.length(what, "a maximum wait", s.MaxWait)
		}
		if s.Workers < 0 || s.Workers > countMax {
			v.fault(what, "a stretch asks for %d workers", s.Workers)
		}
		v.calendar(what, s.Inside)
	}
	spans := map[SpanID]bool{}
	for i := range m.Needs {
		n := &m.Needs[i]
		if n.Span == "" {
			v.need(what, n)
			continue
		}
		if !v.spans[n.Span] {
			v.fault(what, "its span %q is unknown", n.Span)
		}
		if spans[n.Span] {
			v.fault(what, "a mode needs the span %q twice", n.Span)
		}
		spans[n.Span] = true
	}
}

func (v *validator) need(what string, n *Need) {
	if n.Amount < 0 || n.Amount > amountMax {
		v.fault(what, "it needs an amount of %d, outside 0 … %d", n.Amount, int64(amountMax))
	}
	if n.Kind == "" && len(n.Resources) == 0 {
		v.fault(what, "a need names neither a kind nor resources")
	}
	for _, r := range n.Resources {
		if !v.resources[r] {
			v.fault(what, "it needs the resource %q, which is unknown", r)
		}
	}
}

// kept refuses a span of something that is used up.
func (v *validator) kept(what string, n *Need) {
	for i := range v.p.Resources {
		r := &v.p.Resources[i]
		named := r.Kind == n.Kind
		if len(n.Resources) > 0 {
			named = slices.Contains(n.Resources, r.ID)
		}
		if named && r.Consumable {
			v.fault(what, "it may take the resource %q, which is used up and cannot be kept", r.ID)
			return
		}
	}
}

func (v *validator) progress(what string, a *Activity) {
	g := a.Progress
	if g.Mode < 0 || g.Mode >= len(a.Modes) {
		v.fault(what, "it began in mode %d of %d", g.Mode, len(a.Modes))
		return
	}
	m := &a.Modes[g.Mode]
	if len(g.Stretches) == 0 || len(g.Stretches) > len(m.Stretches) {
		v.fault(what, "it has begun, with %d stretches of %d", len(g.Stretches), len(m.Stretches))
		return
	}
	if len(g.Held) != len(m.Needs) && !g.Done {
		v.fault(what, "it runs with %d resources for %d needs", len(g.Held), len(m.Needs))
	}
	for i, r := range g.Held {
		if !v.resources[r] {
			v.fault(what, "it runs on the resource %q, which is unknown", r)
		}
		if slices.Contains(g.Held[:i], r) && !g.Done {
			v.fault(what, "it runs on the resource %q for two needs", r)
		}
	}
	v.begun(what, g)
	if last := g.Stretches[len(g.Stretches)-1]; !g.Done && len(g.Stretches) == len(m.Stretches) && last.End < v.p.Now {
		v.fault(what, "its last stretch ended at %d, before now %d, and it is not done", last.End, v.p.Now)
	}
}

// begun checks the facts of what has run: in order, in the past but for an
// expected end.
func (v *validator) begun(what string, g *Progress) {
	last := len(g.Stretches) - 1
	for i, s := range g.Stretches {
		v.time(what, "a start", s.Start)
		v.time(what, "an end", s.End)
		switch {
		case s.End < s.Start:
			v.fault(what, "a stretch that began at %d ends before it, at %d", s.Start, s.End)
		case s.Start > v.p.Now:
			v.fault(what, "a stretch began at %d, after now %d", s.Start, v.p.Now)
		case s.End > v.p.Now && (i < last || g.Done):
			v.fault(what, "a stretch that is done ends at %d, after now %d", s.End, v.p.Now)
		case i > 0 && s.Start < g.Stretches[i-1].End:
			v.fault(what, "a stretch begins at %d, before the one before it ends", s.Start)
		}
		for _, w := range s.Workers {
			if !v.workers[w] {
				v.fault(what, "its worker %q is unknown", w)
			}
		}
	}
}

func (v *validator) relations() {
	for _, l := range v.p.Lags {
		what := fmt.Sprintf("lag %q → %q", l.From, l.To)
		v.known(what, l.From)
		v.known(what, l.To)
		if l.From == l.To {
			v.fault(what, "it relates an activity to itself")
		}
		v.time(what, "its minimum", l.Min)
		if l.Limited {
			v.time(what, "its maximum", l.Max)
			if l.Max < l.Min {
				v.fault(what, "its maximum %d is less than its minimum %d", l.Max, l.Min)
			}
		}
		if l.FromPoint != End && l.FromPoint != Start {
			v.fault(what, "its point %d is neither End nor Start", l.FromPoint)
		}
	}
	for _, q := range v.p.Parallel {
		what := fmt.Sprintf("parallel pair %q, %q", q.A, q.B)
		v.known(what, q.A)
		v.known(what, q.B)
		a, b := v.activities[q.A], v.activities[q.B]
		if a != nil && b != nil && a.Job != b.Job {
			v.fault(what, "they belong to different jobs")
		}
	}
}

func (v *validator) known(what string, id ActivityID) {
	if v.activities[id] == nil {
		v.fault(what, "the activity %q is unknown", id)
	}
}

func (v *validator) wishes() {
	ids := map[PinID]bool{}
	for _, n := range v.p.Pins {
		what := named("pin", string(n.ID))
		v.known(what, n.Activity)
		if ids[n.ID] {
			v.fault(what, "the id is used twice")
		}
		ids[n.ID] = true
		if n.Resource != "" && !v.resources[n.Resource] {
			v.fault(what, "the resource %q is unknown", n.Resource)
		}
		if n.Worker != "" && !v.workers[n.Worker] {
			v.fault(what, "the worker %q is unknown", n.Worker)
		}
		if n.HasStart {
			v.time(what, "its start", n.Start)
		}
	}
	for _, h := range v.p.Holds {
		what := fmt.Sprintf("hold of %q", h.Activity)
		v.known(what, h.Activity)
		if h.Until != Unlimited {
			v.time(what, "its end", h.Until)
		}
	}
	v.previous()
}

func (v *validator) previous() {
	seen := map[ActivityID]bool{}
	for _, q := range v.p.Previous {
		what := fmt.Sprintf("previous assignment of %q", q.Activity)
		v.known(what, q.Activity)
		v.time(what, "its start", q.Start)
		if seen[q.Activity] {
			v.fault(what, "it is listed twice")
		}
		seen[q.Activity] = true
		for _, r := range q.Resources {
			if !v.resources[r] {
				v.fault(what, "the resource %q is unknown", r)
			}
		}
		crew := q.Workers
		for _, st := range q.Stretches {
			v.time(what, "a stretch's start", st.Start)
			v.time(what, "a stretch's end", st.End)
			crew = append(crew[:len(crew):len(crew)], st.Workers...)
		}
		for _, w := range crew {
			if !v.workers[w] {
				v.fault(what, "the worker %q is unknown", w)
			}
		}
	}
}

// cycle finds an activity on a cycle of minimum lags (Kahn).
func (v *validator) cycle() {
	waits := make(map[ActivityID]int, len(v.activities))
	next := make(map[ActivityID][]ActivityID, len(v.activities))
	for _, l := range v.p.Lags {
		waits[l.To]++
		next[l.From] = append(next[l.From], l.To)
	}
	var free []ActivityID
	for _, a := range v.p.Activities {
		if waits[a.ID] == 0 {
			free = append(free, a.ID)
		}
	}
	done := 0
	for len(free) > 0 {
		a := free[len(free)-1]
		free = free[:len(free)-1]
		done++
		for _, b := range next[a] {
			if waits[b]--; waits[b] == 0 {
				free = append(free, b)
			}
		}
	}
	if done == len(v.p.Activities) {
		return
	}
	v.fault(named("activity", string(v.onCycle(waits, next))), "it waits for itself: the lags form a cycle")
}

// onCycle walks backwards among what Kahn left over until an activity repeats.
func (v *validator) onCycle(waits map[ActivityID]int, next map[ActivityID][]ActivityID) ActivityID {
	before := map[ActivityID]ActivityID{}
	var left []ActivityID
	for a, n := range waits {
		if n > 0 {
			left = append(left, a)
		}
	}
	slices.Sort(left)
	for _, a := range left {
		for _, b := range next[a] {
			if c, ok := before[b]; waits[b] > 0 && (!ok || a < c) {
				before[b] = a
			}
		}
	}
	seen := map[ActivityID]bool{}
	a := left[0]
	for !seen[a] {
		seen[a] = true
		a = before[a]
	}
	first := a
	for b := before[a]; b != a; b = before[b] {
		first = min(first, b)
	}
	return first
}

// overflow refuses problems whose objective or time sums could leave 62 bits.
func (v *validator) overflow() {
	p := v.p
	var durations uint64
	for i := range p.Activities {
		var longest uint64
		for _, m := range p.Activities[i].Modes {
			var d uint64
			for _, s := range m.Stretches {
				d += uint64(s.Duration)
			}
			longest = max(longest, d)
		}
		durations += longest
		if durations > 1<<45 {
			v.fault(named("activity", string(p.Activities[i].ID)), "with it the durations add up to more than %d", int64(1)<<45)
			return
		}
	}
	price := uint64(max(p.Weights.Tardiness, p.Weights.Flow, p.Weights.Makespan, p.Weights.Move, p.Weights.Reassign))
	var sum uint64
	for i := range p.Jobs {
		j := &p.Jobs[i]
		early := min(j.Release, p.Now)
		if j.Due != Unlimited {
			early = min(early, j.Due)
		}
		hi, lo := bits.Mul64(uint64(j.Weight)*uint64(max(p.Horizon-early, 1)), 2*max(price, 1))
		sum += lo
		if hi > 0 || lo > 1<<60 || sum > 1<<60 {
			v.fault(named("job", string(j.ID)), "its weight %d over the horizon overflows the objective", j.Weight)
			return
		}
	}
	if hi, lo := bits.Mul64(uint64(p.Horizon-p.Now)+uint64(len(p.Activities)), max(price, 1)); hi > 0 || lo > 1<<60 {
		v.fault("weights", "the prices over the horizon overflow the objective")
	}
}
