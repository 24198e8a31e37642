package solve

import (
	"slices"

	"tickover/scheduler/model"
)

// The ending of an activity is what comes after a wait without limit: the
// sign-off of a flash. It need not come as soon as it can, for whoever would do
// it may have longer work to begin. A genome may put it off until another
// activity has its place (genome.after). Till then the activity is open: it
// keeps what it holds, and its ending takes nobody's time. What needs its end,
// or has no place without what it holds, closes it.

// opening is an activity whose ending has no place yet.
type opening struct {
	a    int32
	cut  int32 // first stretch of the ending
	from Time  // end of the stretch before
	hi   Time  // until when all that it holds is its own
}

// tornMax is how many endings that found no room in time one decode puts
// where they had it before none is put off any more.
const tornMax = 4

// cutOf is the first stretch of the ending of a mode, 0 without one.
func (p *option) cutOf() int {
	for i := 1; i < len(p.st); i++ {
		if p.st[i].handsOn && p.st[i-1].maxWait == forever {
			return i
		}
	}
	return 0
}

// from is what is left of p from stretch cut on.
func (p *option) from(cut int) *option {
	e := &option{mode: p.mode, st: p.st[cut:], class: -1}
	for i := range e.st {
		e.minimum += e.st[i].d
		if e.rigid == i && !e.st[i].split && (i == 0 || !e.st[i].handsOn) {
			e.rigid = i + 1
		}
	}
	return e
}

// ending is that of an activity in the layout.
func (d *decoder) ending(a int32) *option {
	if act := &d.in.acts[a]; act.begun() {
		return act.ending
	}
	return d.in.acts[a].opts[d.opt[a]].ending
}

// putsOff says that the ending of a is to wait, by option p.
func (d *decoder) putsOff(a int32, p *option) bool {
	if p.ending == nil || !d.puts || d.glued[a] {
		return false
	}
	if d.always {
		return true
	}
	b := d.g.after[a]
	return b >= 0 && b != a && d.state[b] == pendingState
}

// begin books all of a but its ending.
func (d *decoder) begin(a int32, k int, f *fitting, lim *limits) {
	act := &d.in.acts[a]
	p := &act.opts[k]
	cut := p.cutOf()
	o := opening{a: a, cut: int32(cut), from: f.e[cut-1], hi: min(lim.hiEnd, d.in.horizon)}
	if act.window != nil {
		if i := act.window.at(f.end - 1); i < len(act.window.iv) {
			o.hi = min(o.hi, act.window.iv[i].End)
		}
	}
	for i := range p.needs {
		o.hi = min(o.hi, d.res[f.held[i]].short(f.end, p.needs[i].amount))
	}
	for _, b := range act.peers {
		if d.state[b] == placedState && d.start[b] >= f.end && d.start[b] < d.end[b] {
			o.hi = min(o.hi, d.start[b])
		}
	}
	end := f.end
	f.end = o.hi
	d.commitUpTo(a, k, f, cut)
	f.end, d.end[a] = end, end
	d.open = append(d.open, o)
}

// short is the first time from t on at which less than amount is free.
func (f *profile) short(t Time, amount int64) Time {
	for i := f.seg(t); i < len(f.at); i++ {
		if f.free[i] < amount {
			return max(t, f.at[i])
		}
	}
	return forever
}

// closeAt gives the i-th open activity its ending. It says false, and which is
// torn, when there is no room for it in time.
func (d *decoder) closeAt(i int) bool {
	o := d.open[i]
	p := d.ending(o.a)
	if !d.fitEnding(&o, p) {
		d.torn = o.a
		return false
	}
	d.open = slices.Delete(d.open, i, i+1)
	d.bookEnding(&o, p, &d.cur)
	return true
}

// bookEnding gives an open activity the ending f and what it no longer holds
// back.
func (d *decoder) bookEnding(o *opening, p *option, f *fitting) {
	off := d.in.stretchOff[o.a] + o.cut
	for i := range p.st {
		k := off + int32(i)
		d.s[k], d.e[k], d.crew[k] = f.s[i], f.e[i], f.crew[i]
		if p.st[i].handsOn {
			d.work(&p.st[i].crews[f.crew[i]], f.s[i], f.e[i], 1)
		}
	}
	d.end[o.a] = f.e[len(p.st)-1]
	d.eachHeld(o.a, func(r int32, amount int64) { d.res[r].take(d.end[o.a], o.hi, -amount) })
	if d.end[o.a] < o.hi {
		d.epoch++ // what was learnt may be wrong now
		d.gaveBack = true
	}
	if d.tr != nil {
		d.tr.ended(d, o, p)
	}
}

// eachHeld calls do with what an activity in the layout holds.
func (d *decoder) eachHeld(a int32, do func(r int32, amount int64)) {
	act := &d.in.acts[a]
	if act.begun() {
		g := act.src.Progress
		for i, id := range g.Held {
			do(d.in.resOf[id], max(act.src.Modes[g.Mode].Needs[i].Amount, 1))
		}
		return
	}
	p, off := &act.opts[d.opt[a]], d.in.needOff[a]
	for i := range p.needs {
		do(d.held[off+int32(i)], p.needs[i].amount)
	}
}

// fitEnding finds the earliest ending into d.cur.
func (d *decoder) fitEnding(o *opening, p *option) bool {
	c := &d.cur
	d.fitted, d.off = o.a, d.in.stretchOff[o.a]+o.cut
	t := o.from
	if d.noFloors {
		lone := d.lone
		d.lone = true
		defer func() { d.lone = lone }()
	}
	if d.g.floorAt != nil && !d.lone {
		t = max(t, d.g.floorAt[d.off])
	}
	for t+p.minimum <= o.hi {
		s, e, k := d.earliest(&p.st[0], 0, t)
		c.s[0], c.e[0], c.crew[0] = s, e, k
		if e > o.hi {
			return false
		}
		if t = d.follow(p); t == s {
			return c.e[len(p.st)-1] <= o.hi
		}
	}
	return false
}

// closeFor closes what a waits for, comes before or must not overlap.
func (d *decoder) closeFor(a int32) bool {
	for i := 0; i < len(d.open); {
		if !d.in.neighbours(a, d.open[i].a) {
			i++
			continue
		}
		if !d.closeAt(i) {
			return false
		}
	}
	return true
}

// neighbours says that where b ends matters to where a may lie, apart from
// what both need.
func (in *instance) neighbours(a, b int32) bool {
	x, y := &in.acts[a], &in.acts[b]
	return x.job == y.job && contains(x.peers, b) ||
		slices.ContainsFunc(x.before, func(l lag) bool { return l.other == b }) ||
		slices.ContainsFunc(y.before, func(l lag) bool { return l.other == a })
}

// closeAfter closes what waited for a.
func (d *decoder) closeAfter(a int32) bool {
	if d.always {
		return true
	}
	for {
		i := d.nextOpen(func(o *opening) bool { return d.g.after[o.a] == a })
		if i < 0 {
			return true
		}
		if !d.closeAt(i) {
			return false
		}
	}
}

// nextOpen is the open activity that can end first of those that are wanted,
// ties by index; -1 for none.
func (d *decoder) nextOpen(wanted func(*opening) bool) int {
	best, at := -1, forever
	for i := range d.open {
		o := &d.open[i]
		if !wanted(o) {
			continue
		}
		start := forever
		if d.fitEnding(o, d.ending(o.a)) {
			start = d.cur.s[0]
		}
		if best < 0 || start < at || start == at && o.a < d.open[best].a {
			best, at = i, start
		}
	}
	return best
}

// closeAll closes everything that is open.
func (d *decoder) closeAll() bool {
	for len(d.open) > 0 {
		if !d.closeAt(d.nextOpen(func(*opening) bool { return true })) {
			return false
		}
	}
	return true
}

// reopen closes, before anything else is placed, the running activities whose
// ending is not put off.
func (d *decoder) reopen(g *genome) bool {
	put := d.puts && len(d.in.pins) == 0 && d.in.boosted == nil
	for i := 0; i < len(d.open); {
		a := d.open[i].a
		if put && !d.glued[a] && (d.always || g.after[a] >= 0 && d.state[g.after[a]] == pendingState) {
			i++
			continue
		}
		if !d.closeAt(i) {
			d.torn, d.noFloors = -1, true // a place in force that is no longer free
			return false
		}
	}
	d.gaveBack = false
	return true
}

// loosen lets the ending of a running activity be put off, if that is all that
// is left of it and it keeps every limit as it was placed. What it holds it
// then has for as long as nothing else needs it.
func (d *decoder) loosen(r *running) {
	act := &d.in.acts[r.act]
	g := act.src.Progress
	m := &act.src.Modes[g.Mode]
	cut := len(m.Stretches) - 1
	if r.breach != 0 || len(act.pins) > 0 || d.in.p.Weights.Makespan > 0 || len(g.Stretches) > cut || cut < 1 ||
		m.Stretches[cut].Workers == 0 || m.Stretches[cut-1].MaxWait != model.Unlimited {
		return
	}
	for i, id := range g.Held {
		if m.Needs[i].Span != "" || d.in.res[d.in.resOf[id]].src.Consumable {
			return
		}
	}
	scratch := act.restOf()
	list, ok := d.in.outline.crews(&scratch, m, &wishes{}, len(g.Stretches), d.begunCrew(act))
	if !ok || len(list) != 1 {
		return
	}
	p := d.in.outline.option(&scratch, g.Mode, len(g.Stretches), held{}, list[0])
	act.ending = p.from(cut)
	o := opening{a: r.act, cut: int32(cut), from: max(r.st[cut-1].End, d.in.now), hi: d.in.horizon}
	d.bookStretch(&r.st[cut], -1)
	end := d.end[r.act]
	if act.window != nil {
		if i := act.window.at(end - 1); i < len(act.window.iv) {
			o.hi = min(o.hi, act.window.iv[i].End)
		}
	}
	d.eachHeld(r.act, func(x int32, amount int64) {
		d.res[x].take(d.start[r.act], end, -amount)
		o.hi = min(o.hi, d.res[x].short(end, amount))
		d.res[x].take(d.start[r.act], end, amount)
	})
	o.hi = max(o.hi, end)
	d.eachHeld(r.act, func(x int32, amount int64) { d.res[x].take(end, o.hi, amount) })
	d.open = append(d.open, o)
}

// sync takes the endings of running activities over from the layout.
func (d *decoder) sync(runs []running) {
	for i := range runs {
		r := &runs[i]
		p := d.in.acts[r.act].ending
		if p == nil {
			continue
		}
		r.st = slices.Clone(r.st)
		cut := len(r.st) - 1
		o := d.in.stretchOff[r.act] + int32(cut)
		c := &p.st[0].crews[d.crew[o]]
		r.st[cut] = model.StretchTime{Start: d.s[o], End: d.e[o], Parts: c.parts(&p.st[0], d.s[o], d.e[o])}
		for _, w := range c.workers {
			r.st[cut].Workers = append(r.st[cut].Workers, d.in.workers[w].id)
		}
	}
}

// mend notes the ending that was torn; it and, if that happens too often, all
// others are not put off in what remains of the decode.
func (d *decoder) mend() {
	d.glued[d.torn] = true
	d.tears++
	d.torn = -1
}

// settleEndings takes out of g what had to be mended.
func (d *decoder) settleEndings(g *genome) {
	if d.tears == 0 || g.after == nil {
		return
	}
	for a := range g.after {
		if d.glued[a] || d.tears > tornMax {
			g.after[a] = -1
		}
	}
}

// whole forgets what was torn.
func (d *decoder) whole() {
	if d.tears > 0 {
		clear(d.glued)
	}
	d.tears, d.torn, d.noFloors = 0, -1, false
}

// endable says that a may have an ending.
func (a *act) endable() bool {
	return a.ending != nil || !a.begun() && slices.ContainsFunc(a.opts, func(p option) bool { return p.ending != nil })
}

// loose says that something that runs could end later.
func (in *instance) loose() bool {
	return slices.ContainsFunc(in.acts, func(a act) bool { return a.begun() && a.ending != nil })
}

// anchorsOf are the anchors of a genome that replays a plan.
func (in *instance) anchorsOf(g *genome) []int32 {
	start, ending := make([]Time, len(in.acts)), make([]Time, len(in.acts))
	for i := range in.acts {
		a := &in.acts[i]
		start[i], ending[i] = forever, forever
		if g.floor[i] > -forever {
			start[i] = g.floor[i]
		}
		p := a.ending
		if !a.begun() && len(a.opts) > 0 {
			p = a.opts[max(g.opt[i], 0)].ending
		}
		if p == nil {
			continue
		}
		if f := g.floorAt[in.endingOff(int32(i), p)]; f > -forever {
			ending[i] = f
		}
	}
	return in.anchors(g.list, start, ending)
}

// anchors puts each ending that starts later than something listed after its
// activity off until that has its place. The list is by start; starts and
// endings are forever where there are none.
func (in *instance) anchors(list []int32, start, ending []Time) []int32 {
	after := make([]int32, len(in.acts))
	pos := make([]int, len(in.acts))
	for i := range after {
		after[i], pos[i] = -1, -1
	}
	n := 0
	for k, a := range list {
		pos[a] = k
		if start[a] < forever {
			n = k + 1
		}
	}
	for a := range after {
		if ending[a] >= forever {
			continue
		}
		for k := n - 1; k > pos[a]; k-- {
			if start[list[k]] < ending[a] {
				after[a] = list[k]
				break
			}
		}
	}
	return after
}
