package simshop_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/goleak"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/bench"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/simshop"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// plant is a shop's services, running over a real log server.
type plant struct {
	t      *testing.T
	ctx    context.Context
	stop   context.CancelFunc
	wg     sync.WaitGroup
	clock  *simshop.Clock
	ledger *ledger.Ledger
	conn   *nats.Conn
}

func newPlant(t *testing.T, srv *log.Server, shop *queue.Shop, clock *simshop.Clock) *plant {
	t.Helper()
	p := &plant{t: t, clock: clock}
	p.ctx, p.stop = context.WithCancel(context.Background())
	t.Cleanup(p.close)
	var err error
	if p.conn, err = srv.Connect(); err != nil {
		t.Fatal(err)
	}
	if p.ledger, err = ledger.Open(p.ctx, ledger.Options{Site: shop.Site, Log: srv, Now: clock.Now}); err != nil {
		t.Fatal(err)
	}
	p.run("ledger", p.ledger.Run)
	d, err := dispatch.New(p.ctx, dispatch.Config{
		Site: shop.Site, Conn: p.conn, Ledger: p.ledger, Now: clock.Now, ImproveAfter: -1,
		Core: dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Check: true}},
		Observe: func(r dispatch.Report) {
			for _, v := range r.Violations {
				t.Errorf("plan of entry %d: %s", r.Seq, v)
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	p.run("dispatcher", d.Run)
	for _, s := range dispatch.Stations(shop) {
		w, err := bench.New(p.ctx, bench.Config{Site: shop.Site, Station: s, Conn: p.conn, Ledger: p.ledger, Now: clock.Now})
		if err != nil {
			t.Fatal(err)
		}
		p.run("bench "+string(s), w.Run)
	}
	return p
}

func (p *plant) run(what string, f func(context.Context) error) {
	p.wg.Go(func() {
		if err := f(p.ctx); err != nil && !errors.Is(err, context.Canceled) {
			p.t.Errorf("%s: %v", what, err)
		}
	})
}

func (p *plant) close() {
	p.stop()
	p.wg.Wait()
	if p.conn != nil {
		p.conn.Close()
	}
}

// The same people work in front of the running services, beside a human who
// plays one of the technicians.
func TestLiveBesideAHuman(t *testing.T) {
	srv, err := log.Open(t.Context(), log.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	o := options(t, queuetest.Seed(t, 4), 1)
	o.Log = srv
	s, err := simshop.New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	morning := simshop.DemoMorning(o.Shop.Location())
	if err := s.FastForward(t.Context(), morning); err != nil {
		t.Fatal(err)
	}
	headless := s.Result()
	if !s.Now().Equal(morning) || headless.UnitsArrived < len(o.Waiting) {
		t.Fatalf("at %s: %s", s.Now(), headless)
	}

	p := newPlant(t, srv, o.Shop, simshop.NewClock(s.Now(), 400, time.Now))
	const human = queue.PersonID("kofi")
	// He takes a check-in before the simulation wakes up, and keeps at it.
	mine := someTodo(t, p.ledger.View(), queue.CheckIn)
	for i, a := range []queue.Action{
		&queue.AcceptStep{Unit: mine.Unit, Step: mine.Step, Technician: human},
		&queue.StartStep{Unit: mine.Unit, Step: mine.Step, Technician: human},
	} {
		id := queue.CommandID("human-" + string(rune('a'+i)))
		if _, err := p.ledger.Do(p.ctx, queue.Command{ID: id, At: p.clock.Now(), Actor: human, Action: a}); err != nil {
			t.Fatal(err)
		}
	}
	const enough = 20
	done := make(chan struct{})
	var mu sync.Mutex
	var foreign []string
	finished, calls := 0, map[queue.EventType]int{}
	p.ledger.Observe(func(en *queue.Entry) {
		mu.Lock()
		defer mu.Unlock()
		for i := range en.Events {
			e := &en.Events[i]
			calls[e.Type]++
			id, _ := e.Subject.Unit()
			if e.Actor == human || (queue.Hold{Unit: id, Step: e.StepOf()}) == mine {
				foreign = append(foreign, e.ID)
			}
			if _, ok := e.Data.(*queue.StepDone); ok {
				if finished++; finished == enough {
					close(done)
				}
			}
		}
	})
	p.run("simulation", func(ctx context.Context) error {
		return s.Drive(ctx, simshop.Live{Clock: p.clock, Ledger: p.ledger, Conn: p.conn, Played: []queue.PersonID{human}, SkipNights: true})
	})
	who := phoneBook{}
	p.run("customers", func(ctx context.Context) error { return simshop.Customers(ctx, p.ledger, who) })
	select {
	case <-done:
	case <-time.After(2 * time.Minute):
		t.Errorf("%d steps done in two minutes, want %d", finished, enough)
	}
	p.stop()
	p.wg.Wait()
	mu.Lock()
	defer mu.Unlock()
	if len(foreign) > 0 {
		t.Errorf("the simulation acted for the human: %v", foreign)
	}
	if found := p.ledger.View().Audit(); len(found) > 0 {
		t.Error(found)
	}
	st := p.ledger.View().Units[mine.Unit].Step(mine.Step)
	if st.Status != queue.Running || st.Technician != human {
		t.Errorf("the human's step is %s by %s", st.Status, st.Technician)
	}
	customers := 0
	for _, u := range p.ledger.View().Units {
		if u.Contact == "" || u.Arrived.After(morning) {
			continue
		}
		customers++
		if c := who[u.Contact]; c.Name == "" || !strings.HasPrefix(c.Phone, "01632 960") {
			t.Errorf("%s of %s is %+v", u.Contact, u.ID, c)
		}
	}
	if customers == 0 {
		t.Error("nobody brought a machine")
	}
	t.Logf("%s on the shop's clock; events %v", p.clock.Now().Format(time.DateTime), calls)
}

// phoneBook is a book of people in memory; as in the real one, nobody is kept
// anew who is there.
type phoneBook map[queue.ContactID]contacts.Person

func (b phoneBook) Save(_ context.Context, p contacts.Person) (contacts.Person, error) {
	if _, there := b[p.ID]; there {
		return p, contacts.ErrStale
	}
	b[p.ID] = p
	return p, nil
}

// someTodo is a step of the kind that nobody has taken.
func someTodo(t *testing.T, st *queue.State, k queue.OperationKind) queue.Hold {
	t.Helper()
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			if s := &u.Steps[i]; s.Kind == k && s.Status == queue.Todo && s.Accepted == nil {
				return queue.Hold{Unit: u.ID, Step: s.ID}
			}
		}
	}
	t.Fatalf("no %s to do", k)
	return queue.Hold{}
}

// While nobody is there the clock jumps, and the next day begins by itself.
func TestLiveSkipsTheNight(t *testing.T) {
	srv, err := log.Open(t.Context(), log.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	o := options(t, queuetest.Seed(t, 6), 1)
	o.Log, o.Load = srv, 0.2
	o.From = o.Start.At(0, o.Shop.Location())
	o.Start = simshop.DemoStart
	o.From = simshop.DemoStart.At(17*60+25, o.Shop.Location())
	s, err := simshop.New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	p := newPlant(t, srv, o.Shop, simshop.NewClock(s.Now(), 200, time.Now))
	arrived := make(chan time.Time, 1)
	p.ledger.Observe(func(en *queue.Entry) {
		if en.Events[0].Type == queue.TypeUnitArrived {
			select {
			case arrived <- en.Events[0].Time:
			default:
			}
		}
	})
	p.run("simulation", func(ctx context.Context) error {
		return s.Drive(ctx, simshop.Live{Clock: p.clock, Ledger: p.ledger, Conn: p.conn, SkipNights: true})
	})
	select {
	case at := <-arrived: // fourteen hours at 200 times would be four minutes
		if day := at.In(o.Shop.Location()).Day(); day != simshop.DemoBusy.Day {
			t.Errorf("a unit arrived at %s, the shop was shut", at)
		}
	case <-time.After(2 * time.Minute):
		t.Error("the night was not skipped")
	}
}

func TestPlayNamesATechnician(t *testing.T) {
	s, err := simshop.New(t.Context(), options(t, 1, 1))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Play("ines", true); err != nil {
		t.Error(err)
	}
	if err := s.Play("nobody", true); err == nil {
		t.Error("nobody can be played")
	}
}
