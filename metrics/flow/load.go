package flow

// timelines are the resources' uses within a window.
type timelines struct {
	win   span
	lines []timeline
	index map[string]int
}

type timeline struct {
	capacity int32
	open     set
	steps    []step
	id       string
}

func newTimelines(d *Data, win span) *timelines {
	t := &timelines{win: win, lines: make([]timeline, len(d.Resources)), index: make(map[string]int, len(d.Resources))}
	for i, r := range d.Resources {
		l := timeline{id: r.ID, capacity: int32(max(1, r.Capacity)), open: setOf(r.Open, win)}
		for _, s := range l.open {
			l.steps = append(l.steps, step{s.from, 1, 0}, step{s.to, -1, 0})
		}
		t.lines[i], t.index[r.ID] = l, i
	}
	for i := range d.Uses {
		u := &d.Uses[i]
		at, ok := t.index[u.Resource]
		in := win.cut(clipOf(u.Interval))
		if !ok || in.empty() || u.State < HandsOn || u.State > Down {
			continue
		}
		t.lines[at].steps = append(t.lines[at].steps, step{in.from, 1, u.State}, step{in.to, -1, u.State})
	}
	for i := range t.lines {
		sortSteps(t.lines[i].steps)
	}
	return t
}

// places is how a resource's places are used at a moment. More uses than
// places count as places, in the order of the states.
func (l *timeline) places(count *[Idle + 1]int32) (out [Idle + 1]int32) {
	free := l.capacity
	for s := HandsOn; s <= Locked; s++ {
		out[s] = min(free, count[s])
		free -= out[s]
	}
	if count[Down] > 0 {
		out[Down], free = free, 0
	}
	out[Idle] = free
	return out
}

// each calls fn for the pieces of the window in which nothing changes.
func (l *timeline) each(win span, fn func(in span, open bool, places [Idle + 1]int32)) {
	var count [Idle + 1]int32
	last := win.from
	for i := 0; i < len(l.steps); {
		at := l.steps[i].at
		if at > last {
			fn(span{last, at}, count[0] > 0, l.places(&count))
			last = at
		}
		for ; i < len(l.steps) && l.steps[i].at == at; i++ {
			count[l.steps[i].what] += l.steps[i].by
		}
	}
	if last < win.to {
		fn(span{last, win.to}, count[0] > 0, l.places(&count))
	}
}

func (t *timelines) load(i int) Load {
	l := &t.lines[i]
	var sum [Idle + 1]int64
	outside := int64(0)
	l.each(t.win, func(in span, open bool, places [Idle + 1]int32) {
		n := in.length()
		if !open {
			outside += n * int64(places[HandsOn]+places[HandsOff]+places[Locked])
			return
		}
		for s := HandsOn; s <= Idle; s++ {
			sum[s] += n * int64(places[s])
		}
	})
	return Load{
		Resource: l.id, Capacity: int(l.capacity), Open: millis(l.open.length() * int64(l.capacity)),
		HandsOn: millis(sum[HandsOn]), HandsOff: millis(sum[HandsOff]), Locked: millis(sum[Locked]),
		Down: millis(sum[Down]), Idle: millis(sum[Idle]), Outside: millis(outside),
	}
}

// free is when the resource is open and has a place that is not active. Active
// is working by hand or by itself, or down; locked is not: it waits to be
// relieved, as a machine that is blocked.
func (t *timelines) free(i int) set {
	l := &t.lines[i]
	var out []span
	l.each(t.win, func(in span, open bool, places [Idle + 1]int32) {
		if open && places[Idle]+places[Locked] > 0 {
			out = append(out, in)
		}
	})
	return newSet(out)
}
