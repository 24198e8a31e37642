// Package experience learns from a site's log how long work takes: by
// operation and stretch, model and technician, for the planner, the forecast
// and the owner.
//
//	e := experience.New(log, "larkmoor")
//	err := e.Refresh(ctx, now)          // learns up to the shop's last midnight
//	p := e.Lengths().Planned(op, 0, "Kestrow Brae 250", "", 0.6)
//
// What it guarantees:
//
//  1. Lengths are a function of the log and a day: whatever process learns
//     them, and after whatever restart, they are the same. They are learnt
//     overnight, from what the queue had heard by the midnight before, so that
//     no plan wavers because a step has just ended.
//  2. Nothing is silently averaged in: a step that probably nobody signed off
//     counts as "at least the listed time", what stopped in the middle as "at
//     least so long", the time of a machine that waited for somebody as "at
//     most", and what a wrong clock told not at all. All of these are counted,
//     and the newest are listed.
//  3. What is kept is bounded: the work of thirteen months (services/timesheet),
//     of it the newest 50,000 stretches.
//
// What is learnt of a stretch holds for operations of the same shape: an
// operation that gets another stretch starts anew.
package experience

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/scheduler/estimate"
	"tickover/services/timesheet"
)

// stretchesMax bounds what is learnt from, flagsMax what is listed.
const (
	stretchesMax = 50_000
	flagsMax     = 60
	handsOffUse  = 0.08 // usual spread of a machine's time (no source)
)

// Experience follows one site's log. All methods may be called concurrently.
type Experience struct {
	sheet *timesheet.Sheet

	mu   sync.Mutex // learning
	last atomic.Pointer[Lengths]
}

// New returns an experience that has read nothing yet.
func New(l log.Log, site queue.SiteID) *Experience {
	return &Experience{sheet: timesheet.New(l, site)}
}

// Lengths are what was learnt last; nil: nothing was learnt yet, and the listed
// times hold.
func (e *Experience) Lengths() *Lengths {
	if e == nil {
		return nil
	}
	return e.last.Load()
}

// Refresh learns up to the midnight before now on the shop's clock, unless that
// was done already. Errors are the log's, or ctx's.
func (e *Experience) Refresh(ctx context.Context, now time.Time) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	last := e.last.Load()
	if last != nil && last.Until.Equal(midnight(now, last.shop)) {
		return nil
	}
	if err := e.sheet.CatchUp(ctx); err != nil {
		return fmt.Errorf("learn lengths: %w", err)
	}
	shop := e.sheet.ShopAt(now)
	if shop == nil {
		return nil // no shop file took effect yet
	}
	until := midnight(now, shop)
	e.last.Store(Learnt(e.sheet.Stretches(until), e.sheet.ShopAt(until), until))
	return nil
}

func midnight(now time.Time, shop *queue.Shop) time.Time {
	t := now.In(shop.Location())
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
}

// Run refreshes at once and then every few minutes, until ctx ends.
func (e *Experience) Run(ctx context.Context, now func() time.Time, logger *zap.Logger) error {
	const every = 5 * time.Minute
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := e.Refresh(ctx, now()); err != nil && !errors.Is(err, context.Canceled) {
			logger.Warn("lengths were not learnt anew", zap.Error(err))
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// Why says why an observation does not count as it was recorded.
type Why int

// The reasons.
const (
	Clock     Why = iota + 1 // a clock was wrong
	NotSigned                // probably nobody signed it off: at least the listed time
	Stopped                  // it stopped in the middle: at least so long
	FarOut                   // far longer than the rest: at least the fence
	WaitedOut                // the machine was done before somebody came: at most so long
)

// Flag is an observation that does not count as it was recorded.
type Flag struct {
	Unit    queue.UnitID
	Step    queue.StepID
	Row     Key
	At      time.Time // when it ended
	Took    time.Duration
	Counted time.Duration // as at least, or at most, so long; zero: not at all
	Why     Why
}

// Key is what lengths are kept by: a stretch of an operation.
type Key struct {
	Operation queue.OperationID
	Stretch   int // from 0
	Of        int // stretches
	HandsOn   bool
}

func (k Key) String() string {
	kind := "off"
	if k.HandsOn {
		kind = "on"
	}
	return fmt.Sprintf("%s/%d/%d/%s", k.Operation, k.Stretch, k.Of, kind)
}

// KeyOf is the key of an operation's stretch.
func KeyOf(op *queue.Operation, stretch int) Key {
	return Key{op.ID, stretch, len(op.Stretches), op.Stretches[stretch].HandsOn}
}

// Lengths are what was learnt up to a moment. They do not change.
type Lengths struct {
	// Until is the midnight up to which the log was heeded.
	Until time.Time
	// Seen is the number of stretches that were learnt from; Clock of them a
	// wrong clock told, and Absurd were shorter than a second or longer than a
	// month: those were left out.
	Seen, Clock, Absurd int
	Flags               []Flag // the newest, newest first
	counts              map[string]map[Why]int
	shop                *queue.Shop
	book                *estimate.Book
	groups              map[Key]*group
	warm                map[string]Warmth
}

// Warmth is how an engine of a model warms up at idle.
type Warmth struct {
	estimate.Warming
	N       int  // relearns with both temperatures read
	Learnt  bool // false: too few, and the usual one stands in
	TargetC float64
}

type group struct{ models, people map[string]int }

// Learnt learns from stretches, for a shop's operations.
func Learnt(seen []timesheet.Stretch, shop *queue.Shop, until time.Time) *Lengths {
	l := &Lengths{Until: until, shop: shop, groups: map[Key]*group{}, counts: map[string]map[Why]int{}, warm: map[string]Warmth{}}
	if n := len(seen) - stretchesMax; n > 0 {
		seen = seen[n:]
	}
	listed := map[string]estimate.Listed{}
	keys := map[string]Key{}
	for i := range shop.Operations {
		op := &shop.Operations[i]
		for k, x := range op.Stretches {
			key := KeyOf(op, k)
			keys[key.String()] = key
			if x.HandsOn {
				listed[key.String()] = estimate.Listed{Length: x.Duration}
			} else {
				listed[key.String()] = estimate.Listed{Length: x.Duration, Sigma: handsOffUse}
			}
		}
	}
	var history []estimate.Observation
	from := map[where]*timesheet.Stretch{}
	for i := range seen {
		x := &seen[i]
		key := KeyOf(x.Operation, x.Index)
		if _, ok := keys[key.String()]; !ok {
			continue // the shop does no such work any more
		}
		o, why, ok := observed(x, key)
		if !ok {
			continue
		}
		l.Seen++
		history = append(history, o)
		from[whereOf(&o)] = x
		if why != 0 {
			l.flag(x, key, o.Took, why)
		}
		if !o.Suspect {
			l.count(key, &o)
		}
	}
	l.book = estimate.Fitted(history, func(op string) estimate.Listed { return listed[op] })
	l.Clock, l.Absurd = l.book.Suspect, l.book.Absurd
	for _, f := range l.book.Flagged {
		if x := from[whereOf(&f.Observation)]; x != nil {
			l.flag(x, keys[f.Operation], f.Fence, FarOut)
		}
	}
	for _, o := range l.book.WaitedOut {
		if x := from[whereOf(&o)]; x != nil {
			l.flag(x, keys[o.Operation], o.Took, WaitedOut)
		}
	}
	slices.SortStableFunc(l.Flags, func(a, b Flag) int {
		return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Step, b.Step), cmp.Compare(a.Row.Stretch, b.Row.Stretch))
	})
	l.Flags = l.Flags[:min(len(l.Flags), flagsMax)]
	l.warming(seen)
	return l
}

// where finds an observation's stretch again.
type where struct {
	key  string
	at   int64
	took time.Duration
	who  string
}

func whereOf(o *estimate.Observation) where {
	return where{o.Operation, o.At.UnixNano(), o.Took, o.Technician}
}

// observed is what a stretch tells of the length of its kind; false: nothing.
func observed(x *timesheet.Stretch, key Key) (o estimate.Observation, why Why, ok bool) {
	of := &x.Operation.Stretches[x.Index]
	o = estimate.Observation{Operation: key.String(), Model: x.Model, Technician: string(x.Technician), Took: x.Worked, At: x.End}
	switch {
	case x.ClockDoubt:
		o.Suspect = true
		return o, Clock, !x.Running
	case !key.HandsOn:
		// A machine that was not over, or failed, says nothing of its time.
		o.Waited = of.MaxWait != 0
		return o, 0, !x.Running && !x.Failed
	case x.Doubt != labour.Sure:
		o.Took, o.Censored = min(x.Worked, of.Duration), true
		return o, NotSigned, !x.Running
	case x.Failed || x.Running:
		o.Censored = true
		if x.Running {
			return o, 0, true
		}
		return o, Stopped, true
	}
	return o, 0, true
}

func (l *Lengths) flag(x *timesheet.Stretch, key Key, counted time.Duration, why Why) {
	if why == Clock {
		counted = 0
	}
	n := l.counts[key.String()]
	if n == nil {
		n = map[Why]int{}
		l.counts[key.String()] = n
	}
	n[why]++
	l.Flags = append(l.Flags, Flag{Unit: x.Unit, Step: x.Step, Row: key, At: x.End, Took: x.Worked, Counted: counted, Why: why})
}

func (l *Lengths) count(key Key, o *estimate.Observation) {
	g := l.groups[key]
	if g == nil {
		g = &group{map[string]int{}, map[string]int{}}
		l.groups[key] = g
	}
	if o.Model != "" {
		g.models[o.Model]++
	}
	if o.Technician != "" {
		g.people[o.Technician]++
	}
}

// warming learns how each model warms up, where somebody wrote down how warm it
// was outside.
func (l *Lengths) warming(seen []timesheet.Stretch) {
	by := map[string][]estimate.Relearn{}
	for i := range seen {
		x := &seen[i]
		if x.Operation.Kind != queue.Relearn || x.Operation.Stretches[x.Index].HandsOn || x.Running || x.Failed || x.ClockDoubt || x.AirC == nil || x.WarmC == nil {
			continue
		}
		by[x.Model] = append(by[x.Model], estimate.Relearn{AirC: *x.AirC, EndC: *x.WarmC, Took: x.Worked})
	}
	for model, list := range by {
		w := Warmth{N: len(list)}
		ends := make([]float64, len(list))
		for i, r := range list {
			ends[i] = r.EndC
		}
		slices.Sort(ends)
		w.TargetC = ends[len(ends)/2]
		w.Warming, w.Learnt = estimate.FitWarming(list)
		l.warm[model] = w
	}
}

// Warm is how the models warm up of which anything is known.
func (l *Lengths) Warm() map[string]Warmth {
	if l == nil {
		return nil
	}
	return l.warm
}

// Of estimates a stretch. Model and technician may be empty: any. Without a
// history it is the listed time, with wide limits.
func (l *Lengths) Of(op *queue.Operation, stretch int, model string, who queue.PersonID) estimate.Estimate {
	if l == nil {
		x := &op.Stretches[stretch]
		listed := estimate.Listed{Length: x.Duration}
		if !x.HandsOn {
			listed.Sigma = handsOffUse
		}
		return estimate.Fitted(nil, func(string) estimate.Listed { return listed }).Of("", "", "")
	}
	return l.book.Of(KeyOf(op, stretch).String(), model, string(who))
}

// Planned is the length to plan with.
type Planned struct {
	Length, Listed time.Duration
	Estimate       estimate.Estimate
}

// waitedQuantile is what the time of a machine is planned with that may wait
// for somebody (no source; the lower quartile). Of such a time only is known
// when somebody came, and people come when it is planned: planned with a higher
// share it would grow by what they come late, night after night, and interface
// or charger stay locked for it. Who comes too early waits a minute or two.
const waitedQuantile = 0.25

// Planned is the length to plan a stretch with: the quantile p of what was
// seen, see [estimate.Estimate.Planned]; of the time of a machine that may wait
// for somebody the lower quartile, if that is less.
func (l *Lengths) Planned(op *queue.Operation, stretch int, model string, who queue.PersonID, p float64) Planned {
	listed := op.Stretches[stretch].Duration
	if l == nil {
		return Planned{Length: listed, Listed: listed, Estimate: l.Of(op, stretch, model, who)}
	}
	if x := &op.Stretches[stretch]; !x.HandsOn && x.MaxWait != 0 {
		p = min(p, waitedQuantile)
	}
	e := l.Of(op, stretch, model, who)
	return Planned{Length: e.Planned(p, listed), Listed: listed, Estimate: e}
}
