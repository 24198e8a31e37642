package promise

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/scheduler/forecast"
	"tickover/services/almanac"
	"tickover/services/experience"
)

// LearnerOptions say what to learn from.
type LearnerOptions struct {
	Log  log.Log
	Site queue.SiteID
	// Window is how many of the last arrivals are heeded; 0: 250.
	Window int
	// Keep is how many answers are kept to be judged; 0: Window.
	Keep int
	// Whole works out every arrival of the log, not only the last ones.
	Whole   bool
	Paths   int // of each forecast; 0: 150
	Threads int
}

const (
	windowDefault     = 250
	learnPathsDefault = 150
)

// Levels are the shares that are said of every unit when it arrives, to be held
// against what became of it: 10, 15 … 95 %.
var Levels = func() []float64 {
	var out []float64
	for p := 10; p <= 95; p += 5 {
		out = append(out, float64(p)/100)
	}
	return out
}()

// Answer is what would have been said of a unit when it arrived, knowing no more
// than the log up to then, and what became of it.
type Answer struct {
	Unit    queue.UnitID
	Route   queue.RouteID
	At      time.Time
	Promise time.Time // what was promised to the customer
	// Said are the times by [Levels], Raw those without correction.
	Said, Raw []time.Time
	Median    time.Time // of the plan carried out by chance, not corrected
	Past      int       // answers that it was corrected by
	// Ready is when its last step ended; zero: not yet, or it left before.
	Ready time.Time
	Left  bool // it left over open steps: nothing can be said

	made made
}

// Kept reports whether the unit was ready by the time said with a level, which
// is an index of Levels; known is false while that is open.
func (a *Answer) Kept(level int) (kept, known bool) { return a.by(a.Said[level]) }

// KeptRaw is Kept of the times without correction.
func (a *Answer) KeptRaw(level int) (kept, known bool) { return a.by(a.Raw[level]) }

func (a *Answer) by(t time.Time) (kept, known bool) {
	if a.Ready.IsZero() || a.Left {
		return false, false
	}
	return !t.IsZero() && !a.Ready.After(t), true
}

// Learner follows a site's log. For every unit that arrives it works out what
// would have been said of it, and when the unit is ready, what that was worth.
// What it learns is a function of the log: after a restart it works the last
// arrivals out again. All methods may be called concurrently.
type Learner struct {
	o      LearnerOptions
	mu     sync.Mutex
	seq    uint64
	from   uint64 // arrivals after this entry are forecast
	begun  bool
	state  *queue.State
	shop   *queue.Shop
	a      *almanac.Almanac
	exp    *experience.Experience
	now    time.Time
	came   int
	all    []*Answer // by arrival
	open   map[queue.UnitID]*Answer
	latest atomic.Pointer[forecast.Correction]
}

// NewLearner returns a learner that has read nothing yet.
func NewLearner(o LearnerOptions) *Learner {
	if o.Window <= 0 {
		o.Window = windowDefault
	}
	o.Keep = max(o.Keep, o.Window)
	if o.Paths <= 0 {
		o.Paths = learnPathsDefault
	}
	return &Learner{o: o, state: queue.NewState(o.Site), exp: experience.New(o.Log, o.Site), open: map[queue.UnitID]*Answer{}}
}

// Correction is what was learnt last; nil: nothing yet.
func (l *Learner) Correction() *forecast.Correction {
	if l == nil {
		return nil
	}
	return l.latest.Load()
}

// Answers are the last ones, by arrival.
func (l *Learner) Answers() []Answer {
	if l == nil {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	out := make([]Answer, len(l.all))
	for i, a := range l.all {
		out[i] = *a
	}
	return out
}

// Arrived is the number of arrivals that were forecast, or could not be; Until
// the time of the last entry that was read.
func (l *Learner) Arrived() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.came
}

// Until: see Arrived.
func (l *Learner) Until() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.now
}

// Shop is the shop file in effect; nil: none took effect yet.
func (l *Learner) Shop() *queue.Shop {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state.Shop
}

// Run catches up at once and then again and again, until ctx ends.
func (l *Learner) Run(ctx context.Context, logger *zap.Logger) error {
	const every = time.Minute
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if err := l.CatchUp(ctx); err != nil && !errors.Is(err, context.Canceled) {
			logger.Warn("nothing was learnt of earlier promises", zap.Error(err))
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// CatchUp reads what the log has that was not read yet. The first time it looks
// only at the last arrivals. Errors are the log's, or ctx's.
func (l *Learner) CatchUp(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.begun && !l.o.Whole {
		if err := l.begin(ctx); err != nil {
			return err
		}
	}
	err := l.o.Log.Read(ctx, l.o.Site, l.seq, func(en *queue.Entry) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return l.entry(ctx, en)
	})
	if err != nil {
		return fmt.Errorf("learn from earlier promises: %w", err)
	}
	l.learn()
	return nil
}

// begin finds the entry after which the last arrivals lie.
func (l *Learner) begin(ctx context.Context) error {
	var seqs []uint64 // of the last arrivals
	err := l.o.Log.Read(ctx, l.o.Site, 0, func(en *queue.Entry) error {
		for i := range en.Events {
			if _, ok := en.Events[i].Data.(*queue.UnitArrived); ok {
				seqs = append(seqs, en.Seq)
			}
		}
		if len(seqs) > 4*l.o.Window {
			seqs = slices.Clone(seqs[len(seqs)-l.o.Window:])
		}
		return ctx.Err()
	})
	if err != nil {
		return fmt.Errorf("learn from earlier promises: %w", err)
	}
	if n := len(seqs) - l.o.Window; n > 0 {
		l.from = seqs[n] - 1
	}
	l.begun = true
	return nil
}

func (l *Learner) entry(ctx context.Context, en *queue.Entry) error {
	if en.Seq <= l.seq {
		return nil
	}
	if _, err := l.state.Apply(en); err != nil {
		return err
	}
	l.seq = en.Seq
	var came []queue.UnitID
	touched := map[queue.UnitID]bool{}
	for i := range en.Events {
		e := &en.Events[i]
		if e.Received.After(l.now) {
			l.now = e.Received
		}
		id, ok := e.Subject.Unit()
		if !ok {
			continue
		}
		touched[id] = true
		if _, ok := e.Data.(*queue.UnitArrived); ok {
			came = append(came, id)
		}
	}
	for id := range touched {
		l.look(id)
	}
	if len(came) == 0 || en.Seq <= l.from {
		return nil
	}
	l.came += len(came)
	return l.arrived(ctx, came)
}

// look sees whether a unit is ready, or gone.
func (l *Learner) look(id queue.UnitID) {
	a, u := l.open[id], l.state.Units[id]
	if a == nil || u == nil {
		return
	}
	ready, settled := time.Time{}, len(u.Steps) > 0
	for i := range u.Steps {
		settled = settled && u.Steps[i].Settled()
		if u.Steps[i].Ended.After(ready) {
			ready = u.Steps[i].Ended
		}
	}
	switch {
	case settled && ready.After(a.At):
		a.Ready = ready // rework may open it again
	case u.Status != queue.InShop:
		a.Ready, a.Left = time.Time{}, true
	default:
		a.Ready = time.Time{}
	}
	if u.Status != queue.InShop {
		delete(l.open, id)
	}
}

// arrived works out what would have been said of units that have just come.
func (l *Learner) arrived(ctx context.Context, came []queue.UnitID) error {
	if l.state.Shop == nil {
		return nil
	}
	if l.shop != l.state.Shop {
		a, err := almanac.New(l.state.Shop)
		if err != nil {
			return nil //nolint:nilerr // the ledger does not serve such a shop
		}
		l.shop, l.a = l.state.Shop, a
	}
	if err := l.exp.Refresh(ctx, l.now); err != nil {
		return err
	}
	l.learn()
	in := Input{
		State: l.state.View(), Almanac: l.a, Now: l.now, Lengths: l.exp.Lengths(), Past: l.Correction(),
		Paths: l.o.Paths, Threads: l.o.Threads, unpromised: map[queue.UnitID]bool{},
	}
	for _, id := range came {
		in.unpromised[id] = true
	}
	all, err := All(ctx, in)
	if err != nil {
		return err
	}
	for _, id := range came {
		p, ok := all[id]
		u := l.state.Units[id]
		if !ok || !p.Known() || u == nil {
			continue
		}
		a := &Answer{Unit: id, Route: u.Route, At: l.now, Promise: u.Promise, Past: in.Past.Of(string(u.Route)).N(), Median: p.made.hours.at(p.made.median), made: p.made}
		for _, level := range Levels {
			a.Said = append(a.Said, Said(p.At(level)))
			a.Raw = append(a.Raw, p.made.raw(level))
		}
		l.open[id] = a
		l.all = append(l.all, a)
	}
	if n := len(l.all) - l.o.Keep; n > 0 {
		l.all = slices.Clone(l.all[n:])
	}
	return nil
}

// learn makes the correction of the last answers.
func (l *Learner) learn() {
	from := max(0, len(l.all)-l.o.Window)
	var scores []forecast.Score
	for _, a := range l.all[from:] {
		switch {
		case a.Left:
		case a.Ready.IsZero():
			scores = append(scores, forecast.Score{Z: a.made.score(l.now), Open: true, Kind: string(a.Route)})
		default:
			scores = append(scores, forecast.Score{Z: a.made.score(a.Ready), Kind: string(a.Route)})
		}
	}
	l.latest.Store(forecast.Correct(scores))
}
