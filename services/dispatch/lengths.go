package dispatch

import (
	"time"

	"tickover/queue"
	"tickover/scheduler/estimate"
	"tickover/scheduler/model"
	"tickover/services/timesheet"
)

// StepLength says where the length comes from that a step is planned with.
type StepLength struct {
	// Planned is without waiting and pauses, Listed what the shop file says.
	PlannedS int64 `json:"planned_s"`
	ListedS  int64 `json:"listed_s"`
	// Seen is how many runs it was learnt from, of this model with ByModel, of
	// any otherwise; of the stretch that was seen least.
	Seen    int  `json:"seen"`
	ByModel bool `json:"by_model,omitempty"`
	// Floor: what was seen is shorter, but the queue refuses a start by the
	// listed length, so that is what is planned.
	Floor bool `json:"floor,omitempty"`
}

// learn replaces the listed lengths of a step's stretches by those that were
// learnt, in whole minutes; nil: nothing was learnt of it. Who runs it counts
// once that is known.
//
// What has to end by closing or dusk is never planned shorter than listed: the
// queue judges its start by the listed length.
func (s *snapshot) learn(u *queue.Unit, st *queue.Step, op *queue.Operation, to []model.Stretch, guarded bool) *StepLength {
	if s.lengths == nil {
		return nil
	}
	of, p := timesheet.ModelOf(&u.Machine), s.shop.PlanningQuantile()
	l := &StepLength{Seen: -1, ByModel: true}
	planned := make([]model.Time, len(to))
	var sum, listed model.Time
	for i := range to {
		var who queue.PersonID
		if st.Status == queue.Running && i == st.Stretch && op.Stretches[i].HandsOn {
			who = st.Technician
		}
		x := s.lengths.Planned(op, i, of, who, p)
		planned[i] = max(1, model.Time((x.Length+time.Minute/2)/time.Minute))
		if x.Listed <= 0 {
			planned[i] = to[i].Duration
		}
		if n, by := seen(&x.Estimate); l.Seen < 0 || n < l.Seen {
			l.Seen, l.ByModel = n, by
		}
		sum, listed = sum+planned[i], listed+to[i].Duration
	}
	if l.Seen <= 0 {
		return nil
	}
	if guarded && sum < listed {
		l.Floor, sum = true, listed
	} else {
		for i := range to {
			to[i].Duration = planned[i]
		}
	}
	l.PlannedS, l.ListedS = int64(sum)*60, int64(listed)*60
	return l
}

// seen is how many observations tell of an estimate's model, or of the
// operation when the model was not seen.
func seen(e *estimate.Estimate) (n int, byModel bool) {
	if e.Basis == estimate.ByModel || e.Basis == estimate.ByModelAndTechnician {
		return e.N, true
	}
	return e.Operation, false
}
