package queue_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// TestForkLeavesTheViewAlone: what is tried on a fork is seen nowhere else.
func TestForkLeavesTheViewAlone(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	view := s.State.View()
	before, err := view.MarshalSnapshot()
	ok(t, err)
	fork := view.Fork()
	other := view.Fork()
	for i, a := range []queue.Action{
		&queue.PinStep{Unit: "T-1", Step: "flash", Pin: queue.Pin{Technician: "ada"}},
		&queue.Close{Resource: "p1", From: s.Now, Until: s.Now.Add(time.Hour), Reason: "ice"},
		&queue.SkipStep{Unit: "T-1", Step: "flash", Reason: "x"},
	} {
		o, err := queue.Decide(fork, queue.Conditions{Now: s.Now, ClosesAt: s.ClosesAt, Outdoor: s.Outdoor}, queue.Command{ID: queue.CommandID([]string{"a", "b", "c"}[i]), Actor: "fred", Action: a})
		ok(t, err)
		_, err = fork.Apply(o.Entry(fork))
		ok(t, err)
	}
	if st := fork.Units["T-1"].Step("flash"); st.Status != queue.Skipped || st.Pin == nil || len(fork.Closures["p1"]) != 1 {
		t.Errorf("the fork did not take it: %+v", st)
	}
	for _, st := range []*queue.State{view, other, s.State.View()} {
		after, err := st.MarshalSnapshot()
		ok(t, err)
		if !bytes.Equal(before, after) {
			t.Error("another state changed")
		}
	}
}

// TestExpectSeq: a decision that was weighed against one state of the shop is
// not carried out on another, and a repeat of it is still a repeat.
func TestExpectSeq(t *testing.T) {
	s := queuetest.NewSite()
	ok(t, s.Arrive("T-1", "flash-only"))
	cmd := queue.Command{ID: "d1", Actor: "fred", ExpectSeq: s.State.Seq, Action: &queue.PinStep{Unit: "T-1", Step: "flash", Pin: queue.Pin{Technician: "ada"}, Reason: "she knows it"}}
	ok(t, s.Arrive("T-2", "flash-only"))
	_, err := s.Send(cmd)
	wantCode(t, err, queue.CodeStale)
	cmd.ExpectSeq = s.State.Seq
	_, err = s.Send(cmd)
	ok(t, err)
	if o, err := s.Send(cmd); err != nil || !o.Duplicate {
		t.Errorf("repeat: %+v, %v", o, err)
	}
}

// TestReopenOne takes one of two closures back.
func TestReopenOne(t *testing.T) {
	s := queuetest.NewSite()
	ice := queue.Closure{From: s.Now, Until: s.Now.Add(time.Hour), Reason: "ice"}
	for _, c := range []queue.Closure{ice, {From: s.Now, Until: s.Now.Add(3 * time.Hour), Reason: "paint"}} {
		_, err := s.Do("fred", &queue.Close{Resource: "p1", From: c.From, Until: c.Until, Reason: c.Reason})
		ok(t, err)
	}
	view := s.State.View()
	_, err := s.Do("fred", &queue.Reopen{Resource: "p1", Only: &ice, Reason: "it thawed"})
	ok(t, err)
	if cs := s.State.Closures["p1"]; len(cs) != 1 || cs[0].Reason != "paint" {
		t.Errorf("left %+v", cs)
	}
	if len(view.Closures["p1"]) != 2 {
		t.Error("a view changed")
	}
	_, err = s.Do("fred", &queue.Reopen{Resource: "p1", Only: &ice})
	wantCode(t, err, queue.CodeWrongStep)
	_, err = s.Do("fred", &queue.Reopen{Resource: "p1"})
	ok(t, err)
	if len(s.State.Closures) != 0 {
		t.Error("still closed")
	}
}

// TestTwoChangeTheShop: who changes a shop that somebody else has changed since
// is told, and nothing is written over.
func TestTwoChangeTheShop(t *testing.T) {
	s := queuetest.NewSite() // its shop has the hash f
	change := func(name string, was, hash queue.Hash) error {
		shop := queuetest.Shop()
		shop.Name = name
		_, err := s.Do("", &queue.ConfigureShop{Shop: shop, FileHash: hash, Was: was})
		return err
	}
	if err := change("first", "f", "g"); err != nil {
		t.Fatal(err)
	}
	var r *queue.Refusal
	if err := change("second", "f", "h"); !errors.As(err, &r) || r.Code != queue.CodeStale || s.State.Shop.Name != "first" {
		t.Errorf("%v; the shop is %q", err, s.State.Shop.Name)
	}
	if err := change("second", "g", "h"); err != nil || s.State.ShopFile != "h" {
		t.Errorf("of what is in effect: %v", err)
	}
	if err := change("third", "", "i"); err != nil {
		t.Errorf("whatever it was: %v", err)
	}
}
