package whatif_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/services/whatif"
	"tickover/testdata"
)

// busyDay is a Tuesday in late winter on which everybody works.
var busyDay = time.Date(2026, 2, 17, 8, 0, 0, 0, time.UTC)

// world is the demo shop with a plan in force.
type world struct {
	t    testing.TB
	now  time.Time
	l    *ledger.Ledger
	core *dispatch.Core
	n    int
}

func newWorld(t testing.TB, units int) *world {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, now: busyDay, core: dispatch.NewCore(dispatch.Options{})}
	w.l, err = ledger.Open(t.Context(), ledger.Options{Site: shop.Site, Log: logtest.NewMem(), Now: func() time.Time { return w.now }})
	if err != nil {
		t.Fatal(err)
	}
	w.do(&queue.ConfigureShop{Shop: *shop, FileHash: hash})
	routes := []queue.RouteID{"set-up", "reflash", "accessories", "relearn-only", "set-up", "trade-in"}
	for i := range units {
		w.do(arrival(queue.UnitID(fmt.Sprintf("T-%03d", i+1)), routes[i%len(routes)], w.now.Add(time.Duration(8+i%40)*time.Hour)))
	}
	return w
}

func arrival(id queue.UnitID, route queue.RouteID, promise time.Time) *queue.ReceiveUnit {
	return &queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "X", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.NewUnit, Route: route, Promise: promise, Weight: 3,
	}}
}

func (w *world) do(a queue.Action) {
	w.t.Helper()
	w.n++
	if _, err := w.l.Do(w.t.Context(), queue.Command{ID: queue.CommandID(fmt.Sprintf("c%d", w.n)), Action: a}); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) plan() *dispatch.Plan {
	w.t.Helper()
	out, err := w.core.Replan(w.t.Context(), w.l.View(), w.now)
	if err != nil {
		w.t.Fatal(err)
	}
	return out.Plan
}

func (w *world) preview(as ...queue.Action) *whatif.Result {
	w.t.Helper()
	var cmds []queue.Command
	for i, a := range as {
		cmds = append(cmds, queue.Command{ID: queue.CommandID(fmt.Sprintf("p%d", i)), Actor: "ruth", Action: a})
	}
	r, err := whatif.Preview(w.t.Context(), whatif.Input{State: w.l.View(), Almanac: w.l.Almanac(), Plan: w.plan(), Now: w.now, Commands: cmds})
	if err != nil {
		w.t.Fatal(err)
	}
	return r
}

// TestPreviewForetells: carried out, each decision leads to exactly the plan
// that was shown before, and showing it changed nothing.
func TestPreviewForetells(t *testing.T) {
	at := busyDay.Add(150 * time.Minute)
	late := busyDay.Add(100 * time.Hour)
	ten := 10
	for name, a := range map[string]queue.Action{
		"pin a time":       &queue.PinStep{Unit: "T-002", Step: "flash", Pin: queue.Pin{Start: &at}},
		"pin a technician": &queue.PinStep{Unit: "T-002", Step: "flash", Pin: queue.Pin{Technician: "kofi"}},
		"a later promise":  &queue.AmendUnit{Unit: "T-001", Change: queue.UnitAmended{Promise: &late}},
		"first of all":     &queue.AmendUnit{Unit: "T-006", Change: queue.UnitAmended{Weight: &ten}},
		"absent":           &queue.Close{Technician: "tomas", From: busyDay, Until: busyDay.Add(10 * time.Hour), Reason: "ill"},
		"interface down":   &queue.Close{Resource: "i2", From: busyDay, Until: busyDay.Add(30 * time.Hour), Reason: "cable"},
		"pad shut":         &queue.Close{Resource: "p1", From: busyDay, Until: busyDay.Add(30 * time.Hour), Reason: "ice"},
		"a walk-in":        arrival("T-900", "reflash", busyDay.Add(4*time.Hour)),
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, 20)
			before := w.plan()
			snap, err := w.l.View().MarshalSnapshot()
			if err != nil {
				t.Fatal(err)
			}
			r := w.preview(a)
			if r.Refused != nil || r.Seq != w.l.View().Seq || len(r.Events) == 0 {
				t.Fatalf("refused %v, seq %d, %d events", r.Refused, r.Seq, len(r.Events))
			}
			again, err := w.l.View().MarshalSnapshot()
			if err != nil || string(snap) != string(again) {
				t.Fatalf("the preview changed the state (%v)", err)
			}
			if d := cmp.Diff(before, w.plan()); d != "" {
				t.Fatalf("the preview changed the plan in force:\n%s", d)
			}
			w.do(a)
			got := w.plan()
			if d := cmp.Diff(r.After.Steps, got.Steps); d != "" {
				t.Errorf("shown (-) and made (+):\n%s", d)
			}
			if d := cmp.Diff(r.After.Units, got.Units); d != "" {
				t.Errorf("shown (-) and made (+):\n%s", d)
			}
		})
	}
}

func TestPreviewTellsWhoPays(t *testing.T) {
	w := newWorld(t, 20)
	r := w.preview(&queue.Close{Resource: "p1", From: w.now, Until: w.now.Add(54 * time.Hour), Reason: "ice"})
	if r.Sum.Worse == 0 || r.Sum.LateMinNext <= r.Sum.LateMinBefore || len(r.Moves) == 0 {
		t.Fatalf("a pad that is shut for two days costs nothing: %+v", r.Sum)
	}
	worst := r.Promises[0]
	if !worst.Verdict.Bad() || worst.DeltaMin() <= 0 && worst.Verdict != whatif.Lost {
		t.Errorf("the worst comes first, not %+v", worst)
	}
	// Each number is that of the two plans.
	for _, p := range r.Promises {
		u := w.l.View().Units[p.Unit]
		if !p.PromiseNext.Equal(u.Promise) || p.LateNext > 0 && !p.ReadyNext.After(u.Promise) {
			t.Errorf("%+v", p)
		}
	}
}

func TestPreviewShowsTheRefusal(t *testing.T) {
	w := newWorld(t, 3)
	r := w.preview(&queue.AmendUnit{Unit: "T-001", Change: queue.UnitAmended{Weight: new(int)}})
	if r.Refused == nil || r.Refused.Code != queue.CodeMalformed || r.After != nil {
		t.Errorf("weight 0: %+v", r.Refused)
	}
	r = w.preview(
		&queue.SkipStep{Unit: "T-002", Step: "check-in", Reason: "x"},
		&queue.StartStep{Unit: "T-002", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}},
		&queue.StartStep{Unit: "T-002", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}},
	)
	if r.Refused == nil || r.At != 2 {
		t.Errorf("the third of three: %d %+v", r.At, r.Refused)
	}
	// The relearn before its flash: the interlock's own words.
	r = w.preview(&queue.SkipStep{Unit: "T-002", Step: "check-in", Reason: "x"},
		&queue.StartStep{Unit: "T-002", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1"}})
	if r.Refused == nil || r.Refused.Interlock != queue.I3 && r.Refused.Code != queue.CodeMalformed && r.Refused.Code != queue.CodeWrongBench {
		t.Errorf("a flash without a charger: %+v", r.Refused)
	}
}

// TestPinThatCannotBeKept: the preview says so, and why.
func TestPinThatCannotBeKept(t *testing.T) {
	w := newWorld(t, 3)
	night := time.Date(2026, 2, 17, 22, 0, 0, 0, time.UTC)
	r := w.preview(&queue.PinStep{Unit: "T-002", Step: "flash", Pin: queue.Pin{Start: &night}})
	if r.Refused != nil || len(r.Pins) != 1 || !r.Pins[0].New || r.Pins[0].Unit != "T-002" || r.Pins[0].Why == "" {
		t.Errorf("pinned into the night: %+v, %+v", r.Refused, r.Pins)
	}
}

// TestStalePlanIsMadeAnew: what the floor did since the plan was made is not
// put down to the decision.
func TestStalePlanIsMadeAnew(t *testing.T) {
	w := newWorld(t, 20)
	stale := w.plan()
	w.do(&queue.Close{Resource: "p1", From: w.now, Until: w.now.Add(54 * time.Hour), Reason: "ice"})
	note := "nothing that matters"
	r, err := whatif.Preview(t.Context(), whatif.Input{State: w.l.View(), Almanac: w.l.Almanac(), Plan: stale, Now: w.now,
		Commands: []queue.Command{{ID: "p", Actor: "ruth", Action: &queue.AmendUnit{Unit: "T-001", Change: queue.UnitAmended{Note: &note}}}}})
	if err != nil || len(r.Promises)+len(r.Ready)+len(r.Moves) != 0 {
		t.Errorf("a note moves %d steps, %d promises (%v)", len(r.Moves), len(r.Promises), err)
	}
}

func TestPreviewIsBounded(t *testing.T) {
	w := newWorld(t, 1)
	_, err := whatif.Preview(t.Context(), whatif.Input{State: w.l.View(), Almanac: w.l.Almanac(), Now: w.now, Commands: make([]queue.Command, whatif.CommandsMax+1)})
	if !errors.Is(err, whatif.ErrTooMany) {
		t.Errorf("err %v", err)
	}
}

// TestCompare has each verdict once.
func TestCompare(t *testing.T) {
	nine := busyDay.Add(time.Hour)
	in := func(min int64) time.Time { return nine.Add(time.Duration(min) * time.Minute) }
	f := func(u queue.UnitID, ready, late int64) dispatch.UnitForecast {
		return dispatch.UnitForecast{Unit: u, Ready: in(ready), Promise: in(ready - late), LateMin: max(0, late)}
	}
	gone := func(u queue.UnitID) dispatch.UnitForecast { return dispatch.UnitForecast{Unit: u, Promise: nine} }
	st := queue.NewState("larkmoor")
	for _, id := range []queue.UnitID{"lost", "broken", "worse", "better", "kept", "found", "later", "same"} {
		st.Units[id] = &queue.Unit{ID: id}
	}
	before := &dispatch.Plan{Units: []dispatch.UnitForecast{f("lost", 10, 0), f("broken", 10, 0), f("worse", 20, 10), f("better", 30, 20), f("kept", 20, 10), gone("found"), f("later", 10, -60), f("same", 5, 0)}}
	after := &dispatch.Plan{Units: []dispatch.UnitForecast{gone("lost"), f("broken", 40, 30), f("worse", 35, 25), f("better", 15, 5), f("kept", 10, 0), f("found", 5, 0), f("later", 25, -45), f("same", 5, 0), f("new", 5, 0)}}
	c := whatif.Compare(st, st, before, after)
	var got []string
	for _, p := range c.Promises {
		got = append(got, fmt.Sprintf("%s %s %d", p.Unit, p.Verdict, p.DeltaMin()))
	}
	want := []string{"lost lost 0", "broken broken 30", "worse worse 15", "new new 0", "found found 0", "kept kept -10", "better better -15"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("promises (-want +got):\n%s", d)
	}
	if len(c.Ready) != 1 || c.Ready[0].Unit != "later" || c.Ready[0].ShiftMin != 15 {
		t.Errorf("ready %+v", c.Ready)
	}
	if s := c.Sum; s.Worse != 3 || s.Better != 3 || s.LateBefore != 4 || s.LateNext != 4 || s.LateMinBefore != 40 || s.LateMinNext != 60 {
		t.Errorf("sum %+v", s)
	}
}

// BenchmarkPreview is one look at a decision with 60 open units; the bound is
// 300 ms.
func BenchmarkPreview(b *testing.B) {
	w := newWorld(b, 60)
	w.plan()
	at := busyDay.Add(150 * time.Minute)
	ten := 10
	for name, a := range map[string]queue.Action{
		"pin":    &queue.PinStep{Unit: "T-002", Step: "flash", Pin: queue.Pin{Start: &at}},
		"first":  &queue.AmendUnit{Unit: "T-006", Change: queue.UnitAmended{Weight: &ten}},
		"absent": &queue.Close{Technician: "tomas", From: busyDay, Until: busyDay.Add(10 * time.Hour), Reason: "ill"},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if r := w.preview(a); r.Refused != nil || r.After == nil {
					b.Fatal(r.Refused)
				}
			}
		})
	}
}
