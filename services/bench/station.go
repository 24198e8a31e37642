package bench

import (
	"cmp"
	"slices"
	"time"

	"tickover/queue"
	"tickover/services/almanac"
	"tickover/services/dispatch"
)

// Station is what one station knows: its offer, what is accepted and what runs
// there. It is synchronous and not safe for concurrent use.
type Station struct {
	id      dispatch.Station
	state   *queue.State
	almanac *almanac.Almanac
	plan    *dispatch.Plan
	offer   *dispatch.PlannedStep
	seq     uint64 // of the plan that the offer is from
	byPlan  bool   // the offer is from the last plan, without a dispatcher
	epoch   uint64 // highest seen
	jobs    []job  // accepted or running here
	alerts  []Alert
}

// job is a step that is accepted for the station or runs there.
type job struct {
	unit *queue.Unit
	step *queue.Step
	op   *queue.Operation
	ends time.Time // of the present stretch; zero while not running
}

// NewStation returns a station that knows nothing yet.
func NewStation(id dispatch.Station) *Station { return &Station{id: id} }

// Update takes the newest state in. It reports whether the present offer is
// settled by it: accepted, started or gone.
func (s *Station) Update(st *queue.State, a *almanac.Almanac) (settled bool) {
	s.state, s.almanac, s.jobs = st, a, nil
	if st.Shop == nil {
		return false
	}
	for _, u := range st.OpenUnits() {
		for i := range u.Steps {
			step := &u.Steps[i]
			op := st.Shop.Operation(step.Operation)
			if op == nil || !s.here(step) {
				continue
			}
			j := job{unit: u, step: step, op: op}
			if step.Status == queue.Running {
				j.ends = dispatch.StretchEnd(st, a, step)
			}
			s.jobs = append(s.jobs, j)
		}
	}
	slices.SortStableFunc(s.jobs, func(a, b job) int { return a.since().Compare(b.since()) })
	if s.offer == nil || s.open(s.offer) {
		return false
	}
	s.offer = nil
	return true
}

func (j *job) since() time.Time {
	if j.step.Status == queue.Running {
		return j.step.Started
	}
	return j.step.Accepted.At
}

// here: the step runs at the station or is accepted for it.
func (s *Station) here(step *queue.Step) bool {
	switch {
	case step.Status == queue.Running:
		return dispatch.StationOf(s.state.Shop, step.Resources) == s.id
	case step.Status == queue.Todo && step.Accepted != nil:
		return dispatch.StationOf(s.state.Shop, step.Accepted.Resources) == s.id
	}
	return false
}

// open: the step may still be accepted, for all that is known: a state older
// than the plan can't tell.
func (s *Station) open(ps *dispatch.PlannedStep) bool {
	if s.state == nil || s.state.Seq < s.seq {
		return true
	}
	u := s.state.Units[ps.Unit]
	if u == nil || u.Status != queue.InShop {
		return false
	}
	step := u.Step(ps.Step)
	return step != nil && step.Status == queue.Todo && step.Accepted == nil
}

// Verdict says what became of an offer that came in.
type Verdict int

// The verdicts.
const (
	Shown Verdict = iota + 1
	// Empty: there is nothing to do; the offer before is withdrawn.
	Empty
	// Stale: of a dispatcher that has been replaced; not shown.
	Stale
	// Settled: accepted, started or gone by now; not shown.
	Settled
)

// Offer takes an offer of the dispatcher in. All but a stale one replaces the
// offer before.
func (s *Station) Offer(o dispatch.Offer) Verdict {
	if o.Epoch < s.epoch {
		return Stale
	}
	s.epoch, s.seq, s.byPlan, s.offer = o.Epoch, o.Seq, false, nil
	switch {
	case o.Step == nil:
		return Empty
	case !s.open(o.Step):
		return Settled
	}
	s.offer = o.Step
	return Shown
}

// Trust accepts epochs from this one on. It is for the case that the lease
// itself has begun anew, as after a restore from backup.
func (s *Station) Trust(epoch uint64) { s.epoch = epoch }

// Plan takes the plan in force in.
func (s *Station) Plan(p *dispatch.Plan) { s.plan = p }

// Fallback shows the next job by the last plan, while there is no dispatcher.
// An accepted or running step, or an offer that still stands, goes first. try
// judges by the interlocks.
func (s *Station) Fallback(now time.Time, try func(queue.Command) error) {
	if s.state == nil || s.state.Shop == nil || s.offer != nil && !s.byPlan {
		return
	}
	s.offer, s.byPlan, s.seq = nil, true, 0
	if len(s.jobs) == 0 {
		s.offer = dispatch.NextFor(s.state, s.plan, dispatch.Who{Station: s.id}, now, try)
	}
}

// Withdraw takes the present offer off the screen.
func (s *Station) Withdraw() { s.offer = nil }

// find returns a job of the station.
func (s *Station) find(unit queue.UnitID, step queue.StepID) (*job, error) {
	for i := range s.jobs {
		if j := &s.jobs[i]; j.unit.ID == unit && j.step.ID == step {
			return j, nil
		}
	}
	return nil, queue.Refuse(queue.CodeWrongBench, "Look at the board for where it is.",
		"step %s of unit %s is neither accepted nor running at %s", step, unit, s.id)
}

// offered checks that the offer on the screen is still the present one.
func (s *Station) offered(unit queue.UnitID, step queue.StepID) error {
	if s.offer == nil || s.offer.Unit != unit || s.offer.Step != step {
		return queue.Refuse(queue.CodeStale, "Look at what is offered now.",
			"step %s of unit %s is no longer offered at %s", step, unit, s.id)
	}
	return nil
}

// Accept is the action by which a technician takes the offer.
func (s *Station) Accept(unit queue.UnitID, step queue.StepID, t queue.PersonID) (queue.Action, error) {
	if err := s.offered(unit, step); err != nil {
		return nil, err
	}
	return &queue.AcceptStep{Unit: unit, Step: step, Technician: t, Resources: s.offer.Resources}, nil
}

// Decline is the action by which a technician turns the offer down; the
// foreman hears the reason.
func (s *Station) Decline(unit queue.UnitID, step queue.StepID, reason string) (queue.Action, error) {
	if err := s.offered(unit, step); err != nil {
		return nil, err
	}
	return &queue.ReportProblem{Unit: unit, Step: step, Reason: reason}, nil
}

// Start is the action by which an accepted step, or the one offered, starts.
// Without resources those of the plan, or those accepted, are taken.
func (s *Station) Start(unit queue.UnitID, step queue.StepID, t queue.PersonID, resources []queue.ResourceID, ev queue.Evidence) (queue.Action, error) {
	if s.offered(unit, step) == nil {
		if resources == nil {
			resources = s.offer.Resources
		}
	} else {
		j, err := s.find(unit, step)
		if err != nil {
			return nil, err
		}
		if resources == nil && j.step.Accepted != nil {
			resources = j.step.Accepted.Resources
			if ps := s.planned(unit, step); ps != nil && !ps.Running && dispatch.StationOf(s.state.Shop, ps.Resources) == s.id {
				resources = ps.Resources
			}
		}
	}
	return &queue.StartStep{Unit: unit, Step: step, Technician: t, Resources: resources, Evidence: ev, Bench: s.bench()}, nil
}

// bench is the station as the queue checks it; the floor is no resource.
func (s *Station) bench() queue.ResourceID {
	if s.id == dispatch.Floor {
		return ""
	}
	return queue.ResourceID(s.id)
}

func (s *Station) planned(unit queue.UnitID, step queue.StepID) *dispatch.PlannedStep {
	if s.plan == nil {
		return nil
	}
	i := slices.IndexFunc(s.plan.Steps, func(ps dispatch.PlannedStep) bool { return ps.Unit == unit && ps.Step == step })
	if i < 0 {
		return nil
	}
	return &s.plan.Steps[i]
}

// Advance is the action by which a running step's next stretch begins. t is
// who begins a hands-on stretch.
func (s *Station) Advance(unit queue.UnitID, step queue.StepID, t queue.PersonID) (queue.Action, error) {
	j, err := s.find(unit, step)
	if err != nil {
		return nil, err
	}
	a := &queue.AdvanceStep{Unit: unit, Step: step, Stretch: j.step.Stretch + 1}
	if a.Stretch < len(j.op.Stretches) && j.op.Stretches[a.Stretch].HandsOn {
		a.Technician = t
	}
	return a, nil
}

// Finish is the action by which a running step ends: done, or with a reason
// failed.
func (s *Station) Finish(unit queue.UnitID, step queue.StepID, t queue.PersonID, ev queue.Evidence, failed string) (queue.Action, error) {
	if _, err := s.find(unit, step); err != nil {
		return nil, err
	}
	return &queue.FinishStep{Unit: unit, Step: step, Technician: t, Evidence: ev, Failed: failed != "", Reason: failed, Bench: s.bench()}, nil
}

// Problem is the action by which somebody tells the foreman of a problem with
// a step.
func (s *Station) Problem(unit queue.UnitID, step queue.StepID, reason string) (queue.Action, error) {
	if _, err := s.find(unit, step); err != nil {
		return nil, err
	}
	return &queue.ReportProblem{Unit: unit, Step: step, Reason: reason}, nil
}

// next is who is expected at the step's next hands-on stretch.
func (s *Station) next(j *job) queue.PersonID {
	if ps := s.planned(j.unit.ID, j.step.ID); ps != nil && ps.Running && j.op.Handover {
		for k := j.step.Stretch + 1; k < len(ps.Stretches); k++ {
			if crew := ps.Stretches[k].Technicians; len(crew) > 0 {
				return crew[0]
			}
		}
	}
	return j.step.Technician
}

func compareAlerts(a, b Alert) int {
	return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Step, b.Step), cmp.Compare(a.Kind, b.Kind))
}
