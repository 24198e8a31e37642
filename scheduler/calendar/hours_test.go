package calendar

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the same zones on every machine

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func zone(t interface{ Fatal(...any) }, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func span(t interface{ Fatal(...any) }, text string) ClockSpan {
	s, err := ParseClockSpan(text)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func date(t interface{ Fatal(...any) }, text string) Date {
	d, err := ParseDate(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestClockChanges expands one span on the days of the change of 2026: Europe
// 29 March 01:00 UTC and 25 October 01:00 UTC; United States 8 March and 1
// November, 02:00 local (IANA time zone database).
func TestClockChanges(t *testing.T) {
	tests := []struct {
		name, zone, day, span string
		want                  string // local, with the offset; empty: nothing
		total                 time.Duration
	}{
		{"day shift, spring", "Europe/London", "2026-03-29", "08:00-17:30", "29 08:00 +0100 to 29 17:30 +0100", 9*time.Hour + 30*time.Minute},
		{"day shift, autumn", "Europe/London", "2026-10-25", "08:00-17:30", "25 08:00 +0000 to 25 17:30 +0000", 9*time.Hour + 30*time.Minute},
		{"day shift, spring", "America/New_York", "2026-03-08", "08:00-17:00", "08 08:00 -0400 to 08 17:00 -0400", 9 * time.Hour},
		{"day shift, autumn", "America/New_York", "2026-11-01", "08:00-17:00", "01 08:00 -0500 to 01 17:00 -0500", 9 * time.Hour},
		{"night shift loses an hour", "Europe/London", "2026-03-28", "22:00-06:00", "28 22:00 +0000 to 29 06:00 +0100", 7 * time.Hour},
		{"night shift gains an hour", "Europe/London", "2026-10-24", "22:00-06:00", "24 22:00 +0100 to 25 06:00 +0000", 9 * time.Hour},
		{"night shift loses an hour", "America/New_York", "2026-03-07", "22:00-06:00", "07 22:00 -0500 to 08 06:00 -0400", 7 * time.Hour},
		{"night shift gains an hour", "America/New_York", "2026-10-31", "22:00-06:00", "31 22:00 -0400 to 01 06:00 -0500", 9 * time.Hour},
		{"whole day of 23 hours", "Europe/London", "2026-03-29", "00:00-24:00", "29 00:00 +0000 to 30 00:00 +0100", 23 * time.Hour},
		{"whole day of 25 hours", "Europe/London", "2026-10-25", "00:00-24:00", "25 00:00 +0100 to 26 00:00 +0000", 25 * time.Hour},
		{"all of it skipped", "Europe/London", "2026-03-29", "01:00-02:00", "", 0},
		{"start skipped", "Europe/London", "2026-03-29", "01:30-02:30", "29 02:00 +0100 to 29 02:30 +0100", 30 * time.Minute},
		{"end skipped", "America/New_York", "2026-03-08", "01:00-02:30", "08 01:00 -0500 to 08 03:00 -0400", time.Hour},
		{"start repeated: the first", "Europe/London", "2026-10-25", "01:30-02:30", "25 01:30 +0100 to 25 02:30 +0000", 2 * time.Hour},
		{"end repeated: the first", "America/New_York", "2026-11-01", "00:30-01:30", "01 00:30 -0400 to 01 01:30 -0400", time.Hour},
		{"midnight skipped", "America/Sao_Paulo", "2018-11-04", "00:00-08:00", "04 01:00 -0200 to 04 08:00 -0200", 7 * time.Hour},
		{"a day that never was", "Pacific/Apia", "2011-12-30", "08:00-17:00", "", 0},
	}
	for _, test := range tests {
		t.Run(test.zone+" "+test.name, func(t *testing.T) {
			loc, day := zone(t, test.zone), date(t, test.day)
			h := Hours{Exceptions: []DayException{{Date: day, Spans: []ClockSpan{span(t, test.span)}}}}
			got := h.Expand(loc, day.AddDays(-3).At(0, loc), day.AddDays(3).At(0, loc))
			var text []string
			for _, v := range got {
				text = append(text, v.Start.Format("02 15:04 -0700")+" to "+v.End.Format("02 15:04 -0700"))
			}
			if got := strings.Join(text, ", "); got != test.want {
				t.Errorf("%s on %s: %s, want %s", test.span, test.day, got, test.want)
			}
			if got.Total() != test.total {
				t.Errorf("%s on %s: %s, want %s", test.span, test.day, got.Total(), test.total)
			}
		})
	}
}

func TestAtIsTheFirstMinuteThatShowsTheClock(t *testing.T) {
	days := []struct{ zone, day string }{
		{"Europe/London", "2026-03-29"}, {"Europe/London", "2026-10-25"},
		{"America/New_York", "2026-03-08"}, {"America/New_York", "2026-11-01"},
		{"Australia/Lord_Howe", "2026-04-05"}, {"Australia/Lord_Howe", "2026-10-04"}, // half an hour
		{"Antarctica/Troll", "2026-03-29"}, {"Antarctica/Troll", "2026-10-25"}, // two hours
		{"America/Sao_Paulo", "2018-11-04"}, {"America/Sao_Paulo", "2018-02-17"}, // at midnight
		{"Pacific/Apia", "2011-12-30"}, {"Asia/Kathmandu", "2026-06-01"}, {"UTC", "2026-06-01"},
	}
	rapid.Check(t, func(t *rapid.T) {
		pick := rapid.SampledFrom(days).Draw(t, "day")
		loc := zone(t, pick.zone)
		d := date(t, pick.day).AddDays(rapid.IntRange(-1, 1).Draw(t, "shift"))
		c := ClockTime(rapid.IntRange(0, 1440).Draw(t, "clock"))
		want := time.Date(d.Year, d.Month, d.Day, 0, int(c), 0, 0, time.UTC)
		// Minute by minute: the first that shows the reading, else the first
		// that is past it.
		var shows, past time.Time
		for m := range 4 * 1440 {
			at := want.Add(time.Duration(m-2*1440) * time.Minute)
			_, offset := at.In(loc).Zone()
			reading := at.Add(time.Duration(offset) * time.Second)
			if shows.IsZero() && reading.Equal(want) {
				shows = at
			}
			if past.IsZero() && reading.After(want) {
				past = at
			}
		}
		if shows.IsZero() {
			shows = past
		}
		if got := d.At(c, loc); !got.Equal(shows) {
			t.Fatalf("%s %s %s is %s, want %s", pick.zone, d, c, got, shows.In(loc))
		}
	})
}

func TestHoursEqualMinuteByMinute(t *testing.T) {
	// Days without a repeated hour, where the clock alone tells what is open.
	days := []struct{ zone, day string }{
		{"Europe/London", "2026-03-27"}, {"America/New_York", "2026-03-06"},
		{"America/Sao_Paulo", "2018-11-02"}, {"Asia/Kathmandu", "2026-06-01"},
	}
	clock := rapid.Custom(func(t *rapid.T) ClockSpan {
		from := rapid.IntRange(0, 1439).Draw(t, "from")
		to := rapid.IntRange(0, 1440).Filter(func(to int) bool { return to != from }).Draw(t, "to")
		return ClockSpan{ClockTime(from), ClockTime(to)}
	})
	rapid.Check(t, func(t *rapid.T) {
		pick := rapid.SampledFrom(days).Draw(t, "day")
		loc, first := zone(t, pick.zone), date(t, pick.day)
		var h Hours
		for day := range h.Weekly {
			h.Weekly[day] = rapid.SliceOfN(clock, 0, 3).Draw(t, "spans")
		}
		h.Exceptions = []DayException{{Date: first.AddDays(1), Spans: rapid.SliceOfN(clock, 0, 2).Draw(t, "exception")}}
		from, to := first.At(0, loc), first.AddDays(4).At(0, loc)
		got := h.Expand(loc, from, to)
		checkSet(t, got)
		on := func(d Date) []ClockSpan {
			if d == h.Exceptions[0].Date {
				return h.Exceptions[0].Spans
			}
			return h.Weekly[d.Weekday()]
		}
		for at := from; at.Before(to); at = at.Add(time.Minute) {
			reading, d, open := ClockTime(at.Hour()*60+at.Minute()), DateOf(at, loc), false
			for _, s := range on(d) {
				open = open || reading >= s.From && (reading < s.To || s.To <= s.From)
			}
			for _, s := range on(d.AddDays(-1)) {
				open = open || s.To <= s.From && reading < s.To
			}
			if got.Contains(at) != open {
				t.Fatalf("%s: open is %v, want %v", at, !open, open)
			}
		}
	})
}

func TestExceptions(t *testing.T) {
	loc := zone(t, "Europe/London")
	day := span(t, "08:00-17:00")
	h := Hours{
		Weekly: Weekly{time.Monday: {day}, time.Tuesday: {day}, time.Wednesday: {day}, time.Thursday: {day}, time.Friday: {day}},
		Exceptions: []DayException{
			{Date: date(t, "12-25"), Reason: "Christmas Day"},
			{Date: date(t, "2026-12-24"), Spans: []ClockSpan{span(t, "08:00-12:00")}, Reason: "short day"},
			{Date: date(t, "2027-12-25"), Spans: []ClockSpan{span(t, "10:00-11:00")}, Reason: "sale"},
		},
	}
	if err := h.Validate(); err != nil {
		t.Fatal(err)
	}
	for first, want := range map[string]string{
		"2026-12-23": "08:00-17:00 08:00-12:00", // Wednesday, Thursday, Friday
		"2025-12-24": "08:00-17:00 08:00-17:00", // Wednesday, Thursday, Friday
		"2027-12-24": "08:00-17:00 10:00-11:00", // Friday, Saturday, Sunday
	} {
		d := date(t, first)
		if got := clockText(h.Expand(loc, d.At(0, loc), d.AddDays(3).At(0, loc))); got != want {
			t.Errorf("three days from %s: %s, want %s", first, got, want)
		}
	}
	if e, found := h.ExceptionOn(date(t, "2026-12-25")); !found || e.Reason != "Christmas Day" {
		t.Errorf("25 December 2026: %v, %v", e, found)
	}
}

func TestNightShiftGoesOnIntoAHoliday(t *testing.T) {
	h := Hours{
		Weekly:     EveryDay(span(t, "22:00-06:00")),
		Exceptions: []DayException{{Date: date(t, "2026-01-01")}},
	}
	from := date(t, "2025-12-31").At(12*60, nil)
	if got := clockText(h.Expand(nil, from, from.AddDate(0, 0, 2))); got != "22:00-06:00" {
		t.Errorf("got %s, want the shift of 31 December alone", got)
	}
}

func TestRoster(t *testing.T) {
	loc := zone(t, "Europe/London")
	d := date(t, "2026-02-17")
	r := Roster{
		Shifts:   Hours{Weekly: EveryDay(span(t, "07:30-16:00"), span(t, "22:00-02:00"))},
		Breaks:   Hours{Weekly: EveryDay(span(t, "12:00-12:30"), span(t, "00:00-00:15"))},
		Absences: []Closure{{Start: d.At(14*60, loc), End: d.At(15*60, loc), Reason: "dentist"}},
	}
	if err := r.Validate(); err != nil {
		t.Fatal(err)
	}
	got := clockText(r.Expand(loc, d.At(0, loc), d.AddDays(1).At(0, loc)))
	if want := "00:15-02:00 07:30-12:00 12:30-14:00 15:00-16:00 22:00-00:00"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := r.Expand(loc, d.At(0, loc), d.At(0, loc)); got != nil {
		t.Errorf("an empty range gives %v", got)
	}
	r.Absences = append(r.Absences, Closure{Start: d.At(15*60+30, loc), Reason: "leave"})
	got = clockText(r.Expand(loc, d.At(13*60, loc), d.AddDays(9).At(0, loc)))
	if want := "13:00-14:00 15:00-15:30"; got != want {
		t.Errorf("with open-ended leave: %s, want %s", got, want)
	}
}

func TestParse(t *testing.T) {
	for give, want := range map[string]ClockTime{"07:30": 450, "7:30": 450, "00:00": 0, "24:00": 1440, " 23:59 ": 1439} {
		if got, err := ParseClockTime(give); err != nil || got != want {
			t.Errorf("ParseClockTime(%q) = %v, %v, want %v", give, got, err, want)
		}
	}
	for _, give := range []string{"", "7", "24:01", "12:60", "7.30", "-1:00", "+7:30", "07:3", "07:300", "007:30", "٠٧:٣٠", strings.Repeat("9", 1000)} {
		if got, err := ParseClockTime(give); err == nil || len(err.Error()) > 200 {
			t.Errorf("ParseClockTime(%.20q) = %v, %v, want a short error", give, got, err)
		}
	}
	for give, want := range map[string]string{"08:00-17:30": "08:00-17:30", "8:00 – 17:30": "08:00-17:30", "22:00-00:00": "22:00-00:00"} {
		if got, err := ParseClockSpan(give); err != nil || got.String() != want {
			t.Errorf("ParseClockSpan(%q) = %v, %v, want %v", give, got, err, want)
		}
	}
	for _, give := range []string{"", "08:00", "08:00-", "08:00-08:00", "24:00-08:00", "08:00-17:30-18:00", "all day"} {
		if got, err := ParseClockSpan(give); err == nil {
			t.Errorf("ParseClockSpan(%q) = %v, want an error", give, got)
		}
	}
	for give, want := range map[string]Date{"2026-02-14": {2026, 2, 14}, "12-25": {0, 12, 25}, "02-29": {0, 2, 29}, "2024-02-29": {2024, 2, 29}} {
		if got, err := ParseDate(give); err != nil || got != want || got.String() != give {
			t.Errorf("ParseDate(%q) = %v, %v, want %v", give, got, err, want)
		}
	}
	for _, give := range []string{"", "2026-02-30", "2026-2-3", "14/02/2026", "0000-01-01", "13-01", "02-30"} {
		if got, err := ParseDate(give); err == nil {
			t.Errorf("ParseDate(%q) = %v, want an error", give, got)
		}
	}
}

func TestValidateListsEverything(t *testing.T) {
	h := Hours{
		Weekly: Weekly{time.Friday: {{480, 480}, {-1, 60}, {0, 1441}}},
		Exceptions: []DayException{
			{Date: Date{2026, 12, 25}}, {Date: Date{2026, 12, 25}, Spans: []ClockSpan{{1440, 60}}},
		},
	}
	want := []string{
		"Friday: hours 08:00-08:00: start and end are the same",
		"Friday: hours",
		"Friday: hours 00:00-24:01: the end must lie",
		"2026-12-25: two exceptions for one day",
		"2026-12-25: hours 24:00-01:00: the start must lie",
	}
	lines := strings.Split(h.Validate().Error(), "\n")
	for i := range lines {
		if i < len(want) && strings.HasPrefix(lines[i], want[i]) {
			lines[i] = want[i]
		}
	}
	if diff := cmp.Diff(want, lines); diff != "" {
		t.Errorf("errors (-want +got):\n%s", diff)
	}
}

func TestValidateRosterNamesThePart(t *testing.T) {
	bad := Hours{Weekly: EveryDay(ClockSpan{60, 60})}
	err := Roster{Shifts: bad, Breaks: bad}.Validate()
	if err == nil || !strings.Contains(err.Error(), "shifts: Sunday") || !strings.Contains(err.Error(), "breaks: Sunday") {
		t.Errorf("got %v, want both parts named", err)
	}
}

func TestJSON(t *testing.T) {
	type file struct {
		At   ClockTime
		Span ClockSpan
		Day  Date
	}
	const want = `{"At":"07:30","Span":"22:00-06:00","Day":"12-25"}`
	var f file
	if err := json.Unmarshal([]byte(want), &f); err != nil {
		t.Fatal(err)
	}
	if got, err := json.Marshal(f); err != nil || string(got) != want {
		t.Errorf("got %s, %v, want %s", got, err, want)
	}
	for _, bad := range []string{`{"At":"7"}`, `{"Span":"7"}`, `{"Day":"7"}`} {
		if err := json.Unmarshal([]byte(bad), &f); err == nil {
			t.Errorf("%s is accepted", bad)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"08:00-17:30", "22:00–06:00", "24:00", "12-25", "2026-02-14", "-", "\xff:\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if c, err := ParseClockTime(s); err == nil {
			if back, err := ParseClockTime(c.String()); err != nil || back != c {
				t.Errorf("%q: %s reads back as %s, %v", s, c, back, err)
			}
		}
		if v, err := ParseClockSpan(s); err == nil {
			if back, err := ParseClockSpan(v.String()); err != nil || back != v {
				t.Errorf("%q: %s reads back as %s, %v", s, v, back, err)
			}
		}
		if d, err := ParseDate(s); err == nil {
			if back, err := ParseDate(d.String()); err != nil || back != d {
				t.Errorf("%q: %s reads back as %s, %v", s, d, back, err)
			}
		}
	})
}
