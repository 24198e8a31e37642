package solve

// forward builds a schedule as a shop does, forward in time: of what could
// start before the first of it would end, what has the highest index at that
// moment goes (Giffler & Thompson's active schedules, Operations Research 8,
// 1960). It gives a list, by start; nil where a wish or a maximum lag stands in
// the way.
func (s *search) forward(index func(*forwarder, *candidate, Time) int64) []int32 {
	f := &forwarder{d: s.d, in: s.in, rule: index, waits: make([]int32, len(s.in.acts))}
	var total, jobs, pace int64
	f.left, pace = s.in.workload()
	for _, w := range f.left {
		total += w
		if w > 0 {
			jobs++
		}
	}
	f.mean = max(1, total/max(1, jobs)*pace/paceUnit)
	d := s.d
	d.schedules++
	s.shown = false
	d.lower()
	d.epoch++
	d.growing, d.g = true, &d.unbound
	d.unbound.like = nil
	defer func() { d.growing = false }()
	d.layout.set(&d.base)
	g := &genome{list: s.in.listBy(latestFinish(s.in))}
	if again, pin := d.wishes(g, false); again || pin >= 0 {
		return nil
	}
	if !f.run() {
		return nil
	}
	return s.in.listBy(d.starts())
}

type forwarder struct {
	d     *decoder
	in    *instance
	rule  func(*forwarder, *candidate, Time) int64
	mean  int64   // work of a job, in ticks of the whole shop
	waits []int32 // predecessors not yet placed
	left  []int64 // work left of each job
	ready []candidate
}

// candidate is an activity whose predecessors are placed.
type candidate struct {
	a     int32
	start Time // at the earliest
	index int64
}

func (f *forwarder) run() bool {
	for i := range f.in.acts {
		if f.in.acts[i].begun() {
			continue
		}
		for _, l := range f.in.acts[i].before {
			if f.d.state[l.other] == pendingState {
				f.waits[i]++
			}
		}
		if f.waits[i] == 0 && f.d.state[i] == pendingState {
			f.admit(int32(i))
		}
	}
	for len(f.ready) > 0 {
		k := f.next()
		a := f.ready[k].a
		f.ready[k] = f.ready[len(f.ready)-1]
		f.ready = f.ready[:len(f.ready)-1]
		if again, pin := f.d.put(a, &f.d.unbound, false); again || pin >= 0 {
			return false
		}
		act := &f.in.acts[a]
		f.left[act.job] -= int64(act.minimum)
		for _, l := range act.after {
			if f.waits[l.other]--; f.waits[l.other] == 0 && f.d.state[l.other] == pendingState {
				f.admit(l.other)
			}
		}
	}
	return true
}

func (f *forwarder) admit(a int32) {
	lim, _ := f.d.limits(a, &f.d.unbound)
	f.ready = append(f.ready, candidate{a: a, start: lim.lo})
}

// exact brings the earliest start of a candidate up to date and returns its
// end, forever when it has no place.
func (f *forwarder) exact(c *candidate) Time {
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
	if end >= forever {
		return first
	}
	now := f.ready[first].start
	for i := range f.ready {
		f.ready[i].index = f.rule(f, &f.ready[i], now)
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
		if f.exact(&f.ready[best]); f.ready[best].start == was || f.ready[best].start < end {
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
		if f.ready[best].start == was {
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
