package solve

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// plan decodes the best genome once more, with reasons, and writes it down.
func (s *search) plan() *model.Plan {
	if !s.retrace() {
		s.trace(&s.genome)
	}
	d := s.d
	why := d.tr.why
	p := &model.Plan{Seed: s.o.Seed, Schedules: d.schedules, Cut: s.cut, Cost: d.cost()}
	w := d.writer(len(s.runs))
	if cap(w.list) > 0 {
		p.Assignments = w.list
	}
	for i := range s.in.acts {
		a := &s.in.acts[i]
		switch {
		case a.begun():
		case d.state[i] == placedState:
			p.Assignments = append(p.Assignments, w.assignment(int32(i), why[i]))
		default:
			p.Unplaced = append(p.Unplaced, d.unplaced(int32(i), why[i]))
		}
	}
	d.sync(s.runs)
	for i := range s.runs {
		s.running(p, &s.runs[i])
	}
	slices.SortFunc(p.Assignments, func(a, b model.Assignment) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Activity, b.Activity))
	})
	slices.SortFunc(p.Breaches, func(a, b model.Breach) int {
		return cmp.Or(cmp.Compare(a.Activity, b.Activity), cmp.Compare(a.Constraint, b.Constraint))
	})
	p.Bound = s.in.bound(d, s.least())
	if s.proved > 0 { // 0: nothing was proved; what has happened may cost less than that
		p.Bound = max(p.Bound, s.proved)
	}
	for i := range s.in.jobs {
		j := &s.in.jobs[i]
		finish, placed := d.finishOf(j)
		o := model.JobOutcome{Job: j.id, Due: j.src.Due, Weight: j.src.Weight, Placed: placed, Finish: finish, Bound: min(s.low.finish[i], finish)}
		if j.src.Due != model.Unlimited {
			o.Tardiness = max(0, finish-j.src.Due)
		}
		p.Jobs = append(p.Jobs, o)
	}
	s.pins(p)
	d.tr = nil
	return p
}

func (s *search) running(p *model.Plan, r *running) {
	a := &s.in.acts[r.act]
	g := a.src.Progress
	p.Assignments = append(p.Assignments, model.Assignment{
		Activity: a.id, Job: a.src.Job, Mode: g.Mode, Running: true,
		Start: r.st[0].Start, End: r.st[len(r.st)-1].End,
		Stretches: r.st, Held: slices.Clone(g.Held),
	})
	for _, c := range r.breach.list() {
		p.Breaches = append(p.Breaches, model.Breach{Activity: a.id, Constraint: c})
	}
}

// writer has room for the assignments of a layout.
type writer struct {
	*decoder
	list      []model.Assignment
	held      []model.ResourceID
	stretches []model.StretchTime
	workers   []model.WorkerID
}

// writer is one with room for more assignments besides.
func (d *decoder) writer(more int) *writer {
	held, stretches, workers := 0, 0, 0
	for i := range d.in.acts {
		if d.state[i] != placedState || d.in.acts[i].begun() {
			continue
		}
		more++
		p, off := &d.in.acts[i].opts[d.opt[i]], d.in.stretchOff[i]
		held, stretches = held+len(p.needs), stretches+len(p.st)
		for k := range p.st {
			workers += len(p.st[k].crews[d.crew[off+int32(k)]].workers)
		}
	}
	return &writer{d, make([]model.Assignment, 0, more), make([]model.ResourceID, held), make([]model.StretchTime, stretches), make([]model.WorkerID, workers)}
}

func (d *writer) assignment(i int32, why []model.Cause) model.Assignment {
	a := &d.in.acts[i]
	p := &a.opts[d.opt[i]]
	as := model.Assignment{Activity: a.id, Job: a.src.Job, Mode: p.mode, Start: d.start[i], End: d.end[i], Why: why}
	if len(p.needs) > 0 {
		as.Held, d.held = carve(d.held, len(p.needs))
	}
	as.Stretches, d.stretches = carve(d.stretches, len(p.st))
	off := d.in.needOff[i]
	for k := range p.needs {
		as.Held = append(as.Held, d.in.res[d.decoder.held[off+int32(k)]].id)
	}
	off = d.in.stretchOff[i]
	for k := range p.st {
		o := off + int32(k)
		c := &p.st[k].crews[d.crew[o]]
		st := model.StretchTime{Start: d.s[o], End: d.e[o], Parts: c.parts(&p.st[k], d.s[o], d.e[o])}
		if len(c.workers) > 0 {
			st.Workers, d.workers = carve(d.workers, len(c.workers))
		}
		for _, w := range c.workers {
			st.Workers = append(st.Workers, d.in.workers[w].id)
		}
		as.Stretches = append(as.Stretches, st)
	}
	return as
}

// unplaced says what stops an activity.
func (d *decoder) unplaced(i int32, why []model.Cause) model.Unplaced {
	a := &d.in.acts[i]
	u := model.Unplaced{Activity: a.id, Job: a.src.Job}
	switch {
	case a.held != nil:
		u.Cause = model.Cause{Kind: model.CauseHold, Constraint: model.C11, Reason: a.held.Reason, Until: model.Unlimited}
	case a.shelved:
		u.Cause = model.Cause{Kind: model.CauseBuffer, Constraint: model.C14}
	case len(a.opts) == 0:
		u.Cause = a.missing
	default:
		u.Cause = model.Cause{Kind: model.CauseHorizon, Constraint: model.C1, Until: d.in.horizon}
		if len(why) > 0 {
			u.Cause = why[0]
		}
		for _, l := range a.before {
			if d.state[l.other] != placedState {
				u.Cause = model.Cause{Kind: model.CauseNeeds, Constraint: model.C2, Activity: d.in.acts[l.other].id}
				break
			}
		}
	}
	u.Constraint = u.Cause.Constraint
	return u
}

// pins lists those that do not hold in the plan.
func (s *search) pins(p *model.Plan) {
	for k := range s.in.pins {
		n := &s.in.pins[k]
		a := &s.in.acts[n.act]
		if a.done() || s.holds(n, p) {
			continue
		}
		f := model.PinFailure{Pin: n.src.ID, Activity: a.id, Cause: n.why}
		if f.Cause.Kind == 0 {
			f.Cause = s.pinCause(n, p)
		}
		f.Constraint = f.Cause.Constraint
		p.Pins = append(p.Pins, f)
	}
}

// pinCause explains a pin that failed without having been dropped: of a
// running activity, or of one that found no place.
func (s *search) pinCause(n *pin, p *model.Plan) model.Cause {
	for _, u := range p.Unplaced {
		if u.Activity == n.src.Activity {
			return u.Cause
		}
	}
	return model.Cause{Kind: model.CauseNow, Constraint: model.C10, Activity: n.src.Activity}
}

func (s *search) holds(n *pin, p *model.Plan) bool {
	k := slices.IndexFunc(p.Assignments, func(a model.Assignment) bool { return a.Activity == n.src.Activity })
	if k < 0 {
		return false
	}
	as := &p.Assignments[k]
	if n.src.Resource != "" && !slices.Contains(as.Held, n.src.Resource) || n.src.HasStart && as.Start != n.src.Start {
		return false
	}
	first := 0
	if g := s.in.acts[n.act].src.Progress; g != nil {
		first = len(g.Stretches)
	}
	mode := &s.in.acts[n.act].src.Modes[as.Mode]
	for i := first; i < len(as.Stretches); i++ {
		if n.src.Worker != "" && mode.Stretches[i].Workers > 0 && !slices.Contains(as.Stretches[i].Workers, n.src.Worker) {
			return false
		}
	}
	return true
}
