package lazy

// choice is the modes of one activity. Variable x+k says whether mode k is
// taken; attribute a has variable attrs[a].x, whose value in mode k is
// attrs[a].val[k].
type choice struct {
	x, n  int32
	attrs []attr
}

type attr struct {
	x   int32
	val []int32
}

// propagateChoice keeps modes and attributes together.
func (s *Solver) propagateChoice(i int32) bool {
	c := &s.choices[i]
	for a := range c.attrs {
		t := &c.attrs[a]
		lo, hi := s.lo(t.x), s.hi(t.x)
		for k, v := range t.val {
			if v >= lo && v <= hi || s.hi(c.x+int32(k)) == 0 {
				continue
			}
			aux := int32(2 * a)
			if v > hi {
				aux++
			}
			if !s.set(2*(c.x+int32(k))+1, 0, reason{byModes, i, aux}) {
				return false
			}
		}
	}
	open, taken := int32(-1), int32(-1)
	count := 0
	for k := c.x; k < c.x+c.n; k++ {
		if s.hi(k) > 0 {
			open = k
			count++
			if s.lo(k) > 0 {
				taken = k
			}
		}
	}
	switch {
	case count == 0:
		s.conflict = c.others(s.conflict[:0], -1)
		return false
	case taken >= 0 && count > 1:
		for k := c.x; k < c.x+c.n; k++ {
			if k != taken && !s.set(2*k+1, 0, reason{byModes, i, -1 - taken}) {
				return false
			}
		}
	case count == 1 && !s.set(2*open, 1, reason{byModes, i, 0}):
		return false
	}
	for a := range c.attrs {
		t := &c.attrs[a]
		lo, hi := int32(timesMax), int32(-1)
		for k, v := range t.val {
			if s.hi(c.x+int32(k)) > 0 {
				lo, hi = min(lo, v), max(hi, v)
			}
		}
		if !s.set(2*t.x, lo, reason{byModes, i, 0}) || !s.set(2*t.x+1, -hi, reason{byModes, i, 0}) {
			return false
		}
	}
	return true
}

// others appends that no mode but k is taken.
func (c *choice) others(out []lit, k int32) []lit {
	for j := c.x; j < c.x+c.n; j++ {
		if j != k {
			out = append(out, lit{2*j + 1, 0})
		}
	}
	return out
}

// explain says why l followed.
func (c *choice) explain(out []lit, l lit, aux int32) []lit {
	x := l.u / 2
	if k := x - c.x; k >= 0 && k < c.n {
		switch {
		case l.u&1 == 0:
			return c.others(out, x)
		case aux < 0:
			return append(out, lit{2 * (-1 - aux), 1})
		case aux&1 == 0:
			t := &c.attrs[aux/2]
			return append(out, lit{2 * t.x, t.val[k] + 1})
		}
		t := &c.attrs[aux/2]
		return append(out, lit{2*t.x + 1, 1 - t.val[k]})
	}
	for a := range c.attrs {
		t := &c.attrs[a]
		if t.x != x {
			continue
		}
		for k, v := range t.val {
			if l.u&1 == 0 && v < l.v || l.u&1 == 1 && -v < l.v {
				out = append(out, lit{2*(c.x+int32(k)) + 1, 0})
			}
		}
	}
	return out
}

// stock is a non-renewable resource: the terms together are at most capacity.
type stock struct {
	terms    []int32
	capacity int32
}

func (s *Solver) propagateStock(i int32) bool {
	k := &s.stocks[i]
	slack := k.capacity
	for _, x := range k.terms {
		slack -= s.lo(x)
	}
	if slack < 0 {
		s.conflict = s.lean(s.conflict[:0], k, -1, -slack-1, int32(len(s.trail)))
		return false
	}
	for _, x := range k.terms {
		if s.hi(x)-s.lo(x) > slack && !s.set(2*x+1, -s.lo(x)-slack, reason{byStock, i, 0}) {
			return false
		}
	}
	return true
}

// explainStock says why l, an upper bound of a term, followed.
func (s *Solver) explainStock(out []lit, i int32, l lit, p int32) []lit {
	k := &s.stocks[i]
	spare := -l.v - k.capacity
	for _, x := range k.terms {
		if x != l.u/2 {
			spare += s.at(2*x, p)
		}
	}
	return s.lean(out, k, l.u/2, spare, p)
}

// lean appends the lower bounds of all terms but one, as far as they are
// needed: spare is how much too much they are together.
func (s *Solver) lean(out []lit, k *stock, but, spare, p int32) []lit {
	for _, x := range k.terms {
		if x == but {
			continue
		}
		v := s.at(2*x, p)
		if over := v - s.root[2*x]; over <= spare {
			spare -= over
			continue
		}
		out = append(out, lit{2 * x, v})
	}
	return out
}
