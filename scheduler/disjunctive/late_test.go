package disjunctive

import (
	"context"
	"testing"
)

// TestTailsToJobs: the longest path over any operation to the end of a job is
// no longer than its finish, and one is as long.
func TestTailsToJobs(t *testing.T) {
	for seed := range uint64(200) {
		r := seeded(seed)
		p := draw(r, shape{ops: 3 + r.IntN(15), machines: 1 + r.IntN(4), jobs: 4, flexible: seed%2 == 0, anyLag: seed%3 == 0, weights: Weights{1, 2, 3}})
		c, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		l := newLate(c, r)
		l.begin(anySolution(c, r))
		for range 40 {
			l.kick()
			l.look()
			for k := range l.cols {
				longest := int64(noPath)
				for v := range c.ops {
					longest = max(longest, l.g.n[v].r+l.row(int32(v))[k])
				}
				if longest != l.finish[k] {
					t.Fatalf("seed %d: the longest path to column %d is %d, it finishes at %d", seed, k, longest, l.finish[k])
				}
			}
			s := newSolution(c)
			s.take(l.g, 0)
			if _, want := starts(p, ints(s.list), ints(s.way)); want != l.price {
				t.Fatalf("seed %d: price %d, want %d", seed, l.price, want)
			}
		}
	}
}

// TestExchangesCostNoLess: an exchange of neighbours is never estimated above
// what it then costs.
func TestExchangesCostNoLess(t *testing.T) {
	tried := 0
	for seed := range uint64(300) {
		r := seeded(seed)
		p := draw(r, shape{ops: 4 + r.IntN(14), machines: 1 + r.IntN(3), jobs: 4, anyLag: seed%3 == 0, weights: Weights{1, 2, 3}})
		c, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		l := newLate(c, r)
		for range 20 {
			l.begin(anySolution(c, r))
			u := int32(r.IntN(c.ops))
			v := l.g.n[u].ms
			if v < 0 || !l.g.mayLead(v, u) {
				continue
			}
			l.choice = choice{top: candidate{est: never}}
			l.offerRun(u, v, 2, true)
			est := l.choice.top.est
			if !l.g.move(v, l.g.n[v].way, l.g.n[u].mp) {
				t.Fatalf("seed %d: an exchange that was offered closes a cycle", seed)
			}
			l.look()
			if est > l.price {
				t.Fatalf("seed %d: estimated at %d, costs %d", seed, est, l.price)
			}
			tried++
		}
	}
	if tried < 1000 {
		t.Errorf("only %d exchanges were tried", tried)
	}
}

// TestStart: a search never ends worse than where it was told to start.
func TestStart(t *testing.T) {
	for seed := range uint64(50) {
		r := seeded(seed)
		p := draw(r, shape{ops: 12, machines: 3, jobs: 4, flexible: true, weights: []Weights{{Makespan: 1}, {Tardiness: 1}}[seed%2]})
		s, err := New(p, Options{Schedules: 100, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		first := anySolution(s.c, r)
		order, ways := ints(first.list), ints(first.way)
		_, cost := starts(p, order, ways)
		s.Start(order, ways)
		if s.Run(context.Background(), 1); s.Best().Cost != cost && !s.Optimal() {
			t.Errorf("seed %d: the first schedule costs %d, was told to begin at %d", seed, s.Best().Cost, cost)
		}
		s.Run(context.Background(), 50)
		if err := verify(p, s.Best()); err != nil || s.Best().Cost > cost {
			t.Errorf("seed %d: %v, cost %d after %d", seed, err, s.Best().Cost, cost)
		}
	}
}
