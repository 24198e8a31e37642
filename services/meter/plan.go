package meter

import (
	"time"

	"tickover/metrics"
	"tickover/services/dispatch"
)

// Planned counts a plan that came into force and describes it.
func (t *Meter) Planned(p *dispatch.Plan) {
	result := metrics.PlanCommitted
	if len(p.Unplaced) > 0 {
		result = metrics.PlanPartial
	}
	t.m.Planned(result, time.Duration(p.TookMS*float64(time.Millisecond)))
	q := metrics.PlanQuality{
		Sequence: p.Seq, At: p.Made, Total: p.Cost.J, Late: p.Cost.Late, Flow: p.Cost.Flow,
		Moved: p.Cost.Moved, AcceptedMove: p.Cost.AcceptedMove, Bound: p.Cost.Bound,
		Steps: len(p.Steps), Unplaced: map[string]int{},
	}
	for _, u := range p.Units {
		if u.Ready.IsZero() || u.LateMin > 0 {
			q.LateUnits++
		}
	}
	for _, u := range p.Unplaced {
		c := u.Constraint
		if c == "" {
			c = metrics.None
		}
		q.Unplaced[c]++
	}
	t.m.SetPlan(q)
}

// PlanFailed counts an attempt that brought no plan into force, with one of
// metrics.PlanFailed and PlanUnchanged.
func (t *Meter) PlanFailed(result string, took time.Duration) { t.m.Planned(result, took) }

// Violated counts a violation that the plan checker found.
func (t *Meter) Violated(constraint string) { t.m.Violated(constraint) }

// AuditFailed counts findings of queue.State.Audit.
func (t *Meter) AuditFailed(n int) { t.m.AuditFailed(n) }
