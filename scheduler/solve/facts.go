package solve

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// breach of a running activity's limits, one bit a constraint.
type breach uint16

func (b breach) list() []model.Constraint {
	var out []model.Constraint
	for c := model.C1; c <= model.C14; c++ {
		if b&(1<<c) != 0 {
			out = append(out, c)
		}
	}
	return out
}

// running is an activity that had begun, with the rest of it placed.
type running struct {
	act    int32
	st     []model.StretchTime
	breach breach
	kept   bool // where the plan in force has it
}

// placeFacts books what is done and what runs into the base layout. The rest
// of a running activity goes before everything else, by the end of what it is
// at, ties by id: it holds resources that others wait for. With keep it goes
// where the plan in force has it, if it still can.
func (d *decoder) placeFacts(keep bool) []running {
	d.base = newLayout(d.in)
	d.layout.set(&d.base)
	var run []int32
	for i := range d.in.acts {
		a := &d.in.acts[i]
		switch {
		case a.done():
			d.factTimes(int32(i), a.src.Progress.Stretches)
			d.factHolds(int32(i), false)
		case a.begun():
			run = append(run, int32(i))
			d.factWork(a)
		}
	}
	slices.SortStableFunc(run, func(a, b int32) int {
		x, y := d.in.acts[a].src.Progress.Stretches, d.in.acts[b].src.Progress.Stretches
		return cmp.Compare(x[len(x)-1].End, y[len(y)-1].End)
	})
	d.g, d.noFloors = &d.unbound, false
	out := make([]running, 0, len(run))
	for _, a := range run {
		r, kept := running{}, false
		if keep {
			r, kept = d.keepOn(a)
		}
		if !kept {
			r = d.carryOn(a)
		}
		r.kept = kept
		d.bookRest(&r)
		d.factTimes(a, r.st)
		d.factHolds(a, true)
		out = append(out, r)
	}
	for i := range out {
		d.in.acts[out[i].act].ending = nil
		if !out[i].kept {
			d.loosen(&out[i])
		}
	}
	d.base.set(&d.layout)
	d.base.gaveBack = false
	return out
}

func (d *decoder) factTimes(a int32, st []model.StretchTime) {
	d.state[a] = placedState
	d.start[a], d.end[a] = st[0].Start, st[len(st)-1].End
}

// factHolds books the resources of a running activity and the spans and stock
// of any begun one.
func (d *decoder) factHolds(a int32, runs bool) {
	g := d.in.acts[a].src.Progress
	m := &d.in.acts[a].src.Modes[g.Mode]
	for i, id := range g.Held {
		src, r := &m.Needs[i], d.in.resOf[id]
		n := need{amount: max(src.Amount, 1), span: -1}
		if src.Span != "" {
			n.span = d.in.spanIndex(src.Span)
			n.amount = d.in.spans[n.span].need.amount
			d.factSpan(&n, r, a, runs)
			continue
		}
		if runs || d.in.res[r].src.Consumable {
			d.hold(&n, r, d.start[a], d.end[a])
		}
	}
}

// factSpan books a span that has begun. Done members are not counted among its
// members; they only bind its resource and its start.
func (d *decoder) factSpan(n *need, r int32, a int32, runs bool) {
	sp := &d.span[n.span]
	if !runs && sp.left == 0 {
		return // all of it is over
	}
	if runs {
		d.hold(n, r, d.start[a], d.end[a])
		return
	}
	sp.left++
	d.hold(n, r, d.start[a], d.end[a])
}

// factWork keeps the workers of the stretch in progress.
func (d *decoder) factWork(a *act) {
	last := a.src.Progress.Stretches[len(a.src.Progress.Stretches)-1]
	for _, id := range last.Workers {
		w := d.in.workerOf[id]
		if last.Parts == nil {
			d.busy[w].take(last.Start, last.End, 1)
		}
		for _, p := range last.Parts {
			d.busy[w].take(p.Start, p.End, 1)
		}
	}
}

// carryOn places the stretches of a running activity that have not begun: by
// its own crew if that keeps every limit, else in the way that breaks the
// fewest.
func (d *decoder) carryOn(a int32) running {
	act := &d.in.acts[a]
	g := act.src.Progress
	m := &act.src.Modes[g.Mode]
	first := len(g.Stretches)
	own := d.begunCrew(act)
	best, bestStretches := running{act: a, breach: 1 << 15}, -1
	try := func(crews [][][]int32, extra breach) {
		st := d.rest(act, m, g, first, crews, nil)
		b := d.breaches(act, m, st, first) | extra
		if bestStretches < 0 || bits(b) < bits(best.breach) ||
			bits(b) == bits(best.breach) && st[len(st)-1].End < best.st[len(best.st)-1].End {
			best, bestStretches = running{act: a, st: st, breach: b}, len(st)
		}
	}
	if first == len(m.Stretches) {
		st := slices.Clone(g.Stretches)
		return running{act: a, st: st, breach: d.breaches(act, m, st, first)}
	}
	scratch := act.restOf()
	pinned := wishes{workers: d.pinnedWorkers(a)}
	for _, w := range []*wishes{&pinned, {}} {
		if list, ok := d.in.outline.crews(&scratch, m, w, first, own); ok {
			for _, crews := range flatten(list) {
				try(crews, 0)
			}
		}
		if bestStretches >= 0 && best.breach == 0 {
			break
		}
	}
	if (bestStretches < 0 || best.breach != 0) && !act.src.Handover {
		if list, ok := d.in.outline.crews(&scratch, m, &wishes{}, first, nil); ok {
			for _, crews := range flatten(list) {
				try(crews, d.otherCrew(own, crews))
			}
		}
	}
	if bestStretches < 0 { // nobody has the skill any more: the begun crew stays on
		crews := make([][][]int32, len(m.Stretches))
		for i := range crews {
			crews[i] = [][]int32{nil}
			if m.Stretches[i].Workers > 0 {
				crews[i] = [][]int32{own[:min(len(own), m.Stretches[i].Workers)]}
			}
		}
		try(crews, 1<<model.C5|1<<model.C7)
	}
	return best
}

// keepOn places the rest of a running activity as the plan in force does, when
// that still keeps every limit.
func (d *decoder) keepOn(a int32) (running, bool) {
	act := &d.in.acts[a]
	g := act.src.Progress
	m := &act.src.Modes[g.Mode]
	first := len(g.Stretches)
	if act.prev == nil || len(act.prev.st) != len(m.Stretches) {
		return running{}, false
	}
	crews := make([][][]int32, len(m.Stretches))
	floors := make([]Time, len(m.Stretches))
	for i, st := range act.prev.st {
		crews[i], floors[i] = [][]int32{nil}, st.Start
		for _, id := range st.Workers {
			crews[i][0] = append(crews[i][0], d.in.workerOf[id])
		}
	}
	st := d.rest(act, m, g, first, crews, floors)
	for i := first; i < len(st); i++ {
		if st[i].Start != act.prev.st[i].Start || st[i].End != act.prev.st[i].End {
			return running{}, false
		}
	}
	b := d.breaches(act, m, st, first) | d.otherCrew(d.begunCrew(act), crews[first:])
	return running{act: a, st: st}, b == 0
}

// bookRest takes the workers of the stretches not yet begun.
func (d *decoder) bookRest(r *running) {
	for i := len(d.in.acts[r.act].src.Progress.Stretches); i < len(r.st); i++ {
		d.bookStretch(&r.st[i], 1)
	}
}

func (a *act) restOf() act { return act{id: a.id, src: a.src, job: a.job} }

func partsOf(s *model.StretchTime) []model.Interval {
	if s.Parts != nil {
		return s.Parts
	}
	return []model.Interval{{Start: s.Start, End: s.End}}
}

func bits(b breach) int {
	n := 0
	for ; b != 0; b &= b - 1 {
		n++
	}
	return n
}

// begunCrew is everybody who worked on the activity so far.
func (d *decoder) begunCrew(a *act) []int32 {
	var own []int32
	if a.src.Handover {
		return nil
	}
	for _, s := range a.src.Progress.Stretches {
		for _, id := range s.Workers {
			if w := d.in.workerOf[id]; !slices.Contains(own, w) {
				own = append(own, w)
			}
		}
	}
	slices.Sort(own)
	return own
}

func (d *decoder) pinnedWorkers(a int32) []int32 {
	var out []int32
	for k := range d.in.pins {
		if p := &d.in.pins[k]; p.act == a && !p.dropped && p.src.Worker != "" {
			out = append(out, d.in.workerOf[p.src.Worker])
		}
	}
	return out
}

// flatten turns alternatives a stretch (handover) into single choices, the
// first of each stretch at a time: the rest of a running activity is short.
func flatten(list [][][][]int32) [][][][]int32 {
	var out [][][][]int32
	for _, c := range list {
		most := 1
		for _, alternatives := range c {
			most = max(most, len(alternatives))
		}
		for k := range most {
			one := make([][][]int32, len(c))
			for i, alternatives := range c {
				one[i] = [][]int32{nil}
				if len(alternatives) > 0 {
					one[i] = [][]int32{alternatives[k%len(alternatives)]}
				}
			}
			out = append(out, one)
		}
	}
	return out
}

func (d *decoder) otherCrew(own []int32, crews [][][]int32) breach {
	for _, c := range crews {
		for _, w := range c[0] {
			if len(own) > 0 && !slices.Contains(own, w) {
				return 1 << model.C6
			}
		}
	}
	return 0
}

// rest lays out the stretches from first on, each as early as its crew can.
func (d *decoder) rest(a *act, m *model.Mode, g *model.Progress, first int, crews [][][]int32, floors []Time) []model.StretchTime {
	st := slices.Clone(g.Stretches)
	for i := first; i < len(m.Stretches); i++ {
		src, prev := &m.Stretches[i], st[i-1].End
		if src.Workers == 0 {
			st = append(st, model.StretchTime{Start: prev, End: prev + src.Duration})
			continue
		}
		t := max(prev, d.in.now)
		if floors != nil {
			t = max(t, floors[i])
		}
		x := stretch{d: src.Duration, split: src.Splittable, handsOn: true, inside: d.in.outline.calendars[src.Inside]}
		c := crew{workers: crews[i][0]}
		var ids []model.WorkerID
		for _, w := range c.workers {
			c.open = both(c.open, d.in.workers[w].open)
			ids = append(ids, d.in.workers[w].id)
		}
		x.crews = []crew{c}
		s, e := d.earliestBy(&x, &c, t)
		if e >= forever && x.inside != nil {
			x.inside = nil
			s, e = d.earliestBy(&x, &c, t)
		}
		if e >= forever { // never on shift again: work as if on shift
			c.open = nil
			s = d.offShift(c.workers, t, x.d)
			e = s + x.d
		}
		slices.Sort(ids)
		st = append(st, model.StretchTime{Start: s, End: e, Parts: c.parts(&x, s, e), Workers: ids})
	}
	return st
}

// offShift is the first time from t on at which no worker is at something else
// for d ticks, whether on shift or not: a profile of a worker has 0 off shift,
// and one less for what he is at.
func (d *decoder) offShift(workers []int32, t, length Time) Time {
	for again := true; again; {
		again = false
		for _, w := range workers {
			f := &d.busy[w]
			for i := f.seg(t); i < len(f.at) && f.at[i] < t+length; i++ {
				need := int64(1)
				if open := d.in.workers[w].open; open != nil && !held1(open, max(f.at[i], t), max(f.at[i], t)+1) {
					need = 0
				}
				if f.free[i] < need && i+1 < len(f.at) {
					t, again = f.at[i+1], true
				}
			}
		}
	}
	return t
}

// shut is the next start after a closure or outside the window in which a
// member of a span that has begun cannot lie; s when it can.
func (d *decoder) shut(r int32, s, e Time) Time {
	src := d.in.res[r].src
	if s >= e {
		return s
	}
	for _, c := range src.Closures {
		if c.Start < e && s < c.End {
			return c.End
		}
	}
	if src.Within && src.Open != nil {
		if ok, next := newHours(src.Open).contain(s, e); !ok {
			return next
		}
	}
	return s
}

// parts are the open ticks of [s, e) when the stretch pauses, nil otherwise.
func (c *crew) parts(st *stretch, s, e Time) []model.Interval {
	if !st.split || c.open == nil || e-s == st.d {
		return nil
	}
	var out []model.Interval
	for i := c.open.at(s); i < len(c.open.iv) && c.open.iv[i].Start < e; i++ {
		iv := c.open.iv[i]
		out = append(out, model.Interval{Start: max(s, iv.Start), End: min(e, iv.End)})
	}
	return out
}

// breaches says which limits the stretches from first on, and the whole, do
// not keep.
func (d *decoder) breaches(a *act, m *model.Mode, st []model.StretchTime, first int) breach {
	var b breach
	for i := first; i < len(st); i++ {
		src, s := &m.Stretches[i], &st[i]
		if wait := s.Start - st[i-1].End; src.Workers > 0 && m.Stretches[i-1].MaxWait != model.Unlimited && wait > m.Stretches[i-1].MaxWait {
			b |= 1 << model.C3
		}
		if h := d.in.outline.calendars[src.Inside]; h != nil && !held1(h, s.Start, s.End) {
			b |= 1 << model.C9
		}
		for _, id := range s.Workers {
			for _, p := range partsOf(s) {
				if h := d.in.workers[d.in.workerOf[id]].open; h != nil && !held1(h, p.Start, p.End) {
					b |= 1 << model.C5
				}
			}
		}
	}
	start, end := st[0].Start, st[len(st)-1].End
	if h := d.in.outline.calendars[a.src.Inside]; h != nil && !held1(h, start, end) {
		b |= 1 << model.C9
	}
	if now := min(max(start, d.in.now), end); a.src.Presence && d.in.present != nil && !held1(d.in.present, now, end) {
		b |= 1 << model.C9
	}
	for _, id := range a.src.Progress.Held {
		r := d.in.res[d.in.resOf[id]].src
		if r.Within && r.Open != nil && !held1(newHours(r.Open), start, end) {
			b |= 1 << model.C8
		}
	}
	return b
}

func held1(h *hours, s, e Time) bool {
	ok, _ := h.contain(s, e)
	return ok || s >= e
}
