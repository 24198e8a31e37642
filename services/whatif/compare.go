package whatif

import (
	"cmp"
	"slices"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// Comparison is how two plans differ, as a foreman sees it.
type Comparison struct {
	// Promises are the units whose lateness or promise changes, those that get
	// worse first, by how much.
	Promises []Promise
	// Ready are units that are ready at another time while their promises are
	// kept, or missed, as before; the largest shift first.
	Ready []Promise
	// Moves are steps that change their place, by their new start.
	Moves []Move
	// Pins can't be kept afterwards; New tells those that could before.
	Pins []Pin
	// Unfit are steps that fit before and don't any more; Fit the reverse.
	Unfit, Fit []dispatch.UnplacedStep
	Sum        Sum
}

// Promise is one unit before and after.
type Promise struct {
	Unit                       queue.UnitID
	PromiseBefore, PromiseNext time.Time
	ReadyBefore, ReadyNext     time.Time // zero: does not fit
	LateBefore, LateNext       int64     // minutes after the promise; 0: kept
	// ShiftMin is by how many minutes it is ready later; negative: sooner. 0
	// when it does not fit before or after.
	ShiftMin int64
	Verdict  Verdict
}

// DeltaMin is by how many minutes it is later against its promise.
func (p *Promise) DeltaMin() int64 { return p.LateNext - p.LateBefore }

// Verdict is what becomes of a promise.
type Verdict string

// The verdicts, the worst first.
const (
	Lost   Verdict = "lost"   // fits before, does not afterwards
	Broken Verdict = "broken" // kept before, missed afterwards
	Worse  Verdict = "worse"  // missed by more
	Better Verdict = "better" // missed by less
	Kept   Verdict = "kept"   // missed before, kept afterwards
	Found  Verdict = "found"  // did not fit before, does afterwards
	New    Verdict = "new"    // was not there before
	Same   Verdict = "same"
)

// Bad reports that somebody has to be told.
func (v Verdict) Bad() bool { return v == Lost || v == Broken || v == Worse }

// Good reports an improvement.
func (v Verdict) Good() bool { return v == Better || v == Kept || v == Found }

var verdictRank = map[Verdict]int{Lost: 0, Broken: 1, Worse: 2, New: 3, Found: 4, Kept: 5, Better: 6, Same: 7}

// Move is a step that changes its place; Before or Next is nil when it has
// none.
type Move struct {
	Unit         queue.UnitID
	Step         queue.StepID
	Before, Next *dispatch.PlannedStep
}

// Pin is one that can't be kept.
type Pin struct {
	dispatch.FailedPin
	New bool
}

// Sum is the whole in numbers. Minutes late count each unit once, unweighted.
type Sum struct {
	LateBefore, LateNext       int // units
	LateMinBefore, LateMinNext int64
	Worse, Better              int // promises
	Moved                      int // steps
}

// Compare compares two plans of two states of a shop.
func Compare(was, is *queue.State, before, after *dispatch.Plan) Comparison {
	var c Comparison
	old := map[queue.UnitID]dispatch.UnitForecast{}
	for _, f := range before.Units {
		old[f.Unit] = f
		c.Sum.count(f, &c.Sum.LateBefore, &c.Sum.LateMinBefore)
	}
	for _, f := range after.Units {
		c.Sum.count(f, &c.Sum.LateNext, &c.Sum.LateMinNext)
		p := promise(old, f)
		_, known := was.Units[f.Unit]
		if !known {
			p.Verdict = New
		}
		switch {
		case p.Verdict != Same, !p.PromiseBefore.Equal(p.PromiseNext):
			c.Promises = append(c.Promises, p)
		case p.ShiftMin != 0:
			c.Ready = append(c.Ready, p)
		}
		if p.Verdict.Bad() {
			c.Sum.Worse++
		} else if p.Verdict.Good() {
			c.Sum.Better++
		}
	}
	c.order()
	c.moves(is, before, after)
	c.pins(before, after)
	c.Unfit = missing(after.Unplaced, before.Unplaced)
	c.Fit = missing(before.Unplaced, after.Unplaced)
	return c
}

func (s *Sum) count(f dispatch.UnitForecast, units *int, minutes *int64) {
	if f.LateMin > 0 || f.Ready.IsZero() {
		*units++
	}
	*minutes += f.LateMin
}

func promise(old map[queue.UnitID]dispatch.UnitForecast, f dispatch.UnitForecast) Promise {
	p := Promise{Unit: f.Unit, PromiseNext: f.Promise, PromiseBefore: f.Promise, ReadyNext: f.Ready, LateNext: f.LateMin, Verdict: Same}
	b, planned := old[f.Unit]
	if !planned {
		p.Verdict = New
		return p
	}
	p.PromiseBefore, p.ReadyBefore, p.LateBefore = b.Promise, b.Ready, b.LateMin
	switch {
	case b.Ready.IsZero() && f.Ready.IsZero():
		return p
	case f.Ready.IsZero():
		p.Verdict = Lost
		return p
	case b.Ready.IsZero():
		p.Verdict = Found
		return p
	}
	p.ShiftMin = int64(f.Ready.Sub(b.Ready).Round(time.Minute) / time.Minute)
	switch {
	case p.LateBefore == 0 && p.LateNext > 0:
		p.Verdict = Broken
	case p.LateNext > p.LateBefore:
		p.Verdict = Worse
	case p.LateBefore > 0 && p.LateNext == 0:
		p.Verdict = Kept
	case p.LateNext < p.LateBefore:
		p.Verdict = Better
	}
	return p
}

func (c *Comparison) order() {
	slices.SortStableFunc(c.Promises, func(x, y Promise) int {
		return cmp.Or(cmp.Compare(verdictRank[x.Verdict], verdictRank[y.Verdict]), cmp.Compare(abs(y.DeltaMin()), abs(x.DeltaMin())), cmp.Compare(x.Unit, y.Unit))
	})
	slices.SortStableFunc(c.Ready, func(x, y Promise) int {
		return cmp.Or(cmp.Compare(abs(y.ShiftMin), abs(x.ShiftMin)), cmp.Compare(x.Unit, y.Unit))
	})
}

func abs(n int64) int64 { return max(n, -n) }

// moves lists the steps that have another start, technician or place. Steps
// of a unit that has left, or that are over, are no moves.
func (c *Comparison) moves(is *queue.State, before, after *dispatch.Plan) {
	old := map[queue.Hold]*dispatch.PlannedStep{}
	for i := range before.Steps {
		s := &before.Steps[i]
		old[queue.Hold{Unit: s.Unit, Step: s.Step}] = s
	}
	for i := range after.Steps {
		s := &after.Steps[i]
		key := queue.Hold{Unit: s.Unit, Step: s.Step}
		b := old[key]
		delete(old, key)
		if b == nil || !samePlace(b, s) {
			c.Moves = append(c.Moves, Move{s.Unit, s.Step, b, s})
		}
	}
	for i := range before.Steps { // what is left fell out of the plan
		s := &before.Steps[i]
		if old[queue.Hold{Unit: s.Unit, Step: s.Step}] != s {
			continue
		}
		if u := is.Units[s.Unit]; u != nil && u.Step(s.Step) != nil && !u.Step(s.Step).Settled() {
			c.Moves = append(c.Moves, Move{s.Unit, s.Step, s, nil})
		}
	}
	slices.SortStableFunc(c.Moves, func(x, y Move) int {
		return cmp.Or(x.at().Compare(y.at()), cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.Step, y.Step))
	})
	c.Sum.Moved = len(c.Moves)
}

func (m *Move) at() time.Time {
	if m.Next != nil {
		return m.Next.Start
	}
	return m.Before.Start
}

func samePlace(a, b *dispatch.PlannedStep) bool {
	return a.Start.Equal(b.Start) && a.Technician == b.Technician && slices.Equal(a.Resources, b.Resources)
}

func (c *Comparison) pins(before, after *dispatch.Plan) {
	for _, p := range after.Pins {
		failed := slices.ContainsFunc(before.Pins, func(b dispatch.FailedPin) bool { return b.Unit == p.Unit && b.Step == p.Step })
		c.Pins = append(c.Pins, Pin{p, !failed})
	}
	slices.SortStableFunc(c.Pins, func(x, y Pin) int {
		if x.New != y.New {
			if x.New {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(x.Unit, y.Unit), cmp.Compare(x.Step, y.Step))
	})
}

// missing are the steps of a that b does not name.
func missing(a, b []dispatch.UnplacedStep) []dispatch.UnplacedStep {
	var out []dispatch.UnplacedStep
	for _, x := range a {
		if !slices.ContainsFunc(b, func(y dispatch.UnplacedStep) bool { return x.Unit == y.Unit && x.Step == y.Step }) {
			out = append(out, x)
		}
	}
	return out
}
