package pages

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/sheet"
	"tickover/services/floor/answer"
	"tickover/services/floor/api"
	"tickover/services/floor/export"
	"tickover/services/floor/locale"
	"tickover/services/floor/studies"
	"tickover/services/plot"
	"tickover/services/simulate"
)

// whatIfPage asks what a change would bring, and lists what was asked.
type whatIfPage struct {
	*Base
	Studies []studyRow
	Wrong   string // why the form makes no sense
	typed   url.Values
}

// studyRow is one line of the list.
type studyRow struct {
	studies.Study
	What []string // the changes in words
}

// Typed is what stood in a field.
func (p *whatIfPage) Typed(field, otherwise string) string {
	if p.typed != nil {
		return p.typed.Get(field)
	}
	return otherwise
}

// Things are what one more, or one less, of is asked for.
func (p *whatIfPage) Things() []queue.Resource {
	var out []queue.Resource
	for _, r := range p.Shop.Resources {
		if r.Kind != queue.Yard {
			out = append(out, r)
		}
	}
	return out
}

// Pads are those that lamps could light.
func (p *whatIfPage) Pads() []queue.Resource {
	var out []queue.Resource
	for _, r := range p.Shop.Resources {
		if r.Kind == queue.Pad {
			out = append(out, r)
		}
	}
	return out
}

func (p *Pages) whatIf(r *http.Request, b *Base) (string, any, error) {
	return "whatif", p.whatIfPage(b, "", nil), nil
}

func (p *Pages) whatIfPage(b *Base, wrong string, typed url.Values) *whatIfPage {
	b.Title, b.Section, b.Live = b.T("What would a change bring?"), "owner", true
	page := &whatIfPage{Base: b, Wrong: wrong, typed: typed}
	for _, s := range p.o.Studies.All() {
		page.Studies = append(page.Studies, b.studyRow(s))
	}
	return page
}

// changesShown bounds how many changes a line names.
const changesShown = 4

func (b *Base) studyRow(s studies.Study) studyRow {
	row := studyRow{Study: s}
	if s.Ranking {
		row.What = []string{b.T("one more of each thing and each kind of technician")}
		return row
	}
	for i, c := range s.Scenarios {
		if i == changesShown {
			row.What = append(row.What, "…")
			break
		}
		row.What = append(row.What, studies.Text(b.Language, s.Shop, c))
	}
	return row
}

var stateTexts = map[studies.State]string{
	studies.Waiting: locale.Mark("waits for its turn"), studies.Running: locale.Mark("runs"), studies.Done: locale.Mark("done"),
	studies.Stopped: locale.Mark("stopped"), studies.Failed: locale.Mark("failed"),
}

// StateText says how far a study is.
func (b *Base) StateText(s studies.State) string { return b.Word(stateTexts[s]) }

// askWhatIf takes the form: each field that is filled in is a change by itself,
// or all of them together.
func (p *Pages) askWhatIf(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.ready(w, r)
	if b == nil {
		return
	}
	s, err := p.asked(b, r.PostForm)
	if err != nil {
		b.Here = "/owner/whatif"
		p.render(w, http.StatusUnprocessableEntity, "whatif", p.whatIfPage(b, b.wrongQuestion(err), r.PostForm))
		return
	}
	http.Redirect(w, r, fmt.Sprintf("/owner/whatif/%d", s.ID), http.StatusSeeOther)
}

func (p *Pages) asked(b *Base, v url.Values) (studies.Study, error) {
	q := studies.Question{Weeks: api.StudyWeeks, Pairs: api.StudyPairs, Seed: 1, Start: b.Now}
	for field, to := range map[string]*int{"weeks": &q.Weeks, "pairs": &q.Pairs} {
		if s := strings.TrimSpace(v.Get(field)); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil {
				return studies.Study{}, noNumber(s)
			}
			*to = n
		}
	}
	if v.Get("what") == "ranking" {
		q.Ranking, q.Scenarios = true, studies.OneMore(b.Shop)
		return p.o.Studies.Ask(b.Shop, q)
	}
	changes, err := changesOf(v)
	if err != nil {
		return studies.Study{}, err
	}
	if len(changes) == 0 {
		return studies.Study{}, errNoChange
	}
	if v.Get("together") == "yes" {
		q.Scenarios = []simulate.Scenario{changes}
	} else {
		for _, c := range changes {
			q.Scenarios = append(q.Scenarios, simulate.Scenario{c})
		}
	}
	return p.o.Studies.Ask(b.Shop, q)
}

var errNoChange = &studies.WrongQuestion{What: locale.Say("choose at least one change")}

func noNumber(s string) error {
	return &studies.WrongQuestion{What: locale.Say("%q is no whole number", s)}
}

// changesOf reads the form's fields.
func changesOf(v url.Values) (simulate.Scenario, error) {
	var out simulate.Scenario
	field := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	for _, op := range []simulate.Op{simulate.Add, simulate.Without, simulate.Lit} {
		if id := field(string(op)); id != "" {
			out = append(out, simulate.Change{Op: op, ID: id})
		}
	}
	if who := field("till"); who != "" {
		h, m, ok := strings.Cut(field("till_at"), ":")
		hours, err := strconv.Atoi(h)
		minutes, err2 := strconv.Atoi(m)
		if !ok || errors.Join(err, err2) != nil || hours < 0 || hours > 23 || minutes < 0 || minutes > 59 {
			return nil, &studies.WrongQuestion{What: locale.Say("give the time of day until which somebody works, as 19:00")}
		}
		out = append(out, simulate.Change{Op: simulate.Till, ID: who, Till: queue.Minute(60*hours + minutes)})
	}
	for _, op := range []simulate.Op{simulate.Crates, simulate.More} {
		if s := field(string(op)); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil {
				return nil, noNumber(s)
			}
			out = append(out, simulate.Change{Op: op, N: n})
		}
	}
	return out, nil
}

// wrongQuestion says in the person's language why nothing was asked.
func (b *Base) wrongQuestion(err error) string {
	var wrong *simulate.WrongChange
	if errors.As(err, &wrong) {
		return b.Say(wrong.What)
	}
	var question *studies.WrongQuestion
	if errors.As(err, &question) {
		return b.Say(question.What)
	}
	if pr, known := answer.Of(api.StudyProblem(err)); known {
		return b.Word(pr.What)
	}
	return b.Word(err.Error())
}

// studyPage is one question and what became of it.
type studyPage struct {
	*Base
	S        studyRow
	Rows     []outcomeRow
	Figures  []figure
	Cautions []string
	Notes    []string
}

type outcomeRow struct {
	What  string
	Cells []cell
}

// cell is a difference with its interval.
type cell struct {
	Text  string
	Sure  bool // beyond chance
	Good  bool
	Label string // what it is
}

// figure is a picture for a desk and for a phone.
type figure struct{ Wide, Narrow template.HTML }

func (p *Pages) study(r *http.Request, b *Base) (string, any, error) {
	s, err := p.studyOf(r)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section, b.Live = b.T("What would a change bring?"), "owner", true
	page := &studyPage{Base: b, S: b.studyRow(s)}
	said := map[string]bool{}
	for _, c := range s.Scenarios {
		for _, x := range studies.Cautions(c) {
			if text := b.Say(x); !said[text] {
				said[text] = true
				page.Cautions = append(page.Cautions, text)
			}
		}
	}
	if s.Result != nil {
		page.outcome(&s)
	}
	return "whatif-study", page, nil
}

func (p *Pages) studyOf(r *http.Request) (studies.Study, error) {
	id, err := strconv.Atoi(r.PathValue("id"))
	if err != nil {
		return studies.Study{}, api.StudyProblem(studies.ErrUnknown)
	}
	s, ok := p.o.Studies.Get(id)
	if !ok {
		return s, api.StudyProblem(studies.ErrUnknown)
	}
	return s, nil
}

// narrowPicture is the width of a picture on a phone, px.
const narrowPicture = 330

func (page *studyPage) outcome(s *studies.Study) {
	b, r := page.Base, s.Result
	asItIs := outcomeRow{What: b.T("as it is")}
	for _, m := range studies.Measures() {
		x := m.Of(r.AsItIs)
		asItIs.Cells = append(asItIs.Cells, cell{Text: b.T("%s ± %s", b.Number(x.Mean, 1), b.Number(x.Half, 1)), Label: b.measureText(m)})
	}
	page.Rows = append(page.Rows, asItIs)
	for _, o := range r.Ranked() {
		row := outcomeRow{What: studies.Text(b.Language, s.Shop, o.Changes)}
		for _, m := range studies.Measures() {
			row.Cells = append(row.Cells, b.cell(m, m.Of(o.Diff)))
		}
		page.Rows = append(page.Rows, row)
	}
	for _, m := range []studies.Measure{studies.Full, studies.Kept} {
		page.Figures = append(page.Figures, b.pictures(studies.Figure(b.Language, s.Shop, r, m), string(m)))
	}
	page.Notes = r.Notes
}

// pictures draws a figure twice.
func (b *Base) pictures(f *plot.Figure, id string) figure {
	draw := func(width int, id string) template.HTML {
		g := *f
		g.Width = width
		var out strings.Builder
		_ = g.SVG(&out, plot.Page, id) // a builder takes everything
		return template.HTML(out.String())
	}
	return figure{draw(0, "w-"+id), draw(narrowPicture, "n-"+id)}
}

func (b *Base) cell(m studies.Measure, x simulate.Range) cell {
	c := cell{Sure: x.Sure(), Good: x.Mean > 0 != (m == studies.Stay), Label: b.measureText(m)}
	c.Text = b.T("%s ± %s", b.signed(x.Mean), b.Number(x.Half, 1))
	return c
}

// signed is a number with its sign; what rounds to nothing has none.
func (b *Base) signed(x float64) string {
	s := b.Number(x, 1)
	switch {
	case x >= 0.05:
		return "+" + s
	case x > -0.05:
		return b.Number(0, 1)
	}
	return s
}

func (b *Base) measureText(m studies.Measure) string {
	switch m {
	case studies.Units:
		return b.T("units a week, of what comes")
	case studies.Kept:
		return b.T("promises kept, percent")
	case studies.Stay:
		return b.T("hours in the shop")
	}
	return b.T("units a week at full load")
}

// Measures are the heads of the table's columns.
func (page *studyPage) Measures() []string {
	var out []string
	for _, m := range studies.Measures() {
		out = append(out, page.measureText(m))
	}
	return out
}

// rankingText is what the newest ranking says, for the owner's page.
func (p *Pages) rankingText(b *Base) (text string, id int) {
	s, ok := p.o.Studies.Ranking()
	if !ok || b.Then != nil {
		return "", 0
	}
	list := s.Result.Ranked()
	if len(list) == 0 {
		return "", 0
	}
	best := list[0]
	name := studies.Text(b.Language, s.Shop, best.Changes)
	d := best.Diff.Full
	if !d.Sure() || d.Mean <= 0 {
		return b.T("By simulation no single thing more would bring more units at full load, as far as can be told from chance."), s.ID
	}
	text = b.T("By simulation this would bring most: %s, %s ± %s units a week at full load.", name, b.signed(d.Mean), b.Number(d.Half, 1))
	if len(list) > 1 {
		next := list[1]
		text += " " + b.T("Next: %s, %s ± %s.", studies.Text(b.Language, s.Shop, next.Changes), b.signed(next.Diff.Full.Mean), b.Number(next.Diff.Full.Half, 1))
	}
	return text, s.ID
}

func (p *Pages) stopStudy(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	s, err := p.studyOf(r)
	if err == nil {
		err = p.o.Studies.Stop(s.ID)
	}
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	http.Redirect(w, r, fmt.Sprintf("/owner/whatif/%d", s.ID), http.StatusSeeOther)
}

// studyFile is the result as a table or a picture: table.csv, full.png, kept.svg.
func (p *Pages) studyFile(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	s, err := p.studyOf(r)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	name, ext, _ := strings.Cut(path.Base(r.PathValue("file")), ".")
	if s.Result == nil {
		p.fail(w, r, b, answer.Unknown("there is no result yet", "Wait until the simulation is done."))
		return
	}
	if name == "table" && ext == "csv" {
		export.Headers(w.Header(), fmt.Sprintf("tickover-whatif-%d", s.ID))
		if err := sheet.Write(w, studies.Table(b.Language, s.Shop, s.Result)); err != nil {
			p.log.Debug("table not sent", zap.Error(err))
		}
		return
	}
	for _, m := range studies.Measures() {
		if string(m) == name {
			p.picture(w, r, b, studies.Figure(b.Language, s.Shop, s.Result, m), ext)
			return
		}
	}
	p.fail(w, r, b, answer.Unknown("there is no such picture", "Go back and choose one there."))
}

// picture sends a figure as a file.
func (p *Pages) picture(w http.ResponseWriter, r *http.Request, b *Base, f *plot.Figure, ext string) {
	var err error
	w.Header().Set("Cache-Control", "no-store")
	switch ext {
	case "png":
		w.Header().Set("Content-Type", "image/png")
		err = f.PNG(w)
	case "svg":
		w.Header().Set("Content-Type", "image/svg+xml")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
		err = f.SVG(w, plot.File, "plot")
	case "csv":
		export.Headers(w.Header(), "tickover-picture")
		err = sheet.Write(w, f.Rows())
	default:
		p.fail(w, r, b, answer.Unknown("there is no such picture", "Go back and choose one there."))
		return
	}
	if err != nil {
		p.log.Debug("picture not sent", zap.Error(err))
	}
}
