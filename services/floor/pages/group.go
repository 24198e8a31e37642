package pages

import (
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/ident"
	"tickover/queue/view"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/job"
	"tickover/services/group"
)

// groupPage is the sites of a deployment that somebody may see, a row each, and
// the units that he looks for in them.
type groupPage struct {
	*Base
	Query string
	Sites []siteRow
	Sum   siteCount
	Found []foundUnit
	More  int // found and not shown
	// Unknown are the sites whose units can't be told now.
	Unknown []string
	Away    bool // the shared views can't be asked
	NoViews bool // there are none
}

// siteCount is what is counted of a site's open units.
type siteCount struct {
	Open, Late, AtRisk, Running, Flashes, Relearns int
	Problems, Untouched, Held                      int
	Beyond                                         int // no plan speaks of them
}

func (c *siteCount) add(o *siteCount) {
	c.Open, c.Late, c.AtRisk = c.Open+o.Open, c.Late+o.Late, c.AtRisk+o.AtRisk
	c.Running, c.Flashes, c.Relearns = c.Running+o.Running, c.Flashes+o.Flashes, c.Relearns+o.Relearns
	c.Problems, c.Untouched, c.Held, c.Beyond = c.Problems+o.Problems, c.Untouched+o.Untouched, c.Held+o.Held, c.Beyond+o.Beyond
}

// Others are the units on which something else runs than a flash or a relearn.
func (c siteCount) Others() int { return c.Running - c.Flashes - c.Relearns }

// Stuck reports that something waits for somebody's decision.
func (c siteCount) Stuck() bool { return c.Problems+c.Untouched+c.Held+c.Beyond > 0 }

// siteRow is a site in one line.
type siteRow struct {
	group.Site
	siteCount
	Name    string
	To      string    // its address; empty: ours
	Now     time.Time // there
	Next    time.Time // the soonest promise that is still to be kept
	Busy    []busyUnit
	Planned planChip
	// forecast is the plan's, by unit.
	forecast map[queue.UnitID]dispatch.UnitForecast
}

// Known reports that the site's units can be told.
func (s *siteRow) Known() bool { return s.ViewErr == nil }

// Lost reports that the site has no view although the views can be asked.
func (s *siteRow) Lost() bool { return errors.Is(s.ViewErr, view.ErrMissing) }

// UnitTo is the address of a unit's page there.
func (s *siteRow) UnitTo(u queue.UnitID) string { return s.To + "/units/" + url.PathEscape(string(u)) }

// busyUnit is a unit that is flashed, or whose engine runs for a relearn.
type busyUnit struct {
	Unit        queue.UnitID
	Kind        queue.OperationKind
	Since, Link string
}

// planChip says whether the site is planned: ok, warn or bad, and why.
type planChip struct{ State, Says string }

// foundUnit is a unit that was looked for.
type foundUnit struct {
	view.Row
	Site           *siteRow
	State          RowState
	Promised, Runs string
	exact          bool // it is called what was typed
}

// Machine is the unit's.
func (f *foundUnit) Machine() queue.Machine { return machineOf(&f.Row) }

func machineOf(r *view.Row) queue.Machine {
	return queue.Machine{Frame: r.Frame, Plate: r.Plate, Make: r.Make, Model: r.Model, Year: r.Year}
}

// groupFoundMax bounds what a search shows.
const groupFoundMax = 60

func (p *Pages) group(r *http.Request, b *Base) (string, any, error) {
	if p.o.Group == nil {
		return "", nil, answer.Unknown("there are no other sites: this shop stands alone", "Begin at the start page.")
	}
	b.Title, b.Section, b.Live = b.T("Sites"), "group", true
	page := &groupPage{Base: b, Query: strings.TrimSpace(r.URL.Query().Get("q"))}
	if len(page.Query) > 80 {
		page.Query = strings.ToValidUTF8(page.Query[:80], "")
	}
	if b.Then != nil { // nobody keeps the views and plans of that time
		return "group", page, nil
	}
	sites, err := p.o.Group.Look(r.Context(), b.Who)
	if err != nil {
		p.log.Warn("which sites somebody may see is not known", zap.Error(err))
		return "", nil, answer.New(http.StatusServiceUnavailable, answer.CodeStorage, "it can't be found out now which sites you may see", "Load the page again in a moment. The board of this site goes on.")
	}
	for i := range sites {
		page.Sites = append(page.Sites, b.siteRow(r, &sites[i]))
	}
	for i := range page.Sites {
		page.take(&page.Sites[i])
	}
	page.sort()
	return "group", page, nil
}

// take adds a site to the sum, and what is looked for of its units.
func (p *groupPage) take(s *siteRow) {
	p.Sum.add(&s.siteCount)
	p.Away = p.Away || errors.Is(s.ViewErr, view.ErrAway)
	p.NoViews = p.NoViews || errors.Is(s.ViewErr, group.ErrNoViews)
	if !s.Known() {
		p.Unknown = append(p.Unknown, s.Name)
	}
	if p.Query == "" {
		return
	}
	typed := queue.MachineKey(ident.Key(p.Query))
	for _, u := range s.Rows {
		m := machineOf(&u)
		key := queue.MachineKey(ident.Key(m.Frame))
		if !job.Means(p.Query, u.Unit, key, &m) {
			continue
		}
		f := foundUnit{Row: u, Site: s, State: s.state(&u), Promised: p.Locale.When(u.Promise, s.Now)}
		f.exact = strings.EqualFold(string(u.Unit), p.Query) || isMachine(p.Query, typed, key, m.Plate)
		if u.Running != "" && !u.Since.IsZero() {
			f.Runs = p.Locale.When(u.Since, s.Now)
		}
		p.Found = append(p.Found, f)
	}
}

// sort puts first what is called exactly what was typed.
func (p *groupPage) sort() {
	slices.SortStableFunc(p.Found, func(x, y foundUnit) int {
		return cmp.Or(cmp.Compare(one(y.exact), one(x.exact)), x.Row.Promise.Compare(y.Row.Promise))
	})
	if n := len(p.Found) - groupFoundMax; n > 0 {
		p.Found, p.More = p.Found[:groupFoundMax], n
	}
}

// Total is how many were found.
func (p *groupPage) Total() int { return len(p.Found) + p.More }

// UnknownText lists the sites whose units can't be told.
func (p *groupPage) UnknownText() string { return strings.Join(p.Unknown, ", ") }

// WhenThere is a time on the clocks of a site.
func (b *Base) WhenThere(s siteRow, t time.Time) string { return b.Locale.When(t, s.Now) }

// Adds reports that there are figures of several sites to be added up.
func (p *groupPage) Adds() bool { return len(p.Sites) > 1 && len(p.Unknown) < len(p.Sites) }

// Alone reports that there is no other site that who looks may see.
func (p *groupPage) Alone() bool { return len(p.Sites) == 1 }

// siteRow counts a site's units.
func (b *Base) siteRow(r *http.Request, s *group.Site) siteRow {
	row := siteRow{Site: *s, Name: cmp.Or(s.Head.Name, words(string(s.ID))), Now: b.Now, forecast: forecasts(s.Plan)}
	if s.Home {
		row.Name = b.Shop.Name
	} else {
		row.To = siteAddress(r, s.ID)
	}
	if loc, err := time.LoadLocation(s.Head.Zone); err == nil && s.Head.Zone != "" {
		row.Now = b.Now.In(loc)
	}
	for i := range s.Rows {
		u := &s.Rows[i]
		row.count(u)
		if u.Kind == queue.Flash || u.Kind == queue.Relearn {
			row.Busy = append(row.Busy, busyUnit{u.Unit, u.Kind, b.Locale.When(u.Since, row.Now), row.UnitTo(u.Unit)})
		}
	}
	row.Planned = b.planChip(&row)
	return row
}

// siteAddress is where another site's pages are: each has its name in front of
// the deployment's.
func siteAddress(r *http.Request, site queue.SiteID) string {
	_, rest, _ := strings.Cut(r.Host, ".")
	return "//" + string(site) + "." + rest
}

// state is how a unit stands, by the plan if it speaks of it.
func (s *siteRow) state(u *view.Row) RowState {
	f, planned := s.forecast[u.Unit]
	state := stateOf(u.Held, done(u), u.Promise, f, planned, s.Now)
	if state != HeldRow && !done(u) && u.Promise.Before(s.Now) {
		return Late // a plan may be older
	}
	return state
}

func done(u *view.Row) bool { return u.Settled == u.Steps }

// count adds a unit.
func (s *siteRow) count(u *view.Row) {
	state := s.state(u)
	_, planned := s.forecast[u.Unit]
	if !done(u) && !u.Held && !u.Promise.Before(s.Now) && s.Next.IsZero() {
		s.Next = u.Promise // they come by promise
	}
	s.add(&siteCount{
		Open: 1, Late: one(state == Late), AtRisk: one(state == AtRisk), Held: one(state == HeldRow),
		Running: one(u.Running != ""), Flashes: one(u.Kind == queue.Flash), Relearns: one(u.Kind == queue.Relearn),
		Problems:  one(u.Problem),
		Untouched: one(!done(u) && !u.Touched.IsZero() && idle(u.Touched, s.Now, untouchedDays)),
		Beyond:    one(!done(u) && !u.Held && !planned && s.PlanErr == nil),
	})
}

func one(is bool) int {
	if is {
		return 1
	}
	return 0
}

// planChip says whether dispatcher and plan of a site are current.
func (b *Base) planChip(s *siteRow) planChip {
	made := ""
	if s.Plan != nil {
		made = b.Locale.When(s.Plan.Made, s.Now)
	}
	switch {
	case s.PlanErr != nil:
		return planChip{"warn", b.T("not known: the plan can’t be asked for now")}
	case s.Holder == "":
		return planChip{"bad", b.T("no dispatcher works for this site: nothing is planned or offered")}
	case made == "":
		return planChip{"warn", b.T("there is a dispatcher, and no plan yet")}
	case s.Inherited():
		return planChip{"warn", b.T("made %s by the dispatcher before: the one that works now has not planned yet", made)}
	case s.PlanBehind > 0:
		return planChip{"warn", b.N("made %[2]s, and lacks the last %[1]d entry of the log", "made %[2]s, and lacks the last %[1]d entries of the log", s.PlanBehind, s.PlanBehind, made)}
	case s.Beyond > 0:
		return planChip{"warn", b.N("made %[2]s, without %[1]d unit", "made %[2]s, without %[1]d units", s.Beyond, s.Beyond, made)}
	}
	return planChip{"ok", b.T("made %s", made)}
}
