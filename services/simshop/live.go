package simshop

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// DemoMorning is when the live demo opens: half past eight of the busiest day,
// with units from the days before still in work.
func DemoMorning(loc *time.Location) time.Time { return DemoBusy.At(8*60+30, loc) }

// Live says which running services the people work with.
type Live struct {
	Clock *Clock
	// Ledger is the one of the running services; its Now is Clock.Now.
	Ledger *ledger.Ledger
	// Do, if set, carries the commands out in place of Ledger.Do: the same
	// ledger with its refusals counted, for example.
	Do func(context.Context, queue.Command) (ledger.Receipt, error)
	// Conn is where the dispatcher publishes its plans.
	Conn *nats.Conn
	// Played are technicians that a human plays; see [Shop.Play].
	Played []queue.PersonID
	// SkipNights lets the clock jump while nobody is there.
	SkipNights bool
	Logger     *zap.Logger // nil: none
}

// liveFloor is the running services as the people see them.
type liveFloor struct {
	*ledger.Ledger
	do func(context.Context, queue.Command) (ledger.Receipt, error)
}

func (f liveFloor) Do(ctx context.Context, cmd queue.Command) (ledger.Receipt, error) {
	return f.do(ctx, cmd)
}

// Drive lets the people go on in front of running services, in the time of
// l.Clock, until ctx ends. Where FastForward left off they carry on; the clock
// should show that moment.
//
// A human may do anything beside them: what he has accepted, started or gone
// on with is his, and a technician whom he plays does nothing by himself.
func (s *Shop) Drive(ctx context.Context, l Live) error {
	if l.Clock == nil || l.Ledger == nil || l.Conn == nil {
		return errors.New("simulated shop: clock, ledger and connection are needed")
	}
	if l.Do == nil {
		l.Do = l.Ledger.Do
	}
	if l.Logger == nil {
		l.Logger = zap.NewNop()
	}
	for _, id := range l.Played {
		if err := s.Play(id, true); err != nil {
			return err
		}
	}
	d := &drive{
		Shop: s, Live: l, log: l.Logger.Named("simshop"),
		plans: make(chan struct{}, 1), alerts: make(chan []bench.Alert, 16),
	}
	s.floor, s.plan = liveFloor{l.Ledger, l.Do}, d.plan.Load
	s.recorded, s.benches, s.station, s.live = nil, nil, nil, true
	g, ctx := errgroup.WithContext(ctx)
	s.ctx = ctx
	g.Go(func() error {
		return dispatch.FollowPlans(ctx, l.Conn, l.Ledger.View().Site, func(p *dispatch.Plan) {
			d.plan.Store(p)
			wake(d.plans)
		})
	})
	g.Go(func() error {
		return bench.FollowAlerts(ctx, l.Conn, l.Ledger.View().Site, func(_ dispatch.Station, as []bench.Alert) {
			select {
			case d.alerts <- as:
			case <-ctx.Done():
			}
		})
	})
	g.Go(func() error { return d.loop(ctx) })
	return g.Wait()
}

// Play hands a technician over to a human, or back to the simulation. It may
// be called while Drive runs.
func (s *Shop) Play(id queue.PersonID, human bool) error {
	for _, p := range s.people {
		if p.id == id {
			p.played.Store(human)
			return nil
		}
	}
	return errors.New("simulated shop: there is no technician " + string(id))
}

func wake(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// drive is a live run; one goroutine owns the world.
type drive struct {
	*Shop
	Live
	log    *zap.Logger
	plan   atomic.Pointer[dispatch.Plan]
	plans  chan struct{}
	alerts chan []bench.Alert
}

// idle is the longest time, of the wall, between two looks at the shop: people
// look up now and then even when nothing is announced.
const idle = 500 * time.Millisecond

func (d *drive) loop(ctx context.Context) error {
	watch := d.Ledger.Watch()
	defer watch.Stop()
	d.now = d.Clock.Now()
	d.adoptAll()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		changed := false
		var heard []bench.Alert
		select {
		case <-ctx.Done():
			return nil
		case <-watch.C():
			changed = true
		case <-d.plans:
			changed = true
		case heard = <-d.alerts:
		case <-timer.C:
		}
		d.now = d.Clock.Now()
		for i := range heard {
			d.alert(&heard[i])
		}
		if changed || d.plan.Load() != nil {
			d.rounds()
			d.considerAll()
		}
		d.work(ctx)
		if d.SkipNights {
			d.skip()
		}
		timer.Reset(d.wait())
	}
}

// work does what is due by the clock.
func (d *drive) work(ctx context.Context) {
	for ctx.Err() == nil {
		x, ok := d.due.Before(d.Clock.Now().Add(1))
		if !ok {
			return
		}
		d.now = d.Clock.Now()
		x.What()
		if d.fatal != nil {
			d.log.Warn("a simulated person gave up", zap.Error(d.fatal))
			d.fatal = nil
		}
	}
}

func (d *drive) wait() time.Duration {
	at, ok := d.due.Next()
	if !ok {
		return idle
	}
	return min(idle, d.Clock.Wait(at))
}

// skip jumps over the time in which the shop is shut and nobody is there.
func (d *drive) skip() {
	a := d.floor.Almanac()
	now := d.Clock.Now()
	if a == nil || a.Open(now.Add(-time.Minute), now.Add(2*time.Hour)).Contains(now) {
		return
	}
	for _, p := range d.people {
		if p.busy != nil {
			return
		}
	}
	to := d.openDay(now, 0).Start.Add(-10 * time.Minute)
	if at, ok := d.due.Next(); ok && at.Before(to) {
		to = at
	}
	if to.Sub(now) > 10*time.Minute {
		d.Clock.Skip(to)
	}
}
