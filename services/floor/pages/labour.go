package pages

import (
	"net/http"
	"net/url"
	"time"

	"go.uber.org/zap"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/sheet"
	"tickover/services/access"
	"tickover/services/floor/answer"
	"tickover/services/floor/export"
	"tickover/services/floor/record"
)

// labourWindow is the day, week or month that is looked at.
type labourWindow struct{ record.Window }

// labourWindowOf reads span and day of a request; today and the week unasked.
func labourWindowOf(b *Base, v url.Values) (labourWindow, error) {
	w, err := record.WindowOf(v.Get("span"), v.Get("day"), b.Now)
	return labourWindow{w}, err
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

// foremanOnly keeps figures of people to those who lead them. Where nobody
// signs in it keeps them off a shared screen, not from a curious person.
func foremanOnly(b *Base) error {
	if b.IAmForeman() || b.Who.Is(access.Owner) {
		return nil
	}
	return answer.New(http.StatusForbidden, queue.CodeWrongPerson, "these figures are for the foreman and the owner", "Say who you are at the top right.")
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
	work, err := p.record.Labour(r.Context(), b.moment(), w.Window)
	if err != nil {
		return "", nil, err
	}
	page := &labourPage{Base: b, W: w, Report: work.Report()}
	for _, s := range []struct{ key, text string }{{"day", b.T("Day")}, {"week", b.T("Week")}, {"month", b.T("Month")}} {
		at := w
		at.Span = s.key
		if at.Day.Before(w.Start) || !b.Now.Before(w.Start) && b.Now.Before(w.Whole) {
			at.Day = b.Now // from a week or month under way to today
		}
		page.Spans = append(page.Spans, ownerSpan{s.text, at.To("/labour"), s.key == w.Span})
	}
	for _, l := range b.lines(work, "", "") {
		if l.Doubt != labour.Sure {
			page.Doubted = append(page.Doubted, l)
		}
	}
	return "labour", page, nil
}

// labourLine is one piece of work in a window.
type labourLine struct {
	record.Line
	Name string // of the operation
}

// lines are the pieces of the window, of one technician, operation or unit.
func (b *Base) lines(work *record.Labour, by, id string) []labourLine {
	var out []labourLine
	for _, l := range work.Lines(by, id) {
		out = append(out, labourLine{l, b.Operation(queue.OperationID(l.Operation))})
	}
	return out
}

// DoubtText says why a piece is not counted.
func (b *Base) DoubtText(d labour.Doubt) string { return export.Doubt(b, d) }

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
	work, err := p.record.Labour(r.Context(), b.moment(), page.W.Window)
	if err != nil {
		return "", nil, err
	}
	b.Title = page.What
	page.Lines, page.Sum = b.lines(work, page.By, page.ID), work.Sum(work.Lines(page.By, page.ID))
	if page.By == "technician" {
		page.Sum.Available = work.Available[page.ID]
	}
	if n := len(page.Lines) - rowsMax; n > 0 {
		page.Lines, page.More = page.Lines[:rowsMax], n
	}
	return "labour-steps", page, nil
}

// labourCSV are the labour lines for the shop's invoicing.
func (p *Pages) labourCSV(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	err := foremanOnly(b)
	win, werr := labourWindowOf(b, r.URL.Query())
	if err == nil {
		err = werr
	}
	var work *record.Labour
	if err == nil {
		work, err = p.record.Labour(r.Context(), b.moment(), win.Window)
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	q := r.URL.Query()
	p.table(w, export.LabourName(win.Window), export.Labour(b, b.Shop, work.Lines(q.Get("by"), q.Get("id"))))
}

// table sends rows for a spreadsheet.
func (p *Pages) table(w http.ResponseWriter, name string, rows [][]string) {
	export.Headers(w.Header(), name)
	if err := sheet.Write(w, rows); err != nil {
		p.log.Debug("table not sent", zap.Error(err))
	}
}

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
