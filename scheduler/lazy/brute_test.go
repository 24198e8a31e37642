package lazy_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"tickover/scheduler/lazy"
)

func seedOf(t testing.TB) uint64 {
	seed := uint64(20260216)
	if v := os.Getenv("TICKOVER_SEED"); v != "" {
		n, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			t.Fatalf("TICKOVER_SEED: %v", err)
		}
		seed = n
	}
	t.Logf("TICKOVER_SEED=%d", seed)
	return seed
}

// draw makes a project small enough to enumerate.
func draw(r *rand.Rand) *lazy.Problem {
	n := 2 + r.IntN(3)
	p := &lazy.Problem{Horizon: int64(6 + r.IntN(6))}
	for range 1 + r.IntN(2) {
		p.Capacity = append(p.Capacity, int64(1+r.IntN(4)))
	}
	for range r.IntN(3) {
		p.Stock = append(p.Stock, int64(1+r.IntN(3*n)))
	}
	for range n {
		a := lazy.Activity{Release: int64(max(0, r.IntN(6)-3))}
		for range 1 + r.IntN(3) {
			m := lazy.Mode{Duration: int64(r.IntN(5)), Demand: make([]int64, len(p.Capacity)), Use: make([]int64, len(p.Stock))}
			for k := range m.Demand {
				m.Demand[k] = int64(r.IntN(4))
			}
			for k := range m.Use {
				m.Use[k] = int64(r.IntN(4))
			}
			a.Modes = append(a.Modes, m)
		}
		p.Activities = append(p.Activities, a)
	}
	for range r.IntN(n) {
		i := r.IntN(n - 1)
		j := i + 1 + r.IntN(n-1-i)
		l := lazy.Lag{From: i, To: j, FromStart: r.IntN(3) == 0, Min: int64(r.IntN(4) - 1)}
		l.ToEnd = len(p.Activities[j].Modes) == 1 && r.IntN(3) == 0
		p.Lags = append(p.Lags, l)
	}
	return p
}

// fault says which limit of p a schedule of its first activities breaks, ""
// for none.
func fault(p *lazy.Problem, start []int64, mode []int) string {
	end := func(i int) int64 { return start[i] + p.Activities[i].Modes[mode[i]].Duration }
	for i := range start {
		if start[i] < p.Activities[i].Release || end(i) > p.Horizon {
			return fmt.Sprintf("activity %d runs from %d to %d", i, start[i], end(i))
		}
	}
	for _, l := range p.Lags {
		if max(l.From, l.To) >= len(start) {
			continue
		}
		a, b := end(l.From), start[l.To]
		if l.FromStart {
			a = start[l.From]
		}
		if l.ToEnd {
			b = end(l.To)
		}
		if a+l.Min > b {
			return fmt.Sprintf("lag %+v", l)
		}
	}
	for r, c := range p.Stock {
		for i := range start {
			c -= p.Activities[i].Modes[mode[i]].Use[r]
		}
		if c < 0 {
			return fmt.Sprintf("stock %d falls short by %d", r, -c)
		}
	}
	for r, c := range p.Capacity {
		for t := range p.Horizon {
			sum := int64(0)
			for i := range start {
				if start[i] <= t && t < end(i) {
					sum += p.Activities[i].Modes[mode[i]].Demand[r]
				}
			}
			if sum > c {
				return fmt.Sprintf("resource %d is asked for %d at %d", r, sum, t)
			}
		}
	}
	return ""
}

func makespan(p *lazy.Problem, start []int64, mode []int) int64 {
	last := int64(0)
	for i := range start {
		last = max(last, start[i]+p.Activities[i].Modes[mode[i]].Duration)
	}
	return last
}

// within says that activity i may start at t in mode m.
func within(w *lazy.Window, i int, t int64, m int) bool {
	if w.Mode == nil {
		return true
	}
	return t >= w.Earliest[i] && (w.Latest[i] < 0 || t <= w.Latest[i]) && (w.Mode[i] < 0 || m == w.Mode[i])
}

// enumerate is the least makespan within a window, -1 for none. An activity of
// no duration holds nothing and is judged like the others.
func enumerate(p *lazy.Problem, w lazy.Window) int64 {
	n := len(p.Activities)
	start, mode := make([]int64, n), make([]int, n)
	best := int64(-1)
	var place func(i int)
	place = func(i int) {
		if i == n {
			if m := makespan(p, start, mode); best < 0 || m < best {
				best = m
			}
			return
		}
		for mode[i] = range p.Activities[i].Modes {
			d := p.Activities[i].Modes[mode[i]].Duration
			last := p.Horizon
			if best >= 0 {
				last = best - 1
			}
			for start[i] = p.Activities[i].Release; start[i]+d <= last; start[i]++ {
				if within(&w, i, start[i], mode[i]) && fault(p, start[:i+1], mode) == "" {
					place(i + 1)
				}
			}
		}
	}
	place(0)
	return best
}

func never() bool { return false }

// solve runs to the proof and returns the best makespan within a window, -1 for
// none.
func solve(t *testing.T, p *lazy.Problem, s *lazy.Solver, w lazy.Window, step int, between func(found int64)) int64 {
	t.Helper()
	s.Confine(w)
	best := int64(-1)
	for range 100_000 {
		switch s.Run(step, never) {
		case lazy.Exhausted:
			return best
		case lazy.Refuted:
			if w.Mode != nil {
				return best
			}
		case lazy.Found:
			start, mode := s.Schedule()
			for i := range start {
				if !within(&w, i, start[i], mode[i]) {
					t.Fatalf("activity %d starts at %d in mode %d: window %+v", i, start[i], mode[i], w)
				}
			}
			if f := fault(p, start, mode); f != "" {
				t.Fatalf("a schedule that breaks a limit: %s", f)
			}
			m := makespan(p, start, mode)
			if best >= 0 && m >= best {
				t.Fatalf("makespan %d after %d", m, best)
			}
			best = m
		}
		if between != nil {
			between(best)
		}
	}
	t.Fatal("no proof")
	return 0
}

func TestEqualsEnumeration(t *testing.T) {
	seed := seedOf(t)
	feasible, infeasible := 0, 0
	for k := range uint64(600) {
		p := draw(rand.New(rand.NewPCG(seed, k)))
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		want := enumerate(p, lazy.Window{})
		if got := solve(t, p, s, lazy.Window{}, 1000, nil); got != want {
			t.Fatalf("problem %d: makespan %d, enumeration %d: %+v", k, got, want, p)
		}
		if want < 0 {
			infeasible++
		} else {
			feasible++
		}
	}
	if feasible < 100 || infeasible < 50 {
		t.Fatalf("%d feasible and %d infeasible problems: the test is one-sided", feasible, infeasible)
	}
}

// drawWindow limits some of the activities on either side.
func drawWindow(r *rand.Rand, p *lazy.Problem) lazy.Window {
	var w lazy.Window
	for i := range p.Activities {
		w.Earliest = append(w.Earliest, int64(r.IntN(8)-4))
		w.Latest = append(w.Latest, int64(r.IntN(12)-4))
		w.Mode = append(w.Mode, r.IntN(len(p.Activities[i].Modes)+1)-1)
	}
	return w
}

// What a run says of a window is true of all schedules in it: the best one is
// found, and none is refuted that there is.
func TestWindowEqualsEnumeration(t *testing.T) {
	seed := seedOf(t)
	found, refuted := 0, 0
	for k := range uint64(600) {
		r := rand.New(rand.NewPCG(seed, k))
		p := draw(r)
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		w := drawWindow(r, p)
		for i := range w.Mode {
			w.Mode[i] = -1 // a mode that another one dominates would be no limit
		}
		got := solve(t, p, s, w, 1000, nil)
		if want := enumerate(p, w); got != want {
			t.Fatalf("problem %d: makespan %d in the window, enumeration %d: %+v %+v", k, got, want, p, w)
		}
		if got >= 0 {
			found++
		} else {
			refuted++
		}
	}
	if found < 100 || refuted < 50 {
		t.Fatalf("%d windows with a schedule and %d without: the test is one-sided", found, refuted)
	}
}

// Limits that come and go leave only clauses that are true without them.
func TestConfinedRunsLoseNothing(t *testing.T) {
	seed := seedOf(t)
	for k := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, k))
		p := draw(r)
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		want := enumerate(p, lazy.Window{})
		n := 0
		got := solve(t, p, s, lazy.Window{}, 2, func(int64) {
			if n++; n > 50 || n%2 == 0 {
				s.Confine(lazy.Window{})
				return
			}
			s.Confine(drawWindow(r, p))
		})
		if got != want {
			t.Fatalf("problem %d: makespan %d, enumeration %d: %+v", k, got, want, p)
		}
	}
}

// A schedule that guides may be good or bad; what is proved is the same.
func TestGuideAndBoundLoseNothing(t *testing.T) {
	seed := seedOf(t)
	for k := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, k))
		p := draw(r)
		s, err := lazy.New(p)
		if err != nil {
			t.Fatal(err)
		}
		start, mode := make([]int64, len(p.Activities)), make([]int, len(p.Activities))
		for i := range start {
			start[i], mode[i] = int64(r.IntN(9)), r.IntN(len(p.Activities[i].Modes))
		}
		s.Guide(start, mode)
		want, bound := enumerate(p, lazy.Window{}), int64(1+r.IntN(15))
		s.Below(bound)
		if want >= bound {
			want = -1
		}
		if got := solve(t, p, s, lazy.Window{}, 1000, nil); got != want {
			t.Fatalf("problem %d below %d: makespan %d, enumeration %d: %+v", k, bound, got, want, p)
		}
	}
}
