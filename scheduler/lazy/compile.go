package lazy

import "slices"

// compile makes variables and propagators.
func (s *Solver) compile() {
	p := s.p
	n := len(p.Activities)
	s.start, s.length = make([]int32, n), make([]int32, n)
	s.modes, s.keep = make([]int32, n), make([][]int32, n)
	demand, use := make([][]int32, n), make([][]int32, n) // variables, -1 for constants
	horizon := int32(p.Horizon)
	for i := range p.Activities {
		a := &p.Activities[i]
		s.keep[i] = undominated(p, a)
		s.start[i] = s.newVar(int32(a.Release), horizon)
		s.length[i], s.modes[i] = -1, -1
		demand[i], use[i] = filled(len(p.Capacity)), filled(len(p.Stock))
		if len(s.keep[i]) > 1 {
			s.addChoice(i, demand[i], use[i])
		}
	}
	s.end = s.newVar(0, horizon)
	s.ruleOf = make([][]int32, len(s.lb))
	for i := range p.Activities {
		if len(s.keep[i]) == 0 {
			s.proved = true // it fits in no mode
			return
		}
		s.precede(s.start[i], s.length[i], s.end, s.constant(i))
	}
	for _, l := range p.Lags {
		c, d := int32(l.Min), int32(-1)
		if !l.FromStart {
			d = s.length[l.From]
			c += s.constant(l.From)
		}
		if l.ToEnd {
			c -= int32(p.Activities[l.To].Modes[0].Duration)
		}
		s.precede(s.start[l.From], d, s.start[l.To], c)
	}
	for r, c := range p.Stock {
		s.addStock(int32(c), r, use)
	}
	for r, c := range p.Capacity {
		s.addSum(int32(c), r, demand)
	}
}

func filled(n int) []int32 {
	out := make([]int32, n)
	for i := range out {
		out[i] = -1
	}
	return out
}

// undominated are the modes that fit by themselves (without duration nothing
// is held) and for which there is no
// other that is as short and takes no more of anything (Sprecher, Hartmann &
// Drexl, OR Spektrum 19, 1997).
func undominated(p *Problem, a *Activity) []int32 {
	var out []int32
	for k := range a.Modes {
		m := &a.Modes[k]
		if m.Duration > 0 && !within(m.Demand, p.Capacity) || !within(m.Use, p.Stock) {
			continue
		}
		dominated := false
		for j := range a.Modes {
			o := &a.Modes[j]
			if j != k && o.Duration <= m.Duration && within(o.Demand, m.Demand) && within(o.Use, m.Use) &&
				(j < k || o.Duration < m.Duration || !slices.Equal(o.Demand, m.Demand) || !slices.Equal(o.Use, m.Use)) {
				dominated = true
			}
		}
		if !dominated {
			out = append(out, int32(k))
		}
	}
	return out
}

func within(a, b []int64) bool {
	for i := range a {
		if a[i] > b[i] {
			return false
		}
	}
	return true
}

// constant is the duration of an activity of one duration, else 0.
func (s *Solver) constant(i int) int32 {
	if s.length[i] >= 0 {
		return 0
	}
	return int32(s.p.Activities[i].Modes[s.keep[i][0]].Duration)
}

// addChoice makes the variables of an activity of several modes.
func (s *Solver) addChoice(i int, demand, use []int32) {
	modes := s.p.Activities[i].Modes
	c := choice{n: int32(len(s.keep[i]))}
	for k := range s.keep[i] {
		x := s.newVar(0, 1)
		if k == 0 {
			c.x = x
		}
	}
	attribute := func(value func(*Mode) int64) int32 {
		val := make([]int32, c.n)
		for k, m := range s.keep[i] {
			val[k] = int32(value(&modes[m]))
		}
		if slices.Min(val) == slices.Max(val) {
			return -1
		}
		x := s.newVar(slices.Min(val), slices.Max(val))
		c.attrs = append(c.attrs, attr{x, val})
		return x
	}
	s.length[i] = attribute(func(m *Mode) int64 { return m.Duration })
	for r := range demand {
		demand[r] = attribute(func(m *Mode) int64 { return m.Demand[r] })
	}
	for r := range use {
		use[r] = attribute(func(m *Mode) int64 { return m.Use[r] })
	}
	s.modes[i] = int32(len(s.choices))
	s.choices = append(s.choices, c)
}

func (s *Solver) addStock(capacity int32, r int, use [][]int32) {
	k := stock{capacity: capacity}
	most := int64(0)
	for i := range s.p.Activities {
		m := &s.p.Activities[i].Modes[s.keep[i][0]]
		if x := use[i][r]; x >= 0 {
			k.terms = append(k.terms, x)
			most += int64(s.hi(x))
			continue
		}
		k.capacity -= int32(m.Use[r])
	}
	if k.capacity < 0 {
		s.proved = true
	}
	if most > int64(k.capacity) {
		s.stocks = append(s.stocks, k)
	}
}

func (s *Solver) addSum(capacity int32, r int, demand [][]int32) {
	c := cumulative{capacity: capacity}
	most := int64(0)
	for i := range s.p.Activities {
		m := &s.p.Activities[i].Modes[s.keep[i][0]]
		t := task{x: s.start[i], d: s.constant(i), dx: s.length[i], h: int32(m.Demand[r]), hx: demand[i][r]}
		if t.dx < 0 && t.d == 0 || t.hx < 0 && t.h == 0 {
			continue
		}
		if t.hx >= 0 {
			most += int64(s.hi(t.hx))
		} else {
			most += int64(t.h)
		}
		c.tasks = append(c.tasks, t)
	}
	if most <= int64(capacity) {
		return
	}
	for i := range c.tasks {
		c.byStart, c.byEnd = append(c.byStart, int32(i)), append(c.byEnd, int32(i))
	}
	s.sums = append(s.sums, c)
}

// ready connects directions to propagators and queues all of them.
func (s *Solver) ready() {
	s.names.reset()
	s.grow(len(s.lb))
	s.wakes = make([][]int32, len(s.lb))
	s.dirty = make([]bool, len(s.choices)+len(s.stocks)+len(s.sums))
	wake := func(u int32, w int) { s.wakes[u] = append(s.wakes[u], int32(w)) }
	for i := range s.choices {
		c := &s.choices[i]
		for x := c.x; x < c.x+c.n+int32(len(c.attrs)); x++ {
			wake(2*x, i)
			wake(2*x+1, i)
		}
	}
	for i := range s.stocks {
		for _, x := range s.stocks[i].terms {
			wake(2*x, len(s.choices)+i)
		}
	}
	for i := range s.sums {
		w := len(s.choices) + len(s.stocks) + i
		for _, t := range s.sums[i].tasks {
			wake(2*t.x, w)
			wake(2*t.x+1, w)
			if t.dx >= 0 {
				wake(2*t.dx, w)
				wake(2*t.dx+1, w)
			}
			if t.hx >= 0 {
				wake(2*t.hx, w)
				wake(2*t.hx+1, w)
			}
		}
	}
	s.begin()
}

// begin draws what follows from nothing.
func (s *Solver) begin() {
	for w := range s.dirty {
		s.markDirty(int32(w))
	}
	for k := range s.rules {
		if !s.proved && !s.apply(int32(k)) {
			s.proved = true
		}
	}
	s.pause = restartStep
	s.forget = 2000
}
