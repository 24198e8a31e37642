package simshop

import (
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// tally counts a run.
type tally struct {
	refusals   int
	by         [queue.InterlockCount + 1]int // refusals, by interlock
	violations int
	offered    int // steps accepted as a station offered them
	calls      int // of stations
	alarms     int
	odd        int // sign-offs and returns that were refused without reason to
	// overtime is the time of work that does not pause, in its technician's
	// breaks and beside his shifts.
	overtime time.Duration
	planMS   []float64
}

// planned counts a plan that was made.
func (w *world) planned(out *dispatch.Outcome, took time.Duration) {
	w.tally.planMS = append(w.tally.planMS, float64(took.Microseconds())/1000)
	for _, v := range out.Violations {
		w.violation(v.String())
	}
}

func (w *world) violation(words string) {
	w.tally.violations++
	if w.o.Observer != nil {
		w.o.Observer.Violation(w.now, words)
	}
}

// result counts the state's units and the run's refusals.
func (w *world) result() Result {
	st := w.floor.View()
	r := Result{
		InterlockRefusals: w.tally.refusals, CheckerViolations: w.tally.violations, Events: st.Events,
		ByInterlock: w.tally.by, Log: st.LastEntry,
		Offered: w.tally.offered, Calls: w.tally.calls, Alarms: w.tally.alarms, Overtime: w.tally.overtime,
	}
	var ids []queue.UnitID
	for id := range st.Units {
		ids = append(ids, id)
	}
	slices.Sort(ids) // sums of fractions depend on their order
	for _, id := range ids {
		u := st.Units[id]
		r.UnitsArrived++
		ready, at := readyAt(u, w.now)
		switch {
		case ready && !at.After(u.Promise):
			r.PromisesKept++
		case at.After(u.Promise):
			r.PromisesMissed++
		}
		if u.Status != queue.InShop {
			r.UnitsFinished++
		}
		late, flow := max(0, at.Sub(u.Promise)), at.Sub(u.Arrived)
		r.Objective += float64(u.Weight) * (st.Shop.Objective.Late*late.Minutes() + st.Shop.Objective.Flow*flow.Minutes())
	}
	r.Objective = float64(int64(r.Objective*10+0.5)) / 10
	r.PlanMSP50, r.PlanMSP99 = quantile(w.tally.planMS, 0.5), quantile(w.tally.planMS, 0.99)
	return r
}

// readyAt is when the unit's last step ended; false and now if one is open.
func readyAt(u *queue.Unit, now time.Time) (bool, time.Time) {
	at := u.Arrived
	for i := range u.Steps {
		s := &u.Steps[i]
		if !s.Settled() {
			return false, now
		}
		if s.Ended.After(at) {
			at = s.Ended
		}
	}
	return true, at
}

// quantile is the nearest-rank quantile; 0 of nothing.
func quantile(xs []float64, q float64) float64 {
	if len(xs) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(xs))
	return s[min(len(s)-1, int(q*float64(len(s))))]
}

func (r Result) String() string {
	return fmt.Sprintf("%d arrived, %d finished, promises %d kept %d missed, %d refusals, %d violations, %d events",
		r.UnitsArrived, r.UnitsFinished, r.PromisesKept, r.PromisesMissed, r.InterlockRefusals, r.CheckerViolations, r.Events)
}
