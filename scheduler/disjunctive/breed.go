package disjunctive

import (
	"context"
	"math"
	"math/rand/v2"
)

// breeder keeps a few good solutions and searches from what lies between two of
// them (path relinking in the manner of Peng, Lü & Cheng, Computers &
// Operations Research 53, 2015).
type breeder struct {
	c     *compiled
	r     *rand.Rand
	local local
	b     *builder
	hash  []uint64

	pop    []solution
	filled int
	bred   int // runs since the population was last drawn
	run    solution
	child  solution
	top    solution
	built  bool      // child is to be taken up
	busy   bool      // run is in progress
	start  *solution // of the next run, nil for none
	rank   []int32
	alone  bool // it decides itself when to draw a new population
	keep   bool // the best into the next population
}

// local is a search from one solution.
type local interface {
	// begin computes s and takes it up.
	begin(s *solution)
	// advance makes one step; false when there is none to make.
	advance() bool
	// state is the graph, its cost, and the steps since the best of this run.
	state() (g *graph, cost int64, since int)
}

// Sizes of the search, by what paid in trials on open sets.
const (
	populationMax = 5
	stallMin      = 1000
	stallMax      = 12000
	breedsMax     = 80
)

func newBreeder(c *compiled, seed, stream uint64) *breeder {
	r := rand.New(rand.NewPCG(seed, stream))
	b := &breeder{c: c, r: r, b: newBuilder(c), hash: make([]uint64, c.p.Machines), run: newSolution(c), child: newSolution(c),
		top: newSolution(c), rank: make([]int32, c.ops)}
	if c.spanOnly {
		b.local = newTabu(c, r)
	} else {
		b.local = newLate(c, r)
	}
	b.pop = make([]solution, populationMax)
	for i := range b.pop {
		b.pop[i] = newSolution(c)
	}
	return b
}

func (b *breeder) begin(s *solution) { b.start = s }

func (b *breeder) best() *solution { return &b.top }

func (b *breeder) advance(ctx context.Context, limit int, bound int64) int {
	used := 0
	for used < limit && b.top.cost > bound && ctx.Err() == nil {
		used++
		if !b.busy {
			switch {
			case b.start != nil:
				b.child.copy(b.start)
				b.start = nil
				b.takeUp()
			case b.built:
				b.takeUp()
			default:
				b.build()
			}
			continue
		}
		ok := b.local.advance()
		g, cost, since := b.local.state()
		if cost < b.run.cost {
			b.run.take(g, cost)
			if cost < b.top.cost {
				b.top.copy(&b.run)
			}
		}
		if !ok || since > b.stall() {
			b.settle()
		}
	}
	return used
}

func (b *breeder) stall() int { return min(stallMax, max(stallMin, 10*b.c.ops)) }

// build makes what the next run begins from: a new solution until the
// population is full, then one from between two.
func (b *breeder) build() {
	if b.alone && b.bred > breedsMax {
		b.renew()
	}
	if b.filled < len(b.pop) {
		b.draw(&b.child)
	} else {
		b.bred++
		i := b.r.IntN(len(b.pop))
		j := b.r.IntN(len(b.pop) - 1)
		if j >= i {
			j++
		}
		b.relink(&b.pop[i], &b.pop[j])
	}
	b.built = true
}

// takeUp begins a run from child.
func (b *breeder) takeUp() {
	b.local.begin(&b.child)
	g, cost, _ := b.local.state()
	b.run.take(g, cost)
	if cost < b.top.cost {
		b.top.copy(&b.run)
	}
	b.busy = true
}

// settle ends a run: its best takes the place of the worst, unless it is known.
func (b *breeder) settle() {
	b.busy, b.built = false, false
	b.run.sign(b.c, b.hash)
	b.admit(&b.run)
}

func (b *breeder) admit(s *solution) {
	worst := 0
	for i := range b.filled {
		if b.pop[i].key == s.key && b.pop[i].cost == s.cost {
			return
		}
		if b.pop[i].cost > b.pop[worst].cost {
			worst = i
		}
	}
	switch {
	case b.filled < len(b.pop):
		b.pop[b.filled].copy(s)
		b.filled++
	case s.cost <= b.pop[worst].cost:
		b.pop[worst].copy(s)
	}
}

// renew leaves the population to be drawn anew, every other time but for the
// best.
func (b *breeder) renew() {
	best := 0
	for i := range b.filled {
		if b.pop[i].cost < b.pop[best].cost {
			best = i
		}
	}
	b.pop[0], b.pop[best] = b.pop[best], b.pop[0]
	b.filled, b.bred = 0, 0
	if b.keep = !b.keep; b.keep {
		b.filled = 1
	}
}

// draw makes a new solution: the first one by the longest tail, others with
// noise.
func (b *breeder) draw(s *solution) {
	first := b.top.cost == math.MaxInt64
	for v := range b.b.key {
		t := b.c.tail[v]
		b.b.key[v] = -t
		if !first {
			b.b.key[v] -= b.r.Int64N(t + 2)
		}
	}
	b.b.dispatch(s)
}

// relink puts into child a solution between p and q: the operations in an order
// between the two orders, the ways from either.
func (b *breeder) relink(p, q *solution) {
	for i, v := range q.list {
		b.rank[v] = int32(i)
	}
	share := int64(30 + b.r.IntN(41)) // of q, in %
	spread := int64(1 + b.r.IntN(15))
	for i, v := range p.list {
		s := share + b.r.Int64N(2*spread+1) - spread
		b.b.key[v] = int64(i)*(100-s) + int64(b.rank[v])*s
		b.child.way[v] = p.way[v]
		if q.way[v] != p.way[v] && b.r.Int64N(100) < share {
			b.child.way[v] = q.way[v]
		}
	}
	b.b.list(&b.child)
}
