package dispatch_test

import (
	"errors"
	"testing"
	"time"

	"tickover/services/dispatch"
)

// A dispatcher that was stopped for a while, by its machine or the network,
// goes on without knowing that another one took over. Its plan must not take
// the place of the newer one: nothing would put that right before the next
// event.
func TestReplacedDispatcherPublishesNoPlan(t *testing.T) {
	p := newPlant(t)
	p.receive("T-1", "set-up", busyDay.Add(8*time.Hour))
	nc := p.connect()
	js, err := dispatch.Provision(p.ctx, nc, 1)
	if err != nil {
		t.Fatal(err)
	}
	term := func(epoch uint64) *dispatch.Term {
		return dispatch.NewTerm(dispatch.TermConfig{
			Site: site, Epoch: epoch, Ledger: p.l, Now: p.time, Board: dispatch.BoardOn(nc, js, site),
			Core: dispatch.Options{ComputeOptions: dispatch.ComputeOptions{Schedules: 1}},
		})
	}
	inForce := func(epoch uint64) {
		t.Helper()
		plan, err := dispatch.LatestPlan(p.ctx, nc, site)
		if err != nil || plan == nil || plan.Epoch != epoch || plan.Seq != p.l.View().Seq {
			t.Fatalf("plan in force: %+v, %v; want one of epoch %d at entry %d", plan, err, epoch, p.l.View().Seq)
		}
	}
	older, newer := term(7), term(9)
	for _, x := range []*dispatch.Term{older, newer} {
		if err := x.Begin(p.ctx); err != nil {
			t.Fatal(err)
		}
	}
	inForce(9)
	p.receive("T-2", "set-up", busyDay.Add(8*time.Hour))
	if err := newer.Look(p.ctx); err != nil {
		t.Fatal(err)
	}
	if err := older.Look(p.ctx); !errors.Is(err, dispatch.ErrReplaced) {
		t.Fatalf("the replaced one published: %v", err)
	}
	inForce(9)

	// The replaced one was faster: it had read the plan before it was replaced.
	between := term(8)
	if err := between.Begin(p.ctx); !errors.Is(err, dispatch.ErrReplaced) {
		t.Fatalf("one of epoch 8 after one of epoch 9: %v", err)
	}
	last := term(11)
	if err := last.Begin(p.ctx); err != nil {
		t.Fatal(err)
	}
	p.receive("T-3", "set-up", busyDay.Add(8*time.Hour))
	if err := term(12).Begin(p.ctx); err != nil {
		t.Fatal(err)
	}
	inForce(12)

	// A lease that has begun anew, as after a restore, counts all the same.
	lease, err := dispatch.TryLease(p.ctx, dispatch.LeasesOn(js), dispatch.Wall, site, "a", dispatch.LeaseTTL)
	if err != nil || lease == nil {
		t.Fatal(lease, err)
	}
	if lease.Epoch() >= 12 {
		t.Fatalf("epoch %d: the test needs a lower one than 12", lease.Epoch())
	}
	if err := term(lease.Epoch()).Begin(p.ctx); err != nil {
		t.Fatal(err)
	}
	inForce(lease.Epoch())
}
