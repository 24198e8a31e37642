package solve

import (
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
	q := &readyHeap{keys: keys, list: make([]int32, 0, len(in.acts))}
	waits := make([]int32, len(in.acts))
	for i := range in.acts {
		waits[i] = int32(len(in.acts[i].before))
		if waits[i] == 0 {
			q.list = append(q.list, int32(i))
		}
	}
	for i := len(q.list)/2 - 1; i >= 0; i-- {
		q.down(i)
	}
	out := make([]int32, 0, len(in.acts))
	for len(q.list) > 0 {
		a := q.pop()
		if !in.acts[a].begun() {
			out = append(out, a)
		}
		for _, l := range in.acts[a].after {
			if waits[l.other]--; waits[l.other] == 0 {
				q.push(l.other)
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

func (q *readyHeap) less(a, b int32) bool {
	if q.keys[a] != q.keys[b] {
		return q.keys[a] < q.keys[b]
	}
	return a < b
}

func (q *readyHeap) push(a int32) {
	q.list = append(q.list, a)
	for i := len(q.list) - 1; i > 0; {
		up := (i - 1) / 2
		if !q.less(q.list[i], q.list[up]) {
			return
		}
		q.list[i], q.list[up] = q.list[up], q.list[i]
		i = up
	}
}

func (q *readyHeap) pop() int32 {
	first, last := q.list[0], len(q.list)-1
	q.list[0] = q.list[last]
	q.list = q.list[:last]
	q.down(0)
	return first
}

func (q *readyHeap) down(i int) {
	for {
		least := 2*i + 1
		if least >= len(q.list) {
			return
		}
		if r := least + 1; r < len(q.list) && q.less(q.list[r], q.list[least]) {
			least = r
		}
		if !q.less(q.list[least], q.list[i]) {
			return
		}
		q.list[i], q.list[least] = q.list[least], q.list[i]
		i = least
	}
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
