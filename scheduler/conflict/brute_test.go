package conflict_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"tickover/scheduler/check"
	"tickover/scheduler/conflict"
	"tickover/scheduler/model"
)

const worldsTried = 400

// TestConflictsAgainstBruteForce draws small worlds, asks why a pin or a due
// date fails, and tries everything: with the facts of the conflict alone there
// is no schedule; without any one of them there is one (when it is exact); and
// what could not be proved has one.
func TestConflictsAgainstBruteForce(t *testing.T) {
	worlds := rapid.Custom(smallWorld)
	sizes := map[int]int{}
	proved, open := 0, 0
	for seed := range worldsTried {
		p := worlds.Example(seed)
		if err := model.Validate(p); err != nil {
			t.Fatalf("world %d: %v", seed, err)
		}
		plan := solved(t, p)
		for _, c := range asked(p, plan) {
			if !c.Proved {
				open++
				if c.Exact && !feasible(relaxed(p, plan, c, nil, true), c) {
					t.Errorf("world %d: %s is impossible, but that was not shown", seed, words().Conflict(c))
				}
				continue
			}
			proved++
			sizes[len(c.Facts)]++
			if feasible(relaxed(p, plan, c, c.Facts, false), c) {
				t.Errorf("world %d: %s is possible with these facts: %+v", seed, words().Conflict(c), c.Facts)
			}
			for i := range c.Facts {
				rest := slices.Delete(slices.Clone(c.Facts), i, i+1)
				if c.Exact && !feasible(relaxed(p, plan, c, rest, false), c) {
					t.Errorf("world %d: %s is impossible without %+v too", seed, words().Conflict(c), c.Facts[i])
				}
			}
		}
	}
	t.Logf("%d proved, by number of facts %v; %d not", proved, sizes, open)
	if proved < worldsTried/2 || sizes[2] < 50 || sizes[3] < 10 {
		t.Errorf("too few conflicts to mean anything: %v", sizes)
	}
}

func asked(p *model.Problem, plan *model.Plan) []*conflict.Conflict {
	var out []*conflict.Conflict
	for _, f := range plan.Pins {
		out = append(out, conflict.OfPin(p, plan, f.Pin))
	}
	for _, j := range plan.Jobs {
		if j.Tardiness > 0 {
			out = append(out, conflict.OfDue(p, plan, j.Job))
		}
	}
	return out
}

const horizon = 10

// smallWorld is a job of one to three activities, another one that may be
// pinned or run, two benches, two workers, and all kinds of facts.
func smallWorld(t *rapid.T) *model.Problem {
	some := func(percent int, what string) bool { return rapid.IntRange(0, 99).Draw(t, what) < percent }
	number := func(from, to int, what string) model.Time { return model.Time(rapid.IntRange(from, to).Draw(t, what)) }
	p := &model.Problem{Horizon: horizon, Weights: model.Weights{Tardiness: 1000, Flow: 50},
		Calendars: []model.Calendar{{ID: "site", Open: []model.Interval{{Start: 0, End: number(3, horizon, "site shuts")}}}}}
	for i := range 2 {
		r := model.Resource{ID: model.ResourceID(fmt.Sprint("r", i)), Kind: "bench", Capacity: 1, Within: some(50, "within")}
		if some(30, "calendar") {
			k := number(1, 5, "opens")
			r.Open = []model.Interval{{Start: 0, End: k}, {Start: k + 2, End: horizon}}
		}
		if some(30, "closure") {
			k := number(0, 6, "down")
			r.Closures = []model.Closure{{Interval: model.Interval{Start: k, End: k + number(1, 4, "down for")}}}
		}
		if i == 0 || some(40, "tag") {
			r.Tags = []string{"lift"}
		}
		p.Resources = append(p.Resources, r)
		w := model.Worker{ID: model.WorkerID(fmt.Sprint("w", i)), Shifts: []model.Interval{{Start: number(0, 2, "comes"), End: number(5, horizon, "goes")}}}
		if some(40, "break") {
			k := number(2, 6, "break")
			w.Breaks = []model.Interval{{Start: k, End: k + 1}}
		}
		if i == 0 || some(40, "skill") {
			w.Skills = []string{"s"}
		}
		p.Workers = append(p.Workers, w)
	}
	p.Jobs = []model.Job{{ID: "j", Release: number(0, 2, "release"), Due: number(2, 9, "due"), Weight: 1, OnePlace: true}, {ID: "k", Due: model.Unlimited, Weight: 1, OnePlace: true}}
	for i := range rapid.IntRange(1, 3).Draw(t, "activities") {
		a := smallActivity(t, "j", i)
		if some(20, "parts") {
			a.Release = number(1, 6, "parts at")
		}
		if some(15, "hold") {
			p.Holds = append(p.Holds, model.Hold{Activity: a.ID, Until: number(1, 6, "held until")})
		}
		if i > 0 && some(60, "after") {
			p.Lags = append(p.Lags, model.Lag{From: p.Activities[i-1].ID, To: a.ID})
		}
		p.Activities = append(p.Activities, a)
	}
	if some(70, "another") {
		k := smallActivity(t, "k", 0)
		if some(40, "runs") {
			s := k.Modes[0].Stretches[:1]
			k.Modes[0].Stretches = s
			st := model.StretchTime{Start: -1, End: max(0, -1+s[0].Duration)}
			if s[0].Workers > 0 {
				st.Workers = []model.WorkerID{"w0"}
			}
			k.Progress = &model.Progress{Held: []model.ResourceID{"r0"}, Stretches: []model.StretchTime{st}}
		} else {
			p.Pins = append(p.Pins, start("a", k.ID, number(0, 6, "k at")))
		}
		p.Activities = append(p.Activities, k)
	}
	target := p.Activities[rapid.IntRange(0, len(p.Activities)-1).Draw(t, "pinned")].ID
	switch rapid.IntRange(0, 3).Draw(t, "pin") {
	case 0, 1:
		p.Pins = append(p.Pins, start("p", target, number(0, 8, "start")))
	case 2:
		p.Pins = append(p.Pins, model.Pin{ID: "p", Activity: target, Resource: "r1"}, start("q", target, number(0, 8, "start")))
	}
	return p
}

func smallActivity(t *rapid.T, job model.JobID, i int) model.Activity {
	d := func() model.Time { return model.Time(rapid.IntRange(1, 3).Draw(t, "duration")) }
	var skills []string
	if rapid.Bool().Draw(t, "skilled") {
		skills = []string{"s"}
	}
	on := func(d model.Time) model.Stretch { return model.Stretch{Duration: d, Workers: 1, Skills: skills} }
	m := model.Mode{Needs: []model.Need{{Kind: "bench"}}}
	if rapid.Bool().Draw(t, "lift") {
		m.Needs[0].Tags = []string{"lift"}
	}
	switch rapid.IntRange(0, 3).Draw(t, "shape") {
	case 0:
		m.Stretches = []model.Stretch{on(d())}
	case 1:
		m.Stretches = []model.Stretch{{Duration: d()}}
	case 2:
		m.Stretches = []model.Stretch{on(d() + 1)}
	default:
		m.Stretches = []model.Stretch{on(1), {Duration: d(), MaxWait: model.Time(rapid.IntRange(0, 2).Draw(t, "wait"))}, on(1)}
	}
	a := model.Activity{ID: model.ActivityID(fmt.Sprint(job, i)), Job: job, Modes: []model.Mode{m}}
	if rapid.Bool().Draw(t, "inside") {
		a.Inside = "site"
	}
	return a
}

// relaxed is the problem with only these facts in force, and of other jobs'
// activities only what runs or is pinned; all for all facts.
func relaxed(p *model.Problem, plan *model.Plan, c *conflict.Conflict, facts []conflict.Fact, all bool) *model.Problem {
	in := func(want conflict.Fact) bool {
		return all || slices.ContainsFunc(facts, func(f conflict.Fact) bool {
			return f.Kind == want.Kind && f.Pin == want.Pin && f.Activity == want.Activity && f.Resource == want.Resource &&
				f.Worker == want.Worker && f.Calendar == want.Calendar && f.Skill == want.Skill
		})
	}
	q := *p
	q.Jobs, q.Pins, q.Holds, q.Lags, q.Activities = slices.Clone(p.Jobs), nil, nil, nil, nil
	pinned := map[model.ActivityID]bool{}
	for _, n := range p.Pins {
		failed := slices.ContainsFunc(plan.Pins, func(f model.PinFailure) bool { return f.Pin == n.ID })
		if n.ID == c.Pin || !failed && in(conflict.Fact{Kind: conflict.PinFact, Pin: n.ID, Activity: n.Activity, Resource: n.Resource, Worker: n.Worker}) {
			q.Pins = append(q.Pins, n)
			pinned[n.Activity] = n.HasStart
		}
	}
	for _, h := range p.Holds {
		if in(conflict.Fact{Kind: conflict.HoldFact, Activity: h.Activity}) {
			q.Holds = append(q.Holds, h)
		}
	}
	for i := range q.Jobs {
		if !in(conflict.Fact{Kind: conflict.ReleaseFact, Activity: ""}) {
			q.Jobs[i].Release = 0
		}
	}
	for _, l := range p.Lags {
		if c.Pin == "" || in(conflict.Fact{Kind: conflict.OrderFact, Activity: l.From}) {
			q.Lags = append(q.Lags, l)
		}
	}
	for _, a := range p.Activities {
		keeps := a.Job == c.Job || pinned[a.ID]
		if a.Progress != nil {
			keeps = all || slices.ContainsFunc(facts, func(f conflict.Fact) bool { return f.Kind == conflict.RunningFact && f.Activity == a.ID })
		}
		if !in(conflict.Fact{Kind: conflict.ReleaseFact, Activity: a.ID}) {
			a.Release = 0
		}
		if keeps && (c.Pin == "" || a.Job != c.Job || ancestor(&q, a.ID, c.Activity)) {
			q.Activities = append(q.Activities, a)
		}
	}
	q.Lags = slices.DeleteFunc(q.Lags, func(l model.Lag) bool {
		known := func(id model.ActivityID) bool {
			return slices.ContainsFunc(q.Activities, func(a model.Activity) bool { return a.ID == id })
		}
		return !known(l.From) || !known(l.To)
	})
	relaxHours(p, &q, in)
	return &q
}

func relaxHours(p, q *model.Problem, in func(conflict.Fact) bool) {
	q.Resources, q.Workers, q.Calendars = slices.Clone(p.Resources), slices.Clone(p.Workers), slices.Clone(p.Calendars)
	for i := range q.Resources {
		r := &q.Resources[i]
		if !in(conflict.Fact{Kind: conflict.HoursFact, Resource: r.ID}) {
			r.Open = nil
		}
		if !in(conflict.Fact{Kind: conflict.ClosureFact, Resource: r.ID}) {
			r.Closures = nil
		}
		if !in(conflict.Fact{Kind: conflict.TagFact, Skill: "lift"}) {
			r.Tags = []string{"lift"}
		}
	}
	for i := range q.Workers {
		w := &q.Workers[i]
		if !in(conflict.Fact{Kind: conflict.ShiftFact, Worker: w.ID}) {
			w.Shifts = nil
		}
		if !in(conflict.Fact{Kind: conflict.BreakFact, Worker: w.ID}) {
			w.Breaks = nil
		}
		if !in(conflict.Fact{Kind: conflict.SkillFact, Skill: "s"}) {
			w.Skills = []string{"s"}
		}
	}
	if !in(conflict.Fact{Kind: conflict.CalendarFact, Calendar: "site"}) {
		q.Calendars[0].Open = []model.Interval{{Start: -1000, End: 1000}}
	}
}

// ancestor says that a comes before b, or is b.
func ancestor(p *model.Problem, a, b model.ActivityID) bool {
	return a == b || slices.ContainsFunc(p.Lags, func(l model.Lag) bool { return l.From == a && ancestor(p, l.To, b) })
}

// feasible tries every start, bench and worker and lets the checker judge.
func feasible(p *model.Problem, c *conflict.Conflict) bool {
	limit := model.Time(horizon)
	var chosen []model.Assignment
	var breaches []model.Breach // what runs is not judged
	for i := range p.Activities {
		if a := &p.Activities[i]; a.Progress != nil {
			for _, k := range []model.Constraint{model.C3, model.C5, model.C6, model.C8, model.C9} {
				breaches = append(breaches, model.Breach{Activity: a.ID, Constraint: k})
			}
			chosen = append(chosen, model.Assignment{Activity: a.ID, Job: a.Job, Start: a.Progress.Stretches[0].Start, End: a.Progress.Stretches[0].End,
				Stretches: a.Progress.Stretches, Held: a.Progress.Held, Running: true})
		}
	}
	var try func(i int) bool
	try = func(i int) bool {
		if i == len(p.Activities) {
			for _, v := range check.Plan(p, &model.Plan{Assignments: chosen, Breaches: breaches}) {
				if v.Constraint != 0 {
					return false
				}
			}
			return true
		}
		a := &p.Activities[i]
		if a.Progress != nil {
			return try(i + 1)
		}
		end := limit
		if c.Pin == "" && a.Job == c.Job {
			end = min(end, c.At)
		}
		from, to := model.Time(0), limit
		for _, n := range p.Pins {
			if n.Activity == a.ID && n.HasStart {
				from, to = n.Start, n.Start+1
			}
		}
		for s := from; s < to; s++ {
			for _, st := range layouts(a, s, end) {
				for _, r := range p.Resources {
					as := model.Assignment{Activity: a.ID, Job: a.Job, Start: s, End: st[len(st)-1].End, Stretches: st, Held: []model.ResourceID{r.ID}}
					if clash(chosen, &as) {
						continue
					}
					chosen = append(chosen, as)
					if try(i + 1) {
						return true
					}
					chosen = chosen[:len(chosen)-1]
				}
			}
		}
		return false
	}
	return try(0)
}

func clash(chosen []model.Assignment, as *model.Assignment) bool {
	for i := range chosen {
		o := &chosen[i]
		if (o.Held[0] == as.Held[0] || o.Job == as.Job) && o.Start < as.End && as.Start < o.End {
			return true
		}
	}
	return false
}

// layouts are all ways to lay out the stretches from start, by either worker.
func layouts(a *model.Activity, start, end model.Time) [][]model.StretchTime {
	var out [][]model.StretchTime
	src := a.Modes[0].Stretches
	for _, who := range []model.WorkerID{"w0", "w1"} {
		var rec func(done []model.StretchTime)
		rec = func(done []model.StretchTime) {
			k := len(done)
			if k == len(src) {
				out = append(out, slices.Clone(done))
				return
			}
			from, wait := start, model.Time(0)
			if k > 0 {
				from = done[k-1].End
				if src[k].Workers > 0 {
					wait = src[k-1].MaxWait
				}
			}
			for s := from; s <= from+wait; s++ {
				st := model.StretchTime{Start: s, End: s + src[k].Duration}
				if src[k].Workers > 0 {
					st.Workers = []model.WorkerID{who}
				}
				if st.End <= end {
					rec(append(done, st))
				}
			}
		}
		rec(nil)
	}
	return out
}
