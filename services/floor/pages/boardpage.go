package pages

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/board"
)

type boardPage struct {
	*Base
	Board    board.Board
	Week     []weekDay // instead of Board
	Rows     []UnitRow // that the filter lets through
	Ready    []UnitRow // every step done
	Out      []Out
	Unplaced []unplaced
	Pins     []dispatch.FailedPin
	Outdoor  []outdoorNow
	Taken    []Taken
	Count    counts
	Hidden   int // rows that are not shown unless all are asked for
	Filter   filter

	Today, Tomorrow string
	IsToday         bool
	match           map[queue.UnitID]bool // nil: all
	draw            func(template, id string, of any) (template.HTML, error)
}

type counts struct{ Units, Running, Late, AtRisk, Held, Overdue, Untouched int }

type outdoorNow struct {
	Name  string
	Until time.Time
	Why   string
}

// weekDay is one day of the week's view.
type weekDay struct {
	board.Day
	Due     []UnitRow // promised that day
	Late    int
	IsToday bool
}

// State values of the filter beside those of [RowState].
const (
	overdue   RowState = "overdue"   // the promise has passed
	untouched RowState = "untouched" // nobody has recorded anything for days
)

const (
	untouchedDays    = 3
	untouchedDaysMax = 365
)

// rowsShown bounds the list of units: the worst come first, and nobody reads
// two hundred.
const rowsShown = 60

// filter is what the board is asked to show.
type filter struct {
	Technician queue.PersonID
	Place      queue.ResourceID
	Kind       string // of operation
	Make       string
	State      RowState
	Days       int // without a touch
}

func filterOf(q url.Values) (filter, error) {
	f := filter{
		Technician: queue.PersonID(q.Get("technician")), Place: queue.ResourceID(q.Get("place")),
		Kind: q.Get("kind"), Make: q.Get("make"), State: RowState(q.Get("state")), Days: untouchedDays,
	}
	if s := q.Get("days"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > untouchedDaysMax {
			return f, answer.Malformed("days", s, "that is no number of days", "Write a whole number from 1 to 365.")
		}
		f.Days = n
	}
	return f, nil
}

// Any reports that something but the state is filtered.
func (f filter) Any() bool {
	return f.Technician != "" || f.Place != "" || f.Kind != "" || f.Make != ""
}

// unit reports whether the unit passes all but the state.
func (f filter) unit(b *Base, u *queue.Unit) bool {
	if f.Make != "" && u.Machine.Make != f.Make {
		return false
	}
	if f.Technician == "" && f.Place == "" && f.Kind == "" {
		return true
	}
	for i := range u.Steps {
		s := b.Book.Of(u.ID, u.Steps[i].ID)
		if s == nil || s.Step.Settled() {
			continue
		}
		if (f.Technician == "" || s.Technician() == f.Technician) && (f.Place == "" || slices.Contains(s.Resources(), f.Place)) && (f.Kind == "" || s.Op.Kind.String() == f.Kind) {
			return true
		}
	}
	return false
}

func (f filter) state(b *Base, r *UnitRow) bool {
	switch f.State {
	case "":
		return true
	case overdue:
		return r.Overdue(b.Now)
	case untouched:
		return r.Untouched(b.Now, f.Days)
	}
	return r.State == f.State
}

// Overdue reports that the promise has passed and the unit is not ready.
func (r *UnitRow) Overdue(now time.Time) bool { return r.Done < r.Total && r.Unit.Promise.Before(now) }

// Untouched reports that nobody recorded anything for so many days.
func (r *UnitRow) Untouched(now time.Time, days int) bool {
	return idle(r.Unit.Touched, now, days)
}

// idle reports that nothing was recorded since touched for so many days.
func idle(touched, now time.Time, days int) bool {
	return now.Sub(touched) >= time.Duration(days)*24*time.Hour
}

// IdleDays is for how many whole days nobody has touched the unit.
func (p boardPage) IdleDays(u *queue.Unit) int { return int(p.Now.Sub(u.Touched) / (24 * time.Hour)) }

// openDay is the first day from t on, at most two weeks ahead, on which the
// shop opens.
func (b *Base) openDay(p *Pages, t time.Time) time.Time {
	a := p.almanac(b)
	for i := range 14 {
		y, m, d := t.Date()
		from := time.Date(y, m, d+i, 0, 0, 0, 0, b.Loc)
		if len(a.Open(from, time.Date(y, m, d+i+1, 0, 0, 0, 0, b.Loc))) > 0 {
			return from
		}
	}
	return t
}

// unplaced is a step that does not fit, and how many do not for its sake.
type unplaced struct {
	dispatch.UnplacedStep
	Behind int
}

// unplaced are the steps that do not fit, those that come after one counted
// with it.
func (b *Base) unplaced() []unplaced {
	todo := slices.DeleteFunc(slices.Clone(b.Plan.Unplaced), func(u dispatch.UnplacedStep) bool {
		s := b.Book.Of(u.Unit, u.Step)
		return s == nil || s.Step.Status != queue.Todo
	})
	var rows []unplaced
	first := map[queue.UnitID]int{} // in rows
	for _, u := range todo {
		if u.After == "" {
			first[u.Unit] = len(rows)
			rows = append(rows, unplaced{UnplacedStep: u})
		}
	}
	for _, u := range todo {
		if u.After == "" {
			continue
		}
		if i, ok := first[u.Unit]; ok {
			rows[i].Behind++
		} else {
			rows = append(rows, unplaced{UnplacedStep: u})
		}
	}
	return rows
}

func (p *Pages) board(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Wide, b.Live = b.T("Board"), "board", true, true
	q := r.URL.Query()
	day := b.Now
	if s := q.Get("day"); s != "" {
		t, err := time.ParseInLocation(time.DateOnly, s, b.Loc)
		if err != nil || t.Before(b.Now.AddDate(-5, 0, 0)) || t.After(b.Now.AddDate(1, 0, 0)) {
			return "", nil, answer.Malformed("day", s, "that is no day the board can show", "Write it as 2026-02-17.")
		}
		day = t
	}
	f, err := filterOf(q)
	if err != nil {
		return "", nil, err
	}
	page := &boardPage{Base: b, Out: b.out(), Filter: f, Taken: p.taken(b)}
	y, m, d := b.Now.Date()
	page.Today = b.Now.Format(time.DateOnly)
	page.Tomorrow = b.openDay(p, time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc)).Format(time.DateOnly)
	page.list()
	in := board.Input{State: b.State, Almanac: p.almanac(b), Plan: b.Plan, Now: b.Now, Day: day}
	if q.Get("view") == "week" {
		page.week(in)
		b.Title = b.T("The week")
		return "week", page, nil
	}
	page.Board, page.draw = board.Build(in), p.drawer(r, page)
	if n := len(page.Rows) - rowsShown; n > 0 && q.Get("all") == "" {
		page.Rows, page.Hidden = page.Rows[:rowsShown], n
	}
	page.IsToday = page.Board.Day.Format(time.DateOnly) == page.Today
	if b.Plan != nil {
		page.Unplaced = b.unplaced()
		page.Pins = b.Plan.Pins
	}
	cond := p.almanac(b).Conditions(b.State, b.Now, b.Now)
	for i := range b.Shop.Resources {
		if res := &b.Shop.Resources[i]; res.Kind.Outdoors() {
			w := cond.Outdoor[res.ID]
			page.Outdoor = append(page.Outdoor, outdoorNow{res.Name, w.Until, b.Say(w.Why)})
		}
	}
	return "board", page, nil
}

// list counts the units and keeps those that are asked for.
func (p *boardPage) list() {
	if p.Filter.Any() {
		p.match = map[queue.UnitID]bool{}
	}
	for _, r := range rows(p.Base) {
		if !p.Filter.unit(p.Base, r.Unit) {
			continue
		}
		if p.match != nil {
			p.match[r.Unit.ID] = true
		}
		p.Count.add(&r, p.Now, p.Filter.Days)
		switch {
		case r.Done == r.Total:
			p.Ready = append(p.Ready, r)
		case p.Filter.state(p.Base, &r):
			p.Rows = append(p.Rows, r)
		}
	}
}

func (c *counts) add(r *UnitRow, now time.Time, days int) {
	c.Units++
	if len(r.Running) > 0 {
		c.Running++
	}
	if r.Overdue(now) {
		c.Overdue++
	}
	if r.Done < r.Total && r.Untouched(now, days) {
		c.Untouched++
	}
	switch r.State {
	case Late:
		c.Late++
	case AtRisk:
		c.AtRisk++
	case HeldRow:
		c.Held++
	}
}

// Dim reports that the filter asks for other units.
func (p *boardPage) Dim(u queue.UnitID) bool { return p.match != nil && !p.match[u] }

func (p *boardPage) week(in board.Input) {
	days := board.Week(in)
	for _, d := range days {
		w := weekDay{Day: d, IsToday: d.Day.Format(time.DateOnly) == p.Today}
		for _, r := range slices.Concat(p.Rows, p.Ready) {
			if r.Unit.Promise.In(p.Loc).Format(time.DateOnly) == d.Day.Format(time.DateOnly) {
				w.Due = append(w.Due, r)
				if r.State == Late {
					w.Late++
				}
			}
		}
		slices.SortStableFunc(w.Due, func(x, y UnitRow) int { return x.Unit.Promise.Compare(y.Unit.Promise) })
		p.Week = append(p.Week, w)
	}
}

// With is the address of this board with one value changed; empty takes it out.
func (p *boardPage) With(kv ...string) string {
	u, err := url.Parse(p.Here)
	if err != nil {
		return "/board"
	}
	q := u.Query()
	for i := 0; i+1 < len(kv); i += 2 {
		q.Del(kv[i])
		if kv[i+1] != "" {
			q.Set(kv[i], kv[i+1])
		}
	}
	u.RawQuery = q.Encode()
	return u.String()
}

// Param is a value of this board's address.
func (p *boardPage) Param(name string) string {
	u, err := url.Parse(p.Here)
	if err != nil {
		return ""
	}
	return u.Query().Get(name)
}

// Makes are the makes of the units in the shop.
func (p *boardPage) Makes() []string {
	var out []string
	for _, u := range p.State.Units {
		if u.Status == queue.InShop && !slices.Contains(out, u.Machine.Make) {
			out = append(out, u.Machine.Make)
		}
	}
	slices.Sort(out)
	return out
}

// Kinds are the kinds of work that the shop does.
func (p *boardPage) Kinds() []string {
	var out []string
	for i := range p.Shop.Operations {
		if k := p.Shop.Operations[i].Kind.String(); !slices.Contains(out, k) {
			out = append(out, k)
		}
	}
	return out
}

// PinOf is the pin of a block's step.
func (p *boardPage) PinOf(b board.Block) *queue.Pin {
	if s := p.Book.Of(b.Unit, b.Step); s != nil {
		return s.Step.Pin
	}
	return nil
}

// DayName is a day's name and date.
func (p *boardPage) DayName(t time.Time) string { return p.Date(t, "Mon 2 January 2006") }

// Shift is a day's date so many days on.
func (p *boardPage) Shift(t time.Time, days int) string {
	return t.AddDate(0, 0, days).Format(time.DateOnly)
}
