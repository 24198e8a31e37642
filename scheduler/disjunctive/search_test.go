package disjunctive

import (
	"context"
	"reflect"
	"testing"
)

// solve runs a search in rounds like a caller would.
func solve(t testing.TB, p *Problem, o Options, round int) (*Search, int) {
	t.Helper()
	s, err := New(p, o)
	if err != nil {
		t.Fatal(err)
	}
	used := 0
	for used < o.Schedules && !s.Optimal() {
		n := min(round, o.Schedules-used)
		k, _ := s.Run(context.Background(), n)
		if k > n || k == 0 && !s.Optimal() {
			t.Fatalf("asked for %d schedules, used %d", n, k)
		}
		used += k
	}
	return s, used
}

// TestSmallWorlds compares with every list and every choice of ways.
func TestSmallWorlds(t *testing.T) {
	for name, w := range map[string]Weights{
		"makespan": {Makespan: 1}, "tardiness": {Tardiness: 1}, "flow": {Flow: 1}, "all": {1, 2, 3},
	} {
		t.Run(name, func(t *testing.T) {
			for seed := range uint64(150) {
				r := seeded(seed)
				p := draw(r, shape{ops: 2 + r.IntN(5), machines: 1 + r.IntN(3), jobs: 1 + r.IntN(4), flexible: seed%2 == 0, anyLag: seed%3 == 0, weights: w})
				want := best(p)
				s, _ := solve(t, p, Options{Schedules: 4000, Seed: seed}, 1000)
				if err := verify(p, s.Best()); err != nil {
					t.Fatalf("seed %d: %v", seed, err)
				}
				if got := s.Best().Cost; got != want {
					t.Errorf("seed %d: cost %d, least is %d", seed, got, want)
				}
				if s.Bound() > want {
					t.Errorf("seed %d: bound %d above the least cost %d", seed, s.Bound(), want)
				}
			}
		})
	}
}

// TestOneSequence compares dynasearch with every sequence.
func TestOneSequence(t *testing.T) {
	for seed := range uint64(80) {
		r := seeded(seed)
		p := &Problem{Machines: 1, Weights: Weights{Makespan: int64(seed % 2), Tardiness: 1, Flow: int64(seed % 3)}}
		for j := range 2 + r.IntN(6) {
			p.Jobs = append(p.Jobs, Job{Due: int64(r.IntN(30)), HasDue: r.IntN(6) > 0, Weight: int64(r.IntN(5))})
			p.Operations = append(p.Operations, Operation{Job: j, Ways: []Way{{Duration: int64(r.IntN(9))}}})
		}
		s, _ := solve(t, p, Options{Schedules: 400, Seed: seed}, 100)
		if _, ok := s.islands[0].(*sequencer); !ok {
			t.Fatal("not taken for one sequence")
		}
		if err := verify(p, s.Best()); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if got, want := s.Best().Cost, best(p); got != want {
			t.Errorf("seed %d: cost %d, least is %d", seed, got, want)
		}
	}
}

func onOneMachine(durations, dues, weights []int64) *Problem {
	p := &Problem{Machines: 1, Weights: Weights{Tardiness: 1}}
	for j := range durations {
		p.Jobs = append(p.Jobs, Job{Due: dues[j], HasDue: true, Weight: weights[j]})
		p.Operations = append(p.Operations, Operation{Job: j, Ways: []Way{{Duration: durations[j]}}})
	}
	return p
}

func flowShop(times ...[2]int64) *Problem {
	p := &Problem{Machines: 2, Weights: Weights{Makespan: 1}}
	for j, d := range times {
		p.Jobs = append(p.Jobs, Job{})
		p.Operations = append(p.Operations, Operation{Job: j, Ways: []Way{{0, d[0]}}}, Operation{Job: j, Ways: []Way{{1, d[1]}}})
		p.Lags = append(p.Lags, Lag{From: 2 * j, To: 2*j + 1})
	}
	return p
}

// TestPublishedOptima: textbook examples and the 6×6 job shop.
func TestPublishedOptima(t *testing.T) {
	ones := []int64{1, 1, 1, 1, 1}
	for _, test := range []struct {
		name string
		p    *Problem
		want int64
	}{
		// Pinedo, Scheduling: the tabu-search example of total weighted tardiness.
		{"weighted tardiness", onOneMachine([]int64{10, 10, 13, 4}, []int64{4, 2, 1, 12}, []int64{14, 12, 1, 12}), 408},
		// Pinedo, Scheduling: the example of total tardiness.
		{"tardiness", onOneMachine([]int64{121, 79, 147, 83, 130}, []int64{260, 266, 266, 336, 337}, ones), 370},
		// Johnson's rule: Stevenson, Operations Management, example 16.4.
		{"flow shop of six", flowShop([2]int64{5, 5}, [2]int64{4, 3}, [2]int64{8, 9}, [2]int64{2, 7}, [2]int64{6, 8}, [2]int64{12, 15}), 51},
		{"flow shop of five", flowShop([2]int64{5, 8}, [2]int64{3, 9}, [2]int64{8, 7}, [2]int64{7, 2}, [2]int64{4, 6}), 35},
		{"job shop ft06", readJobShop(t, "ft06.txt"), 55},
	} {
		t.Run(test.name, func(t *testing.T) {
			s, used := solve(t, test.p, Options{Schedules: 5000, Seed: 1}, 1000)
			if err := verify(test.p, s.Best()); err != nil {
				t.Fatal(err)
			}
			if got := s.Best().Cost; got != test.want {
				t.Errorf("cost %d after %d schedules, optimum %d", got, used, test.want)
			}
		})
	}
}

// TestThreadsChangeNothing: the same rounds give the same schedule and the same
// count on 1, 2 and 4 threads.
func TestThreadsChangeNothing(t *testing.T) {
	shop := readJobShop(t, "ft06.txt")
	line := onOneMachine(nil, nil, nil)
	r := seeded(7)
	for j := range 40 {
		line.Jobs = append(line.Jobs, Job{Due: r.Int64N(1500), HasDue: true, Weight: 1 + r.Int64N(10)})
		line.Operations = append(line.Operations, Operation{Job: j, Ways: []Way{{Duration: 1 + r.Int64N(100)}}})
	}
	late := readJobShop(t, "ft06.txt")
	late.Weights = Weights{Tardiness: 1}
	for j := range late.Jobs {
		late.Jobs[j] = Job{Due: int64(20 + 5*j), HasDue: true, Weight: int64(1 + j)}
	}
	for name, p := range map[string]*Problem{"job shop": shop, "one machine": line, "late jobs": late} {
		t.Run(name, func(t *testing.T) {
			var first *Schedule
			var count int
			for _, threads := range []int{1, 2, 4} {
				s, used := solve(t, p, Options{Schedules: islandsMin, Seed: 3, Threads: threads}, 3000)
				if len(s.islands) < 2 {
					t.Fatal("there is one search only")
				}
				if first == nil {
					first, count = s.Best(), used
				}
				if got := s.Best(); used != count || !reflect.DeepEqual(got, first) {
					t.Errorf("%d threads: %d schedules, cost %d; one thread: %d, %d", threads, used, got.Cost, count, first.Cost)
				}
			}
		})
	}
}

// TestCountIsExact: unless an optimum is proved, as many schedules are
// generated as were asked for.
func TestCountIsExact(t *testing.T) {
	p := readJobShop(t, "ft06.txt")
	s, err := New(p, Options{Schedules: islandsMin, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []int{1, 2, 3, 5, 100, 777} {
		if used, _ := s.Run(context.Background(), n); used != n {
			t.Errorf("asked for %d, used %d", n, used)
		}
	}
}

// TestCancelled: a search whose context has ended makes nothing more and keeps
// what it has.
func TestCancelled(t *testing.T) {
	s, err := New(readJobShop(t, "ft06.txt"), Options{Schedules: 1 << 30, Seed: 1, Threads: 2})
	if err != nil {
		t.Fatal(err)
	}
	if s.Best() != nil {
		t.Error("a schedule before the first run")
	}
	s.Run(context.Background(), 100)
	was := s.Best()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if used, better := s.Run(ctx, 1<<20); used != 0 || better || !reflect.DeepEqual(s.Best(), was) {
		t.Errorf("used %d after the end", used)
	}
}

// TestBadProblems: what cannot be is refused with a word about it.
func TestBadProblems(t *testing.T) {
	for name, do := range map[string]func(p *Problem){
		"no operation":      func(p *Problem) { p.Operations = nil },
		"unknown job":       func(p *Problem) { p.Operations[0].Job = 9 },
		"no way":            func(p *Problem) { p.Operations[0].Ways = nil },
		"unknown machine":   func(p *Problem) { p.Operations[0].Ways[0].Machine = 6 },
		"negative duration": func(p *Problem) { p.Operations[0].Ways[0].Duration = -1 },
		"unknown operation": func(p *Problem) { p.Lags[0].To = 99 },
		"cycle":             func(p *Problem) { p.Lags = append(p.Lags, Lag{From: 1, To: 0}) },
		"negative weight":   func(p *Problem) { p.Jobs[0].Weight = -1 },
	} {
		p := readJobShop(t, "ft06.txt")
		do(p)
		if _, err := New(p, Options{Schedules: 1}); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func BenchmarkJobShop(b *testing.B) { benchmark(b, readJobShop(b, "ft06.txt")) }

func BenchmarkOneMachine(b *testing.B) {
	r := seeded(1)
	p := onOneMachine(nil, nil, nil)
	for j := range 40 {
		p.Jobs = append(p.Jobs, Job{Due: r.Int64N(1500), HasDue: true, Weight: 1 + r.Int64N(10)})
		p.Operations = append(p.Operations, Operation{Job: j, Ways: []Way{{Duration: 1 + r.Int64N(100)}}})
	}
	benchmark(b, p)
}

// benchmark measures one schedule.
func benchmark(b *testing.B, p *Problem) {
	s, err := New(p, Options{Schedules: 1000, Seed: 1})
	if err != nil {
		b.Fatal(err)
	}
	s.bound = -1 // goes on beyond the optimum
	s.Run(context.Background(), 1000)
	b.ReportAllocs()
	b.ResetTimer()
	s.Run(context.Background(), b.N)
}
