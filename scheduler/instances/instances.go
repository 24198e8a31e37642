// Package instances reads open benchmark formats onto package model, and runs
// the solver over folders of them. The model has no special code for any
// format; these readers only translate.
//
// Readers take an io.Reader and fail with the line that is wrong. They check
// shape, model.Validate checks sense. Ticks are the format's time units.
package instances

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"

	"tickover/scheduler/model"
)

// Bounds on what a reader accepts.
const (
	numbersMax = 2_000_000
	countMax   = 20_000 // jobs, machines, activities
	valueMax   = 1 << 30
)

// numbers are the integers of a text with the lines that they stand on.
type numbers struct {
	name  string
	list  []number
	next  int
	fault error
}

type number struct {
	value int64
	line  int
}

// scan reads all integers; lines that begin with # are comments.
func scan(name string, r io.Reader) (*numbers, error) {
	n := &numbers{name: name}
	in := bufio.NewScanner(r)
	in.Buffer(nil, 1<<20)
	for line := 1; in.Scan(); line++ {
		if strings.HasPrefix(strings.TrimSpace(in.Text()), "#") {
			continue
		}
		for _, f := range strings.Fields(in.Text()) {
			v, err := strconv.ParseInt(f, 10, 64)
			if err != nil {
				// Some files state an average with decimals in their head.
				if _, err := strconv.ParseFloat(f, 64); err == nil && line == 1 {
					continue
				}
				return nil, fmt.Errorf("%s:%d: %q is not a whole number", name, line, f)
			}
			if len(n.list) == numbersMax {
				return nil, fmt.Errorf("%s:%d: more than %d numbers", name, line, numbersMax)
			}
			n.list = append(n.list, number{v, line})
		}
	}
	if err := in.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return n, nil
}

// take is the next number, which must lie in [lo, hi]; the first fault stays.
func (n *numbers) take(what string, lo, hi int64) int64 {
	if n.fault != nil {
		return lo
	}
	if n.next == len(n.list) {
		n.fault = fmt.Errorf("%s: ends before %s", n.name, what)
		return lo
	}
	x := n.list[n.next]
	n.next++
	if x.value < lo || x.value > hi {
		n.fault = fmt.Errorf("%s:%d: %s %d is outside %d … %d", n.name, x.line, what, x.value, lo, hi)
		return lo
	}
	return x.value
}

func (n *numbers) end() error {
	if n.fault == nil && n.next < len(n.list) {
		n.fault = fmt.Errorf("%s:%d: more numbers than announced", n.name, n.list[n.next].line)
	}
	return n.fault
}

// makespan is a problem whose objective is the last finish.
func makespan() *model.Problem {
	return &model.Problem{Weights: model.Weights{Makespan: 1000}}
}

// close sets a horizon that no reasonable schedule needs: all work in a row.
func closeHorizon(p *model.Problem) *model.Problem {
	var sum, late model.Time
	for i := range p.Activities {
		var longest model.Time
		for _, m := range p.Activities[i].Modes {
			var d model.Time
			for _, s := range m.Stretches {
				d += s.Duration
			}
			longest = max(longest, d)
		}
		sum += longest
	}
	for _, j := range p.Jobs {
		late = max(late, j.Release)
	}
	p.Horizon = sum + late + 1
	return p
}

// JobShop reads the format of Fisher & Thompson (1963) and Lawrence (1984):
// jobs and machines, then for each job pairs of machine (from 0) and duration.
func JobShop(name string, r io.Reader) (*model.Problem, error) {
	n, err := scan(name, r)
	if err != nil {
		return nil, err
	}
	jobs := int(n.take("number of jobs", 1, countMax))
	machines := int(n.take("number of machines", 1, countMax))
	p := makespan()
	p.Resources = machinesOf(machines)
	for j := range jobs {
		addJob(p, j)
		for k := 0; k < machines && n.fault == nil; k++ {
			m := n.take("machine", 0, int64(machines-1))
			d := n.take("duration", 0, valueMax)
			addOperation(p, j, k, []model.Mode{mode(model.Time(d), machine(int(m)))})
		}
	}
	return closeHorizon(p), n.end()
}

// FlexibleJobShop reads Brandimarte's format (1993): jobs and machines, then
// for each job its number of operations, and for each operation the number of
// machines that can do it and pairs of machine (from 0) and duration.
func FlexibleJobShop(name string, r io.Reader) (*model.Problem, error) {
	n, err := scan(name, r)
	if err != nil {
		return nil, err
	}
	jobs := int(n.take("number of jobs", 1, countMax))
	machines := int(n.take("number of machines", 1, countMax))
	if len(n.list) > 2 && n.list[2].line == n.list[0].line {
		n.next++ // the average number of machines an operation, of no use
	}
	p := makespan()
	p.Resources = machinesOf(machines)
	for j := 0; j < jobs && n.fault == nil; j++ {
		addJob(p, j)
		ops := int(n.take("number of operations", 1, countMax))
		for k := 0; k < ops && n.fault == nil; k++ {
			var modes []model.Mode
			for range n.take("number of machines", 1, int64(machines)) {
				m := n.take("machine", 0, int64(machines-1))
				d := n.take("duration", 0, valueMax)
				modes = append(modes, mode(model.Time(d), machine(int(m))))
			}
			addOperation(p, j, k, modes)
		}
	}
	return closeHorizon(p), n.end()
}

func machine(m int) model.ResourceID { return model.ResourceID(fmt.Sprintf("m%03d", m)) }

func machinesOf(n int) []model.Resource {
	out := make([]model.Resource, n)
	for i := range out {
		out[i] = model.Resource{ID: machine(i), Kind: "machine", Capacity: 1}
	}
	return out
}

func addJob(p *model.Problem, j int) {
	p.Jobs = append(p.Jobs, model.Job{ID: model.JobID(fmt.Sprintf("j%03d", j)), Due: model.Unlimited, Weight: 1})
}

// addOperation appends operation k of job j behind the one before.
func addOperation(p *model.Problem, j, k int, modes []model.Mode) {
	id := func(k int) model.ActivityID { return model.ActivityID(fmt.Sprintf("j%03d/%03d", j, k)) }
	p.Activities = append(p.Activities, model.Activity{ID: id(k), Job: p.Jobs[j].ID, Modes: modes})
	if k > 0 {
		p.Lags = append(p.Lags, model.Lag{From: id(k - 1), To: id(k)})
	}
}

func mode(d model.Time, held ...model.ResourceID) model.Mode {
	m := model.Mode{Stretches: []model.Stretch{{Duration: d}}}
	for _, r := range held {
		m.Needs = append(m.Needs, model.Need{Resources: []model.ResourceID{r}})
	}
	return m
}

// WeightedTardiness reads the OR-Library's single-machine sets: for each
// instance the processing times, the weights and the due dates of jobs jobs.
func WeightedTardiness(name string, r io.Reader, jobs int) ([]*model.Problem, error) {
	n, err := scan(name, r)
	if err != nil {
		return nil, err
	}
	if jobs < 1 || len(n.list)%(3*jobs) != 0 {
		return nil, fmt.Errorf("%s: %d numbers are not a whole number of instances of %d jobs", name, len(n.list), jobs)
	}
	var out []*model.Problem
	for n.next < len(n.list) && n.fault == nil {
		p := &model.Problem{Weights: model.Weights{Tardiness: 1000}, Resources: machinesOf(1)}
		for j := range jobs {
			addJob(p, j)
			addOperation(p, j, 0, []model.Mode{mode(model.Time(n.take("processing time", 0, valueMax)), machine(0))})
		}
		for j := range jobs {
			p.Jobs[j].Weight = n.take("weight", 0, 1_000_000)
		}
		for j := range jobs {
			p.Jobs[j].Due = model.Time(n.take("due date", 0, valueMax))
		}
		out = append(out, closeHorizon(p))
	}
	return out, n.fault
}
