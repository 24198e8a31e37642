package dispatch_test

import (
	"encoding/json"
	"strings"
	"testing"

	"tickover/services/dispatch"
)

// The demo's busy day: everything fits, nothing is violated, each step says
// why, and the same again gives the same bytes.
func TestBusyDay(t *testing.T) {
	w := newWorld(t, busyDay)
	w.receiveMany(24)
	p := w.compute(nil, dispatch.ComputeOptions{Seed: 7})
	if len(p.Unplaced) > 0 {
		t.Errorf("unplaced: %v", p.Unplaced)
	}
	if len(p.Units) != 24 {
		t.Errorf("forecasts for %d units of 24", len(p.Units))
	}
	for _, s := range p.Steps {
		if s.Why == "" || strings.Contains(s.Why, "unknown") {
			t.Errorf("step %s of %s at %s says %q", s.Step, s.Unit, s.Start, s.Why)
		}
		if s.Technician == "" || s.Start.Before(w.now) {
			t.Errorf("step %s of %s: technician %q, start %s", s.Step, s.Unit, s.Technician, s.Start)
		}
	}
	again := w.compute(nil, dispatch.ComputeOptions{Seed: 7})
	if a, b := encoded(t, p), encoded(t, again); a != b {
		t.Errorf("the same state gave two plans:\n%s\n%s", a, b)
	}
}

func encoded(t *testing.T, p *dispatch.Plan) string {
	t.Helper()
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
