package model_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"tickover/scheduler/model"
)

func network(durations []model.Time, lags ...model.Lag) *model.Problem {
	p := &model.Problem{Horizon: 1000, Jobs: []model.Job{{ID: "j", Due: model.Unlimited}}, Lags: lags}
	for i, d := range durations {
		p.Activities = append(p.Activities, model.Activity{ID: model.ActivityID(rune('a' + i)), Job: "j", Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: d}}}}})
	}
	return p
}

// Lags that no schedule can keep are an error that names the cycle.
func TestContradictionIsNamed(t *testing.T) {
	p := network([]model.Time{10, 20, 30},
		model.Lag{From: "a", To: "b"}, model.Lag{From: "b", To: "c"},
		model.Lag{From: "a", To: "c", Limited: true, Max: 13})
	want := `activity "a": its lags contradict each other: "a" → "b" → "c" → "a" need 7 more than a maximum lag allows`
	var invalid *model.InvalidError
	if err := model.Validate(p); !errors.As(err, &invalid) || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
	p.Lags[2].Max = 20
	if err := model.Validate(p); err != nil {
		t.Errorf("lags that can be kept: %v", err)
	}
	p.Lags[2].Max = 13
	p.Activities[0].Progress = &model.Progress{Stretches: []model.StretchTime{{Start: -5, End: 5}}}
	if err := model.Validate(p); err != nil {
		t.Errorf("what has begun is a fact: %v", err)
	}
	split := network([]model.Time{10}, model.Lag{})
	split.Lags = nil
	split.Activities = append(split.Activities, model.Activity{ID: "b", Job: "j", Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: 5, Splittable: true}}}}})
	split.Lags = []model.Lag{{From: "b", To: "a", FromPoint: model.Start, Min: 9}, {From: "b", To: "a", Limited: true, Max: 1}}
	if err := model.Validate(split); err != nil {
		t.Errorf("work that may pause can last longer: %v", err)
	}
}

// On small networks a contradiction is found exactly when no start times keep
// all lags.
func TestContradictionAgainstBruteForce(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 1))
	found := 0
	for n := range 3000 {
		d := []model.Time{model.Time(r.IntN(4)), model.Time(r.IntN(4)), model.Time(r.IntN(4))}
		var lags []model.Lag
		for range 1 + r.IntN(4) {
			from := r.IntN(2)
			to := from + 1 + r.IntN(2-from)
			l := model.Lag{From: model.ActivityID(rune('a' + from)), To: model.ActivityID(rune('a' + to)), FromPoint: model.Point(r.IntN(2)),
				ToEnd: r.IntN(4) == 0, Min: model.Time(r.IntN(6) - 2), Limited: r.IntN(2) == 0}
			l.Max = l.Min + model.Time(r.IntN(3))
			lags = append(lags, l)
		}
		p := network(d, lags...)
		cycle, excess := model.Contradiction(p)
		possible := keeps(d, lags)
		if possible != (cycle == nil) {
			t.Fatalf("seed %d, case %d: durations %v, lags %+v: possible %v, cycle %v", seed, n, d, lags, possible, cycle)
		}
		if cycle != nil {
			found++
			if excess <= 0 {
				t.Fatalf("case %d: excess %d", n, excess)
			}
		}
	}
	if found < 300 {
		t.Errorf("only %d contradictions drawn", found)
	}
}

func keeps(d []model.Time, lags []model.Lag) bool {
	const most = 22
	for a := range model.Time(most) {
		for b := range model.Time(most) {
		next:
			for c := range model.Time(most) {
				s := map[model.ActivityID]model.Time{"a": a, "b": b, "c": c}
				e := map[model.ActivityID]model.Time{"a": a + d[0], "b": b + d[1], "c": c + d[2]}
				for _, l := range lags {
					x, y := e[l.From], s[l.To]
					if l.FromPoint == model.Start {
						x = s[l.From]
					}
					if l.ToEnd {
						y = e[l.To]
					}
					if y < x+l.Min || l.Limited && y > x+l.Max {
						continue next
					}
				}
				return true
			}
		}
	}
	return false
}

// A chain of many activities with maximum lags stays quick to validate, and a
// contradiction at its end is found.
func TestContradictionInALongChain(t *testing.T) {
	const n = 1500
	p := &model.Problem{Horizon: 1_000_000, Jobs: []model.Job{{ID: "j", Due: model.Unlimited}}}
	id := func(i int) model.ActivityID { return model.ActivityID(fmt.Sprintf("a%04d", i)) }
	for i := range n {
		p.Activities = append(p.Activities, model.Activity{ID: id(i), Job: "j", Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: 2}}}}})
		if i > 0 {
			p.Lags = append(p.Lags, model.Lag{From: id(i - 1), To: id(i), Limited: true, Max: 3})
		}
	}
	if err := model.Validate(p); err != nil {
		t.Fatal(err)
	}
	p.Lags = append(p.Lags, model.Lag{From: id(n - 3), To: id(n - 1), Limited: true, Max: 1})
	if err := model.Validate(p); err == nil || !strings.HasPrefix(err.Error(), `activity "a1497": its lags contradict each other`) {
		t.Errorf("got %v", err)
	}
}
