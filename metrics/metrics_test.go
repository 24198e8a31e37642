package metrics_test

import (
	"flag"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"tickover/metrics"
)

var update = flag.Bool("update", false, "rewrite testdata/names.golden")

var words = metrics.Words{
	EventTypes:  []string{"flash.started", "flash.done"},
	Interlocks:  []string{"I1", "I2"},
	Codes:       []string{"stale"},
	Ownerships:  []string{"new"},
	Constraints: []string{"C1", "C2"},
}

var (
	b1 = metrics.Resource{ID: "b1", Kind: "bench"}
	i1 = metrics.Resource{ID: "i1", Kind: "interface"}
)

func start() (*prometheus.Registry, *metrics.Metrics) {
	reg := prometheus.NewRegistry()
	m := metrics.New(reg, words)
	metrics.RegisterBuild(reg, "0.1.0", "abcdef")
	m.SetShop([]metrics.Resource{b1, i1}, []string{"flash"})
	return reg, m
}

// exercise calls every method once.
func exercise(m *metrics.Metrics) {
	m.Event("flash.started", true, true)
	m.Event("moon.landed", false, false)
	m.Refused("interlock", "I1")
	m.Refused("stale", "")
	m.Overridden("I2")
	m.UnitArrived("new")
	m.UnitLeft(metrics.LeftShowroom, 30*time.Hour, true)
	m.UnitLeft(metrics.LeftDelivered, 90*time.Hour, false)
	m.StepEnded("flash", metrics.OutcomeDone, 41*time.Minute)
	m.StepEnded("flash", metrics.OutcomeSkipped, -1)
	m.Held(i1, metrics.Waiting, 20*time.Minute)
	m.Held(i1, metrics.Waiting, -time.Minute)
	m.SetDepth(metrics.Depth{
		UnitsOpen: 7, FlashesOverdue: 1,
		Steps:  map[string]map[metrics.StepState]int{"flash": {metrics.StepReady: 3}},
		Holds:  map[metrics.Resource]int{i1: 1},
		Closed: map[metrics.Resource]bool{b1: true},
	})
	m.Planned(metrics.PlanCommitted, 12*time.Millisecond)
	m.Planned(metrics.PlanUnchanged, 0)
	m.SetPlan(metrics.PlanQuality{
		Sequence: 42, At: time.Unix(1_000_000, 500_000_000), Total: 100, Late: 60, Flow: 25, Moved: 15,
		Bound: 80, Steps: 9, LateUnits: 2, Unplaced: map[string]int{"C2": 4},
	})
	m.Violated("C1")
	m.Violated("")
	m.AuditFailed(2)
	m.LogLast(43)
	m.Applied("board", 42)
}

func TestNamesPassTheLinter(t *testing.T) {
	reg, m := start()
	exercise(m)
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestNamesAndHelpAreTheGoldenOnes(t *testing.T) {
	reg, m := start()
	exercise(m)
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for _, f := range families {
		var labels []string
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		b.WriteString(f.GetName() + "{" + strings.Join(labels, ",") + "} " + strings.ToLower(f.GetType().String()) + "\n    " + f.GetHelp() + "\n")
		if !strings.HasPrefix(f.GetName(), metrics.Namespace+"_") {
			t.Errorf("%s lies outside the namespace", f.GetName())
		}
	}
	golden := filepath.Join("testdata", "names.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), b.String()); d != "" {
		t.Errorf("names changed; dashboards and rules use them. If it is meant, run with -update (-want +got):\n%s", d)
	}
}

func TestSeriesStartAtZero(t *testing.T) {
	reg, _ := start()
	want := `
# HELP tickover_queue_refusals_total Commands refused, by code and interlock.
# TYPE tickover_queue_refusals_total counter
tickover_queue_refusals_total{code="interlock",interlock="I1"} 0
tickover_queue_refusals_total{code="interlock",interlock="I2"} 0
tickover_queue_refusals_total{code="stale",interlock="none"} 0
# HELP tickover_resource_held_seconds_total Time a resource was held, by what for: hands_on, hands_off, or waiting for somebody to come.
# TYPE tickover_resource_held_seconds_total counter
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="hands_off"} 0
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="hands_on"} 0
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="waiting"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="hands_off"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="hands_on"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="waiting"} 0
`
	if err := testutil.GatherAndCompare(reg, strings.NewReader(want), "tickover_queue_refusals_total", "tickover_resource_held_seconds_total"); err != nil {
		t.Error(err)
	}
}

func TestValuesShow(t *testing.T) {
	reg, m := start()
	exercise(m)
	want := `
# HELP tickover_dispatch_checker_violations_total Violations that the independent checker found in plans, by constraint; any is a defect of the program.
# TYPE tickover_dispatch_checker_violations_total counter
tickover_dispatch_checker_violations_total{constraint="C1"} 1
tickover_dispatch_checker_violations_total{constraint="C2"} 0
tickover_dispatch_checker_violations_total{constraint="none"} 1
# HELP tickover_dispatch_plan_last_success_timestamp_seconds Shop time at which the last plan came into force.
# TYPE tickover_dispatch_plan_last_success_timestamp_seconds gauge
tickover_dispatch_plan_last_success_timestamp_seconds 1.0000005e+06
# HELP tickover_queue_promises_total Promises of units that left, by result: kept when the last step ended in time.
# TYPE tickover_queue_promises_total counter
tickover_queue_promises_total{result="kept"} 1
tickover_queue_promises_total{result="missed"} 1
# HELP tickover_queue_steps Steps of open units that are not settled, by operation and state: the queue's depth.
# TYPE tickover_queue_steps gauge
tickover_queue_steps{operation="flash",state="blocked"} 0
tickover_queue_steps{operation="flash",state="ready"} 3
tickover_queue_steps{operation="flash",state="running"} 0
# HELP tickover_resource_held_seconds_total Time a resource was held, by what for: hands_on, hands_off, or waiting for somebody to come.
# TYPE tickover_resource_held_seconds_total counter
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="hands_off"} 0
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="hands_on"} 0
tickover_resource_held_seconds_total{kind="bench",resource="b1",state="waiting"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="hands_off"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="hands_on"} 0
tickover_resource_held_seconds_total{kind="interface",resource="i1",state="waiting"} 1200
`
	err := testutil.GatherAndCompare(reg, strings.NewReader(want), "tickover_dispatch_checker_violations_total",
		"tickover_dispatch_plan_last_success_timestamp_seconds", "tickover_queue_promises_total",
		"tickover_queue_steps", "tickover_resource_held_seconds_total")
	if err != nil {
		t.Error(err)
	}
}

func TestSetShopEndsSeriesThatAreGone(t *testing.T) {
	reg, m := start()
	exercise(m)
	m.SetShop([]metrics.Resource{b1}, []string{"resets"})
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var seen []string
	for _, f := range families {
		for _, s := range f.GetMetric() {
			for _, l := range s.GetLabel() {
				if l.GetName() == "resource" || l.GetName() == "operation" {
					seen = append(seen, l.GetValue())
				}
			}
		}
	}
	slices.Sort(seen)
	if d := cmp.Diff([]string{"b1", "resets"}, slices.Compact(seen)); d != "" {
		t.Errorf("labels after the shop file changed (-want +got):\n%s", d)
	}
}

func TestHandlerSamplesBeforeItAnswers(t *testing.T) {
	reg := metrics.NewRegistry()
	m := metrics.New(reg, words)
	h := metrics.Handler(reg, func() { m.LogLast(4711) })
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if w.Code != 200 || !strings.Contains(w.Body.String(), "\ntickover_log_last_sequence 4711\n") {
		t.Errorf("status %d, body lacks the sampled value:\n%.400s", w.Code, w.Body)
	}
	for _, name := range []string{"go_goroutines", "process_start_time_seconds"} {
		if !strings.Contains(w.Body.String(), name) {
			t.Errorf("%s is missing", name)
		}
	}
}
