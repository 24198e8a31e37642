package disjunctive

import (
	"errors"
	"fmt"
)

// Problem is a shop of machines that do one operation at a time. The order of
// the lists is the identity of what is in them.
type Problem struct {
	// Machines is their number; a Way names one by index.
	Machines   int
	Operations []Operation
	Lags       []Lag
	Jobs       []Job
	Weights    Weights
	// Origin is the zero of the makespan; no release lies before it.
	Origin int64
}

// Operation is done without a break on one machine or on none.
type Operation struct {
	Job     int
	Release int64
	// Ways are the alternatives; one is chosen. At least one.
	Ways []Way
}

// NoMachine is the machine of a Way that needs none.
const NoMachine = -1

// Way is one machine and how long the operation takes on it, ≥ 0.
type Way struct {
	Machine  int
	Duration int64
}

// Lag is a minimum: with a = the end (or start) of From and b = the start (or
// end) of To, a + Min ≤ b.
type Lag struct {
	From, To  int
	FromStart bool
	ToEnd     bool
	Min       int64
}

// Job is a set of operations; it finishes when the last of them does.
type Job struct {
	// Release is the zero of its flow time.
	Release int64
	// Due counts when HasDue is set.
	Due    int64
	HasDue bool
	Weight int64
}

// Weights are the prices of the objective:
//
//	Makespan·(last finish − Origin)
//	+ Tardiness·Σ weight·max(0, finish − due)
//	+ Flow·Σ weight·(finish − release)
type Weights struct{ Makespan, Tardiness, Flow int64 }

// Schedule is a solution.
type Schedule struct {
	Cost int64
	// Way and Start are by operation.
	Way   []int
	Start []int64
	// Order lists the operations by start; no lag and no machine's sequence
	// points backwards in it.
	Order []int
}

// Bounds on what New accepts: they keep every sum in 64 bits.
const (
	OperationsMax = 50_000
	TimeMax       = 1 << 40
)

// arc is a lag seen from one of its ends: the start of To is at least the start
// of From + min, plus the duration of From (from = -1), less the duration of To
// (to = -1).
type arc struct {
	min      int64
	from, to int64 // masks of the durations
	other    int32
}

type way struct {
	p       int64
	machine int32
}

// compiled is a problem in flat arrays, shared by all searches and never
// written to.
type compiled struct {
	p           *Problem
	ops         int
	release     []int64
	wayOff      []int32 // the ways of v are ways[wayOff[v]:wayOff[v+1]]
	ways        []way
	preOff      []int32
	pre         []arc
	sucOff      []int32
	suc         []arc
	topological []int32 // by lags
	ends        []int32 // operations that may finish last
	jobOff      []int32
	jobOps      []int32
	job         []int32
	least       []int64 // by operation: its least duration
	tail        []int64 // by operation: longest path of least durations from its start
	// plain: all lags run from an end to a start and are not negative, so that
	// starts never decrease along a path.
	plain bool
	// flexible: some operation has several ways.
	flexible bool
	// spanOnly: the makespan alone counts.
	spanOnly bool
	// offset is the part of the objective that no schedule changes: the
	// origin, releases of flow times, empty jobs.
	offset int64
}

func compile(p *Problem) (*compiled, error) {
	if err := validate(p); err != nil {
		return nil, err
	}
	n := len(p.Operations)
	c := &compiled{
		p: p, ops: n, plain: true,
		release: make([]int64, n), job: make([]int32, n), least: make([]int64, n), tail: make([]int64, n),
		wayOff: make([]int32, n+1), preOff: make([]int32, n+1), sucOff: make([]int32, n+1), jobOff: make([]int32, len(p.Jobs)+1),
		pre: make([]arc, len(p.Lags)), suc: make([]arc, len(p.Lags)), jobOps: make([]int32, n),
		spanOnly: p.Weights.Tardiness == 0 && p.Weights.Flow == 0,
	}
	for v := range p.Operations {
		o := &p.Operations[v]
		c.release[v], c.job[v] = max(o.Release, p.Origin), int32(o.Job)
		c.jobOff[o.Job+1]++
		c.least[v] = o.Ways[0].Duration
		for _, w := range o.Ways {
			c.ways = append(c.ways, way{p: w.Duration, machine: int32(w.Machine)})
			c.least[v] = min(c.least[v], w.Duration)
		}
		c.wayOff[v+1] = int32(len(c.ways))
		c.flexible = c.flexible || len(o.Ways) > 1
	}
	sum(c.jobOff)
	fill := append([]int32(nil), c.jobOff...)
	for v := range c.job {
		c.jobOps[fill[c.job[v]]] = int32(v)
		fill[c.job[v]]++
	}
	c.offset = -p.Weights.Makespan * p.Origin
	for j := range p.Jobs {
		if c.jobOff[j+1] > c.jobOff[j] {
			c.offset -= p.Weights.Flow * p.Jobs[j].Weight * p.Jobs[j].Release
		} else { // finished when it is released
			c.offset += c.jobPrice(j, p.Jobs[j].Release)
		}
	}
	c.compileLags()
	if !c.sort() {
		return nil, errors.New("disjunctive: the lags form a cycle")
	}
	c.measure()
	return c, nil
}

func validate(p *Problem) error {
	if len(p.Operations) == 0 || len(p.Operations) > OperationsMax {
		return fmt.Errorf("disjunctive: %d operations, want 1 … %d", len(p.Operations), OperationsMax)
	}
	if p.Weights.Makespan < 0 || p.Weights.Tardiness < 0 || p.Weights.Flow < 0 {
		return fmt.Errorf("disjunctive: negative weights %+v", p.Weights)
	}
	for v := range p.Operations {
		o := &p.Operations[v]
		if o.Job < 0 || o.Job >= len(p.Jobs) || len(o.Ways) == 0 || o.Release > TimeMax || o.Release < -TimeMax {
			return fmt.Errorf("disjunctive: operation %d: no such job, no way or a release out of range", v)
		}
		for _, w := range o.Ways {
			if w.Machine < NoMachine || w.Machine >= p.Machines || w.Duration < 0 || w.Duration > TimeMax {
				return fmt.Errorf("disjunctive: operation %d: machine %d or duration %d out of range", v, w.Machine, w.Duration)
			}
		}
	}
	for i, l := range p.Lags {
		if l.From < 0 || l.To < 0 || l.From >= len(p.Operations) || l.To >= len(p.Operations) || l.Min > TimeMax || l.Min < -TimeMax {
			return fmt.Errorf("disjunctive: lag %d: operation or minimum out of range", i)
		}
	}
	for i, j := range p.Jobs {
		if j.Weight < 0 {
			return fmt.Errorf("disjunctive: job %d: negative weight %d", i, j.Weight)
		}
	}
	return nil
}

// sum turns counts into offsets.
func sum(off []int32) {
	for i := 1; i < len(off); i++ {
		off[i] += off[i-1]
	}
}

func (c *compiled) compileLags() {
	for _, l := range c.p.Lags {
		c.preOff[l.To+1]++
		c.sucOff[l.From+1]++
		c.plain = c.plain && !l.FromStart && !l.ToEnd && l.Min >= 0
	}
	sum(c.preOff)
	sum(c.sucOff)
	pre, suc := append([]int32(nil), c.preOff...), append([]int32(nil), c.sucOff...)
	for _, l := range c.p.Lags {
		a := arc{min: l.Min, from: -1}
		if l.FromStart {
			a.from = 0
		}
		if l.ToEnd {
			a.to = -1
		}
		a.other = int32(l.From)
		c.pre[pre[l.To]] = a
		pre[l.To]++
		a.other = int32(l.To)
		c.suc[suc[l.From]] = a
		suc[l.From]++
	}
}

func (c *compiled) before(v int32) []arc { return c.pre[c.preOff[v]:c.preOff[v+1]] }
func (c *compiled) after(v int32) []arc  { return c.suc[c.sucOff[v]:c.sucOff[v+1]] }

func (c *compiled) waysOf(v int32) []way { return c.ways[c.wayOff[v]:c.wayOff[v+1]] }

// sort lists the operations topologically by lags; false for a cycle.
func (c *compiled) sort() bool {
	waits := make([]int32, c.ops)
	for v := range waits {
		if waits[v] = c.preOff[v+1] - c.preOff[v]; waits[v] == 0 {
			c.topological = append(c.topological, int32(v))
		}
	}
	for i := 0; i < len(c.topological); i++ {
		for _, a := range c.after(c.topological[i]) {
			if waits[a.other]--; waits[a.other] == 0 {
				c.topological = append(c.topological, a.other)
			}
		}
	}
	return len(c.topological) == c.ops
}

// measure finds tails, and the operations that may finish last.
func (c *compiled) measure() {
	for i := c.ops - 1; i >= 0; i-- {
		v := c.topological[i]
		c.tail[v] = c.least[v]
		for _, a := range c.after(v) {
			c.tail[v] = max(c.tail[v], a.min+c.least[v]&a.from-c.most(a.other)&a.to+c.tail[a.other])
		}
		if !c.plain || len(c.after(v)) == 0 {
			c.ends = append(c.ends, v)
		}
	}
}

// most is the greatest duration of v.
func (c *compiled) most(v int32) int64 {
	var m int64
	for _, w := range c.waysOf(v) {
		m = max(m, w.p)
	}
	return m
}

// price is the objective for the finishes of the jobs; an empty job finishes at
// its release.
func (c *compiled) price(span int64, finish []int64) int64 {
	w := &c.p.Weights
	cost := w.Makespan * (span - c.p.Origin)
	if c.spanOnly {
		return cost
	}
	for j := range finish {
		cost += c.jobPrice(j, finish[j])
	}
	return cost
}

func (c *compiled) jobPrice(j int, finish int64) int64 {
	w, job := &c.p.Weights, &c.p.Jobs[j]
	cost := w.Flow * job.Weight * (finish - job.Release)
	if job.HasDue && finish > job.Due {
		cost += w.Tardiness * job.Weight * (finish - job.Due)
	}
	return cost
}
