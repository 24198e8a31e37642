package node_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/shopfile"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/meter"
	"tickover/services/node"
	"tickover/testdata"
)

func setting(name string, otherwise int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil && n > 0 {
		return n
	}
	return otherwise
}

// BenchmarkLoad: many sites with dispatchers in one process, commands from many
// callers at once. Bare publishes of messages of the same size with the same
// condition and the same durability from as many callers are measured on the
// same nodes and disk in the same run, before the dispatchers begin and after
// they have ended. make bench-load sets LOAD_SITES=200 LOAD_UNITS=100.
func BenchmarkLoad(b *testing.B) {
	b.Run("one", func(b *testing.B) {
		srv, err := log.Open(b.Context(), log.Options{Dir: filepath.Join(b.TempDir(), "log")})
		if err != nil {
			b.Fatal(err)
		}
		defer srv.Close()
		nc, err := srv.Connect()
		if err != nil {
			b.Fatal(err)
		}
		defer nc.Close()
		measure(b, srv, nc, 1)
	})
	b.Run("three", func(b *testing.B) {
		c := deploytest.StartRoomy(b)
		l, err := log.Dial(b.Context(), log.DialOptions{URL: c.URLs(), Replicas: 3, Conn: []nats.Option{nats.UserInfo("t0", "t")}})
		if err != nil {
			b.Fatal(err)
		}
		defer l.Close()
		measure(b, l, l.Conn(), 3)
	})
}

// load is a running node with its sites.
type load struct {
	sites []*node.Site
	units int
	next  atomic.Int64 // numbers the commands

	mu      sync.Mutex
	waiting map[queue.SiteID][]waiting // for a plan that knows the entry
	planned []time.Duration
	first   map[queue.SiteID]uint64 // the newest state that a site's plan is made for, if it has one
}

type waiting struct {
	seq   uint64
	since time.Time
}

func (l *load) observe(site queue.SiteID, _ *meter.Meter, r dispatch.Report) {
	if r.Improved || r.Err != nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.first[site] = r.Seq
	l.waiting[site] = slices.DeleteFunc(l.waiting[site], func(w waiting) bool {
		if w.seq > r.Seq {
			return false
		}
		l.planned = append(l.planned, time.Since(w.since))
		return true
	})
}

// wait notes an entry that a plan has to know.
func (l *load) wait(site queue.SiteID, w waiting) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if w.seq <= l.first[site] { // it was faster than the answer
		l.planned = append(l.planned, time.Since(w.since))
		return
	}
	l.waiting[site] = append(l.waiting[site], w)
}

func measure(b *testing.B, store log.Log, nc *nats.Conn, replicas int) {
	sites, units, callers := setting("LOAD_SITES", 10), setting("LOAD_UNITS", 20), setting("LOAD_CALLERS", 16)
	span := time.Duration(setting("LOAD_SECONDS", 3)) * time.Second
	l := &load{units: units, waiting: map[queue.SiteID][]waiting{}, first: map[queue.SiteID]uint64{}}
	ids := fill(b, store, sites, units)
	before := heap()
	var sum tally
	raw := bare(b, nc, replicas, callers, span)
	for b.Loop() { // in rounds, because a machine that others use too is not the same for long
		l.first = map[queue.SiteID]uint64{}
		begun := time.Now()
		stop := l.start(b, node.Options{
			Roles: node.Dispatch, Sites: ids, Log: store, Conn: nc, Replicas: replicas, Now: workday, Observe: l.observe, Lease: 10 * time.Second,
		})
		l.settle(b)
		sum.start += time.Since(begun)
		sum.heap += float64(heap()-before) / float64(sites) / (1 << 20)
		events, acks := l.run(b, callers, span)
		sum.acks = append(sum.acks, acks...)
		sum.behind += l.drain(b)
		stop()
		again := bare(b, nc, replicas, callers, span)
		sum.raw += (raw + again) / 2
		sum.events += events
		raw = again
	}
	sum.planned = l.planned
	sum.report(b)
}

// tally is what the rounds of a measurement add up to.
type tally struct {
	raw, events, heap float64 // sums of the rounds
	start             time.Duration
	acks, planned     []time.Duration
	behind            int // events without a plan when the commands ended
}

func (t *tally) report(b *testing.B) {
	n := float64(b.N)
	b.ReportMetric(t.start.Seconds()/n, "start-s")
	b.ReportMetric(t.raw/n, "raw/s")
	b.ReportMetric(t.events/n, "events/s")
	b.ReportMetric(100*t.events/t.raw, "%raw")
	b.ReportMetric(at(t.acks, 50), "ack-p50-ms")
	b.ReportMetric(at(t.acks, 99), "ack-p99-ms")
	b.ReportMetric(at(t.planned, 50), "plan-p50-ms")
	b.ReportMetric(at(t.planned, 99), "plan-p99-ms")
	b.ReportMetric(float64(t.behind)/n, "behind")
	b.ReportMetric(t.heap/n, "MiB/site")
	b.ReportMetric(0, "ns/op")
}

// start runs a node until stop.
func (l *load) start(b *testing.B, o node.Options) (stop func()) {
	n, err := node.New(o)
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	begun, done := make(chan struct{}), make(chan error, 1)
	go func() { done <- n.Run(ctx, func() { close(begun) }) }()
	select {
	case <-begun:
	case err := <-done:
		b.Fatal(err)
	}
	l.sites = n.Open()
	if len(l.sites) != len(o.Sites) {
		b.Fatalf("%d of %d sites are open", len(l.sites), len(o.Sites))
	}
	return func() {
		cancel()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
}

// settle waits until every site has its first plan and has learnt from its past:
// taking sites over is not what is measured.
func (l *load) settle(b *testing.B) {
	deploytest.WaitFor(b, "a plan of every site", 10*time.Minute, func() error {
		l.mu.Lock()
		defer l.mu.Unlock()
		if n := len(l.first); n < len(l.sites) {
			return fmt.Errorf("%d of %d sites are planned", n, len(l.sites))
		}
		for _, s := range l.sites {
			if s.Lengths.Lengths() == nil {
				return fmt.Errorf("site %s has learnt nothing yet", s.ID)
			}
		}
		return nil
	})
}

// drain waits until every entry is planned for, so that the times to the plan
// leave nobody out, and returns how many were not when it began.
func (l *load) drain(b *testing.B) (behind int) {
	left := func() (n int) {
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, w := range l.waiting {
			n += len(w)
		}
		return n
	}
	behind = left()
	deploytest.WaitFor(b, "a plan for every entry", 10*time.Minute, func() error {
		if n := left(); n > 0 {
			return fmt.Errorf("%d entries are not planned for", n)
		}
		return nil
	})
	return behind
}

// workday is a moment at which the demo's shop works.
func workday() time.Time { return time.Date(2026, 2, 17, 10, 0, 0, 0, time.UTC) }

// fill makes the sites with their open units.
func fill(b *testing.B, store log.Log, sites, units int) []queue.SiteID {
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		b.Fatal(err)
	}
	ids := make([]queue.SiteID, sites)
	var g errgroup.Group
	g.SetLimit(16)
	for i := range sites {
		ids[i] = queue.SiteID(fmt.Sprintf("site-%03d", i))
		g.Go(func() error { return fillSite(b.Context(), store, ids[i], *shop, units) })
	}
	if err := g.Wait(); err != nil {
		b.Fatal(err)
	}
	return ids
}

func fillSite(ctx context.Context, store log.Log, id queue.SiteID, shop queue.Shop, units int) error {
	shop.Site = id
	shop.Limits.YardCapacity = max(shop.Limits.YardCapacity, units) // whoever has them has room for them
	led, err := ledger.Open(ctx, ledger.Options{Site: id, Log: store, Now: workday})
	if err != nil {
		return err
	}
	do := func(cmd string, a queue.Action) error {
		_, err := led.Do(ctx, queue.Command{ID: queue.CommandID(cmd), At: workday(), Action: a})
		return err
	}
	if err := do("shop", &queue.ConfigureShop{Shop: shop, FileHash: "x"}); err != nil {
		return err
	}
	for k := range units {
		err := do(fmt.Sprintf("u%d", k), &queue.ReceiveUnit{Unit: unit(k), Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.NewUnit, Route: "set-up", Promise: workday().Add(time.Duration(8+k) * time.Hour), Weight: 3,
		}})
		if err != nil {
			return err
		}
	}
	return nil
}

func unit(k int) queue.UnitID { return queue.UnitID(fmt.Sprintf("U-%03d", k)) }

// run has callers change promises, which the planner has to answer, each at
// the next site, and returns events a second and the times to the
// acknowledgement.
func (l *load) run(b *testing.B, callers int, span time.Duration) (float64, []time.Duration) {
	var done atomic.Int64
	var mu sync.Mutex
	var acks []time.Duration
	var wg sync.WaitGroup
	begun := time.Now()
	for range callers {
		wg.Go(func() {
			var mine []time.Duration
			for time.Since(begun) < span {
				n := l.next.Add(1)
				s := l.sites[int(n)%len(l.sites)]
				promise := workday().Add(time.Duration(6*60+n%6000) * time.Minute)
				asked := time.Now()
				r, err := s.Ledger.Do(b.Context(), queue.Command{ID: queue.CommandID(fmt.Sprintf("p%d", n)), At: workday(),
					Action: &queue.AmendUnit{Unit: unit(int(n/int64(len(l.sites))) % l.units), Change: queue.UnitAmended{Promise: &promise, Reason: "the customer rang"}}})
				if err != nil {
					b.Error(err)
					return
				}
				mine = append(mine, time.Since(asked))
				done.Add(1)
				l.wait(s.ID, waiting{r.Seq, asked})
			}
			mu.Lock()
			acks = append(acks, mine...)
			mu.Unlock()
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(begun).Seconds(), acks
}

// bare publishes as the log does and nothing else: one message on a subject of
// its own for each caller, on the condition of its last sequence, to a stream
// like the log's.
func bare(b *testing.B, nc *nats.Conn, replicas, callers int, span time.Duration) float64 {
	js, err := jetstream.New(nc)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := js.CreateOrUpdateStream(b.Context(), jetstream.StreamConfig{
		Name: "RAW", Subjects: []string{"raw.*"}, Storage: jetstream.FileStorage, Replicas: replicas, Discard: jetstream.DiscardNew,
		DenyDelete: true, Duplicates: 10 * time.Minute,
	}); err != nil {
		b.Fatal(err)
	}
	body := make([]byte, 540) // with its headers as large as an entry of one event, 700 bytes in the log
	var done atomic.Int64
	var wg sync.WaitGroup
	begun := time.Now()
	for c := range callers {
		wg.Go(func() {
			subject := fmt.Sprintf("raw.%d-%d", begun.UnixNano(), c)
			var last uint64
			for i := 0; time.Since(begun) < span; i++ {
				publish := func() (*jetstream.PubAck, error) {
					return js.Publish(b.Context(), subject, body,
						jetstream.WithExpectLastSequencePerSubject(last), jetstream.WithMsgID(fmt.Sprintf("%s-%d", subject, i)))
				}
				ack, err := publish()
				// The client library repeats by itself what is slow: its first
				// try may be under way (10164). A repeat is told by its id.
				for try := 0; err != nil && try < 20; try++ {
					time.Sleep(50 * time.Millisecond)
					ack, err = publish()
				}
				if err != nil {
					b.Error(err)
					return
				}
				last = ack.Sequence
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(begun).Seconds()
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// at is a percentile in milliseconds.
func at(all []time.Duration, percent int) float64 {
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return float64(all[min(len(all)-1, len(all)*percent/100)].Microseconds()) / 1000
}
