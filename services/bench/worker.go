package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// Config says which station to work for, on what.
type Config struct {
	Site    queue.SiteID
	Station dispatch.Station
	Conn    *nats.Conn
	// Ledger is the site's; somebody runs it.
	Ledger *ledger.Ledger
	Now    func() time.Time
	// AckWait is how long an offer stays with a worker that has died; 0: 30 s.
	AckWait time.Duration
	// Poll is how often the clock is looked at; 0: 200 ms, of real time.
	Poll time.Duration
	// Away is how often it is looked whether there is a dispatcher; 0: 2 s.
	Away     time.Duration
	Replicas int         // of what is kept on NATS, see dispatch.Provision
	Logger   *zap.Logger // nil: none
	// Observe hears of each alert that is raised or cleared. Nil: nobody.
	Observe func(Alert)
}

// Worker is the worker of one station. Its methods may be called concurrently.
type Worker struct {
	c      Config
	js     jetstream.JetStream
	alerts jetstream.KeyValue
	log    *zap.Logger

	mu      sync.Mutex
	station *Station
	message jetstream.Msg // of the present offer; nil: none to acknowledge
	changed chan struct{} // closed and replaced by each change
}

// New makes a worker and what it needs on NATS.
func New(ctx context.Context, c Config) (*Worker, error) {
	if c.Now == nil || c.Ledger == nil || c.Conn == nil || c.Site == "" || c.Station == "" {
		return nil, errors.New("bench: site, station, connection, ledger and clock are needed")
	}
	if shop := c.Ledger.View().Shop; shop != nil && !slices.Contains(dispatch.Stations(shop), c.Station) {
		return nil, fmt.Errorf("bench: the shop file has no bench, pad or loop %q; it has %v", c.Station, dispatch.Stations(shop))
	}
	if c.Logger == nil {
		c.Logger = zap.NewNop()
	}
	if c.AckWait == 0 {
		c.AckWait = 30 * time.Second
	}
	if c.Poll == 0 {
		c.Poll = 200 * time.Millisecond
	}
	if c.Away == 0 {
		c.Away = 2 * time.Second
	}
	if c.Observe == nil {
		c.Observe = func(Alert) {}
	}
	w := &Worker{c: c, station: NewStation(c.Station), changed: make(chan struct{}),
		log: c.Logger.Named("bench").With(zap.String("site", string(c.Site)), zap.String("bench", string(c.Station)))}
	var err error
	if w.js, err = dispatch.Provision(ctx, c.Conn, c.Replicas); err != nil {
		return nil, err
	}
	if w.alerts, err = provisionAlerts(ctx, w.js, c.Replicas); err != nil {
		return nil, err
	}
	return w, nil
}

// Run works until ctx ends. It returns nil then, and an error when the
// connection was closed for good. What it needs is made again when the server
// lost it.
func (w *Worker) Run(ctx context.Context) error {
	for {
		err := w.shift(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if w.c.Conn.IsClosed() {
			return fmt.Errorf("bench %s: %w", w.c.Station, errors.Join(nats.ErrConnectionClosed, err))
		}
		w.log.Warn("starting again", zap.Error(err))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Second):
		}
		again := min(w.c.Replicas, -w.c.Replicas) // leave what is there
		_, _ = dispatch.Provision(ctx, w.c.Conn, again)
		_, _ = provisionAlerts(ctx, w.js, again)
	}
}

// shift consumes the work queue, follows the plan, and ticks, until something
// fails.
func (w *Worker) shift(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var plans sync.WaitGroup
	defer plans.Wait()
	defer cancel()
	plans.Go(func() { _ = dispatch.FollowPlans(ctx, w.c.Conn, w.c.Site, w.plan) })
	cons, err := w.js.CreateOrUpdateConsumer(ctx, dispatch.WorkStream, jetstream.ConsumerConfig{
		Durable: dispatch.WorkConsumer(w.c.Site, w.c.Station), FilterSubject: dispatch.WorkSubject(w.c.Site, w.c.Station),
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: w.c.AckWait, MaxDeliver: -1,
	})
	if err != nil {
		return fmt.Errorf("take offers: %w", err)
	}
	offers, failed := make(chan jetstream.Msg, 16), make(chan error, 1)
	sub, err := cons.Consume(func(m jetstream.Msg) {
		select {
		case offers <- m:
		case <-ctx.Done():
		}
	}, jetstream.PullMaxMessages(16), jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
		if errors.Is(err, jetstream.ErrConsumerDeleted) || errors.Is(err, jetstream.ErrConsumerNotFound) {
			select {
			case failed <- err:
			default:
			}
		}
	}))
	if err != nil {
		return fmt.Errorf("take offers: %w", err)
	}
	defer func() { cancel(); sub.Stop(); <-sub.Closed() }()
	w.restore(ctx)
	w.resend()
	return w.loop(ctx, offers, failed)
}

func (w *Worker) loop(ctx context.Context, offers <-chan jetstream.Msg, failed <-chan error) error {
	watch := w.c.Ledger.Watch()
	defer watch.Stop()
	tick := time.NewTicker(w.c.Poll)
	defer tick.Stop()
	lookout := time.NewTicker(w.c.Away)
	defer lookout.Stop()
	shown := time.NewTicker(w.c.AckWait / 3)
	defer shown.Stop()
	w.updated()
	w.tick(ctx)
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-failed:
			return fmt.Errorf("take offers: %w", err)
		case m := <-offers:
			w.take(ctx, m)
		case <-watch.C():
			w.updated()
			w.tick(ctx)
		case <-tick.C:
			w.tick(ctx)
		case <-shown.C:
			w.keep()
		case <-lookout.C:
			w.lookForDispatcher(ctx)
		}
	}
}

// take shows an offer, or acknowledges what needs no showing.
func (w *Worker) take(ctx context.Context, m jetstream.Msg) {
	o, err := dispatch.DecodeOffer(m.Data())
	if err != nil || o.Site != w.c.Site || o.Station != w.c.Station {
		w.log.Error("offer can't be read", zap.Error(err))
		_ = m.Term()
		return
	}
	w.mu.Lock()
	verdict := w.station.Offer(o)
	w.mu.Unlock()
	if verdict == Stale {
		if epoch, err := dispatch.LeaderEpoch(ctx, w.js, w.c.Site); err != nil || epoch != o.Epoch {
			w.log.Warn("offer of a replaced dispatcher left out", zap.Uint64("epoch", o.Epoch))
			_ = m.Ack()
			w.resend() // it may have pushed the true one off the queue
			return
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if verdict == Stale {
		w.station.Trust(o.Epoch)
		verdict = w.station.Offer(o)
	}
	w.acknowledge()
	if verdict == Shown {
		if o.Step != nil {
			w.log.Debug("offer shown", zap.String("unit", string(o.Step.Unit)), zap.String("step", string(o.Step.Step)), zap.Uint64("seq", o.Seq))
		}
		w.message = m
	} else {
		_ = m.Ack()
	}
	w.change()
}

// acknowledge takes the present offer off the queue; called with mu held.
func (w *Worker) acknowledge() {
	if w.message != nil {
		_ = w.message.Ack()
		w.message = nil
	}
}

// keep tells the queue that the offer is still being shown.
func (w *Worker) keep() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.message != nil {
		_ = w.message.InProgress()
	}
}

// resend asks the dispatcher for the present offer.
func (w *Worker) resend() {
	_ = w.c.Conn.Publish(dispatch.ResendSubject(w.c.Site), []byte(w.c.Station))
}

// update takes the ledger's newest state in; called with mu held.
func (w *Worker) update() {
	if w.station.Update(w.c.Ledger.View(), w.c.Ledger.Almanac()) {
		w.acknowledge()
	}
	w.change()
}

func (w *Worker) updated() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.update()
}

func (w *Worker) plan(p *dispatch.Plan) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.station.Plan(p)
	w.change()
}

// change wakes who waits for a change; called with mu held.
func (w *Worker) change() {
	close(w.changed)
	w.changed = make(chan struct{})
}

// tick raises and clears alerts.
func (w *Worker) tick(ctx context.Context) {
	w.mu.Lock()
	news := w.station.Tick(w.c.Now())
	current := w.station.Alerts()
	if len(news) > 0 {
		w.change()
	}
	w.mu.Unlock()
	if len(news) == 0 {
		return
	}
	w.store(ctx, current)
	for _, a := range news {
		if b, err := json.Marshal(a); err == nil {
			_ = w.c.Conn.Publish(AlertSubject(w.c.Site, w.c.Station), b)
		}
		w.c.Observe(a)
	}
}

// lookForDispatcher shows the next job by the last plan while no dispatcher
// answers.
func (w *Worker) lookForDispatcher(ctx context.Context) {
	epoch, err := dispatch.LeaderEpoch(ctx, w.js, w.c.Site)
	if err != nil || epoch != 0 {
		return
	}
	now := w.c.Now()
	w.mu.Lock()
	defer w.mu.Unlock()
	was := w.station.offer
	w.station.Fallback(now, w.c.Ledger.Try)
	if w.station.offer != was {
		w.change()
	}
}

// View is what the screen shows now.
func (w *Worker) View() View {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.station.View(w.c.Now())
}

// Changed is closed at the next change of the view; remaining time passes
// without one.
func (w *Worker) Changed() <-chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.changed
}

// do carries an action of the station into the log. The error is a
// *queue.Refusal or what Ledger.Do says.
func (w *Worker) do(ctx context.Context, id queue.CommandID, actor queue.PersonID, make func(*Station) (queue.Action, error)) (ledger.Receipt, error) {
	w.mu.Lock()
	w.update()
	action, err := make(w.station)
	w.mu.Unlock()
	if err != nil {
		return ledger.Receipt{}, err
	}
	r, err := w.c.Ledger.Do(ctx, queue.Command{ID: id, At: w.c.Now(), Actor: actor, Action: action})
	if err == nil {
		w.updated()
	}
	return r, err
}

// Accept takes the offer for a technician.
func (w *Worker) Accept(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID) (ledger.Receipt, error) {
	return w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Accept(unit, step, t) })
}

// Decline turns the offer down; the foreman hears the reason.
func (w *Worker) Decline(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID, reason string) (ledger.Receipt, error) {
	r, err := w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Decline(unit, step, reason) })
	if err == nil {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.station.offered(unit, step) == nil {
			w.station.Withdraw()
			w.acknowledge()
			w.change()
		}
	}
	return r, err
}

// Start starts an accepted step, or the one offered; nil resources: as planned.
func (w *Worker) Start(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID, resources []queue.ResourceID, ev queue.Evidence) (ledger.Receipt, error) {
	return w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Start(unit, step, t, resources, ev) })
}

// Advance begins a running step's next stretch.
func (w *Worker) Advance(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID) (ledger.Receipt, error) {
	return w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Advance(unit, step, t) })
}

// Finish ends a running step: done, or with a reason failed.
func (w *Worker) Finish(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID, ev queue.Evidence, failed string) (ledger.Receipt, error) {
	return w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Finish(unit, step, t, ev, failed) })
}

// Problem tells the foreman of a problem with a step at the station.
func (w *Worker) Problem(ctx context.Context, id queue.CommandID, unit queue.UnitID, step queue.StepID, t queue.PersonID, reason string) (ledger.Receipt, error) {
	return w.do(ctx, id, t, func(s *Station) (queue.Action, error) { return s.Problem(unit, step, reason) })
}
