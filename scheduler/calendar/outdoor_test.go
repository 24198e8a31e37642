package calendar

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Oslo, 21 December 2025, by the one-day service of the U.S. Naval Observatory
// (see TestNavalObservatoryOneDay), in local time: civil dawn 08:21, sunrise
// 09:18, sunset 15:12, civil dusk 16:10. It is a Sunday. The values of the 22nd
// (civil dawn 08:21, sunrise 09:19) are our own, a minute at most from these.
func osloPad(t *testing.T) Outdoor {
	return Outdoor{
		Place:    Place{LatitudeDeg: 59.9139, LongitudeDeg: 10.7522, Location: zone(t, "Europe/Oslo")},
		Daylight: DaylightRule{Light: SunriseToSunset},
	}
}

func TestWhyShut(t *testing.T) {
	oslo := zone(t, "Europe/Oslo")
	on := func(clock string) time.Time {
		at, err := time.ParseInLocation("2006-01-02 15:04", "2025-12-"+clock, oslo)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	weekday := span(t, "08:00-17:00")
	shop := Hours{
		Weekly:     Weekly{time.Monday: {weekday}, time.Tuesday: {weekday}, time.Wednesday: {weekday}, time.Thursday: {weekday}, time.Friday: {weekday}},
		Exceptions: []DayException{{Date: Date{0, 12, 25}, Reason: "Christmas Day"}, {Date: Date{0, 12, 26}}},
	}
	tests := []struct {
		name   string
		change func(*Outdoor)
		at     string
		want   string
		until  string // of the first reason; empty: not known
	}{
		{"open", func(*Outdoor) {}, "21 12:00", "", ""},
		{"open from the minute of sunrise", func(*Outdoor) {}, "21 09:18", "", ""},
		{"before sunrise", func(*Outdoor) {}, "21 09:17", "before sunrise 09:18", "21 09:18"},
		{"at night", func(*Outdoor) {}, "21 00:00", "before sunrise 09:18", "21 09:18"},
		{"from the minute of sunset", func(*Outdoor) {}, "21 15:12", "after sunset 15:12", "22 09:19"},
		{"late", func(*Outdoor) {}, "21 23:59", "after sunset 15:12", "22 09:19"},
		{"civil twilight, before", func(o *Outdoor) { o.Daylight.Light = CivilTwilight }, "21 08:00", "before civil dawn 08:21", "21 08:21"},
		{"civil twilight, after", func(o *Outdoor) { o.Daylight.Light = CivilTwilight }, "21 17:00", "after civil dusk 16:10", "22 08:21"},
		{"offset after sunrise", func(o *Outdoor) { o.Daylight.AfterStart = 30 * time.Minute }, "21 09:20",
			"before 09:48, 30 min after sunrise at 09:18", "21 09:48"},
		{"offset before sunset", func(o *Outdoor) { o.Daylight.BeforeEnd = 45 * time.Minute }, "21 14:30",
			"after 14:27, 45 min before sunset at 15:12", "22 09:19"},
		{"offsets leave nothing", func(o *Outdoor) { o.Daylight.AfterStart, o.Daylight.BeforeEnd = 4*time.Hour, 4*time.Hour }, "21 12:00",
			"no daylight today", ""},
		{"quiet hours", func(o *Outdoor) { o.Quiet.Weekly = EveryDay(span(t, "12:00-13:00")) }, "21 12:00", "quiet hours until 13:00", "21 13:00"},
		{"quiet day", func(o *Outdoor) {
			o.Quiet.Exceptions = []DayException{{Date: Date{2025, 12, 21}, Spans: []ClockSpan{span(t, "00:00-24:00")}, Reason: "Sunday market"}}
		}, "21 12:00", "quiet hours (Sunday market) until Mon 00:00", "22 00:00"},
		{"always quiet", func(o *Outdoor) { o.Quiet.Weekly = EveryDay(span(t, "00:00-24:00")) }, "21 12:00", "quiet hours", ""},
		{"closed", func(o *Outdoor) {
			o.Closures = []Closure{{Start: on("21 10:00"), End: on("21 14:00"), Reason: "weather"}}
		}, "21 13:59", "closed for weather until 14:00", "21 14:00"},
		{"closed no more", func(o *Outdoor) {
			o.Closures = []Closure{{Start: on("21 10:00"), End: on("21 14:00"), Reason: "weather"}}
		}, "21 14:00", "", ""},
		{"the closure that lasts longest", func(o *Outdoor) {
			o.Closures = []Closure{{End: on("21 14:00"), Reason: "ice"}, {End: on("30 14:00"), Reason: "resurfacing"}, {End: on("22 08:00")}}
		}, "21 12:00", "closed for resurfacing until Tue 30 Dec 14:00", "30 14:00"},
		{"closed until further notice", func(o *Outdoor) {
			o.Closures = []Closure{{End: on("21 14:00"), Reason: "ice"}, {Reason: "flooding"}}
		}, "21 12:00", "closed for flooding until further notice", ""},
		{"shop closed on a Sunday", func(o *Outdoor) { o.Shop = &shop }, "21 12:00", "shop closed until Mon 08:00", "22 08:00"},
		{"holiday", func(o *Outdoor) { o.Shop = &shop }, "25 12:00", "shop closed (Christmas Day) until Mon 08:00", "29 08:00"},
		{"never open", func(o *Outdoor) { o.Shop = &Hours{} }, "21 12:00", "shop closed", ""},
		{"everything at once", func(o *Outdoor) {
			o.Shop, o.Quiet.Weekly = &shop, EveryDay(span(t, "20:00-07:00"))
			o.Closures = []Closure{{Reason: "flooding"}}
		}, "22 06:00", "closed for flooding until further notice; shop closed until 08:00; before sunrise 09:19; quiet hours until 07:00", ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			pad := osloPad(t)
			test.change(&pad)
			if err := pad.Validate(); err != nil {
				t.Fatal(err)
			}
			got := pad.WhyShut(on(test.at))
			if Texts(got) != test.want {
				t.Fatalf("at %s: %q, want %q", test.at, Texts(got), test.want)
			}
			if len(got) == 0 {
				return
			}
			until := ""
			if !got[0].Until.IsZero() {
				until = got[0].Until.In(oslo).Format("02 15:04")
			}
			if until != test.until {
				t.Errorf("at %s: until %q, want %q", test.at, until, test.until)
			}
		})
	}
}

func TestWhyShutInPolarNight(t *testing.T) {
	// 70° N 0° E: the last sun is on 24 November 2025, the next on 17 January
	// 2026, by the same service.
	pad := Outdoor{Place: Place{LatitudeDeg: 70}, Daylight: DaylightRule{Light: SunriseToSunset}}
	for day, want := range map[time.Time]string{
		time.Date(2025, 11, 26, 12, 0, 0, 0, time.UTC): "no daylight today",
		time.Date(2026, 1, 10, 12, 0, 0, 0, time.UTC):  "no daylight today until Sat 17 Jan 11:41",
	} {
		if got := Texts(pad.WhyShut(day)); got != want {
			t.Errorf("%s: %q, want %q", day.Format(time.DateOnly), got, want)
		}
	}
}

func TestWhyShutAgreesWithWindows(t *testing.T) {
	loc := zone(t, "Europe/London")
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(1_770_000_000, 1_800_000_000).Draw(t, "at"), 0)
		shop := Hours{Weekly: EveryDay(ClockSpan{480, 1050})}
		pad := Outdoor{
			Place: Place{LatitudeDeg: rapid.Float64Range(-75, 75).Draw(t, "lat"), LongitudeDeg: -2.5, Location: loc},
			Shop:  rapid.SampledFrom([]*Hours{nil, &shop}).Draw(t, "shop"),
			Quiet: Hours{Weekly: EveryDay(ClockSpan{720, 780}, ClockSpan{1200, 420})},
			Daylight: DaylightRule{
				rapid.SampledFrom([]Light{0, SunriseToSunset, CivilTwilight}).Draw(t, "light"), offset(t, "after"), offset(t, "before"),
			},
			Closures: []Closure{{at.Add(offset(t, "closed from")), at.Add(offset(t, "closed until")), "weather"}},
		}
		open := pad.Windows(at, at.Add(time.Hour)).Contains(at)
		why := pad.WhyShut(at)
		if open != (len(why) == 0) {
			t.Fatalf("%s: open %v, but %q", at.In(loc), open, Texts(why))
		}
		for _, reason := range why {
			if !reason.Until.IsZero() && !reason.Until.After(at) {
				t.Fatalf("%s: %q ended at %s", at.In(loc), reason.Text, reason.Until)
			}
		}
	})
}

func TestValidateOutdoor(t *testing.T) {
	bad := Outdoor{
		Place:    Place{LatitudeDeg: 91, LongitudeDeg: math.NaN()},
		Shop:     &Hours{Weekly: EveryDay(ClockSpan{60, 60})},
		Quiet:    Hours{Weekly: EveryDay(ClockSpan{60, 60})},
		Daylight: DaylightRule{9, 7 * time.Hour, -7 * time.Hour},
	}
	err := bad.Validate()
	if err == nil {
		t.Fatal("no error")
	}
	for _, part := range []string{"latitude 91", "longitude NaN", "unknown rule Light(9)", "offset 7h0m0s", "offset -7h0m0s", "quiet hours: Sunday", "opening hours: Sunday"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("error lacks %q:\n%v", part, err)
		}
	}
}

func TestCauseNames(t *testing.T) {
	seen := map[string]bool{}
	for c := CauseClosure; c <= CauseQuietHours; c++ {
		text, err := c.MarshalText()
		if err != nil || seen[string(text)] || strings.Contains(string(text), "(") {
			t.Errorf("cause %d has the name %q, %v", c, text, err)
		}
		seen[string(text)] = true
	}
}

func TestLightText(t *testing.T) {
	for _, l := range []Light{SunriseToSunset, CivilTwilight} {
		text, err := l.MarshalText()
		var back Light
		if err != nil || back.UnmarshalText(text) != nil || back != l {
			t.Errorf("%v reads back as %v", l, back)
		}
	}
	var l Light
	if err := l.UnmarshalText([]byte("dusk")); err == nil || !strings.Contains(err.Error(), "civil-twilight") {
		t.Errorf("got %v, want an error that names the choices", err)
	}
}
