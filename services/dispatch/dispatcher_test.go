package dispatch_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// patience bounds every wait of these tests; none takes nearly as long.
const patience = 20 * time.Second

// plant is the demo shop on a real log, with connections to it.
type plant struct {
	*world
	srv *log.Server
	ctx context.Context
	wg  sync.WaitGroup

	mu  sync.Mutex
	now time.Time
}

func newPlant(t testing.TB) *plant {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	p := &plant{ctx: ctx, now: busyDay}
	var err error
	if p.srv, err = log.Open(ctx, log.Options{Dir: t.TempDir()}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		p.wg.Wait()
		if err := p.srv.Close(); err != nil {
			t.Error(err)
		}
	})
	p.world = &world{t: t, now: busyDay, l: p.ledger()}
	p.do(&queue.ConfigureShop{Shop: *demoShop(t), FileHash: "x"})
	return p
}

// ledger opens another ledger on the log and keeps it running.
func (p *plant) ledger() *ledger.Ledger {
	l, err := ledger.Open(p.ctx, ledger.Options{Site: site, Log: p.srv, Now: p.time})
	if err != nil {
		panic(err)
	}
	p.wg.Go(func() { _ = l.Run(p.ctx) })
	return l
}

func (p *plant) time() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now
}

func (p *plant) setTime(at time.Time) {
	p.mu.Lock()
	p.now = at
	p.mu.Unlock()
	p.world.now = at
}

func (p *plant) connect() *nats.Conn {
	p.t.Helper()
	nc, err := p.srv.Connect()
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(nc.Close)
	return nc
}

// member is one running dispatcher.
type member struct {
	nc      *nats.Conn
	cancel  context.CancelFunc
	done    chan error
	reports chan dispatch.Report
}

func (p *plant) dispatcher(name string, change func(*dispatch.Config)) *member {
	p.t.Helper()
	m := &member{nc: p.connect(), done: make(chan error, 1), reports: make(chan dispatch.Report, 10_000)}
	c := dispatch.Config{
		Site: site, Conn: m.nc, Ledger: p.ledger(), Now: p.time, Holder: name,
		Core:    dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Check: true}},
		Observe: func(r dispatch.Report) { m.reports <- r }, ImproveAfter: -1, Poll: 20 * time.Millisecond,
	}
	if change != nil {
		change(&c)
	}
	d, err := dispatch.New(p.ctx, c)
	if err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(p.ctx)
	m.cancel = cancel
	p.wg.Go(func() { m.done <- d.Run(ctx) })
	return m
}

// report waits for the first report that is as asked.
func (m *member) report(t testing.TB, want func(dispatch.Report) bool) dispatch.Report {
	t.Helper()
	late := time.After(patience)
	for {
		select {
		case r := <-m.reports:
			for _, v := range r.Violations {
				t.Errorf("checker: %v", v)
			}
			if want(r) {
				return r
			}
		case <-late:
			t.Fatal("the report did not come")
		}
	}
}

// offers subscribes to a station's work queue.
func (p *plant) offers(s dispatch.Station) <-chan dispatch.Offer {
	p.t.Helper()
	ch := make(chan dispatch.Offer, 10_000)
	nc := p.connect()
	js, err := dispatch.Provision(p.ctx, nc, 1)
	if err != nil {
		p.t.Fatal(err)
	}
	cons, err := js.CreateOrUpdateConsumer(p.ctx, dispatch.WorkStream, jetstream.ConsumerConfig{
		Durable: dispatch.WorkConsumer(site, s), FilterSubject: dispatch.WorkSubject(site, s),
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: time.Minute,
	})
	if err != nil {
		p.t.Fatal(err)
	}
	sub, err := cons.Consume(func(m jetstream.Msg) {
		o, err := dispatch.DecodeOffer(m.Data())
		if err != nil {
			p.t.Error(err)
		}
		ch <- o
	})
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { sub.Stop(); <-sub.Closed() })
	return ch
}

func await[T any](t testing.TB, ch <-chan T, what string, want func(T) bool) T {
	t.Helper()
	late := time.After(patience)
	for {
		select {
		case v := <-ch:
			if want(v) {
				return v
			}
		case <-late:
			t.Fatalf("%s did not come", what)
		}
	}
}

func TestDispatcherPublishesPlanAndOffers(t *testing.T) {
	p := newPlant(t)
	reader := p.connect()
	plans := make(chan *dispatch.Plan, 1000)
	p.wg.Go(func() { _ = dispatch.FollowPlans(p.ctx, reader, site, func(pl *dispatch.Plan) { plans <- pl }) })
	published := make(chan *nats.Msg, 1000)
	sub, err := reader.ChanSubscribe("plan."+string(site), published)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := reader.Flush(); err != nil {
		t.Fatal(err)
	}
	floor := p.offers(dispatch.Floor)
	p.dispatcher("one", nil)
	p.receive("T-1", "set-up", busyDay.Add(8*time.Hour))

	o := await(t, floor, "offer of T-1's check-in", func(o dispatch.Offer) bool { return o.Step != nil })
	if o.Step.Unit != "T-1" || o.Step.Step != "check-in" || o.Epoch == 0 || o.Step.Technician == "" || o.Step.Why == "" {
		t.Errorf("offer %+v %+v", o, o.Step)
	}
	followed := await(t, plans, "the plan", func(pl *dispatch.Plan) bool { return len(pl.Steps) > 0 })
	if followed.Seq != o.Seq {
		t.Errorf("plan of entry %d, offer of entry %d", followed.Seq, o.Seq)
	}
	await(t, published, "the plan on its subject", func(m *nats.Msg) bool {
		pl, err := dispatch.DecodePlan(m.Data)
		return err == nil && len(pl.Steps) == len(followed.Steps)
	})
	latest, err := dispatch.LatestPlan(p.ctx, reader, site)
	if err != nil || latest == nil || latest.Seq != followed.Seq {
		t.Errorf("latest plan %v, %v", latest, err)
	}

	// What was accepted is no longer offered.
	p.do(&queue.AcceptStep{Unit: "T-1", Step: "check-in", Technician: o.Step.Technician})
	next := func(o dispatch.Offer) bool { return o.Step != nil && o.Step.Step == "charge" }
	await(t, floor, "the next offer", next)

	// A bench that lost its offer asks for it.
	if err := reader.Publish(dispatch.ResendSubject(site), []byte(dispatch.Floor)); err != nil {
		t.Fatal(err)
	}
	await(t, floor, "the offer again", next)
}

func TestPlanThatAgesIsMadeAnew(t *testing.T) {
	p := newPlant(t)
	p.receive("T-1", "set-up", busyDay.Add(8*time.Hour))
	m := p.dispatcher("one", nil)
	first := m.report(t, func(r dispatch.Report) bool { return r.Plan != nil && len(r.Plan.Steps) > 0 })
	p.setTime(busyDay.Add(5 * time.Minute)) // nobody started the check-in
	second := m.report(t, func(r dispatch.Report) bool { return r.Reason != "" })
	if !second.Changed || !second.Plan.Steps[0].Start.After(first.Plan.Steps[0].Start) {
		t.Errorf("%q: start %v after %v", second.Reason, second.Plan.Steps[0].Start, first.Plan.Steps[0].Start)
	}
}

// The first of two dispatchers is cut off without a word: its lease runs out,
// the standby goes on from the same plan with a higher epoch.
func TestStandbyTakesOver(t *testing.T) {
	p := newPlant(t)
	p.receive("T-1", "set-up", busyDay.Add(8*time.Hour))
	floor := p.offers(dispatch.Floor)
	a := p.dispatcher("a", nil)
	first := await(t, floor, "first offer", func(o dispatch.Offer) bool { return o.Step != nil })
	before := a.report(t, func(r dispatch.Report) bool { return r.Plan != nil })
	b := p.dispatcher("b", nil)

	cut := time.Now()
	a.nc.Close()
	if err := await(t, a.done, "the end of a", func(error) bool { return true }); err == nil {
		t.Error("a dispatcher without a connection ended without an error")
	}
	after := b.report(t, func(r dispatch.Report) bool { return r.Plan != nil })
	took := time.Since(cut)
	if took > 5*time.Second {
		t.Errorf("takeover took %s, want at most 5 s", took)
	}
	second := await(t, floor, "second offer", func(o dispatch.Offer) bool { return o.Epoch > first.Epoch })
	if fmt.Sprint(*second.Step) != fmt.Sprint(*first.Step) {
		t.Errorf("the standby offers\n%+v, before it was\n%+v", second.Step, first.Step)
	}
	if after.Changed {
		t.Errorf("the takeover moved assignments:\n%+v\n%+v", before.Plan.Steps, after.Plan.Steps)
	}
	js, err := jetstream.New(b.nc)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := dispatch.LeaderEpoch(p.ctx, js, site); err != nil || e != second.Epoch {
		t.Errorf("leader's epoch %d, %v; the offer has %d", e, err, second.Epoch)
	}
}

func TestOnlyOneDispatches(t *testing.T) {
	p := newPlant(t)
	a := p.dispatcher("a", nil)
	a.report(t, func(r dispatch.Report) bool { return r.Plan != nil })
	b := p.dispatcher("b", nil)
	for i := range 20 {
		p.receive(queue.UnitID(fmt.Sprintf("T-%d", i)), "accessories", busyDay.Add(8*time.Hour))
	}
	last := p.l.View().Seq
	a.report(t, func(r dispatch.Report) bool { return r.Seq == last })
	if n := len(b.reports); n > 0 {
		t.Errorf("the standby made %d plans", n)
	}
	a.cancel() // stopped properly: the lease is given up at once
	b.report(t, func(r dispatch.Report) bool { return r.Seq == last })
}

// A broken invariant in planning costs one plan, not the service.
func TestPanicInPlanningKeepsTheOldPlan(t *testing.T) {
	p := newPlant(t)
	var mu sync.Mutex
	broken := false
	m := p.dispatcher("one", func(c *dispatch.Config) {
		c.Core.Stopwatch = func() time.Time {
			mu.Lock()
			defer mu.Unlock()
			if broken {
				panic("the invariant")
			}
			return time.Time{}
		}
	})
	set := func(to bool) { mu.Lock(); broken = to; mu.Unlock() }
	p.receive("T-1", "set-up", busyDay.Add(8*time.Hour))
	good := m.report(t, func(r dispatch.Report) bool { return r.Plan != nil && len(r.Plan.Steps) > 0 })
	set(true)
	p.receive("T-2", "set-up", busyDay.Add(8*time.Hour))
	if r := m.report(t, func(r dispatch.Report) bool { return r.Err != nil }); !r.Panicked {
		t.Errorf("reported as %v, not as a panic", r.Err)
	}
	latest, err := dispatch.LatestPlan(p.ctx, m.nc, site)
	if err != nil || latest.Seq != good.Plan.Seq {
		t.Errorf("latest plan %v, %v; want the old one", latest, err)
	}
	set(false)
	p.receive("T-3", "set-up", busyDay.Add(8*time.Hour))
	m.report(t, func(r dispatch.Report) bool { return r.Plan != nil && len(r.Plan.Units) == 3 })
}

func TestImprovementIsPublishedOnlyIfBetter(t *testing.T) {
	p := newPlant(t)
	p.receiveMany(20)
	m := p.dispatcher("one", func(c *dispatch.Config) {
		c.ImproveAfter = time.Millisecond
		c.Core.Schedules, c.Core.ImproveSchedules = 1, 1000
	})
	first := m.report(t, func(r dispatch.Report) bool { return r.Plan != nil && len(r.Plan.Units) == 20 })
	better := m.report(t, func(r dispatch.Report) bool { return r.Improved })
	if better.Plan.Cost.J >= first.Plan.Cost.J {
		t.Errorf("improved from %v to %v", first.Plan.Cost.J, better.Plan.Cost.J)
	}
	t.Logf("J %.0f improved to %.0f (bound %.0f)", first.Plan.Cost.J, better.Plan.Cost.J, better.Plan.Cost.Bound)
}
