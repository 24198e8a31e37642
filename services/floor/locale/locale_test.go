package locale_test

import (
	"fmt"
	"testing"
	"time"

	"tickover/services/floor/locale"
)

func TestChoose(t *testing.T) {
	for _, c := range []struct {
		chosen locale.Prefs
		accept string
		want   locale.Prefs
	}{
		{locale.Prefs{}, "", locale.Prefs{Language: "en", Clock: "24", Distance: "km", Degrees: "C"}},
		{locale.Prefs{}, "de-AT,de;q=0.9,en;q=0.5", locale.Prefs{Language: "de", Clock: "24", Distance: "km", Degrees: "C"}},
		{locale.Prefs{}, "en-US,en;q=0.5", locale.Prefs{Language: "en-US", Clock: "12", Distance: "mi", Degrees: "F"}},
		{locale.Prefs{}, "en-GB", locale.Prefs{Language: "en", Clock: "24", Distance: "km", Degrees: "C"}},
		{locale.Prefs{}, "xx;q=nonsense", locale.Prefs{Language: "en", Clock: "24", Distance: "km", Degrees: "C"}},
		{locale.Prefs{Language: "de", Clock: "12", Distance: "mi"}, "en-US", locale.Prefs{Language: "de", Clock: "12", Distance: "mi", Degrees: "C"}},
		{locale.Prefs{Language: "tlh", Clock: "25"}, "de", locale.Prefs{Language: "de", Clock: "24", Distance: "km", Degrees: "C"}},
	} {
		if got := locale.Choose(c.chosen, c.accept).Prefs; got != c.want {
			t.Errorf("Choose(%+v, %q) = %+v, want %+v", c.chosen, c.accept, got, c.want)
		}
	}
}

func TestDatesAndUnits(t *testing.T) {
	at := time.Date(2026, 2, 17, 15, 4, 0, 0, time.UTC)
	en, de, us := locale.Choose(locale.Prefs{Language: "en"}, ""), locale.Choose(locale.Prefs{Language: "de"}, ""), locale.Choose(locale.Prefs{Language: "en-US"}, "")
	for _, c := range []struct{ got, want string }{
		{en.Date(at, "Mon 2 January 2006"), "Tue 17 February 2026"},
		{de.Date(at, "Mon 2 January 2006"), "Di 17. Februar 2026"},
		{us.Date(at, "Mon 2 January 2006"), "Tue, February 17, 2026"},
		{en.Clock(at), "15:04"}, {us.Clock(at), "3:04 pm"},
		{en.When(at.AddDate(0, 0, 1), at), "tomorrow 15:04"},
		{de.When(at.AddDate(0, 0, 1), at), "morgen 15:04"},
		{en.When(at.AddDate(0, 0, 3), at), "Fri 15:04"},
		{en.When(at.AddDate(0, 0, 30), at), "Thu 19 Mar 15:04"},
		{en.When(at.AddDate(1, 0, 0), at), "17 Feb 2027 15:04"},
		{en.Minutes(95 * time.Minute), "1 h 35 min"}, {en.Minutes(-time.Hour), "−1 h"}, {en.Minutes(50 * time.Hour), "2 days"},
		{en.Distance(12.5, 1), "12.5 km"}, {de.Distance(12.5, 1), "12,5 km"},
		// The international mile is 1,609.344 m exactly.
		{us.Distance(160.9344, 1), "100.0 mi"},
		{us.Temperature(-40, 0), "-40 °F"}, {us.Temperature(100, 0), "212 °F"}, {de.Temperature(21.5, 1), "21,5 °C"},
		{en.N("%d unit", "%d units", 1, 1), "1 unit"}, {en.N("%d unit", "%d units", 0, 0), "0 units"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// TestMissingMessagesAreEnglish: nothing is ever left out.
func TestMissingMessagesAreEnglish(t *testing.T) {
	const never = "no file has this message: %d %s"
	for _, l := range locale.Languages() {
		if got, want := l.T(never, 1, "x"), fmt.Sprintf(never, 1, "x"); got != want {
			t.Errorf("%s: %q, want %q", l.Tag, got, want)
		}
		if got := l.Word("100 % of nothing"); got != "100 % of nothing" {
			t.Errorf("%s: %q", l.Tag, got)
		}
	}
}
