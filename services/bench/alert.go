package bench

import (
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/services/dispatch"
)

// AlertKind says what an alert asks for.
type AlertKind string

// The kinds of alerts.
const (
	// CallBack: hands-off time ends soon, or has ended; somebody is wanted.
	CallBack AlertKind = "call-back"
	// Overdue: a stretch should have ended some time ago. Nothing is freed.
	Overdue AlertKind = "overdue"
)

// Alert is one call or alarm of a station. It follows from the state and the
// clock alone: a worker that starts again raises the same.
type Alert struct {
	Site    queue.SiteID     `json:"site"`
	Station dispatch.Station `json:"station"`
	Kind    AlertKind        `json:"kind"`
	Unit    queue.UnitID     `json:"unit"`
	Step    queue.StepID     `json:"step"`
	Stretch int              `json:"stretch"` // index
	// Technician who is wanted.
	Technician queue.PersonID `json:"technician,omitempty"`
	Since      time.Time      `json:"since"`
	// Ends is when the stretch ends, or should have.
	Ends time.Time `json:"ends"`
	Text string    `json:"text"`
	// Say is Text for another language or clock; nothing in old messages.
	Say said.Text `json:"say,omitzero"`
	// Cleared: it is over.
	Cleared bool `json:"cleared,omitempty"`
}

func (a *Alert) same(b *Alert) bool {
	return a.Kind == b.Kind && a.Unit == b.Unit && a.Step == b.Step && a.Stretch == b.Stretch && a.Since.Equal(b.Since)
}

// Tick looks at the clock and returns the alerts that were raised or cleared
// by it since the last call, cleared ones first.
func (s *Station) Tick(now time.Time) []Alert {
	var current []Alert
	for i := range s.jobs {
		if a, ok := s.alertOf(&s.jobs[i], now); ok {
			current = append(current, a)
		}
	}
	slices.SortStableFunc(current, compareAlerts)
	var news []Alert
	for _, was := range s.alerts {
		if !slices.ContainsFunc(current, func(a Alert) bool { return a.same(&was) }) {
			was.Cleared = true
			news = append(news, was)
		}
	}
	for _, a := range current {
		if !slices.ContainsFunc(s.alerts, func(was Alert) bool { return a.same(&was) }) {
			news = append(news, a)
		}
	}
	s.alerts = current
	return news
}

// Alerts are the present ones, as of the last Tick.
func (s *Station) Alerts() []Alert { return slices.Clone(s.alerts) }

// Restore takes alerts over that were raised before a restart.
func (s *Station) Restore(alerts []Alert) { s.alerts = alerts }

func (s *Station) alertOf(j *job, now time.Time) (Alert, bool) {
	if j.step.Status != queue.Running {
		return Alert{}, false
	}
	k := min(j.step.Stretch, len(j.op.Stretches)-1)
	handsOn := j.op.Stretches[k].HandsOn
	limits := &s.state.Shop.Limits
	a := Alert{
		Site: s.state.Site, Station: s.id, Unit: j.unit.ID, Step: j.step.ID, Stretch: k,
		Technician: j.step.Technician, Ends: j.ends,
	}
	if !handsOn {
		a.Technician = s.next(j)
	}
	ends := said.When(j.ends, now.In(s.state.Shop.Location()))
	switch overdue, call := j.ends.Add(limits.OverdueAfter), j.ends.Add(-limits.CallBefore); {
	case !now.Before(overdue):
		a.Kind, a.Since = Overdue, overdue
		a.Say = said.Say("%s of %s should have ended at %s. What it holds stays locked until somebody records the end", j.op.Name, string(j.unit.ID), ends)
	case !handsOn && !now.Before(call):
		a.Kind, a.Since = CallBack, call
		a.Say = said.Say("%s of %s: hands-off time ends at %s, please come back", j.op.Name, string(j.unit.ID), ends)
	default:
		return Alert{}, false
	}
	a.Text = a.Say.String()
	return a, true
}
