package bench_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/services/bench"
	"tickover/services/dispatch"
	"tickover/services/ledger"
	"tickover/testdata"
)

const site = queue.SiteID("larkmoor")

// opening of a day on which everybody works.
var opening = time.Date(2026, 2, 17, 8, 0, 0, 0, time.UTC)

func demoShop(t testing.TB) *queue.Shop {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatalf("demo shop: %v", err)
	}
	return shop
}

// hand is a station with a log in memory and a clock that stands still.
type hand struct {
	t   *testing.T
	now time.Time
	l   *ledger.Ledger
	s   *bench.Station
	n   int
}

func newHand(t *testing.T, id dispatch.Station) *hand {
	t.Helper()
	h := &hand{t: t, now: opening, s: bench.NewStation(id)}
	var err error
	h.l, err = ledger.Open(t.Context(), ledger.Options{Site: site, Log: logtest.NewMem(), Now: func() time.Time { return h.now }})
	if err != nil {
		t.Fatal(err)
	}
	h.do(&queue.ConfigureShop{Shop: *demoShop(t), FileHash: "x"}, nil)
	return h
}

func (h *hand) do(a queue.Action, err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
	h.n++
	if _, err := h.l.Do(h.t.Context(), queue.Command{ID: queue.CommandID(fmt.Sprintf("c%d", h.n)), At: h.now, Action: a}); err != nil {
		h.t.Fatalf("%T: %v", a, err)
	}
	h.s.Update(h.l.View(), h.l.Almanac())
}

// receive checks in a unit whose flash is the next step.
func receive(id queue.UnitID) []queue.Action {
	return []queue.Action{
		&queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Frame: "X", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.CustomerUnit, Route: "reflash", Promise: opening.Add(8 * time.Hour), Weight: 3,
		}},
		&queue.StartStep{Unit: id, Step: "check-in", Technician: "ruth"},
		&queue.FinishStep{Unit: id, Step: "check-in", Technician: "ruth",
			Evidence: queue.Evidence{"frame_number": "X", "odometer_km": "1", "engine_h": "1"}},
	}
}

func (h *hand) after(d time.Duration) []bench.Alert {
	h.now = h.now.Add(d)
	return h.s.Tick(h.now)
}

func flashOffer(unit queue.UnitID, epoch uint64) dispatch.Offer {
	return dispatch.Offer{Site: site, Station: "b3", Epoch: epoch, Step: &dispatch.PlannedStep{
		Unit: unit, Step: "flash", Operation: "flash", Kind: queue.Flash, Technician: "tomas",
		Resources: []queue.ResourceID{"b3", "i1", "c1"}, Start: opening,
	}}
}

// A flash at a bench from offer to sign-off: calls, alarms and what the screen
// shows follow from the state and the clock.
func TestFlashAtABench(t *testing.T) {
	h := newHand(t, "b3")
	for _, a := range receive("T-1") {
		h.do(a, nil)
	}
	if got := h.s.Offer(flashOffer("T-1", 5)); got != bench.Shown {
		t.Fatalf("offer: %v", got)
	}
	h.do(h.s.Accept("T-1", "flash", "tomas"))
	v := h.s.View(h.now)
	if v.Offer != nil || len(v.Jobs) != 1 || v.Jobs[0].Running || v.Jobs[0].Technician != "tomas" {
		t.Fatalf("after acceptance: %+v", v)
	}
	h.do(h.s.Start("T-1", "flash", "tomas", nil, nil))
	if news := h.after(6 * time.Minute); len(news) != 0 {
		t.Errorf("alerts while hands-on: %+v", news)
	}
	h.do(h.s.Advance("T-1", "flash", "tomas"))
	v = h.s.View(h.now)
	want := bench.Job{
		Unit: "T-1", Step: "flash", Operation: "flash", Kind: queue.Flash, Technician: "tomas",
		Resources: []queue.ResourceID{"b3", "i1", "c1"}, Running: true, Stretch: 1, Stretches: 3,
		Started: opening, StretchStarted: h.now, StretchEnds: h.now.Add(28 * time.Minute), RemainingS: 28 * 60,
		CallAt: h.now.Add(25 * time.Minute), Next: "tomas",
	}
	if got := v.Jobs[0]; fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("running job\n%+v, want\n%+v", got, want)
	}
	// call_before is 3 min, overdue_after 10 min.
	if news := h.after(25*time.Minute - time.Second); len(news) != 0 {
		t.Errorf("called back too early: %+v", news)
	}
	news := h.after(time.Second)
	if len(news) != 1 || news[0].Kind != bench.CallBack || news[0].Technician != "tomas" {
		t.Errorf("call-back: %+v", news)
	}
	if news := h.after(3*time.Minute + 10*time.Minute - time.Second); len(news) != 0 {
		t.Errorf("alarmed too early: %+v", news)
	}
	news = h.after(time.Second)
	if len(news) != 2 || !news[0].Cleared || news[0].Kind != bench.CallBack || news[1].Kind != bench.Overdue {
		t.Errorf("overdue: %+v", news)
	}
	if holds := h.l.View().Holds; len(holds["i1"]) != 1 || len(holds["b3"]) != 1 || len(holds["c1"]) != 1 {
		t.Errorf("an overdue flash holds %v", holds)
	}

	// A station that starts anew raises the same; one that remembers, nothing.
	again := bench.NewStation("b3")
	again.Update(h.l.View(), h.l.Almanac())
	if news := again.Tick(h.now); len(news) != 1 || news[0].Kind != bench.Overdue {
		t.Errorf("after a restart: %+v", news)
	}
	remembers := bench.NewStation("b3")
	remembers.Restore(h.s.Alerts())
	remembers.Update(h.l.View(), h.l.Almanac())
	if news := remembers.Tick(h.now); len(news) != 0 {
		t.Errorf("raised twice: %+v", news)
	}

	h.do(h.s.Advance("T-1", "flash", "tomas"))
	if news := h.after(0); len(news) != 1 || !news[0].Cleared {
		t.Errorf("after the technician came: %+v", news)
	}
	h.now = h.now.Add(6 * time.Minute)
	h.do(h.s.Finish("T-1", "flash", "tomas", queue.Evidence{"calibration": "kb250-std", "revision": "3"}, ""))
	if v := h.s.View(h.now); len(v.Jobs) != 0 || len(h.after(0)) != 0 {
		t.Errorf("after the end: %+v", v)
	}
}

func TestOffersOfAReplacedDispatcher(t *testing.T) {
	h := newHand(t, "b3")
	for _, a := range append(receive("T-1"), receive("T-2")...) {
		h.do(a, nil)
	}
	h.s.Offer(flashOffer("T-1", 7))
	if got := h.s.Offer(flashOffer("T-2", 6)); got != bench.Stale {
		t.Errorf("older epoch: %v", got)
	}
	if v := h.s.View(h.now); v.Offer == nil || v.Offer.Unit != "T-1" {
		t.Errorf("shown: %+v", v.Offer)
	}
	if got := h.s.Offer(flashOffer("T-2", 8)); got != bench.Shown {
		t.Errorf("newer epoch: %v", got)
	}
	if got := h.s.Offer(dispatch.Offer{Site: site, Station: "b3", Epoch: 8}); got != bench.Empty || h.s.View(h.now).Offer != nil {
		t.Errorf("empty offer: %v", got)
	}
}

func TestOfferOfASettledStep(t *testing.T) {
	h := newHand(t, "b3")
	for _, a := range receive("T-1") {
		h.do(a, nil)
	}
	h.s.Offer(flashOffer("T-1", 1))
	_, err := h.s.Accept("T-9", "flash", "tomas")
	var refusal *queue.Refusal
	if !errors.As(err, &refusal) || refusal.Code != queue.CodeStale {
		t.Errorf("accepting another unit than offered: %v", err)
	}
	// Somebody else takes it with a phone, at another bench.
	h.do(&queue.AcceptStep{Unit: "T-1", Step: "flash", Technician: "ruth", Resources: []queue.ResourceID{"b4", "i1", "c1"}}, nil)
	if v := h.s.View(h.now); v.Offer != nil || len(v.Jobs) != 0 {
		t.Errorf("a step taken elsewhere is shown: %+v", v)
	}
	if got := h.s.Offer(flashOffer("T-1", 1)); got != bench.Settled {
		t.Errorf("offered again: %v", got)
	}
	if _, err := h.s.Start("T-1", "flash", "ruth", nil, nil); !errors.As(err, &refusal) || refusal.Code != queue.CodeWrongBench {
		t.Errorf("start at the wrong bench: %v", err)
	}
	// An offer may be ahead of the state that this station has folded.
	ahead := flashOffer("T-2", 1)
	ahead.Seq = h.l.View().Seq + 1
	if got := h.s.Offer(ahead); got != bench.Shown {
		t.Errorf("offer of a unit not heard of yet: %v", got)
	}
}

// With the dispatcher stopped the bench goes on by the last plan and past it.
func TestFallbackWithoutDispatcher(t *testing.T) {
	h := newHand(t, "b3")
	for _, a := range receive("T-1") {
		h.do(a, nil)
	}
	p, err := dispatch.Compute(t.Context(), h.l.View(), h.l.Almanac(), h.now, nil, dispatch.ComputeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	h.s.Plan(p)
	h.s.Fallback(h.now, h.l.Try)
	v := h.s.View(h.now)
	if v.Offer == nil || v.Offer.Step != "flash" || !v.ByPlan {
		t.Fatalf("by the last plan: %+v", v.Offer)
	}
	h.do(h.s.Accept("T-1", "flash", v.Offer.Technician))
	h.s.Fallback(h.now, h.l.Try)
	if v := h.s.View(h.now); v.Offer != nil || len(v.Jobs) != 1 {
		t.Errorf("with an accepted job: %+v", v)
	}
	h.do(h.s.Start("T-1", "flash", v.Offer.Technician, nil, nil))

	// A unit that the plan has not heard of; the interface that speaks to it
	// by the plan's choice may be taken, so another is used.
	for _, a := range receive("T-2") {
		h.do(a, nil)
	}
	other := bench.NewStation("b4")
	other.Update(h.l.View(), h.l.Almanac())
	other.Plan(p)
	other.Fallback(h.now, h.l.Try)
	v = other.View(h.now)
	if v.Offer == nil || v.Offer.Unit != "T-2" {
		t.Fatalf("past the last plan: %+v", v.Offer)
	}
	for _, r := range v.Offer.Resources {
		if len(h.l.View().Holds[r]) > 0 {
			t.Errorf("offered with %s, which is taken", r)
		}
	}
	h.do(other.Accept("T-2", "flash", v.Offer.Technician))
	// Both interfaces are locked now for a third.
	h.do(&queue.StartStep{Unit: "T-2", Step: "flash", Technician: v.Offer.Technician, Resources: v.Offer.Resources}, nil)
	for _, a := range receive("T-3") {
		h.do(a, nil)
	}
	third := bench.NewStation("b2")
	third.Update(h.l.View(), h.l.Almanac())
	third.Fallback(h.now, h.l.Try)
	if v := third.View(h.now); v.Offer != nil {
		t.Errorf("offered though both interfaces are locked: %+v", v.Offer)
	}
}
