package flow_test

import (
	"math"
	"testing"
	"time"

	"tickover/metrics/flow"
)

// TestCurvesOfThePennyFab: the two lines of Hopp and Spearman, Factory Physics, chapter 7
// (the table as printed in the book is from memory; a deterministic simulation
// and mean value analysis give the same columns).
func TestCurvesOfThePennyFab(t *testing.T) {
	one, two := flow.Line{RatePerH: .5, Raw: 8 * time.Hour}, flow.Line{RatePerH: .4, Raw: 20 * time.Hour}
	if one.Critical() != 4 || two.Critical() != 8 {
		t.Errorf("critical work in process %v and %v, want 4 and 8", one.Critical(), two.Critical())
	}
	for _, c := range []struct{ w, best1, worst1, practical1, best2, practical2 float64 }{
		{1, .125, .125, .1250, .05, .0500}, {2, .250, .125, .2000, .10, .0889}, {3, .375, .125, .2500, .15, .1200},
		{4, .500, .125, .2857, .20, .1455}, {6, .500, .125, .3333, .30, .1846}, {8, .500, .125, .3636, .40, .2133},
		{10, .500, .125, .3846, .40, .2353}, {12, .500, .125, .4000, .40, .2526},
	} {
		for what, x := range map[string][2]float64{
			"best of one": {one.Best(c.w), c.best1}, "worst of one": {one.Worst(c.w), c.worst1}, "practical of one": {one.Practical(c.w), c.practical1},
			"best of two": {two.Best(c.w), c.best2}, "practical of two": {two.Practical(c.w), c.practical2},
		} {
			if math.Abs(x[0]-x[1]) > 5e-5 {
				t.Errorf("%s with %v units: %v, want %v", what, c.w, x[0], x[1])
			}
		}
	}
}

// TestHALLine: the panel line of the same book (rate 126.5 an hour, raw time
// 33.1 h, 37,000 in process; inputs found, results derived): critical 4,187,
// practical worst case 113.6 an hour, above the 45.8 that the line made.
func TestHALLine(t *testing.T) {
	l := flow.Line{RatePerH: 126.5, Raw: time.Duration(33.1 * float64(time.Hour))}
	if got := l.Critical(); math.Abs(got-4187) > .5 {
		t.Errorf("critical %v", got)
	}
	if got := l.Practical(37000); math.Abs(got-113.6) > .1 {
		t.Errorf("practical worst case %v", got)
	}
}

// TestWhereAPerfectLineLies: one place, a unit an hour, each works the whole
// hour and leaves as the next comes: it runs at the bottleneck's rate with one
// unit in process, the best case.
func TestWhereAPerfectLineLies(t *testing.T) {
	t0 := time.Date(2026, 2, 16, 8, 0, 0, 0, time.UTC)
	h := func(n int) time.Time { return t0.Add(time.Duration(n) * time.Hour) }
	d := &flow.Data{Resources: []flow.Resource{{ID: "b1"}}, Pools: []flow.Pool{{ID: "bench", Members: []string{"b1"}}}}
	for i := range 10 {
		u := string(rune('a' + i))
		d.Visits = append(d.Visits, flow.Visit{Unit: u, Arrived: h(i), Left: h(i + 1), Ready: h(i + 1)})
		d.Uses = append(d.Uses, flow.Use{Resource: "b1", Unit: u, State: flow.HandsOn, Interval: flow.Interval{Start: h(i), End: h(i + 1)}})
	}
	p, ok := flow.Where(d, flow.Window{Interval: flow.Interval{Start: t0, End: h(10).Add(time.Millisecond)}})
	if !ok || p.Pool != "bench" || p.Units != 10 {
		t.Fatalf("%+v %v", p, ok)
	}
	for what, x := range map[string][2]float64{"rate": {p.RatePerH, 1}, "raw": {p.Raw.Hours(), 1}, "in process": {p.W, 1}, "throughput": {p.PerH, 1}, "best": {p.Best(p.W), 1}} {
		if math.Abs(x[0]-x[1]) > .01 {
			t.Errorf("%s: %v, want %v", what, x[0], x[1])
		}
	}
	if _, ok := flow.Where(&flow.Data{}, flow.Window{Interval: flow.Interval{Start: t0, End: h(10)}}); ok {
		t.Error("an empty shop lies somewhere")
	}
	d.Visits = d.Visits[:3]
	if _, ok := flow.Where(d, flow.Window{Interval: flow.Interval{Start: t0, End: h(10)}}); ok {
		t.Error("three units are enough")
	}
}
