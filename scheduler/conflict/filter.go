package conflict

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// testsMax bounds the tests of one question.
const testsMax = 800

// answer fills in whether it is impossible, and why.
func (q *question) answer(c *Conflict) {
	c.Exact = q.exact
	if !q.impossible(q.all(true)) {
		return
	}
	c.Proved = true
	set, smallest := q.smallest()
	c.Smallest = smallest && !q.spent
	c.Exact = q.exact && !q.spent
	for _, i := range set {
		c.Facts = append(c.Facts, q.described(i))
	}
	sortFacts(c.Facts)
}

// smallest finds a set that is impossible and of which nothing can be left
// out: nothing at all, one fact, two facts, or the best of some deletions.
func (q *question) smallest() (set []int, smallest bool) {
	if q.impossible(q.all(false)) {
		return nil, true
	}
	order := q.byKind()
	for _, i := range order {
		if q.impossible(q.only(i)) {
			return []int{i}, true
		}
	}
	best := q.deleted(order)
	for turn := 1; turn < 4 && len(best) > 2; turn++ {
		k := turn * len(order) / 4
		next := q.deleted(slices.Concat(order[k:], order[:k]))
		if q.rank(next, best) < 0 {
			best = next
		}
	}
	if len(best) == 2 {
		return best, true
	}
	for i, a := range order {
		for _, b := range order[i+1:] {
			if q.tests > testsMax {
				return best, false
			}
			if q.impossible(q.only(a, b)) {
				return []int{a, b}, true
			}
		}
	}
	return best, len(best) == 3
}

// byKind orders the facts: the ones to be told first.
func (q *question) byKind() []int {
	order := make([]int, len(q.facts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(q.facts[a].Kind, q.facts[b].Kind) })
	return order
}

// rank compares sets: fewer facts, then facts of earlier kinds.
func (q *question) rank(a, b []int) int {
	kinds := func(set []int) int {
		sum := 0
		for _, i := range set {
			sum += int(q.facts[i].Kind)
		}
		return sum
	}
	return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(kinds(a), kinds(b)))
}

func (q *question) only(list ...int) []bool {
	set := q.all(false)
	for _, i := range list {
		set[i] = true
	}
	return set
}

// deleted leaves facts out as long as it stays impossible, from the end of the
// order on: halves of what is left first, then halves of these.
func (q *question) deleted(order []int) []int {
	set := q.all(true)
	var leave func(list []int)
	leave = func(list []int) {
		if len(list) == 0 {
			return
		}
		for _, i := range list {
			set[i] = false
		}
		if q.impossible(set) {
			return
		}
		for _, i := range list {
			set[i] = true
		}
		if len(list) > 1 {
			leave(list[len(list)/2:])
			leave(list[:len(list)/2])
		}
	}
	leave(order)
	var out []int
	for _, i := range order {
		if set[i] {
			out = append(out, i)
		}
	}
	return out
}

// described is a fact with the time at which it matters; a shut time that has
// begun when the question's time begins, and ends, has no From.
func (q *question) described(i int) (f Fact) {
	f = q.facts[i]
	shut := func(h hours) {
		iv := most(h.shut(), q.from, q.to)
		f.From, f.Until = iv.Start, iv.End
	}
	defer func() {
		if f.Kind != PinFact && f.From <= q.from && f.Until < forever {
			f.From = -forever
		}
	}()
	switch f.Kind {
	case CalendarFact:
		shut(q.calendars[f.Calendar].open)
	case HoursFact:
		for k := range q.resources {
			if q.resources[k].src.ID == f.Resource {
				shut(q.resources[k].open)
			}
		}
	case ShiftFact, BreakFact:
		for k := range q.workers {
			if w := &q.workers[k]; w.src.ID == f.Worker && f.Kind == ShiftFact {
				shut(joined(w.src.Shifts))
			} else if w.src.ID == f.Worker {
				iv := most(joined(w.src.Breaks), q.from, q.to)
				f.From, f.Until = iv.Start, iv.End
			}
		}
	}
	return f
}

// Of asks after every pin that does not hold and every job that cannot meet
// its due date whatever the plan does with the others: at most limit pins and
// limit jobs. Jobs that are late because others go first are left out.
func Of(p *model.Problem, plan *model.Plan, limit int) []*Conflict {
	var out []*Conflict
	x := newIndex(p, plan)
	for i := range plan.Pins[:min(limit, len(plan.Pins))] {
		out = append(out, ofPin(x, plan.Pins[i].Pin))
	}
	for i := range plan.Jobs {
		o := &plan.Jobs[i]
		if o.Tardiness == 0 {
			continue
		}
		if limit--; limit < 0 {
			break
		}
		if c, _ := ofDue(x, o.Job); c.Proved {
			out = append(out, c)
		}
	}
	return out
}
