package labour_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/metrics/labour"
)

var monday = time.Date(2026, 2, 16, 8, 0, 0, 0, time.UTC)

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// piece is work from an hour of Monday on, done at its end.
func piece(who, unit, op string, from, long, standard float64) labour.Piece {
	start, end := monday.Add(hours(from)), monday.Add(hours(from+long))
	return labour.Piece{Unit: unit, Step: op, Operation: op, Technician: who, Start: start, End: end, Standard: hours(standard), Done: end,
		Worked: []labour.Interval{{Start: start, End: end}}}
}

var week = labour.Window{Start: monday, End: monday.AddDate(0, 0, 7)}

// TestPublishedExample: 40 hours available, 34 worked and 42.5 produced are a
// productivity of 85 %, an efficiency of 125 % and a proficiency of 106.25 %,
// the guide values of the bulletin "Measuring Technician Performance"
// (wanada.org, quoting NADA) for factory times; the hours are derived from them.
// 50 hours billed in 40 are 125 % (calculatorshub.net, flat-rate page).
func TestPublishedExample(t *testing.T) {
	pieces := []labour.Piece{piece("ada", "T-1", "flash", 0, 20, 25), piece("ada", "T-2", "fit", 24, 14, 17.5)}
	r := labour.Measure(pieces, map[string]time.Duration{"ada": hours(40)}, week)
	s := r.Technicians[0]
	for _, c := range []struct {
		name string
		got  labour.Ratio
		want float64
	}{
		{"productivity", s.Productivity(), 0.85}, {"efficiency", s.Efficiency(), 1.25}, {"proficiency", s.Proficiency(), 1.0625},
		{"efficiency of 50 hours in 40", labour.Sum{Worked: hours(40), Produced: hours(50)}.Efficiency(), 1.25},
	} {
		if !c.got.OK || math.Abs(c.got.Value-c.want) > 1e-12 {
			t.Errorf("%s is %v, want %v", c.name, c.got, c.want)
		}
	}
	if (labour.Sum{}).Efficiency().OK || (labour.Sum{Worked: 1}).Productivity().OK {
		t.Error("a ratio of nothing is said")
	}
}

// TestDoubt: a stretch whose done was probably forgotten is shown, and counts
// neither as worked nor as produced.
func TestDoubt(t *testing.T) {
	for _, c := range []struct {
		long, standard float64
		shut           bool
		want           labour.Doubt
	}{
		{0.4, 0.1, false, labour.Sure}, {0.51, 0.1, false, labour.TooLong}, {4, 1, false, labour.Sure}, {4.01, 1, false, labour.TooLong},
		{2.5, 1, true, labour.OverClose}, {1.1, 1, true, labour.Sure}, {1, 0, false, labour.TooLong},
	} {
		p := piece("ada", "T-1", "x", 0, c.long, c.standard)
		var shut []labour.Interval
		if c.shut {
			shut = p.Worked
		}
		if got := p.Judge(shut); got != c.want {
			t.Errorf("%v h of %v h, shut %v: %v, want %v", c.long, c.standard, c.shut, got, c.want)
		}
	}
	forgotten := piece("ada", "T-1", "x", 0, 60, 1)
	forgotten.Doubt = forgotten.Judge(nil)
	s := labour.Measure([]labour.Piece{forgotten, piece("ada", "T-1", "x", 70, 2, 1)}, nil, week).All
	if s.Worked != hours(2) || s.Produced != hours(1) || s.Pieces != 1 || s.Doubted != 1 || s.Doubtful != hours(60) {
		t.Errorf("%+v", s)
	}
}

// TestSums: whichever way the work is summed, it comes to the same, days come
// to their week, and proficiency = productivity × efficiency.
func TestSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pieces := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) labour.Piece {
			name := rapid.SampledFrom([]string{"a", "b", "c"})
			p := piece(name.Draw(t, "who"), name.Draw(t, "unit"), name.Draw(t, "op"),
				float64(rapid.IntRange(-30, 200).Draw(t, "from")), float64(rapid.IntRange(0, 30).Draw(t, "long")), 1)
			if rapid.Bool().Draw(t, "failed") {
				p.Done = time.Time{}
			}
			p.Doubt = labour.Doubt(rapid.IntRange(0, 2).Draw(t, "doubt"))
			return p
		}), 0, 12).Draw(t, "pieces")
		available := map[string]time.Duration{"a": hours(40)}
		r := labour.Measure(pieces, available, week)
		for _, list := range [][]labour.Sum{r.Technicians, r.Operations, r.Units} {
			var sum labour.Sum
			for _, s := range list {
				sum.Worked, sum.Produced, sum.Doubtful, sum.Pieces = sum.Worked+s.Worked, sum.Produced+s.Produced, sum.Doubtful+s.Doubtful, sum.Pieces+s.Pieces
			}
			if sum.Worked != r.All.Worked || sum.Produced != r.All.Produced || sum.Doubtful != r.All.Doubtful || sum.Pieces != r.All.Pieces {
				t.Fatalf("%+v is not %+v", sum, r.All)
			}
		}
		var worked, produced time.Duration
		for d := range 7 {
			day := labour.Measure(pieces, nil, labour.Window{Start: monday.AddDate(0, 0, d), End: monday.AddDate(0, 0, d+1)})
			worked, produced = worked+day.All.Worked, produced+day.All.Produced
		}
		if worked != r.All.Worked || produced != r.All.Produced {
			t.Fatalf("the days come to %s and %s, the week to %s and %s", worked, produced, r.All.Worked, r.All.Produced)
		}
		if a, b, c := r.All.Productivity(), r.All.Efficiency(), r.All.Proficiency(); a.OK && b.OK && math.Abs(a.Value*b.Value-c.Value) > 1e-9 {
			t.Fatalf("%v × %v is not %v", a, b, c)
		}
	})
}
