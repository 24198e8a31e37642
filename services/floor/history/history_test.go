package history_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/services/floor/history"
	"tickover/services/ledger"
)

// TestEventsOfOneUnit: all of a unit's events and no other's, in order, however
// far apart they lie in the log.
func TestEventsOfOneUnit(t *testing.T) {
	ctx := context.Background()
	mem := logtest.NewMem()
	shop := queuetest.Shop()
	l, err := ledger.Open(ctx, ledger.Options{Site: shop.Site, Log: mem, Now: func() time.Time { return queuetest.Monday }})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	do := func(a queue.Action) {
		t.Helper()
		n++
		if _, err := l.Do(ctx, queue.Command{ID: queue.CommandID(fmt.Sprint("c", n)), Action: a}); err != nil {
			t.Fatal(err)
		}
	}
	do(&queue.ConfigureShop{Shop: shop, FileHash: "f"})
	arrive := func(id queue.UnitID) {
		do(&queue.ReceiveUnit{Unit: id, Arrival: queuetest.Arrival(shop.Routes[0].ID, queuetest.Monday.Add(6*time.Hour))})
	}
	arrive("U-1")
	step := l.View().Units["U-1"].Steps[0].ID
	for i := range 3 { // far apart, near, far apart
		do(&queue.ReportProblem{Unit: "U-1", Step: step, Reason: "a"})
		do(&queue.ReportProblem{Unit: "U-1", Step: step, Reason: "b"})
		for k := range 100 {
			arrive(queue.UnitID(fmt.Sprintf("X-%d-%d", i, k)))
		}
	}
	r := history.Reader{Log: mem, Site: shop.Site}
	var got []uint64
	err = r.Events(ctx, l.View().Units["U-1"], func(e *queue.Event) error {
		if e.Subject != queue.UnitSubject("U-1") {
			t.Errorf("event of %s", e.Subject)
		}
		got = append(got, e.N)
		return nil
	})
	if err != nil || fmt.Sprint(got) != "[1 2 3 4 5 6 7]" {
		t.Errorf("events %v, %v", got, err)
	}
	stop := errors.New("stop")
	if err := r.Events(ctx, l.View().Units["U-1"], func(*queue.Event) error { return stop }); err != stop {
		t.Errorf("an error of the reader: %v", err)
	}
}
