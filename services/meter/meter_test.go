package meter_test

import (
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"tickover/metrics"
	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/services/meter"
)

// read returns the value of a series, "name{label=value,…}" with the labels in
// any order; the sum of all series that match.
func read(t *testing.T, reg *prometheus.Registry, name string, labels ...string) float64 {
	t.Helper()
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	sum, found := 0.0, false
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
	series:
		for _, s := range f.GetMetric() {
			for _, want := range labels {
				key, value, _ := strings.Cut(want, "=")
				ok := false
				for _, l := range s.GetLabel() {
					ok = ok || (l.GetName() == key && l.GetValue() == value)
				}
				if !ok {
					continue series
				}
			}
			found = true
			sum += s.GetCounter().GetValue() + s.GetGauge().GetValue() + float64(s.GetHistogram().GetSampleCount())
		}
	}
	if !found {
		t.Fatalf("no series %s %v", name, labels)
	}
	return sum
}

// feed is a site whose entries reach a meter, as a ledger's do.
type feed struct {
	*queuetest.Site
	reg  *prometheus.Registry
	m    *meter.Meter
	sent int
}

func newFeed(site *queuetest.Site) *feed {
	reg := prometheus.NewRegistry()
	f := &feed{Site: site, reg: reg, m: meter.New(metrics.New(reg, meter.Words()))}
	f.m.Begin(queue.NewState(site.State.Site))
	f.pass()
	return f
}

// pass hands the entries that are new to the meter.
func (f *feed) pass() {
	for ; f.sent < len(f.Entries); f.sent++ {
		f.m.Entry(&f.Entries[f.sent])
	}
}

func (f *feed) must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	f.pass()
}

func TestHeldTimeIsSplitByWhatItIsHeldFor(t *testing.T) {
	f := newFeed(queuetest.NewSite())
	f.must(t, f.Arrive("u1", "flash-only"))
	f.must(t, f.Start("u1", "flash")) // b1 + i1 + c1, from 10:00
	f.Now = queuetest.Monday.Add(6 * time.Minute)
	_, err := f.Do("ada", &queue.AdvanceStep{Unit: "u1", Step: "flash", Stretch: 1})
	f.must(t, err)

	check := func(when string, on, off, waiting, overdue float64) {
		t.Helper()
		f.m.Sample(f.State, f.Now)
		for _, res := range []string{"b1", "i1", "c1"} {
			for state, want := range map[string]float64{"hands_on": on, "hands_off": off, "waiting": waiting} {
				if got := read(t, f.reg, "tickover_resource_held_seconds_total", "resource="+res, "state="+state) / 60; got != want {
					t.Errorf("%s: %s held %s for %g min, want %g", when, res, state, got, want)
				}
			}
		}
		if got := read(t, f.reg, "tickover_queue_flashes_overdue"); got != overdue {
			t.Errorf("%s: %g flashes overdue, want %g", when, got, overdue)
		}
	}
	f.Now = queuetest.Monday.Add(20 * time.Minute)
	check("half-way", 6, 14, 0, 0)
	f.Now = queuetest.Monday.Add(50 * time.Minute) // hands-off ended at 10:34
	check("nobody came", 6, 28, 16, 0)
	f.Now = queuetest.Monday.Add(55 * time.Minute) // expected 10:40, alarm 10 min later
	check("overdue", 6, 28, 21, 1)
	_, err = f.Do("ada", &queue.AdvanceStep{Unit: "u1", Step: "flash", Stretch: 2, Technician: "ada"})
	f.must(t, err)
	f.Now = queuetest.Monday.Add(60 * time.Minute)
	st := f.State.Units["u1"].Step("flash")
	_, err = f.Do("ada", &queue.FinishStep{Unit: "u1", Step: "flash", Technician: "ada",
		Evidence: queuetest.EvidenceFor(f.State.Shop.Operation("flash"), st, false)})
	f.must(t, err)
	f.Now = queuetest.Monday.Add(90 * time.Minute)
	check("free again", 11, 28, 21, 0)
	if got := read(t, f.reg, "tickover_queue_step_duration_seconds", "operation=flash"); got != 1 {
		t.Errorf("%g flashes timed, want 1", got)
	}
}

func TestDepthSaysWhatIsReadyBlockedAndRunning(t *testing.T) {
	f := newFeed(queuetest.NewSite())
	f.must(t, f.Arrive("u1", "flash-only"))
	f.must(t, f.Arrive("u2", "flash-only"))
	f.must(t, f.Start("u1", "flash"))
	_, err := f.Do("fred", &queue.Close{Resource: "p1", From: f.Now, Until: f.Now.Add(time.Hour), Reason: "ice"})
	f.must(t, err)
	f.m.Sample(f.State, f.Now)
	for _, want := range []struct {
		name   string
		labels []string
		value  float64
	}{
		{"tickover_queue_steps", []string{"operation=flash", "state=running"}, 1},
		{"tickover_queue_steps", []string{"operation=flash", "state=ready"}, 1},
		{"tickover_queue_steps", []string{"operation=resets", "state=blocked"}, 2},
		{"tickover_queue_units_open", nil, 2},
		{"tickover_resource_holds", []string{"resource=i1"}, 1},
		{"tickover_resource_holds", []string{"resource=i2"}, 0},
		{"tickover_resource_closed", []string{"resource=p1"}, 1},
		{"tickover_resource_closed", []string{"resource=l1"}, 0},
		{"tickover_log_last_sequence", nil, float64(f.State.Seq)},
		{"tickover_view_applied_sequence", []string{"view=ledger"}, float64(f.State.Seq)},
	} {
		if got := read(t, f.reg, want.name, want.labels...); got != want.value {
			t.Errorf("%s %v is %g, want %g", want.name, want.labels, got, want.value)
		}
	}
}

func TestPromiseIsKeptWhenTheLastStepEndsInTime(t *testing.T) {
	f := newFeed(queuetest.NewSite())
	do := func(id queue.UnitID, promise time.Time) {
		t.Helper()
		_, err := f.Do("", &queue.ReceiveUnit{Unit: id, Arrival: queuetest.Arrival("flash-only", promise)})
		f.must(t, err)
		for _, step := range []queue.StepID{"flash", "resets", "relearn", "restart", "ride"} {
			f.must(t, f.Run(id, step))
		}
		f.Now = f.Now.Add(30 * time.Minute) // the owner comes later
		_, err = f.Do("ada", &queue.HandOver{Unit: id})
		f.must(t, err)
	}
	do("u1", f.Now.Add(40*time.Minute+5*time.Minute+13*time.Minute+5*time.Minute+15*time.Minute)) // to the minute
	do("u2", f.Now.Add(time.Hour))
	for series, want := range map[string]float64{"kept": 1, "missed": 1} {
		if got := read(t, f.reg, "tickover_queue_promises_total", "result="+series); got != want {
			t.Errorf("promises %s: %g, want %g", series, got, want)
		}
	}
	if got := read(t, f.reg, "tickover_queue_unit_stay_seconds"); got != 2 {
		t.Errorf("%g stays, want 2", got)
	}
}

func TestRefusalsCountByCodeAndInterlock(t *testing.T) {
	f := newFeed(queuetest.NewSite())
	f.must(t, f.Arrive("u1", "flash-only"))
	_, err := f.Do("ada", &queue.HandOver{Unit: "u1"}) // I11
	f.m.Refused(err)
	_, err = f.Do("ada", &queue.HandOver{Unit: "nobody"})
	f.m.Refused(err)
	f.m.Refused(nil)
	if got := read(t, f.reg, "tickover_queue_refusals_total", "code=interlock", "interlock=I11"); got != 1 {
		t.Errorf("I11 counted %g times, want 1", got)
	}
	if got := read(t, f.reg, "tickover_queue_refusals_total", "code=unknown"); got != 1 {
		t.Errorf("unknown counted %g times, want 1", got)
	}
}

// What the meter counted from the entries agrees with what the state says.
func TestCountsAgreeWithTheState(t *testing.T) {
	seed := queuetest.Seed(t, 20)
	for stream := range uint64(50) {
		w := queuetest.NewWalk(seed, stream)
		f := newFeed(w.Site)
		began := w.Site.Now
		for range 200 {
			_, _ = w.Step()
			f.pass()
		}
		st := w.Site.State
		f.m.Sample(st, w.Site.Now)
		arrived, left := 0, 0
		for _, u := range st.Units {
			arrived++
			if u.Status != queue.InShop {
				left++
			}
		}
		for name, want := range map[string]float64{
			"tickover_queue_events_total":         float64(st.Events),
			"tickover_queue_units_arrived_total":  float64(arrived),
			"tickover_queue_units_finished_total": float64(left),
			"tickover_queue_promises_total":       float64(left),
			"tickover_queue_units_open":           float64(arrived - left),
		} {
			if got := read(t, f.reg, name); got != want {
				t.Fatalf("stream %d: %s is %g, the state says %g", stream, name, got, want)
			}
		}
		if n, err := testutil.GatherAndCount(f.reg, "tickover_queue_events_total"); err != nil || n != len(meter.Words().EventTypes) {
			t.Fatalf("stream %d: %d types of events counted, %d are known (%v)", stream, n, len(meter.Words().EventTypes), err)
		}
		span := w.Site.Now.Sub(began) + 2*time.Minute
		for i := range st.Shop.Resources {
			r := &st.Shop.Resources[i]
			held := read(t, f.reg, "tickover_resource_held_seconds_total", "resource="+string(r.ID))
			if most := span.Seconds() * float64(max(1, r.Capacity)); held > most {
				t.Fatalf("stream %d: %s was held %g s of %g s", stream, r.ID, held, most)
			}
		}
	}
}

// A meter that begins in the middle counts what comes after, also what came
// while it was being attached, and nothing twice.
func TestBeginInTheMiddle(t *testing.T) {
	site := queuetest.NewSite()
	whole := newFeed(site)
	whole.must(t, site.Arrive("u1", "flash-only"))
	whole.must(t, site.Start("u1", "flash"))

	reg := prometheus.NewRegistry()
	late := meter.New(metrics.New(reg, meter.Words()))
	late.Entry(&site.Entries[len(site.Entries)-1]) // before and within the view
	view := site.State.View()
	whole.must(t, site.Finish("u1", "flash"))
	last := &site.Entries[len(site.Entries)-1]
	late.Entry(last) // before Begin, after the view
	late.Begin(view)
	late.Entry(last)

	if got, want := read(t, reg, "tickover_queue_events_total"), float64(len(last.Events)); got != want {
		t.Errorf("%g events counted, want %g", got, want)
	}
	if got := read(t, reg, "tickover_resource_held_seconds_total", "resource=i1"); got != (40 * time.Minute).Seconds() {
		t.Errorf("i1 was held %g s, want 2400", got)
	}
	if problems, err := testutil.GatherAndLint(reg); err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
}
