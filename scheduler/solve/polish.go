package solve

import (
	"slices"

	"tickover/scheduler/model"
)

// polishMax bounds how often polish goes through the plan.
const polishMax = 16

// polish moves single activities of the best plan forward as long as one can
// end earlier. What is left passes the test in stands: without news it is
// kept.
func (s *search) polish() {
	for range polishMax {
		if !s.shown && s.d.decode(&s.genome).pin >= 0 {
			return
		}
		s.shown = false
		moved := false
		for range polishMax {
			if !s.d.advance(s.runs, true) {
				break
			}
			moved = true
		}
		if !moved && s.best.unplaced == 0 {
			s.shown = true // nothing has moved in it
			return
		}
		before := s.best
		g := s.d.exact(s.in)
		out := s.try(g) // which may also find room for what had none
		switch {
		case out.pin >= 0 || before.less(out.score):
			return
		case out.score == before && !moved:
			return
		case out.score == before: // as good, and nothing can move in it
			s.genome.copy(g)
			s.shown = true
		}
	}
}

// advance looks for activities that could end earlier with everything else in
// its place, in the order of their starts. With apply it moves them. Only what
// the genome tied can, unless a span has given room back.
func (d *decoder) advance(runs []running, apply bool) bool {
	d.sync(runs)
	moved := false
	for i := range runs {
		switch {
		case !apply && d.couldEnd(&runs[i]):
			return true
		case apply && d.endSooner(&runs[i]):
			moved = true
		}
	}
	free := genome{}
	for _, a := range d.in.listBy(d.starts()) {
		if d.state[a] != placedState || !d.tied[a] && !d.gaveBack || d.in.acts[a].latest < forever || d.inSpan(a) {
			continue
		}
		k, start, end := d.opt[a], d.start[a], d.end[a]
		stays, each := d.staysPut(a), d.perMinute(d.in.acts[a].job)
		was := d.uncommit(a)
		d.g = &free
		raise := d.raise[a]
		d.raise[a] = -forever // where it is now is soon enough
		lim, _ := d.limits(a, &free)
		lim.hi, lim.hiEnd = min(lim.hi, start), min(lim.hiEnd, end)
		j, f := d.pick(a, &lim, &free)
		sooner := j >= 0 && f.end < end && f.start <= start && (!stays || each*model.Cost(end-f.end) > d.in.p.Weights.Move)
		if !sooner || !apply {
			d.raise[a] = raise
			d.commit(a, int(k), was)
			if sooner {
				return true
			}
			continue
		}
		d.commit(a, j, f)
		moved = true
	}
	return moved
}

// staysPut says that a starts where the plan in force has it, and that it has a
// price to start elsewhere.
func (d *decoder) staysPut(a int32) bool {
	v := d.in.acts[a].prev
	return v != nil && v.near && d.in.p.Weights.Move > 0 && d.start[a] == v.start && d.sameHeld(a, v.held)
}

// perMinute is the most that a job gains by each minute that it ends earlier.
func (d *decoder) perMinute(j int32) model.Cost {
	w, src := &d.in.p.Weights, d.in.jobs[j].src
	each := w.Flow
	if finish, _ := d.finishOf(&d.in.jobs[j]); src.Due != model.Unlimited && finish > src.Due {
		each += w.Tardiness
	}
	return each * model.Cost(src.Weight)
}

// endSooner moves the ending of a running activity forward if it can.
func (d *decoder) endSooner(r *running) bool {
	p := d.in.acts[r.act].ending
	if p == nil {
		return false
	}
	cut := len(r.st) - 1
	k := d.in.stretchOff[r.act] + int32(cut)
	o := opening{a: r.act, cut: int32(cut), from: max(r.st[cut-1].End, d.in.now), hi: d.end[r.act]}
	d.work(&p.st[0].crews[d.crew[k]], d.s[k], d.e[k], -1)
	was := fitting{s: []Time{d.s[k]}, e: []Time{d.e[k]}, crew: []uint8{d.crew[k]}}
	d.g, d.noFloors = &genome{}, false
	if f := &was; d.fitEnding(&o, p) && d.cur.e[0] < o.hi {
		f = &d.cur
		d.bookEnding(&o, p, f)
		return true
	}
	d.bookEnding(&o, p, &was)
	return false
}

// couldEnd says that the rest of a running activity could end earlier.
func (d *decoder) couldEnd(r *running) bool {
	g := d.in.acts[r.act].src.Progress
	for i := len(g.Stretches); i < len(r.st); i++ {
		d.bookStretch(&r.st[i], -1)
	}
	other := d.carryOn(r.act)
	for i := len(g.Stretches); i < len(r.st); i++ {
		d.bookStretch(&r.st[i], 1)
	}
	return other.breach == 0 && other.st[len(other.st)-1].End < r.st[len(r.st)-1].End
}

func (d *decoder) bookStretch(st *model.StretchTime, amount int64) {
	for _, id := range st.Workers {
		for _, p := range partsOf(st) {
			d.busy[d.in.workerOf[id]].take(p.Start, p.End, amount)
		}
	}
}

// inSpan says that a holds a resource for longer than itself.
func (d *decoder) inSpan(a int32) bool {
	return slices.ContainsFunc(d.in.acts[a].opts[d.opt[a]].needs, func(n need) bool { return n.span >= 0 })
}

// uncommit takes a out of the layout and returns where it was, in d.kept.
func (d *decoder) uncommit(a int32) *fitting {
	p := &d.in.acts[a].opts[d.opt[a]]
	f := &d.kept
	f.read(&d.layout, d.in, a, p)
	for i := range p.needs {
		n, r := &p.needs[i], f.held[i]
		if d.in.res[r].src.Consumable {
			d.stock[r] += n.amount
			continue
		}
		d.res[r].take(f.start, f.end, -n.amount)
	}
	for i := range p.st {
		if p.st[i].handsOn {
			d.work(&p.st[i].crews[f.crew[i]], f.s[i], f.e[i], -1)
		}
	}
	d.state[a] = pendingState
	return f
}

// exact is the genome that replays the layout.
func (d *decoder) exact(in *instance) *genome {
	n, m := len(in.acts), in.stretchOff[len(in.acts)]
	keys := d.starts()
	for i, late := range latestFinish(in) {
		if d.state[i] != placedState {
			keys[i] += late // in the order in which the next plan will try them; see warm
		}
	}
	g := &genome{list: in.listBy(keys), like: d.likes(), opt: make([]int16, n), floor: make([]Time, n), floorAt: make([]Time, m), crew: make([]int16, m)}
	for i := range in.acts {
		g.opt[i], g.floor[i] = -1, -forever
		planned := d.state[i] == placedState && !in.acts[i].begun()
		ends := in.acts[i].ending != nil // and runs
		if planned {
			g.opt[i], g.floor[i] = d.opt[i], d.start[i]
		}
		for o := in.stretchOff[i]; o < in.stretchOff[i+1]; o++ {
			g.floorAt[o], g.crew[o] = -forever, -1
			if ends && o == in.stretchOff[i]+int32(len(in.acts[i].src.Modes[in.acts[i].src.Progress.Mode].Stretches))-1 {
				g.floorAt[o], g.crew[o] = d.s[o], int16(d.crew[o])
			}
			if planned && int(o-in.stretchOff[i]) < len(in.acts[i].opts[d.opt[i]].st) {
				g.floorAt[o], g.crew[o] = d.s[o], int16(d.crew[o])
			}
		}
	}
	return g
}

// likes is the layout as what ties go to.
func (d *decoder) likes() []*previous {
	out, list, room := make([]*previous, len(d.in.acts)), make([]previous, len(d.in.acts)), make([]int32, len(d.held))
	for i := range d.in.acts {
		a := &d.in.acts[i]
		if a.begun() || d.state[i] != placedState {
			continue
		}
		v := &list[i]
		p, off := &a.opts[d.opt[i]], d.in.needOff[i]
		v.held, room = carve(room, len(p.needs))
		v.held = append(v.held, d.held[off:off+int32(len(p.needs))]...)
		slices.Sort(v.held)
		for k := range p.st {
			if p.st[k].handsOn {
				v.crew = p.st[k].crews[d.crew[d.in.stretchOff[i]+int32(k)]].workers
				break
			}
		}
		out[i] = v
	}
	return out
}
