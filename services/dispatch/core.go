package dispatch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/scheduler/check"
	"tickover/services/almanac"
	"tickover/services/experience"
)

// Options of a Core.
type Options struct {
	// ComputeOptions of the plan after an event; Schedules 0: as
	// scheduler.Effort has it.
	ComputeOptions
	// ImproveSchedules is the search effort of Improve; 0: as scheduler.Effort
	// has it.
	ImproveSchedules int
	// Learnt gives the lengths of work at the time of a plan; nil: those of
	// SnapshotOptions.
	Learnt func() *experience.Lengths
	// Stopwatch measures planning time, time.Now in a service; nil: not
	// measured, so that a simulation gives the same bytes again.
	Stopwatch func() time.Time
}

// Counts of schedules that scheduler.Effort decides.
const (
	eventEffort = -1 - iota
	idleEffort
)

// Core keeps the plan in force of one site and says when it has to be made
// anew, and which offers change by that. It is synchronous, does no IO and is
// not safe for concurrent use.
type Core struct {
	o       Options
	almanac *almanac.Almanac
	plan    *Plan
	state   *queue.State // that the plan was last compared with
	offers  map[Station]Offer
	waited  waited // by the plan in force
	// tried is the plan that an improvement was looked for already.
	tried *Plan
	// due is what Due last found: it is asked several times a second.
	due struct {
		plan  *Plan
		state *queue.State
		at    time.Time
	}
}

// Outcome is what a look at the newest state came to.
type Outcome struct {
	Plan *Plan // in force
	// Offers are those that changed, by station.
	Offers []Offer
	// Reason says why a new plan was made; empty: all went as planned.
	Reason string
	// Changed: the plan differs from the one before in a step's place.
	Changed bool
	// Violations that the checker found in a new plan, with ComputeOptions.Check.
	Violations []check.Violation
	Took       time.Duration // of planning; 0 without a Stopwatch
}

// NewCore returns a Core without a plan.
func NewCore(o Options) *Core {
	o.Schedules = orDefault(o.Schedules, eventEffort)
	o.ImproveSchedules = orDefault(o.ImproveSchedules, idleEffort)
	return &Core{o: o, offers: map[Station]Offer{}}
}

// Adopt takes a plan over that was in force before, from another dispatcher or
// from before a restart: the first plan of this one changes no more than it
// must.
func (c *Core) Adopt(p *Plan) { c.plan = p }

// Plan is the plan in force, nil before the first.
func (c *Core) Plan() *Plan { return c.plan }

// Seq is the log sequence of the state that was last looked at.
func (c *Core) Seq() uint64 {
	if c.state == nil {
		return 0
	}
	return c.state.Seq
}

// Due is when Replan should be called although nothing happened; zero: no such
// moment.
func (c *Core) Due() time.Time {
	if c.plan == nil || c.state == nil {
		return time.Time{}
	}
	if c.due.plan != c.plan || c.due.state != c.state {
		c.due.plan, c.due.state, c.due.at = c.plan, c.state, due(c.state, c.plan, c.waited)
	}
	return c.due.at
}

// Offers are the offers in force, by station.
func (c *Core) Offers() []Offer {
	out := make([]Offer, 0, len(c.offers))
	for _, o := range c.offers {
		out = append(out, o)
	}
	slices.SortFunc(out, func(a, b Offer) int { return compareStations(a.Station, b.Station) })
	return out
}

func compareStations(a, b Station) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// Replan looks at the newest state: it plans anew if something is otherwise
// than planned, and enters what happened as planned if not. Before a shop file
// took effect there is nothing to plan and the outcome is empty.
func (c *Core) Replan(ctx context.Context, st *queue.State, now time.Time) (Outcome, error) {
	return c.replan(ctx, st, now, c.o.ComputeOptions)
}

// repairSchedules is the effort of Repair: the order of the plan in force, with
// what happened since, and hardly a look for a better one.
const repairSchedules = 2

// Repair is Replan with as little effort as can be, for a machine on which
// others wait. Improve makes good for it when there is time.
func (c *Core) Repair(ctx context.Context, st *queue.State, now time.Time) (Outcome, error) {
	o := c.o.ComputeOptions
	o.Schedules = repairSchedules
	return c.replan(ctx, st, now, o)
}

// stands reports whether Replan would not plan anew.
func (c *Core) stands(st *queue.State, now time.Time) bool {
	return st.Shop == nil || c.deviates(st, now) == ""
}

// deviates says what makes the plan in force out of date; empty: nothing.
func (c *Core) deviates(st *queue.State, now time.Time) string {
	if c.state == nil && c.plan != nil && c.plan.Seq == st.Seq {
		c.state = st // adopted, and nothing has happened since
	}
	return deviation(c.state, st, c.plan, c.waited, now)
}

func (c *Core) replan(ctx context.Context, st *queue.State, now time.Time, o ComputeOptions) (Outcome, error) {
	if st.Shop == nil {
		return Outcome{}, nil
	}
	reason := c.deviates(st, now)
	if reason == "" {
		return c.adopt(st, rolled(c.plan, st), now, Outcome{})
	}
	computed, took, err := c.compute(ctx, st, now, o)
	if err != nil {
		return Outcome{}, err
	}
	if computed.Raw.Cut {
		return Outcome{}, ctx.Err()
	}
	out := Outcome{Reason: reason, Violations: computed.Violations, Took: took}
	c.waited = c.waited.after(c.plan, computed.Plan, now)
	return c.adopt(st, computed.Plan, now, out)
}

// ErrNotCurrent: the plan in force is not of the newest state.
var ErrNotCurrent = errors.New("the plan in force is out of date")

// Improve looks for a better plan with more effort, for the state of the last
// Replan. The outcome has a plan only if one was found that is better by more
// than its changes cost; a search that ctx cut short finds none. It looks once
// for each plan.
func (c *Core) Improve(ctx context.Context, now time.Time) (Outcome, error) {
	if c.plan == nil || c.state == nil || c.tried == c.plan || len(c.plan.Steps) == 0 {
		return Outcome{}, nil
	}
	if why := deviation(c.state, c.state, c.plan, c.waited, now); why != "" {
		return Outcome{}, fmt.Errorf("%w: %s", ErrNotCurrent, why)
	}
	c.tried = c.plan
	o := c.o.ComputeOptions
	o.Schedules, o.Anew = c.o.ImproveSchedules, true
	computed, took, err := c.compute(ctx, c.state, now, o)
	if err == nil && computed.Raw.Cut {
		c.tried = nil
	}
	if err != nil || computed.Raw.Cut {
		return Outcome{}, err
	}
	if !better(computed.Plan, c.plan) {
		return Outcome{}, nil
	}
	out := Outcome{Reason: "a better plan was found", Violations: computed.Violations, Took: took}
	c.waited = c.waited.after(c.plan, computed.Plan, now)
	out, err = c.adopt(c.state, computed.Plan, now, out)
	c.tried = c.plan
	return out, err
}

// better: more steps fit, or as many at a lower price, the price of the moves
// included.
func better(next, now *Plan) bool {
	if len(next.Unplaced) != len(now.Unplaced) {
		return len(next.Unplaced) < len(now.Unplaced)
	}
	return next.Cost.J+0.5 < now.Cost.Late+now.Cost.Flow
}

func (c *Core) compute(ctx context.Context, st *queue.State, now time.Time, o ComputeOptions) (*Computed, time.Duration, error) {
	if err := c.consult(st); err != nil {
		return nil, 0, err
	}
	var began time.Time
	if c.o.Stopwatch != nil {
		began = c.o.Stopwatch()
	}
	if c.o.Learnt != nil {
		o.Lengths = c.o.Learnt()
	}
	computed, err := ComputeAll(ctx, st, c.almanac, now, c.plan, o)
	if err != nil {
		return nil, 0, err
	}
	var took time.Duration
	if c.o.Stopwatch != nil {
		took = c.o.Stopwatch().Sub(began)
		computed.Plan.TookMS = float64(took.Microseconds()) / 1000
	}
	return computed, took, nil
}

// consult has the almanac of the shop file in effect.
func (c *Core) consult(st *queue.State) error {
	if c.almanac != nil && c.almanac.Shop() == st.Shop {
		return nil
	}
	a, err := almanac.New(st.Shop)
	if err != nil {
		return fmt.Errorf("plan site %s: %w", st.Site, err)
	}
	c.almanac = a
	return nil
}

// adopt puts a plan into force and works out the offers that change.
func (c *Core) adopt(st *queue.State, p *Plan, now time.Time, out Outcome) (Outcome, error) {
	if err := c.consult(st); err != nil {
		return Outcome{}, err
	}
	markAhead(st, p, c.almanac, now)
	out.Changed = out.Reason != "" && !samePlaces(c.plan, p)
	if c.tried == c.plan && out.Reason == "" {
		c.tried = p // nothing moved: a search would find the same again
	}
	c.plan, c.state, out.Plan = p, st, p
	next := Offers(st, p)
	for _, o := range next {
		if was, ok := c.offers[o.Station]; !ok || !sameOffer(was, o) {
			out.Offers = append(out.Offers, o)
		}
	}
	c.offers = map[Station]Offer{}
	for _, o := range next {
		c.offers[o.Station] = o
	}
	return out, nil
}

// Offers are the next jobs by a plan, one for each station: the first planned
// step there that nobody has accepted. A step with a reported problem is left
// to the foreman, who offers it again by pinning it.
func Offers(st *queue.State, p *Plan) []Offer {
	next := map[Station]*PlannedStep{}
	for i := range p.Steps {
		ps := &p.Steps[i]
		station := StationOf(st.Shop, ps.Resources)
		if next[station] != nil || ps.Running {
			continue
		}
		u := st.Units[ps.Unit]
		if u == nil {
			continue
		}
		s := u.Step(ps.Step)
		if s == nil || s.Status != queue.Todo || s.Accepted != nil || s.Problem != "" && s.Pin == nil {
			continue
		}
		next[station] = ps
	}
	stations := Stations(st.Shop)
	out := make([]Offer, len(stations))
	for i, x := range stations {
		out[i] = Offer{Site: st.Site, Station: x, Seq: p.Seq, Step: next[x]}
	}
	return out
}

// sameOffer: the same step in the same place; its reason and the sequence may
// differ.
func sameOffer(a, b Offer) bool {
	if a.Step == nil || b.Step == nil {
		return a.Step == b.Step
	}
	return samePlace(a.Step, b.Step) && (a.Step.Ahead == nil) == (b.Step.Ahead == nil)
}

func samePlace(a, b *PlannedStep) bool {
	return a.Unit == b.Unit && a.Step == b.Step && a.Technician == b.Technician &&
		a.Start.Equal(b.Start) && slices.Equal(a.Resources, b.Resources)
}

// samePlaces: both plans have the same steps in the same places.
func samePlaces(a, b *Plan) bool {
	if a == nil || b == nil {
		return a == b
	}
	return slices.EqualFunc(a.Steps, b.Steps, func(x, y PlannedStep) bool {
		return x.Running == y.Running && samePlace(&x, &y) && x.End.Equal(y.End)
	}) && slices.EqualFunc(a.Unplaced, b.Unplaced, func(x, y UnplacedStep) bool {
		return x.Unit == y.Unit && x.Step == y.Step && x.Constraint == y.Constraint && x.Why == y.Why
	})
}
