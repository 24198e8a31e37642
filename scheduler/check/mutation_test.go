package check_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/solve"
)

// workshop is a small problem in which every constraint has something to bite.
// Ticks are minutes; the shop is open from 480 to 1020.
func workshop() *model.Problem {
	on := func(d model.Time, skill string) model.Stretch {
		return model.Stretch{Duration: d, Workers: 1, Skills: []string{skill}}
	}
	step := func(job, name string, needs []model.Need, st ...model.Stretch) model.Activity {
		return model.Activity{ID: model.ActivityID(job + "/" + name), Job: model.JobID(job), Modes: []model.Mode{{Stretches: st, Needs: needs}}}
	}
	bench, face := model.Need{Kind: "bench"}, model.Need{Kind: "interface", Tags: []string{"family-a"}}
	flash := func(job string) model.Activity {
		a := step(job, "flash", []model.Need{bench, face}, on(6, "flash"), model.Stretch{Duration: 28, MaxWait: 10}, on(6, "flash"))
		a.Presence, a.Inside = true, "site"
		return a
	}
	relearn := func(job string) model.Activity {
		a := step(job, "relearn", []model.Need{{Kind: "pad"}}, on(3, "engine"), model.Stretch{Duration: 7}, on(3, "engine"))
		a.Presence = true
		return a
	}
	fit := func(job string) model.Activity {
		s := on(100, "fit")
		s.Splittable = true
		return step(job, "fit", []model.Need{bench}, s)
	}
	p := &model.Problem{
		Now: 480, Horizon: 3000, Weights: model.ShopWeights(), Buffer: &model.Buffer{Capacity: 1},
		Jobs: []model.Job{
			{ID: "u1", Release: 480, Due: 700, Weight: 2, OnePlace: true},
			{ID: "u2", Release: 500, Due: 900, Weight: 1, OnePlace: true},
			{ID: "u3", Release: 400, Due: model.Unlimited, Weight: 1, OnePlace: true},
		},
		Activities: []model.Activity{flash("u1"), relearn("u1"), fit("u1"), flash("u2"), relearn("u2"), fit("u2"), fit("u3"), relearn("u3")},
		Lags: []model.Lag{
			{From: "u1/flash", To: "u1/relearn", Limited: true, Max: 60}, {From: "u1/relearn", To: "u1/fit"},
			{From: "u2/flash", To: "u2/relearn"}, {From: "u2/relearn", To: "u2/fit", Min: 5},
			{From: "u3/fit", To: "u3/relearn"},
		},
		Resources: []model.Resource{
			{ID: "b1", Kind: "bench", Capacity: 1},
			{ID: "b2", Kind: "bench", Capacity: 1, Closures: []model.Closure{{Interval: model.Interval{Start: 2000, End: 2500}, Reason: "lift out of order"}}},
			{ID: "i1", Kind: "interface", Capacity: 1, Tags: []string{"family-a"}},
			{ID: "i2", Kind: "interface", Capacity: 1, Tags: []string{"family-b"}},
			{ID: "p1", Kind: "pad", Capacity: 1, Within: true, Open: []model.Interval{{Start: 500, End: 960}, {Start: 1940, End: 2400}}},
		},
		Workers: []model.Worker{
			{ID: "w1", Skills: []string{"flash", "engine", "fit"}, Shifts: []model.Interval{{Start: 480, End: 1020}, {Start: 1920, End: 2460}}, Breaks: []model.Interval{{Start: 720, End: 750}}},
			{ID: "w2", Skills: []string{"engine", "fit"}, Shifts: []model.Interval{{Start: 480, End: 1000}, {Start: 1920, End: 2440}}, Breaks: []model.Interval{{Start: 750, End: 780}}},
		},
		Calendars: []model.Calendar{{ID: "site", Open: []model.Interval{{Start: 480, End: 1020}, {Start: 1920, End: 2460}}}},
		Pins:      []model.Pin{{ID: "pin1", Activity: "u2/fit", Worker: "w2"}},
		Holds:     []model.Hold{{Activity: "u2/flash", Until: 520, Reason: "waiting for a call"}},
	}
	p.Activities[6].Progress = &model.Progress{ // u3/fit runs since before now
		Held:      []model.ResourceID{"b1"},
		Stretches: []model.StretchTime{{Start: 470, End: 560, Workers: []model.WorkerID{"w2"}}},
	}
	return p
}

func solved(t *testing.T) (*model.Problem, *model.Plan) {
	t.Helper()
	p := workshop()
	if err := model.Validate(p); err != nil {
		t.Fatal(err)
	}
	plan := solve.Solve(context.Background(), p, solve.Options{Schedules: 50, Seed: 1})
	if v := check.Plan(p, plan); v != nil {
		t.Fatalf("the plan to be broken is broken already: %v", v)
	}
	if len(plan.Unplaced) > 0 || len(plan.Pins) > 0 {
		t.Fatalf("the plan is partial: %+v %+v", plan.Unplaced, plan.Pins)
	}
	return p, plan
}

func get(plan *model.Plan, id model.ActivityID) *model.Assignment {
	i := slices.IndexFunc(plan.Assignments, func(a model.Assignment) bool { return a.Activity == id })
	return &plan.Assignments[i]
}

// move shifts a whole assignment.
func move(as *model.Assignment, to model.Time) {
	d := to - as.Start
	as.Start, as.End = as.Start+d, as.End+d
	for i := range as.Stretches {
		s := &as.Stretches[i]
		s.Start, s.End = s.Start+d, s.End+d
		for k := range s.Parts {
			s.Parts[k].Start, s.Parts[k].End = s.Parts[k].Start+d, s.Parts[k].End+d
		}
	}
}

func alone(as *model.Assignment, start model.Time) {
	as.Start, as.End = start, start+100
	as.Stretches[0].Start, as.Stretches[0].End, as.Stretches[0].Parts = start, start+100, nil
}

// TestEachConstraintIsFoundWhenBroken breaks a valid plan, or the problem
// under it, in one way at a time.
func TestEachConstraintIsFoundWhenBroken(t *testing.T) {
	tests := []struct {
		name string
		want model.Constraint
		do   func(p *model.Problem, plan *model.Plan)
	}{
		{"before now", model.C1, func(p *model.Problem, plan *model.Plan) { move(get(plan, "u1/flash"), 470) }},
		{"before its job's release", model.C1, func(p *model.Problem, plan *model.Plan) { p.Jobs[1].Release = 2999 }},
		{"before its parts", model.C1, func(p *model.Problem, plan *model.Plan) { p.Activities[0].Release = 2999 }},
		{"precedence", model.C2, func(p *model.Problem, plan *model.Plan) { move(get(plan, "u1/relearn"), get(plan, "u1/flash").End-1) }},
		{"minimum lag", model.C2, func(p *model.Problem, plan *model.Plan) { p.Lags[3].Min = 2000 }},
		{"maximum lag", model.C2, func(p *model.Problem, plan *model.Plan) {
			p.Lags[0].Max = get(plan, "u1/relearn").Start - get(plan, "u1/flash").End - 1
		}},
		{"placed though what comes before is not", model.C2, func(p *model.Problem, plan *model.Plan) {
			plan.Assignments = slices.DeleteFunc(plan.Assignments, func(a model.Assignment) bool { return a.Activity == "u1/flash" })
			plan.Unplaced = append(plan.Unplaced, model.Unplaced{Activity: "u1/flash", Job: "u1", Constraint: model.C5})
		}},
		{"hands-off stretch starts late", model.C3, func(p *model.Problem, plan *model.Plan) {
			s := get(plan, "u1/flash").Stretches
			s[1].Start++
			s[1].End++
		}},
		{"waits too long", model.C3, func(p *model.Problem, plan *model.Plan) {
			as := get(plan, "u1/flash")
			as.Stretches[2].Start += 11
			as.Stretches[2].End += 11
			as.End += 11
		}},
		{"too short", model.C3, func(p *model.Problem, plan *model.Plan) { p.Activities[1].Modes[0].Stretches[1].Duration = 8 }},
		{"pauses though it could work", model.C3, func(p *model.Problem, plan *model.Plan) {
			as := get(plan, "u1/fit")
			s := &as.Stretches[0]
			alone(as, s.Start)
			s.Parts = []model.Interval{{Start: s.Start, End: s.Start + 10}, {Start: s.Start + 11, End: s.Start + 101}}
			s.End, as.End = s.Start+101, s.Start+101
		}},
		{"two on one bench", model.C4, func(p *model.Problem, plan *model.Plan) { get(plan, "u1/flash").Held[0] = "b1" }},
		{"no stock", model.C4, func(p *model.Problem, plan *model.Plan) {
			p.Resources[2].Consumable, p.Resources[2].Capacity = true, 1
		}},
		{"one worker in two places", model.C5, func(p *model.Problem, plan *model.Plan) {
			move(get(plan, "u2/relearn"), get(plan, "u1/relearn").Start)
			for i := range get(plan, "u2/relearn").Stretches {
				get(plan, "u2/relearn").Stretches[i].Workers = get(plan, "u1/relearn").Stretches[i].Workers
			}
		}},
		{"outside a shift", model.C5, func(p *model.Problem, plan *model.Plan) { p.Workers[0].Shifts = []model.Interval{{Start: 0, End: 1}} }},
		{"in a break", model.C5, func(p *model.Problem, plan *model.Plan) {
			s := get(plan, "u1/flash").Stretches[0]
			p.Workers[0].Breaks = []model.Interval{{Start: s.Start + 1, End: s.Start + 2}}
		}},
		{"crew too small", model.C5, func(p *model.Problem, plan *model.Plan) { get(plan, "u1/flash").Stretches[0].Workers = nil }},
		{"handed over", model.C6, func(p *model.Problem, plan *model.Plan) {
			st := get(plan, "u2/relearn").Stretches
			st[2].Workers = []model.WorkerID{other(st[0].Workers[0])}
		}},
		{"lacks the skill", model.C7, func(p *model.Problem, plan *model.Plan) {
			for _, i := range []int{0, 2} {
				get(plan, "u1/flash").Stretches[i].Workers = []model.WorkerID{"w2"}
			}
		}},
		{"wrong family", model.C7, func(p *model.Problem, plan *model.Plan) { get(plan, "u1/flash").Held[1] = "i2" }},
		{"wrong kind", model.C7, func(p *model.Problem, plan *model.Plan) { get(plan, "u1/relearn").Held[0] = "i2" }},
		{"pad after dark", model.C8, func(p *model.Problem, plan *model.Plan) {
			p.Resources[4].Open[0].End = get(plan, "u1/relearn").End - 1
		}},
		{"bench closed", model.C8, func(p *model.Problem, plan *model.Plan) {
			p.Resources[1].Open = []model.Interval{{Start: 0, End: 1}}
		}},
		{"ends after closing", model.C9, func(p *model.Problem, plan *model.Plan) {
			p.Calendars[0].Open[0].End = get(plan, "u1/flash").End - 1
		}},
		{"nobody on site", model.C9, func(p *model.Problem, plan *model.Plan) {
			// The crew is exempt while the engine runs by itself; the site is not.
			s := get(plan, "u1/flash").Stretches[1]
			for i := range p.Workers {
				w := &p.Workers[i]
				w.Shifts = []model.Interval{{Start: 480, End: s.Start + 1}, {Start: s.Start + 2, End: 1020}, w.Shifts[1]}
			}
		}},
		{"stretch outside its calendar", model.C9, func(p *model.Problem, plan *model.Plan) {
			p.Calendars = append(p.Calendars, model.Calendar{ID: "never", Open: []model.Interval{}})
			p.Activities[2].Modes[0].Stretches[0].Inside = "never"
		}},
		{"running activity moves to another bench", model.C10, func(p *model.Problem, plan *model.Plan) { get(plan, "u3/fit").Held[0] = "b2" }},
		{"running activity is re-timed", model.C10, func(p *model.Problem, plan *model.Plan) { move(get(plan, "u3/fit"), 481) }},
		{"running activity changes hands", model.C10, func(p *model.Problem, plan *model.Plan) {
			get(plan, "u3/fit").Stretches[0].Workers = []model.WorkerID{"w1"}
		}},
		{"pin to a worker", model.C11, func(p *model.Problem, plan *model.Plan) { p.Pins[0].Worker = "w1" }},
		{"pin to a start", model.C11, func(p *model.Problem, plan *model.Plan) { p.Pins[0].HasStart = true }},
		{"pin to a resource", model.C11, func(p *model.Problem, plan *model.Plan) { p.Pins[0].Resource = "i2" }},
		{"pin said to fail that holds", model.C11, func(p *model.Problem, plan *model.Plan) {
			plan.Pins = append(plan.Pins, model.PinFailure{Pin: "pin1", Activity: "u2/fit", Constraint: model.C5})
		}},
		{"held", model.C11, func(p *model.Problem, plan *model.Plan) { p.Holds[0].Until = model.Unlimited }},
		{"closure", model.C12, func(p *model.Problem, plan *model.Plan) {
			p.Resources[1].Closures[0].Interval = model.Interval{Start: 0, End: 2999}
		}},
		{"closure while it waits", model.C12, func(p *model.Problem, plan *model.Plan) {
			as := get(plan, "u1/flash")
			s := as.Stretches[1]
			for i := range p.Resources {
				if p.Resources[i].ID == as.Held[0] {
					p.Resources[i].Closures = []model.Closure{{Interval: model.Interval{Start: s.Start + 3, End: s.Start + 4}}}
				}
			}
		}},
		{"one unit in two places", model.C13, func(p *model.Problem, plan *model.Plan) {
			p.Lags = slices.DeleteFunc(p.Lags, func(l model.Lag) bool { return l.From == "u1/flash" || l.To == "u1/fit" })
			move(get(plan, "u1/relearn"), get(plan, "u1/flash").Start+8)
		}},
		{"no room to wait", model.C14, func(p *model.Problem, plan *model.Plan) {
			p.Buffer.Capacity = 0
			move(get(plan, "u1/fit"), 2600)
		}},
	}
	seen := map[model.Constraint]bool{}
	for _, test := range tests {
		seen[test.want] = true
		t.Run(test.name, func(t *testing.T) {
			p, plan := solved(t)
			test.do(p, plan)
			found := check.Plan(p, plan)
			if !slices.ContainsFunc(found, func(v check.Violation) bool { return v.Constraint == test.want }) {
				t.Errorf("%v is not found; found %v", test.want, found)
			}
		})
	}
	for c := model.C1; c <= model.C14; c++ {
		if !seen[c] {
			t.Errorf("no mutation breaks %v", c)
		}
	}
}

func other(w model.WorkerID) model.WorkerID {
	if w == "w1" {
		return "w2"
	}
	return "w1"
}

// TestMalformedPlansAreFound breaks the plan's own bookkeeping.
func TestMalformedPlansAreFound(t *testing.T) {
	tests := []struct {
		name, want string
		do         func(plan *model.Plan)
	}{
		{"missing", "neither placed nor unplaced", func(plan *model.Plan) { plan.Assignments = plan.Assignments[1:] }},
		{"twice", "placed twice", func(plan *model.Plan) { plan.Assignments = append(plan.Assignments, plan.Assignments[0]) }},
		{"unknown", "unknown", func(plan *model.Plan) { plan.Assignments[0].Activity = "x" }},
		{"placed and unplaced", "placed and unplaced", func(plan *model.Plan) {
			plan.Unplaced = append(plan.Unplaced, model.Unplaced{Activity: "u1/flash", Constraint: model.C4})
		}},
		{"unknown worker", "unknown", func(plan *model.Plan) { get(plan, "u1/flash").Stretches[0].Workers = []model.WorkerID{"x"} }},
		{"unknown resource", "unknown", func(plan *model.Plan) { get(plan, "u1/flash").Held[0] = "x" }},
		{"wrong sum", "objective", func(plan *model.Plan) { plan.Cost.Total++ }},
		{"wrong part", "objective", func(plan *model.Plan) { plan.Cost.Flow++; plan.Cost.Tardiness-- }},
		{"wrong finish", "outcome", func(plan *model.Plan) { plan.Jobs[0].Finish++ }},
		{"bound too high", "bound", func(plan *model.Plan) { plan.Bound = plan.Cost.Total + 1 }},
		{"breach of what does not run", "cannot breach", func(plan *model.Plan) {
			plan.Breaches = append(plan.Breaches, model.Breach{Activity: "u1/flash", Constraint: model.C3})
		}},
		{"after the horizon", "horizon", func(plan *model.Plan) { move(get(plan, "u1/fit"), 2950) }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p, plan := solved(t)
			test.do(plan)
			found := check.Plan(p, plan)
			if !slices.ContainsFunc(found, func(v check.Violation) bool { return strings.Contains(v.String(), test.want) }) {
				t.Errorf("nothing about %q in %v", test.want, found)
			}
		})
	}
}
