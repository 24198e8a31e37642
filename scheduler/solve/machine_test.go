package solve

import (
	"math/rand/v2"
	"testing"

	"tickover/scheduler/model"
)

// jobShop has a job a row: machine, duration, machine, duration, …
func jobShop(rows [][]Time) *model.Problem {
	p := &model.Problem{Horizon: 10_000, Weights: model.Weights{Makespan: 1000}}
	for m := range len(rows[0]) / 2 {
		p.Resources = append(p.Resources, model.Resource{ID: model.ResourceID(rune('a' + m)), Capacity: 1})
	}
	for j, row := range rows {
		job := model.JobID(rune('A' + j))
		p.Jobs = append(p.Jobs, model.Job{ID: job, Due: model.Unlimited, Weight: 1})
		var last model.ActivityID
		for k := 0; k < len(row); k += 2 {
			id := model.ActivityID(string(job) + string(rune('0'+k/2)))
			p.Activities = append(p.Activities, model.Activity{ID: id, Job: job, Modes: []model.Mode{{
				Stretches: []model.Stretch{{Duration: row[k+1]}}, Needs: []model.Need{{Resources: []model.ResourceID{model.ResourceID(rune('a' + row[k]))}}}}}})
			if last != "" {
				p.Lags = append(p.Lags, model.Lag{From: last, To: id})
			}
			last = id
		}
	}
	return p
}

func lowersOf(p *model.Problem) *lowers {
	in := compile(p)
	d := newDecoder(in)
	d.placeFacts(false)
	return in.lowers(d)
}

// ft06 of Fisher & Thompson (1963): its optimum is 55, and Jackson's preemptive
// bound over its machines 52 (on the fifth; recomputed by an independent
// program, no published source for this value).
func TestJacksonOfFisherThompson06(t *testing.T) {
	p := jobShop([][]Time{
		{2, 1, 0, 3, 1, 6, 3, 7, 5, 3, 4, 6}, {1, 8, 2, 5, 4, 10, 5, 10, 0, 10, 3, 4},
		{2, 5, 3, 4, 5, 8, 0, 9, 1, 1, 4, 7}, {1, 5, 0, 5, 2, 5, 3, 3, 4, 8, 5, 9},
		{2, 9, 1, 3, 4, 5, 5, 4, 0, 3, 3, 1}, {1, 3, 3, 3, 5, 9, 0, 10, 4, 4, 2, 1}})
	low := lowersOf(p)
	if low.last != 52 {
		t.Errorf("Jackson's bound is %d, want 52", low.last)
	}
	var longest Time
	for _, f := range low.finish {
		longest = max(longest, f)
	}
	if longest != 47 { // job 2: 8+5+10+10+10+4
		t.Errorf("the longest job takes %d, want 47", longest)
	}
}

// Pinedo, Scheduling, example 3.2.5 (attribution from memory): four jobs (r, p,
// d); the preemptive earliest-due-date bound of the root is Lmax 5, of the node
// that starts with job 2 it is 7. Tails are D − d with D = 12.
func TestJacksonOfPinedo(t *testing.T) {
	always := []model.Interval{{Start: -forever, End: forever}}
	jobs := []struct{ r, p, d Time }{{0, 4, 8}, {1, 2, 12}, {3, 6, 11}, {5, 5, 10}}
	bound := func(first int) Time {
		var list []task
		at, worst := -forever, -forever
		if first >= 0 {
			at = jobs[first].r + jobs[first].p
			worst = at - jobs[first].d
		}
		for i, j := range jobs {
			if i != first {
				list = append(list, task{max(j.r, at), j.p, 12 - j.d})
			}
		}
		return max(worst, jackson(list, always)-12)
	}
	if got := bound(-1); got != 5 {
		t.Errorf("root: %d, want 5", got)
	}
	if got := bound(0); got != 5 {
		t.Errorf("job 1 first: %d, want 5", got)
	}
	if got := bound(1); got != 7 {
		t.Errorf("job 2 first: %d, want 7", got)
	}
}

// Against brute force over every order of unit pieces, on machines that are
// away at times.
func TestJacksonAgainstBruteForce(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 1))
	for n := range 300 {
		var open []model.Interval
		at := Time(0)
		for range 1 + r.IntN(3) {
			from := at + Time(r.IntN(3))
			at = from + 1 + Time(r.IntN(4))
			open = append(open, model.Interval{Start: from, End: at})
		}
		open = append(open, model.Interval{Start: at + Time(r.IntN(3)), End: 100})
		open = newHours(open).iv
		tasks := make([]task, 1+r.IntN(3))
		for i := range tasks {
			tasks[i] = task{Time(r.IntN(6)), 1 + Time(r.IntN(3)), Time(r.IntN(8))}
		}
		want := pieces(append([]task(nil), tasks...), open, 0)
		if got := jackson(append([]task(nil), tasks...), open); got != want {
			t.Fatalf("seed %d, case %d: %+v open %v: %d, want %d", seed, n, tasks, open, got, want)
		}
	}
}

// pieces tries every task, and idling, in every tick.
func pieces(tasks []task, open []model.Interval, t Time) Time {
	left, worst := false, -forever
	for _, k := range tasks {
		left = left || k.work > 0
	}
	if !left {
		return worst
	}
	best := forever
	at, _ := newHours(open).contain(t, t+1)
	for i := range tasks {
		if !at || tasks[i].work == 0 || tasks[i].head > t {
			continue
		}
		tasks[i].work--
		end := -forever
		if tasks[i].work == 0 {
			end = t + 1 + tasks[i].tail
		}
		best = min(best, max(end, pieces(tasks, open, t+1)))
		tasks[i].work++
	}
	if t < 25 && (best == forever || !at) {
		best = min(best, pieces(tasks, open, t+1))
	}
	return best
}
