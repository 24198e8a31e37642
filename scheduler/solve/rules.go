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
var rules = []rule{latestFinish, tardinessCost, dueDate, jobDue, longestTail, firstCome}

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

// tardinessCost is the apparent tardiness cost of the job at now, highest
// first: weight/work · exp(−slack/(k·mean work)) with k = 2 (Vepsalainen &
// Morton, Management Science 33, 1987). Integers throughout: the exponential
// is 2^(−1.4427·x), linear between powers.
func tardinessCost(in *instance) []int64 {
	work := make([]int64, len(in.jobs))
	var total, busy int64
	for j := range in.jobs {
		for _, a := range in.jobs[j].acts {
			if !in.acts[a].begun() {
				work[j] += int64(in.acts[a].minimum)
			}
		}
		if work[j] > 0 {
			total += work[j]
			busy++
		}
	}
	mean := max(1, total/max(1, busy))
	index := make([]int64, len(in.jobs))
	for j := range in.jobs {
		w := max(1, work[j])
		slack := max(0, int64(in.dueOf(int32(j))-in.now)-w)
		index[j] = decay(in.jobs[j].src.Weight<<40/w, slack*1443/1000, 2*mean)
	}
	keys := make([]int64, len(in.acts))
	for i := range in.acts {
		keys[i] = -index[in.acts[i].job]
	}
	return keys
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
