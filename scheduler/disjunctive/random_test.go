package disjunctive

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// shape says what a drawn problem may have.
type shape struct {
	ops, machines, jobs int
	flexible, anyLag    bool
	weights             Weights
}

// draw makes a small problem. Lags run from lower to higher operations.
func draw(r *rand.Rand, s shape) *Problem {
	p := &Problem{Machines: s.machines, Weights: s.weights, Origin: int64(r.IntN(3))}
	for range s.jobs {
		p.Jobs = append(p.Jobs, Job{Release: int64(r.IntN(4)), Due: int64(r.IntN(25)), HasDue: r.IntN(5) > 0, Weight: int64(r.IntN(4))})
	}
	for range s.ops {
		o := Operation{Job: r.IntN(s.jobs), Release: int64(r.IntN(6))}
		n := 1
		if s.flexible {
			n += r.IntN(3)
		}
		for range n {
			o.Ways = append(o.Ways, Way{Machine: r.IntN(s.machines+1) - 1, Duration: int64(r.IntN(8))})
			if r.IntN(8) > 0 && o.Ways[len(o.Ways)-1].Machine < 0 {
				o.Ways[len(o.Ways)-1].Machine = 0
			}
		}
		p.Operations = append(p.Operations, o)
	}
	for range r.IntN(s.ops + 1) {
		a, b := r.IntN(s.ops), r.IntN(s.ops)
		if a == b {
			continue
		}
		l := Lag{From: min(a, b), To: max(a, b)}
		if s.anyLag {
			l.FromStart, l.ToEnd, l.Min = r.IntN(2) == 0, r.IntN(2) == 0, int64(r.IntN(9)-3)
		}
		p.Lags = append(p.Lags, l)
	}
	return p
}

// seeded is the source of a test; every message names the seed.
func seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 2)) }

// starts gives each operation of a topological list its earliest start behind
// what is before it on its machine, and prices the result. It shares nothing
// with the graph.
func starts(p *Problem, list, way []int) (start []int64, cost int64) {
	start = make([]int64, len(list))
	free := make([]int64, p.Machines)
	for m := range free {
		free[m] = p.Origin
	}
	duration := func(v int) int64 { return p.Operations[v].Ways[way[v]].Duration }
	for _, v := range list {
		o := &p.Operations[v]
		t := max(p.Origin, o.Release)
		for _, l := range p.Lags {
			if l.To != v {
				continue
			}
			at := start[l.From] + l.Min
			if !l.FromStart {
				at += duration(l.From)
			}
			if l.ToEnd {
				at -= duration(v)
			}
			t = max(t, at)
		}
		if m := o.Ways[way[v]].Machine; m >= 0 {
			t = max(t, free[m])
			free[m] = t + duration(v)
		}
		start[v] = t
	}
	return start, objective(p, way, start)
}

func objective(p *Problem, way []int, start []int64) int64 {
	span := p.Origin
	finish := make([]int64, len(p.Jobs))
	for j := range finish {
		finish[j] = math.MinInt64
	}
	for v := range p.Operations {
		end := start[v] + p.Operations[v].Ways[way[v]].Duration
		span = max(span, end)
		finish[p.Operations[v].Job] = max(finish[p.Operations[v].Job], end)
	}
	cost := p.Weights.Makespan * (span - p.Origin)
	for j, f := range finish {
		if f == math.MinInt64 {
			f = p.Jobs[j].Release
		}
		cost += p.Weights.Flow * p.Jobs[j].Weight * (f - p.Jobs[j].Release)
		if p.Jobs[j].HasDue {
			cost += p.Weights.Tardiness * p.Jobs[j].Weight * max(0, f-p.Jobs[j].Due)
		}
	}
	return cost
}

// best tries every list and every choice of ways.
func best(p *Problem) int64 {
	n := len(p.Operations)
	least := int64(math.MaxInt64)
	way, used, list := make([]int, n), make([]bool, n), make([]int, 0, n)
	var orders, ways func(k int)
	orders = func(k int) {
		if k == n {
			_, cost := starts(p, list, way)
			least = min(least, cost)
			return
		}
	next:
		for v := range n {
			if used[v] {
				continue
			}
			for _, l := range p.Lags {
				if l.To == v && !used[l.From] {
					continue next
				}
			}
			used[v] = true
			list = append(list, v)
			orders(k + 1)
			list = list[:k]
			used[v] = false
		}
	}
	ways = func(k int) {
		if k == n {
			orders(0)
			return
		}
		for way[k] = range p.Operations[k].Ways {
			ways(k + 1)
		}
	}
	ways(0)
	return least
}

// verify says what is wrong with a schedule.
func verify(p *Problem, s *Schedule) error {
	end := func(v int) int64 { return s.Start[v] + p.Operations[v].Ways[s.Way[v]].Duration }
	seen := make([]bool, len(p.Operations))
	for i, v := range s.Order {
		if seen[v] || i > 0 && s.Start[v] < s.Start[s.Order[i-1]] {
			return fmt.Errorf("order %v of starts %v", s.Order, s.Start)
		}
		seen[v] = true
	}
	for v := range p.Operations {
		if s.Start[v] < max(p.Origin, p.Operations[v].Release) {
			return fmt.Errorf("%d starts before its release", v)
		}
		m := p.Operations[v].Ways[s.Way[v]].Machine
		for u := range v {
			if m >= 0 && m == p.Operations[u].Ways[s.Way[u]].Machine && s.Start[u] < end(v) && s.Start[v] < end(u) {
				return fmt.Errorf("%d and %d overlap on machine %d", u, v, m)
			}
		}
	}
	for i, l := range p.Lags {
		a, b := end(l.From), s.Start[l.To]
		if l.FromStart {
			a = s.Start[l.From]
		}
		if l.ToEnd {
			b = end(l.To)
		}
		if a+l.Min > b {
			return fmt.Errorf("lag %d is broken", i)
		}
	}
	if cost := objective(p, s.Way, s.Start); cost != s.Cost {
		return fmt.Errorf("cost %d, said %d", cost, s.Cost)
	}
	return nil
}

// readJobShop reads the format of Fisher & Thompson from testdata.
func readJobShop(t testing.TB, file string) *Problem {
	t.Helper()
	text, err := os.ReadFile("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var rest []byte
	in := bufio.NewScanner(bytes.NewReader(text))
	for in.Scan() {
		if !bytes.HasPrefix(in.Bytes(), []byte("#")) {
			rest = append(append(rest, in.Bytes()...), '\n')
		}
	}
	data := bytes.NewReader(rest)
	next := func() (n int) {
		if _, err := fmt.Fscan(data, &n); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		return n
	}
	jobs, machines := next(), next()
	p := &Problem{Machines: machines, Weights: Weights{Makespan: 1}}
	for j := range jobs {
		p.Jobs = append(p.Jobs, Job{})
		for k := range machines {
			p.Operations = append(p.Operations, Operation{Job: j, Ways: []Way{{Machine: next(), Duration: int64(next())}}})
			if v := len(p.Operations) - 1; k > 0 {
				p.Lags = append(p.Lags, Lag{From: v - 1, To: v})
			}
		}
	}
	return p
}
