package solve

import "sync"

// Several climbs end in plans of very different value, and how good one becomes
// shows early. So a few race: they climb side by side, and after every second
// round the last one goes on from where the first one stands. They begin with
// the best plans constructed, one each. Their number and the lengths of the
// rounds depend on the problem and the count of schedules alone, so that the
// plan is the same on any number of cores.
const (
	racers     = 4
	raceMin    = 100 * racers // schedules below which one climbs alone
	apartMin   = 100 * racers // schedules below which all begin with the best
	entryRound = 6            // from which on those enter who were held back
	lapMin     = 16           // schedules of a racer in the first rounds
	lapMax     = 512
)

// race climbs with several climbers until the count is used up.
func (s *search) race() {
	s.least() // once for all
	var list []*climber
	apart := true
	enter := func() {
		i := len(list)
		sub := s.fork()
		if apart && i < len(s.seeds) && i > 0 && s.o.Schedules >= apartMin {
			sub.best = s.seeds[i].score
			sub.genome.copy(&s.seeds[i].genome)
		}
		sub.o.Schedules = 2 // what the climber needs to stand where s does
		list = append(list, newClimber(sub, uint64(i)))
	}
	for range racers {
		if enter(); len(s.in.acts) > constructMax && len(list) == racers/2 {
			break // where a schedule takes long, few get further at first
		}
	}
	apart = false // who enters later begins with the best
	s.collect(list)
	for round := 0; !s.over(); round++ {
		if round >= entryRound && len(list) < racers {
			enter()
		}
		length := min(lapMax, lapMin<<(round/3))
		left := s.o.Schedules - 1 - s.d.schedules
		for i, c := range list {
			c.s.o.Schedules = c.s.d.schedules + min(length, (left+len(list)-1-i)/len(list)) + 1
		}
		s.run(list)
		s.collect(list)
		best, last := list[0], list[0]
		for _, c := range list[1:] {
			if c.s.best.less(best.s.best) {
				best = c
			}
			if !c.s.best.less(last.s.best) {
				last = c
			}
		}
		if round%2 == 1 && best.s.best.less(last.s.best) {
			last.follow(best)
		}
	}
}

// fork is a search of its own that stands where s stands.
func (s *search) fork() *search {
	f := &search{in: s.in, ctx: s.ctx, o: s.o, best: s.best, low: s.low, proved: s.proved, runs: s.runs}
	f.o.Better = nil
	f.d = newDecoder(s.in)
	f.d.base.set(&s.d.base)
	f.genome.copy(&s.genome)
	return f
}

// run lets the climbers of a round go, on as many threads as are allowed.
func (s *search) run(list []*climber) {
	climb := func(c *climber) {
		for !c.s.over() {
			c.step()
		}
	}
	threads := min(max(1, s.o.Threads), len(list))
	if threads == 1 {
		for _, c := range list {
			climb(c)
		}
		return
	}
	var wait sync.WaitGroup
	for t := range threads {
		wait.Go(func() {
			for i := t; i < len(list); i += threads {
				climb(list[i])
			}
		})
	}
	wait.Wait()
}

// collect counts what the climbers have done and takes over the best plan; of
// equal ones that of the first.
func (s *search) collect(list []*climber) {
	better := false
	for _, c := range list {
		s.d.schedules += c.s.d.schedules - c.counted
		c.counted = c.s.d.schedules
		s.cut = s.cut || c.s.cut
		if c.s.best.less(s.best) {
			s.best, s.optimal, better = c.s.best, c.s.optimal, true
			s.genome.copy(&c.s.genome)
		}
	}
	if better {
		s.shown = false
		if s.o.Better != nil {
			s.o.Better(s.plan())
		}
	}
}

// follow puts c where b stands, with its own draws.
func (c *climber) follow(b *climber) {
	c.s.best = b.s.best
	c.s.genome.copy(&b.s.genome)
	c.cur.list = append(c.cur.list[:0], b.cur.list...)
	c.cur.opt = append(c.cur.opt[:0], b.cur.opt...)
	c.cur.bind = copyOf(c.cur.bind, b.cur.bind)
	c.cur.after = copyOf(c.cur.after, b.cur.after)
	c.cur.keep = copyOf(c.cur.keep, b.cur.keep)
	copy(c.pos, b.pos)
	c.seen.see(&b.seen)
	c.weight = append(c.weight[:0], b.weight...)
	c.score, c.climb, c.idle, c.soft = b.score, b.climb, b.idle, b.soft
	c.late = append(c.late[:0], b.late...)
	c.i = b.i
	c.s.d.resume.valid = false
}
