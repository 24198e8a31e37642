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
	for i := range in.res {
		l.res[i].set(&in.res[i].base)
		l.stock[i] = in.res[i].src.Capacity
	}
	for i := range in.workers {
		l.busy[i] = newProfile(1)
		if h := in.workers[i].open; h != nil {
			l.busy[i] = profile{at: []Time{-2 * forever}, free: []int64{0}}
			for _, iv := range h.iv {
				l.busy[i].take(iv.Start, iv.End, -1)
			}
		}
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
}
