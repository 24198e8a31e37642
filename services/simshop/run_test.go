package simshop_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/scheduler/calendar"
	"tickover/services/simshop"
	"tickover/testdata"
)

func larkmoor(tb testing.TB) (*queue.Shop, queue.Hash) {
	tb.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		tb.Fatal(err)
	}
	return shop, hash
}

// options of a run of the demo shop.
func options(tb testing.TB, seed uint64, days int) simshop.Options {
	tb.Helper()
	shop, hash := larkmoor(tb)
	busy, errs := intake.Load(bytes.NewReader(testdata.BusyDay), shop)
	if len(errs) > 0 {
		tb.Fatal(errs)
	}
	var waiting []queue.ReceiveUnit
	for _, row := range busy.Rows {
		waiting = append(waiting, row.Unit)
	}
	return simshop.Options{
		Waiting: waiting, Shop: shop, ShopFile: hash, Seed: seed, Days: days, Schedules: 1,
		Observer: &watcher{TB: tb}, Stopwatch: stopwatch,
	}
}

// watcher fails the test at a violation and keeps what each day began with.
type watcher struct {
	testing.TB
	shown int
	days  []simshop.Result
}

func (w *watcher) Day(_ calendar.Date, r simshop.Result) { w.days = append(w.days, r) }

func (w *watcher) Violation(at time.Time, words string) {
	if w.shown++; w.shown <= 10 {
		w.Errorf("%s: %s", at.Format(time.DateTime), words)
	}
}

func stopwatch() func() time.Duration {
	began := time.Now()
	return func() time.Duration { return time.Since(began) }
}

// Twenty days of the demo shop: no plan breaks a constraint, no state an
// invariant, and on every day units are finished.
func TestTwentyDemoDays(t *testing.T) {
	base := queuetest.Seed(t, 1)
	var mu sync.Mutex
	var by [queue.InterlockCount + 1]int
	var missed, offered, calls, alarms int
	t.Run("seeds", func(t *testing.T) {
		for i := range uint64(demoRuns) {
			t.Run(fmt.Sprint(base+i), func(t *testing.T) {
				t.Parallel()
				o := options(t, base+i, demoDays)
				o.Schedules = []int{1, 40, 1, 10}[i] // the first good plan, and searches
				r, err := simshop.Run(t.Context(), o)
				if err != nil {
					t.Fatal(err)
				}
				t.Logf("%s; plans p50 %.1f ms, p99 %.1f ms; objective %.0f; %d offers taken, %d calls, %d alarms",
					r, r.PlanMSP50, r.PlanMSP99, r.Objective, r.Offered, r.Calls, r.Alarms)
				if r.CheckerViolations != 0 {
					t.Errorf("%d violations", r.CheckerViolations)
				}
				each := append(o.Observer.(*watcher).days, r)
				for d := 1; d < len(each); d++ {
					if each[d].UnitsFinished == each[d-1].UnitsFinished {
						t.Errorf("no unit was finished on day %d", d)
					}
				}
				mu.Lock()
				defer mu.Unlock()
				missed += r.PromisesMissed
				offered, calls, alarms = offered+r.Offered, calls+r.Calls, alarms+r.Alarms
				for n, count := range r.ByInterlock {
					by[n] += count
				}
			})
		}
	})
	if demoRuns*demoDays < 20 {
		return
	}
	// The people err in many ways, and the counter promises too much.
	for _, n := range []queue.Interlock{queue.I1, queue.I4, queue.I6, queue.I7, queue.I8, queue.I11, queue.I12} {
		if by[n] == 0 {
			t.Errorf("%s never refused anything in %d days: %v", n, demoRuns*demoDays, by)
		}
	}
	if offered == 0 || calls == 0 || alarms == 0 {
		t.Errorf("the stations offered %d steps, called %d times, raised %d alarms", offered, calls, alarms)
	}
	if missed == 0 {
		t.Error("no promise was ever missed: the demo shows nothing")
	}
}

// The same seed gives the same log, on whatever log; another seed another.
func TestSameSeedSameLog(t *testing.T) {
	t.Parallel()
	run := func(seed uint64, l log.Log) simshop.Result {
		o := options(t, seed, 1)
		o.Start, o.Log, o.Stopwatch = simshop.DemoBusy, l, nil
		r, err := simshop.Run(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	srv, err := log.Open(t.Context(), log.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = srv.Close() })
	seed := queuetest.Seed(t, 7)
	mem := run(seed, nil)
	if d := cmp.Diff(mem, run(seed, srv)); d != "" {
		t.Errorf("in memory and on disk the same seed differs:\n%s", d)
	}
	if other := run(seed+1, nil); other.Log == mem.Log || other.Objective == mem.Objective {
		t.Errorf("seeds %d and %d gave the same: %+v", seed, seed+1, other)
	}
	if mem.Log == "" || mem.Events == 0 {
		t.Errorf("nothing happened: %+v", mem)
	}
}

func TestResultFields(t *testing.T) {
	b, err := json.Marshal(simshop.Result{})
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"units_arrived":0,"units_finished":0,"promises_kept":0,"promises_missed":0,"interlock_refusals":0,"checker_violations":0,"events":0,"plan_ms_p50":0,"plan_ms_p99":0,"objective":0}`
	if string(b) != want {
		t.Errorf("got  %s\nwant %s", b, want)
	}
}

// types counts the log's events by type.
func types(t *testing.T, l log.Log) map[queue.EventType]int {
	t.Helper()
	n := map[queue.EventType]int{}
	err := l.Read(t.Context(), "larkmoor", 0, func(en *queue.Entry) error {
		for i := range en.Events {
			n[en.Events[i].Type]++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// With all faults off nothing goes wrong; with them on the shop sees them all.
func TestFaultsCanBeSwitchedOff(t *testing.T) {
	t.Parallel()
	with, without := logtest.NewMem(), logtest.NewMem()
	seed := queuetest.Seed(t, 3)
	for l, off := range map[*logtest.Mem]simshop.Faults{with: 0, without: simshop.AllFaults} {
		days := 3
		if off == 0 {
			days = 10 // faults are rare, and other plans draw other ones
		}
		o := options(t, seed, days)
		o.Log, o.Without = l, off
		r, err := simshop.Run(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		typos := r.ByInterlock[queue.I12] + r.ByInterlock[queue.I4] + r.ByInterlock[queue.I7]
		if (typos > 0) != (off == 0) {
			t.Errorf("without faults %b: refusals by interlock %v", off, r.ByInterlock)
		}
	}
	failures := []queue.EventType{"flash.failed", "relearn.failed", "restart-check.failed", "test-ride.failed", queue.TypeReworkOpened}
	bad, good := types(t, with), types(t, without)
	count := func(n map[queue.EventType]int, of ...queue.EventType) (sum int) {
		for _, e := range of {
			sum += n[e]
		}
		return sum
	}
	if count(bad, failures...) == 0 || count(bad, queue.TypeResourceClosed) == 0 {
		t.Errorf("with faults nothing failed: %v", bad)
	}
	if count(good, failures...)+count(good, queue.TypeResourceClosed, queue.TypeUnitAmended, queue.TypeStepSkipped) != 0 {
		t.Errorf("without faults something failed: %v", good)
	}
}

// A run that ends in the middle of a day is gone on with by another process
// from the log alone: what ran goes on, what was accepted is given back.
func TestGoesOnFromTheLog(t *testing.T) {
	t.Parallel()
	mem := logtest.NewMem()
	o := options(t, queuetest.Seed(t, 5), 1)
	o.Log = mem
	first, err := simshop.New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	noon := simshop.DemoStart.At(11*60, o.Shop.Location())
	if err := first.FastForward(t.Context(), noon); err != nil {
		t.Fatal(err)
	}
	before := first.Result()

	o.Log, o.From, o.Seed = mem.Reopen(), noon, o.Seed+1
	second, err := simshop.New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := second.FastForward(t.Context(), simshop.DemoStart.AddDays(3).At(0, o.Shop.Location())); err != nil {
		t.Fatal(err)
	}
	after := second.Result()
	if after.UnitsFinished <= before.UnitsFinished || after.CheckerViolations != 0 {
		t.Errorf("before %s\nafter %s", before, after)
	}
	// Everything that ran at noon has ended long since.
	st := queue.NewState("larkmoor")
	err = o.Log.Read(t.Context(), st.Site, 0, func(en *queue.Entry) error { _, err := st.Apply(en); return err })
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			if s := &u.Steps[i]; s.Status == queue.Running && s.Started.Before(noon) {
				t.Errorf("step %s of unit %s runs since %s", s.ID, u.ID, s.Started)
			}
		}
	}
}

// Acknowledgements that are lost make no event happen twice.
func TestLostAcknowledgements(t *testing.T) {
	t.Parallel()
	mem := &forgetful{Mem: logtest.NewMem()}
	o := options(t, queuetest.Seed(t, 11), 1)
	o.Start, o.Log = simshop.DemoBusy, mem
	r, err := simshop.Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if mem.lost == 0 || r.UnitsFinished == 0 || r.CheckerViolations != 0 {
		t.Errorf("%d acknowledgements lost: %s", mem.lost, r)
	}
	o.Log = nil
	if same, err := simshop.Run(t.Context(), o); err != nil || same.Log != r.Log {
		t.Errorf("the log differs from one whose acknowledgements all came (%v)", err)
	}
}

// forgetful loses every tenth acknowledgement.
type forgetful struct {
	*logtest.Mem
	calls, lost int
}

func (f *forgetful) Append(ctx context.Context, en *queue.Entry, last uint64) (uint64, error) {
	if f.calls++; f.calls%10 == 0 {
		f.lost++
		f.LoseAcks(1)
	}
	return f.Mem.Append(ctx, en, last)
}

func TestOptionsAreChecked(t *testing.T) {
	for give, change := range map[string]func(*simshop.Options){
		"no shop":       func(o *simshop.Options) { o.Shop = nil },
		"too many days": func(o *simshop.Options) { o.Days = simshop.DaysMax + 1 },
		"negative load": func(o *simshop.Options) { o.Load = -1 },
	} {
		o := options(t, 1, 1)
		change(&o)
		if _, err := simshop.Run(t.Context(), o); err == nil {
			t.Errorf("%s: no error", give)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := simshop.Run(ctx, options(t, 1, 1)); err == nil {
		t.Error("a cancelled run ended without an error")
	}
}

// A shop of another kind works as well: what arrives is told by the routes.
func TestAnotherShop(t *testing.T) {
	t.Parallel()
	shop := queuetest.Shop()
	o := simshop.Options{Shop: &shop, Seed: queuetest.Seed(t, 2), Days: 2, Schedules: 1, Observer: &watcher{TB: t}}
	r, err := simshop.Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if r.UnitsFinished == 0 {
		t.Errorf("%s", r)
	}
}

func BenchmarkDemoDay(b *testing.B) {
	for i := range uint64(b.N) {
		o := options(b, i+1, 1)
		o.Start, o.Schedules = simshop.DemoBusy, 0
		r, err := simshop.Run(b.Context(), o)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(r.Events), "events/op")
		b.ReportMetric(r.PlanMSP99, "plan-p99-ms")
	}
}
