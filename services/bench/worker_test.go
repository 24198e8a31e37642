package bench_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// patience bounds every wait of these tests; none takes nearly as long.
const patience = 20 * time.Second

// plant is the demo shop on a real log that other processes may reach.
type plant struct {
	t   *testing.T
	srv *log.Server
	l   *ledger.Ledger
	ctx context.Context
	wg  sync.WaitGroup
	n   int
	// closers run once nobody uses the connections any more.
	closers []func()

	mu  sync.Mutex
	now time.Time
}

func newPlant(t *testing.T) *plant {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	p := &plant{t: t, ctx: ctx, now: opening}
	var err error
	if p.srv, err = log.Open(ctx, log.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Token: "secret"}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		p.wg.Wait()
		for _, f := range p.closers {
			f()
		}
		if err := p.srv.Close(); err != nil {
			t.Error(err)
		}
	})
	p.l = p.ledger(p.srv)
	p.do(&queue.ConfigureShop{Shop: *demoShop(t), FileHash: "x"})
	return p
}

func (p *plant) ledger(on log.Log) *ledger.Ledger {
	p.t.Helper()
	l, err := ledger.Open(p.ctx, ledger.Options{Site: site, Log: on, Now: p.time})
	if err != nil {
		p.t.Fatal(err)
	}
	p.wg.Go(func() { _ = l.Run(p.ctx) })
	return l
}

func (p *plant) time() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now
}

func (p *plant) pass(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.now = p.now.Add(d)
}

func (p *plant) id() queue.CommandID {
	p.n++
	return queue.CommandID(fmt.Sprintf("c%d", p.n))
}

func (p *plant) do(as ...queue.Action) {
	p.t.Helper()
	for _, a := range as {
		if _, err := p.l.Do(p.ctx, queue.Command{ID: p.id(), At: p.time(), Action: a}); err != nil {
			p.t.Fatalf("%T: %v", a, err)
		}
	}
}

func (p *plant) connect() *nats.Conn {
	p.t.Helper()
	nc, err := p.srv.Connect()
	if err != nil {
		p.t.Fatal(err)
	}
	p.closers = append(p.closers, nc.Close)
	return nc
}

// dispatcher runs one until stop is called or the test ends.
func (p *plant) dispatcher() (stop func()) {
	p.t.Helper()
	d, err := dispatch.New(p.ctx, dispatch.Config{
		Site: site, Conn: p.connect(), Ledger: p.ledger(p.srv), Now: p.time, ImproveAfter: -1, Poll: 20 * time.Millisecond,
	})
	if err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(p.ctx)
	done := make(chan struct{})
	p.wg.Go(func() {
		defer close(done)
		if err := d.Run(ctx); err != nil {
			p.t.Errorf("dispatcher: %v", err)
		}
	})
	return func() { cancel(); <-done }
}

// worker is one running worker.
type worker struct {
	*bench.Worker
	stop   func()
	alerts chan bench.Alert
}

func (p *plant) worker(s dispatch.Station, nc *nats.Conn, l *ledger.Ledger, change func(*bench.Config)) *worker {
	p.t.Helper()
	alerts := make(chan bench.Alert, 100)
	c := bench.Config{
		Site: site, Station: s, Conn: nc, Ledger: l, Now: p.time, Poll: 10 * time.Millisecond, Away: 50 * time.Millisecond,
		Observe: func(a bench.Alert) { alerts <- a },
	}
	if change != nil {
		change(&c)
	}
	w, err := bench.New(p.ctx, c)
	if err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(p.ctx)
	done := make(chan struct{})
	p.wg.Go(func() {
		defer close(done)
		if err := w.Run(ctx); err != nil {
			p.t.Errorf("worker: %v", err)
		}
	})
	return &worker{w, func() { cancel(); <-done }, alerts}
}

// shows waits until the screen is as asked.
func (w *worker) shows(t *testing.T, what string, want func(bench.View) bool) bench.View {
	t.Helper()
	late := time.After(patience)
	for {
		changed := w.Changed()
		v := w.View()
		if want(v) {
			return v
		}
		select {
		case <-changed:
		case <-late:
			t.Fatalf("the screen never showed %s; it shows %+v", what, v)
		}
	}
}

func (w *worker) alert(t *testing.T, kind bench.AlertKind, cleared bool) bench.Alert {
	t.Helper()
	late := time.After(patience)
	for {
		select {
		case a := <-w.alerts:
			if a.Kind == kind && a.Cleared == cleared {
				return a
			}
		case <-late:
			t.Fatalf("no %s alert (cleared %v)", kind, cleared)
		}
	}
}

func offered(unit queue.UnitID, step queue.StepID) func(bench.View) bool {
	return func(v bench.View) bool { return v.Offer != nil && v.Offer.Unit == unit && v.Offer.Step == step }
}

// must stops the test on an error of a command.
func must(t *testing.T) func(ledger.Receipt, error) {
	return func(_ ledger.Receipt, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
}

// benchOf waits for a plan with the unit's flash in it and returns its bench.
func (p *plant) benchOf(unit queue.UnitID) dispatch.Station {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	found := dispatch.Station("")
	err := dispatch.FollowPlans(ctx, p.connect(), site, func(pl *dispatch.Plan) {
		for _, ps := range pl.Steps {
			if ps.Unit == unit && ps.Step == "flash" && found == "" {
				found = dispatch.StationOf(p.l.View().Shop, ps.Resources)
				cancel()
			}
		}
	})
	if err != nil || found == "" {
		p.t.Fatalf("no plan with the flash of %s: %v", unit, err)
	}
	return found
}

// A flash from the dispatcher's offer to its end, at a bench on another
// computer: the log, the queue and the alerts over the network with a token.
func TestRemoteBench(t *testing.T) {
	p := newPlant(t)
	p.dispatcher()
	p.do(receive("T-1")...)
	station := p.benchOf("T-1")

	remote, err := log.Dial(p.ctx, log.DialOptions{URL: p.srv.URL(), Token: "secret"})
	if err != nil {
		t.Fatal(err)
	}
	p.closers = append(p.closers, func() { _ = remote.Close() })
	nc, err := nats.Connect(p.srv.URL(), nats.Token("secret"))
	if err != nil {
		t.Fatal(err)
	}
	p.closers = append(p.closers, nc.Close)
	heard := make(chan *nats.Msg, 100)
	sub, err := p.connect().ChanSubscribe(bench.AlertSubject(site, station), heard)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()

	w := p.worker(station, nc, p.ledger(remote), nil)
	v := w.shows(t, "the flash", offered("T-1", "flash"))
	who := v.Offer.Technician
	must(t)(w.Accept(p.ctx, p.id(), "T-1", "flash", who))
	must(t)(w.Start(p.ctx, p.id(), "T-1", "flash", who, nil, nil))
	p.pass(6 * time.Minute)
	must(t)(w.Advance(p.ctx, p.id(), "T-1", "flash", who))
	p.pass(26 * time.Minute)
	if a := w.alert(t, bench.CallBack, false); a.Unit != "T-1" || a.Technician == "" {
		t.Errorf("call-back %+v", a)
	}
	select {
	case m := <-heard:
		var a bench.Alert
		if err := json.Unmarshal(m.Data, &a); err != nil || a.Kind != bench.CallBack {
			t.Errorf("published %s (%v)", m.Data, err)
		}
	case <-time.After(patience):
		t.Error("the call-back was not published")
	}
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	var kept []bench.Alert
	err = bench.FollowAlerts(ctx, nc, site, func(s dispatch.Station, as []bench.Alert) {
		if s == station && len(as) == 1 {
			kept = as
			cancel()
		}
	})
	if err != nil || len(kept) != 1 || kept[0].Kind != bench.CallBack {
		t.Errorf("kept alerts %+v, %v", kept, err)
	}
	p.pass(2 * time.Minute)
	must(t)(w.Advance(p.ctx, p.id(), "T-1", "flash", who))
	w.alert(t, bench.CallBack, true)
	p.pass(6 * time.Minute)
	must(t)(w.Finish(p.ctx, p.id(), "T-1", "flash", who, queue.Evidence{"calibration": "kb250-std", "revision": "3"}, ""))
	w.shows(t, "the resets", func(v bench.View) bool { return len(v.Jobs) == 0 })
}

// A worker that dies with an offer on its screen loses it to the next one; what
// was accepted stays at the bench and resumes.
func TestBenchThatDies(t *testing.T) {
	p := newPlant(t)
	p.do(receive("T-1")...)
	nc := p.connect()
	js, err := dispatch.Provision(p.ctx, nc, 0)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(flashOffer("T-1", 1))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(p.ctx, dispatch.WorkSubject(site, "b3"), b); err != nil {
		t.Fatal(err)
	}
	quick := func(c *bench.Config) { c.AckWait = time.Second; c.Away = time.Hour }
	first := p.worker("b3", p.connect(), p.l, quick)
	first.shows(t, "the flash", offered("T-1", "flash"))
	// It is still shown, and not offered elsewhere, after AckWait.
	stream, err := js.Stream(p.ctx, dispatch.WorkStream)
	if err != nil {
		t.Fatal(err)
	}
	queued := func() uint64 {
		info, err := stream.Info(p.ctx)
		if err != nil {
			t.Fatal(err)
		}
		return info.State.Msgs
	}
	if queued() != 1 {
		t.Errorf("%d messages on the queue while the offer is shown, want 1", queued())
	}
	first.stop()

	second := p.worker("b3", p.connect(), p.l, quick)
	second.shows(t, "the flash again", offered("T-1", "flash"))
	must(t)(second.Accept(p.ctx, p.id(), "T-1", "flash", "tomas"))
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	for queued() != 0 { // the acknowledgement is under way
		if ctx.Err() != nil {
			t.Fatal("an accepted offer stays on the queue")
		}
	}
	second.stop()

	third := p.worker("b3", p.connect(), p.ledger(p.srv), quick)
	third.shows(t, "the accepted flash", func(v bench.View) bool { return len(v.Jobs) == 1 && !v.Jobs[0].Running })
	must(t)(third.Start(p.ctx, p.id(), "T-1", "flash", "tomas", nil, nil))
	third.stop()
	fourth := p.worker("b3", p.connect(), p.ledger(p.srv), quick)
	v := fourth.shows(t, "the running flash", func(v bench.View) bool { return len(v.Jobs) == 1 && v.Jobs[0].Running })
	if v.Jobs[0].Technician != "tomas" || !v.Jobs[0].Started.Equal(p.time()) {
		t.Errorf("resumed as %+v", v.Jobs[0])
	}
}

// A replaced dispatcher that still writes pushes the true offer off the queue;
// the bench leaves its offer out and has the true one sent again.
func TestStaleOfferOnTheQueue(t *testing.T) {
	p := newPlant(t)
	p.dispatcher()
	p.do(receive("T-1")...)
	station := p.benchOf("T-1")
	w := p.worker(station, p.connect(), p.l, nil)
	w.shows(t, "the flash", offered("T-1", "flash"))

	p.do(receive("T-2")...)
	nc := p.connect()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	resent := make(chan *nats.Msg, 100)
	sub, err := nc.ChanSubscribe(dispatch.ResendSubject(site), resent)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	stale := flashOffer("T-2", 0)
	stale.Station = station
	b, err := json.Marshal(stale)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(p.ctx, dispatch.WorkSubject(site, station), b); err != nil {
		t.Fatal(err)
	}
	select {
	case <-resent:
	case <-time.After(patience):
		t.Fatal("the bench did not ask for the true offer")
	}
	w.shows(t, "the true offer", offered("T-1", "flash"))
}

// Without a dispatcher the bench goes on by the last plan, through the same
// interlocks, and takes its offers again when one is back.
func TestBenchGoesOnWithoutDispatcher(t *testing.T) {
	p := newPlant(t)
	stop := p.dispatcher()
	p.do(receive("T-1")...)
	station := p.benchOf("T-1")
	stop()
	w := p.worker(station, p.connect(), p.l, nil)
	v := w.shows(t, "the flash", offered("T-1", "flash"))
	must(t)(w.Accept(p.ctx, p.id(), "T-1", "flash", v.Offer.Technician))
	must(t)(w.Start(p.ctx, p.id(), "T-1", "flash", v.Offer.Technician, nil, nil))
	p.do(receive("T-2")...)
	_, err := w.Start(p.ctx, p.id(), "T-2", "flash", "ruth", []queue.ResourceID{queue.ResourceID(station), "i1", "c1"}, nil)
	var refusal *queue.Refusal
	if !errors.As(err, &refusal) {
		t.Errorf("a second flash at the bench: %v", err)
	}
	p.pass(6 * time.Minute)
	must(t)(w.Advance(p.ctx, p.id(), "T-1", "flash", v.Offer.Technician))
	p.pass(28 * time.Minute)
	must(t)(w.Advance(p.ctx, p.id(), "T-1", "flash", v.Offer.Technician))
	p.pass(6 * time.Minute)
	must(t)(w.Finish(p.ctx, p.id(), "T-1", "flash", v.Offer.Technician, queue.Evidence{"calibration": "kb250-std", "revision": "3"}, ""))
	w.shows(t, "a next job by the last plan", func(v bench.View) bool { return v.Offer != nil && v.ByPlan })
	p.dispatcher()
	w.shows(t, "the dispatcher's offer", func(v bench.View) bool { return !v.ByPlan })
}

// What lies in the server's memory is made again when it is lost.
func TestWorkQueueLost(t *testing.T) {
	p := newPlant(t)
	p.dispatcher()
	p.do(receive("T-1")...)
	station := p.benchOf("T-1")
	w := p.worker(station, p.connect(), p.l, nil)
	w.shows(t, "the flash", offered("T-1", "flash"))
	js, err := jetstream.New(p.connect())
	if err != nil {
		t.Fatal(err)
	}
	if err := js.DeleteStream(p.ctx, dispatch.WorkStream); err != nil {
		t.Fatal(err)
	}
	// Once it is accepted the dispatcher has another offer for the bench.
	p.do(receive("T-2")...)
	w.shows(t, "the flash", offered("T-1", "flash"))
	p.do(&queue.AmendUnit{Unit: "T-1", Change: queue.UnitAmended{Held: new(true)}})
	w.shows(t, "another offer", func(v bench.View) bool { return v.Offer == nil || v.Offer.Unit == "T-2" })
}

func TestUnknownStation(t *testing.T) {
	p := newPlant(t)
	_, err := bench.New(p.ctx, bench.Config{Site: site, Station: "b9", Conn: p.connect(), Ledger: p.l, Now: p.time})
	if err == nil {
		t.Fatal("a worker for a bench that does not exist")
	}
	t.Log(err)
}
