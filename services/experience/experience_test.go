package experience_test

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/experience"
	"tickover/services/simshop"
	"tickover/services/timesheet"
	"tickover/testdata"
)

func larkmoor(t testing.TB) (*queue.Shop, queue.Hash) {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	return shop, hash
}

func day(shop *queue.Shop, n int) time.Time {
	return simshop.DemoStart.AddDays(n).At(9, shop.Location())
}

// TestLengthsAreThoseOfTheLog: six simulated days; runs and machine times
// counted anew from the raw events; what was learnt is the same after a
// restart, and does not know what came after its midnight.
func TestLengthsAreThoseOfTheLog(t *testing.T) {
	shop, hash := larkmoor(t)
	mem := logtest.NewMem()
	if _, err := simshop.Run(t.Context(), simshop.Options{Shop: shop, ShopFile: hash, Seed: queuetest.Seed(t, 5), Days: 6, Schedules: 1, Log: mem, Learn: true}); err != nil {
		t.Fatal(err)
	}
	e := experience.New(mem, shop.Site)
	if err := e.Refresh(t.Context(), day(shop, 7)); err != nil {
		t.Fatal(err)
	}
	l := e.Lengths()
	// Of the raw events: how often the flash's machine time was over, and how
	// long it was.
	began, ops := map[queue.Hold]time.Time{}, map[queue.UnitID]map[queue.StepID]queue.OperationID{}
	var flashes []time.Duration
	err := mem.Read(t.Context(), shop.Site, 0, func(en *queue.Entry) error {
		for i := range en.Events {
			ev := &en.Events[i]
			id, _ := ev.Subject.Unit()
			key := queue.Hold{Unit: id, Step: ev.StepOf()}
			switch d := ev.Data.(type) {
			case *queue.UnitArrived:
				ops[id] = map[queue.StepID]queue.OperationID{}
				for _, s := range shop.StepsOf(d.Route, d.Options) {
					ops[id][s.ID] = s.Operation
				}
			case *queue.StepAdvanced:
				if ops[id][key.Step] != "flash" {
					continue
				}
				if d.Stretch == 1 {
					began[key] = ev.When()
				} else if d.Stretch == 2 {
					flashes = append(flashes, ev.When().Sub(began[key]))
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(flashes) < 5 {
		t.Fatalf("only %d flashes", len(flashes))
	}
	least := time.Duration(math.MaxInt64)
	for _, f := range flashes {
		least = min(least, f)
	}
	flash := l.Of(shop.Operation("flash"), 1, "", "")
	if flash.Operation != len(flashes) {
		t.Errorf("%d machine times were learnt from, the log has %d", flash.Operation, len(flashes))
	}
	if m := flash.Median(); m < least-2*time.Minute || m > least+4*time.Minute {
		t.Errorf("the machine takes %v by median, the shortest took %v: the waiting counts", m, least)
	}
	again := experience.New(mem, shop.Site)
	for _, at := range []time.Time{day(shop, 3), day(shop, 7)} {
		if err := again.Refresh(t.Context(), at); err != nil {
			t.Fatal(err)
		}
	}
	same := func(a, b *experience.Lengths) {
		t.Helper()
		if d := cmp.Diff(texts(a.Rows(shop, .6)), texts(b.Rows(shop, .6))); d != "" {
			t.Errorf("learnt otherwise:\n%s", d)
		}
	}
	same(l, again.Lengths())
	// A log that ends on the third midnight and the whole log teach the same of
	// that day.
	early := logtest.NewMem()
	cut := simshop.DemoStart.AddDays(3).At(0, shop.Location())
	err = mem.Read(t.Context(), shop.Site, 0, func(en *queue.Entry) error {
		if en.Events[0].Received.Before(cut) {
			_, err := early.Append(context.Background(), en, en.Seq-1)
			return err
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	then, now := experience.New(early, shop.Site), experience.New(mem, shop.Site)
	for _, x := range []*experience.Experience{then, now} {
		if err := x.Refresh(t.Context(), day(shop, 3)); err != nil {
			t.Fatal(err)
		}
	}
	same(then.Lengths(), now.Lengths())
}

func texts(rows []experience.Row) []string {
	var out []string
	for _, r := range rows {
		out = append(out, fmt.Sprintf("%v %s %s n=%d open=%d %v %v %v %v", r.Key, r.Model, r.Technician, r.N, r.Open, r.Planned, r.Median, r.P95, r.Counts))
	}
	return out
}

// op is work of one hands-on stretch of half an hour, and of a machine's hour.
func op() *queue.Operation {
	return &queue.Operation{ID: "fit", Name: "Fit", Stretches: []queue.Stretch{{HandsOn: true, Duration: 30 * time.Minute}, {Duration: time.Hour, MaxWait: -1}}}
}

// TestNothingIsAveragedInSilently: what nobody signed off, what stopped, what a
// wrong clock told and what waited, among twenty plain ones of 30 min.
func TestNothingIsAveragedInSilently(t *testing.T) {
	o := op()
	shop := &queue.Shop{Operations: []queue.Operation{*o}}
	t0 := time.Date(2026, 2, 16, 8, 0, 0, 0, time.UTC)
	piece := func(i, stretch int, took time.Duration) timesheet.Stretch {
		return timesheet.Stretch{Unit: queue.UnitID(fmt.Sprint("T-", i)), Step: "fit", Operation: o, Index: stretch, Model: "Kestrow Brae 250", Start: t0, End: t0.Add(time.Duration(i) * time.Hour), Worked: took}
	}
	var plain []timesheet.Stretch
	for i := range 20 {
		plain = append(plain, piece(i, 0, 30*time.Minute+time.Duration(i%5-2)*time.Minute), piece(i, 1, 50*time.Minute+time.Duration(i%3)*time.Minute))
	}
	odd := func(change func(*timesheet.Stretch), stretch int, took time.Duration, n int) timesheet.Stretch {
		x := piece(n, stretch, took)
		change(&x)
		return x
	}
	all := append(plain,
		odd(func(x *timesheet.Stretch) { x.ClockDoubt = true }, 0, 9*time.Hour, 31),
		odd(func(x *timesheet.Stretch) { x.Doubt = labour.TooLong }, 0, 7*time.Hour, 32),
		odd(func(x *timesheet.Stretch) { x.Failed = true }, 0, 5*time.Minute, 33),
		odd(func(*timesheet.Stretch) {}, 0, 4*time.Hour, 34),
		odd(func(*timesheet.Stretch) {}, 1, 3*time.Hour, 35),
	)
	with, without := experience.Learnt(all, shop, t0.Add(99*time.Hour)), experience.Learnt(plain, shop, t0.Add(99*time.Hour))
	got := map[experience.Why]queue.UnitID{}
	for _, f := range with.Flags {
		got[f.Why] = f.Unit
	}
	want := map[experience.Why]queue.UnitID{experience.Clock: "T-31", experience.NotSigned: "T-32", experience.Stopped: "T-33", experience.FarOut: "T-34", experience.WaitedOut: "T-35"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("flags (-want +got):\n%s", d)
	}
	if len(without.Flags) != 0 || with.Clock != 1 {
		t.Errorf("%d flags of plain work, %d clocks", len(without.Flags), with.Clock)
	}
	for stretch, most := range []float64{1.1, 1.02} {
		a, b := without.Of(o, stretch, "", "").Median(), with.Of(o, stretch, "", "").Median()
		if f := b.Seconds() / a.Seconds(); f < .99 || f > most {
			t.Errorf("stretch %d: %v by plain work, %v with what is odd", stretch, a, b)
		}
	}
	if p := with.Planned(o, 1, "never seen", "nobody", .6); p.Length < 50*time.Minute || p.Length > 55*time.Minute {
		t.Errorf("a model that was never seen: %v", p.Length)
	}
}

// TestNobodyIsRankedByChance: people who are alike are not listed; one who
// clearly takes longer is.
func TestNobodyIsRankedByChance(t *testing.T) {
	o := op()
	shop := &queue.Shop{Operations: []queue.Operation{*o}}
	named := func(slow float64) int {
		var seen []timesheet.Stretch
		for i := range 90 {
			who := []queue.PersonID{"ada", "ben", "cleo"}[i%3]
			took := 30 * math.Exp(.2*math.Sin(float64(7*i)))
			if who == "ben" {
				took *= slow
			}
			seen = append(seen, timesheet.Stretch{Unit: "T-1", Step: "fit", Operation: o, Technician: who, Worked: time.Duration(took * float64(time.Minute)), End: time.Unix(int64(i)*3600, 0)})
		}
		n := 0
		for _, r := range experience.Learnt(seen, shop, time.Unix(1e6, 0)).Rows(shop, .6) {
			if r.Technician != "" {
				n++
			}
		}
		return n
	}
	if n := named(1); n != 0 {
		t.Errorf("%d people are named though they work alike", n)
	}
	if n := named(1.6); n == 0 {
		t.Error("nobody is named though one takes 1.6 times as long")
	}
}

// TestWhateverWasRecorded: a length is a positive number of limits in order,
// whatever the record.
func TestWhateverWasRecorded(t *testing.T) {
	o := op()
	shop := &queue.Shop{Operations: []queue.Operation{*o}}
	rapid.Check(t, func(t *rapid.T) {
		var seen []timesheet.Stretch
		for i := range rapid.IntRange(0, 12).Draw(t, "n") {
			air, warm := rapid.Float64().Draw(t, "air"), rapid.Float64().Draw(t, "coolant")
			seen = append(seen, timesheet.Stretch{
				Unit: "T-1", Operation: o, Index: rapid.IntRange(0, 1).Draw(t, "stretch"), Model: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "model"),
				Technician: queue.PersonID(rapid.SampledFrom([]string{"", "x", "y"}).Draw(t, "who")), Worked: time.Duration(rapid.Int64().Draw(t, "took")),
				End: time.Unix(int64(i), 0), Running: rapid.Bool().Draw(t, "runs"), Failed: rapid.Bool().Draw(t, "failed"), ClockDoubt: rapid.Bool().Draw(t, "clock"),
				Doubt: labour.Doubt(rapid.IntRange(0, 2).Draw(t, "doubt")), AirC: &air, WarmC: &warm,
			})
		}
		l := experience.Learnt(seen, shop, time.Unix(1e6, 0))
		for _, r := range l.Rows(shop, rapid.Float64().Draw(t, "p")) {
			if r.Planned < time.Second || r.Low > r.Median || r.Median > r.High || r.P80 > r.P95 || r.Median < time.Second || math.IsNaN(r.Estimate.Sigma()) {
				t.Fatalf("%v: planned %v, median %v (%v to %v), 80 %% %v, 95 %% %v", r.Key, r.Planned, r.Median, r.Low, r.High, r.P80, r.P95)
			}
		}
	})
	var none *experience.Lengths
	if p := none.Planned(o, 0, "a", "x", .6); p.Length != 30*time.Minute {
		t.Errorf("nothing learnt: %v", p.Length)
	}
	if rows := none.Rows(shop, .6); len(rows) != 2 || rows[0].Planned != 30*time.Minute {
		t.Errorf("rows of nothing: %+v", rows)
	}
}
