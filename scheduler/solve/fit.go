package solve

// limits bound where an activity may lie.
type limits struct {
	lo, hi       Time // start: lo ≤ start ≤ hi
	loEnd, hiEnd Time // end: loEnd ≤ end ≤ hiEnd
}

// fitting is one way to place an activity.
type fitting struct {
	start, end Time
	s, e       []Time  // of each stretch
	crew       []uint8 // index in stretch.crews
	held       []int32
}

func (f *fitting) set(g *fitting, stretches, needs int) {
	f.start, f.end = g.start, g.end
	copy(f.s[:stretches], g.s)
	copy(f.e[:stretches], g.e)
	copy(f.crew[:stretches], g.crew)
	copy(f.held[:needs], g.held)
}

// read is where activity a lies in a layout, by option p.
func (f *fitting) read(l *layout, in *instance, a int32, p *option) {
	f.start, f.end = l.start[a], l.end[a]
	o, n := in.stretchOff[a], len(p.st)
	copy(f.s[:n], l.s[o:])
	copy(f.e[:n], l.e[o:])
	copy(f.crew[:n], l.crew[o:])
	f.held = f.held[:len(p.needs)]
	copy(f.held, l.held[in.needOff[a]:])
}

// fit finds the earliest place of activity a by option p into d.cur.
//
// It moves a start t forward only past starts that cannot work. That is sound
// because every end is monotone: a later start never ends a stretch earlier.
func (d *decoder) fit(a int32, p *option, lim *limits, endMax Time) bool {
	c := &d.cur
	c.held = c.held[:len(p.needs)]
	d.fitted, d.off = a, d.in.stretchOff[a]
	endMax = min(endMax, lim.hiEnd)
	if p.plain {
		return d.fitPlain(a, p, lim, endMax)
	}
	act := &d.in.acts[a]
	front, t := d.frontierOf(p), lim.lo
	if front != nil {
		t = front.past(p.minimum, t)
		if !d.teaches(a) {
			front = nil
		}
	}
	from := t // nothing of the class starts in [from, t)
	for {
		t = d.room(p, t)
		if t > lim.hi || t+p.minimum > endMax {
			break
		}
		s, e, k := d.earliest(&p.st[0], 0, t)
		t = s
		if s > lim.hi || s+p.minimum > endMax {
			break
		}
		c.s[0], c.e[0], c.crew[0] = s, e, k
		next := d.follow(p)
		end := c.e[len(p.st)-1]
		if next == t && end > endMax {
			break
		}
		if next == t && act.window != nil {
			if ok, after := act.window.contain(t, end); !ok {
				d.note(noteWindow, 0, after, t)
				next = after
			}
		}
		if next == t {
			next = d.free(p, t, end)
		}
		if next > t {
			t = next
			continue
		}
		// what follows concerns this activity alone
		switch own := d.peerUntil(a, t, end); {
		case own > t:
			next = own
		case end < lim.loEnd:
			next = d.backTo(p, len(p.st), t, lim.loEnd)
		default:
			if front != nil {
				front.learn(p.minimum, from, t)
			}
			c.start, c.end = t, end
			return true
		}
		if front != nil {
			front.learn(p.minimum, from, t)
			next = front.past(p.minimum, next)
		}
		t, from = next, next
	}
	if front != nil {
		front.learn(p.minimum, from, t)
	}
	return false
}

// fitPlain is fit for one unattended stretch without calendars.
func (d *decoder) fitPlain(a int32, p *option, lim *limits, endMax Time) bool {
	c, dur := &d.cur, p.st[0].d
	front, t := d.frontierOf(p), max(lim.lo, lim.loEnd-dur)
	if front != nil {
		t = front.past(dur, t)
		if !d.teaches(a) {
			front = nil
		}
	}
	from := t
	for t <= lim.hi && t+dur <= endMax {
		if next := d.free(p, t, t+dur); next > t {
			t = next
			continue
		}
		own := d.peerUntil(a, t, t+dur)
		if front != nil {
			front.learn(dur, from, t)
		}
		if own <= t {
			c.start, c.end = t, t+dur
			c.s[0], c.e[0], c.crew[0] = t, t+dur, 0
			return true
		}
		if front != nil {
			own = front.past(dur, own)
		}
		t, from = own, own
	}
	if front != nil {
		front.learn(dur, from, t)
	}
	return false
}

// earliest is the first place of stretch i at t or later by its best crew.
func (d *decoder) earliest(st *stretch, i int, t Time) (s, e Time, k uint8) {
	if d.g.floorAt != nil && !d.lone {
		o := d.off + int32(i)
		if i > 0 && st.handsOn {
			t = max(t, d.g.floorAt[o])
		}
		if c := d.g.crew[o]; c >= 0 && int(c) < len(st.crews) {
			s, e = d.earliestBy(st, &st.crews[c], t)
			return s, e, uint8(c)
		}
	}
	s, e = d.earliestBy(st, &st.crews[0], t)
	for i := 1; i < len(st.crews); i++ {
		if s2, e2 := d.earliestBy(st, &st.crews[i], t); e2 < e {
			s, e, k = s2, e2, uint8(i)
		}
	}
	return s, e, k
}

func (d *decoder) earliestBy(st *stretch, c *crew, t Time) (s, e Time) {
	if st.d == 0 {
		return t, t
	}
	if c.own && !st.split && (d.tr == nil || !d.tr.on) {
		return d.earliestOwn(st, c.workers[0], t)
	}
	i := 0 // interval of the calendar at s
	if c.open != nil {
		i = c.open.at(t)
	}
	for s = t; s < forever; {
		e = s + st.d
		whole := true // [s, e) lies in one interval
		if c.open != nil {
			iv := c.open.iv
			for i < len(iv) && iv[i].End <= s {
				i++
			}
			if i == len(iv) {
				d.noteShift(c, forever, s)
				return forever, forever
			}
			if s < iv[i].Start {
				d.noteShift(c, iv[i].Start, s)
				s = iv[i].Start
				continue
			}
			if e > iv[i].End {
				if !st.split {
					s = iv[i].End // the next round finds the next interval
					continue
				}
				whole = false
				e = c.open.finish(s, st.d)
			}
		}
		if st.inside != nil {
			if ok, next := st.inside.contain(s, e); !ok {
				d.note(noteInside, 0, next, s)
				s = next
				continue
			}
		}
		next := s
		if len(c.workers) > 0 {
			next = d.atWork(c, s, e, i, whole)
		}
		if next == s {
			return s, e
		}
		s = next
	}
	return forever, forever
}

// earliestOwn is earliestBy for one worker whose shifts are the only calendar.
func (d *decoder) earliestOwn(st *stretch, w int32, t Time) (s, e Time) {
	f := &d.busy[w]
	for s = t; s < forever; {
		if s = f.gap(s, st.d, 1); s >= forever {
			break
		}
		if st.inside == nil {
			return s, s + st.d
		}
		ok, next := st.inside.contain(s, s+st.d)
		if ok {
			return s, s + st.d
		}
		s = next
	}
	return forever, forever
}

// atWork says until when a worker of the crew is busy in the open ticks of
// [s, e), which begin in interval i; s when none is.
func (d *decoder) atWork(c *crew, s, e Time, i int, whole bool) Time {
	for _, w := range c.workers {
		f := &d.busy[w]
		if whole {
			if until, blocked := f.block(s, e, 1); blocked {
				if d.tr != nil && d.tr.on && c.open != nil {
					until = min(until, c.open.iv[i].End)
				}
				d.note(noteWorker, w, until, s)
				return until
			}
			continue
		}
		for k := i; k < len(c.open.iv) && c.open.iv[k].Start < e; k++ {
			iv := c.open.iv[k]
			if until, blocked := f.block(max(s, iv.Start), min(e, iv.End), 1); blocked {
				d.note(noteWorker, w, until, s)
				return until
			}
		}
	}
	return s
}

// follow lays the stretches after the first behind it. It returns the first
// one's start when they fit, and otherwise a later start to try.
func (d *decoder) follow(p *option) Time {
	c := &d.cur
	t := c.s[0]
	for i := 1; i < len(p.st); i++ {
		st, prev := &p.st[i], c.e[i-1]
		mark := d.mark()
		s, e, k := d.earliest(st, i, prev)
		limit := Time(0)
		if st.handsOn {
			limit = p.st[i-1].maxWait
		}
		if s-prev > limit {
			next := forever
			if s < forever {
				next = d.backTo(p, i, t, s-limit)
			}
			d.noteWait(mark, next)
			return next
		}
		d.reset(mark)
		c.s[i], c.e[i], c.crew[i] = s, e, k
	}
	return t
}

// backTo is the earliest start after t with which the stretch before i ends at
// x or later.
func (d *decoder) backTo(p *option, i int, t, x Time) Time {
	if i <= p.rigid {
		sum := Time(0)
		for k := range i {
			sum += p.st[k].d
		}
		return max(t+1, x-sum)
	}
	lo, hi := t, max(x, t+1) // the end at lo is before x, at hi not
	for hi-lo > 1 {
		mid := lo + (hi-lo)/2
		if d.endOf(p, i, mid) >= x {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// endOf is when stretch i-1 ends with a start at t or later, waits unlimited.
func (d *decoder) endOf(p *option, i int, t Time) Time {
	for k := range i {
		_, e, _ := d.earliest(&p.st[k], k, t)
		if e >= forever {
			return forever
		}
		t = e
	}
	return t
}

// peerUntil is the end of another activity of the job that lies in [s, e); s
// when none does.
func (d *decoder) peerUntil(a int32, s, e Time) Time {
	if s < e {
		for _, b := range d.in.acts[a].peers {
			if d.state[b] == placedState && d.start[b] < e && s < d.end[b] && d.start[b] < d.end[b] {
				d.note(noteJob, b, d.end[b], s)
				return d.end[b]
			}
		}
	}
	return s
}

// free chooses resources for a hold over [s, e). It returns s when all are
// free, and otherwise a later start.
func (d *decoder) free(p *option, s, e Time) Time {
	if p.given {
		for i := range p.needs {
			n := &p.needs[i]
			r := n.cand[0]
			if until, blocked := d.res[r].block(s, e, n.amount); blocked {
				d.note(noteNeed, int32(i), until, s)
				return until
			}
			d.cur.held[i] = r
		}
		return s
	}
	clash := false
	for i := range p.needs {
		next, twice := d.choose(p, i, s, e)
		if next != s {
			return next
		}
		clash = clash || twice
	}
	if clash {
		return d.match(p, s, e)
	}
	return s
}

// room is the first time at t or later at which each need of p finds a resource
// that is free for as long as p lasts at least.
func (d *decoder) room(p *option, t Time) Time {
	if p.minimum == 0 || len(p.needs) == 0 || d.tr != nil && d.tr.on {
		return t
	}
	for i, steady := 0, 0; steady < len(p.needs) && t < forever; i, steady = (i+1)%len(p.needs), steady+1 {
		n := &p.needs[i]
		next := forever
		for _, r := range n.cand {
			if n.span >= 0 || d.in.res[r].src.Consumable {
				next = t
				break
			}
			if next = min(next, d.res[r].gap(t, p.minimum, n.amount)); next == t {
				break
			}
		}
		if next > t {
			t, steady = next, 0
		}
	}
	return t
}

// choose takes the first free candidate for need i. twice says that the only
// free ones serve another need already.
func (d *decoder) choose(p *option, i int, s, e Time) (next Time, twice bool) {
	n, c := &p.needs[i], &d.cur
	next = forever
	if d.g.bind != nil && !d.lone {
		if r := d.g.bind[d.fitted]; r >= 0 && contains(n.cand, r) && !contains(c.held[:i], r) {
			if next = d.until(n, r, s, e); next != s {
				d.note(noteNeed, int32(i), next, s)
			}
			c.held[i] = r
			return next, false
		}
	}
	if v := d.like(d.fitted); v != nil && len(n.cand) > 1 { // stay if possible
		for _, r := range v.held {
			if !contains(n.cand, r) || contains(c.held[:i], r) {
				continue
			}
			if until := d.until(n, r, s, e); until == s {
				c.held[i] = r
				return s, false
			}
		}
	}
	for _, r := range n.cand {
		until := d.until(n, r, s, e)
		if until != s {
			next = min(next, until)
			continue
		}
		if contains(c.held[:i], r) {
			twice = true
			continue
		}
		c.held[i] = r
		return s, false
	}
	if twice {
		c.held[i] = -1
		return s, true
	}
	d.note(noteNeed, int32(i), next, s)
	return next, false
}

// until is s when r can serve n over [s, e), and otherwise a later start.
func (d *decoder) until(n *need, r int32, s, e Time) Time {
	if d.in.res[r].src.Consumable {
		if d.stock[r] < n.amount {
			return forever
		}
		return s
	}
	if n.span >= 0 {
		return d.untilSpan(n, r, s, e)
	}
	until, _ := d.res[r].block(s, e, n.amount)
	return until
}

// untilSpan: the first member of a span takes its resource from its start to
// the horizon; the rest is given back when the last one is placed.
func (d *decoder) untilSpan(n *need, r int32, s, e Time) Time {
	sp := &d.span[n.span]
	switch {
	case sp.res < 0 && d.lone:
		until, _ := d.res[r].block(s, e, n.amount)
		return until
	case sp.res < 0:
		until, _ := d.res[r].block(s, max(e, d.in.horizon), n.amount)
		return until
	case sp.res != r:
		return forever
	case d.shut(r, s, e) > s:
		return d.shut(r, s, e)
	case s < sp.from:
		until, _ := d.res[r].block(s, sp.from, n.amount)
		return until
	}
	return s
}

func contains(list []int32, x int32) bool {
	for _, y := range list {
		if y == x {
			return true
		}
	}
	return false
}

// match serves needs whose candidates overlap, by trying all assignments.
func (d *decoder) match(p *option, s, e Time) Time {
	next := forever
	var serve func(i int) bool
	serve = func(i int) bool {
		if i == len(p.needs) {
			return true
		}
		for _, r := range p.needs[i].cand {
			if contains(d.cur.held[:i], r) {
				continue
			}
			if until := d.until(&p.needs[i], r, s, e); until != s {
				next = min(next, until)
				continue
			}
			d.cur.held[i] = r
			if serve(i + 1) {
				return true
			}
		}
		return false
	}
	if serve(0) {
		return s
	}
	d.note(noteNeed, 0, next, s)
	return next
}
