package main

import (
	"errors"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"tickover/metrics"
	"tickover/services/dispatch"
	"tickover/services/meter"
)

// TestPlansAreCounted: each look of the dispatcher counts once, by what came
// of it.
func TestPlansAreCounted(t *testing.T) {
	reg := metrics.NewRegistry()
	m := meter.New(metrics.New(reg, meter.Words()))
	plan := &dispatch.Plan{}
	partial := &dispatch.Plan{Unplaced: []dispatch.UnplacedStep{{Constraint: "C1"}}}
	for _, r := range []dispatch.Report{
		{},                                      // no shop file yet
		{Outcome: dispatch.Outcome{Plan: plan}}, // all went as planned
		{Outcome: dispatch.Outcome{Plan: plan, Reason: "a resource was closed or opened"}},
		{Outcome: dispatch.Outcome{Plan: plan, Reason: "unit U-1 arrived", Changed: true}},
		{Outcome: dispatch.Outcome{Plan: partial, Reason: "unit U-2 arrived", Changed: true}},
		{Outcome: dispatch.Outcome{Plan: plan, Reason: "a better plan was found", Changed: true}, Improved: true},
		{Err: errors.New("no operation")},
	} {
		observePlan(m, r)
	}
	got := map[string]float64{}
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() == "tickover_dispatch_plans_total" || f.GetName() == "tickover_plans_total" {
			for _, x := range f.GetMetric() {
				got[x.GetLabel()[0].GetValue()] = x.GetCounter().GetValue()
			}
		}
	}
	want := map[string]float64{"committed": 3, "partial": 1, "unchanged": 1, "failed": 1}
	for result, n := range want {
		if got[result] != n {
			t.Errorf("%s counted %v times, want %v (all: %v)", result, got[result], n, got)
		}
	}
	if problems, err := testutil.GatherAndLint(reg); err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
}
