package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/services/ledger"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func clock() time.Time { return queuetest.Monday }

func embedded(t testing.TB, dir string) *log.Server {
	t.Helper()
	srv, err := log.Open(context.Background(), log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	return srv
}

func open(t testing.TB, l log.Log, snaps ledger.Snapshots) *ledger.Ledger {
	t.Helper()
	led, err := ledger.Open(context.Background(), ledger.Options{Site: "test", Log: l, Now: clock, Snapshots: snaps})
	if err != nil {
		t.Fatal(err)
	}
	return led
}

func do(t testing.TB, l *ledger.Ledger, id string, a queue.Action) ledger.Receipt {
	t.Helper()
	r, err := l.Do(context.Background(), queue.Command{ID: queue.CommandID(id), At: clock(), Action: a})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func receive(id string) *queue.ReceiveUnit {
	return &queue.ReceiveUnit{Unit: queue.UnitID(id), Arrival: queuetest.Arrival("flash-only", clock().Add(time.Hour))}
}

func TestTwoLedgersOnOneLog(t *testing.T) {
	srv := embedded(t, t.TempDir())
	a, b := open(t, srv, nil), open(t, srv, nil)
	do(t, a, "shop", &queue.ConfigureShop{Shop: queuetest.Shop()})
	do(t, b, "u1", receive("T-1")) // b has not heard of the shop: it folds and decides again
	flash := func(bench, charger queue.ResourceID, unit queue.UnitID) *queue.StartStep {
		return &queue.StartStep{Unit: unit, Step: "flash", Technician: "ada", Resources: []queue.ResourceID{bench, "i1", charger}}
	}
	do(t, a, "u2", receive("T-2"))
	do(t, a, "f1", flash("b1", "c1", "T-1"))
	_, err := b.Do(context.Background(), queue.Command{ID: "f2", At: clock(), Action: flash("b2", "c2", "T-2")})
	var r *queue.Refusal
	if !errors.As(err, &r) || r.Interlock != queue.I1 {
		t.Fatalf("the second flash on i1: %v, want I1", err)
	}
	again := do(t, b, "f1", flash("b1", "c1", "T-1"))
	if !again.Duplicate {
		t.Error("a command that another ledger carried out is not a duplicate here")
	}
}

func TestConcurrentCommandsAllLandOnce(t *testing.T) {
	srv := embedded(t, t.TempDir())
	ledgers := []*ledger.Ledger{open(t, srv, nil), open(t, srv, nil)}
	do(t, ledgers[0], "shop", &queue.ConfigureShop{Shop: queuetest.Shop()})
	const each = 40
	var wg sync.WaitGroup
	for k, l := range ledgers {
		wg.Go(func() {
			for i := range each {
				cmd := queue.Command{ID: queue.CommandID(fmt.Sprintf("%d-%d", k, i)), At: clock(), Action: receive(fmt.Sprintf("T-%d-%d", k, i))}
				for { // ErrBusy is an answer too: try again
					_, err := l.Do(context.Background(), cmd)
					if err == nil {
						break
					}
					if !errors.Is(err, ledger.ErrBusy) {
						t.Error(err)
						return
					}
				}
			}
		})
	}
	wg.Wait()
	for _, l := range ledgers {
		fresh := open(t, srv, nil)
		if n := len(fresh.View().Units); n != 2*each {
			t.Errorf("%d units in the log, want %d", n, 2*each)
		}
		_ = l
	}
}

func TestRunFoldsWhatOthersAppend(t *testing.T) {
	mem := logtest.NewMem()
	a, b := open(t, mem, nil), open(t, mem, nil)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- b.Run(ctx) }()
	w := b.Watch()
	do(t, a, "shop", &queue.ConfigureShop{Shop: queuetest.Shop()})
	do(t, a, "u1", receive("T-1"))
	for b.View().Units["T-1"] == nil {
		<-w.C()
	}
	w.Stop()
	cancel()
	if err := <-done; err != nil {
		t.Errorf("Run: %v", err)
	}
}

func TestSnapshotAndTailGiveTheSameState(t *testing.T) {
	dir := t.TempDir()
	srv := embedded(t, dir)
	a := open(t, srv, srv)
	do(t, a, "shop", &queue.ConfigureShop{Shop: queuetest.Shop()})
	do(t, a, "u1", receive("T-1"))
	a.Snapshot(context.Background())
	do(t, a, "u2", receive("T-2"))
	if err := srv.Close(); err != nil {
		t.Fatal(err)
	}
	srv = embedded(t, dir)
	if snap, _, err := srv.LoadSnapshot(context.Background(), "test", queue.FormatVersion); err != nil || snap == nil || snap.Seq != 2 {
		t.Fatalf("snapshot %v, %v", snap, err)
	}
	with, without := open(t, srv, srv), open(t, srv, nil)
	if got, want := bytesOf(t, with), bytesOf(t, without); got != want {
		t.Errorf("the state from the snapshot differs:\n%s\n%s", got, want)
	}
	if r := do(t, with, "u1", receive("T-1")); !r.Duplicate {
		t.Error("a command from before the snapshot is not known as a repeat")
	}
}

func bytesOf(t *testing.T, l *ledger.Ledger) string {
	t.Helper()
	b, err := l.View().MarshalSnapshot()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A phone whose clock can't be right must not open what the hour has shut: the
// interlocks are judged at the time that counts.
func TestAWrongClockOpensNothing(t *testing.T) {
	now := queuetest.Monday
	l, err := ledger.Open(context.Background(), ledger.Options{Site: "test", Log: logtest.NewMem(), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	at := func(at time.Time, a queue.Action) error {
		n++
		_, err := l.Do(context.Background(), queue.Command{ID: queue.CommandID(fmt.Sprint("c", n)), At: at, Action: a})
		return err
	}
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	shut := func(err error) {
		t.Helper()
		var r *queue.Refusal
		if !errors.As(err, &r) || r.Interlock != queue.I5 {
			t.Fatalf("%v, want I5", err)
		}
	}
	shop := queuetest.Shop()
	for day := range shop.Hours {
		shop.Hours[day] = []queue.Span{{From: 8 * 60, To: 18 * 60}}
	}
	ok(at(now, &queue.ConfigureShop{Shop: shop}))
	ok(at(now, receive("T-1")))
	flash := &queue.StartStep{Unit: "T-1", Step: "flash", Technician: "ada", Resources: []queue.ResourceID{"b1", "i1", "c1"}}
	night := now.Add(12 * time.Hour) // 22:00
	now = night
	shut(at(night, flash))
	shut(at(night.Add(12*time.Hour), flash)) // it says tomorrow, ten o'clock
	ok(at(night.Add(-12*time.Hour), flash))  // said late, by a phone that was out of reach
	fail := &queue.FinishStep{Unit: "T-1", Step: "flash", Technician: "ada", Failed: true, Reason: "no answer"}
	ok(at(night.Add(-8*time.Hour), fail))
	shut(at(night.Add(-9*time.Hour), flash)) // before the first one ended
	ok(at(night.Add(-7*time.Hour), flash))
	u := l.View().Units["T-1"]
	if got, want := u.Step("flash").Started, night.Add(-7*time.Hour); !got.Equal(want) {
		t.Errorf("started %s, want %s", got, want)
	}
}

// unsure is a log that can't say what its newest entry is.
type unsure struct{ log.Log }

func (unsure) Last(context.Context, queue.SiteID) (log.Position, error) {
	return log.Position{}, fmt.Errorf("%w: its leader has only just begun", log.ErrUnanswered)
}

// TestNobodyIsRefusedOnAnOldState: as long as the log can't say that the state
// is the newest, a refusal is none.
func TestNobodyIsRefusedOnAnOldState(t *testing.T) {
	mem := logtest.NewMem()
	do(t, open(t, mem, nil), "shop", &queue.ConfigureShop{Shop: queuetest.Shop()})
	behind := open(t, unsure{mem}, nil)
	do(t, open(t, mem, nil), "u1", receive("T-1"))
	start := queue.Command{ID: "f1", At: clock(), Action: &queue.StartStep{Unit: "T-1", Step: "flash", Technician: "ada", Resources: []queue.ResourceID{"b1", "i1", "c1"}}}
	_, err := behind.Do(context.Background(), start)
	var r *queue.Refusal
	if errors.As(err, &r) || !errors.Is(err, log.ErrUnanswered) {
		t.Errorf("a unit that is there, at a ledger that can't know: %v", err)
	}
}
