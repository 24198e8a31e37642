package pages

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/catalogue"
	"tickover/services/floor/api"
	"tickover/services/floor/export"
)

// Bounds of the catalogue's page.
const (
	modelsShown = 40
	againMax    = 256 << 10 // bytes of a checked file that the page carries on
	newShown    = 40
)

type calibrationsPage struct {
	*Base
	Query     string
	Models    []modelRow
	More      int // models that are not shown
	Total     int
	Withdrawn []withdrawnRow
	Columns   []string
	Makes     []string
	upload
	Result *catalogue.Report // of a file that was sent
}

// modelRow is a model with its calibrations.
type modelRow struct {
	Make, Model    string
	Current, Older []calibrationRow
}

type calibrationRow struct {
	queue.Calibration
	From     bool             // it is released later than today
	Campaign queue.CampaignID // that it opened; empty: none
}

// Released writes a date of release by the reader's calendar.
func (b *Base) Released(date string) string {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return date
	}
	return b.Date(day, "2 Jan 2006")
}

type withdrawnRow struct {
	queue.CalibrationRef
	Reason string
}

// Years is the model years in words.
func (r calibrationRow) Years() string { return years(r.YearFrom, r.YearTo) }

func years(from, to int) string {
	if from == to {
		return strconv.Itoa(from)
	}
	return fmt.Sprintf("%d–%d", from, to)
}

func (p *Pages) calibrations(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Calibrations"), "calibrations"
	page := calibrationsPage{Base: b, Query: strings.TrimSpace(r.URL.Query().Get("q")), Columns: intake.CalibrationColumns()}
	page.upload = uploadOf(r)
	page.Result = page.Entries
	page.list()
	for ref, why := range b.State.Withdrawn {
		page.Withdrawn = append(page.Withdrawn, withdrawnRow{ref, why})
	}
	slices.SortFunc(page.Withdrawn, func(x, y withdrawnRow) int {
		return cmp.Or(cmp.Compare(x.ID, y.ID), cmp.Compare(x.Revision, y.Revision))
	})
	return "calibrations", page, nil
}

// list groups the catalogue by model, current entries apart from older ones.
func (page *calibrationsPage) list() {
	cat, day := page.State.Catalogue(), page.Now.Format(time.DateOnly)
	words := strings.Fields(strings.ToLower(page.Query))
	for _, c := range cat.All() {
		page.Total++
		if !slices.Contains(page.Makes, c.Make) {
			page.Makes = append(page.Makes, c.Make)
		}
		text := strings.ToLower(strings.Join([]string{c.Make, c.Model, string(c.ID), string(c.Family), string(c.Fitment), string(c.Variant)}, " "))
		if slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(text, w) }) {
			continue
		}
		n := len(page.Models)
		if n == 0 || !strings.EqualFold(page.Models[n-1].Make, c.Make) || !strings.EqualFold(page.Models[n-1].Model, c.Model) {
			if n == modelsShown {
				page.More++
				continue
			}
			page.Models = append(page.Models, modelRow{Make: c.Make, Model: c.Model})
			n++
		}
		m, row := &page.Models[n-1], calibrationRow{Calibration: c, From: c.Released > day}
		if id := queue.CampaignFor(c.Ref()); page.State.Campaigns[id] != nil {
			row.Campaign = id
		}
		if row.From || cat.InForce(&c, day) {
			m.Current = append(m.Current, row)
		} else {
			m.Older = append(m.Older, row)
		}
	}
	for i := range page.Models {
		slices.SortStableFunc(page.Models[i].Older, func(x, y calibrationRow) int { return cmp.Compare(y.Released, x.Released) })
	}
}

// NewShown are the first entries that a file adds.
func (page calibrationsPage) NewShown() []queue.Calibration {
	return page.Result.New[:min(len(page.Result.New), newShown)]
}

// NewMore is how many are not shown.
func (page calibrationsPage) NewMore() int { return max(0, len(page.Result.New)-newShown) }

// takeCalibrations lists what a file has.
func (p *Pages) takeCalibrations(r *http.Request, b *Base, file io.Reader, u *upload) error {
	text, err := io.ReadAll(file)
	if err != nil {
		return err
	}
	rep, err := catalogue.CSV(r.Context(), p.o.Ledger, bytes.NewReader(text), catalogue.Options{Actor: b.Me, Now: p.o.Now(), CheckOnly: u.Checked})
	if err != nil {
		return api.CatalogueProblem(rep, err)
	}
	u.Entries = &rep
	if u.Checked && len(text) <= againMax && len(rep.New) > 0 {
		u.Text = string(text)
	}
	return nil
}

// exportCalibrations is the catalogue as a file that can be imported.
func (p *Pages) exportCalibrations(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	export.Headers(w.Header(), "calibrations")
	if err := intake.WriteCalibrations(w, b.State.Catalogue().All()); err != nil {
		p.log.Debug("catalogue not sent", zap.Error(err))
	}
}

// listCalibration reads the form for one entry.
func listCalibration(in *input) (queue.Action, string) {
	c := queue.Calibration{
		ID: queue.CalibrationID(in.text("id")), Revision: in.number("revision", in.b.T("the revision")), Make: in.text("make"), Model: in.text("model"),
		YearFrom: in.number("year_from", in.b.T("the first model year")), Family: queue.Family(in.text("family")),
		Fitment: queue.Fitment(cmp.Or(in.text("fitment"), "standard")), Variant: queue.Variant(in.text("variant")), Released: in.text("released"),
		Supersedes: queue.CalibrationID(in.text("supersedes")), Mandatory: in.Get("mandatory") == "yes", NoneNeeded: in.Get("none_needed") == "yes",
		ForCaller: strings.ReplaceAll(in.text("for_caller"), "\r\n", "\n"),
	}
	c.YearTo = c.YearFrom
	if in.text("year_to") != "" {
		c.YearTo = in.number("year_to", in.b.T("the last model year"))
	}
	if c.Mandatory && c.NoneNeeded {
		in.wrong("mandatory", in.b.T("none is needed and it is mandatory: that can't be both"), in.b.T("Take one of them out."))
	}
	return &queue.ListCalibrations{Calibrations: []queue.Calibration{c}}, in.b.T("%s revision %d is listed.", c.ID, c.Revision)
}

func withdrawCalibration(in *input) (queue.Action, string) {
	ref := queue.CalibrationRef{ID: queue.CalibrationID(in.text("id")), Revision: in.number("revision", in.b.T("the revision"))}
	return &queue.WithdrawCalibration{Ref: ref, Reason: in.text("reason")}, in.b.T("%s revision %d is withdrawn.", ref.ID, ref.Revision)
}

// Typed is what was typed into a form that was refused; key is its hidden
// field "key", which tells several forms of one page apart.
func (b *Base) Typed(action, key, field, otherwise string) string {
	if b.Again(action, key) {
		return b.Tried.Values.Get(field)
	}
	return otherwise
}

// Again reports that this form was refused.
func (b *Base) Again(action, key string) bool {
	return b.Tried != nil && b.Tried.Action == action && b.Tried.Values.Get("key") == key
}

// calibrationIcon marks an entry, beside its word.
func calibrationIcon(c queue.Calibration) string {
	switch {
	case c.NoneNeeded:
		return "check"
	case c.Mandatory:
		return "flag"
	}
	return "flash"
}
