package solve

import (
	"testing"

	"tickover/scheduler/model"
)

// lone is one machine with jobs of these durations, weights and due dates.
func lone(p, w, d []Time) *instance {
	q := &model.Problem{Horizon: 10_000, Weights: model.Weights{Tardiness: 1000}, Resources: []model.Resource{{ID: "m", Kind: "m", Capacity: 1}}}
	for i := range p {
		id := string(rune('A' + i))
		q.Jobs = append(q.Jobs, model.Job{ID: model.JobID(id), Due: d[i], Weight: int64(w[i])})
		q.Activities = append(q.Activities, model.Activity{ID: model.ActivityID(id), Job: model.JobID(id),
			Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: p[i]}}, Needs: []model.Need{{Kind: "m"}}}}})
	}
	return compile(q)
}

func sequence(in *instance, r rule) string {
	out := ""
	for _, a := range in.listBy(r(in)) {
		out += string(in.acts[a].id)
	}
	return out
}

// The seeds of the search are the rules that they are named after.
//
// Five jobs with dates: Heizer & Render, Operations Management (attribution
// from memory); earliest due date B-A-D-C-E. Four jobs of Pinedo, Scheduling
// (from memory): weight over processing time orders them 4-1-2-3, and apparent
// tardiness cost is that rule when every date is past, minimum slack when all
// are far (Vepsalainen & Morton, Management Science 33, 1987).
func TestRulesAreWhatTheyAreCalled(t *testing.T) {
	one := []Time{1, 1, 1, 1, 1}
	in := lone([]Time{6, 2, 8, 3, 9}, one, []Time{8, 6, 18, 15, 23})
	if got := sequence(in, jobDue); got != "BADCE" {
		t.Errorf("earliest due date: %s, want BADCE", got)
	}
	if got := sequence(in, firstCome); got != "ABCDE" {
		t.Errorf("first come first served: %s, want ABCDE", got)
	}
	p, w := []Time{10, 10, 13, 4}, []Time{14, 12, 1, 12}
	for _, half := range []int64{1, 2, 4, 8} {
		if got := sequence(lone(p, w, []Time{0, 0, 0, 0}), apparentTardiness(half)); got != "DABC" {
			t.Errorf("apparent tardiness, k = %d/2, all dates past: %s, want DABC (weight over processing time)", half, got)
		}
	}
	same := []Time{5, 5, 5, 5}
	if got := sequence(lone(same, same, []Time{400, 300, 200, 100}), apparentTardiness(4)); got != "DCBA" {
		t.Errorf("apparent tardiness, far dates: %s, want DCBA (minimum slack)", got)
	}
}

// Apparent tardiness cost is worth its name: over random jobs it costs less
// than the earliest due date and than weight over processing time.
func TestApparentTardinessBeatsTheSimpleRules(t *testing.T) {
	cost := func(in *instance, order []int32) (sum int64) {
		at := Time(0)
		for _, a := range order {
			j := in.jobs[in.acts[a].job].src
			at += in.acts[a].minimum
			sum += j.Weight * int64(max(0, at-j.Due))
		}
		return sum
	}
	bySmith := func(in *instance) []int64 {
		keys := make([]int64, len(in.acts))
		for i := range in.acts {
			keys[i] = -in.jobs[in.acts[i].job].src.Weight << 32 / int64(in.acts[i].minimum)
		}
		return keys
	}
	var atc, edd, wspt int64
	x := uint64(7)
	next := func(n uint64) Time {
		x = x*6364136223846793005 + 1442695040888963407
		return Time(x >> 33 % n)
	}
	for range 60 {
		var p, w, d []Time
		for range 20 {
			p, w, d = append(p, 1+next(30)), append(w, 1+next(9)), append(d, next(320))
		}
		in := lone(p, w, d)
		best := int64(1) << 60
		for _, half := range []int64{1, 2, 4, 8} {
			best = min(best, cost(in, in.listBy(apparentTardiness(half)(in))))
		}
		atc += best
		edd += cost(in, in.listBy(jobDue(in)))
		wspt += cost(in, in.listBy(bySmith(in)))
	}
	if atc >= edd || atc >= wspt {
		t.Errorf("weighted tardiness %d by apparent tardiness cost, %d by due date, %d by weight over time", atc, edd, wspt)
	}
}
