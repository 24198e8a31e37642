package bench

import (
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// View is what a station's screen shows.
type View struct {
	Site    queue.SiteID     `json:"site"`
	Station dispatch.Station `json:"station"`
	Seq     uint64           `json:"seq"` // of the state
	At      time.Time        `json:"at"`
	// Offer is the next job, waiting for somebody to accept it; nil: none.
	Offer *dispatch.PlannedStep `json:"offer,omitempty"`
	// ByPlan: no dispatcher answers, the offer follows the last plan.
	ByPlan bool `json:"by_plan,omitempty"`
	// Jobs are accepted for the station or run there, the oldest first.
	Jobs   []Job   `json:"jobs"`
	Alerts []Alert `json:"alerts"`
}

// Job is a step at a station.
type Job struct {
	Unit       queue.UnitID        `json:"unit"`
	Step       queue.StepID        `json:"step"`
	Operation  queue.OperationID   `json:"operation"`
	Kind       queue.OperationKind `json:"kind"`
	Technician queue.PersonID      `json:"technician"`
	Resources  []queue.ResourceID  `json:"resources,omitempty"`
	Running    bool                `json:"running"` // else accepted
	Problem    string              `json:"problem,omitempty"`

	// While it runs: the present stretch.
	Stretch        int       `json:"stretch"`   // index
	Stretches      int       `json:"stretches"` // how many there are
	HandsOn        bool      `json:"hands_on"`
	Started        time.Time `json:"started,omitzero"`
	StretchStarted time.Time `json:"stretch_started,omitzero"`
	// StretchEnds is expected; in the past when it is over or overdue.
	StretchEnds time.Time `json:"stretch_ends,omitzero"`
	// RemainingS is seconds to StretchEnds, 0 when it has passed.
	RemainingS int64 `json:"remaining_s"`
	// CallAt is when the technician is called back; zero while hands-on.
	CallAt  time.Time `json:"call_at,omitzero"`
	CallDue bool      `json:"call_due"`
	Overdue bool      `json:"overdue"`
	// Next is who is expected at the next hands-on stretch.
	Next queue.PersonID `json:"next,omitempty"`
}

// View is the station at a moment.
func (s *Station) View(now time.Time) View {
	v := View{Station: s.id, At: now, Offer: s.offer, ByPlan: s.byPlan, Jobs: []Job{}, Alerts: append([]Alert{}, s.alerts...)}
	if s.state == nil {
		return v
	}
	v.Site, v.Seq = s.state.Site, s.state.Seq
	for i := range s.jobs {
		v.Jobs = append(v.Jobs, s.job(&s.jobs[i], now))
	}
	return v
}

func (s *Station) job(j *job, now time.Time) Job {
	out := Job{
		Unit: j.unit.ID, Step: j.step.ID, Operation: j.step.Operation, Kind: j.step.Kind, Problem: j.step.Problem,
		Running: j.step.Status == queue.Running, Stretches: len(j.op.Stretches),
	}
	if !out.Running {
		out.Technician, out.Resources = j.step.Accepted.Technician, j.step.Accepted.Resources
		return out
	}
	k := min(j.step.Stretch, len(j.op.Stretches)-1)
	out.Technician, out.Resources = j.step.Technician, j.step.Resources
	out.Stretch, out.HandsOn = k, j.op.Stretches[k].HandsOn
	out.Started, out.StretchStarted, out.StretchEnds = j.step.Started, j.step.StretchStarted, j.ends
	out.RemainingS = max(0, int64(j.ends.Sub(now)/time.Second))
	limits := &s.state.Shop.Limits
	if !out.HandsOn {
		out.CallAt, out.Next = j.ends.Add(-limits.CallBefore), s.next(j)
		out.CallDue = !now.Before(out.CallAt)
	}
	out.Overdue = !now.Before(j.ends.Add(limits.OverdueAfter))
	return out
}
