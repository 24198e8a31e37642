package dispatch_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/timesheet"
)

// seen makes up a record: n runs of an operation's stretches, each f times as
// long as listed, give or take a tenth.
func seen(shop *queue.Shop, op queue.OperationID, model string, n int, f float64) []timesheet.Stretch {
	var out []timesheet.Stretch
	o := shop.Operation(op)
	for i := range n {
		for k := range o.Stretches {
			took := f * math.Exp(.1*math.Sin(float64(3*i+k)))
			out = append(out, timesheet.Stretch{Unit: "T-0", Step: queue.StepID(op), Operation: o, Index: k, Model: model, Technician: "ruth",
				Worked: time.Duration(took * float64(o.Stretches[k].Duration)), End: time.Unix(int64(i)*3600, int64(k))})
		}
	}
	return out
}

// TestPlanTakesWhatWasLearnt: fittings of this model take longer than listed,
// relearns less; the first are planned longer, the second as listed, because
// the queue judges a start by that; what was never seen stays as listed.
func TestPlanTakesWhatWasLearnt(t *testing.T) {
	w := newWorld(t, busyDay)
	shop := w.l.View().Shop
	const model = "Kestrow Brae 250"
	record := append(seen(shop, "fitting", model, 30, 1.4), seen(shop, "relearn", model, 30, .7)...)
	lengths := experience.Learnt(append(record, seen(shop, "resets", "Varlund Holt 350", 14, 2)...), shop, busyDay)
	w.receive("T-1", "set-up", busyDay.Add(9*time.Hour), "fitting")
	o := dispatch.ComputeOptions{SnapshotOptions: dispatch.SnapshotOptions{Lengths: lengths}, Check: true}
	c, err := dispatch.ComputeAll(t.Context(), w.l.View(), w.l.Almanac(), w.now, nil, o)
	if err != nil || len(c.Violations) != 0 {
		t.Fatalf("%v, violations %v", err, c.Violations)
	}
	got := map[queue.StepID]*dispatch.StepLength{}
	for i := range c.Plan.Steps {
		if s := &c.Plan.Steps[i]; s.Length != nil {
			got[s.Step] = s.Length
		}
	}
	want := map[queue.StepID]*dispatch.StepLength{
		"relearn": {PlannedS: 13 * 60, ListedS: 13 * 60, Seen: 30, ByModel: true, Floor: true},
		"fitting": {PlannedS: got["fitting"].PlannedS, ListedS: 45 * 60, Seen: 30, ByModel: true},
		"resets":  {PlannedS: got["resets"].PlannedS, ListedS: 8 * 60, Seen: 14},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("lengths (-want +got):\n%s", d)
	}
	// 1.4 times 45 min, at the 60th percentile of a spread of about a tenth.
	if p := got["fitting"].PlannedS / 60; p < 60 || p > 68 {
		t.Errorf("fitting is planned with %d min", p)
	}
	if p := got["resets"].PlannedS / 60; p < 13 || p > 18 {
		t.Errorf("resets of a model that was never seen are planned with %d min", p)
	}
	for _, s := range c.Plan.Steps {
		if s.Step == "relearn" && s.End.Sub(s.Start) != 13*time.Minute {
			t.Errorf("relearn takes %v", s.End.Sub(s.Start))
		}
	}
	// The same snapshot, the same plan; without what was learnt, another.
	again, err := dispatch.Compute(t.Context(), w.l.View(), w.l.Almanac(), w.now, nil, o)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(c.Plan, again); d != "" {
		t.Errorf("the same snapshot gave another plan:\n%s", d)
	}
	if s := planned(t, w.compute(nil, dispatch.ComputeOptions{}), "T-1", "fitting"); s.Length != nil || s.End.Sub(s.Start) != 45*time.Minute {
		t.Errorf("without a record: %+v", s)
	}
}
