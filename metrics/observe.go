package metrics

import (
	"time"
)

// SetShop starts the series of the shop file's resources and operations and
// ends those of names that are gone.
func (m *Metrics) SetShop(resources []Resource, operations []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	nextR, nextO := map[Resource]bool{}, map[string]bool{}
	for _, r := range resources {
		nextR[r] = true
		for _, s := range []HeldState{HandsOn, HandsOff, Waiting} {
			m.held.WithLabelValues(r.ID, r.Kind, string(s))
		}
		m.inUse.WithLabelValues(r.ID, r.Kind)
		m.closed.WithLabelValues(r.ID, r.Kind)
	}
	for _, op := range operations {
		nextO[op] = true
		for _, s := range []StepState{StepBlocked, StepReady, StepRunning} {
			m.stepsNow.WithLabelValues(op, string(s))
		}
		for _, o := range []string{OutcomeDone, OutcomeFailed, OutcomeSkipped, OutcomeVoided} {
			m.stepsEnded.WithLabelValues(op, o)
		}
		m.stepTime.WithLabelValues(op)
	}
	for r := range m.resources {
		if !nextR[r] {
			for _, s := range []HeldState{HandsOn, HandsOff, Waiting} {
				m.held.DeleteLabelValues(r.ID, r.Kind, string(s))
			}
			m.inUse.DeleteLabelValues(r.ID, r.Kind)
			m.closed.DeleteLabelValues(r.ID, r.Kind)
		}
	}
	for op := range m.operations {
		if !nextO[op] {
			for _, s := range []StepState{StepBlocked, StepReady, StepRunning} {
				m.stepsNow.DeleteLabelValues(op, string(s))
			}
			for _, o := range []string{OutcomeDone, OutcomeFailed, OutcomeSkipped, OutcomeVoided} {
				m.stepsEnded.DeleteLabelValues(op, o)
			}
			m.stepTime.DeleteLabelValues(op)
		}
	}
	m.resources, m.operations = nextR, nextO
}

// Event counts an event that was applied. known is false for a type that this
// version does not know: it is counted without its name.
func (m *Metrics) Event(eventType string, known, clockSuspect bool) {
	if clockSuspect {
		m.suspect.Inc()
	}
	if !known {
		m.unknown.Inc()
		return
	}
	m.events.WithLabelValues(eventType).Inc()
}

// Refused counts a refusal; an empty interlock is none.
func (m *Metrics) Refused(code, interlock string) {
	m.refusals.WithLabelValues(code, orNone(interlock)).Inc()
}

// Overridden counts an interlock that a foreman let pass.
func (m *Metrics) Overridden(interlock string) { m.overrides.WithLabelValues(interlock).Inc() }

// UnitArrived counts a unit that was checked in.
func (m *Metrics) UnitArrived(ownership string) { m.unitsArrived.WithLabelValues(ownership).Inc() }

// UnitLeft counts a unit that left, LeftDelivered or LeftShowroom, after its
// stay; kept says whether its last step ended by its promise.
func (m *Metrics) UnitLeft(outcome string, stay time.Duration, kept bool) {
	m.unitsLeft.WithLabelValues(outcome).Inc()
	m.unitStay.Observe(stay.Seconds())
	if kept {
		m.promises.WithLabelValues(PromiseKept).Inc()
	} else {
		m.promises.WithLabelValues(PromiseMissed).Inc()
	}
}

// StepEnded counts a step that ended with one of the outcomes. took is its
// time from start to sign-off; negative: it never ran.
func (m *Metrics) StepEnded(operation, outcome string, took time.Duration) {
	m.stepsEnded.WithLabelValues(operation, outcome).Inc()
	if took >= 0 {
		m.stepTime.WithLabelValues(operation).Observe(took.Seconds())
	}
}

// Held adds time for which a resource was held. Negative time is left out.
func (m *Metrics) Held(r Resource, state HeldState, d time.Duration) {
	if d > 0 {
		m.held.WithLabelValues(r.ID, r.Kind, string(state)).Add(d.Seconds())
	}
}

// Depth is what the shop looks like at one moment.
type Depth struct {
	UnitsOpen      int
	FlashesOverdue int
	Steps          map[string]map[StepState]int // by operation
	Holds          map[Resource]int
	Closed         map[Resource]bool
}

// SetDepth replaces the gauges of the shop's queue.
func (m *Metrics) SetDepth(d Depth) {
	m.unitsNow.Set(float64(d.UnitsOpen))
	m.overdue.Set(float64(d.FlashesOverdue))
	m.mu.Lock()
	defer m.mu.Unlock()
	for op := range m.operations {
		for _, s := range []StepState{StepBlocked, StepReady, StepRunning} {
			m.stepsNow.WithLabelValues(op, string(s)).Set(float64(d.Steps[op][s]))
		}
	}
	for r := range m.resources {
		m.inUse.WithLabelValues(r.ID, r.Kind).Set(float64(d.Holds[r]))
		closed := 0.0
		if d.Closed[r] {
			closed = 1
		}
		m.closed.WithLabelValues(r.ID, r.Kind).Set(closed)
	}
}

// costParts are the label values of tickover_dispatch_plan_cost.
var costParts = []string{"total", "late", "flow", "moved", "accepted_move", "bound"}

// PlanQuality describes a plan that came into force; costs are in weighted
// minutes.
type PlanQuality struct {
	Sequence                                      uint64
	At                                            time.Time
	Total, Late, Flow, Moved, AcceptedMove, Bound float64
	Steps                                         int
	LateUnits                                     int
	Unplaced                                      map[string]int // by constraint
}

// Planned counts an attempt at a plan and the time it took.
func (m *Metrics) Planned(result string, took time.Duration) {
	m.plans.WithLabelValues(result).Inc()
	if took > 0 {
		m.planTime.Observe(took.Seconds())
	}
}

// SetPlan describes the plan in force.
func (m *Metrics) SetPlan(q PlanQuality) {
	for i, v := range []float64{q.Total, q.Late, q.Flow, q.Moved, q.AcceptedMove, q.Bound} {
		m.planCost.WithLabelValues(costParts[i]).Set(v)
	}
	for _, c := range append([]string{None}, m.words.Constraints...) {
		m.unplaced.WithLabelValues(c).Set(float64(q.Unplaced[c]))
	}
	m.planSteps.Set(float64(q.Steps))
	m.planLate.Set(float64(q.LateUnits))
	m.planSeq.Set(float64(q.Sequence))
	m.planAt.Set(float64(q.At.UnixMilli()) / 1000)
}

// Violated counts a violation that the plan checker found; an empty constraint
// is a malformed plan.
func (m *Metrics) Violated(constraint string) { m.violations.WithLabelValues(orNone(constraint)).Inc() }

// AuditFailed counts broken invariants of the queue's state.
func (m *Metrics) AuditFailed(n int) { m.audit.Add(float64(n)) }

// LogLast says how far the log is.
func (m *Metrics) LogLast(seq uint64) { m.logLast.Set(float64(seq)) }

// Applied says how far a view is.
func (m *Metrics) Applied(view string, seq uint64) {
	m.applied.WithLabelValues(view).Set(float64(seq))
}

func orNone(s string) string {
	if s == "" {
		return None
	}
	return s
}

// Volume tells of the disk that the log lies on, in bytes.
func (m *Metrics) Volume(size, free uint64) {
	m.volume.Set(float64(size))
	m.free.Set(float64(free))
}
