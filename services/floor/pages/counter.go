package pages

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/job"
	"tickover/services/promise"
)

// Contacts keeps people outside the log.
type Contacts interface {
	Get(queue.ContactID) (contacts.Person, bool)
	Find(query string) []contacts.Person
	Save(context.Context, contacts.Person) (contacts.Person, error)
	Erase(context.Context, queue.ContactID) error
}

// CallerRow is a unit as the counter speaks of it.
type CallerRow struct {
	Unit     *queue.Unit
	Person   *contacts.Person
	Forecast *dispatch.UnitForecast
	State    RowState
	Says     string // what to tell the caller
	Done     int
	Cal      *CalibrationAnswer
	Promise  *promise.Promise // nil: none can be given
}

// CalibrationAnswer is which calibration exists for a machine.
type CalibrationAnswer struct {
	Machine queue.Machine
	Current *queue.Calibration // nil: none, for the reason below
	Why     *answer.Problem    // in the person's language
	// LastID, LastRevision and LastAt are the last flash here; zero: none.
	LastID       queue.CalibrationID
	LastRevision int
	LastAt       time.Time
	// Unsure is why it is not known what the controller holds, since UnsureAt.
	Unsure   queue.Unsure
	UnsureAt time.Time
	// Newer: the current one is not what was flashed last.
	Newer bool
	// Others are listed for other fitments.
	Others []queue.Calibration
}

type counterPage struct {
	*Base
	Query                         string
	Rows                          []CallerRow
	More                          int
	Found                         []contacts.Person
	NoPeople                      bool // the shop keeps none
	Machine                       queue.Machine
	Year                          string
	Asked                         bool
	Answer                        *CalibrationAnswer
	Makes, Models, Families, Fits []string
}

const callerRowsMax = 30

// counter answers callers: which unit, when is it ready, which calibration.
func (p *Pages) counter(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Live = b.T("Counter"), "counter", true
	q := r.URL.Query()
	page := counterPage{Base: b, Query: strings.TrimSpace(q.Get("q")), NoPeople: p.o.Contacts == nil}
	if len(page.Query) > 80 {
		page.Query = strings.ToValidUTF8(page.Query[:80], "")
	}
	if page.Query != "" {
		var units []*queue.Unit
		for _, u := range b.State.Units {
			if job.Matches(u, page.Query) {
				units = append(units, u)
			}
		}
		slices.SortFunc(units, func(x, y *queue.Unit) int { return strings.Compare(string(x.ID), string(y.ID)) })
		if p.o.Contacts != nil {
			page.Found = p.o.Contacts.Find(page.Query)
			units = append(units, ofPeople(b.State, page.Found, units)...)
		}
		slices.SortStableFunc(units, func(x, y *queue.Unit) int {
			switch {
			case newer(x, y):
				return -1
			case newer(y, x):
				return 1
			}
			return 0
		})
		page.More = max(0, len(units)-callerRowsMax)
		shown := units[:min(len(units), callerRowsMax)]
		var promises map[queue.UnitID]promise.Promise
		if slices.ContainsFunc(shown, func(u *queue.Unit) bool { return u.Status == queue.InShop }) {
			promises = p.promisesOf(r.Context(), b)
		}
		for _, u := range shown {
			row := p.callerRow(b, u)
			if x, ok := promises[u.ID]; ok && row.Done < len(u.Steps) && !u.Held {
				row.Promise = &x
			}
			page.Rows = append(page.Rows, row)
		}
	}
	if err := page.ask(q); err != nil {
		return "", nil, err
	}
	page.suggestFrom(b)
	return "counter", page, nil
}

// promiseThreads walk the paths; the planner has the rest of the machine.
const promiseThreads = 2

// promisesOf are by when units will be ready and how surely; nil when that
// can't be said now.
func (p *Pages) promisesOf(ctx context.Context, b *Base) map[queue.UnitID]promise.Promise {
	ctx, cancel := context.WithTimeout(ctx, doTimeout)
	defer cancel()
	all, err := p.promises.All(ctx, promise.Input{
		State: b.State, Almanac: p.o.Ledger.Almanac(), Plan: b.Plan, Now: b.Now, Threads: promiseThreads, Lengths: p.o.Lengths.Lengths(), Past: p.o.Learner.Correction(),
	})
	if err != nil {
		p.log.Warn("no promises", zap.Error(err))
		return nil
	}
	return all
}

// KeptSays says how surely a unit is ready by its promise, in words that the
// counter can say on the telephone.
func (b *Base) KeptSays(p *promise.Promise) string {
	among := b.T("(%s to %s)", b.Percent(p.KeptLow, 0), b.Percent(p.KeptHigh, 0))
	switch {
	case p.Kept >= .95:
		return b.T("Nearly sure to be ready by its promise: %s %s.", b.Percent(p.Kept, 0), among)
	case p.Kept >= .8:
		return b.T("Very likely ready by its promise: %s %s.", b.Percent(p.Kept, 0), among)
	case p.Kept >= .5:
		return b.T("More likely than not ready by its promise: %s %s. Don’t promise it anew.", b.Percent(p.Kept, 0), among)
	case p.Kept >= .2:
		return b.T("Rather not ready by its promise: %s %s. Offer the later time.", b.Percent(p.Kept, 0), among)
	}
	return b.T("Hardly ready by its promise: %s %s. Offer the later time.", b.Percent(p.Kept, 0), among)
}

// ask reads the question about a machine, if there is one.
func (page *counterPage) ask(q url.Values) error {
	page.Machine = queue.Machine{
		Make: strings.TrimSpace(q.Get("make")), Model: strings.TrimSpace(q.Get("model")),
		Family: queue.Family(strings.TrimSpace(q.Get("family"))), Fitment: queue.Fitment(strings.TrimSpace(q.Get("fitment"))),
		Variant: queue.Variant(q.Get("variant")),
	}
	page.Year = strings.TrimSpace(q.Get("year"))
	if page.Machine.Make == "" && page.Machine.Model == "" && page.Year == "" {
		return nil
	}
	year, err := strconv.Atoi(page.Year)
	if err != nil || year < 1900 || year > 2200 {
		return answer.Malformed("year", page.Year, page.T("%q is no model year", page.Year), page.T("Write it with four digits."))
	}
	page.Machine.Year = year
	if page.Machine.Fitment == "" {
		page.Machine.Fitment = "standard"
	}
	if page.Machine.Family == "" { // a caller does not know it
		page.Machine.Family = page.onlyFamily(&page.Machine)
	}
	page.Asked, page.Answer = true, page.calibration(page.Machine)
	return nil
}

// onlyFamily is the controller family of the model in that year if only one is
// listed.
func (b *Base) onlyFamily(m *queue.Machine) queue.Family {
	if found := b.State.Catalogue().Families(m, ""); len(found) == 1 {
		return queue.Family(found[0])
	}
	return ""
}

// calibration looks a machine up.
func (b *Base) calibration(m queue.Machine) *CalibrationAnswer {
	a := &CalibrationAnswer{Machine: m}
	c, refused := b.State.CalibrationFor(&m, b.Now)
	a.Current = c
	if refused != nil {
		a.Current, a.Why = nil, answer.Refused(refused).In(b.Locale)
	}
	for _, o := range b.State.Catalogue().Of(m.Make, m.Model) {
		if o.YearFrom <= m.Year && m.Year <= o.YearTo &&
			o.Family == m.Family && (o.Fitment != m.Fitment || o.Variant != m.Variant) && !o.NoneNeeded {
			j := slices.IndexFunc(a.Others, func(x queue.Calibration) bool { return x.Fitment == o.Fitment && x.Variant == o.Variant })
			switch {
			case j < 0:
				a.Others = append(a.Others, o)
			case a.Others[j].Revision < o.Revision:
				a.Others[j] = o
			}
		}
	}
	return a
}

// lastFlash takes over what was flashed last on a machine, in any of its
// visits.
func (a *CalibrationAnswer) lastFlash(m *queue.MachineRecord) {
	if m.Flashed != nil {
		a.LastID, a.LastRevision, a.LastAt = m.Flashed.ID, m.Flashed.Revision, m.FlashedAt
	}
	if m.Unsure != 0 {
		a.Unsure, a.UnsureAt = m.Unsure, m.FlashedAt
	}
	a.Newer = a.Current != nil && m.Flashed != nil && *m.Flashed != a.Current.Ref()
}

func (p *Pages) callerRow(b *Base, u *queue.Unit) CallerRow {
	r := CallerRow{Unit: u, Done: b.Progress(u), State: Unknown}
	if p.o.Contacts != nil && u.Contact != "" {
		if who, ok := p.o.Contacts.Get(u.Contact); ok {
			r.Person = &who
		}
	}
	r.Cal = b.calibration(u.Machine)
	record := b.State.Machine(u)
	r.Cal.lastFlash(&record)
	if u.Status != queue.InShop {
		r.Says = b.T("It has left: %s.", b.When(u.Left))
		if u.Status == queue.InShowroom {
			r.Says = b.T("It has stood in the showroom since %s.", b.When(u.Left))
		}
		return r
	}
	var f dispatch.UnitForecast
	planned := false
	if b.Plan != nil {
		if i := slices.IndexFunc(b.Plan.Units, func(f dispatch.UnitForecast) bool { return f.Unit == u.ID }); i >= 0 {
			f, planned = b.Plan.Units[i], true
			r.Forecast = &b.Plan.Units[i]
		}
	}
	r.State = row(b, u, f, planned).State
	r.Says = b.callerSentence(u, r, planned)
	return r
}

// callerSentence is what the counter can say without promising too much.
func (b *Base) callerSentence(u *queue.Unit, r CallerRow, planned bool) string {
	switch {
	case r.Done == len(u.Steps):
		return b.T("It is ready to be fetched.")
	case u.Held:
		return b.T("It is held back by the foreman, so there is no time for it yet. Ask the foreman before you promise anything.")
	case !planned || r.Forecast.Ready.IsZero():
		return b.T("No plan reaches its end yet. It was promised for %s; ask the foreman before you say so again.", b.When(u.Promise))
	case r.Forecast.LateMin > 0:
		return b.T("By the plan it is ready %s. That is after the promise of %s: say so now, and offer to call back.", b.When(r.Forecast.Ready), b.When(u.Promise))
	case r.State == AtRisk:
		return b.T("By the plan it is ready %s, shortly before the promise of %s. Say the promise, not the plan.", b.When(r.Forecast.Ready), b.When(u.Promise))
	}
	return b.T("By the plan it is ready %s; it was promised for %s.", b.When(r.Forecast.Ready), b.When(u.Promise))
}

// ofPeople are the units of people that are not among those found already.
func ofPeople(st *queue.State, people []contacts.Person, found []*queue.Unit) []*queue.Unit {
	if len(people) == 0 {
		return nil
	}
	whose := make(map[queue.ContactID]bool, len(people))
	for _, p := range people {
		whose[p.ID] = true
	}
	var out []*queue.Unit
	for _, u := range st.Units {
		if u.Contact != "" && whose[u.Contact] && !slices.Contains(found, u) {
			out = append(out, u)
		}
	}
	slices.SortFunc(out, func(x, y *queue.Unit) int { return strings.Compare(string(x.ID), string(y.ID)) })
	return out
}

func (page *counterPage) suggestFrom(b *Base) {
	s := checkInPage{Base: b}
	s.suggest()
	page.Makes, page.Models, page.Families, page.Fits = s.Makes, s.Models, s.Families, s.Fitments
}
