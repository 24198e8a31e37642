package solve

import (
	"cmp"
	"container/heap"
	"slices"

	"tickover/scheduler/model"
)

// task is work that must lie on one machine: not before head, for work ticks,
// with tail ticks to go after it.
type task struct{ head, work, tail Time }

// lastByMachines is a lower limit on the last finish of a plan that places
// everything: the longest of the preemptive schedules of each resource that
// serves one at a time.
//
// An activity whose every option holds such a resource needs it for its work,
// in ticks in which the resource is neither closed nor kept by what runs, not
// before its earliest start (start, everything to itself), and is followed by
// its tail. Dropping all other constraints and letting work be interrupted
// gives Jackson's preemptive one-machine problem, solved by always working on
// the longest tail (Jackson 1955; Carlier, EJOR 11, 1982). Times in which the
// machine is away only take ticks out: of two ticks worked in the wrong order,
// swapping keeps heads and makes nothing later, whatever lies between them.
func (in *instance) lastByMachines(d *decoder, start []Time) Time {
	latest := in.now
	tails := in.tailsFromEnd()
	on := make([][]task, len(in.res))
	for i := range in.acts {
		a := &in.acts[i]
		if a.begun() || len(a.opts) == 0 || a.held != nil || a.shelved || a.minimum == 0 {
			continue // a milestone takes no time of a machine
		}
		for _, r := range in.alwaysOn(a) {
			on[r] = append(on[r], task{start[i], a.minimum, tails[i]})
		}
	}
	for r, tasks := range on {
		if len(tasks) > 1 {
			latest = max(latest, jackson(tasks, d.machine(int32(r))))
		}
	}
	return latest
}

// tailsFromEnd are the least times from the end of each activity to the last
// finish: the longest path of least durations over the lags that count from
// its end.
func (in *instance) tailsFromEnd() []Time {
	q := make([]Time, len(in.acts))
	for _, i := range in.backwards() {
		for _, l := range in.acts[i].after {
			b := &in.acts[l.other]
			switch {
			case l.fromStart || b.begun():
			case l.toEnd:
				q[i] = max(q[i], l.min+q[l.other])
			default:
				q[i] = max(q[i], l.min+b.minimum+q[l.other])
			}
		}
	}
	return q
}

// alwaysOn lists the resources of capacity 1 that every option of a holds.
func (in *instance) alwaysOn(a *act) []int32 {
	var out []int32
	for _, n := range a.opts[0].needs {
		if len(n.cand) != 1 {
			continue
		}
		r := n.cand[0]
		if src := in.res[r].src; src.Capacity != 1 || src.Consumable || slices.Contains(out, r) {
			continue
		}
		if !slices.ContainsFunc(a.opts[1:], func(p option) bool {
			return !slices.ContainsFunc(p.needs, func(m need) bool { return len(m.cand) == 1 && m.cand[0] == r })
		}) {
			out = append(out, r)
		}
	}
	return out
}

// machine is when resource r can work, what runs left out; nil for always.
func (d *decoder) machine(r int32) []model.Interval {
	f := &d.base.res[r]
	var free []model.Interval
	for i := range f.at {
		end := forever
		if i+1 < len(f.at) {
			end = f.at[i+1]
		}
		if f.free[i] > 0 && f.at[i] < end {
			free = append(free, model.Interval{Start: f.at[i], End: end})
		}
	}
	h := newHours(free)
	if open := d.in.res[r].open; open != nil {
		h = both(h, open)
	}
	return h.iv
}

// byTail is a heap of tasks by tail, the longest first.
type byTail []task

func (h byTail) Len() int           { return len(h) }
func (h byTail) Less(i, j int) bool { return h[i].tail > h[j].tail }
func (h byTail) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *byTail) Push(x any)        { *h = append(*h, x.(task)) }
func (h *byTail) Pop() any {
	x := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return x
}

// jackson is the least max(end + tail) of tasks that may be interrupted, on a
// machine that works in the open intervals; forever when it never gets done.
func jackson(tasks []task, open []model.Interval) Time {
	slices.SortFunc(tasks, func(a, b task) int { return cmp.Or(cmp.Compare(a.head, b.head), cmp.Compare(b.tail, a.tail)) })
	var ready byTail
	worst, next, t, i := -forever, 0, -2*forever, 0
	for next < len(tasks) || len(ready) > 0 {
		if len(ready) == 0 {
			t = max(t, tasks[next].head)
		}
		for next < len(tasks) && tasks[next].head <= t {
			heap.Push(&ready, tasks[next])
			next++
		}
		for i < len(open) && open[i].End <= t {
			i++
		}
		if i == len(open) {
			return forever
		}
		if t < open[i].Start {
			t = open[i].Start
			continue // more may be ready by then
		}
		now := &ready[0]
		until := min(t+now.work, open[i].End)
		if next < len(tasks) {
			until = min(until, tasks[next].head)
		}
		now.work -= until - t
		t = until
		if now.work == 0 {
			worst = max(worst, t+now.tail)
			heap.Pop(&ready)
		}
	}
	return worst
}
