package solve

import (
	"cmp"
	"container/heap"
	"math"
	"slices"

	"tickover/scheduler/model"
)

// A rule gives every activity a key; lower goes first. Lists made of keys are
// the seeds of the search.
type rule func(in *instance) []int64

// rules are the priority rules tried, in this order.
var rules = []rule{
	apparentTardiness(4), latestFinish, apparentTardiness(2), apparentTardiness(8), apparentTardiness(1),
	dueDate, jobDue, longestTail, firstCome,
}

// dueOf is a job's due date, the horizon for one without.
func (in *instance) dueOf(j int32) Time {
	due := in.jobs[j].src.Due
	if due == model.Unlimited {
		return in.horizon
	}
	return due
}

// latestFinish is the job's due date minus what follows the activity.
func latestFinish(in *instance) []int64 {
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		a := &in.acts[i]
		keys[i] = int64(in.dueOf(a.job) - (a.tail - a.minimum))
	}
	return keys
}

// dueDate is the job's due date minus the activity's tail: when it must start
// at the latest.
func dueDate(in *instance) []int64 {
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		a := &in.acts[i]
		keys[i] = int64(in.dueOf(a.job) - a.tail)
	}
	return keys
}

// jobDue takes job by job, earliest due date first.
func jobDue(in *instance) []int64 {
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		keys[i] = int64(in.dueOf(in.acts[i].job))
	}
	return keys
}

// longestTail puts the longest remaining path first.
func longestTail(in *instance) []int64 {
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		keys[i] = -int64(in.acts[i].tail)
	}
	return keys
}

// firstCome goes by release.
func firstCome(in *instance) []int64 {
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		keys[i] = int64(in.jobs[in.acts[i].job].src.Release)
	}
	return keys
}

// apparentTardiness orders the jobs by apparent tardiness cost, job by job as
// the shop gets to them: weight/work · exp(−slack/(k·mean work)), k = half/2
// (Vepsalainen & Morton, Management Science 33, 1987). Integers throughout: the
// exponential is 2^(−1.4427·x), linear between powers.
func apparentTardiness(half int64) rule {
	return func(in *instance) []int64 {
		work, pace := in.workload()
		var left []int32
		var total int64
		for j := range work {
			if work[j] > 0 {
				left = append(left, int32(j))
				total += work[j]
			}
		}
		mean := max(1, total/max(1, int64(len(left)))) * pace / paceUnit
		keys := make([]int64, len(in.acts))
		at := int64(in.now)
		for rank := int64(0); len(left) > 0; rank++ {
			best, index := 0, int64(-1)
			for k, j := range left {
				slack := max(0, int64(in.dueOf(j))-at-work[j])
				v := decay(in.jobs[j].src.Weight<<36/work[j], slack*1443/1000, max(1, half*mean/2))
				if v > index || v == index && in.dueOf(j) < in.dueOf(left[best]) {
					best, index = k, v
				}
			}
			j := left[best]
			left = slices.Delete(left, best, best+1)
			at += work[j] * pace / paceUnit
			for _, a := range in.jobs[j].acts {
				keys[a] = rank
			}
		}
		return keys
	}
}

const paceUnit = 1024

// workload is the work left of each job, and how many 1024ths of a tick pass
// for each tick of work when everybody works: an estimate from shifts, or from
// the number of resources where nobody is needed.
func (in *instance) workload() (work []int64, pace int64) {
	work = make([]int64, len(in.jobs))
	for i := range in.acts {
		if a := &in.acts[i]; !a.begun() {
			work[a.job] += int64(a.minimum)
		}
	}
	span := int64(in.horizon - in.now)
	var open int64
	for i := range in.workers {
		h := in.workers[i].open
		if h == nil {
			open += span
			continue
		}
		for _, iv := range h.iv {
			open += int64(max(0, min(iv.End, in.horizon)-max(iv.Start, in.now)))
		}
	}
	if len(in.workers) == 0 {
		open = span * int64(max(1, len(in.res)))
	}
	return work, max(1, min(span*paceUnit/max(1, open), 64*paceUnit))
}

// decay is v·2^(−x/unit).
func decay(v, x, unit int64) int64 {
	halvings := x / unit
	if halvings > 62 {
		return 0
	}
	v >>= uint(halvings)
	rest := x % unit
	return v - v/2/unit*rest
}

// listBy is the list that always takes, of the activities whose predecessors
// are listed, the one with the lowest key; ties by id.
func (in *instance) listBy(keys []int64) []int32 {
	keys = slices.Clone(keys)
	for i := range in.acts {
		if in.acts[i].begun() {
			keys[i] = math.MinInt64 // so that what waits for it is ready at once
		}
	}
	q := &readyHeap{keys: keys}
	waits := make([]int32, len(in.acts))
	for i := range in.acts {
		waits[i] = int32(len(in.acts[i].before))
		if waits[i] == 0 {
			q.list = append(q.list, int32(i))
		}
	}
	heap.Init(q)
	out := make([]int32, 0, len(in.acts))
	for q.Len() > 0 {
		a := heap.Pop(q).(int32)
		if !in.acts[a].begun() {
			out = append(out, a)
		}
		for _, l := range in.acts[a].after {
			if waits[l.other]--; waits[l.other] == 0 {
				heap.Push(q, l.other)
			}
		}
	}
	return out
}

// readyHeap is a heap of activities by key, then index.
type readyHeap struct {
	keys []int64
	list []int32
}

func (q *readyHeap) Len() int { return len(q.list) }
func (q *readyHeap) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(q.keys[q.list[i]], q.keys[q.list[j]]), cmp.Compare(q.list[i], q.list[j])) < 0
}
func (q *readyHeap) Swap(i, j int) { q.list[i], q.list[j] = q.list[j], q.list[i] }
func (q *readyHeap) Push(x any)    { q.list = append(q.list, x.(int32)) }
func (q *readyHeap) Pop() any {
	x := q.list[len(q.list)-1]
	q.list = q.list[:len(q.list)-1]
	return x
}

// starts are keys by place; what has none goes last.
func (d *decoder) starts() []int64 {
	keys := make([]int64, len(d.in.acts))
	for i := range keys {
		keys[i] = int64(forever)
		if d.state[i] == placedState {
			keys[i] = int64(d.start[i])
		}
	}
	return keys
}
