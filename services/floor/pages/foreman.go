package pages

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/board"
	"tickover/services/floor/job"
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
		return "late"
	case AtRisk:
		return "at risk"
	case HeldRow:
		return "held back"
	case OnTime:
		return "on time"
	}
	return "not planned"
}

// rows lists the open units, by state and promise.
func rows(b *Base) []UnitRow {
	forecast := map[queue.UnitID]dispatch.UnitForecast{}
	if b.Plan != nil {
		for _, f := range b.Plan.Units {
			forecast[f.Unit] = f
		}
	}
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

func row(b *Base, u *queue.Unit, f dispatch.UnitForecast, planned bool) UnitRow {
	r := UnitRow{Unit: u, Ready: f.Ready, LateMin: f.LateMin, Total: len(u.Steps), State: OnTime, Slack: u.Promise.Sub(f.Ready)}
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
	switch {
	case u.Held:
		r.State = HeldRow
	case r.Done == r.Total:
		r.State = OnTime
	case !planned && b.Now.After(u.Promise), planned && (f.LateMin > 0 || f.Ready.IsZero()):
		r.State = Late
	case !planned:
		r.State = Unknown
	case r.Slack < riskSlack:
		r.State = AtRisk
	}
	return r
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
		return s.Planned.Why
	}
	if b.Plan != nil {
		for _, u := range b.Plan.Unplaced {
			if u.Unit == s.Unit.ID && u.Step == s.Step.ID {
				return u.Why
			}
		}
	}
	return job.Blocked(s)
}

// Out is a resource or technician that is down or absent.
type Out struct {
	What    string // "resource:p1"
	Name    string
	Closure queue.Closure
}

type boardPage struct {
	*Base
	Board     board.Board
	Rows      []UnitRow
	Running   []job.Sheet
	Ready     []UnitRow // every step done
	Out       []Out
	Unplaced  []dispatch.UnplacedStep
	Pins      []dispatch.FailedPin
	Today     string
	Tomorrow  string
	IsToday   bool
	Outdoor   []outdoorNow
	Count     counts
	DayNumber string
}

type counts struct{ Units, Running, Late, AtRisk, Held int }

type outdoorNow struct {
	Name  string
	Until time.Time
	Why   string
}

// openDay is the first day from t on, at most two weeks ahead, on which the
// shop opens.
func (b *Base) openDay(p *Pages, t time.Time) time.Time {
	a := p.o.Ledger.Almanac()
	for i := range 14 {
		y, m, d := t.Date()
		from := time.Date(y, m, d+i, 0, 0, 0, 0, b.Loc)
		if len(a.Open(from, time.Date(y, m, d+i+1, 0, 0, 0, 0, b.Loc))) > 0 {
			return from
		}
	}
	return t
}

func (p *Pages) board(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Wide, b.Live = "Board", "board", true, true
	day := b.Now
	if s := r.URL.Query().Get("day"); s != "" {
		t, err := time.ParseInLocation(time.DateOnly, s, b.Loc)
		if err != nil || t.Before(b.Now.AddDate(-5, 0, 0)) || t.After(b.Now.AddDate(1, 0, 0)) {
			return "", nil, answer.Malformed("day", s, "that is no day the board can show", "Write it as "+b.Now.Format(time.DateOnly)+".")
		}
		day = t
	}
	page := boardPage{Base: b, Rows: rows(b), Running: b.Book.Running(), Out: b.out()}
	page.Board = board.Build(board.Input{State: b.State, Almanac: p.o.Ledger.Almanac(), Plan: b.Plan, Now: b.Now, Day: day})
	y, m, d := b.Now.Date()
	page.Today = b.Now.Format(time.DateOnly)
	page.Tomorrow = b.openDay(p, time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc)).Format(time.DateOnly)
	page.IsToday = page.Board.Day.Format(time.DateOnly) == page.Today
	if b.Plan != nil {
		for _, u := range b.Plan.Unplaced {
			if s := b.Book.Of(u.Unit, u.Step); s != nil && s.Step.Status == queue.Todo {
				page.Unplaced = append(page.Unplaced, u)
			}
		}
		page.Pins = b.Plan.Pins
	}
	cond := p.o.Ledger.Almanac().Conditions(b.State, b.Now, b.Now)
	for i := range b.Shop.Resources {
		if res := &b.Shop.Resources[i]; res.Kind.Outdoors() {
			w := cond.Outdoor[res.ID]
			page.Outdoor = append(page.Outdoor, outdoorNow{res.Name, w.Until, w.Why})
		}
	}
	page.count()
	return "board", page, nil
}

func (p *boardPage) count() {
	var rest []UnitRow
	for _, r := range p.Rows {
		p.Count.Units++
		if len(r.Running) > 0 {
			p.Count.Running++
		}
		switch r.State {
		case Late:
			p.Count.Late++
		case AtRisk:
			p.Count.AtRisk++
		case HeldRow:
			p.Count.Held++
		}
		if r.Done == r.Total {
			p.Ready = append(p.Ready, r)
		} else {
			rest = append(rest, r)
		}
	}
	p.Rows = rest
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
	b.Title, b.Section = "Units", "units"
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
