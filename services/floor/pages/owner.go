package pages

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/locale"
)

// joinGaps is the pause between two jobs that still counts as busy: common
// practice, no source.
const joinGaps = 5 * time.Minute

// windowMax bounds what one page shows: thirteen months.
const windowMax = 400 * 24 * time.Hour

// ownerSpans are the windows that can be chosen, the first one unasked.
var ownerSpans = []struct{ key, text string }{
	{"week", locale.Mark("This week")}, {"today", locale.Mark("Today")},
	{"4weeks", locale.Mark("Last 4 weeks")}, {"12months", locale.Mark("Last 12 months")},
}

// ownerWindow is the time that the owner looks at.
type ownerWindow struct {
	flow.Window
	Span     string // one of ownerSpans; empty: dates
	FromText string // as typed, or as dates
	ToText   string
	Bad      string // why the dates that were typed are not shown
	Running  bool   // it ends now
	Cut      bool   // it begins with the record, not as it was asked for
	query    url.Values
}

// windowOf reads the window of a request; what makes no sense is said, and the
// week is shown. The minute that is under way counts as over.
func windowOf(b *Base, v url.Values) ownerWindow {
	now := b.Now.Truncate(time.Minute).Add(time.Minute)
	w := ownerWindow{FromText: strings.TrimSpace(v.Get("from")), ToText: strings.TrimSpace(v.Get("to")), query: url.Values{}}
	w.Join = joinGaps
	if w.FromText != "" || w.ToText != "" {
		if w.dates(b, now); w.Bad == "" {
			w.query.Set("from", w.FromText)
			w.query.Set("to", w.ToText)
			return w
		}
	}
	y, m, d := b.Now.Date()
	day := func(days int) time.Time { return time.Date(y, m, d+days, 0, 0, 0, 0, b.Loc) }
	w.Span, w.Running, w.End = v.Get("span"), true, now
	switch w.Span {
	case "today":
		w.Start = day(0)
	case "4weeks":
		w.Start = day(-27)
	case "12months":
		w.Start = time.Date(y-1, m, d+1, 0, 0, 0, 0, b.Loc)
	default:
		w.Span = "week"
		w.Start = day(-(int(b.Now.Weekday()) + 6) % 7)
	}
	w.query.Set("span", w.Span)
	if w.Bad == "" {
		w.FromText, w.ToText = w.Start.Format(time.DateOnly), b.Now.Format(time.DateOnly)
	}
	return w
}

// dates takes a first and a last day.
func (w *ownerWindow) dates(b *Base, now time.Time) {
	from, err := time.ParseInLocation(time.DateOnly, w.FromText, b.Loc)
	to, err2 := time.ParseInLocation(time.DateOnly, w.ToText, b.Loc)
	switch {
	case errors.Join(err, err2) != nil:
		w.Bad = b.T("Give a first and a last day, as 2026-02-17.")
		return
	case to.Before(from):
		w.Bad = b.T("The last day lies before the first one: exchange them.")
		return
	case !from.Before(now):
		w.Bad = b.T("The first day lies in the future: nothing has happened yet.")
		return
	}
	y, m, d := to.Date()
	w.Start, w.End = from, time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc)
	if !w.End.Before(now) {
		w.End, w.Running = now, true
	}
	if w.End.Sub(w.Start) > windowMax {
		w.Bad = b.T("At most 13 months can be shown at once: choose days that lie closer together.")
	}
}

// To is a page of the same window, with more parameters.
func (w *ownerWindow) To(path string, kv ...string) string {
	v := url.Values{}
	for k, list := range w.query {
		v[k] = list
	}
	for i := 0; i+1 < len(kv); i += 2 {
		if kv[i+1] != "" {
			v.Set(kv[i], kv[i+1])
		}
	}
	return path + "?" + v.Encode()
}

// Units is the page with the units behind a number.
func (w *ownerWindow) Units(q flow.Query) string {
	return w.To("/owner/units", queryValues(q)...)
}

// Last is the window's last day.
func (w *ownerWindow) Last() time.Time { return w.End.Add(-time.Second) }

// Q names a number that has no more to it.
func (p *ownerPage) Q(of string) flow.Query { return flow.Query{Of: flow.ParseOf(of)} }

// Minus is a difference of counts.
func (p *ownerPage) Minus(a, b int) int { return a - b }

func queryValues(q flow.Query) []string {
	return []string{"of", q.Of.String(), "resource", q.Resource, "state", q.State.String(), "cause", q.Cause.String()}
}

func queryOf(v url.Values) flow.Query {
	return flow.Query{
		Of: flow.ParseOf(v.Get("of")), Resource: v.Get("resource"),
		State: flow.ParseState(v.Get("state")), Cause: flow.ParseCause(v.Get("cause")),
	}
}

// days and weeks cut the window up at midnights and Mondays.
func (w *ownerWindow) days(loc *time.Location) []flow.Interval {
	return w.cut(loc, func(day time.Time) time.Time { return day.AddDate(0, 0, 1) })
}

func (w *ownerWindow) weeks(loc *time.Location) []flow.Interval {
	return w.cut(loc, func(day time.Time) time.Time { return day.AddDate(0, 0, 7-(int(day.Weekday())+6)%7) })
}

func (w *ownerWindow) cut(loc *time.Location, next func(time.Time) time.Time) []flow.Interval {
	var out []flow.Interval
	for from := w.Start.In(loc); from.Before(w.End); {
		y, m, d := from.Date()
		to := next(time.Date(y, m, d, 0, 0, 0, 0, loc))
		if to.After(w.End) {
			to = w.End
		}
		out = append(out, flow.Interval{Start: from, End: to})
		from = to
	}
	return out
}

// flowOf is what happened in the window, up to the newest entry of the log. The
// window is made to begin with the first day of the record: the time before
// would dilute every rate.
func (p *Pages) flowOf(r *http.Request, b *Base, w *ownerWindow) (*flow.Data, error) {
	c, err := p.chronicleOf(r, b)
	if err != nil {
		return nil, err
	}
	y, m, d := c.Began().In(b.Loc).Date()
	if first := time.Date(y, m, d, 0, 0, 0, 0, b.Loc); w.Start.Before(first) && first.Before(w.End) {
		w.Start, w.Cut = first, true
	}
	return c.Data(w.Start, w.End), nil
}

type ownerPage struct {
	*Base
	W       ownerWindow
	Spans   []ownerSpan
	R       flow.Report
	Left    flowRate
	Charts  []ownerChart
	Loads   []loadGroup
	Causes  []causeRow
	Closed  *causeRow
	Pools   []poolRow
	Why     string // the bottleneck of the window, in a sentence
	Average string // and by the average active period
	WhyNow  string // and of this moment
	Lies    string // where the shop lies between best and practical worst case
	Plots   []ownerPlot
	// Ranking is what one more of each would bring, by the simulation Study.
	Ranking string
	Study   int
	Since   time.Time
	Tables  []ownerTable
	Nothing bool
}

type ownerSpan struct {
	Text, To string
	Here     bool
}

type flowRate struct{ Day, Week float64 }

type ownerTable struct{ Name, To string }

func (p *Pages) owner(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Owner"), "owner"
	w := windowOf(b, r.URL.Query())
	d, err := p.flowOf(r, b, &w)
	if err != nil {
		return "", nil, err
	}
	page := &ownerPage{Base: b, W: w, R: flow.Measure(d, w.Window), Since: p.past.Since()}
	if page.Since.Before(w.Start) {
		page.Since = time.Time{}
	}
	page.Nothing = page.R.Little.Present == 0 && page.R.Arrived == 0
	for _, s := range ownerSpans {
		page.Spans = append(page.Spans, ownerSpan{b.Word(s.text), "/owner?span=" + s.key, s.key == w.Span})
	}
	slices.SortStableFunc(page.Spans, func(x, y ownerSpan) int { return strings.Compare(order(x.To), order(y.To)) })
	days := w.days(b.Loc)
	page.Left = rate(page.R.Left, days, d.Open)
	page.charts(d, days)
	page.loads(d)
	page.causes()
	page.pools(d.Pools)
	page.position(d)
	page.Ranking, page.Study = p.rankingText(b)
	page.plots(d)
	for _, t := range ownerTables {
		page.Tables = append(page.Tables, ownerTable{b.Word(t.text), w.To("/owner/csv/" + t.key)})
	}
	return "owner", page, nil
}

// order puts today before the week.
func order(to string) string {
	if strings.HasSuffix(to, "today") {
		return "0"
	}
	return "1"
}

// rate is how many a day on which the shop opened, and a week.
func rate(n int, days, open []flow.Interval) flowRate {
	opened, k := 0, 0
	for _, day := range days {
		for k < len(open) && !open[k].End.After(day.Start) {
			k++
		}
		if k < len(open) && open[k].Start.Before(day.End) {
			opened++
		}
	}
	var r flowRate
	if opened > 0 {
		r.Day = float64(n) / float64(opened)
	}
	if length := days[len(days)-1].End.Sub(days[0].Start); length >= 7*24*time.Hour {
		r.Week = float64(n) / (length.Hours() / (24 * 7))
	}
	return r
}

type ownerUnits struct {
	*Base
	W     ownerWindow
	Query flow.Query
	What  string
	Rows  []unitRow
	Count int
	More  int
	Timed string // what the last column's time is; empty: none
	Total time.Duration
	Back  string
	CSV   string
}

// unitRow is a unit behind a number.
type unitRow struct {
	flow.Item
	Machine *queue.Machine // nil: not known any more
	Promise string         // in words
	Why     string         // what the plan says it waits for now
}

// rowsMax is how many units a page lists; all are in the CSV.
const rowsMax = 1000

func (p *Pages) ownerUnits(r *http.Request, b *Base) (string, any, error) {
	v := r.URL.Query()
	w, q := windowOf(b, v), queryOf(v)
	if q.Of == 0 || w.Bad != "" || (q.Of == flow.Waiting && q.Cause == 0) {
		return "", nil, answer.Unknown("this link names no number of the owner's page", "Open the owner's page and press a number there.")
	}
	d, err := p.flowOf(r, b, &w)
	if err != nil {
		return "", nil, err
	}
	page := &ownerUnits{Base: b, W: w, Query: q, What: b.what(d.Pools, q), Back: w.To("/owner"), CSV: w.To("/owner/csv/units", queryValues(q)...)}
	b.Title, b.Section = page.What, "owner"
	page.Rows = b.unitRows(d, w, q)
	page.Count = len(page.Rows)
	for _, row := range page.Rows {
		page.Total += row.Time
	}
	if page.Count > rowsMax {
		page.More, page.Rows = page.Count-rowsMax, page.Rows[:rowsMax]
	}
	switch q.Of {
	case flow.Using, flow.Waiting:
		page.Timed = b.T("Time")
	case flow.Present:
		page.Timed = b.T("Of this time here")
	}
	return "owner-units", page, nil
}

// Stay is how long a unit has been in the shop, or was.
func (p *ownerUnits) Stay(row unitRow) time.Duration {
	if row.Left.IsZero() {
		return p.Base.Now.Sub(row.Arrived)
	}
	return row.Left.Sub(row.Arrived)
}

func (b *Base) unitRows(d *flow.Data, w ownerWindow, q flow.Query) []unitRow {
	why := map[queue.UnitID]string{}
	if b.Plan != nil && w.Running {
		for i := range b.Plan.Steps {
			if s := &b.Plan.Steps[i]; why[s.Unit] == "" && !s.Running {
				why[s.Unit] = b.Say(s.Reason())
			}
		}
	}
	var out []unitRow
	for _, item := range flow.Select(d, w.Window, q) {
		row := unitRow{Item: item, Promise: b.promiseText(&item.Visit)}
		if u := b.State.Units[queue.UnitID(item.Unit)]; u != nil {
			row.Machine = &u.Machine
			if u.Status == queue.InShop && item.Ready.IsZero() {
				row.Why = why[u.ID]
			}
		}
		out = append(out, row)
	}
	return out
}

// promiseText says what became of the promise.
func (b *Base) promiseText(v *flow.Visit) string {
	switch {
	case v.Promise.IsZero():
		return b.T("none")
	case v.Ready.IsZero() && v.Promise.After(b.Now):
		return b.T("%s, open", b.When(v.Promise))
	case v.Ready.IsZero():
		return b.T("%s, missed so far", b.When(v.Promise))
	case v.Ready.After(v.Promise):
		return b.T("%s, missed by %s", b.When(v.Promise), b.Length(v.Ready.Sub(v.Promise)))
	}
	return b.T("%s, kept", b.When(v.Promise))
}

// Length is a duration as short as it is still useful: minutes, hours, days.
func (b *Base) Length(d time.Duration) string {
	switch h := d.Hours(); {
	case h < 1:
		return b.Minutes(d)
	case h < 48:
		return b.T("%s h", b.Number(h, 1))
	default:
		return b.T("%s days", b.Number(h/24, 1))
	}
}

// Hours is a sum of hours.
func (b *Base) Hours(d time.Duration) string {
	if d > 0 && d < 6*time.Minute {
		return b.Minutes(d)
	}
	return b.T("%s h", b.Number(d.Hours(), 1))
}
