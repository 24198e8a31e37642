package forecast

import (
	"math"
	"math/rand/v2"
	"sort"

	"tickover/scheduler/model"
)

// walker carries the plan out, one path after the other.
type walker struct {
	c      *compiled
	over   []model.Time // ends of pieces; 0: not yet
	start  []model.Time // of activities; Unlimited: never
	end    []model.Time
	at     []model.Time // where an activity's last stretch ended
	length [][]model.Time
	jobEnd []model.Time
	source rand.PCG
	luck   *rand.Rand
}

func (c *compiled) walker() *walker {
	w := &walker{c: c, over: make([]model.Time, len(c.pieces)), start: make([]model.Time, len(c.acts)), end: make([]model.Time, len(c.acts)),
		at: make([]model.Time, len(c.acts)), length: make([][]model.Time, len(c.acts)), jobEnd: make([]model.Time, len(c.jobs))}
	w.luck = rand.New(&w.source)
	for i := range c.acts {
		w.length[i] = make([]model.Time, c.acts[i].pieces)
	}
	return w
}

func (w *walker) walk(seed, path uint64) {
	c := w.c
	for i := range c.pieces {
		p := &c.pieces[i]
		w.length[p.act][p.index] = w.draw(p, seed, path)
	}
	copy(w.jobEnd, c.done)
	for j := range w.jobEnd {
		if c.planned[j] == model.Unlimited {
			w.jobEnd[j] = model.Unlimited
		}
	}
	for i := range c.acts {
		w.start[i], w.end[i], w.at[i] = model.Unlimited, model.Unlimited, 0
	}
	for i := range c.pieces {
		w.over[i] = w.step(&c.pieces[i])
	}
	for i := range c.acts {
		j := c.acts[i].job
		w.jobEnd[j] = max(w.jobEnd[j], w.end[i])
		if w.jobEnd[j] > c.horizon {
			w.jobEnd[j] = model.Unlimited
		}
	}
}

// draw is a stretch's length on a path. Of a running one at least what has
// passed already: the log-normal given that it is not over.
func (w *walker) draw(p *piece, seed, path uint64) model.Time {
	if p.over || p.duration == 0 {
		return 0
	}
	w.source.Seed(seed^path*0xd1342543de82ef95, p.salt)
	r := w.luck
	planned := float64(p.duration)
	length := planned * math.Exp(p.spread.Shift+p.spread.Sigma*r.NormFloat64())
	if p.running {
		passed := float64(w.c.now - p.began)
		for range 64 {
			if length > passed {
				break
			}
			length = planned * math.Exp(p.spread.Shift+p.spread.Sigma*r.NormFloat64())
		}
		length = max(length, passed+1)
	}
	return model.Time(min(math.Ceil(max(length, 1)), 1<<20))
}

func (w *walker) step(p *piece) model.Time {
	c := w.c
	a := &c.acts[p.act]
	if p.first {
		w.begin(p, a)
	}
	if w.at[p.act] >= model.Unlimited {
		return model.Unlimited
	}
	length := w.length[p.act][p.index]
	at := w.at[p.act]
	switch {
	case p.over:
		at = p.ended
	case p.running:
		at = max(p.began+length, c.now)
	case !p.handsOn:
		at += length // it goes on by itself
	default:
		at = w.work(p, a, max(at, c.now), length)
	}
	w.at[p.act] = at
	if p.last {
		w.end[p.act] = at
	}
	return at
}

// crewFrom is when the crew is through with what the plan has for it before.
func (w *walker) crewFrom(p *piece, from model.Time) model.Time {
	for _, i := range p.after {
		from = max(from, w.over[i])
	}
	return from
}

// begin finds the earliest start of an activity that has not begun.
func (w *walker) begin(p *piece, a *activity) {
	if a.begun {
		w.start[p.act], w.at[p.act] = a.start, a.start
		return
	}
	from := a.release
	for _, b := range a.before {
		at := w.end[b.act]
		if b.atStart {
			at = w.start[b.act]
		}
		if at >= model.Unlimited {
			w.at[p.act] = model.Unlimited
			return
		}
		from = max(from, at+b.min)
	}
	for _, b := range a.place {
		if w.end[b] >= model.Unlimited {
			w.at[p.act] = model.Unlimited
			return
		}
		from = max(from, w.end[b])
	}
	if a.whole != nil {
		var sum model.Time
		for _, l := range w.length[p.act] {
			sum += l
		}
		from = w.inside(p, a, from, sum)
	}
	w.start[p.act], w.at[p.act] = from, from
}

// inside is the earliest start from which the whole activity lies in one of
// its windows and its crew is there to begin it.
func (w *walker) inside(p *piece, a *activity, from, sum model.Time) model.Time {
	for {
		i := after(a.whole, from)
		if i == len(a.whole) {
			return model.Unlimited
		}
		at := max(from, a.whole[i].Start)
		if p.handsOn {
			at = w.fit(p, a, at, w.length[p.act][0])
		}
		switch {
		case at >= model.Unlimited:
			return at
		case at+sum <= a.whole[i].End:
			return at
		case at < a.whole[i].End:
			from = a.whole[i].End
		default:
			from = at
		}
	}
}

// after is the first interval that ends after t.
func after(open []model.Interval, t model.Time) int {
	return sort.Search(len(open), func(i int) bool { return open[i].End > t })
}

// work does a hands-on stretch from a time on and returns its end.
func (w *walker) work(p *piece, a *activity, from, length model.Time) model.Time {
	if p.splittable && len(p.crew) == 1 {
		return w.split(p, a, from, length)
	}
	at := w.fit(p, a, from, length)
	if at >= model.Unlimited {
		return at
	}
	if p.first {
		w.start[p.act] = at
	}
	return at + length
}

// fit is the earliest time from which all of the crew and the places are there
// for the whole length.
func (w *walker) fit(p *piece, a *activity, from, length model.Time) model.Time {
	c := w.c
	from = w.crewFrom(p, from)
	if from >= model.Unlimited {
		return from
	}
	for range 10_000 {
		again := false
		need := func(open []model.Interval) bool {
			i := after(open, from)
			for i < len(open) && max(from, open[i].Start)+length > open[i].End {
				i++
			}
			if i == len(open) {
				return false
			}
			if open[i].Start > from {
				from, again = open[i].Start, true
			} else if i > 0 && from < open[i].Start {
				again = true
			}
			return true
		}
		for _, k := range p.crew {
			if !need(c.free[k]) {
				return w.overlong(p, length)
			}
		}
		for _, k := range a.held {
			if c.open[k] != nil && !need(c.open[k]) {
				return model.Unlimited
			}
		}
		if p.inside != nil && !need(p.inside) {
			return model.Unlimited
		}
		if !again {
			return from
		}
	}
	return model.Unlimited
}

// overlong is the start of a stretch that was drawn longer than any shift: it
// is begun at the start of one and goes on over its end.
func (w *walker) overlong(p *piece, length model.Time) model.Time {
	longest := model.Time(0)
	for _, x := range w.c.free[p.crew[0]] {
		longest = max(longest, x.End-x.Start)
	}
	if length <= longest {
		return model.Unlimited // past the horizon
	}
	i := after(w.c.free[p.crew[0]], w.crewFrom(p, w.at[p.act]))
	if i == len(w.c.free[p.crew[0]]) {
		return model.Unlimited
	}
	return max(w.c.free[p.crew[0]][i].Start, w.crewFrom(p, w.at[p.act]))
}

// split works whenever the one worker is there.
func (w *walker) split(p *piece, a *activity, from, length model.Time) model.Time {
	free := w.c.free[p.crew[0]]
	for _, k := range a.held {
		if w.c.open[k] != nil {
			free = both(free, w.c.open[k])
		}
	}
	at := w.crewFrom(p, from)
	if at >= model.Unlimited {
		return at
	}
	for i := after(free, at); i < len(free); i++ {
		at = max(at, free[i].Start)
		if p.first && w.start[p.act] < at && length == w.length[p.act][p.index] {
			w.start[p.act] = at
		}
		if room := free[i].End - at; room >= length {
			return at + length
		} else {
			length -= room
			at = free[i].End
		}
	}
	return model.Unlimited
}
