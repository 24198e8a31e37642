package disjunctive

import (
	"cmp"
	"math/bits"
	"slices"
)

// bound is a lower limit on the cost: jobs at their longest paths, and for the
// makespan what the machines have to do.
func (c *compiled) bound() int64 {
	head := c.leastHeads()
	finish := make([]int64, len(c.p.Jobs))
	span := c.p.Origin
	for j := range finish {
		finish[j] = c.p.Jobs[j].Release
		for k, v := range c.jobOps[c.jobOff[j]:c.jobOff[j+1]] {
			if e := head[v] + c.least[v]; k == 0 || e > finish[j] {
				finish[j] = e
			}
		}
	}
	for v := range head {
		span = max(span, head[v]+c.tail[v])
	}
	for m := range c.p.Machines {
		span = max(span, c.oneMachine(head, int32(m)))
	}
	return c.price(max(span, c.load(head)), finish)
}

// leastHeads are the longest paths to each start with least durations.
func (c *compiled) leastHeads() []int64 {
	head := make([]int64, c.ops)
	for _, v := range c.topological {
		head[v] = c.release[v]
		for _, a := range c.before(v) {
			u := a.other
			head[v] = max(head[v], head[u]+a.min+c.least[u]&a.from-c.most(v)&a.to)
		}
	}
	return head
}

// oneMachine is Jackson's preemptive bound: the operations that only m can do,
// with heads and tails, the longest tail first.
func (c *compiled) oneMachine(head []int64, m int32) int64 {
	var ops []int32
	for v := range c.ops {
		if !slices.ContainsFunc(c.waysOf(int32(v)), func(w way) bool { return w.machine != m }) {
			ops = append(ops, int32(v))
		}
	}
	slices.SortFunc(ops, func(a, b int32) int { return cmp.Or(cmp.Compare(head[a], head[b]), cmp.Compare(a, b)) })
	left := make([]int64, len(ops))
	for i, v := range ops {
		left[i] = c.least[v]
	}
	rest := func(i int) int64 { return c.tail[ops[i]] - c.least[ops[i]] }
	var bound, now int64
	for next, open := 0, []int(nil); next < len(ops) || len(open) > 0; {
		if len(open) == 0 {
			now = max(now, head[ops[next]])
		}
		for next < len(ops) && head[ops[next]] <= now {
			open = append(open, next)
			next++
		}
		k := 0
		for i := range open {
			if rest(open[i]) > rest(open[k]) {
				k = i
			}
		}
		i := open[k]
		run := left[i]
		if next < len(ops) {
			run = min(run, head[ops[next]]-now)
		}
		now += run
		if left[i] -= run; left[i] == 0 {
			bound = max(bound, now+rest(i))
			open = slices.Delete(open, k, k+1)
		}
	}
	return bound
}

// load is the work that a set of machines must share, for the sets that some
// operation may choose from and for all machines.
func (c *compiled) load(head []int64) int64 {
	words := (c.p.Machines + 63) / 64
	sets := make([][]uint64, 0, c.ops+1)
	all := make([]uint64, words)
	for v := range c.ops {
		if s := c.machinesOf(int32(v), words); s != nil {
			for i := range s {
				all[i] |= s[i]
			}
			if !slices.ContainsFunc(sets, func(o []uint64) bool { return slices.Equal(o, s) }) && len(sets) < setsMax {
				sets = append(sets, s)
			}
		}
	}
	var bound int64
	for _, set := range append(sets, all) {
		var sum, h, t int64 = 0, TimeMax, TimeMax
		for v := range c.ops {
			s := c.machinesOf(int32(v), words)
			if s == nil || !within(s, set) {
				continue
			}
			sum += c.least[v]
			h, t = min(h, head[v]), min(t, c.tail[v]-c.least[v])
		}
		if n := count(set); n > 0 && h < TimeMax {
			bound = max(bound, h+(sum+n-1)/n+t)
		}
	}
	return bound
}

// setsMax bounds the sets of machines that load looks at.
const setsMax = 64

// machinesOf is the set of machines that may do v, nil when it may need none.
func (c *compiled) machinesOf(v int32, words int) []uint64 {
	s := make([]uint64, words)
	for _, w := range c.waysOf(v) {
		if w.machine < 0 {
			return nil
		}
		s[w.machine/64] |= 1 << (w.machine % 64)
	}
	return s
}

func within(a, b []uint64) bool {
	for i := range a {
		if a[i]&^b[i] != 0 {
			return false
		}
	}
	return true
}

func count(set []uint64) int64 {
	n := 0
	for _, w := range set {
		n += bits.OnesCount64(w)
	}
	return int64(n)
}
