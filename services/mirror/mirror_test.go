package mirror_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/view"
	"tickover/queue/view/redisview"
	"tickover/services/ledger"
	"tickover/services/mirror"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const site = queue.SiteID("test")

func clock() time.Time { return queuetest.Monday }

// shop is a site on a log with a mirror of it.
type shop struct {
	t    testing.TB
	l    *ledger.Ledger
	n    int
	stop func()
}

func open(t testing.TB, l log.Log, s view.Store) *shop {
	t.Helper()
	led, err := ledger.Open(t.Context(), ledger.Options{Site: site, Log: l, Now: clock, Snapshots: view.Snapshots(s, l)})
	if err != nil {
		t.Fatal(err)
	}
	sh := &shop{t: t, l: led}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 2)
	go func() { done <- led.Run(ctx) }()
	go func() {
		done <- mirror.Run(ctx, mirror.Options{Site: site, Ledger: led, Log: l, Store: s, Every: 50 * time.Millisecond})
	}()
	sh.stop = func() {
		cancel()
		for range 2 {
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
		sh.stop = func() {}
	}
	t.Cleanup(func() { sh.stop() })
	return sh
}

func (s *shop) do(a queue.Action) {
	s.t.Helper()
	s.n++
	if _, err := s.l.Do(s.t.Context(), queue.Command{ID: queue.CommandID(fmt.Sprintf("%p-%d", s, s.n)), At: clock(), Action: a}); err != nil {
		s.t.Fatal(err)
	}
}

func receive(id string) *queue.ReceiveUnit {
	return &queue.ReceiveUnit{Unit: queue.UnitID(id), Arrival: queuetest.Arrival("flash-only", clock().Add(time.Hour))}
}

// agrees waits until the store has what the ledger's state says.
func agrees(t testing.TB, s view.Store, l *ledger.Ledger, most time.Duration) time.Duration {
	t.Helper()
	begun := time.Now()
	deploytest.WaitFor(t, "the views to agree with the log", most, func() error {
		head, rows, err := s.Units(t.Context(), site)
		if err != nil {
			return err
		}
		if d := cmp.Diff(view.Of(l.View()), view.Whole{Head: head, Rows: rows}); d != "" {
			return fmt.Errorf("views differ (-want +got):\n%s", d)
		}
		return nil
	})
	return time.Since(begun)
}

func dial(t testing.TB, r *deploytest.Redis) view.Store {
	t.Helper()
	c, err := redisview.Dial(r.URL(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return redisview.New(c)
}

// TestMirror: two mirrors of one log, a store that is flushed and killed with
// and without something happening.
func TestMirror(t *testing.T) {
	r := deploytest.StartRedis(t)
	l, s := logtest.NewMem(), dial(t, r)
	a, b := open(t, l, s), open(t, l, dial(t, r))
	a.do(&queue.ConfigureShop{Shop: queuetest.Shop()})
	a.do(receive("T-1"))
	agrees(t, s, a.l, 10*time.Second)
	for i := range 10 {
		[]*shop{a, b}[i%2].do(receive(fmt.Sprintf("U-%d", i)))
	}
	agrees(t, s, b.l, 10*time.Second)

	r.Flush(t)
	agrees(t, s, a.l, 10*time.Second) // although nothing happens
	deploytest.WaitFor(t, "the snapshot", time.Minute, func() error {
		sn, _, err := s.LoadSnapshot(t.Context(), site, queue.FormatVersion)
		if err == nil && sn == nil {
			err = fmt.Errorf("no snapshot")
		}
		return err
	})
	r.Flush(t)
	a.do(receive("F-1"))
	agrees(t, s, a.l, 10*time.Second)

	r.Kill()
	a.do(receive("K-1"))
	time.Sleep(100 * time.Millisecond) // the mirrors notice
	b.do(receive("K-2"))
	r.Start(t)
	agrees(t, s, a.l, 10*time.Second)
	a.do(receive("K-3"))
	agrees(t, s, b.l, 10*time.Second)
}

// TestSnapshotServes: a ledger elsewhere begins with the shared snapshot and
// reads the rest from the log, and one of another log is passed over.
func TestSnapshotServes(t *testing.T) {
	l, s := logtest.NewMem(), &view.Mem{}
	a := open(t, l, s)
	a.do(&queue.ConfigureShop{Shop: queuetest.Shop()})
	a.do(receive("T-1"))
	agrees(t, s, a.l, 10*time.Second)
	a.stop() // saves the snapshot
	sn, _, err := view.Snapshots(s, l).LoadSnapshot(t.Context(), site, queue.FormatVersion)
	if err != nil || sn == nil || sn.Seq != 2 {
		t.Fatalf("snapshot is %+v, %v", sn, err)
	}
	b := open(t, l, s)
	b.do(receive("T-2"))
	if _, ok := b.l.View().Units["T-1"]; !ok {
		t.Error("the unit of the snapshot is not in the state")
	}
	sn, ignored, err := view.Snapshots(s, logtest.NewMem()).LoadSnapshot(t.Context(), site, queue.FormatVersion)
	if err != nil || sn != nil || len(ignored) != 1 {
		t.Errorf("snapshot of another log: %+v, %v, %v", sn, ignored, err)
	}
}

// TestAnotherLog: the log was replaced by an older one, a backup; the views of
// the former go although they are newer.
func TestAnotherLog(t *testing.T) {
	s := &view.Mem{}
	a := open(t, logtest.NewMem(), s)
	a.do(&queue.ConfigureShop{Shop: queuetest.Shop()})
	for i := range 5 {
		a.do(receive(fmt.Sprintf("T-%d", i)))
	}
	agrees(t, s, a.l, 10*time.Second)
	a.stop()
	b := open(t, logtest.NewMem(), s)
	b.do(&queue.ConfigureShop{Shop: queuetest.Shop()})
	b.do(receive("N-1"))
	agrees(t, s, b.l, 10*time.Second)
}

// BenchmarkFlushed: how long 10,000 open units of one site are missing after a
// flush with nothing happening.
func BenchmarkFlushed(b *testing.B) {
	r := deploytest.StartRedis(b)
	l, s := logtest.NewMem(), dial(b, r)
	cfg := queuetest.Shop()
	cfg.Limits.UnitsOpenMax = 20_000
	led, err := ledger.Open(b.Context(), ledger.Options{Site: site, Log: l, Now: clock})
	if err != nil {
		b.Fatal(err)
	}
	full := &shop{t: b, l: led}
	full.do(&queue.ConfigureShop{Shop: cfg})
	for i := range 10_000 {
		full.do(receive(fmt.Sprintf("T-%05d", i)))
	}
	a := open(b, l, s)
	agrees(b, s, a.l, time.Minute)
	b.ResetTimer()
	for range b.N {
		r.Flush(b)
		deploytest.WaitFor(b, "views", time.Minute, func() error {
			_, err := s.Head(b.Context(), site)
			return err
		})
	}
}
