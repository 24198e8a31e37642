package solve

// layout is a schedule under construction.
type layout struct {
	state      []uint8
	start, end []Time
	opt        []int16 // option index of a planned activity
	held       []int32 // flat, see instance.needOff
	s, e       []Time  // flat, see instance.stretchOff
	crew       []uint8 // flat
	res        []profile
	busy       []profile // of workers: 0 when working or off
	stock      []int64
	span       []spanState
	openSpans  int
	gaveBack   bool // a span ended before what it had taken
	// tied activities end later than they had to when they were placed; see
	// place.
	tied []bool
	// open activities have no ending yet.
	open []opening
}

type spanState struct {
	res          int32 // -1 until chosen
	from, to, hi Time  // held from, last end so far, taken until
	left         int32
}

func newLayout(in *instance) layout {
	n := len(in.acts)
	l := layout{
		state: make([]uint8, n), start: make([]Time, n), end: make([]Time, n), opt: make([]int16, n),
		held: make([]int32, in.needOff[n]),
		s:    make([]Time, in.stretchOff[n]), e: make([]Time, in.stretchOff[n]), crew: make([]uint8, in.stretchOff[n]),
		res: make([]profile, len(in.res)), busy: make([]profile, len(in.workers)),
		stock: make([]int64, len(in.res)), span: make([]spanState, len(in.spans)), tied: make([]bool, n),
	}
	room := 0
	for i := range in.res {
		room += in.res[i].base.room()
	}
	for i := range in.workers {
		room += in.workers[i].base.room()
	}
	at, free := make([]Time, room), make([]int64, room)
	first := func(f, base *profile) {
		f.at, at = carve(at, base.room())
		f.free, free = carve(free, base.room())
		f.set(base)
	}
	for i := range in.res {
		first(&l.res[i], &in.res[i].base)
		l.stock[i] = in.res[i].src.Capacity
	}
	for i := range in.workers {
		first(&l.busy[i], &in.workers[i].base)
	}
	for i := range in.spans {
		l.span[i] = spanState{res: -1, left: in.spans[i].members}
	}
	return l
}

// set makes l a copy of g.
func (l *layout) set(g *layout) {
	copy(l.state, g.state)
	copy(l.start, g.start)
	copy(l.end, g.end)
	copy(l.opt, g.opt)
	copy(l.held, g.held)
	copy(l.s, g.s)
	copy(l.e, g.e)
	copy(l.crew, g.crew)
	for i := range g.res {
		l.res[i].set(&g.res[i])
	}
	for i := range g.busy {
		l.busy[i].set(&g.busy[i])
	}
	copy(l.stock, g.stock)
	copy(l.span, g.span)
	copy(l.tied, g.tied)
	l.openSpans, l.gaveBack = g.openSpans, g.gaveBack
	l.open = append(l.open[:0], g.open...)
}

// commit books the fitting of a by option k.
func (d *decoder) commit(a int32, k int, f *fitting) {
	d.commitUpTo(a, k, f, len(d.in.acts[a].opts[k].st))
}

// commitUpTo books nobody for the stretches from cut on.
func (d *decoder) commitUpTo(a int32, k int, f *fitting, cut int) {
	p := &d.in.acts[a].opts[k]
	d.state[a], d.opt[a] = placedState, int16(k)
	d.start[a], d.end[a] = f.start, f.end
	if d.tr != nil {
		d.tr.placed(d, a, p, f)
	}
	off := d.in.needOff[a]
	for i := range p.needs {
		d.held[off+int32(i)] = f.held[i]
		d.hold(&p.needs[i], f.held[i], f.start, f.end)
	}
	off = d.in.stretchOff[a]
	for i := range p.st {
		o := off + int32(i)
		d.s[o], d.e[o], d.crew[o] = f.s[i], f.e[i], f.crew[i]
		if p.st[i].handsOn && i < cut {
			d.work(&p.st[i].crews[f.crew[i]], f.s[i], f.e[i], 1)
		}
	}
}

// hold books one need over [s, e).
func (d *decoder) hold(n *need, r int32, s, e Time) {
	if d.in.res[r].src.Consumable {
		d.stock[r] -= n.amount
		return
	}
	if n.span < 0 {
		d.res[r].take(s, e, n.amount)
		return
	}
	sp := &d.span[n.span]
	switch {
	case sp.res < 0:
		sp.res, sp.from, sp.to, sp.hi = r, s, e, max(e, d.in.horizon)
		d.res[r].take(s, sp.hi, n.amount)
		d.openSpans++
	default:
		if s < sp.from {
			d.res[r].take(s, sp.from, n.amount)
			sp.from = s
		}
		if e > sp.hi {
			d.res[r].take(sp.hi, e, n.amount)
			sp.hi = e
		}
		sp.to = max(sp.to, e)
	}
	d.member(n)
}

// member counts one member of a span off; the last gives the rest back.
func (d *decoder) member(n *need) {
	sp := &d.span[n.span]
	if sp.left--; sp.left == 0 && sp.res >= 0 {
		d.res[sp.res].take(sp.to, sp.hi, -n.amount)
		d.openSpans--
		d.epoch++ // what was learnt may be wrong now
		d.gaveBack = true
	}
}

// work books a crew over the open ticks of [s, e); amount -1 takes it back.
func (d *decoder) work(c *crew, s, e Time, amount int64) {
	for _, w := range c.workers {
		if c.open == nil {
			d.busy[w].take(s, e, amount)
			continue
		}
		for i := c.open.at(s); i < len(c.open.iv) && c.open.iv[i].Start < e; i++ {
			d.busy[w].take(max(s, c.open.iv[i].Start), min(e, c.open.iv[i].End), amount)
		}
	}
}

// giveUp leaves a unplaced.
func (d *decoder) giveUp(a int32) {
	d.state[a] = unplacedState
	act := &d.in.acts[a]
	seen := int32(-1)
	for m := range act.src.Modes {
		for i := range act.src.Modes[m].Needs {
			id := act.src.Modes[m].Needs[i].Span
			if id == "" {
				continue
			}
			if sp := d.in.spanIndex(id); sp != seen {
				seen = sp
				n := need{span: sp, amount: d.in.spans[sp].need.amount}
				d.member(&n)
			}
		}
	}
}
