package model_test

import (
	"context"
	"fmt"
	"math"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// FuzzValidate makes any problem at all out of bytes, the extremes included.
// Validate never panics; what it accepts is planned, within bounds, to a plan
// that the checker finds nothing wrong with.
func FuzzValidate(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("a shop with a pad and two units"))
	for k := range 40 { // problems that are mostly in order
		b := make([]byte, 300)
		for i := range b {
			b[i] = byte((i*i*7 + k*31 + i) % 200)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 2000 {
			return
		}
		p := (&source{data}).problem()
		if model.Validate(p) != nil {
			return
		}
		plan := solve.Solve(context.Background(), p, solve.Options{Schedules: 4, Seed: 1})
		for _, v := range check.Plan(p, plan) {
			t.Error(v)
		}
		if plan.Schedules > 1000 {
			t.Errorf("%d schedules", plan.Schedules)
		}
	})
}

// TestFuzzSeedsReachThePlanner keeps the fuzz target from becoming idle: a fair
// part of what it draws is valid.
func TestFuzzSeedsReachThePlanner(t *testing.T) {
	valid := 0
	for k := range 300 {
		b := make([]byte, 400)
		for i := range b {
			b[i] = byte((i*i*13 + k*57 + i*k) % 200)
		}
		p := (&source{b}).problem()
		if model.Validate(p) == nil {
			valid++
			plan := solve.Solve(context.Background(), p, solve.Options{Schedules: 4, Seed: 1})
			for _, v := range check.Plan(p, plan) {
				t.Errorf("problem %d: %v", k, v)
			}
		}
	}
	t.Logf("%d of 300 are valid", valid)
	if valid < 60 {
		t.Errorf("only %d of 300 problems are valid", valid)
	}
}

// source reads a problem out of bytes; zeros when they have run out.
type source struct{ b []byte }

func (s *source) byte() byte {
	if len(s.b) == 0 {
		return 0
	}
	x := s.b[0]
	s.b = s.b[1:]
	return x
}

func (s *source) n(most int) int { return int(s.byte()) % (most + 1) }

func (s *source) yes(percent int) bool { return int(s.byte())%100 >= 100-percent }

// extremes are what arithmetic stumbles over.
var extremes = []int64{-1, math.MaxInt64, math.MinInt64, int64(model.Unlimited), -int64(model.Unlimited), int64(model.TimeMax), int64(model.TimeMax) + 1, 1 << 62}

// num is 0 … most, or rarely an extreme.
func (s *source) num(most int) int64 {
	if b := s.byte(); b >= 250 {
		return extremes[s.n(len(extremes)-1)]
	}
	return int64(s.n(most))
}

func (s *source) time(most int) model.Time { return model.Time(s.num(most)) }

func (s *source) intervals(most int) []model.Interval {
	var out []model.Interval
	at := model.Time(0)
	for range s.n(3) {
		iv := model.Interval{Start: at + s.time(most)}
		iv.End = iv.Start + 1 + s.time(most)
		out, at = append(out, iv), iv.End
	}
	if out == nil && s.yes(20) {
		return []model.Interval{}
	}
	return out
}

func pick[T any](s *source, list []T) (x T) {
	if len(list) > 0 {
		x = list[s.n(len(list)-1)]
	}
	return x
}

func (s *source) problem() *model.Problem {
	p := &model.Problem{Now: s.time(10), Horizon: 40 + s.time(60)}
	p.Weights = model.Weights{Tardiness: model.Cost(s.num(9)), Flow: model.Cost(s.num(3)), Makespan: model.Cost(s.num(2)),
		Move: model.Cost(s.num(5)), MoveWindow: s.time(9), Reassign: model.Cost(s.num(5))}
	skills := []string{"", "flash", "ride"}
	for i := range 1 + s.n(2) {
		r := model.Resource{ID: model.ResourceID(fmt.Sprint("r", i)), Kind: pick(s, []string{"bench", "pad"}), Capacity: s.num(2) + 1,
			Consumable: s.yes(8), Open: s.intervals(25), Within: s.yes(40)}
		if r.Consumable && s.yes(90) {
			r.Open, r.Within = nil, false
		}
		for range s.n(1) {
			if r.Consumable {
				break
			}
			from := s.time(20)
			r.Closures = append(r.Closures, model.Closure{Interval: model.Interval{Start: from, End: from + 1 + s.time(15)}, Reason: "x"})
		}
		p.Resources = append(p.Resources, r)
	}
	for i := range s.n(3) {
		p.Workers = append(p.Workers, model.Worker{ID: model.WorkerID(fmt.Sprint("w", i)), Skills: []string{pick(s, skills)}, Shifts: s.intervals(30), Breaks: s.intervals(20)})
	}
	p.Calendars = []model.Calendar{{ID: "c", Open: s.intervals(40)}}
	if s.yes(15) {
		p.Spans = []model.Span{{ID: "s", Need: model.Need{Kind: "bench", Amount: s.num(1)}}}
	}
	if s.yes(15) {
		p.Buffer = &model.Buffer{Capacity: int(s.num(2))}
	}
	for i := range 1 + s.n(2) {
		p.Jobs = append(p.Jobs, model.Job{ID: model.JobID(fmt.Sprint("j", i)), Release: s.time(15), Due: s.time(60), Weight: s.num(9), OnePlace: s.yes(60)})
	}
	for i := range s.n(5) {
		p.Activities = append(p.Activities, s.activity(p, i))
	}
	s.relations(p)
	return p
}

func (s *source) activity(p *model.Problem, i int) model.Activity {
	a := model.Activity{ID: model.ActivityID(fmt.Sprint("a", i)), Job: pick(s, p.Jobs).ID, Release: s.time(20), Handover: s.yes(30), Presence: s.yes(20)}
	if s.yes(25) {
		a.Inside = "c"
	}
	for range 1 + s.n(1) {
		var m model.Mode
		for range 1 + s.n(2) {
			st := model.Stretch{Duration: s.time(8), Splittable: s.yes(30), MaxWait: s.time(6)}
			if s.yes(50) && len(p.Workers) > 0 {
				st.Workers = int(min(s.num(1)+1, 1<<40))
				if s.yes(40) {
					st.Skills = []string{"flash"}
				}
			}
			if s.yes(15) {
				st.Inside = "c"
			}
			m.Stretches = append(m.Stretches, st)
		}
		for range s.n(2) {
			n := model.Need{Kind: pick(s, []string{"bench", "pad"}), Amount: s.num(1)}
			if s.yes(30) {
				n = model.Need{Resources: []model.ResourceID{pick(s, p.Resources).ID}}
			}
			if len(p.Spans) > 0 && s.yes(50) && len(m.Needs) == 0 {
				n = model.Need{Span: "s"}
			}
			m.Needs = append(m.Needs, n)
		}
		a.Modes = append(a.Modes, m)
	}
	if s.yes(15) {
		a.Progress = s.progress(p, &a)
	}
	return a
}

func (s *source) progress(p *model.Problem, a *model.Activity) *model.Progress {
	g := &model.Progress{Done: s.yes(40), Mode: s.n(len(a.Modes) - 1)}
	m := &a.Modes[g.Mode]
	at := p.Now - s.time(20)
	for i := range 1 + s.n(len(m.Stretches)-1) {
		st := model.StretchTime{Start: at, End: at + s.time(9)}
		if m.Stretches[i].Workers > 0 && len(p.Workers) > 0 {
			st.Workers = []model.WorkerID{pick(s, p.Workers).ID}
		}
		g.Stretches, at = append(g.Stretches, st), st.End
	}
	for i := range m.Needs {
		id := pick(s, p.Resources).ID
		if r := m.Needs[i].Resources; len(r) > 0 {
			id = r[0]
		}
		g.Held = append(g.Held, id)
	}
	return g
}

func (s *source) relations(p *model.Problem) {
	if len(p.Activities) == 0 {
		return
	}
	id := func() model.ActivityID { return pick(s, p.Activities).ID }
	for i := 1; i < len(p.Activities); i++ {
		if s.yes(50) {
			l := model.Lag{From: p.Activities[s.n(i-1)].ID, To: p.Activities[i].ID, FromPoint: model.Point(s.n(1)), ToEnd: s.yes(15), Min: s.time(5), Limited: s.yes(30)}
			l.Max = l.Min + s.time(30)
			p.Lags = append(p.Lags, l)
		}
	}
	for i := range s.n(2) {
		n := model.Pin{ID: model.PinID(fmt.Sprint("p", i)), Activity: id(), HasStart: s.yes(50), Start: s.time(40)}
		if s.yes(40) {
			n.Resource = pick(s, p.Resources).ID
		}
		if s.yes(40) && len(p.Workers) > 0 {
			n.Worker = pick(s, p.Workers).ID
		}
		p.Pins = append(p.Pins, n)
	}
	for range s.n(1) {
		p.Holds = append(p.Holds, model.Hold{Activity: id(), Until: s.time(30), Reason: "x"})
	}
	if s.yes(30) {
		v := model.Previous{Activity: id(), Start: s.time(40), Resources: []model.ResourceID{pick(s, p.Resources).ID}, Accepted: s.yes(50)}
		if len(p.Workers) > 0 {
			v.Workers = []model.WorkerID{pick(s, p.Workers).ID}
			v.Stretches = []model.StretchTime{{Start: v.Start, End: s.time(60), Workers: v.Workers}}
		}
		p.Previous = append(p.Previous, v)
		for i := range p.Jobs {
			p.PreviousJobs = append(p.PreviousJobs, model.JobOutcome{Job: p.Jobs[i].ID, Due: p.Jobs[i].Due, Weight: p.Jobs[i].Weight})
		}
	}
	if s.yes(10) {
		p.Parallel = append(p.Parallel, model.Pair{A: id(), B: id()})
	}
}
