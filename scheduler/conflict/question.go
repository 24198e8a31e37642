package conflict

import (
	"cmp"
	"maps"
	"slices"

	"tickover/scheduler/model"
)

// question is what is asked, with the facts that bear on it.
type question struct {
	*index
	job *model.Job // of own

	// own are the activities that must find a place, each after all that it
	// waits for; target is the one that a pin is about. others are activities
	// of other jobs that are pinned to a start.
	own, others []*node
	target      int
	// running are the activities that run and may be in the way.
	running []*run
	// due bounds every end of own.
	due Time

	facts []Fact
	// Where the facts of a thing are: an index, -1 for none.
	workers   []worker
	resources []resource
	calendars map[model.CalendarID]calendar
	skills    map[string]int
	tags      map[[2]string]int
	present   bool // somebody has to be on site

	// from and to are the time that the question is about.
	from, to Time
	exact    bool
	spent    bool // a test ran out of effort
	tests    int
	known    map[string]bool
}

// index finds things of a problem and its plan; questions share it.
type index struct {
	p    *model.Problem
	plan *model.Plan
	jobs map[model.JobID]*model.Job
	acts map[model.ActivityID]*model.Activity
	// of are the activities of a job, before the lags to an activity.
	of     map[model.JobID][]*model.Activity
	before map[model.ActivityID][]*model.Lag
	// assigned are the plan's places.
	assigned map[model.ActivityID]*model.Assignment
	failed   map[model.PinID]bool
}

// node is an activity to place.
type node struct {
	a *model.Activity
	// asked is the pin in question, when it is of this activity.
	asked *model.Pin
	// pinned are the facts that bind it to a resource or worker, starts those
	// that bind its start.
	pinned  []int
	starts  []dated
	lows    []dated // arrival, parts, holds: it starts at or after them
	before  []link
	peers   []int // own nodes that it must not overlap
	least   Time
	foreign bool // of another job
}

// dated is a time that a fact sets; without a fact it is given.
type dated struct {
	at   Time
	fact int
}

// link is a lag to a node.
type link struct {
	lag  *model.Lag
	node int // in own, or -1
	run  int // in running, or -1
	done *model.Activity
	fact int
}

type run struct {
	a    *model.Activity
	as   *model.Assignment
	own  bool
	fact int
}

type worker struct {
	src          *model.Worker
	shift, pause int
	// hours by whether shifts and breaks hold.
	hours [2][2]hours
}

type resource struct {
	src      *model.Resource
	hours    int
	closures []int
	used     bool
	open     hours
}

type calendar struct {
	open hours
	fact int
}

func newIndex(p *model.Problem, plan *model.Plan) *index {
	x := &index{p: p, plan: plan,
		jobs:     make(map[model.JobID]*model.Job, len(p.Jobs)),
		acts:     make(map[model.ActivityID]*model.Activity, len(p.Activities)),
		of:       make(map[model.JobID][]*model.Activity, len(p.Jobs)),
		before:   make(map[model.ActivityID][]*model.Lag, len(p.Activities)),
		assigned: make(map[model.ActivityID]*model.Assignment, len(plan.Assignments)),
		failed:   make(map[model.PinID]bool, len(plan.Pins))}
	for i := range p.Jobs {
		x.jobs[p.Jobs[i].ID] = &p.Jobs[i]
	}
	for i := range p.Activities {
		a := &p.Activities[i]
		x.acts[a.ID] = a
		x.of[a.Job] = append(x.of[a.Job], a)
	}
	for i := range p.Lags {
		x.before[p.Lags[i].To] = append(x.before[p.Lags[i].To], &p.Lags[i])
	}
	for i := range plan.Assignments {
		x.assigned[plan.Assignments[i].Activity] = &plan.Assignments[i]
	}
	for i := range plan.Pins {
		x.failed[plan.Pins[i].Pin] = true
	}
	return x
}

func newQuestion(x *index) *question {
	return &question{index: x, target: -1, due: x.p.Horizon, exact: true,
		calendars: map[model.CalendarID]calendar{}, skills: map[string]int{}, tags: map[[2]string]int{}, known: map[string]bool{}}
}

// ownMax bounds the activities that a question is about; larger ones are not
// answered.
const ownMax = 64

// askPin makes the pinned activity and what comes before it the question.
func (q *question) askPin(pin *model.Pin) {
	a := q.acts[pin.Activity]
	if a.Progress != nil {
		return
	}
	q.job = q.jobs[a.Job]
	need := map[model.ActivityID]bool{a.ID: true}
	for list := []model.ActivityID{a.ID}; len(list) > 0; list = list[1:] {
		for _, l := range q.before[list[0]] {
			if !need[l.From] && q.acts[l.From].Progress == nil {
				need[l.From] = true
				list = append(list, l.From)
			}
		}
	}
	if len(need) > ownMax {
		return
	}
	q.take(need)
	q.target = slices.IndexFunc(q.own, func(n *node) bool { return n.a == a })
	n := q.own[q.target]
	if pin.HasStart {
		n.starts = append(n.starts, dated{pin.Start, -1})
	}
	n.asked = pin
	q.collect(pin, true)
}

// askDue makes all that is left of a job the question.
func (q *question) askDue(j *model.Job) {
	q.job, q.due = j, min(j.Due, q.p.Horizon)
	need := map[model.ActivityID]bool{}
	for _, a := range q.of[j.ID] {
		if a.Progress == nil {
			need[a.ID] = true
		}
	}
	if len(need) > ownMax {
		return
	}
	q.take(need)
	q.collect(nil, false)
}

// take makes nodes in an order of the lags, ties by id.
func (q *question) take(need map[model.ActivityID]bool) {
	ids := slices.Sorted(maps.Keys(need))
	at := map[model.ActivityID]int{}
	for len(at) < len(need) {
		k := slices.IndexFunc(ids, func(id model.ActivityID) bool {
			_, taken := at[id]
			return !taken && !slices.ContainsFunc(q.before[id], func(l *model.Lag) bool {
				_, taken := at[l.From]
				return need[l.From] && !taken
			})
		})
		a := q.acts[ids[k]]
		at[a.ID] = len(q.own)
		q.own = append(q.own, &node{a: a, least: leastOf(a)})
	}
	q.relate(at)
	q.peers()
}

func leastOf(a *model.Activity) Time {
	least := forever
	for _, m := range a.Modes {
		var d Time
		for _, s := range m.Stretches {
			d += s.Duration
		}
		least = min(least, d)
	}
	return least
}

func (q *question) relate(at map[model.ActivityID]int) {
	for to, n := range q.own {
		for _, l := range q.before[n.a.ID] {
			q.link(to, l, at)
		}
	}
}

func (q *question) link(to int, l *model.Lag, at map[model.ActivityID]int) {
	k := link{lag: l, node: -1, run: -1, fact: -1}
	from := q.acts[l.From]
	switch g := from.Progress; {
	case g == nil:
		k.node = at[l.From]
		q.exact = q.exact && !l.Limited
	case g.Done:
		k.done = from
	case q.assigned[from.ID] == nil: // the plan is not of this problem
		q.exact = false
		return
	default:
		k.run = q.runOf(from)
	}
	q.own[to].before = append(q.own[to].before, k)
}

// runOf is the index of a running activity in running.
func (q *question) runOf(a *model.Activity) int {
	k := slices.IndexFunc(q.running, func(r *run) bool { return r.a == a })
	if k < 0 {
		k = len(q.running)
		q.running = append(q.running, &run{a: a, as: q.assigned[a.ID], own: a.Job == q.job.ID, fact: -1})
	}
	return k
}

func (q *question) parallel(a, b model.ActivityID) bool {
	return !q.job.OnePlace || slices.ContainsFunc(q.p.Parallel, func(w model.Pair) bool {
		return w.A == a && w.B == b || w.A == b && w.B == a
	})
}

// peers lists what must not overlap. Those that may overlap could be in each
// other's way; that is ignored.
func (q *question) peers() {
	for i, n := range q.own {
		for k, m := range q.own {
			if i == k {
				continue
			}
			if !q.parallel(n.a.ID, m.a.ID) {
				n.peers = append(n.peers, k)
			} else {
				q.exact = q.exact && !q.share(n.a, m.a)
			}
		}
	}
}

// share says that two activities may want the same resource or worker.
func (q *question) share(a, b *model.Activity) bool {
	for i := range q.p.Workers {
		if q.mayWork(a, &q.p.Workers[i]) && q.mayWork(b, &q.p.Workers[i]) {
			return true
		}
	}
	for i := range q.p.Resources {
		if q.mayHold(a, &q.p.Resources[i]) && q.mayHold(b, &q.p.Resources[i]) {
			return true
		}
	}
	return false
}

func (q *question) mayWork(a *model.Activity, w *model.Worker) bool {
	for _, m := range a.Modes {
		for _, s := range m.Stretches {
			if s.Workers > 0 && hasAll(w.Skills, s.Skills) {
				return true
			}
		}
	}
	return false
}

func (q *question) mayHold(a *model.Activity, r *model.Resource) bool {
	for _, m := range a.Modes {
		for i := range m.Needs {
			if carries(q.need(&m.Needs[i]), r) {
				return true
			}
		}
	}
	return false
}

// need is the need of a span for one that refers to it.
func (q *question) need(n *model.Need) *model.Need {
	if n.Span == "" {
		return n
	}
	k := slices.IndexFunc(q.p.Spans, func(s model.Span) bool { return s.ID == n.Span })
	return &q.p.Spans[k].Need
}

func carries(n *model.Need, r *model.Resource) bool {
	return named(n, r) && hasAll(r.Tags, n.Tags)
}

// named says that r is of the kind or among the resources that n names.
func named(n *model.Need, r *model.Resource) bool {
	if len(n.Resources) > 0 {
		return slices.Contains(n.Resources, r.ID)
	}
	return n.Kind == r.Kind
}

func hasAll(have, want []string) bool {
	for _, w := range want {
		if !slices.Contains(have, w) {
			return false
		}
	}
	return true
}

// sortFacts orders by kind, then by what they are about.
func sortFacts(list []Fact) {
	slices.SortStableFunc(list, func(a, b Fact) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Activity, b.Activity), cmp.Compare(a.Resource, b.Resource),
			cmp.Compare(a.Worker, b.Worker), cmp.Compare(a.Calendar, b.Calendar), cmp.Compare(a.Skill, b.Skill), cmp.Compare(a.From, b.From), cmp.Compare(a.Pin, b.Pin))
	})
}
