package calendar

import (
	"testing"
	"time"
)

// The horizon of a plan: two weeks, ten resources, over a change of the clocks.
var (
	benchFrom = time.Date(2026, 3, 20, 7, 0, 0, 0, time.UTC)
	benchTo   = benchFrom.AddDate(0, 0, 14)
)

func BenchmarkExpand14Days10Rosters(b *testing.B) {
	loc := zone(b, "Europe/London")
	r := Roster{
		Shifts:   Hours{Weekly: EveryDay(span(b, "07:30-16:00")), Exceptions: []DayException{{Date: Date{2026, 3, 25}}}},
		Breaks:   Hours{Weekly: EveryDay(span(b, "10:00-10:15"), span(b, "12:00-12:30"))},
		Absences: []Closure{{Start: benchFrom.AddDate(0, 0, 3), End: benchFrom.AddDate(0, 0, 4)}},
	}
	b.ReportAllocs()
	for b.Loop() {
		for range 10 {
			r.Expand(loc, benchFrom, benchTo)
		}
	}
}

func BenchmarkExpand14Days10Pads(b *testing.B) {
	pad := Outdoor{
		Place:    Place{LatitudeDeg: 55.6, LongitudeDeg: -2.5, Location: zone(b, "Europe/London")},
		Quiet:    Hours{Weekly: EveryDay(span(b, "12:00-13:00"), span(b, "20:00-08:00"))},
		Daylight: DaylightRule{Light: SunriseToSunset},
	}
	b.ReportAllocs()
	for b.Loop() {
		for range 10 {
			pad.Windows(benchFrom, benchTo)
		}
	}
}

func BenchmarkWhyShut(b *testing.B) {
	pad := Outdoor{
		Place:    Place{LatitudeDeg: 55.6, LongitudeDeg: -2.5, Location: zone(b, "Europe/London")},
		Quiet:    Hours{Weekly: EveryDay(span(b, "20:00-08:00"))},
		Daylight: DaylightRule{Light: SunriseToSunset},
	}
	at := benchFrom.Add(14 * time.Hour)
	b.ReportAllocs()
	for b.Loop() {
		pad.WhyShut(at)
	}
}
