// Package chronicle folds a site's log into what package flow measures: when
// each unit was in the shop, who and what was busy with it, what was held while
// nothing happened, and what units waited for.
//
//	c := chronicle.New(chronicle.Options{Log: log, Site: "larkmoor"})
//	err := c.CatchUp(ctx)                  // reads what is new in the log
//	report := flow.Measure(c.Data(from, to), flow.Window{…})
//
// It reads the log once and goes on from where it was; a call that is cut off
// leaves the rest to the next one. Times are the floor's own.
//
// What is kept is bounded: visits that ended more than [Options.Keep] ago are
// dropped, and the oldest ones beyond [Options.UnitsMax]; [Chronicle.Since]
// says from when on everything is there.
//
// What is known, and what is not:
//
//   - A hands-off stretch lasts as long as its operation says; what follows
//     until somebody signs off or goes on is locked: it holds the interface,
//     the bench, the charger, and nothing happens.
//   - A hands-on stretch that may pause is worked on while its technician is at
//     work, and locked during his breaks and the night; the log does not tell
//     pauses. Any other is worked on from its start to its end, also when
//     somebody forgot to press done.
//   - A step that needs several technicians counts for the one who signs.
//   - What a unit waited for is found by looking back at the step that came
//     next: the first limit that stood in its way, in the order closing,
//     foreman's hold, parts, a time that must pass after another step,
//     daylight, interface, pad, loop, bench, charger, technician. Where none of
//     them did, the cause is not known, and that is what it says. Plans are not
//     in the log, so their reasons can't be looked up afterwards.
package chronicle

import (
	"context"
	"sync"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/almanac"
)

// Options say what to read and how much of it to keep.
type Options struct {
	Log  log.Log
	Site queue.SiteID
	// Keep is how long a visit is kept after its end; 0: thirteen months.
	Keep time.Duration
	// UnitsMax bounds the visits kept; 0: 50,000.
	UnitsMax int
}

const (
	keepDefault  = 400 * 24 * time.Hour // thirteen months, and some days
	unitsDefault = 50_000
	tidyEvery    = 4096 // entries
)

// Chronicle is a site's past. All methods may be called concurrently.
type Chronicle struct {
	o Options

	mu       sync.Mutex
	seq      uint64
	entries  uint64
	events   uint64
	began    time.Time // of the first event
	newest   time.Time // of all events
	since    time.Time
	units    []*unit // by arrival in the log
	byID     map[queue.UnitID]*unit
	shops    []era
	closures map[queue.ResourceID][]queue.Closure
	absences map[queue.PersonID][]queue.Closure
	last     asked
}

// era is the time from which a shop file was in effect.
type era struct {
	from    time.Time
	shop    *queue.Shop
	almanac *almanac.Almanac
}

// unit is a visit with all that happened in it.
type unit struct {
	flow.Visit
	family queue.Family
	steps  []step
	spans  []span
	starts []start
	parts  map[queue.StepID]time.Time
	held   []queue.Closure // the last one's end is zero while it lasts
}

// step is a step of a visit as it stands.
type step struct {
	id     queue.StepID
	op     *queue.Operation
	after  []queue.After
	status queue.StepStatus
	ended  time.Time
	// While it runs: its present stretch.
	stretch    int
	since      time.Time
	technician queue.PersonID
	resources  []queue.ResourceID
}

// span is a time in which a step ran in one way.
type span struct {
	flow.Interval
	state      flow.State
	pauses     bool // hands-on, and may pause while nobody is there
	technician queue.PersonID
	resources  []queue.ResourceID
}

// start is a step's start, with what it had to wait for.
type start struct {
	at      time.Time
	step    queue.StepID
	op      *queue.Operation
	notTill time.Time // a time that had to pass after another step
}

// New returns a chronicle that has read nothing yet.
func New(o Options) *Chronicle {
	if o.Keep == 0 {
		o.Keep = keepDefault
	}
	if o.UnitsMax == 0 {
		o.UnitsMax = unitsDefault
	}
	return &Chronicle{
		o: o, byID: map[queue.UnitID]*unit{},
		closures: map[queue.ResourceID][]queue.Closure{}, absences: map[queue.PersonID][]queue.Closure{},
	}
}

// CatchUp folds what the log has that was not read yet. Errors are the log's,
// or ctx's.
func (c *Chronicle) CatchUp(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.o.Log.Read(ctx, c.o.Site, c.seq, c.fold)
}

// Since is the moment from which on every visit is kept; zero: from the first.
func (c *Chronicle) Since() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.since
}

// Began is when the record begins: the time of the first event; zero: there is
// none.
func (c *Chronicle) Began() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.began
}

// Seq is the sequence of the last entry that was folded.
func (c *Chronicle) Seq() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.seq
}

// Location is the shop's time zone; nil: no shop file took effect yet.
func (c *Chronicle) Location() *time.Location {
	c.mu.Lock()
	defer c.mu.Unlock()
	if shop := c.shop(); shop != nil {
		return shop.Location()
	}
	return nil
}

func (c *Chronicle) fold(en *queue.Entry) error {
	if en.Seq <= c.seq {
		return nil
	}
	for i := range en.Events {
		c.event(&en.Events[i])
	}
	c.seq, c.entries = en.Seq, c.entries+1
	if c.entries%tidyEvery == 0 {
		c.tidy()
	}
	return nil
}

// tidy drops what is too old.
func (c *Chronicle) tidy() {
	horizon := c.newest.Add(-c.o.Keep)
	over := len(c.units) - c.o.UnitsMax
	kept := c.units[:0]
	for _, u := range c.units {
		old := !u.Left.IsZero() && u.Left.Before(horizon)
		if !u.Left.IsZero() && (old || over > 0) {
			if u.Left.After(c.since) {
				c.since = u.Left
			}
			delete(c.byID, queue.UnitID(u.Unit))
			over--
			continue
		}
		kept = append(kept, u)
	}
	clear(c.units[len(kept):])
	c.units = kept
	forget(c.closures, horizon)
	forget(c.absences, horizon)
	for len(c.shops) > 1 && c.shops[1].from.Before(horizon) {
		c.shops = c.shops[1:]
	}
}

func forget[K comparable](m map[K][]queue.Closure, horizon time.Time) {
	for k, list := range m {
		var kept []queue.Closure
		for _, cl := range list {
			if !cl.Until.Before(horizon) {
				kept = append(kept, cl)
			}
		}
		if kept == nil {
			delete(m, k)
		} else {
			m[k] = kept
		}
	}
}
