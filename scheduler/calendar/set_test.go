package calendar

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The brute force of these properties is a row of minutes: open or not.
const worldMinutes = 120

var worldStart = time.Date(2026, 2, 14, 0, 0, 0, 0, time.UTC)

type minutes [worldMinutes]bool

func at(minute int) time.Time { return worldStart.Add(time.Duration(minute) * time.Minute) }

func drawIntervals(t *rapid.T, name string) []Interval {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Interval {
		return Interval{at(rapid.IntRange(0, worldMinutes).Draw(t, "start")), at(rapid.IntRange(0, worldMinutes).Draw(t, "end"))}
	}), 0, 12).Draw(t, name)
}

func paint(intervals []Interval) (m minutes) {
	for i := range m {
		for _, v := range intervals {
			m[i] = m[i] || v.Contains(at(i))
		}
	}
	return m
}

func checkSet(t interface{ Fatalf(string, ...any) }, s Set) {
	for i, v := range s {
		if v.Empty() {
			t.Fatalf("interval %d of %v is empty", i, s)
		}
		if i > 0 && !s[i-1].End.Before(v.Start) {
			t.Fatalf("intervals %d and %d of %v touch or overlap", i-1, i, s)
		}
	}
}

func TestAlgebraEqualsMinuteByMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawIntervals(t, "a"), drawIntervals(t, "b")
		s, u := NewSet(a...), NewSet(b...)
		x, y := paint(a), paint(b)
		for _, op := range []struct {
			name string
			got  Set
			want func(i int) bool
		}{
			{"new", s, func(i int) bool { return x[i] }},
			{"union", s.Union(u), func(i int) bool { return x[i] || y[i] }},
			{"intersect", s.Intersect(u), func(i int) bool { return x[i] && y[i] }},
			{"subtract", s.Subtract(u), func(i int) bool { return x[i] && !y[i] }},
			{"clip", s.Clip(at(30), at(90)), func(i int) bool { return x[i] && i >= 30 && i < 90 }},
		} {
			checkSet(t, op.got)
			total := time.Duration(0)
			for i := range worldMinutes {
				if op.got.Contains(at(i)) != op.want(i) {
					t.Fatalf("%s: minute %d is %v", op.name, i, !op.want(i))
				}
				if op.want(i) {
					total += time.Minute
				}
			}
			if op.got.Total() != total {
				t.Fatalf("%s: total %s, want %s", op.name, op.got.Total(), total)
			}
		}
		if back := s.Subtract(u).Union(s.Intersect(u)); !equal(back, s) {
			t.Fatalf("(s−u) ∪ (s∩u) = %v, want %v", back, s)
		}
	})
}

func TestQuestionsEqualMinuteByMinute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawIntervals(t, "a")
		s, open := NewSet(a...), paint(a)
		i := rapid.IntRange(0, worldMinutes-1).Draw(t, "minute")

		next := i
		for next < worldMinutes && !open[next] {
			next++
		}
		if got, ok := s.NextOpen(at(i)); ok != (next < worldMinutes) || ok && !got.Equal(at(next)) {
			t.Fatalf("NextOpen(%d) = %v, %v, want minute %d", i, got, ok, next)
		}
		shuts := i
		for shuts < worldMinutes && open[shuts] {
			shuts++
		}
		if got, ok := s.OpenUntil(at(i)); ok != open[i] || ok && !got.Equal(at(shuts)) {
			t.Fatalf("OpenUntil(%d) = %v, %v, want minute %d", i, got, ok, shuts)
		}
		j := rapid.IntRange(0, worldMinutes).Draw(t, "end")
		if got, want := s.Covers(Interval{at(i), at(j)}), j <= shuts; got != want {
			t.Fatalf("Covers(%d, %d) = %v, want %v", i, j, got, want)
		}
	})
}

func TestOperationsLeaveTheirArguments(t *testing.T) {
	s := NewSet(Interval{at(0), at(10)}, Interval{at(20), at(30)})
	u := NewSet(Interval{at(5), at(25)})
	before := clockText(s) + " " + clockText(u)
	s.Union(u)
	s.Intersect(u)
	s.Subtract(u)
	s.Clip(at(2), at(22))
	if after := clockText(s) + " " + clockText(u); after != before {
		t.Errorf("changed from %s to %s", before, after)
	}
}

func TestRangeIsBounded(t *testing.T) {
	defer func() {
		if text, _ := recover().(string); !strings.Contains(text, "longer than RangeMax") {
			t.Errorf("panicked with %q", text)
		}
	}()
	Hours{}.Expand(nil, worldStart, worldStart.Add(RangeMax+time.Second))
}

func equal(a, b Set) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if !a[i].Start.Equal(b[i].Start) || !a[i].End.Equal(b[i].End) {
			return false
		}
	}
	return true
}

// clockText is 07:00-12:00 13:00-17:00, in each instant's own location.
func clockText(s Set) string {
	var parts []string
	for _, v := range s {
		parts = append(parts, v.Start.Format("15:04")+"-"+v.End.Format("15:04"))
	}
	return strings.Join(parts, " ")
}
