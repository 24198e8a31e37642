package dispatch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/services/ledger"
)

// Config says which site to dispatch, on what.
type Config struct {
	Site queue.SiteID
	Conn *nats.Conn
	// Ledger is the site's; somebody runs it.
	Ledger *ledger.Ledger
	Now    func() time.Time
	Core   Options
	// Holder names this process to others; empty: host and process.
	Holder string
	// Lease is how long a dispatcher that died blocks its standby, in whole
	// seconds; 0: 3 s.
	Lease time.Duration
	// Peers, if set, share the sites with this process.
	Peers *Peers
	// Turns share the machine with the dispatchers of other sites; nil: it
	// plans whenever it wants to.
	Turns *Turns
	// Poll is how often the clock is looked at; 0: 200 ms. It is real time,
	// also when Now runs faster.
	Poll time.Duration
	// ImproveAfter is how long nothing must happen before a better plan is
	// looked for; 0: 500 ms, negative: never.
	ImproveAfter time.Duration
	// Replicas of what is kept on NATS, see [Provision].
	Replicas int
	Logger   *zap.Logger // nil: none
	// Observe hears of each plan that was made and each that failed; it is
	// called on the dispatcher's goroutine. Nil: nobody.
	Observe func(Report)
}

// Report is one look at the state, for metrics.
type Report struct {
	Outcome
	Seq      uint64 // of the state
	Improved bool   // by an improvement run
	Err      error  // planning failed; the old plan is kept
	Panicked bool   // Err was a broken invariant
}

// Dispatcher plans a site and offers its jobs, or stands by.
type Dispatcher struct {
	c   Config
	js  jetstream.JetStream
	log *zap.Logger
}

// New makes a dispatcher and what it needs on NATS.
func New(ctx context.Context, c Config) (*Dispatcher, error) {
	if c.Now == nil || c.Ledger == nil || c.Conn == nil || c.Site == "" {
		return nil, errors.New("dispatch: site, connection, ledger and clock are needed")
	}
	if c.Logger == nil {
		c.Logger = zap.NewNop()
	}
	if c.Holder == "" && c.Peers != nil {
		c.Holder = c.Peers.Name()
	}
	if c.Holder == "" {
		c.Holder = holderName()
	}
	if c.Lease == 0 {
		c.Lease = leaseTTL
	}
	c.Lease = max(c.Lease.Round(time.Second), 2*leaseMin)
	if c.Poll == 0 {
		c.Poll = 200 * time.Millisecond
	}
	if c.ImproveAfter == 0 {
		c.ImproveAfter = 500 * time.Millisecond
	}
	if c.Observe == nil {
		c.Observe = func(Report) {}
	}
	js, err := Provision(ctx, c.Conn, c.Replicas)
	if err != nil {
		return nil, err
	}
	return &Dispatcher{c: c, js: js, log: c.Logger.Named("dispatch").With(zap.String("site", string(c.Site)))}, nil
}

func holderName() string {
	host, _ := os.Hostname()
	return fmt.Sprintf("%s/%d", host, os.Getpid())
}

// Run dispatches or stands by until ctx ends. It returns nil then, and an
// error when the connection was closed for good.
func (d *Dispatcher) Run(ctx context.Context) error {
	var turn turn
	for ctx.Err() == nil {
		var l *Lease
		var err error
		if d.myTurn(&turn, time.Now()) {
			l, err = TryLease(ctx, bucketLeases{d.js}, time.Now, d.c.Site, d.c.Holder, d.c.Lease)
		}
		if err == nil && l != nil {
			err = d.term(ctx, l)
			turn.free, turn.asked = time.Time{}, time.Now()
		}
		if ctx.Err() != nil {
			return nil
		}
		if d.c.Conn.IsClosed() {
			return fmt.Errorf("dispatch site %s: %w", d.c.Site, errors.Join(nats.ErrConnectionClosed, err))
		}
		if errors.Is(err, errYield) {
			d.log.Info("left the site to another dispatcher")
			err = nil
		}
		if err != nil {
			d.log.Warn("not dispatching", zap.Error(err))
		}
		select {
		case <-ctx.Done():
		case <-time.After(retryAfter):
		}
		if err != nil { // a server that was started anew lost what is in memory
			_, _ = Provision(ctx, d.c.Conn, -copies(d.c.Replicas))
		}
	}
	return nil
}

// term dispatches as long as the lease holds.
func (d *Dispatcher) term(ctx context.Context, l *Lease) error {
	d.log.Info("dispatching", zap.Uint64("epoch", l.Epoch()))
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return l.keep(gctx) })
	g.Go(func() error { return d.yield(gctx) })
	g.Go(func() error {
		return d.run(gctx, NewTerm(TermConfig{
			Site: d.c.Site, Epoch: l.Epoch(), Core: d.c.Core, Ledger: d.c.Ledger, Now: d.c.Now,
			Board: &natsBoard{d.c.Conn, d.js, d.c.Site}, Logger: d.log, Observe: d.c.Observe, Turns: d.c.Turns,
		}))
	})
	err := g.Wait()
	if !errors.Is(err, errLeaseLost) {
		l.release(context.WithoutCancel(ctx))
	}
	return err
}

func (d *Dispatcher) run(ctx context.Context, t *Term) error {
	resend := make(chan *nats.Msg, 64)
	sub, err := d.c.Conn.ChanSubscribe(ResendSubject(d.c.Site), resend)
	if err != nil {
		return fmt.Errorf("listen for resend requests: %w", err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	watch := d.c.Ledger.Watch()
	defer watch.Stop()
	tick := time.NewTicker(d.c.Poll)
	defer tick.Stop()
	if err := t.Begin(ctx); err != nil {
		return err
	}
	quiet := time.Now()
	for {
		var err error
		select {
		case <-ctx.Done():
			return nil
		case <-watch.C():
			err = t.Look(ctx)
			quiet = time.Now()
		case m := <-resend:
			err = t.Resend(ctx, Station(m.Data))
		case <-tick.C:
			if t.Due() {
				err = t.Look(ctx)
			} else if d.c.ImproveAfter > 0 && time.Since(quiet) > d.c.ImproveAfter {
				err = t.improve(ctx, watch)
			}
		}
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
}
