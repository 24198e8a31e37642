package floor_test

import (
	"bytes"
	"net/http/httptest"
	"testing"
	"time"

	"tickover/queue"
	"tickover/services/floor"
)

// TestBoardAsDrawnAnew: whatever happens, a board that keeps the parts which did
// not change is the board that a server draws which has never drawn one.
func TestBoardAsDrawnAnew(t *testing.T) {
	w := newWorld(t)
	w.be("ruth")
	w.get("/board")
	minute := func(n int) { w.clock.add(time.Duration(n) * time.Minute) }
	soon := func() *time.Time { return new(w.clock.now().Add(time.Hour)) }
	for i, happens := range []func(){
		func() { w.crowd(12) },
		func() { w.arrive("LM-1", "reflash") },
		func() { w.do("ines", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ines"}) },
		func() { minute(3) },
		func() { minute(40) }, // it is overdue
		func() {
			w.do("ines", &queue.FinishStep{Unit: "LM-1", Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "KB25-26-00417", "odometer_km": "3", "engine_h": "0.4"}})
		},
		func() { w.do("ruth", &queue.AmendUnit{Unit: "LM-13", Change: queue.UnitAmended{Weight: new(10)}}) },
		func() { w.do("ruth", &queue.AmendUnit{Unit: "LM-1", Change: queue.UnitAmended{Promise: soon()}}) },
		func() { w.do("ruth", &queue.AmendUnit{Unit: "LM-12", Change: queue.UnitAmended{Held: new(true)}}) },
		func() {
			w.do("ruth", &queue.Close{Resource: "p1", From: w.clock.now(), Until: w.clock.now().Add(time.Hour), Reason: "ice"})
		},
		func() { w.do("ruth", &queue.PinStep{Unit: "LM-1", Step: "flash", Pin: queue.Pin{Start: soon()}}) },
		func() {
			shop := *w.l.View().Shop
			shop.Technicians = append([]queue.Technician(nil), shop.Technicians...)
			shop.Technicians[0].Name = "Ruth Nobody"
			w.do("", &queue.ConfigureShop{Shop: shop})
		},
		func() { minute(24 * 60) },
		func() { w.be("tomas") },
	} {
		happens()
		kept := w.get("/board")
		f, err := floor.New(floor.Options{Photos: w.photos, Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: w.plans, Now: w.clock.now})
		if err != nil {
			t.Fatal(err)
		}
		anew := httptest.NewServer(f)
		before := w.server
		w.server = anew
		fresh := w.get("/board")
		w.server = before
		f.Close()
		w.client.CloseIdleConnections()
		anew.Close()
		if kept.status != 200 || !bytes.Equal(kept.body, fresh.body) {
			t.Errorf("after change %d (%d, %d) the board is not as drawn anew:\n%s", i, kept.status, fresh.status, firstDifference(kept.body, fresh.body))
		}
	}
}

// firstDifference is where two texts begin to differ, with what stands around.
func firstDifference(a, b []byte) []byte {
	at := 0
	for at < min(len(a), len(b)) && a[at] == b[at] {
		at++
	}
	around := func(s []byte) []byte { return s[max(0, at-200):min(len(s), at+200)] }
	return bytes.Join([][]byte{around(a), around(b)}, []byte("\n---\n"))
}
