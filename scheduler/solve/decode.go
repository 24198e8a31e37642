package solve

import (
	"tickover/scheduler/model"
)

// state of an activity while decoding.
const (
	pendingState uint8 = iota
	placedState
	unplacedState
)

// decoder turns an activity list into a schedule by serial generation: each
// activity in turn takes the earliest place that is left (Kolisch & Hartmann,
// EJOR 174, 2006, describe the scheme). It is reused: decoding allocates
// nothing once its slices have grown.
type decoder struct {
	in *instance
	// base is the state with the facts placed and nothing else.
	base layout
	layout

	raise    []Time  // floors learnt from maximum lags in this decode
	g        *genome // being decoded
	fitted   int32   // the activity being fitted
	off      int32   // where its stretches lie
	raiseBy  []int32 // the activity that must follow in time
	cur, top fitting
	kept     fitting
	deferred []int32
	// frontiers are by class of option; they hold while the schedule only
	// grows.
	frontiers []frontier
	growing   bool
	// resume is nil where a decode never begins in the middle.
	resume  *resumption
	epoch   int
	loose   Time // the earliest start of the activity being placed, floors apart
	unbound genome
	// schedules counts the constructions begun.
	schedules int
	// lone asks what is possible for an activity by itself; see bound.go.
	lone bool
	tr   *tracer // set in the decode that is explained
	// order is that in which the last decode placed activities, all of them
	// unless it was resumed; soonest are those whose place is the earliest
	// without the genome's floors too.
	order   []int32
	soonest []bool

	// puts says that endings may be put off in this build, always that all are;
	// torn is one that found no room, -1 for none, glued those that may no
	// longer be put off in this decode, after so many tears.
	puts, always bool
	torn         int32
	glued        []bool
	tears        int
	// noFloors says that running activities can't end as the genome has it.
	noFloors bool
}

func newDecoder(in *instance) *decoder {
	d := &decoder{in: in}
	n := len(in.acts)
	d.base = newLayout(in)
	d.layout = newLayout(in)
	d.raise, d.raiseBy = make([]Time, n), make([]int32, n)
	d.glued, d.torn = make([]bool, n), -1
	d.order, d.soonest = make([]int32, 0, n), make([]bool, n)
	d.frontiers = make([]frontier, in.classes)
	for _, f := range []*fitting{&d.cur, &d.top, &d.kept} {
		f.s = make([]Time, in.stretchesMax)
		f.e = make([]Time, in.stretchesMax)
		f.crew = make([]uint8, in.stretchesMax)
		f.held = make([]int32, in.needsMax)
	}
	return d
}

// genome is what a search varies.
type genome struct {
	list []int32
	// opt binds an activity to an option, -1 for the decoder's choice; nil for
	// all -1.
	opt []int16
	// bind makes an activity wait for one resource where it has alternatives,
	// -1 for the decoder's choice; nil for all -1.
	bind []int32
	// floor keeps an activity from starting earlier; nil for none.
	floor []Time
	// floorAt and crew, flat by stretch, keep a stretch from starting earlier
	// and by its crew (-1 for any); nil for none. They replay a plan.
	floorAt []Time
	crew    []int16
	// after puts the ending of an activity off until another has its place, -1
	// for none; nil for all -1.
	after []int32
	// keep lets an activity that is planned to start soon begin no earlier than
	// planned; nil for none.
	keep []bool
	// like is the place of each activity whose resources and crew win ties;
	// nil for that in the plan in force.
	like []*previous
}

// like is the place whose resources and crew win ties.
func (d *decoder) like(a int32) *previous {
	if d.g.like != nil {
		return d.g.like[a]
	}
	return d.in.acts[a].prev
}

// raisesMax bounds how often one decode starts over for maximum lags.
const raisesMax = 40

// outcome of a decode.
type outcome struct {
	// pin is the index of a pin that could not be kept, -1 when all are. The
	// layout is then not valid.
	pin   int
	score score
}

// decode builds the schedule of g.
func (d *decoder) decode(g *genome) outcome {
	d.lower()
	d.whole()
	defer d.settleEndings(g)
	d.g = g
	resume := d.resumable(g)
	for range raisesMax {
		d.schedules++
		again, pin := d.build(g, true, resume)
		if pin >= 0 {
			return outcome{pin: pin}
		}
		if d.torn >= 0 {
			d.mend()
		}
		if !again {
			return outcome{pin: -1, score: d.score()}
		}
		if resume {
			resume, d.resume.usable = false, false
		}
	}
	d.schedules++
	_, pin := d.build(g, false, false)
	return outcome{pin: pin, score: d.score()}
}

// lower forgets the floors learnt from maximum lags.
func (d *decoder) lower() {
	for i := range d.raise {
		d.raise[i] = -forever
	}
}

// build places pinned starts, then the list. again says that a maximum lag
// asks for another try with raised floors. With resume it begins where g
// departs from the genome adopted last.
func (d *decoder) build(g *genome, mayRaise, resume bool) (again bool, pin int) {
	d.epoch++
	d.growing = true
	defer func() { d.growing = false }()
	if d.tr != nil {
		d.tr.clear()
	}
	d.puts = mayRaise && g.after != nil && d.tears <= tornMax
	first := 0
	d.order = d.order[:0]
	if resume {
		first = d.resume.restart(d, g)
	}
	if first == 0 {
		d.layout.set(&d.base)
		d.deferred = d.deferred[:0]
		if !d.reopen(g) {
			return true, -1
		}
		if again, pin := d.wishes(g, mayRaise); again || pin >= 0 {
			return again, pin
		}
	}
	for k := first; k < len(g.list); k++ {
		if resume {
			d.resume.keep(d, k, len(g.list))
		}
		a, open := g.list[k], d.openSpans
		if again, pin := d.put(a, g, mayRaise); again || pin >= 0 {
			return again, pin
		}
		if d.openSpans < open || len(d.deferred) > 0 && d.state[a] == placedState {
			if again, pin := d.retry(g, mayRaise); again || pin >= 0 {
				return again, pin
			}
		}
	}
	if !d.closeAll() {
		return true, -1
	}
	if again, pin := d.finish(g, mayRaise); again || pin >= 0 {
		return again, pin
	}
	if !d.closeAll() {
		return true, -1
	}
	return false, d.pinAlone()
}

// wishes places pinned starts and what has been put in front for them.
func (d *decoder) wishes(g *genome, mayRaise bool) (again bool, pin int) {
	puts := d.puts
	d.puts = false
	defer func() { d.puts = puts }()
	for k := range d.in.pins {
		n := &d.in.pins[k]
		if n.dropped || !n.src.HasStart || d.state[n.act] != pendingState {
			continue
		}
		if d.in.acts[n.act].latest != n.src.Start || !d.placeAt(n.act, n.src.Start, g) {
			if d.tr != nil {
				d.explainPin(k)
			}
			return false, k
		}
	}
	if d.in.boosted != nil {
		for _, a := range g.list {
			if d.in.boosted[a] {
				if again, pin := d.put(a, g, mayRaise); again || pin >= 0 {
					return again, pin
				}
			}
		}
	}
	d.deferred = d.deferred[:0]
	return false, -1
}

// pinAlone is a pin whose activity was placed though something before it could
// not be.
func (d *decoder) pinAlone() int {
	for k := range d.in.pins {
		n := &d.in.pins[k]
		if n.dropped || !n.src.HasStart || d.in.acts[n.act].begun() {
			continue
		}
		for _, l := range d.in.acts[n.act].before {
			if d.state[l.other] != placedState {
				return k
			}
		}
	}
	return -1
}

// retry goes through what was put off, in order, as long as that helps.
func (d *decoder) retry(g *genome, mayRaise bool) (bool, int) {
	for again := true; again; {
		again = false
		list := d.deferred
		d.deferred = d.deferred[len(d.deferred):]
		for _, a := range list {
			if more, pin := d.put(a, g, mayRaise); more || pin >= 0 {
				return more, pin
			}
			again = again || d.state[a] != pendingState
		}
		n := copy(list, d.deferred)
		d.deferred = list[:n]
		again = again && n > 0
	}
	return false, -1
}

// finish gives up on what cannot be placed, one at a time, since each may free
// a span.
func (d *decoder) finish(g *genome, mayRaise bool) (bool, int) {
	for len(d.deferred) > 0 {
		if again, pin := d.retry(g, mayRaise); again || pin >= 0 {
			return again, pin
		}
		if len(d.deferred) > 0 {
			d.giveUp(d.deferred[0])
			d.deferred = d.deferred[:copy(d.deferred, d.deferred[1:])]
		}
	}
	return false, -1
}

// put places a if it can now, defers it if it may later, and gives it up
// otherwise.
func (d *decoder) put(a int32, g *genome, mayRaise bool) (again bool, pin int) {
	if d.state[a] != pendingState {
		return false, -1
	}
	if len(d.open) > 0 && !d.always && !d.closeFor(a) {
		return true, -1
	}
	lim, ready := d.limits(a, g)
	switch ready {
	case waiting:
		d.deferred = append(d.deferred, a)
		return false, -1
	case never:
		d.giveUp(a)
		return !d.closeAfter(a), -1
	}
	placed := d.place(a, &lim, g)
	if !placed && len(d.open) > 0 {
		if !d.closeAll() {
			return true, -1
		}
		placed = d.place(a, &lim, g)
	}
	if placed {
		return !d.closeAfter(a), -1
	}
	if pin := d.pinAfter(a); pin >= 0 {
		if d.tr != nil {
			d.tr.pinned = model.Cause{Kind: model.CauseLag, Constraint: model.C2, Activity: d.in.acts[a].id}
		}
		return false, pin
	}
	if mayRaise && d.raiseFor(a, &lim, g) {
		return true, -1
	}
	if d.openSpans > 0 {
		d.deferred = append(d.deferred, a)
		return false, -1
	}
	d.giveUp(a)
	return false, -1
}

type readiness int

const (
	ready readiness = iota
	waiting
	never
)

// limits are the bounds that placed neighbours set.
func (d *decoder) limits(a int32, g *genome) (limits, readiness) {
	act := &d.in.acts[a]
	lim := limits{lo: max(act.release, d.raise[a]), hi: act.latest, loEnd: -forever, hiEnd: d.in.horizon}
	if act.held != nil || act.shelved || len(act.opts) == 0 {
		return lim, never
	}
	for i := range act.before {
		l := &act.before[i]
		switch d.state[l.other] {
		case pendingState:
			return lim, waiting
		case unplacedState:
			return lim, never
		}
		d.boundBefore(&lim, l)
	}
	for i := range act.after {
		d.limitBy(&lim, &act.after[i])
	}
	d.loose = lim.lo
	if g.floor != nil {
		lim.lo = max(lim.lo, g.floor[a])
	}
	if g.keep != nil && g.keep[a] {
		lim.lo = max(lim.lo, act.prev.start)
	}
	return lim, ready
}

// limitBy bounds an activity by one after it that is pinned and placed; what
// has begun is a fact that judges nobody.
func (d *decoder) limitBy(lim *limits, l *lag) {
	if d.state[l.other] != placedState || d.in.acts[l.other].begun() {
		return
	}
	w := d.start[l.other]
	if l.toEnd {
		w = d.end[l.other]
	}
	if l.fromStart {
		lim.lo, lim.hi = max(lim.lo, w-l.max), min(lim.hi, w-l.min)
	} else {
		lim.loEnd, lim.hiEnd = max(lim.loEnd, w-l.max), min(lim.hiEnd, w-l.min)
	}
}

// place commits to the best option of a that fits. It notes whether the genome
// ties a to a later end than it could have now: what is not tied cannot end
// earlier in the finished schedule either, which holds more.
func (d *decoder) place(a int32, lim *limits, g *genome) bool {
	d.tied[a] = d.raise[a] > -forever || g.opt != nil && g.opt[a] >= 0 && len(d.in.acts[a].opts) > 1 || g.bind != nil && g.bind[a] >= 0
	least := -forever
	d.soonest[a] = g.floor == nil
	if g.keep != nil && d.loose < lim.lo {
		d.tied[a], d.soonest[a] = true, false
	}
	if g.floor != nil {
		loose := *lim
		loose.lo = d.loose
		d.unbound.like = g.like
		d.g = &d.unbound
		k, f := d.pick(a, &loose, &d.unbound)
		d.g = g
		if k < 0 {
			return d.settle(a, k, f, lim)
		}
		if d.meets(a, k, f, lim, g) {
			d.tied[a], d.soonest[a] = d.raise[a] > -forever, true
			return d.settle(a, k, f, lim)
		}
		least = f.end
	}
	k, f := d.pick(a, lim, g)
	if g.floor != nil {
		d.tied[a] = d.raise[a] > -forever || k >= 0 && least < f.end
	}
	return d.settle(a, k, f, lim)
}

// settle commits to a place that was picked, if one was.
func (d *decoder) settle(a int32, k int, f *fitting, lim *limits) bool {
	if d.tr != nil {
		if k >= 0 {
			p := &d.in.acts[a].opts[k]
			d.kept.held = d.kept.held[:len(p.needs)]
			d.kept.set(f, len(p.st), len(p.needs))
			f = &d.kept
		}
		d.explain(a, k, lim, forever)
	}
	if k < 0 {
		return false
	}
	d.order = append(d.order, a)
	if d.putsOff(a, &d.in.acts[a].opts[k]) {
		d.begin(a, k, f, lim)
		return true
	}
	d.commit(a, k, f)
	return true
}

// meets says that a place found without regard to the genome is one that the
// genome asks for.
func (d *decoder) meets(a int32, k int, f *fitting, lim *limits, g *genome) bool {
	if f.start < lim.lo || g.opt != nil && g.opt[a] >= 0 && int(g.opt[a]) != k || g.bind != nil && g.bind[a] >= 0 {
		return false
	}
	if g.floorAt == nil {
		return true
	}
	p, off := &d.in.acts[a].opts[k], d.in.stretchOff[a]
	for i := range p.st {
		o := off + int32(i)
		if c := g.crew[o]; c >= 0 && int(c) < len(p.st[i].crews) && uint8(c) != f.crew[i] || i > 0 && p.st[i].handsOn && f.s[i] < g.floorAt[o] {
			return false
		}
	}
	return true
}

// pick tries the options of a: the earliest end wins, then the latest start
// (the shortest hold), then the crew of the plan in force, then what binds
// less demanded workers. It returns -1 when none fits.
func (d *decoder) pick(a int32, lim *limits, g *genome) (int, *fitting) {
	act := &d.in.acts[a]
	if g.opt != nil && g.opt[a] >= 0 && int(g.opt[a]) < len(act.opts) {
		return d.only(a, int(g.opt[a]), lim)
	}
	if len(act.opts) == 1 {
		return d.only(a, 0, lim)
	}
	best, bestValue := -1, forever
	liked := -1
	if v := d.like(a); v != nil && len(v.crew) > 0 {
		for k := range act.opts {
			if sameCrew(&act.opts[k], v.crew) {
				liked = k
				break
			}
		}
	}
	for i := -1; i < len(act.opts); i++ {
		k := i
		if i < 0 {
			k = liked
		}
		if k < 0 || i == liked {
			continue
		}
		p := &act.opts[k]
		bonus := Time(0)
		if liked >= 0 {
			bonus = d.in.bonus(act, d.like(a), p)
		}
		endMax := bestValue + bonus
		if best >= 0 && p.minimum >= d.top.end-d.top.start {
			endMax-- // a tie would not start later
		}
		if !d.fit(a, p, lim, endMax) {
			continue
		}
		value := d.cur.end - bonus
		if best >= 0 && (value > bestValue || value == bestValue && d.cur.start <= d.top.start) {
			continue
		}
		best, bestValue = k, value
		d.top.held = d.top.held[:len(p.needs)]
		d.top.set(&d.cur, len(p.st), len(p.needs))
	}
	return best, &d.top
}

func (d *decoder) only(a int32, k int, lim *limits) (int, *fitting) {
	if d.fit(a, &d.in.acts[a].opts[k], lim, forever) {
		return k, &d.cur
	}
	return -1, nil
}

// bonus is how much later the crew that accepted may finish than another one.
func (in *instance) bonus(a *act, v *previous, p *option) Time {
	if v == nil || len(v.crew) == 0 || !sameCrew(p, v.crew) {
		return 0
	}
	if a.prev == nil || !a.prev.accepted {
		return 1 // a tie
	}
	w := in.p.Weights
	return 1 + Time(w.Reassign/max(1, (w.Tardiness+w.Flow)*model.Cost(in.jobs[a.job].src.Weight)))
}

func sameCrew(p *option, crew []int32) bool {
	for i := range p.st {
		if !p.st[i].handsOn {
			continue
		}
		ws := p.st[i].crews[0].workers
		if len(p.st[i].crews) > 1 || len(ws) != len(crew) {
			return false
		}
		for k := range ws {
			if ws[k] != crew[k] {
				return false
			}
		}
		return true
	}
	return false
}

// placeAt places a pinned activity at its start, before anything else is.
func (d *decoder) placeAt(a int32, t Time, g *genome) bool {
	act := &d.in.acts[a]
	if t < act.release || act.held != nil || act.shelved || len(act.opts) == 0 {
		return false
	}
	lim := limits{lo: t, hi: t, loEnd: -forever, hiEnd: d.in.horizon}
	d.loose = t
	for i := range act.before {
		if l := &act.before[i]; d.state[l.other] == placedState {
			d.boundBefore(&lim, l)
		}
	}
	for i := range act.after {
		d.limitBy(&lim, &act.after[i])
	}
	d.loose = lim.lo // not that of the activity placed last
	return lim.lo <= lim.hi && d.place(a, &lim, g)
}

// boundBefore bounds an activity by a placed one before it.
func (d *decoder) boundBefore(lim *limits, l *lag) {
	v := d.end[l.other]
	if l.fromStart {
		v = d.start[l.other]
	}
	if l.toEnd {
		lim.loEnd, lim.hiEnd = max(lim.loEnd, v+l.min), min(lim.hiEnd, v+l.max)
		return
	}
	lim.lo, lim.hi = max(lim.lo, v+l.min), min(lim.hi, v+l.max)
}

// pinAfter is a pin that keeps a from its place: one of its own start, or one
// of a placed activity after it.
func (d *decoder) pinAfter(a int32) int {
	for k := range d.in.pins {
		n := &d.in.pins[k]
		if n.dropped || !n.src.HasStart || d.state[n.act] != placedState {
			continue
		}
		for i := range d.in.acts[a].after {
			if d.in.acts[a].after[i].other == n.act {
				return k
			}
		}
	}
	return -1
}

// raiseFor moves the activity that a must follow soon enough to a later start.
func (d *decoder) raiseFor(a int32, lim *limits, g *genome) bool {
	act := &d.in.acts[a]
	free := *lim
	free.hi, free.hiEnd = forever, d.in.horizon
	if free.hi == lim.hi && free.hiEnd == lim.hiEnd {
		return false
	}
	if !d.fitAny(a, &free, g) {
		return false
	}
	raised := false
	for i := range act.before {
		l := &act.before[i]
		if l.max == forever || d.in.acts[l.other].begun() {
			continue
		}
		v, at := d.end[l.other], d.cur.start
		if l.fromStart {
			v = d.start[l.other]
		}
		if l.toEnd {
			at = d.cur.end
		}
		if over := at - (v + l.max); over > 0 {
			d.raise[l.other] = max(d.raise[l.other], d.start[l.other]+over)
			d.raiseBy[l.other] = a
			raised = true
		}
	}
	return raised
}

func (d *decoder) fitAny(a int32, lim *limits, g *genome) bool {
	act := &d.in.acts[a]
	best := -1
	for k := range act.opts {
		if g.opt != nil && g.opt[a] >= 0 && int(g.opt[a]) != k {
			continue
		}
		if d.fit(a, &act.opts[k], lim, forever) && (best < 0 || d.cur.start < d.top.start) {
			best = k
			d.top.held = d.top.held[:len(act.opts[k].needs)]
			d.top.set(&d.cur, len(act.opts[k].st), len(act.opts[k].needs))
		}
	}
	if best >= 0 {
		d.cur.start, d.cur.end = d.top.start, d.top.end
	}
	return best >= 0
}
