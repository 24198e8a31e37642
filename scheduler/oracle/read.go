package oracle

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"tickover/scheduler/model"
)

// Answer is a solver's solution, as Model prints it. Numbers start at 1.
type Answer struct {
	// Cost is the objective divided by Unit.
	Cost model.Cost `json:"cost"`
	// S and E are the start and end of every stretch.
	S []model.Time `json:"s"`
	E []model.Time `json:"e"`
	// Y is the resource of every need.
	Y []int `json:"y"`
	// X says for every stretch and worker whether the worker does it.
	X []int `json:"x"`
}

// Read turns a solver's answer to Export(p) into a plan. The plan's cost and
// outcomes are recomputed from its times by the words of package model; Read
// reports an answer whose cost is another one.
func Read(p *model.Problem, answer string) (*model.Plan, error) {
	var a Answer
	if err := json.Unmarshal([]byte(answer), &a); err != nil {
		return nil, fmt.Errorf("answer: %w", err)
	}
	k, n := 0, 0
	for i := range p.Activities {
		k += len(p.Activities[i].Modes[0].Stretches)
		n += len(p.Activities[i].Modes[0].Needs)
	}
	if len(a.S) != k || len(a.E) != k || len(a.Y) != n || len(a.X) != k*len(p.Workers) {
		return nil, fmt.Errorf("answer: %d starts, %d ends, %d resources and %d workers; want %d, %d, %d and %d",
			len(a.S), len(a.E), len(a.Y), len(a.X), k, k, n, k*len(p.Workers))
	}
	plan, err := assemble(p, &a)
	if err != nil {
		return nil, err
	}
	if want := a.Cost * Unit(p); plan.Cost.Total != want {
		return nil, fmt.Errorf("answer: its cost is %d and its times cost %d", want, plan.Cost.Total)
	}
	return plan, nil
}

func assemble(p *model.Problem, a *Answer) (*model.Plan, error) {
	plan := &model.Plan{}
	k, n := 0, 0
	for i := range p.Activities {
		act := &p.Activities[i]
		m := &act.Modes[0]
		as := model.Assignment{Activity: act.ID, Job: act.Job, Running: act.Progress != nil}
		for j := range m.Stretches {
			as.Stretches = append(as.Stretches, stretchTime(p, a, act, j, k))
			k++
		}
		for range m.Needs {
			if a.Y[n] < 1 || a.Y[n] > len(p.Resources) {
				return nil, fmt.Errorf("answer: resource %d of %d", a.Y[n], len(p.Resources))
			}
			as.Held = append(as.Held, p.Resources[a.Y[n]-1].ID)
			n++
		}
		as.Start, as.End = as.Stretches[0].Start, as.Stretches[len(as.Stretches)-1].End
		plan.Assignments = append(plan.Assignments, as)
	}
	price(p, plan)
	slices.SortStableFunc(plan.Assignments, func(a, b model.Assignment) int {
		if a.Start != b.Start {
			return int(a.Start - b.Start)
		}
		return strings.Compare(string(a.Activity), string(b.Activity))
	})
	return plan, nil
}

// stretchTime is stretch j of an activity, the k-th of all.
func stretchTime(p *model.Problem, a *Answer, act *model.Activity, j, k int) model.StretchTime {
	if g := act.Progress; g != nil && j < len(g.Stretches) {
		return g.Stretches[j]
	}
	st := model.StretchTime{Start: a.S[k], End: a.E[k]}
	for w := range p.Workers {
		if a.X[k*len(p.Workers)+w] == 1 {
			st.Workers = append(st.Workers, p.Workers[w].ID)
		}
	}
	slices.Sort(st.Workers)
	if act.Modes[0].Stretches[j].Splittable {
		for w := range p.Workers {
			if has(st.Workers, p.Workers[w].ID) {
				st.Parts = clip(working(&p.Workers[w], p), st.Start, st.End)
			}
		}
	}
	return st
}

func clip(list []model.Interval, from, to model.Time) []model.Interval {
	var out []model.Interval
	for _, iv := range list {
		if c := (model.Interval{Start: max(iv.Start, from), End: min(iv.End, to)}); c.Start < c.End {
			out = append(out, c)
		}
	}
	return out
}

// price fills in the outcomes and the cost of a plan that places everything.
func price(p *model.Problem, plan *model.Plan) {
	c, w := &plan.Cost, p.Weights
	latest := p.Now
	for i := range p.Jobs {
		j := &p.Jobs[i]
		o := model.JobOutcome{Job: j.ID, Due: j.Due, Weight: j.Weight, Placed: true, Finish: -model.TimeMax, Bound: -model.TimeMax}
		for k := range plan.Assignments {
			if as := &plan.Assignments[k]; as.Job == j.ID {
				o.Finish = max(o.Finish, as.End)
			}
		}
		if j.Due != model.Unlimited {
			o.Tardiness = max(0, o.Finish-j.Due)
		}
		latest = max(latest, o.Finish)
		c.Tardiness += w.Tardiness * model.Cost(j.Weight) * model.Cost(o.Tardiness)
		c.Flow += w.Flow * model.Cost(j.Weight) * model.Cost(o.Finish-j.Release)
		plan.Jobs = append(plan.Jobs, o)
	}
	slices.SortFunc(plan.Jobs, func(a, b model.JobOutcome) int { return strings.Compare(string(a.Job), string(b.Job)) })
	c.Makespan = w.Makespan * model.Cost(latest-p.Now)
	for i := range p.Previous {
		stability(p, plan, &p.Previous[i])
	}
	c.Moves, c.Reassigned = w.Move*model.Cost(c.MovesCount), w.Reassign*model.Cost(c.ReassignedCount)
	c.Total = c.Tardiness + c.Flow + c.Makespan + c.Moves + c.Reassigned
}

// stability counts what of the plan in force has changed for one activity.
func stability(p *model.Problem, plan *model.Plan, q *model.Previous) {
	i := slices.IndexFunc(plan.Assignments, func(a model.Assignment) bool { return a.Activity == q.Activity })
	as := &plan.Assignments[i]
	if as.Running {
		return
	}
	soon := q.Start >= p.Now && q.Start < p.Now+p.Weights.MoveWindow
	if soon && (as.Start != q.Start || !sameSet(as.Held, q.Resources)) {
		plan.Cost.MovesCount++
	}
	var crew []model.WorkerID
	for _, st := range as.Stretches {
		if len(st.Workers) > 0 {
			crew = st.Workers
			break
		}
	}
	if q.Accepted && !sameSet(crew, q.Workers) {
		plan.Cost.ReassignedCount++
	}
}

func sameSet[T comparable](a, b []T) bool {
	return len(a) == len(b) && !slices.ContainsFunc(a, func(v T) bool { return !has(b, v) })
}
