package solve

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// score orders schedules: fewer unplaced activities first, then fewer jobs
// beyond the room to wait, then the objective.
type score struct {
	unplaced, crowd int
	cost            model.Cost
}

func (a score) compare(b score) int {
	return cmp.Or(cmp.Compare(a.unplaced, b.unplaced), cmp.Compare(a.crowd, b.crowd), cmp.Compare(a.cost, b.cost))
}

func (a score) less(b score) bool { return a.compare(b) < 0 }

// worst is beaten by every schedule.
var worst = score{unplaced: 1 << 30}

func (d *decoder) score() score {
	var s score
	for _, st := range d.state {
		if st != placedState {
			s.unplaced++
		}
	}
	s.cost = d.cost().Total
	if d.in.p.Buffer != nil {
		s.crowd = d.crowd()
	}
	return s
}

// finish is the last end of a job, the horizon when it is not wholly placed.
func (d *decoder) finishOf(j *job) (Time, bool) {
	if len(j.acts) == 0 {
		return j.src.Release, true
	}
	finish := -forever
	for _, a := range j.acts {
		if d.state[a] != placedState {
			return d.in.horizon, false
		}
		finish = max(finish, d.end[a])
	}
	return finish, true
}

// cost is the objective and its parts.
func (d *decoder) cost() model.CostParts {
	var c model.CostParts
	w := &d.in.p.Weights
	latest := d.in.now
	for i := range d.in.jobs {
		j := &d.in.jobs[i]
		finish, _ := d.finishOf(j)
		latest = max(latest, finish)
		if j.src.Due != model.Unlimited && finish > j.src.Due {
			c.Tardiness += w.Tardiness * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Due)
		}
		c.Flow += w.Flow * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Release)
	}
	c.Makespan = w.Makespan * model.Cost(latest-d.in.now)
	if len(d.in.p.Previous) > 0 {
		d.stability(&c)
	}
	c.Moves = w.Move * model.Cost(c.MovesCount)
	c.Reassigned = w.Reassign * model.Cost(c.ReassignedCount)
	c.Total = c.Tardiness + c.Flow + c.Makespan + c.Moves + c.Reassigned
	return c
}

func (d *decoder) stability(c *model.CostParts) {
	for i := range d.in.acts {
		a := &d.in.acts[i]
		if a.prev == nil || a.begun() {
			continue
		}
		placed := d.state[i] == placedState
		if a.prev.near && (!placed || d.start[i] != a.prev.start || !d.sameHeld(int32(i), a.prev.held)) {
			c.MovesCount++
		}
		if a.prev.accepted && (!placed || !d.samePeople(int32(i), a.prev.crew)) {
			c.ReassignedCount++
		}
	}
}

// sameHeld compares without order; held is sorted.
func (d *decoder) sameHeld(a int32, held []int32) bool {
	n := len(d.in.acts[a].opts[d.opt[a]].needs)
	if n != len(held) {
		return false
	}
	off := d.in.needOff[a]
	if n < 2 {
		return n == 0 || d.held[off] == held[0]
	}
	for _, r := range held {
		if !contains(d.held[off:off+int32(n)], r) {
			return false
		}
	}
	return true
}

func (d *decoder) samePeople(a int32, crew []int32) bool {
	p := &d.in.acts[a].opts[d.opt[a]]
	for i := range p.st {
		if p.st[i].handsOn {
			return slices.Equal(p.st[i].crews[d.crew[d.in.stretchOff[a]+int32(i)]].workers, crew)
		}
	}
	return len(crew) == 0
}

// crowd counts the waits between activities that begin when the buffer is
// full.
func (d *decoder) crowd() int {
	type wait struct {
		model.Interval
		fact bool
	}
	var waits []wait
	var order []int32
	for i := range d.in.jobs {
		j := &d.in.jobs[i]
		if !j.onePlace {
			continue
		}
		order = order[:0]
		whole := true
		for _, a := range j.acts {
			if d.state[a] == placedState {
				order = append(order, a)
			} else {
				whole = false
			}
		}
		if len(order) == 0 {
			continue
		}
		slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(d.start[a], d.start[b]) })
		end, last := d.end[order[0]], order[0]
		add := func(until Time) {
			if until > end {
				waits = append(waits, wait{model.Interval{Start: end, End: until}, end < d.in.now || d.in.acts[last].begun()})
			}
		}
		for _, a := range order[1:] {
			add(d.start[a])
			if d.end[a] >= end {
				end, last = d.end[a], a
			}
		}
		if !whole {
			add(d.in.horizon)
		}
	}
	over := 0
	for _, w := range waits {
		if w.fact {
			continue
		}
		n := 0
		for _, o := range waits {
			if o.Start <= w.Start && w.Start < o.End {
				n++
			}
		}
		if n > d.in.p.Buffer.Capacity {
			over++
		}
	}
	return over
}
