package charts_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"tickover/metrics/flow"
	"tickover/services/floor/charts"
	"tickover/services/floor/locale"
	"tickover/services/plot"
)

var monday = time.Date(2026, 2, 16, 0, 0, 0, 0, time.UTC)

// input is a line of one machine: a unit a day at eight, done at noon, but for
// the last one, which stays.
func input(days int) *charts.Input {
	at := func(day, hour int) time.Time { return monday.AddDate(0, 0, day).Add(time.Duration(hour) * time.Hour) }
	d := &flow.Data{Pools: []flow.Pool{{ID: "bench/", Members: []string{"b1"}}}, Open: []flow.Interval{}}
	r := flow.Resource{ID: "b1"}
	for i := range days {
		open := flow.Interval{Start: at(i, 8), End: at(i, 16)}
		d.Open, r.Open = append(d.Open, open), append(r.Open, open)
		v := flow.Visit{Unit: fmt.Sprint("U-", i), Arrived: at(i, 8)}
		if i < days-1 {
			v.Left, v.Ready = at(i, 12), at(i, 12)
		}
		d.Visits = append(d.Visits, v)
		d.Uses = append(d.Uses, flow.Use{Resource: "b1", Unit: v.Unit, State: flow.HandsOn, Interval: flow.Interval{Start: at(i, 8), End: at(i, 12)}})
	}
	d.Resources = []flow.Resource{r}
	return &charts.Input{Locale: locale.Choose(locale.Prefs{}, ""), Data: d, Loc: time.UTC,
		Window: flow.Window{Interval: flow.Interval{Start: monday, End: at(days, 0)}}, Pool: func(string) string { return "Bench 1" }}
}

func points(t *testing.T, f *plot.Figure, series int) []plot.Point {
	t.Helper()
	if series >= len(f.Series) {
		t.Fatalf("%s has %d series", f.Title, len(f.Series))
	}
	return f.Series[series].Points
}

// TestCharts: known numbers of a known shop.
func TestCharts(t *testing.T) {
	in := input(8)
	came, left := points(t, charts.Throughput(in), 0), points(t, charts.Throughput(in), 1)
	if len(came) != 8 || came[3].Y != 1 || left[7].Y != 0 || left[6].Y != 1 {
		t.Errorf("throughput %v %v", came, left)
	}
	wip := points(t, charts.InProcess(in), 0)
	if len(wip) != 17 || wip[1].Y != 1 || wip[2].Y != 0 || wip[16].Y != 1 || wip[1].X != 8.0/24 {
		t.Errorf("in process %v", wip)
	}
	stay := points(t, charts.Stay(in), 0)
	if len(stay) != 7 || stay[0].Y != 4 || stay[0].Name != "U-0" {
		t.Errorf("stay %v", stay)
	}
	b := charts.Bottleneck(in)
	spans := points(t, b, 0)
	if len(b.Lanes) != 1 || b.Lanes[0] != "Bench 1" || len(spans) != 8 || spans[1].X != 8 || spans[1].To != 12 {
		t.Errorf("bottleneck %v %v", b.Lanes, spans)
	}
	p := charts.Position(in)
	if here := points(t, p, 3); len(here) != 1 || here[0].Y != 7.0/8 || here[0].X <= 0 {
		t.Errorf("position %v", here)
	}
}

// TestAnyWindow: nothing, a year, an end before the start: a picture and a
// sentence of each, never NaN.
func TestAnyWindow(t *testing.T) {
	for name, in := range map[string]*charts.Input{"nothing": input(0), "one": input(1), "a year": input(365)} {
		for _, c := range charts.Charts {
			f := charts.Draw(c.Name, in)
			var svg, png bytes.Buffer
			if err := f.SVG(&svg, plot.File, "x"); err != nil {
				t.Fatal(err)
			}
			if err := f.PNG(&png); err != nil {
				t.Fatal(err)
			}
			if f.Desc == "" || f.Title == "" || strings.Contains(svg.String(), "NaN") || svg.Len() > 100<<10 {
				t.Errorf("%s of %s: %q, %d bytes", c.Name, name, f.Desc, svg.Len())
			}
		}
	}
	if charts.Draw("moon", input(1)) != nil {
		t.Error("the moon is drawn")
	}
}
