package promise_test

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/promise"
	"tickover/testdata"
)

var morning = time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)

// shop is the demo shop with units in it.
func shop(tb testing.TB, units int) promise.Input {
	tb.Helper()
	s, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		tb.Fatal(err)
	}
	now := func() time.Time { return morning }
	l, err := ledger.Open(context.Background(), ledger.Options{Site: s.Site, Log: logtest.NewMem(), Now: now})
	if err != nil {
		tb.Fatal(err)
	}
	do := func(id string, a queue.Action) {
		if _, err := l.Do(context.Background(), queue.Command{ID: queue.CommandID(id), Action: a}); err != nil {
			tb.Fatal(err)
		}
	}
	do("shop", &queue.ConfigureShop{Shop: *s, FileHash: hash})
	for i := range units {
		do(fmt.Sprint("u", i), &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("P-%03d", i)), Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Frame: fmt.Sprintf("KB25-26-%05d", i), Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.CustomerUnit, Route: "reflash", Promise: morning.Add(time.Duration(6+4*i) * time.Hour), Weight: 5,
		}})
	}
	return promise.Input{State: l.View(), Almanac: l.Almanac(), Now: morning, Threads: 2}
}

// TestPromisesAreInOrder: the plan's finish is near the middle, the surer the
// later, and a promise far away is kept.
func TestPromisesAreInOrder(t *testing.T) {
	in := shop(t, 6)
	c, err := dispatch.ComputeAll(t.Context(), in.State, in.Almanac, in.Now, nil, dispatch.ComputeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	in.Plan = c.Plan
	all, err := promise.All(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 6 {
		t.Fatalf("%d promises for 6 units", len(all))
	}
	for _, f := range c.Plan.Units {
		p := all[f.Unit]
		if !p.Known() || p.Early.After(p.Even) || p.Even.After(p.Sure) || !p.Late.IsZero() && p.Sure.After(p.Late) {
			t.Errorf("%s: %+v", f.Unit, p)
		}
		if d := p.Even.Sub(f.Ready); d < -3*time.Hour || d > 20*time.Hour {
			t.Errorf("%s: ready %v by the plan, half of the times by %v", f.Unit, f.Ready, p.Even)
		}
		if p.Kept < 0 || p.Kept > 1 {
			t.Errorf("%s: kept with %v", f.Unit, p.Kept)
		}
	}
	if p := all["P-005"]; p.Kept < .9 {
		t.Errorf("a promise for tomorrow afternoon is kept with %v only", p.Kept)
	}
}

// TestKeptComputesOnce: the same entry and minute give the same map, a later
// minute a new one.
func TestKeptComputesOnce(t *testing.T) {
	in := shop(t, 2)
	var k promise.Kept
	one, err := k.All(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	one["mark"] = promise.Promise{}
	in.Now = in.Now.Add(10 * time.Second)
	two, err := k.All(t.Context(), in)
	if err != nil || len(two) != len(one) {
		t.Errorf("computed anew within the minute: %v", err)
	}
	in.Now = in.Now.Add(time.Minute)
	three, err := k.All(t.Context(), in)
	if _, marked := three["mark"]; marked || err != nil {
		t.Errorf("kept over a minute: %v", err)
	}
}

// BenchmarkPromises is 60 units of the demo shop with 500 paths.
func BenchmarkPromises(b *testing.B) {
	in := shop(b, 60)
	for b.Loop() {
		if _, err := promise.All(b.Context(), in); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkQuote is "promise this with 80 %" for a new unit while 200 units are
// open: 500 paths, two threads. The aim is under a second.
func BenchmarkQuote(b *testing.B) {
	in := shop(b, 200)
	unit := queue.ReceiveUnit{Unit: "NEW", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-99999", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "reflash", Weight: 5,
	}}
	for b.Loop() {
		q, err := promise.Quote(b.Context(), in, []queue.ReceiveUnit{unit})
		if err != nil || len(q) != 1 {
			b.Fatalf("%v %v", q, err)
		}
	}
}

// TestQuoteOfANewUnit: what can be promised of a unit that has not come is in
// order, does not depend on what it was promised for, and leaves the shop as it
// is; a unit that can't be checked in says why.
func TestQuoteOfANewUnit(t *testing.T) {
	in := shop(t, 6)
	unit := queue.ReceiveUnit{Unit: "NEW", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-99999", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "reflash", Weight: 5,
	}}
	units, seq := len(in.State.Units), in.State.Seq
	q, err := promise.Quote(t.Context(), in, []queue.ReceiveUnit{unit})
	if err != nil {
		t.Fatal(err)
	}
	var was time.Time
	for _, level := range promise.Levels {
		at := q[0].At(level)
		if at.IsZero() || at.Before(was) || !at.After(in.Now) {
			t.Errorf("with %v by %v, after %v", level, at, was)
		}
		was = at
	}
	unit.Arrival.Promise = in.Now.Add(5 * time.Hour).UTC()
	again, err := promise.Quote(t.Context(), in, []queue.ReceiveUnit{unit})
	if err != nil || !again[0].Sure.Equal(q[0].Sure) {
		t.Errorf("promised otherwise: %v instead of %v, %v", again[0].Sure, q[0].Sure, err)
	}
	if len(in.State.Units) != units || in.State.Seq != seq {
		t.Error("the shop has changed")
	}
	unit.Unit = "P-001"
	if _, err := promise.Quote(t.Context(), in, []queue.ReceiveUnit{unit}); err == nil {
		t.Error("a ticket that is taken is quoted")
	}
}

// TestWilson: Newcombe, Statistics in Medicine 17, 1998, table I (score method
// without continuity correction; values from memory).
func TestWilson(t *testing.T) {
	for _, c := range []struct{ r, n, low, high float64 }{{81, 263, .2553, .3662}, {15, 148, .0624, .1605}, {0, 20, 0, .1611}, {1, 29, .0061, .1718}} {
		low, high := promise.Wilson(c.r/c.n, c.n)
		if math.Abs(low-c.low) > 1e-4 || math.Abs(high-c.high) > 1e-4 {
			t.Errorf("%v of %v: %.4f to %.4f, want %v to %v", c.r, c.n, low, high, c.low, c.high)
		}
	}
}
