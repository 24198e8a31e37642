package pages

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/sheet"
)

// labourWindow is the day, week or month that is looked at.
type labourWindow struct {
	labour.Window // ends now if it is under way
	Span          string
	Day           time.Time // its first day
	Whole         time.Time // its end, also if that lies ahead
}

// labourWindowOf reads span and day of a request; today and the week unasked.
func labourWindowOf(b *Base, v url.Values) (labourWindow, error) {
	day := b.Now
	if s := strings.TrimSpace(v.Get("day")); s != "" {
		t, err := time.ParseInLocation(time.DateOnly, s, b.Loc)
		switch {
		case err != nil:
			return labourWindow{}, answer.Malformed("day", s, "that is no day", "Write it as 2026-02-17.")
		case t.After(b.Now):
			return labourWindow{}, answer.Malformed("day", s, "that day has not come yet", "Choose one that has.")
		}
		day = t
	}
	w := labourWindow{Span: v.Get("span")}
	y, m, d := day.Date()
	midnight := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, b.Loc) }
	switch w.Span {
	case "day":
		w.Start, w.End = midnight(y, m, d), midnight(y, m, d+1)
	case "month":
		w.Start, w.End = midnight(y, m, 1), midnight(y, m+1, 1)
	default:
		w.Span = "week"
		d -= (int(day.Weekday()) + 6) % 7
		w.Start, w.End = midnight(y, m, d), midnight(y, m, d+7)
	}
	w.Day, w.Whole = w.Start, w.End
	if w.End.After(b.Now) {
		w.End = b.Now
	}
	return w, nil
}

// To is a labour page of this window.
func (w labourWindow) To(path string, kv ...string) string {
	v := url.Values{"span": {w.Span}, "day": {w.Day.Format(time.DateOnly)}}
	for i := 0; i+1 < len(kv); i += 2 {
		v.Set(kv[i], kv[i+1])
	}
	return path + "?" + v.Encode()
}

// Before and After are the windows beside this one.
func (w labourWindow) Before() string { return w.beside(w.Start.AddDate(0, 0, -1)) }

// After is empty for the one that is under way.
func (w labourWindow) After() string {
	if w.End.Before(w.Whole) {
		return ""
	}
	return w.beside(w.Whole)
}

func (w labourWindow) beside(day time.Time) string {
	w.Day = day
	return w.To("/labour")
}

type labourPage struct {
	*Base
	W       labourWindow
	Report  labour.Report
	Spans   []ownerSpan
	Doubted []labourLine
}

// foremanOnly keeps figures of people to those who lead them. Nobody signs in
// yet: it keeps them off a shared screen, not from a curious person.
func foremanOnly(b *Base) error {
	if b.IAmForeman() {
		return nil
	}
	return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "these figures are for the foreman and the owner", "Say who you are at the top right.")
}

// labourOf is the work of a window, up to the page's moment.
func (p *Pages) labourOf(ctx context.Context, b *Base, w labourWindow) ([]labour.Piece, map[string]time.Duration, error) {
	s := p.work
	if b.Then != nil {
		_, s = p.earlier.of(p.o.History, b.State.Seq)
	}
	if err := s.CatchUp(ctx); err != nil {
		return nil, nil, err
	}
	return s.Pieces(w.Start, w.End), s.Available(w.Start, w.End), nil
}

func (p *Pages) labour(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Time and money"), "owner"
	if err := foremanOnly(b); err != nil {
		return "", nil, err
	}
	w, err := labourWindowOf(b, r.URL.Query())
	if err != nil {
		return "", nil, err
	}
	pieces, available, err := p.labourOf(r.Context(), b, w)
	if err != nil {
		return "", nil, err
	}
	page := &labourPage{Base: b, W: w, Report: labour.Measure(pieces, available, w.Window)}
	for _, s := range []struct{ key, text string }{{"day", b.T("Day")}, {"week", b.T("Week")}, {"month", b.T("Month")}} {
		at := w
		at.Span = s.key
		if at.Day.Before(w.Start) || !b.Now.Before(w.Start) && b.Now.Before(w.Whole) {
			at.Day = b.Now // from a week or month under way to today
		}
		page.Spans = append(page.Spans, ownerSpan{s.text, at.To("/labour"), s.key == w.Span})
	}
	for _, l := range b.lines(pieces, w, "", "") {
		if l.Doubt != labour.Sure {
			page.Doubted = append(page.Doubted, l)
		}
	}
	return "labour", page, nil
}

// labourLine is one piece of work in a window.
type labourLine struct {
	labour.Piece
	Time    time.Duration // worked in the window
	Earned  time.Duration // standard produced in it
	Machine *queue.Machine
	Name    string // of the operation
}

// Doubts reports a line that is not counted.
func (l labourLine) Doubts() bool { return l.Doubt != labour.Sure }

// lines are the pieces of the window, of one technician, operation or unit.
func (b *Base) lines(pieces []labour.Piece, w labourWindow, by, id string) []labourLine {
	var out []labourLine
	for _, p := range pieces {
		match := by == "" || by == "technician" && p.Technician == id || by == "operation" && p.Operation == id || by == "unit" && p.Unit == id
		if !match || !p.Touches(w.Window) {
			continue
		}
		l := labourLine{Piece: p, Time: p.In(w.Window), Earned: p.Produced(w.Window), Name: b.Operation(queue.OperationID(p.Operation))}
		if u := b.State.Units[queue.UnitID(p.Unit)]; u != nil {
			l.Machine = &u.Machine
		}
		out = append(out, l)
	}
	return out
}

// DoubtText says why a piece is not counted.
func (b *Base) DoubtText(d labour.Doubt) string {
	switch d {
	case labour.TooLong:
		return b.T("far longer than its standard time: was “done” forgotten?")
	case labour.OverClose:
		return b.T("it ran on after closing: was “done” forgotten?")
	}
	return ""
}

type labourStepsPage struct {
	*Base
	W     labourWindow
	What  string
	Lines []labourLine
	Sum   labour.Sum
	More  int
	By    string
	ID    string
}

func (p *Pages) labourSteps(r *http.Request, b *Base) (string, any, error) {
	b.Section = "owner"
	if err := foremanOnly(b); err != nil {
		return "", nil, err
	}
	q := r.URL.Query()
	page := &labourStepsPage{Base: b, By: q.Get("by"), ID: q.Get("id")}
	switch page.By {
	case "technician":
		page.What = b.Name(queue.PersonID(page.ID))
	case "operation":
		page.What = b.Operation(queue.OperationID(page.ID))
	case "unit":
		page.What = page.ID
	case "":
		page.What = b.T("All hands-on work")
	default:
		return "", nil, answer.Unknown("this link names no number of the page", "Open “Time and money” and press a number there.")
	}
	var err error
	if page.W, err = labourWindowOf(b, q); err != nil {
		return "", nil, err
	}
	pieces, available, err := p.labourOf(r.Context(), b, page.W)
	if err != nil {
		return "", nil, err
	}
	b.Title = page.What
	page.Lines = b.lines(pieces, page.W, page.By, page.ID)
	some := make([]labour.Piece, len(page.Lines))
	for i := range page.Lines {
		some[i] = page.Lines[i].Piece
	}
	page.Sum = labour.Measure(some, nil, page.W.Window).All
	if page.By == "technician" {
		page.Sum.Available = available[page.ID]
	}
	if n := len(page.Lines) - rowsMax; n > 0 {
		page.Lines, page.More = page.Lines[:rowsMax], n
	}
	return "labour-steps", page, nil
}

// labourCSV are the labour lines for the shop's invoicing.
func (p *Pages) labourCSV(w http.ResponseWriter, r *http.Request) {
	b, ok := p.base(r)
	if !ok {
		p.plain(w, http.StatusServiceUnavailable, "The shop is not set up yet.", "Start Tickover with a shop file.")
		return
	}
	err := foremanOnly(b)
	win, werr := labourWindowOf(b, r.URL.Query())
	if err == nil {
		err = werr
	}
	var pieces []labour.Piece
	if err == nil {
		pieces, _, err = p.labourOf(r.Context(), b, win)
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	q := r.URL.Query()
	rows := b.labourTable(b.lines(pieces, win, q.Get("by"), q.Get("id")))
	sheet.Headers(w.Header(), "tickover-labour-"+win.Day.Format(time.DateOnly)+"-"+win.Span)
	if err := sheet.Write(w, rows); err != nil {
		p.log.Debug("table not sent", zap.Error(err))
	}
}

func (b *Base) labourTable(lines []labourLine) [][]string {
	zone := b.Shop.TimeZone
	rows := [][]string{{
		b.T("Ticket"), b.T("Make"), b.T("Model"), b.T("Year"), b.T("Frame number"), b.T("Step"), b.T("Operation"), b.T("Work"), b.T("Run"),
		b.T("Technician"), b.T("Name"), b.T("From (%s)", zone), b.T("To (%s)", zone), b.T("Hands-on (min)"), b.T("Standard time produced (min)"), b.T("Counted"), b.T("Remark"),
	}}
	for _, l := range lines {
		counted := b.T("yes")
		if l.Doubts() {
			counted = b.T("no")
		}
		remark := b.DoubtText(l.Doubt)
		if l.Running {
			remark = strings.TrimSpace(b.T("still running") + " " + remark)
		}
		row := []string{l.Unit, "", "", "", "", l.Step, l.Operation, l.Name, strconv.Itoa(l.Run), l.Technician, b.Name(queue.PersonID(l.Technician)),
			b.stamp(l.Start), b.stamp(l.End), minutesOf(l.Time), minutesOf(l.Earned), counted, remark}
		if m := l.Machine; m != nil {
			row[1], row[2], row[3], row[4] = m.Make, m.Model, strconv.Itoa(m.Year), m.Frame
		}
		rows = append(rows, row)
	}
	return rows
}

func minutesOf(d time.Duration) string { return strconv.FormatFloat(d.Minutes(), 'f', 2, 64) }

// Part is a ratio as a share of a hundred.
func (b *Base) Part(r labour.Ratio) string {
	if !r.OK {
		return "–"
	}
	return b.Locale.Percent(r.Value, 0)
}

// Exact is a time to the minute, also above a day.
func (b *Base) Exact(d time.Duration) string {
	m := int(d.Round(time.Minute) / time.Minute)
	if m < 60 {
		return b.T("%d min", m)
	}
	return b.T("%d h %02d min", m/60, m%60)
}
