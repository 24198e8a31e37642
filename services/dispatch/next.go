package dispatch

import (
	"cmp"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
)

// Who asks for the next job: a station, a technician, or both.
type Who struct {
	Station    Station
	Technician queue.PersonID
}

// NextFor picks the next job without a dispatcher: what was accepted first,
// then by the last plan's order, then what came in since, by promise. try
// judges each candidate by the interlocks (Ledger.Try), so that what is
// returned may start now. Where the planned resources or technician are not
// free, others that fit are taken. Nil: nothing may start.
//
// The plan may be old or nil; the result's times run from now.
func NextFor(st *queue.State, p *Plan, who Who, now time.Time, try func(queue.Command) error) *PlannedStep {
	if st.Shop == nil {
		return nil
	}
	n := nextJob{st: st, who: who, now: now, try: try, busy: handsOn(st)}
	for _, c := range n.candidates(p) {
		if ps := n.start(c); ps != nil {
			return ps
		}
	}
	return nil
}

// triesMax bounds how many starts are judged for one answer.
const triesMax = 500

type nextJob struct {
	st    *queue.State
	who   Who
	now   time.Time
	try   func(queue.Command) error
	busy  map[queue.PersonID]bool
	tries int
}

type candidate struct {
	unit    *queue.Unit
	step    *queue.Step
	planned *PlannedStep // nil: not in the plan
	class   int
}

// handsOn are the technicians at work on a running step.
func handsOn(st *queue.State) map[queue.PersonID]bool {
	busy := map[queue.PersonID]bool{}
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			s := &u.Steps[i]
			if s.Status != queue.Running {
				continue
			}
			if op := st.Shop.Operation(s.Operation); op == nil || s.Stretch >= len(op.Stretches) || op.Stretches[s.Stretch].HandsOn {
				busy[s.Technician] = true
			}
		}
	}
	return busy
}

// candidates are the steps to be done, in the order in which they are tried.
func (n *nextJob) candidates(p *Plan) []candidate {
	var out []candidate
	inPlan := map[queue.Hold]bool{}
	if p != nil {
		for i := range p.Steps {
			ps := &p.Steps[i]
			u := n.st.Units[ps.Unit]
			if u == nil || u.Status != queue.InShop {
				continue
			}
			if s := u.Step(ps.Step); s != nil && s.Status == queue.Todo {
				inPlan[queue.Hold{Unit: u.ID, Step: s.ID}] = true
				out = append(out, candidate{u, s, ps, n.class(s, ps)})
			}
		}
	}
	units := n.st.OpenUnits()
	slices.SortStableFunc(units, func(a, b *queue.Unit) int {
		return cmp.Or(a.Promise.Compare(b.Promise), cmp.Compare(b.Weight, a.Weight))
	})
	for _, u := range units {
		for i := range u.Steps {
			if s := &u.Steps[i]; s.Status == queue.Todo && !inPlan[queue.Hold{Unit: u.ID, Step: s.ID}] {
				out = append(out, candidate{u, s, nil, n.class(s, nil)})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b candidate) int { return cmp.Compare(a.class, b.class) })
	return out
}

// Classes of candidates: accepted, planned for who asks, the others.
const (
	classAccepted = iota
	classMine
	classOther
)

func (n *nextJob) class(s *queue.Step, ps *PlannedStep) int {
	switch {
	case s.Accepted != nil && (n.who.Technician == "" || s.Accepted.Technician == n.who.Technician):
		return classAccepted
	case ps != nil && n.who.Technician != "" && ps.Technician == n.who.Technician:
		return classMine
	case ps != nil && n.who.Technician == "" && StationOf(n.st.Shop, ps.Resources) == n.who.Station:
		return classMine
	}
	return classOther
}

// start returns the step as it may start now, nil if it may not.
func (n *nextJob) start(c candidate) *PlannedStep {
	op := n.st.Shop.Operation(c.step.Operation)
	if op == nil || c.step.Problem != "" && c.step.Pin == nil {
		return nil
	}
	var wanted []queue.ResourceID
	switch {
	case c.step.Accepted != nil:
		wanted = c.step.Accepted.Resources
	case c.planned != nil:
		wanted = c.planned.Resources
	}
	resources, ok := n.resources(c.unit, op, wanted)
	if !ok || n.who.Station != "" && StationOf(n.st.Shop, resources) != n.who.Station {
		return nil
	}
	for _, t := range n.technicians(c) {
		if n.tries++; n.tries > triesMax {
			return nil
		}
		cmd := queue.Command{ID: "next", At: n.now, Action: &queue.StartStep{
			Unit: c.unit.ID, Step: c.step.ID, Technician: t, Resources: resources,
		}}
		if n.try(cmd) == nil {
			return n.planned(c, op, t, resources)
		}
	}
	return nil
}

// technicians who may be asked, the planned one first.
func (n *nextJob) technicians(c candidate) []queue.PersonID {
	switch {
	case n.who.Technician != "":
		return []queue.PersonID{n.who.Technician}
	case c.step.Accepted != nil:
		return []queue.PersonID{c.step.Accepted.Technician}
	}
	var out []queue.PersonID
	if c.planned != nil && !n.busy[c.planned.Technician] {
		out = append(out, c.planned.Technician)
	}
	for i := range n.st.Shop.Technicians {
		if t := n.st.Shop.Technicians[i].ID; !n.busy[t] && !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	return out
}

// resources picks a free one for each need, those wanted first, at the station
// that asks.
func (n *nextJob) resources(u *queue.Unit, op *queue.Operation, wanted []queue.ResourceID) ([]queue.ResourceID, bool) {
	var out []queue.ResourceID
	for _, need := range op.Needs {
		best, rank := queue.ResourceID(""), 0
		for i := range n.st.Shop.Resources {
			r := &n.st.Shop.Resources[i]
			if slices.Contains(out, r.ID) || !n.fits(r, need, u) {
				continue
			}
			k := 1
			if slices.Contains(wanted, r.ID) {
				k = 2
			}
			if Station(r.ID) == n.who.Station {
				k = 3
			}
			if k > rank {
				best, rank = r.ID, k
			}
		}
		if rank == 0 {
			return nil, false
		}
		out = append(out, best)
	}
	return out, true
}

func (n *nextJob) fits(r *queue.Resource, need queue.Need, u *queue.Unit) bool {
	return r.Kind == need.Kind && (need.Tag == "" || slices.Contains(r.Tags, need.Tag)) &&
		(r.Kind != queue.Interface || r.Speaks(u.Machine.Family)) && len(n.st.Holds[r.ID]) < max(1, r.Capacity) &&
		queue.Covering(n.st.Closures[r.ID], n.now) == nil
}

// planned is the step with its times from now, without any waiting.
func (n *nextJob) planned(c candidate, op *queue.Operation, t queue.PersonID, resources []queue.ResourceID) *PlannedStep {
	ps := &PlannedStep{
		Unit: c.unit.ID, Step: c.step.ID, Operation: c.step.Operation, Kind: c.step.Kind,
		Resources: resources, Technician: t, Start: n.now, Accepted: c.step.Accepted != nil,
		Say: said.Say("the next that may start, by the last plan"),
	}
	ps.Why = ps.Say.String()
	at := n.now
	for _, x := range op.Stretches {
		s := PlannedStretch{HandsOn: x.HandsOn, Start: at, End: at.Add(x.Duration)}
		if x.HandsOn {
			s.Technicians = []queue.PersonID{t}
		}
		ps.Stretches = append(ps.Stretches, s)
		at = s.End
	}
	ps.End = at
	return ps
}
