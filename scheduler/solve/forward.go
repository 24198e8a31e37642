package solve

import "math"

// forward builds a schedule as a shop does, forward in time: of what could
// start before the first of it would end, what has the highest index at that
// moment goes (Giffler & Thompson's active schedules, Operations Research 8,
// 1960). It gives a list by start, and the endings that it puts off; nil where a
// wish or a maximum lag stands in the way.
func (s *search) forward(r indexing) *genome {
	d := s.d
	d.lower()
	d.whole()
	d.g = &d.unbound
	d.unbound.like = nil
	s.shown = false
	d.always = true
	defer func() { d.always, d.growing = false, false }()
	for {
		f := &forwarder{d: d, in: s.in, indexing: r, waits: make([]int32, len(s.in.acts)), after: make([]int32, len(s.in.acts))}
		f.measure()
		if f.build() {
			return f.genome()
		}
		if d.torn < 0 || s.over() {
			return nil
		}
		d.mend()
	}
}

// measure takes the work of the jobs.
func (f *forwarder) measure() {
	var total, jobs, pace int64
	f.left, pace = f.in.workload()
	for _, w := range f.left {
		total += w
		if w > 0 {
			jobs++
		}
	}
	f.mean = max(1, total/max(1, jobs)*pace/paceUnit)
}

// build makes one try.
func (f *forwarder) build() bool {
	d := f.d
	d.schedules++
	d.epoch++
	d.growing = true
	d.puts = d.tears <= tornMax
	d.layout.set(&d.base)
	if !d.reopen(&d.unbound) {
		return false
	}
	g := &genome{list: f.in.listBy(latestFinish(f.in))}
	if again, pin := d.wishes(g, false); again || pin >= 0 {
		return false
	}
	return f.run()
}

// genome is the list in the order of placing, with what was put off.
func (f *forwarder) genome() *genome {
	g := &genome{list: f.list}
	for a := range f.in.acts {
		if f.in.acts[a].endable() && g.after == nil {
			g.after = f.after
		}
	}
	return g
}

// endingOff is where the first stretch of ending p of a lies in the flat arrays.
func (in *instance) endingOff(a int32, p *option) int32 {
	mode := p.mode
	return in.stretchOff[a] + int32(len(in.acts[a].src.Modes[mode].Stretches)-len(p.st))
}

// indexing is a way to choose among what could go next.
type indexing struct {
	index func(*forwarder, *candidate, Time) int64
	// prompt never leaves anybody waiting: only what could start first goes,
	// endings before all else.
	prompt bool
}

type forwarder struct {
	d  *decoder
	in *instance
	indexing
	mean  int64   // work of a job, in ticks of the whole shop
	waits []int32 // predecessors not yet placed
	left  []int64 // work left of each job
	ready []candidate
	list  []int32 // as placed
	after []int32 // what each ending waited for
}

// candidate is an activity whose predecessors are placed.
type candidate struct {
	a     int32
	start Time // at the earliest
	index int64
	ends  bool // it is the ending of a that goes next
}

func (f *forwarder) run() bool {
	for i := range f.after {
		f.after[i] = -1
	}
	for i := range f.in.acts {
		if a := int32(i); !f.in.acts[i].begun() && f.d.state[i] == placedState {
			f.list = append(f.list, a) // a wish
		}
	}
	for i := range f.in.acts {
		if f.in.acts[i].begun() {
			continue
		}
		for _, l := range f.in.acts[i].before {
			if f.d.state[l.other] == pendingState || f.d.isOpen(l.other) >= 0 {
				f.waits[i]++
			}
		}
		if f.waits[i] == 0 && f.d.state[i] == pendingState {
			f.admit(int32(i))
		}
	}
	for i := range f.d.open {
		f.ready = append(f.ready, candidate{a: f.d.open[i].a, start: f.d.open[i].from, ends: true})
	}
	for len(f.ready) > 0 {
		k := f.next()
		if f.d.torn >= 0 {
			return false
		}
		c := f.ready[k]
		f.ready[k] = f.ready[len(f.ready)-1]
		f.ready = f.ready[:len(f.ready)-1]
		if c.ends {
			if !f.d.closeAt(f.d.isOpen(c.a)) {
				return false
			}
			if n := len(f.list); n > 0 && f.list[n-1] != c.a {
				f.after[c.a] = f.list[n-1]
			}
			f.close(c.a)
			continue
		}
		if again, pin := f.d.put(c.a, &f.d.unbound, false); again || pin >= 0 {
			return false
		}
		f.list = append(f.list, c.a)
		act := &f.in.acts[c.a]
		f.left[act.job] -= int64(act.minimum)
		if i := f.d.isOpen(c.a); i >= 0 {
			f.ready = append(f.ready, candidate{a: c.a, start: f.d.open[i].from, ends: true})
			continue
		}
		f.release(c.a)
	}
	return true
}

// release admits what waited for a alone.
func (f *forwarder) release(a int32) {
	for _, l := range f.in.acts[a].after {
		if f.waits[l.other]--; f.waits[l.other] == 0 && f.d.state[l.other] == pendingState {
			f.admit(l.other)
		}
	}
}

// close lets those look again who could not start before the end of a.
func (f *forwarder) close(a int32) {
	for i := range f.ready {
		f.ready[i].start = min(f.ready[i].start, max(f.d.end[a], f.in.acts[f.ready[i].a].release))
	}
	f.release(a)
}

// isOpen is the place of a among what is open, -1 when it is not.
func (d *decoder) isOpen(a int32) int {
	for i := range d.open {
		if d.open[i].a == a {
			return i
		}
	}
	return -1
}

func (f *forwarder) admit(a int32) {
	lim, _ := f.d.limits(a, &f.d.unbound)
	f.ready = append(f.ready, candidate{a: a, start: lim.lo})
}

// exact brings the earliest start of a candidate up to date and returns its
// end, forever when it has no place.
func (f *forwarder) exact(c *candidate) Time {
	if c.ends {
		o := &f.d.open[f.d.isOpen(c.a)]
		p := f.d.ending(c.a)
		if !f.d.fitEnding(o, p) {
			f.d.torn, c.start = c.a, o.from
			return o.from
		}
		c.start = f.d.cur.s[0]
		return f.d.cur.e[len(p.st)-1]
	}
	for i := range f.d.open {
		if f.in.neighbours(c.a, f.d.open[i].a) {
			c.start = forever
			return forever
		}
	}
	lim, state := f.d.limits(c.a, &f.d.unbound)
	if state != ready {
		c.start = forever
		return forever
	}
	k, p := f.d.pick(c.a, &lim, &f.d.unbound)
	if k < 0 {
		c.start = forever
		return forever
	}
	c.start = p.start
	return p.end
}

// next is the candidate to place: the one with the highest index of those that
// could start before the one that can start first would end.
func (f *forwarder) next() int {
	first, end := f.first()
	if end >= forever || f.d.torn >= 0 {
		return first
	}
	if f.prompt {
		end = f.ready[first].start + 1
	}
	now := f.ready[first].start
	for i := range f.ready {
		f.ready[i].index = math.MaxInt64
		if !f.ready[i].ends || !f.prompt {
			f.ready[i].index = f.indexing.index(f, &f.ready[i], now)
		}
	}
	for {
		best := first
		for i := range f.ready {
			if c := &f.ready[i]; c.start < end && (c.index > f.ready[best].index || c.index == f.ready[best].index && c.a < f.ready[best].a) {
				best = i
			}
		}
		if best == first {
			return first
		}
		was := f.ready[best].start
		if f.exact(&f.ready[best]); f.ready[best].start == was || f.ready[best].start < end || f.d.torn >= 0 {
			return best
		}
	}
}

// first is the candidate with the earliest start, and its end. Starts only ever
// move later, so one that is still right is a lower limit for all.
func (f *forwarder) first() (int, Time) {
	for {
		best := 0
		for i := range f.ready {
			if c, b := &f.ready[i], &f.ready[best]; c.start < b.start || c.start == b.start && c.a < b.a {
				best = i
			}
		}
		was := f.ready[best].start
		end := f.exact(&f.ready[best])
		if f.ready[best].start == was || f.d.torn >= 0 {
			return best, end
		}
	}
}

// apparent is the apparent tardiness cost of the job (Vepsalainen & Morton,
// Management Science 33, 1987) with k = half/2.
func apparent(half int64) func(*forwarder, *candidate, Time) int64 {
	return func(f *forwarder, c *candidate, now Time) int64 {
		act := &f.in.acts[c.a]
		slack := max(0, int64(f.in.dueOf(act.job)-max(now, c.start)-act.tail))
		return decay(f.in.jobs[act.job].src.Weight<<36/max(1, f.left[act.job]), slack*1443/1000, max(1, half*f.mean/2))
	}
}

// promised goes by due date.
func promised(f *forwarder, c *candidate, _ Time) int64 {
	return -int64(f.in.dueOf(f.in.acts[c.a].job))
}

// seeders are the ways to build forward that a search begins with.
var seeders = []indexing{{apparent(1), true}, {apparent(1), false}, {apparent(4), true}, {apparent(4), false}, {promised, true}, {promised, false}}
