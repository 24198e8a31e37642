package simshop_test

import (
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/services/simshop"
)

// TestCalledBackUnitsAreSwept: after a mandatory calibration came out, the
// simulated foreman has the units in the shop flashed with it before they
// leave, and nothing else goes wrong.
func TestCalledBackUnitsAreSwept(t *testing.T) {
	o := options(t, queuetest.Seed(t, 3), 6)
	mem := logtest.NewMem()
	o.Log = mem
	s, err := simshop.New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	start := s.Now()
	if err := s.FastForward(t.Context(), start.Add(60*time.Hour)); err != nil {
		t.Fatal(err)
	}
	err = s.List(t.Context(), []queue.Calibration{{ID: "kb250-std", Revision: 4, Make: "Kestrow", Model: "Brae 250", YearFrom: 2024, YearTo: 2026,
		Family: "kr5", Fitment: "standard", Released: "2026-01-20", Mandatory: true}})
	if err != nil {
		t.Fatal(err)
	}
	opened := s.Now()
	if err := s.FastForward(t.Context(), start.Add(130*time.Hour)); err != nil {
		t.Fatal(err)
	}
	st := queue.NewState(o.Shop.Site)
	if err := mem.Read(t.Context(), o.Shop.Site, 0, func(e *queue.Entry) error { _, err := st.Apply(e); return err }); err != nil {
		t.Fatal(err)
	}
	swept := 0
	for _, l := range st.Lines(st.Campaigns["kb250-std-r4"], s.Now()) {
		u := l.Latest()
		if l.Open && u.Status != queue.InShop && u.Left.After(opened) && !u.LeftOver {
			t.Errorf("%s left on %v and is called back", u.ID, u.Left)
		}
		if !l.Open {
			swept++
		}
	}
	if swept == 0 {
		t.Error("nothing was swept")
	}
}
