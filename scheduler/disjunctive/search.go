package disjunctive

import (
	"context"
	"fmt"
	"math"
	"sync"
)

// Options bound and seed a search.
type Options struct {
	// Schedules is how many are planned in all. It decides how many searches
	// run side by side; Run decides how many are made.
	Schedules int
	Seed      uint64
	// Threads is how many searches run at once; 0 means 1. The result does
	// not depend on it.
	Threads int
}

// Search is an improvement in progress. It is for one goroutine at a time.
type Search struct {
	c       *compiled
	islands []island
	threads int
	bound   int64
	best    solution
	g       *graph
	used    []int
}

// island is a search by itself.
type island interface {
	// advance generates up to limit schedules, until ctx ends or the cost is
	// at most bound, and says how many they were.
	advance(ctx context.Context, limit int, bound int64) int
	best() *solution
	admit(*solution)
	// begin is where to start from.
	begin(*solution)
}

// Islands are used from this many schedules on; fewer are better spent on one.
const (
	islands    = 4
	islandsMin = 20_000
)

// New prepares a search. The problem must not change while it is used.
func New(p *Problem, o Options) (*Search, error) {
	c, err := compile(p)
	if err != nil {
		return nil, err
	}
	if cols, _ := c.columns(); !c.spanOnly && !c.oneSequence() && len(cols)*c.ops > cellsMax {
		return nil, fmt.Errorf("disjunctive: %d operations for %d jobs with a price are more than %d pairs", c.ops, len(cols), cellsMax)
	}
	s := &Search{c: c, threads: max(1, o.Threads), bound: c.bound(), best: newSolution(c), g: newGraph(c)}
	n := 1
	if o.Schedules >= islandsMin {
		n = islands
	}
	for i := range n {
		if c.oneSequence() {
			s.islands = append(s.islands, newSequencer(c, o.Seed, uint64(i)))
		} else {
			b := newBreeder(c, o.Seed, uint64(i))
			b.alone = n == 1
			s.islands = append(s.islands, b)
		}
	}
	s.used = make([]int, n)
	return s, nil
}

// Start lets the search begin from a known schedule: operations in an order in
// which no lag points backwards, and their ways. It is for before the first Run.
func (s *Search) Start(order, ways []int) {
	if len(order) != s.c.ops || len(ways) != s.c.ops {
		return
	}
	start := newSolution(s.c)
	for i, v := range order {
		start.list[i], start.way[v] = int32(v), int32(ways[v])
	}
	for _, b := range s.islands {
		b.begin(&start)
	}
}

// Run generates up to n further schedules and says how many it generated: fewer
// when ctx ends or when the best is proved optimal. It says whether the best
// became better.
func (s *Search) Run(ctx context.Context, n int) (used int, better bool) {
	clear(s.used)
	s.each(func(i int) {
		share := n / len(s.islands)
		if i < n%len(s.islands) {
			share++
		}
		s.used[i] = s.islands[i].advance(ctx, share, s.bound)
	})
	for i := range s.islands {
		used += s.used[i]
		if b := s.islands[i].best(); b.cost < s.best.cost {
			s.best.copy(b)
			better = true
		}
	}
	if len(s.islands) > 1 {
		s.exchange(better)
	}
	return used, better
}

// exchange lets all islands go on from the same solutions.
func (s *Search) exchange(better bool) {
	first, ok := s.islands[0].(*breeder)
	if !ok {
		if better {
			for _, b := range s.islands {
				b.admit(&s.best)
			}
		}
		return
	}
	bred := first.bred
	for _, other := range s.islands[1:] {
		b := other.(*breeder)
		bred += b.bred
		for i := range b.filled {
			first.admit(&b.pop[i])
		}
	}
	if bred > breedsMax {
		for _, b := range s.islands {
			b.(*breeder).renew()
		}
	}
	for _, other := range s.islands[1:] {
		b := other.(*breeder)
		for i := range first.filled {
			b.pop[i].copy(&first.pop[i])
		}
		b.filled = first.filled
	}
}

// each does f for all islands, on at most s.threads goroutines.
func (s *Search) each(f func(i int)) {
	n := min(s.threads, len(s.islands))
	if n < 2 {
		for i := range s.islands {
			f(i)
		}
		return
	}
	next := make(chan int, len(s.islands))
	for i := range s.islands {
		next <- i
	}
	close(next)
	var all sync.WaitGroup
	for range n {
		all.Go(func() {
			for i := range next {
				f(i)
			}
		})
	}
	all.Wait()
}

// Best is the best schedule so far, nil before one is taken up.
func (s *Search) Best() *Schedule {
	if s.best.cost == math.MaxInt64 {
		return nil
	}
	return s.best.schedule(s.g)
}

// Bound is a proved lower limit on the cost.
func (s *Search) Bound() int64 { return s.bound }

// Optimal says that the best is proved optimal.
func (s *Search) Optimal() bool { return s.best.cost <= s.bound }
