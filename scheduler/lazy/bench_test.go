package lazy_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/lazy"
)

// project has so many activities, four resources that are short, and lags.
func project(n int) *lazy.Problem {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	p := &lazy.Problem{Capacity: []int64{12, 12, 12, 12}}
	for i := range n {
		m := lazy.Mode{Duration: 1 + r.Int64N(10), Demand: make([]int64, 4)}
		for k := range m.Demand {
			m.Demand[k] = r.Int64N(10)
		}
		p.Horizon += m.Duration
		p.Activities = append(p.Activities, lazy.Activity{Modes: []lazy.Mode{m}})
		for range 2 {
			if i > 0 {
				p.Lags = append(p.Lags, lazy.Lag{From: max(0, i-1-r.IntN(12)), To: i})
			}
		}
	}
	return p
}

// BenchmarkDescents is the cost of 1,000 descents on a project that is new.
func BenchmarkDescents(b *testing.B) {
	for _, n := range []int{30, 60, 120} {
		p := project(n)
		b.Run(fmt.Sprintf("activities=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			descents := 0
			for b.Loop() {
				s, err := lazy.New(p)
				if err != nil {
					b.Fatal(err)
				}
				for s.Descents() < 1000 {
					if s.Run(1000-s.Descents(), never) == lazy.Exhausted {
						break
					}
				}
				descents += s.Descents()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(descents), "ns/descent")
		})
	}
}

func TestSameResultTwice(t *testing.T) {
	p := project(40)
	var starts [2][]int64
	var descents [2]int
	for k := range starts {
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		for s.Descents() < 600 {
			if s.Run(600-s.Descents(), never) == lazy.Exhausted {
				break
			}
		}
		starts[k], _ = s.Schedule()
		descents[k] = s.Descents()
	}
	if descents[0] != descents[1] {
		t.Fatalf("%d and %d descents", descents[0], descents[1])
	}
	for i := range starts[0] {
		if starts[0][i] != starts[1][i] {
			t.Fatalf("activity %d starts at %d and at %d", i, starts[0][i], starts[1][i])
		}
	}
}

func TestLimitAndPatience(t *testing.T) {
	p := project(60)
	for _, limit := range []int{1, 2, 7, 100} {
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		s.Below(1 + s.Lower() + p.Horizon/3)
		if s.Run(limit, never); s.Descents() > limit {
			t.Errorf("%d descents; %d were allowed", s.Descents(), limit)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	s, err := lazy.New(p)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Run(1_000_000, func() bool { return ctx.Err() != nil }); got != lazy.Limit || s.Descents() > 1 {
		t.Errorf("a run without patience ended with %d after %d descents", got, s.Descents())
	}
}

func TestInputOutOfRange(t *testing.T) {
	for name, p := range map[string]*lazy.Problem{
		"no mode":           {Horizon: 9, Activities: []lazy.Activity{{}}},
		"negative duration": {Horizon: 9, Activities: []lazy.Activity{{Modes: []lazy.Mode{{Duration: -1}}}}},
		"missing demand":    {Horizon: 9, Capacity: []int64{1}, Activities: []lazy.Activity{{Modes: []lazy.Mode{{}}}}},
		"unknown activity":  {Horizon: 9, Lags: []lazy.Lag{{From: 0, To: 1}}, Activities: []lazy.Activity{{Modes: []lazy.Mode{{}}}}},
		"endless horizon":   {Horizon: 1 << 40},
		"end of two lengths": {Horizon: 9, Lags: []lazy.Lag{{From: 0, To: 1, ToEnd: true}}, Activities: []lazy.Activity{
			{Modes: []lazy.Mode{{}}}, {Modes: []lazy.Mode{{Duration: 1}, {Duration: 2}}}}},
	} {
		if _, err := lazy.New(p); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
