package dispatch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
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
		var l *lease
		var err error
		if d.myTurn(&turn, time.Now()) {
			l, err = tryLease(ctx, d.js, d.c.Site, d.c.Holder, d.c.Lease)
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
func (d *Dispatcher) term(ctx context.Context, l *lease) error {
	d.log.Info("dispatching", zap.Uint64("epoch", l.epoch()))
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return l.keep(gctx) })
	g.Go(func() error { return d.yield(gctx) })
	g.Go(func() error {
		t := &term{d: d, epoch: l.epoch(), core: NewCore(d.c.Core)}
		return t.run(gctx)
	})
	err := g.Wait()
	if !errors.Is(err, errLeaseLost) {
		l.release(context.WithoutCancel(ctx))
	}
	return err
}

// term is one dispatcher's time as the active one. Its goroutine owns the core.
type term struct {
	d     *Dispatcher
	epoch uint64
	core  *Core
	// failed is the state that planning failed on: not tried again before
	// there is another one.
	failed uint64
}

func (t *term) run(ctx context.Context) error {
	d := t.d
	if p, err := LatestPlan(ctx, d.c.Conn, d.c.Site); err != nil {
		d.log.Warn("last plan not read, planning without it", zap.Error(err))
	} else if p != nil {
		t.core.Adopt(p)
	}
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
	if err := t.look(ctx); err != nil {
		return err
	}
	quiet := time.Now()
	for {
		var err error
		select {
		case <-ctx.Done():
			return nil
		case <-watch.C():
			err = t.look(ctx)
			quiet = time.Now()
		case m := <-resend:
			err = t.resend(ctx, Station(m.Data))
		case <-tick.C:
			if due := t.core.Due(); !due.IsZero() && d.c.Now().After(due) {
				err = t.look(ctx)
			} else if d.c.ImproveAfter > 0 && time.Since(quiet) > d.c.ImproveAfter {
				err = t.improve(ctx, watch)
			}
		}
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
}

// look plans for the newest state and publishes what changed. Its error ends
// the term: what could not be published would be missed for good.
func (t *term) look(ctx context.Context) error {
	st := t.d.c.Ledger.View()
	if t.failed != 0 && t.failed == st.Seq {
		return nil
	}
	t.failed = 0
	r := Report{Seq: st.Seq}
	r.Outcome, r.Panicked, r.Err = guarded(func() (Outcome, error) { return t.core.Replan(ctx, st, t.d.c.Now()) })
	return t.settle(ctx, r)
}

// settle reports an outcome and publishes it.
func (t *term) settle(ctx context.Context, r Report) error {
	if r.Err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		t.failed = r.Seq
		t.d.log.Error("planning failed, the last plan stays", zap.Uint64("seq", r.Seq),
			zap.Uint64("seed", t.d.c.Core.Seed), zap.Bool("panic", r.Panicked), zap.Error(r.Err))
		t.d.c.Observe(r)
		return nil
	}
	for _, v := range r.Violations {
		t.d.log.Error("plan violates a constraint", zap.Uint64("seq", r.Seq),
			zap.Uint64("seed", t.d.c.Core.Seed), zap.String("violation", v.String()))
	}
	if err := t.publish(ctx, r.Outcome); err != nil {
		return err
	}
	t.d.c.Observe(r)
	return nil
}

// guarded turns a broken invariant into an error.
func guarded(f func() (Outcome, error)) (out Outcome, panicked bool, err error) {
	defer func() {
		if v := recover(); v != nil {
			out, panicked, err = Outcome{}, true, fmt.Errorf("broken invariant: %v\n%s", v, debug.Stack())
		}
	}()
	out, err = f()
	return out, false, err
}

// improve looks for a better plan until it has one, has tried enough, or
// something happens.
func (t *term) improve(ctx context.Context, watch *ledger.Watch) error {
	ictx, cancel := context.WithCancel(ctx)
	defer cancel()
	now := t.d.c.Now()
	type result struct {
		out      Outcome
		panicked bool
		err      error
	}
	done := make(chan result, 1)
	go func() {
		out, panicked, err := guarded(func() (Outcome, error) { return t.core.Improve(ictx, now) })
		done <- result{out, panicked, err}
	}()
	happened := false
	var res result
	select {
	case res = <-done:
	case <-watch.C():
		happened = true
		cancel()
		res = <-done
	}
	switch {
	case errors.Is(res.err, ErrNotCurrent):
	case res.err != nil || res.out.Plan != nil:
		r := Report{Outcome: res.out, Seq: t.core.Seq(), Improved: true, Err: res.err, Panicked: res.panicked}
		if err := t.settle(ctx, r); err != nil {
			return err
		}
	}
	if happened {
		return t.look(ctx)
	}
	return nil
}

// publish puts the changed offers on the work queues and the plan where
// readers find it, the offers first: somebody waits for them.
func (t *term) publish(ctx context.Context, out Outcome) error {
	if out.Plan == nil {
		return nil
	}
	for _, o := range out.Offers {
		if err := t.offer(ctx, o); err != nil {
			return err
		}
	}
	b, err := encodePlan(out.Plan)
	if err != nil {
		return fmt.Errorf("encode plan: %w", err)
	}
	if _, err := t.d.js.Publish(ctx, "$KV."+PlansBucket+"."+string(t.d.c.Site), b); err != nil {
		return fmt.Errorf("publish plan: %w", err)
	}
	return nil
}

func (t *term) offer(ctx context.Context, o Offer) error {
	o.Epoch = t.epoch
	b, err := json.Marshal(o)
	if err != nil {
		return fmt.Errorf("encode offer: %w", err)
	}
	if _, err := t.d.js.Publish(ctx, WorkSubject(o.Site, o.Station), b); err != nil {
		return fmt.Errorf("offer to %s: %w", o.Station, err)
	}
	return nil
}

// resend offers a station's job again, to a bench that lost it.
func (t *term) resend(ctx context.Context, s Station) error {
	if o, ok := t.core.offers[s]; ok {
		return t.offer(ctx, o)
	}
	return nil
}
