package pages

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor/job"
	"tickover/services/floor/locale"
)

// riskSlack: a unit whose plan ends this shortly before its promise is at risk.
const riskSlack = 45 * time.Minute

// UnitRow is a unit in the foreman's list.
type UnitRow struct {
	Unit    *queue.Unit
	Running []job.Sheet
	Next    *job.Sheet
	Why     string // what the next step waits for
	Ready   time.Time
	LateMin int64
	State   RowState
	Done    int
	Total   int
	// Slack is the time between the plan's end and the promise.
	Slack time.Duration
}

// RowState says how a unit stands against its promise.
type RowState string

// The states, the worst first.
const (
	Late    RowState = "late"
	AtRisk  RowState = "at-risk"
	HeldRow RowState = "held"
	OnTime  RowState = "on-time"
	Unknown RowState = "unknown" // no plan speaks of it
)

// Text is the state in words.
func (s RowState) Text() string {
	switch s {
	case Late:
		return locale.Mark("late")
	case AtRisk:
		return locale.Mark("at risk")
	case HeldRow:
		return locale.Mark("held back")
	case OnTime:
		return locale.Mark("on time")
	}
	return locale.Mark("not planned")
}

// rows lists the open units, by state and promise.
func rows(b *Base) []UnitRow {
	forecast := forecasts(b.Plan)
	var out []UnitRow
	for _, u := range b.State.OpenUnits() {
		f, planned := forecast[u.ID]
		out = append(out, row(b, u, f, planned))
	}
	rank := map[RowState]int{Late: 0, AtRisk: 1, OnTime: 2, Unknown: 3, HeldRow: 4}
	slices.SortStableFunc(out, func(x, y UnitRow) int {
		return cmp.Or(cmp.Compare(rank[x.State], rank[y.State]), x.Unit.Promise.Compare(y.Unit.Promise), cmp.Compare(x.Unit.ID, y.Unit.ID))
	})
	return out
}

// rowOf is one unit of the list.
func rowOf(b *Base, u *queue.Unit) UnitRow {
	if b.Plan != nil {
		for _, f := range b.Plan.Units {
			if f.Unit == u.ID {
				return row(b, u, f, true)
			}
		}
	}
	return row(b, u, dispatch.UnitForecast{}, false)
}

func row(b *Base, u *queue.Unit, f dispatch.UnitForecast, planned bool) UnitRow {
	r := UnitRow{Unit: u, Ready: f.Ready, LateMin: f.LateMin, Total: len(u.Steps), Slack: u.Promise.Sub(f.Ready)}
	for i := range u.Steps {
		st := &u.Steps[i]
		s := b.Book.Of(u.ID, st.ID)
		switch {
		case st.Settled():
			r.Done++
		case s == nil:
		case st.Status == queue.Running:
			r.Running = append(r.Running, *s)
		case r.Next == nil || earlier(*s, *r.Next):
			r.Next = s
		}
	}
	if r.Next != nil {
		r.Why = waitsFor(b, *r.Next)
	}
	r.State = stateOf(u.Held, r.Done == r.Total, u.Promise, f, planned, b.Now)
	return r
}

// stateOf is how a unit stands against its promise, by what the plan forecasts
// of it, if it does.
func stateOf(held, done bool, promise time.Time, f dispatch.UnitForecast, planned bool, now time.Time) RowState {
	switch {
	case held:
		return HeldRow
	case done:
		return OnTime
	case !planned && now.After(promise), planned && (f.LateMin > 0 || f.Ready.IsZero()):
		return Late
	case !planned:
		return Unknown
	case promise.Sub(f.Ready) < riskSlack:
		return AtRisk
	}
	return OnTime
}

// forecasts are a plan's, by unit; nil without a plan.
func forecasts(p *dispatch.Plan) map[queue.UnitID]dispatch.UnitForecast {
	if p == nil {
		return nil
	}
	out := make(map[queue.UnitID]dispatch.UnitForecast, len(p.Units))
	for _, f := range p.Units {
		out[f.Unit] = f
	}
	return out
}

// earlier: planned before unplanned, then by start.
func earlier(a, b job.Sheet) bool {
	if (a.Planned == nil) != (b.Planned == nil) {
		return a.Planned != nil
	}
	return a.Planned != nil && a.Start().Before(b.Start())
}

// waitsFor is why a step does not run yet: the plan's words, what stands
// before it in its own unit, or why it does not fit.
func waitsFor(b *Base, s job.Sheet) string {
	if s.Planned != nil && s.Planned.Why != "" {
		return b.Say(s.Planned.Reason())
	}
	if why := unfit(b, s); why != "" {
		return why
	}
	return b.Say(job.Blocked(s))
}

// unfit is why a step does not fit into the plan; empty: it does, or there is
// none.
func unfit(b *Base, s job.Sheet) string {
	if b.Plan != nil {
		for _, u := range b.Plan.Unplaced {
			if u.Unit == s.Unit.ID && u.Step == s.Step.ID {
				return b.Say(u.Reason())
			}
		}
	}
	return ""
}

// Out is a resource or technician that is down or absent.
type Out struct {
	What    string // "resource:p1"
	Name    string
	Closure queue.Closure
}

// out lists what is down or absent now or later.
func (b *Base) out() []Out {
	var out []Out
	for i := range b.Shop.Resources {
		r := &b.Shop.Resources[i]
		for _, c := range b.State.Closures[r.ID] {
			if c.Until.IsZero() || c.Until.After(b.Now) {
				out = append(out, Out{"resource:" + string(r.ID), r.Name, c})
			}
		}
	}
	for i := range b.Shop.Technicians {
		t := &b.Shop.Technicians[i]
		for _, c := range b.State.Absences[t.ID] {
			if c.Until.IsZero() || c.Until.After(b.Now) {
				out = append(out, Out{"technician:" + string(t.ID), t.Name, c})
			}
		}
	}
	return out
}

type unitsPage struct {
	*Base
	Query string
	Units []*queue.Unit
	More  int
	Total int
}

const unitsShown = 100

func (p *Pages) units(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Units"), "units"
	page := unitsPage{Base: b, Query: strings.TrimSpace(r.URL.Query().Get("q"))}
	for _, u := range b.State.Units {
		if len(page.Query) <= 80 && job.Matches(u, page.Query) {
			page.Units = append(page.Units, u)
		}
	}
	slices.SortFunc(page.Units, func(x, y *queue.Unit) int {
		return cmp.Or(cmp.Compare(x.Status, y.Status), x.Promise.Compare(y.Promise), cmp.Compare(x.ID, y.ID))
	})
	page.Total = len(page.Units)
	if n := len(page.Units); n > unitsShown {
		page.Units, page.More = page.Units[:unitsShown], n-unitsShown
	}
	return "units", page, nil
}

// Progress is how many steps of a unit are settled.
func (b *Base) Progress(u *queue.Unit) (done int) {
	for i := range u.Steps {
		if u.Steps[i].Settled() {
			done++
		}
	}
	return done
}
