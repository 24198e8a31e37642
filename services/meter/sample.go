package meter

import (
	"time"

	"tickover/metrics"
	"tickover/queue"
)

// Sample brings the gauges and the held time of running steps up to now.
func (t *Meter) Sample(st *queue.State, now time.Time) {
	t.mu.Lock()
	for _, r := range t.runs {
		t.account(r, now)
	}
	seq := t.seq
	t.mu.Unlock()
	t.m.LogLast(max(seq, st.Seq))
	t.m.Applied("ledger", st.Seq)
	if st.Shop != nil {
		t.m.SetDepth(depth(st, now))
	}
}

func depth(st *queue.State, now time.Time) metrics.Depth {
	open := st.OpenUnits()
	d := metrics.Depth{
		UnitsOpen: len(open), Steps: map[string]map[metrics.StepState]int{},
		Holds: map[metrics.Resource]int{}, Closed: map[metrics.Resource]bool{},
	}
	for _, u := range open {
		for i := range u.Steps {
			s := &u.Steps[i]
			if s.Settled() {
				continue
			}
			op := string(s.Operation)
			if d.Steps[op] == nil {
				d.Steps[op] = map[metrics.StepState]int{}
			}
			d.Steps[op][stateOf(u, s, now)]++
			if s.Kind == queue.Flash && s.Status == queue.Running && overdue(st.Shop, s, now) {
				d.FlashesOverdue++
			}
		}
	}
	for i := range st.Shop.Resources {
		r := &st.Shop.Resources[i]
		d.Holds[label(r)] = len(st.Holds[r.ID])
		if queue.Covering(st.Closures[r.ID], now) != nil {
			d.Closed[label(r)] = true
		}
	}
	return d
}

func overdue(shop *queue.Shop, s *queue.Step, now time.Time) bool {
	return now.After(s.Started.Add(s.Expected + shop.Limits.OverdueAfter))
}

func stateOf(u *queue.Unit, s *queue.Step, now time.Time) metrics.StepState {
	if s.Status == queue.Running {
		return metrics.StepRunning
	}
	if u.Held || u.Parts[s.ID].After(now) {
		return metrics.StepBlocked
	}
	for _, a := range s.After {
		before := u.Step(a.Step)
		if before == nil {
			continue
		}
		if !before.Settled() || (before.Status == queue.Done && before.Ended.Add(a.Min).After(now)) {
			return metrics.StepBlocked
		}
	}
	return metrics.StepReady
}
