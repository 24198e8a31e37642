package calendar_test

import (
	"fmt"
	"time"

	"tickover/scheduler/calendar"
)

func ExampleRoster_Expand() {
	span := func(s string) calendar.ClockSpan {
		v, err := calendar.ParseClockSpan(s)
		if err != nil {
			panic(err)
		}
		return v
	}
	loc, err := time.LoadLocation("Europe/London")
	if err != nil {
		panic(err)
	}
	roster := calendar.Roster{
		Shifts: calendar.Hours{Weekly: calendar.EveryDay(span("07:30-16:00"))},
		Breaks: calendar.Hours{Weekly: calendar.EveryDay(span("12:00-12:30"))},
	}
	// The clocks change on Sunday 29 March 2026; the shift keeps its hours.
	from := calendar.Date{Year: 2026, Month: time.March, Day: 28}.At(0, loc)
	for _, v := range roster.Expand(loc, from, from.AddDate(0, 0, 2)) {
		fmt.Println(v.Start.Format("Mon 15:04 -0700"), v.End.Format("15:04"))
	}
	// Output:
	// Sat 07:30 +0000 12:00
	// Sat 12:30 +0000 16:00
	// Sun 07:30 +0100 12:00
	// Sun 12:30 +0100 16:00
}

func ExampleOutdoor() {
	loc, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		panic(err)
	}
	pad := calendar.Outdoor{
		Place:    calendar.Place{LatitudeDeg: 59.9139, LongitudeDeg: 10.7522, Location: loc},
		Quiet:    calendar.Hours{Weekly: calendar.EveryDay(calendar.ClockSpan{From: 12 * 60, To: 13 * 60})},
		Daylight: calendar.DaylightRule{Light: calendar.SunriseToSunset},
	}
	morning := time.Date(2025, 12, 21, 8, 0, 0, 0, loc)
	fmt.Println(calendar.Texts(pad.WhyShut(morning)))
	for _, v := range pad.Windows(morning, morning.Add(12*time.Hour)) {
		fmt.Println(v.Start.Format("15:04"), v.End.Format("15:04"))
	}
	// Output:
	// before sunrise 09:18
	// 09:18 12:00
	// 13:00 15:12
}
