package solve

import (
	"cmp"
	"math/rand/v2"
	"slices"

	"tickover/scheduler/model"
)

// improve searches until the count is used up: for the makespan alone by
// breeding (evolve.go), else around the best list by late acceptance hill climbing (Burke & Bykov, EJOR 258, 2017) over moves of single
// activities, whole jobs and options. Late acceptance needs no temperature and
// no floating point.
func (s *search) improve() {
	if s.over() || len(s.genome.list) < 1 {
		return
	}
	if s.several() && s.o.Schedules-s.d.schedules >= raceMin {
		s.race()
		return
	}
	c := newClimber(s, 0)
	for !s.over() {
		c.step()
	}
}

// several says that more than one job has something to place.
func (s *search) several() bool { return len(s.in.openJobs()) > 1 }

// openJobs are the jobs with something to place.
func (in *instance) openJobs() []int32 {
	var out []int32
	for i := range in.jobs {
		if slices.ContainsFunc(in.jobs[i].acts, func(a int32) bool { return !in.acts[a].begun() }) {
			out = append(out, int32(i))
		}
	}
	return out
}

// climber is the state of one climb.
type climber struct {
	s     *search
	r     *rand.Rand
	cur   genome
	score score
	next  genome
	late  []score
	i     int
	idle  int // steps since the climb last got better
	climb score
	// soft climbs may leave activities unplaced on the way: in a tight horizon
	// the best orders lie beyond worse ones.
	soft    bool
	seen    layout  // of cur
	counted int     // schedules that the race has counted
	pos     []int32 // by activity: its place in cur.list
	keys    []int64
	weight  []int64 // by job: how much a change of it may gain, cumulated
	jobs    []int32 // jobs with something to place
	choice  []int32 // activities with more than one option
	places  []int32 // activities with more than one resource for a need
	endings []int32 // activities with an ending
	soon    []int32 // activities that it costs something to move
}

// Bounds of the length of the late-acceptance list.
const (
	lateMin = 3
	lateMax = 100
)

func newClimber(s *search, number uint64) *climber {
	c := &climber{s: s, r: rand.New(rand.NewPCG(s.o.Seed, 0x7469636b+number)), pos: make([]int32, len(s.in.acts)), keys: make([]int64, len(s.in.acts))}
	for _, a := range s.genome.list {
		if len(s.in.acts[a].opts) > 1 {
			c.choice = append(c.choice, a)
		}
		if slices.ContainsFunc(s.in.acts[a].opts, func(p option) bool { return p.places() }) {
			c.places = append(c.places, a)
		}
	}
	c.jobs = s.in.openJobs()
	c.cur = genome{opt: make([]int16, len(s.in.acts))}
	if len(c.places) > 0 {
		c.cur.bind = make([]int32, len(s.in.acts))
	}
	for a := range s.in.acts {
		if s.in.acts[a].endable() {
			c.endings = append(c.endings, int32(a))
		}
	}
	if len(c.endings) > 0 {
		c.cur.after = make([]int32, len(s.in.acts))
	}
	c.cur.keep = s.in.soon()
	for a, near := range c.cur.keep {
		if near {
			c.soon = append(c.soon, int32(a))
		}
	}
	c.late = make([]score, min(lateMax, max(lateMin, (s.o.Schedules-s.d.schedules)/200)))
	s.d.resume = &resumption{}
	c.restart(true)
	c.begin()
	return c
}

// places says that a need has alternatives.
func (p *option) places() bool {
	return slices.ContainsFunc(p.needs, func(n need) bool { return len(n.cand) > 1 })
}

// restart takes the best list up, without floors; free drops its bindings.
func (c *climber) restart(free bool) {
	s := c.s
	free = free || s.genome.floor != nil
	c.cur.list = append(c.cur.list[:0], s.genome.list...)
	for i := range c.cur.opt {
		c.cur.opt[i] = -1
		if !free && s.genome.opt != nil {
			c.cur.opt[i] = s.genome.opt[i]
		}
	}
	for i := range c.cur.bind {
		c.cur.bind[i] = -1
		if !free && s.genome.bind != nil {
			c.cur.bind[i] = s.genome.bind[i]
		}
	}
	if c.cur.after != nil {
		switch {
		case s.genome.after != nil:
			copy(c.cur.after, s.genome.after)
		case s.genome.floorAt != nil:
			copy(c.cur.after, s.in.anchorsOf(&s.genome))
		default:
			for i := range c.cur.after {
				c.cur.after[i] = -1
			}
		}
	}
	for _, a := range c.soon {
		c.cur.keep[a] = s.genome.keep == nil || s.genome.keep[a]
	}
	out := s.try(&c.cur)
	if out.pin >= 0 {
		out.score = worst
	}
	c.accept(&c.cur, out.score)
}

// begin starts a climb at the current genome.
func (c *climber) begin() {
	c.climb, c.idle = c.score, 0
	for i := range c.late {
		c.late[i] = c.score
	}
}

// patience is how many steps without gain end a climb.
func (c *climber) patience() int { return 10*len(c.late) + min(20*len(c.cur.list), 400) }

// kick takes the best up again with a few moves at once. Half of the time it
// drops bindings: those that drifted in keep orders from showing what they can
// do.
func (c *climber) kick() {
	c.soft = !c.soft
	c.restart(c.r.IntN(2) == 0)
	for range 3 + c.r.IntN(4) {
		if c.s.over() {
			return
		}
		c.neighbour()
		if out := c.s.try(&c.next); out.pin < 0 {
			c.accept(&c.next, out.score)
		}
	}
	c.begin()
}

// value is what the climb compares.
func (c *climber) value(sc score) score {
	if !c.soft || sc == worst {
		return sc
	}
	each := c.s.best.cost/model.Cost(4*len(c.jobs)) + 1
	return score{cost: sc.cost + model.Cost(sc.unplaced+sc.crowd)*each}
}

// accept makes g the current genome. A list of many jobs keeps its order, which
// is a priority of jobs; that of one job is put in the order of its starts.
func (c *climber) accept(g *genome, sc score) {
	s := c.s
	s.d.adopt(g)
	c.seen.see(&s.d.layout)
	c.score = c.value(sc)
	if g != &c.cur {
		c.cur.list, g.list = g.list, c.cur.list
		c.cur.opt, g.opt = g.opt, c.cur.opt
		c.cur.bind, g.bind = g.bind, c.cur.bind
		c.cur.after, g.after = g.after, c.cur.after
		c.cur.keep, g.keep = g.keep, c.cur.keep
	}
	if len(c.jobs) < 2 {
		copy(c.keys, s.d.starts())
		slices.SortStableFunc(c.cur.list, func(a, b int32) int { return cmp.Compare(c.keys[a], c.keys[b]) })
	}
	for k, a := range c.cur.list {
		c.pos[a] = int32(k)
	}
	c.weigh()
}

// see takes down where everything is, but not what is left.
func (l *layout) see(g *layout) {
	l.state = append(l.state[:0], g.state...)
	l.start, l.end = append(l.start[:0], g.start...), append(l.end[:0], g.end...)
	l.opt = append(l.opt[:0], g.opt...)
	l.held = append(l.held[:0], g.held...)
	l.s, l.e = append(l.s[:0], g.s...), append(l.e[:0], g.e...)
	l.crew = append(l.crew[:0], g.crew...)
}

// weigh cumulates the costs of the jobs, so that expensive ones are moved more
// often.
func (c *climber) weigh() {
	s := c.s
	c.weight = c.weight[:0]
	var sum int64
	w := &s.in.p.Weights
	for _, i := range c.jobs {
		j := &s.in.jobs[i]
		finish, _ := s.d.finishOf(j)
		cost := w.Flow * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Release)
		if j.src.Due != model.Unlimited && finish > j.src.Due {
			cost += w.Tardiness * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Due)
		}
		sum += int64(cost) + 1
		c.weight = append(c.weight, sum)
	}
}

// job draws a job, half of the time by its cost.
func (c *climber) job() int32 {
	if c.r.IntN(2) == 0 {
		return c.jobs[c.r.IntN(len(c.jobs))]
	}
	x := c.r.Int64N(c.weight[len(c.weight)-1])
	k, _ := slices.BinarySearch(c.weight, x+1)
	return c.jobs[k]
}

// step makes one neighbour, decodes it and accepts it if it is no worse than
// the current one or than the one of len(late) steps ago.
func (c *climber) step() {
	if c.idle > c.patience() {
		c.kick()
		return
	}
	c.neighbour()
	out := c.s.try(&c.next)
	slot := c.i % len(c.late)
	c.i++
	c.idle++
	if v := c.value(out.score); out.pin < 0 && (v.compare(c.score) <= 0 || v.compare(c.late[slot]) <= 0) {
		c.accept(&c.next, out.score)
	}
	if c.score.less(c.late[slot]) {
		c.late[slot] = c.score
	}
	if c.score.less(c.climb) {
		c.climb, c.idle = c.score, 0
	}
}

// neighbour makes next out of cur by one move.
func (c *climber) neighbour() {
	c.next.list = append(c.next.list[:0], c.cur.list...)
	c.next.opt = append(c.next.opt[:0], c.cur.opt...)
	c.next.bind = copyOf(c.next.bind, c.cur.bind)
	c.next.after = copyOf(c.next.after, c.cur.after)
	c.next.keep = copyOf(c.next.keep, c.cur.keep)
	if len(c.soon) > 0 && c.r.IntN(100) < releaseShare {
		c.release()
		return
	}
	if c.next.after != nil && c.r.IntN(100) < putOffShare && c.putOff() {
		return
	}
	switch x := c.r.IntN(100); {
	case len(c.jobs) > 1 && c.r.IntN(100) < min(pullShare, 5*len(c.jobs)) && c.pull(c.job()):
	case len(c.jobs) > 1 && x < 30:
		c.shiftJob(c.job())
	case len(c.jobs) > 1 && x < 50:
		c.swapJobs(c.job(), c.job())
	case len(c.choice) > 0 && x < 65:
		c.reoption()
	case len(c.places) > 0 && x < 75:
		c.rebind()
	default:
		c.shiftActivity()
	}
}

// releaseShare is how many of a hundred moves let an activity that is to start
// soon begin before that, or no longer.
const releaseShare = 8

// release changes that of one activity, or of all of a job.
func (c *climber) release() {
	a := c.soon[c.r.IntN(len(c.soon))]
	to := !c.next.keep[a]
	c.next.keep[a] = to
	if c.r.IntN(3) > 0 {
		return
	}
	for _, b := range c.soon {
		if c.s.in.acts[b].job == c.s.in.acts[a].job {
			c.next.keep[b] = to
		}
	}
}

// reach draws a distance, short ones more often.
func (c *climber) reach(n int) int {
	return 1 + c.r.IntN(1+c.r.IntN(max(1, n)))
}

// shiftActivity moves one activity within what its predecessors and successors
// allow.
func (c *climber) shiftActivity() {
	list := c.next.list
	n := len(list)
	k := c.r.IntN(n)
	a := list[k]
	if len(c.jobs) > 1 && c.r.IntN(2) == 0 {
		acts := c.s.in.jobs[c.job()].acts
		if b := acts[c.r.IntN(len(acts))]; !c.s.in.acts[b].begun() {
			a, k = b, int(c.pos[b])
		}
	}
	lo, hi := 0, n-1
	for _, l := range c.s.in.acts[a].before {
		if !c.s.in.acts[l.other].begun() {
			lo = max(lo, int(c.pos[l.other])+1)
		}
	}
	for _, l := range c.s.in.acts[a].after {
		if !c.s.in.acts[l.other].begun() {
			hi = min(hi, int(c.pos[l.other])-1)
		}
	}
	to := k
	if c.r.IntN(2) == 0 {
		to = max(lo, k-c.reach(k-lo))
	} else {
		to = min(hi, k+c.reach(hi-k))
	}
	to = max(0, min(n-1, to))
	for ; k < to; k++ {
		list[k] = list[k+1]
	}
	for ; k > to; k-- {
		list[k] = list[k-1]
	}
	list[to] = a
}

// shiftJob moves all activities of a job by the same distance in the list.
func (c *climber) shiftJob(j int32) {
	n := len(c.next.list)
	d := c.reach(n)
	if c.r.IntN(2) == 0 {
		d = -d
	}
	for k, a := range c.next.list {
		c.keys[a] = int64(k)<<1 | 1
		if c.s.in.acts[a].job == j {
			c.keys[a] = int64(k+d) << 1
			if d > 0 {
				c.keys[a] += 2
			}
		}
	}
	c.sortNext()
}

// pull looks for what keeps a job late: from its last activity back along what
// each waits for, to one that waits for a resource or a worker. What it waits
// for is put behind it in the list, and with it what its job needs to be there.
func (c *climber) pull(j int32) bool {
	in := c.s.in
	a := int32(-1)
	for _, b := range in.jobs[j].acts {
		if !in.acts[b].begun() && c.seen.state[b] == placedState && (a < 0 || c.seen.end[b] > c.seen.end[a]) {
			a = b
		}
	}
	for steps := 0; a >= 0 && steps < pullMax; steps++ {
		lo, by := in.acts[a].release, int32(-1)
		for i := range in.acts[a].before {
			l := &in.acts[a].before[i]
			if l.toEnd || c.seen.state[l.other] != placedState {
				continue
			}
			v := c.seen.end[l.other] + l.min
			if l.fromStart {
				v = c.seen.start[l.other] + l.min
			}
			if v > lo {
				lo, by = v, l.other
			}
		}
		if c.cur.keeps(a) && c.seen.start[a] > lo && c.seen.start[a] == in.acts[a].prev.start && c.r.IntN(3) == 0 {
			c.next.keep[a] = false
			return true
		}
		if c.seen.start[a] > lo && c.r.IntN(3) > 0 {
			if c.next.after != nil && c.r.IntN(5) == 0 && c.goBefore(a, lo) {
				return true
			}
			if b := c.blocker(a, lo); b >= 0 {
				c.ahead(a, b)
				return true
			}
		}
		if by >= 0 && in.acts[by].begun() {
			by = -1
		}
		a = by
	}
	return false
}

// pullShare is how many of a hundred moves pull where there are many jobs, pullMax how far back one goes.
const (
	pullShare = 70
	pullMax   = 40
)

// blocker draws one of the activities before a in the list that held a
// resource or a worker of a between lo and its start.
func (c *climber) blocker(a int32, lo Time) int32 {
	in, best, n := c.s.in, int32(-1), 0
	for _, b := range c.cur.list[:c.pos[a]] {
		if c.seen.state[b] != placedState || c.seen.end[b] <= lo || c.seen.start[b] >= c.seen.start[a] || in.acts[b].job == in.acts[a].job {
			continue
		}
		if c.seen.shares(in, a, b) {
			n++
			if c.r.IntN(n) == 0 {
				best = b
			}
		}
	}
	return best
}

// goBefore puts one of the endings off that took a worker of a between lo and
// the start of a, till a has its place.
func (c *climber) goBefore(a int32, lo Time) bool {
	in, best, n := c.s.in, int32(-1), 0
	crew := in.acts[a].opts[c.seen.opt[a]].crew
	for _, b := range c.endings {
		x := &in.acts[b]
		if c.seen.state[b] != placedState || c.seen.end[b] <= lo || !x.begun() && c.pos[b] > c.pos[a] || c.next.after[b] == a || in.neighbours(a, b) {
			continue
		}
		p := x.ending
		if !x.begun() {
			p = x.opts[c.seen.opt[b]].ending
		}
		if p == nil {
			continue
		}
		if o := in.endingOff(b, p); c.seen.s[o] < c.seen.end[a] && slices.ContainsFunc(p.st[0].crews[c.seen.crew[o]].workers, func(w int32) bool { return contains(crew, w) }) {
			n++
			if c.r.IntN(n) == 0 {
				best = b
			}
		}
	}
	if best >= 0 {
		c.next.after[best] = a
	}
	return best >= 0
}

// shares says that two placed activities have a resource or a worker in
// common.
func (l *layout) shares(in *instance, a, b int32) bool {
	p, q := &in.acts[a].opts[l.opt[a]], &in.acts[b].opts[l.opt[b]]
	for _, w := range p.crew {
		if contains(q.crew, w) {
			return true
		}
	}
	held := l.held[in.needOff[b] : in.needOff[b]+int32(len(q.needs))]
	for i := range p.needs {
		if r := l.held[in.needOff[a]+int32(i)]; in.res[r].src.Capacity == 1 && contains(held, r) {
			return true
		}
	}
	return false
}

// ahead puts a, and what of its job lies between, before b in the list.
func (c *climber) ahead(a, b int32) {
	job, to := c.s.in.acts[a].job, int64(c.pos[b])
	for k, x := range c.next.list {
		c.keys[x] = int64(k)<<1 | 1
		if c.s.in.acts[x].job == job && int64(k) > to && k <= int(c.pos[a]) {
			c.keys[x] = to << 1
		}
	}
	c.sortNext()
}

// swapJobs lets one job take the other's place.
func (c *climber) swapJobs(a, b int32) {
	if a == b {
		c.shiftJob(a)
		return
	}
	first, second := c.firstOf(a), c.firstOf(b)
	for k, x := range c.next.list {
		c.keys[x] = int64(k) << 1
		switch c.s.in.acts[x].job {
		case a:
			c.keys[x] += int64(second-first) << 1
		case b:
			c.keys[x] += int64(first-second) << 1
		}
	}
	c.sortNext()
}

func (c *climber) firstOf(j int32) int32 {
	first := int32(len(c.next.list))
	for _, a := range c.s.in.jobs[j].acts {
		if !c.s.in.acts[a].begun() {
			first = min(first, c.pos[a])
		}
	}
	return first
}

func (c *climber) sortNext() {
	slices.SortStableFunc(c.next.list, func(a, b int32) int { return int(c.keys[a] - c.keys[b]) })
}

// putOffShare is how many of a hundred moves put an ending off or no longer.
const putOffShare = 10

// putOff lets one ending wait for an activity after it in the list, of about
// the same time, or for none.
func (c *climber) putOff() bool {
	in, a := c.s.in, c.endings[c.r.IntN(len(c.endings))]
	if c.next.after[a] >= 0 && c.r.IntN(2) == 0 {
		c.next.after[a] = -1
		return true
	}
	from := 0
	if !in.acts[a].begun() {
		from = int(c.pos[a]) + 1
	}
	reach := max(c.seen.end[a]-max(c.seen.start[a], in.now), 1)
	best, n := int32(-1), 0
	for _, b := range c.next.list[from:] {
		if c.seen.state[b] != placedState || c.seen.start[b] > c.seen.end[a]+reach || c.seen.end[b] <= c.seen.end[a]-reach || in.neighbours(b, a) {
			continue
		}
		n++
		if c.r.IntN(n) == 0 {
			best = b
		}
	}
	if best < 0 || c.next.after[a] == best {
		return false
	}
	c.next.after[a] = best
	return true
}

// reoption binds one activity to an option, or frees it.
func (c *climber) reoption() {
	a := c.choice[c.r.IntN(len(c.choice))]
	c.next.opt[a] = int16(c.r.IntN(len(c.s.in.acts[a].opts)+1)) - 1
}

// rebind makes one activity wait for one of its resources, or frees it.
func (c *climber) rebind() {
	a := c.places[c.r.IntN(len(c.places))]
	if c.next.bind[a] >= 0 && c.r.IntN(2) == 0 {
		c.next.bind[a] = -1
		return
	}
	opts := c.s.in.acts[a].opts
	needs := opts[c.r.IntN(len(opts))].needs
	n := &needs[c.r.IntN(len(needs))]
	c.next.bind[a] = n.cand[c.r.IntN(len(n.cand))]
}
