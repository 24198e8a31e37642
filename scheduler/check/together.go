package check

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// lags: C2.
func (c *checker) lags() {
	for _, l := range c.p.Lags {
		from, to := c.byID[l.From], c.byID[l.To]
		if to == nil || to.Progress != nil {
			continue // unplaced, or a fact
		}
		if from == nil {
			c.add(model.C2, l.To, "is placed though %q before it is not", l.From)
			continue
		}
		a, b := from.as.End, to.as.Start
		if l.FromPoint == model.Start {
			a = from.as.Start
		}
		if l.ToEnd {
			b = to.as.End
		}
		if b < a+l.Min {
			c.add(model.C2, l.To, "is at %d; %q demands %d or later", b, l.From, a+l.Min)
		}
		if l.Limited && b > a+l.Max {
			c.add(model.C2, l.To, "is at %d; %q demands %d or earlier", b, l.From, a+l.Max)
		}
	}
}

// use is an amount of a resource over an interval.
type use struct {
	model.Interval
	amount   int64
	activity model.ActivityID
	fact     bool
}

// capacity: C4, spans included.
func (c *checker) capacity() {
	uses := map[model.ResourceID][]use{}
	type spanUse struct {
		use
		resource model.ResourceID
	}
	spans := map[model.SpanID]*spanUse{}
	for _, id := range sortedKeys(c.byID) {
		a := c.byID[id]
		for i, r := range a.as.Held {
			need := a.mode.Needs[i]
			u := use{model.Interval{Start: a.as.Start, End: a.as.End}, max(need.Amount, 1), id, a.running()}
			if need.Span == "" {
				if a.Progress == nil || !a.Progress.Done {
					uses[r] = append(uses[r], u)
				}
				continue
			}
			u.amount = max(c.spans[need.Span].Need.Amount, 1)
			s := spans[need.Span]
			if s == nil {
				spans[need.Span] = &spanUse{u, r}
				continue
			}
			if s.resource != r {
				c.add(model.C4, id, "holds %q in the span %q, which %q holds as %q", r, need.Span, s.activity, s.resource)
			}
			s.Start, s.End = min(s.Start, u.Start), max(s.End, u.End)
			s.fact = s.fact && u.fact
		}
	}
	for _, id := range sortedKeys(spans) {
		s := spans[id]
		uses[s.resource] = append(uses[s.resource], s.use)
	}
	for _, r := range sortedKeys(uses) {
		if res := c.resources[r]; !res.Consumable {
			c.peak(res, uses[r])
		}
	}
}

// peak reports the first overload of a resource that is not wholly of facts.
func (c *checker) peak(r *model.Resource, uses []use) {
	for i, at := range uses {
		if at.Start >= at.End {
			continue
		}
		// The load only rises where a use starts.
		var sum int64
		planned := false
		for _, u := range uses {
			if u.Start <= at.Start && at.Start < u.End {
				sum += u.amount
				planned = planned || !u.fact
			}
		}
		if sum > r.Capacity && planned {
			c.add(model.C4, uses[i].activity, "brings %q to %d of %d at %d", r.ID, sum, r.Capacity, at.Start)
			return
		}
	}
}

// consumption: C4 for resources that are used up.
func (c *checker) consumption() {
	sum := map[model.ResourceID]int64{}
	planned := map[model.ResourceID]bool{}
	for _, a := range c.byID {
		for i, r := range a.as.Held {
			if c.resources[r].Consumable {
				sum[r] += max(a.mode.Needs[i].Amount, 1)
				planned[r] = planned[r] || !a.running()
			}
		}
	}
	for _, r := range sortedKeys(sum) {
		if sum[r] > c.resources[r].Capacity && planned[r] {
			c.add(model.C4, "", "%q is used up: %d of %d", r, sum[r], c.resources[r].Capacity)
		}
	}
}

// workers: C5, one stretch at a time.
func (c *checker) workers() {
	busy := map[model.WorkerID][]use{}
	for _, a := range c.placed {
		for i := range a.as.Stretches {
			for _, w := range a.as.Stretches[i].Workers {
				for _, part := range parts(&a.as.Stretches[i]) {
					busy[w] = append(busy[w], use{part, 1, a.ID, i < a.begun})
				}
			}
		}
	}
	for _, w := range sortedKeys(busy) {
		list := busy[w]
		slices.SortStableFunc(list, func(a, b use) int { return cmp.Compare(a.Start, b.Start) })
		for i := range list {
			for j := i + 1; j < len(list) && list[j].Start < list[i].End; j++ {
				if overlap(list[i].Interval, list[j].Interval) && !(list[i].fact && list[j].fact) {
					c.add(model.C5, list[j].activity, "takes %q at %d, who is at %q until %d", w, list[j].Start, list[i].activity, list[i].End)
				}
			}
		}
	}
}

// places: C13.
func (c *checker) places() {
	parallel := map[model.Pair]bool{}
	for _, q := range c.p.Parallel {
		parallel[q] = true
		parallel[model.Pair{A: q.B, B: q.A}] = true
	}
	for _, list := range c.ofJobs() {
		for i, a := range list {
			for _, b := range list[i+1:] {
				x, y := model.Interval{Start: a.as.Start, End: a.as.End}, model.Interval{Start: b.as.Start, End: b.as.End}
				if x.Start < x.End && y.Start < y.End && overlap(x, y) &&
					!parallel[model.Pair{A: a.ID, B: b.ID}] && !(a.running() && b.running()) {
					c.add(model.C13, b.ID, "runs [%d, %d) while its job is in %q until %d", y.Start, y.End, a.ID, x.End)
				}
			}
		}
	}
}

// ofJobs lists the activities with a place of each OnePlace job by start.
func (c *checker) ofJobs() [][]*placed {
	jobs := map[model.JobID][]*placed{}
	for _, id := range sortedKeys(c.byID) {
		if a := c.byID[id]; a.job.OnePlace {
			jobs[a.Job] = append(jobs[a.Job], a)
		}
	}
	var out [][]*placed
	for _, j := range sortedKeys(jobs) {
		list := jobs[j]
		slices.SortStableFunc(list, func(a, b *placed) int { return cmp.Compare(a.as.Start, b.as.Start) })
		out = append(out, list)
	}
	return out
}

// buffer: C14. Each wait that a planned activity begins must find room.
func (c *checker) buffer() {
	if c.p.Buffer == nil {
		return
	}
	var waits []use
	for _, list := range c.ofJobs() {
		end, last := list[0].as.End, list[0]
		for _, a := range list[1:] {
			if a.as.Start > end {
				waits = append(waits, use{model.Interval{Start: end, End: a.as.Start}, 1, last.ID, end < c.p.Now || last.running()})
			}
			if a.as.End >= end {
				end, last = a.as.End, a
			}
		}
		if c.unfinished(list[0].Job) { // it waits for what is not placed
			waits = append(waits, use{model.Interval{Start: end, End: c.p.Horizon}, 1, last.ID, end < c.p.Now || last.running()})
		}
	}
	for _, w := range waits {
		if w.fact || w.Start >= w.End {
			continue
		}
		n := 0
		for _, o := range waits {
			if o.Start <= w.Start && w.Start < o.End {
				n++
			}
		}
		if n > c.p.Buffer.Capacity {
			c.add(model.C14, w.activity, "ends at %d, when %d wait and there is room for %d", w.Start, n, c.p.Buffer.Capacity)
		}
	}
}

func (c *checker) unfinished(j model.JobID) bool {
	return slices.ContainsFunc(c.plan.Unplaced, func(u model.Unplaced) bool { return c.activities[u.Activity].Job == j })
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
