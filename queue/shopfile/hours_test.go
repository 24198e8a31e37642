package shopfile

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/queue"
)

func TestLongest(t *testing.T) {
	at := func(spans ...string) (w queue.Week) {
		for _, s := range spans {
			span, problem := parseSpan(s)
			if problem != "" {
				t.Fatal(problem)
			}
			w[time.Monday] = append(w[time.Monday], span)
		}
		return w
	}
	tuesday := func(s string) (w queue.Week) {
		w[time.Tuesday] = at(s)[time.Monday]
		return w
	}
	for name, c := range map[string]struct {
		week, breaks queue.Week
		want         time.Duration
	}{
		"never":                 {queue.Week{}, queue.Week{}, 0},
		"one span":              {at("08:00-17:00"), queue.Week{}, 9 * time.Hour},
		"two that touch":        {at("12:00-17:00", "08:00-12:00"), queue.Week{}, 9 * time.Hour},
		"a break":               {at("08:00-17:00"), at("12:00-12:45"), 4*time.Hour + 15*time.Minute},
		"breaks at the edges":   {at("08:00-17:00"), at("16:00-18:00", "07:00-09:00"), 7 * time.Hour},
		"a break of all of it":  {at("08:00-17:00"), at("08:00-17:00"), 0},
		"over midnight":         {at("22:00-06:00"), queue.Week{}, 8 * time.Hour},
		"a break past midnight": {at("22:00-06:00"), tuesday("02:00-02:30"), 4 * time.Hour},
	} {
		if got := minutes(longest(c.week, c.breaks)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

func TestDays(t *testing.T) {
	for s, want := range map[string]int{"mon": 1, "mon-fri": 5, "sat-sun": 2, "fri-mon": 4, "daily": 7, "mon, wed": 2, "mon-tue, thu": 3} {
		if days, ok := parseDays(s); !ok || len(days) != want {
			t.Errorf("%q gave %v, %v", s, days, ok)
		}
	}
	for _, s := range []string{"", "monday", "mon-", "-", "mon,mon", "mon-fri, wed", "MON", "mon–fri"} {
		if days, ok := parseDays(s); ok {
			t.Errorf("%q gave %v", s, days)
		}
	}
}

// What is written is read back.
func TestDurationsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(0, 400*24*3600).Draw(t, "s")) * time.Second
		if back, ok := parseDuration(writeDuration(d)); !ok || back != d {
			t.Fatalf("%s is written %q and read back as %s", d, writeDuration(d), back)
		}
	})
	for _, s := range []string{"", "5", "m", "-5m", "5m1h", "1.5h", "5 m", "5M", "1w", "99999999999999999999m"} {
		if d, ok := parseDuration(s); ok {
			t.Errorf("%q gave %s", s, d)
		}
	}
}
