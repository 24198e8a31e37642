package dispatch_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/scheduler/model"
	"tickover/services/dispatch"
)

func (w *world) problem(prev *dispatch.Plan) *model.Problem {
	w.t.Helper()
	p, err := dispatch.Snapshot(w.l.View(), w.l.Almanac(), w.now, prev, dispatch.SnapshotOptions{})
	if err != nil {
		w.t.Fatal(err)
	}
	if err := model.Validate(p); err != nil {
		w.t.Fatal(err)
	}
	return p
}

func activity(t *testing.T, p *model.Problem, id model.ActivityID) *model.Activity {
	t.Helper()
	i := slices.IndexFunc(p.Activities, func(a model.Activity) bool { return a.ID == id })
	if i < 0 {
		t.Fatalf("no activity %s", id)
	}
	return &p.Activities[i]
}

func planned(t *testing.T, p *dispatch.Plan, unit queue.UnitID, step queue.StepID) *dispatch.PlannedStep {
	t.Helper()
	i := slices.IndexFunc(p.Steps, func(s dispatch.PlannedStep) bool { return s.Unit == unit && s.Step == step })
	if i < 0 {
		t.Fatalf("step %s of %s is not planned: %+v", step, unit, p.Unplaced)
	}
	return &p.Steps[i]
}

func unplaced(p *dispatch.Plan, unit queue.UnitID, step queue.StepID) *dispatch.UnplacedStep {
	i := slices.IndexFunc(p.Unplaced, func(s dispatch.UnplacedStep) bool { return s.Unit == unit && s.Step == step })
	if i < 0 {
		return nil
	}
	return &p.Unplaced[i]
}

// What the problem says of the demo's operations, to the letter of C1…C14.
func TestSnapshotOfANewUnit(t *testing.T) {
	w := newWorld(t, busyDay.Add(20*time.Second))
	w.receive("T-1", "set-up", busyDay.Add(8*time.Hour+30*time.Second))
	w.do(&queue.AmendUnit{Unit: "T-1", Change: queue.UnitAmended{Parts: map[queue.StepID]time.Time{"flash": busyDay.Add(90*time.Minute + time.Second)}}})
	p := w.problem(nil)

	// 08:00:20 is minute 481 of the day, rounded up; a promise is rounded down.
	if p.Now != 481 || p.Jobs[0].Release != 481 || p.Jobs[0].Due != 16*60 || !p.Jobs[0].OnePlace || p.Jobs[0].Weight != 3 {
		t.Errorf("now %d, job %+v", p.Now, p.Jobs[0])
	}
	flash := activity(t, p, "T-1/flash")
	if flash.Release != 9*60+31 || !flash.Presence || flash.Inside == "" || !flash.Handover {
		t.Errorf("flash %+v", flash)
	}
	m := flash.Modes[0]
	if len(m.Needs) != 3 || m.Needs[0].Kind != "bench" || !slices.Equal(m.Needs[0].Tags, []string{"electrical"}) ||
		m.Needs[1].Kind != "interface" || !slices.Equal(m.Needs[1].Tags, []string{"family kr5"}) || m.Needs[2].Kind != "charger" {
		t.Errorf("needs of a flash %+v", m.Needs)
	}
	if m.Stretches[1].Workers != 0 || m.Stretches[1].Duration != 28 || m.Stretches[1].MaxWait != model.Unlimited {
		t.Errorf("hands-off stretch of a flash %+v", m.Stretches[1])
	}
	relearn := activity(t, p, "T-1/relearn").Modes[0]
	if relearn.Stretches[1].MaxWait != 0 || relearn.Needs[0].Kind != "pad" {
		t.Errorf("relearn %+v", relearn)
	}
	ride := activity(t, p, "T-1/test-ride").Modes[0]
	if !slices.Contains(ride.Stretches[0].Skills, "ride") {
		t.Errorf("a test ride needs the skills %v", ride.Stretches[0].Skills)
	}
	for _, r := range p.Resources {
		outdoors := r.Kind == "pad" || r.Kind == "loop"
		if r.Within != outdoors || (r.Open != nil) != outdoors {
			t.Errorf("resource %s: within %v, open %v", r.ID, r.Within, r.Open)
		}
		if r.ID == "i1" && !slices.Contains(r.Tags, "family kr5") || r.ID == "c1" && len(r.Tags) != 0 {
			t.Errorf("tags of %s: %v", r.ID, r.Tags)
		}
	}
	// Charging goes along with assembly; nothing goes along with a flash.
	for _, q := range p.Parallel {
		if strings.HasSuffix(string(q.A), "/flash") || strings.HasSuffix(string(q.B), "/flash") {
			t.Errorf("a flash may overlap: %+v", q)
		}
	}
	if len(p.Parallel) != 1 {
		t.Errorf("parallel pairs %+v, want charge with assembly", p.Parallel)
	}
	if p.Buffer == nil || p.Buffer.Capacity != 40 {
		t.Errorf("buffer %+v", p.Buffer)
	}
}

// A flash that a foreman asks for once more comes before everything that its
// start voids, whatever the route says of what is open.
func TestReopenedFlashComesFirst(t *testing.T) {
	w := newWorld(t, busyDay)
	c := newCore()
	w.receive("T-1", "reflash", busyDay.Add(8*time.Hour))
	w.until(c, "T-1", "relearn")
	w.do(&queue.ReopenStep{Unit: "T-1", Step: "flash", Reason: "a newer revision"})
	p := w.replan(c).Plan
	flash := planned(t, p, "T-1", "flash")
	for _, s := range p.Steps {
		if s.Step != "flash" && s.Start.Before(flash.End) {
			t.Errorf("%s at %s, before the flash ends at %s", s.Step, s.Start, flash.End)
		}
	}
}

func TestHeldUnitAndMissingCalibrationAreNotPlanned(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receive("T-1", "reflash", busyDay.Add(8*time.Hour))
	w.do(&queue.AmendUnit{Unit: "T-1", Change: queue.UnitAmended{Held: new(true), Reason: "not paid"}})
	w.do(&queue.ReceiveUnit{Unit: "T-2", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "X", Make: "Fellrigg", Model: "Tarn 300", Year: 2025, Family: "fr2", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "reflash", Promise: busyDay.Add(8 * time.Hour), Weight: 1,
	}})
	p := w.compute(nil, dispatch.ComputeOptions{})
	if x := unplaced(p, "T-1", "check-in"); x == nil || x.Constraint != "C11" || !strings.Contains(x.Why, "holds the unit back") {
		t.Errorf("held unit: %+v", x)
	}
	if x := unplaced(p, "T-2", "flash"); x == nil || !strings.Contains(x.Why, "tell the customer") {
		t.Errorf("flash without a calibration: %+v", x)
	}
	planned(t, p, "T-2", "check-in")
	if x := unplaced(p, "T-2", "relearn"); x == nil || !strings.Contains(x.Why, "is not planned") {
		t.Errorf("what comes after it: %+v", x)
	}
}

// An overdue flash keeps its interface until somebody signs it off: the plan
// takes it to end now at the earliest, and nobody else gets the interface.
func TestOverdueFlashKeepsItsInterface(t *testing.T) {
	w := newWorld(t, busyDay)
	c := newCore()
	w.receive("T-1", "reflash", busyDay.Add(8*time.Hour))
	w.until(c, "T-1", "check-in")
	w.do(&queue.StartStep{Unit: "T-1", Step: "flash", Technician: "ruth", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.now = w.now.Add(6 * time.Minute)
	w.do(&queue.AdvanceStep{Unit: "T-1", Step: "flash", Stretch: 1})
	w.now = w.now.Add(2 * time.Hour)
	w.do(&queue.Close{Resource: "i2", From: w.now, Until: w.now.Add(5 * time.Hour), Reason: "no power"})
	w.receive("T-2", "reflash", busyDay.Add(4*time.Hour))
	p := w.replan(c).Plan
	running := planned(t, p, "T-1", "flash")
	if !running.Running || running.Stretches[1].End.Before(w.now) || running.End.Before(w.now.Add(6*time.Minute)) {
		t.Errorf("overdue flash planned as %+v", running)
	}
	if next := planned(t, p, "T-2", "flash"); next.Start.Before(running.End) {
		t.Errorf("the next flash starts at %s, the interface is free at %s", next.Start, running.End)
	}
}

// An accepted step keeps its technician and its bench, whoever comes in; when
// the technician is away the plan says so.
func TestAcceptedStays(t *testing.T) {
	w := newWorld(t, busyDay)
	c := newCore()
	w.receive("T-1", "reflash", busyDay.Add(30*time.Hour))
	w.until(c, "T-1", "check-in")
	w.do(&queue.AcceptStep{Unit: "T-1", Step: "flash", Technician: "kofi", Resources: []queue.ResourceID{"b4", "i2", "c3"}})
	for range 6 {
		w.n++
		w.receive(queue.UnitID("U-"+string(rune('a'+w.n%26))), "reflash", busyDay.Add(2*time.Hour))
	}
	p := w.replan(c).Plan
	s := planned(t, p, "T-1", "flash")
	if s.Technician != "kofi" || !slices.Contains(s.Resources, "b4") || !s.Accepted {
		t.Errorf("accepted flash planned as %+v", s)
	}
	w.do(&queue.Close{Technician: "kofi", From: w.now, Until: w.now.Add(60 * 24 * time.Hour), Reason: "broken leg"})
	p = w.replan(c).Plan
	if len(p.Pins) == 0 || !strings.Contains(p.Pins[0].Why, "Kofi Stanmere accepted it, but Kofi Stanmere is not at work from 08:10 on (broken leg)") {
		t.Errorf("accepted by somebody who is away: %+v", p.Pins)
	}
}

func TestLagsOfARoute(t *testing.T) {
	shop := demoShop(t)
	r := routeStep(shop, "reflash", "relearn")
	r.After[0].Min, r.After[0].Max = 12*time.Minute, 40*time.Minute
	w := newWorldWith(t, busyDay.Add(90*time.Minute), shop)
	c := newCore()
	w.receive("T-1", "reflash", busyDay.Add(8*time.Hour))
	p := w.replan(c).Plan
	gap := planned(t, p, "T-1", "relearn").Start.Sub(planned(t, p, "T-1", "resets").End)
	if gap < 12*time.Minute || gap > 40*time.Minute {
		t.Errorf("relearn %s after the resets, want 12 to 40 min", gap)
	}
	w.until(c, "T-1", "resets")
	ended := w.l.View().Units["T-1"].Step("resets").Ended
	p = w.replan(c).Plan
	if gap := planned(t, p, "T-1", "relearn").Start.Sub(ended); gap < 12*time.Minute || gap > 40*time.Minute {
		t.Errorf("relearn %s after the end of the resets", gap)
	}
	w.now = ended.Add(50 * time.Minute)
	p = w.replan(c).Plan
	if x := unplaced(p, "T-1", "relearn"); x == nil || x.Constraint != "C2" || !strings.Contains(x.Why, "too long ago") {
		t.Errorf("after the maximum lag: %+v", x)
	}
}

func TestNoShopFile(t *testing.T) {
	st := queue.NewState(site)
	if _, err := dispatch.Snapshot(st, nil, busyDay, nil, dispatch.SnapshotOptions{}); err == nil {
		t.Error("a problem without a shop")
	}
	out, err := dispatch.NewCore(dispatch.Options{}).Replan(t.Context(), st, busyDay)
	if err != nil || out.Plan != nil {
		t.Errorf("core without a shop: %+v, %v", out, err)
	}
	if ps := dispatch.NextFor(st, nil, dispatch.Who{Station: "b1"}, busyDay, nil); ps != nil {
		t.Errorf("next without a shop: %+v", ps)
	}
}
