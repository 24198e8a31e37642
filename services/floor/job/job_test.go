package job_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/services/dispatch"
	"tickover/services/floor/job"
	"tickover/services/floor/live"
)

func site(t *testing.T, units ...queue.UnitID) *queuetest.Site {
	t.Helper()
	s := queuetest.NewSite()
	for _, u := range units {
		if err := s.Arrive(u, s.State.Shop.Routes[0].ID); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// first is the first step of a unit's visit, and a technician who may do it.
func first(t *testing.T, s *queuetest.Site, unit queue.UnitID) (queue.StepID, queue.PersonID) {
	t.Helper()
	step := s.State.Units[unit].Steps[0]
	op := s.State.Shop.Operation(step.Operation)
	for _, tech := range s.State.Shop.Technicians {
		ok := true
		for _, st := range op.Stretches {
			ok = ok && (!st.HandsOn || tech.Skilled(st.Skill))
		}
		if ok {
			return step.ID, tech.ID
		}
	}
	t.Fatal("nobody can do it")
	return "", ""
}

// TestWithoutAPlanByPromise: without a plan the next job is the one with the
// earliest promise, and everybody who can do it sees it.
func TestWithoutAPlanByPromise(t *testing.T) {
	s := site(t, "U-1", "U-2")
	soon := s.Now.Add(time.Hour)
	if _, err := s.Do("", &queue.AmendUnit{Unit: "U-2", Change: queue.UnitAmended{Promise: &soon}}); err != nil {
		t.Fatal(err)
	}
	_, who := first(t, s, "U-1")
	d := job.NewBook(s.State, nil).ForTechnician(who)
	if d.Next == nil || d.Next.Unit.ID != "U-2" {
		t.Fatalf("next %+v, want U-2", d.Next)
	}
	if got := job.NewBook(s.State, nil).ForTechnician("nobody"); got.Next != nil || got.Ready != nil {
		t.Errorf("somebody unknown gets %+v", got)
	}
}

// TestPlanComesFirst: the plan's order wins over promises, accepted steps over
// the plan; held units and settled steps are not offered.
func TestPlanComesFirst(t *testing.T) {
	s := site(t, "U-1", "U-2", "U-3")
	step, who := first(t, s, "U-1")
	at := func(u queue.UnitID, min int) dispatch.PlannedStep {
		start := s.Now.Add(time.Duration(min) * time.Minute)
		return dispatch.PlannedStep{Unit: u, Step: step, Technician: who, Start: start, End: start.Add(10 * time.Minute)}
	}
	plan := &dispatch.Plan{Steps: []dispatch.PlannedStep{at("U-3", 0), at("U-2", 10), at("U-1", 20)}}
	next := func(want ...queue.UnitID) {
		t.Helper()
		d := job.NewBook(s.State, plan).ForTechnician(who)
		var got []queue.UnitID
		if d.Next != nil {
			got = append(got, d.Next.Unit.ID)
		}
		for _, l := range d.Later {
			got = append(got, l.Unit.ID)
		}
		if len(got) != len(want) {
			t.Fatalf("order %v, want %v", got, want)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("order %v, want %v", got, want)
			}
		}
	}
	next("U-3", "U-2", "U-1")
	op := s.State.Shop.Operation(s.State.Units["U-1"].Steps[0].Operation)
	res := queuetest.ResourcesFor(op, s.State.Shop, 0)
	if _, err := s.Do(who, &queue.AcceptStep{Unit: "U-1", Step: step, Technician: who, Resources: res}); err != nil {
		t.Fatal(err)
	}
	next("U-1", "U-3", "U-2")
	held := true
	if _, err := s.Do("", &queue.AmendUnit{Unit: "U-3", Change: queue.UnitAmended{Held: &held}}); err != nil {
		t.Fatal(err)
	}
	next("U-1", "U-2")
}

// TestAlerts: an alarm is raised when a step is over its time by what the shop
// file allows, a call before hands-off time ends, and neither before.
func TestAlerts(t *testing.T) {
	s := site(t, "U-1")
	step, who := first(t, s, "U-1")
	if err := s.Start("U-1", step); err != nil {
		t.Fatal(err)
	}
	_ = who
	sheet := job.NewBook(s.State, nil).Of("U-1", step)
	late := sheet.StretchEnds().Add(s.State.Shop.Limits.OverdueAfter)
	if got := job.Alerts(s.State, late.Add(-time.Second)); len(got) != 0 {
		t.Errorf("too early: %+v", got)
	}
	got := job.Alerts(s.State, late)
	if len(got) != 1 || got[0].Kind != live.Overdue || got[0].Unit != "U-1" || !strings.Contains(got[0].Text, "U-1") {
		t.Errorf("overdue: %+v", got)
	}
	if _, err := s.Do(who, &queue.ReportProblem{Unit: "U-1", Step: step, Reason: "no key"}); err != nil {
		t.Fatal(err)
	}
	if got := job.Alerts(s.State, s.Now); len(got) != 1 || got[0].Kind != live.Problem || !strings.Contains(got[0].Text, "no key") {
		t.Errorf("problem: %+v", got)
	}
}

// TestNightIsNoOvertime: work that may pause overnight and was begun shortly
// before closing is not overdue in the morning, but an hour of work later.
func TestNightIsNoOvertime(t *testing.T) {
	s := site(t, "U-1")
	shop := *s.State.Shop
	shop.Operations = slices.Clone(shop.Operations)
	step, _ := first(t, s, "U-1")
	op := find(shop.Operations, s.State.Units["U-1"].Step(step).Operation)
	op.Stretches = []queue.Stretch{{HandsOn: true, Duration: time.Hour, Technicians: 1, MaxWait: -1, Splittable: true}}
	if _, err := s.Do("fred", &queue.ConfigureShop{Shop: shop, FileHash: "split"}); err != nil {
		t.Fatal(err)
	}
	s.Now = queuetest.Monday.Add(7*time.Hour + 30*time.Minute) // 17:30, closing at 18:00
	if err := s.Start("U-1", step); err != nil {
		t.Fatal(err)
	}
	morning := queuetest.Monday.Add(22 * time.Hour) // Tuesday 08:00
	due := job.NewBook(s.State, nil).Of("U-1", step).StretchEnds()
	if want := morning.Add(30 * time.Minute); !due.Equal(want) {
		t.Errorf("expected to end %v, want %v", due, want)
	}
	if got := job.Alerts(s.State, morning); len(got) != 0 {
		t.Errorf("overdue for the night: %+v", got)
	}
	if got := job.Alerts(s.State, morning.Add(41*time.Minute)); len(got) != 1 {
		t.Errorf("not overdue after the work's time: %+v", got)
	}
}

func find(ops []queue.Operation, id queue.OperationID) *queue.Operation {
	for i := range ops {
		if ops[i].ID == id {
			return &ops[i]
		}
	}
	return nil
}

func TestMinutes(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 min", 90 * time.Second: "2 min", 59 * time.Minute: "59 min", time.Hour: "1 h", 70 * time.Minute: "1 h 10 min",
		-5 * time.Minute: "−5 min", 25 * time.Hour: "1 day", 72 * time.Hour: "3 days",
	} {
		if got := job.Minutes(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}
