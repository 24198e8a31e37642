package locale_test

import (
	"encoding/json"
	"testing"
	"time"

	"tickover/queue/said"
	"tickover/services/floor/locale"
)

func TestSaidLater(t *testing.T) {
	s := locale.Say("%s: %s", locale.Say("closed: %s", "rain"), 36*time.Hour)
	if got := locale.Choose(locale.Prefs{Language: "en"}, "").Say(s); got != "closed: rain: 1 day" {
		t.Errorf("English: %q", got)
	}
	if got := locale.Choose(locale.Prefs{Language: "de"}, "").Say(s); got != "gesperrt: rain: 1 Tag" {
		t.Errorf("German: %q", got)
	}
	if got := locale.Choose(locale.Prefs{}, "").Say(locale.Said{}); got != "" {
		t.Errorf("nothing is said as %q", got)
	}
}

// TestTimesAreTheReaders: what came over the wire is told in the reader's
// language, clock and day.
func TestTimesAreTheReaders(t *testing.T) {
	shop, err := time.LoadLocation("Europe/Copenhagen")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 2, 17, 8, 30, 0, 0, time.UTC).In(shop)
	b, err := json.Marshal(said.Say("%s is taken by %s until %s", "Interface 1", said.Say("“%s” of %s", "Flash", "T-2"), said.When(now.Add(24*time.Hour), now)))
	if err != nil {
		t.Fatal(err)
	}
	var s said.Text
	if err := json.Unmarshal(b, &s); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		prefs locale.Prefs
		now   time.Time
		want  string
	}{
		{locale.Prefs{Language: "en"}, now, "Interface 1 is taken by “Flash” of T-2 until tomorrow 09:30"},
		{locale.Prefs{Language: "en", Clock: "12"}, now, "Interface 1 is taken by “Flash” of T-2 until tomorrow 9:30 am"},
		{locale.Prefs{Language: "de"}, now, "Interface 1 ist bis morgen 09:30 von „Flash“ (T-2) belegt"},
		// The plan is as old as the morning before.
		{locale.Prefs{Language: "de", Clock: "12"}, now.Add(24 * time.Hour), "Interface 1 ist bis 9:30 am von „Flash“ (T-2) belegt"},
	} {
		l := locale.Choose(c.prefs, "")
		l.Now = c.now
		if got := l.Say(s); got != c.want {
			t.Errorf("%+v: %q, want %q", c.prefs, got, c.want)
		}
	}
}
