package queue_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
)

// TestMachineIndexEqualsAScan: the record of a machine, by one of its visits,
// by its key or by its frame number as somebody types it, is what a look at all
// visits gives; also in views, forks and after a restart.
func TestMachineIndexEqualsAScan(t *testing.T) {
	seed := queuetest.Seed(t, 4)
	r := rand.New(rand.NewPCG(seed, 1))
	s := queuetest.NewSite()
	var old *queue.State
	var oldUnits int
	for i := range 300 { // enough for what is fresh to become shared several times
		a := queuetest.Arrival("fit-only", s.Now.Add(time.Hour))
		n := r.IntN(200)
		a.Machine.Frame = []string{fmt.Sprintf("LK2-%04d", n), fmt.Sprintf("lk2 %04d", n), fmt.Sprintf("LK2%04d", n), "", "--"}[r.IntN(5)]
		_, err := s.Do("", &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("V-%d", i)), Arrival: a})
		ok(t, err)
		if i == 150 {
			old, oldUnits = s.State.View(), len(s.State.Units)
		}
		if i%50 == 0 { // a fork that goes another way must not be seen here
			f := s.State.Fork()
			a.Machine.Frame = fmt.Sprintf("LK2%04d", n)
			cmd := queue.Command{ID: "f", At: s.Now, Action: &queue.ReceiveUnit{Unit: "only-in-the-fork", Arrival: a}}
			o, err := queue.Decide(f, queue.Conditions{Now: s.Now, ClosesAt: s.ClosesAt}, cmd)
			ok(t, err)
			_, err = f.Apply(o.Entry(f))
			ok(t, err)
			if m, there := f.MachineByKey(queue.MachineKey(a.Machine.Frame)); !there || m.Latest().ID != "only-in-the-fork" {
				t.Fatalf("seed %d: the fork does not know its own visit", seed)
			}
		}
	}
	b, err := s.State.MarshalSnapshot()
	ok(t, err)
	restarted, err := queue.UnmarshalSnapshot(b)
	ok(t, err)
	for name, st := range map[string]*queue.State{"live": s.State, "an earlier view": old, "restarted": restarted, "fork": s.State.Fork()} {
		for _, m := range st.Machines() {
			want := idsOf(m)
			for _, u := range m.Visits {
				if got := idsOf(st.Machine(u)); got != want {
					t.Fatalf("seed %d, %s: %s has the visits %s, a scan gives %s", seed, name, u.ID, got, want)
				}
			}
			typed := strings.ToLower(string(m.Key))
			if !strings.HasPrefix(typed, "unit/") {
				typed = " " + typed[:2] + "-" + typed[2:] + " "
			} else {
				typed = string(m.Key)
			}
			for _, key := range []string{string(m.Key), typed} {
				if got, there := st.MachineByKey(queue.MachineKey(key)); !there || idsOf(got) != want || got.Key != m.Key {
					t.Fatalf("seed %d, %s: %q finds %s under %q, want %s under %q", seed, name, key, idsOf(got), got.Key, want, m.Key)
				}
			}
		}
	}
	if len(old.Units) != oldUnits {
		t.Fatal("the view changed")
	}
	if _, there := s.State.MachineByKey("never seen"); there {
		t.Error("a machine that never came")
	}
}

func idsOf(m queue.MachineRecord) string {
	var out []string
	for _, u := range m.Visits {
		out = append(out, string(u.ID))
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// TestSweepAddsNothingTwice: a visit that has a relearn and a test ride of its
// own gets the flash in front of them, whether they are to come or were done;
// what was done is to be done again.
func TestSweepAddsNothingTwice(t *testing.T) {
	for name, done := range map[string][]queue.StepID{
		"all to come": nil, "relearn done": {"check-in", "relearn"}, "ridden": {"check-in", "relearn", "restart", "ride"},
		"all done": {"check-in", "relearn", "restart", "ride", "final"},
	} {
		t.Run(name, func(t *testing.T) {
			s := queuetest.NewSite()
			ok(t, s.Arrive("T-1", "stored"))
			for _, id := range done {
				ok(t, s.Run("T-1", id))
			}
			_, err := s.Do("fred", &queue.ListCalibrations{Calibrations: []queue.Calibration{{ID: "cal-b", Revision: 3, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026,
				Family: "k1", Fitment: "standard", Released: "2025-06-01", Mandatory: true, Supersedes: "cal-a"}}})
			ok(t, err)
			_, err = s.Do("fred", &queue.SweepUnit{Unit: "T-1", Campaign: "cal-b-r3"})
			ok(t, err)
			u := s.State.Units["T-1"]
			kinds := map[queue.OperationKind]int{}
			for i := range u.Steps {
				st := &u.Steps[i]
				kinds[st.Kind]++
				if st.ID != "check-in" && st.Status != queue.Todo {
					t.Errorf("%s is %s", st.ID, st.Status)
				}
			}
			for _, k := range []queue.OperationKind{queue.Flash, queue.Reset, queue.Relearn, queue.RestartCheck, queue.TestRide, queue.FinalCheck} {
				if kinds[k] != 1 {
					t.Errorf("%d steps of the kind %s", kinds[k], k)
				}
			}
			if err := s.Start("T-1", "relearn"); err == nil {
				t.Error("the relearn may be done before the flash")
			}
			if _, err := s.Do("fred", &queue.HandOver{Unit: "T-1"}); err == nil {
				t.Error("delivered before it was swept")
			}
			camp := s.State.Campaigns["cal-b-r3"]
			for _, id := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride", "final"} {
				if !slices.ContainsFunc(u.Steps, func(st queue.Step) bool { return st.ID == id }) {
					continue
				}
				if id != "check-in" && s.State.Units["T-1"].Step("check-in").Status != queue.Done {
					ok(t, s.Run("T-1", "check-in"))
				}
				ok(t, s.Run("T-1", id))
			}
			_, err = s.Do("fred", &queue.HandOver{Unit: "T-1"})
			ok(t, err)
			if l := s.State.LineOf(camp, "  "+queue.KeyOf(u), s.Now); l == nil || l.Open {
				t.Errorf("after the sweep: %+v", l)
			}
		})
	}
}

// TestAMachineIsCheckedInOnce: while it is in the shop, its frame number is
// refused, however it is typed, alone and in a list, unless it is said to be
// another machine's; afterwards, and without the question, it is taken.
func TestAMachineIsCheckedInOnce(t *testing.T) {
	s := queuetest.NewSite()
	receive := func(id queue.UnitID, frame string, beside queue.UnitID) queue.ReceiveUnit {
		a := queuetest.Arrival("fit-only", s.Now.Add(time.Hour))
		a.Machine.Frame = frame
		return queue.ReceiveUnit{Unit: id, Arrival: a, Once: true, Beside: beside}
	}
	refused := func(a queue.Action, other string) {
		t.Helper()
		seq := s.State.Seq
		_, err := s.Do("", a)
		var r *queue.Refusal
		if !errors.As(err, &r) || r.Code != queue.CodeExists || !strings.Contains(r.Error(), other) {
			t.Fatalf("%v, want a refusal that names %s", err, other)
		}
		if s.State.Seq != seq {
			t.Fatal("a refusal was recorded")
		}
	}
	first, again, another := receive("V-1", "LK2-0017", ""), receive("V-2", "lk2 0017", ""), receive("V-2", "LK20017", "V-1")
	_, err := s.Do("", &first)
	ok(t, err)
	refused(&again, "V-1")
	refused(&queue.ReceiveUnits{Units: []queue.ReceiveUnit{receive("V-3", "LK2-0018", ""), again}}, "V-1")
	refused(&queue.ReceiveUnits{Units: []queue.ReceiveUnit{receive("V-3", "LK2-0018", ""), receive("V-4", "lk20018", "")}}, "V-3")
	_, err = s.Do("", &another)
	ok(t, err)
	_, err = s.Do("", &queue.ReceiveUnits{Units: []queue.ReceiveUnit{receive("V-3", "LK2-0018", ""), receive("V-4", "lk20018", "V-3"), receive("V-5", "", ""), receive("V-6", "-", "")}})
	ok(t, err)
	if got := s.State.HereByFrame("LK2-0018"); got == nil || got.ID != "V-4" && got.ID != "V-3" {
		t.Errorf("LK2-0018 is %v", got)
	}
	if got := s.State.HereByFrame(""); got != nil {
		t.Errorf("no number is that of %s", got.ID)
	}

	// Gone is gone: the machine may come again.
	out := receive("W-1", "LK2-0099", "")
	_, err = s.Do("", &out)
	ok(t, err)
	ok(t, s.Run("W-1", "fit"))
	ok(t, s.Run("W-1", "final"))
	_, err = s.Do("", &queue.HandOver{Unit: "W-1"})
	ok(t, err)
	back := receive("W-2", "LK2-0099", "")
	_, err = s.Do("", &back)
	ok(t, err)
}
