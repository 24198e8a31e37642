package conflict

import (
	"slices"

	"tickover/scheduler/model"
)

// lab is the world in which only the facts of one set are in force.
type lab struct {
	q  *question
	on []bool

	work    []hours // of each worker
	present hours
	busy    [][]model.Interval // of each worker
	held    [][]booking        // of each resource
	at      []spot             // of each own node
	// needed are the own nodes that must have a place; waits[i][k] says that
	// node k waits for node i, directly or not.
	needed []bool
	waits  [][]bool

	// effort counts placements tried; spent says that they ran out.
	effort int
	spent  bool
}

type booking struct {
	model.Interval
	amount int64
}

// spot is where a node lies.
type spot struct {
	placed     bool
	start, end Time
}

// effortMax bounds the placements tried by one test.
const effortMax = 4000

func newLab(q *question, on []bool) *lab {
	l := &lab{q: q, on: on, work: make([]hours, len(q.workers)), busy: make([][]model.Interval, len(q.workers)),
		held: make([][]booking, len(q.resources)), at: make([]spot, len(q.own))}
	always := false
	var shifts [][]model.Interval
	for i := range q.workers {
		w := &q.workers[i]
		shift, pause := l.holds(w.shift), l.holds(w.pause)
		l.work[i] = w.hours[bit(shift)][bit(pause)]
		always = always || !shift || w.src.Shifts == nil
		shifts = append(shifts, w.src.Shifts)
	}
	if !always && q.present {
		l.present = union(shifts...)
	}
	for _, r := range q.running {
		if l.holds(r.fact) {
			l.occupy(r.as)
		}
	}
	l.relate()
	return l
}

// relate follows the lags in force. Nodes are in an order of the lags.
func (l *lab) relate() {
	own := l.q.own
	l.needed, l.waits = make([]bool, len(own)), make([][]bool, len(own))
	for i := range own {
		l.needed[i] = l.q.target < 0 || i == l.q.target
		l.waits[i] = make([]bool, len(own))
	}
	for k := len(own) - 1; k >= 0; k-- {
		for _, b := range own[k].before {
			if b.node >= 0 && l.holds(b.fact) {
				l.needed[b.node] = l.needed[b.node] || l.needed[k]
				l.waits[b.node][k] = true
				for j := range own {
					l.waits[b.node][j] = l.waits[b.node][j] || l.waits[k][j]
				}
			}
		}
	}
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// holds says that a fact is in force; what is no fact always is.
func (l *lab) holds(fact int) bool { return fact < 0 || l.on[fact] }

// occupy books what a running activity keeps.
func (l *lab) occupy(as *model.Assignment) {
	mode := &l.q.acts[as.Activity].Modes[as.Mode]
	for i, id := range as.Held {
		if k := l.resource(id); k >= 0 && !l.q.resources[k].src.Consumable {
			amount := max(l.q.need(&mode.Needs[i]).Amount, 1)
			l.held[k] = append(l.held[k], booking{model.Interval{Start: as.Start, End: as.End}, amount})
		}
	}
	for _, s := range as.Stretches {
		parts := s.Parts
		if parts == nil {
			parts = []model.Interval{{Start: s.Start, End: s.End}}
		}
		for _, id := range s.Workers {
			k := slices.IndexFunc(l.q.workers, func(w worker) bool { return w.src.ID == id })
			l.busy[k] = append(l.busy[k], parts...)
		}
	}
}

func (l *lab) resource(id model.ResourceID) int {
	return slices.IndexFunc(l.q.resources, func(r resource) bool { return r.src.ID == id })
}

// able says that worker k has the skills, or counts as having them.
func (l *lab) able(k int, skills []string) bool {
	for _, s := range skills {
		f, known := l.q.skills[s]
		if (!known || l.holds(f)) && !slices.Contains(l.q.workers[k].src.Skills, s) {
			return false
		}
	}
	return true
}

// serves says that resource k serves a need, or counts as serving it.
func (l *lab) serves(k int, n *model.Need) bool {
	r := l.q.resources[k].src
	if !named(n, r) {
		return false
	}
	for _, tag := range n.Tags {
		f, known := l.q.tags[[2]string{n.Kind, tag}]
		if len(n.Resources) > 0 {
			known = false
		}
		if (!known || l.holds(f)) && !slices.Contains(r.Tags, tag) {
			return false
		}
	}
	return true
}

// inside is a calendar by which an activity or stretch is bound.
func (l *lab) inside(id model.CalendarID) hours {
	if id == "" {
		return nil
	}
	if c := l.q.calendars[id]; l.holds(c.fact) {
		return c.open
	}
	return nil
}

// free is s when resource k can be held over [s, e), and otherwise a later
// start for which it may.
func (l *lab) free(k int, amount int64, s, e Time) Time {
	r := &l.q.resources[k]
	if r.src.Consumable {
		return s
	}
	if amount > r.src.Capacity {
		return forever
	}
	if s >= e {
		return s
	}
	for i, f := range r.closures {
		if c := &r.src.Closures[i]; l.holds(f) && c.Start < e && s < c.End {
			return c.End
		}
	}
	if r.src.Within && l.holds(r.hours) {
		if ok, next := r.open.contain(s, e); !ok {
			return next
		}
	}
	first, peak := forever, l.load(k, s)
	for _, b := range l.held[k] {
		if b.Start < e && s < b.End {
			first = min(first, b.End)
			peak = max(peak, l.load(k, max(s, b.Start)))
		}
	}
	if peak+amount > r.src.Capacity {
		return first
	}
	return s
}

func (l *lab) load(k int, t Time) int64 {
	var sum int64
	for _, b := range l.held[k] {
		if b.Start <= t && t < b.End {
			sum += b.amount
		}
	}
	return sum
}
