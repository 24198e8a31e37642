package solve

// frontier remembers where activities of one class cannot start in the
// schedule under construction. Serial generation only ever takes resources and
// workers, so what could not start in an interval never will in this schedule;
// the next activity of the class starts looking behind it. That makes the cost
// of a schedule depend on its activities and not on how crowded it is.
//
// A class is all options that differ at most in the duration of their only
// stretch: where a shorter one does not fit, a longer one doesn't either.
type frontier struct {
	epoch int // of the decode it belongs to
	n     int
	list  [frontierMax]blocked
}

const frontierMax = 8

// blocked says that nothing of duration d or longer starts in [from, to).
type blocked struct {
	d, from, to Time
}

// copy takes over what g knows.
func (f *frontier) copy(g *frontier) {
	f.n = g.n
	copy(f.list[:f.n], g.list[:g.n])
}

// past is the first time at lo or later that is not known to be blocked.
func (f *frontier) past(d, lo Time) Time {
	for again := true; again; {
		again = false
		for i := range f.n {
			if b := &f.list[i]; b.d <= d && b.from <= lo && lo < b.to {
				lo, again = b.to, true
			}
		}
	}
	return lo
}

// learn notes that nothing of duration d starts in [from, to). What there is
// no room for is forgotten, the shortest first.
func (f *frontier) learn(d, from, to Time) {
	if to <= from {
		return
	}
	least := -1
	for i := range f.n {
		b := &f.list[i]
		if b.d == d && from <= b.to && b.from <= to {
			b.from, b.to = min(b.from, from), max(b.to, to)
			return
		}
		if least < 0 || b.to-b.from < f.list[least].to-f.list[least].from {
			least = i
		}
	}
	if f.n < frontierMax {
		f.list[f.n] = blocked{d, from, to}
		f.n++
		return
	}
	if b := &f.list[least]; b.to-b.from < to-from {
		*b = blocked{d, from, to}
	}
}

// frontierOf is the frontier of option p, nil where none is kept.
func (d *decoder) frontierOf(p *option) *frontier {
	if p.class < 0 || !d.growing || d.tr != nil && d.tr.on {
		return nil
	}
	if st := &p.st[0]; st.split && len(st.crews) > 1 {
		return nil // the crew that ends first may start later than another one
	}
	f := &d.frontiers[p.class]
	if f.epoch != d.epoch {
		f.epoch, f.n = d.epoch, 0
	}
	return f
}

// teaches says that what stops option p of a stops every option of its class.
func (d *decoder) teaches(a int32) bool {
	return d.g.floorAt == nil && (d.g.bind == nil || d.g.bind[a] < 0)
}
