package almanac_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/services/almanac"
	"tickover/testdata"
)

func larkmoor(t *testing.T) (*almanac.Almanac, *queue.Shop) {
	t.Helper()
	shop, _, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	a, err := almanac.New(shop)
	if err != nil {
		t.Fatal(err)
	}
	return a, shop
}

func at(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s) // GMT is the shop's clock in winter
	if err != nil {
		panic(err)
	}
	return t
}

// TestConditions: what a command is judged by at moments of the demo shop's
// days, as its file says: open 08:00-17:30 and Saturdays 08:30-13:00, quiet
// before 09:00 and 12:30-13:30, dark some time after 17.
func TestConditions(t *testing.T) {
	a, shop := larkmoor(t)
	st := queue.NewState(shop.Site)
	st.Closures["p1"] = []queue.Closure{{From: at("2026-02-18 10:00"), Until: at("2026-02-18 11:00"), Reason: "ice"}}
	for _, c := range []struct {
		now, closes, padUntil, why string
	}{
		{"2026-02-17 10:00", "2026-02-17 17:30", "2026-02-17 12:30", "quiet hours until 13:30"},
		{"2026-02-17 08:30", "2026-02-17 17:30", "", "quiet hours until 09:00"},
		{"2026-02-17 12:30", "2026-02-17 17:30", "", "quiet hours until 13:30"},
		{"2026-02-17 19:00", "", "", "shop closed until tomorrow 08:00"},
		{"2026-02-18 10:30", "2026-02-18 17:30", "", "closed for ice until 11:00"},
		{"2026-02-18 09:30", "2026-02-18 17:30", "2026-02-18 10:00", "closed for ice until 11:00"},
		{"2026-02-21 12:00", "2026-02-21 13:00", "2026-02-21 12:30", "quiet hours until 13:30"},
		{"2026-02-22 12:00", "", "", ""}, // Sunday: shut and quiet
	} {
		got := a.Conditions(st, at(c.now), time.Time{})
		if want := optional(c.closes); !got.ClosesAt.Equal(want) {
			t.Errorf("%s: closes at %v, want %v", c.now, got.ClosesAt, want)
		}
		w := got.Outdoor["p1"]
		if want := optional(c.padUntil); !w.Until.Equal(want) {
			t.Errorf("%s: pad open until %v, want %v", c.now, w.Until, want)
		}
		if c.why != "" && !strings.Contains(w.Why.String(), c.why) {
			t.Errorf("%s: the pad says %q, want %q", c.now, w.Why.String(), c.why)
		}
	}
}

// TestShiftsLieWithinTheShop: a technician's hours end where the shop's do,
// and days away and absences are taken out.
func TestShiftsLieWithinTheShop(t *testing.T) {
	a, _ := larkmoor(t)
	from, to := at("2026-02-16 00:00"), at("2026-02-23 00:00")
	open := a.Open(from, to)
	for _, id := range []queue.PersonID{"ruth", "tomas", "ines", "kofi"} {
		for _, iv := range a.Shifts(id, nil, from, to) {
			if !open.Covers(iv) {
				t.Errorf("%s works %v while the shop is shut", id, iv)
			}
		}
	}
	if got := a.Shifts("kofi", nil, at("2026-02-20 00:00"), at("2026-02-21 00:00")); len(got) != 0 {
		t.Errorf("kofi is away on the 20th and works %v", got)
	}
	sick := []queue.Closure{{From: at("2026-02-17 00:00"), Until: at("2026-02-17 12:00"), Reason: "sick"}}
	if got := a.Shifts("ruth", sick, at("2026-02-17 00:00"), at("2026-02-18 00:00")); len(got) != 1 || !got[0].Start.Equal(at("2026-02-17 12:00")) {
		t.Errorf("ruth is sick until noon and works %v", got)
	}
}

func optional(s string) time.Time {
	if s == "" {
		return time.Time{}
	}
	return at(s)
}

// TestTheSkyIsRemembered: an almanac that was asked before, in any order, says
// what a new one says, of the sky and of the shop's hours.
func TestTheSkyIsRemembered(t *testing.T) {
	a, shop := larkmoor(t)
	st := queue.NewState(shop.Site)
	rng := rand.New(rand.NewPCG(1, 0))
	for range 300 {
		now := at("2026-02-20 00:00").Add(time.Duration(rng.IntN(4*24*60)) * time.Minute)
		fresh, err := almanac.New(shop)
		if err != nil {
			t.Fatal(err)
		}
		got, want := a.Conditions(st, now, time.Time{}), fresh.Conditions(st, now, time.Time{})
		if !got.ClosesAt.Equal(want.ClosesAt) {
			t.Fatalf("at %v: closes %v, want %v", now, got.ClosesAt, want.ClosesAt)
		}
		for id, w := range want.Outdoor {
			if g := got.Outdoor[id]; !g.Until.Equal(w.Until) || g.Why.String() != w.Why.String() {
				t.Fatalf("%s at %v: open until %v (%s), want %v (%s)", id, now, g.Until, g.Why, w.Until, w.Why)
			}
		}
	}
}
