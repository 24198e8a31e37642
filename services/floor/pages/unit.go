package pages

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/ident"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/floor/answer"
	"tickover/services/floor/live"
	"tickover/services/floor/record"
)

type unitPage struct {
	*Base
	Unit     *queue.Unit
	Cards    []Card
	Frame    ident.Number
	Forecast *dispatch.UnitForecast
	Story    []Told
	Route    string
	Done     int
	Missing  []string // steps that stand between the unit and its leaving
	NoCal    *queue.Refusal
	Cal      *queue.Calibration
	Person   *contacts.Person
	LetPass  []letPass
	Called   []unitCampaign // that it is open in
	Last     string         // what was flashed here last
	// KeepsPeople: beside the log.
	KeepsPeople bool
	Latest      bool // the machine has not been checked in again since
}

// Told is one event in words.
type Told struct {
	At       time.Time
	Received time.Time
	Suspect  bool
	Who      string
	What     string
	Details  []string
	Photos   []string // hashes
	Override bool
	Hash     queue.Hash
	N        uint64
}

func (p *Pages) unit(r *http.Request, b *Base) (string, any, error) {
	u := b.State.Units[queue.UnitID(r.PathValue("id"))]
	if u == nil {
		return "", nil, answer.Unknown(b.T("there is no unit %q", r.PathValue("id")), "Check the ticket's number.")
	}
	b.Title, b.Section, b.Live = string(u.ID), "units", true
	b.alertsOf(func(a live.Alert) bool { return a.Unit == u.ID })
	page := unitPage{Base: b, Unit: u, Frame: ident.Classify(u.Machine.Frame), Done: b.Progress(u), Route: string(u.Route)}
	if rt := b.Shop.Route(u.Route); rt != nil {
		page.Route = rt.Name
	}
	if p.o.Contacts != nil && b.May("GET /people/{id}") && u.Contact != "" {
		if who, ok := p.o.Contacts.Get(u.Contact); ok {
			page.Person = &who
		}
	}
	for i := range u.Steps {
		if s := b.Book.Of(u.ID, u.Steps[i].ID); s != nil {
			page.Cards = append(page.Cards, b.card(*s))
			if s.Op.Kind == queue.Flash {
				page.Cal, page.NoCal = b.State.CalibrationFor(&u.Machine, b.Now)
			}
		}
		if !u.Steps[i].Settled() {
			page.Missing = append(page.Missing, b.StepName(u.ID, u.Steps[i].ID))
		}
	}
	page.KeepsPeople = p.o.Contacts != nil
	m := b.State.Machine(u)
	page.Called, page.Last, page.Latest = b.campaignsOf(u), b.LastFlash(m), m.Latest().ID == u.ID
	if b.Plan != nil {
		if i := slices.IndexFunc(b.Plan.Units, func(f dispatch.UnitForecast) bool { return f.Unit == u.ID }); i >= 0 {
			page.Forecast = &b.Plan.Units[i]
		}
	}
	err := p.o.History.Events(r.Context(), u, func(e *queue.Event) error {
		page.Story = append(page.Story, tell(b, u, e))
		for _, l := range record.LetPassOf(u, e) {
			page.LetPass = append(page.LetPass, b.letPass([]*queue.Unit{u}, l))
		}
		return nil
	})
	slices.Reverse(page.Story)
	return "unit", page, err
}

// TriedHere is the refused form if it was one of the unit itself.
func (p unitPage) UnitValue(action, field, otherwise string) string {
	if p.Tried.Is(action, p.Unit.ID, "") {
		return p.Tried.Values.Get(field)
	}
	return otherwise
}

type stepPage struct {
	*Base
	Card Card
}

// stepPage is one step alone, for a link from the board.
func (p *Pages) stepPage(r *http.Request, b *Base) (string, any, error) {
	s := b.Book.Of(queue.UnitID(r.PathValue("id")), queue.StepID(r.PathValue("step")))
	if s == nil {
		return "", nil, answer.Unknown("there is no such step", "Look at the unit's page for its steps.")
	}
	b.Title, b.Section, b.Live = string(s.Unit.ID)+" "+string(s.Step.ID), "units", true
	b.alertsOf(func(a live.Alert) bool { return a.Unit == s.Unit.ID })
	c := b.card(*s)
	c.Big = true
	return "step", stepPage{b, c}, nil
}

type checkInPage struct {
	*Base
	Values      url.Values
	Number      *ident.Number
	Makes       []string
	Models      []string
	Families    []string
	Fitments    []string
	Person      *contacts.Person  // who was chosen
	KeepsPeople bool              // beside the log
	Called      []*queue.Campaign // that the machine is open in
	Already     *queue.Unit       // its visit that has not ended; nil: none
	Known       *queue.Unit       // its latest visit; nil: it was never here
}

func (p *Pages) checkIn(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Check-in"), "check-in"
	page := checkInPage{Base: b, Values: url.Values{}}
	switch {
	case b.Tried != nil && b.Tried.Action == "receive":
		page.Values = b.Tried.Values
	default:
		page.Values.Set("command_id", b.NewID())
		page.Values.Set("unit", b.nextTicket())
		page.Values.Set("weight", "5")
		page.Values.Set("promise", b.Local(p.promise(b)))
		for _, f := range []string{"frame", "make", "model", "year", "route", "family", "fitment", "variant", "plate", "ownership"} {
			page.Values.Set(f, r.URL.Query().Get(f))
		}
		if contact := r.URL.Query().Get("contact"); contact != "" {
			page.Values.Set("contact", contact)
		}
		if page.Known = b.lastVisit(page.V("frame")); page.Known != nil {
			for f, v := range visitValues(page.Known, "") {
				if page.V(f) == "" {
					page.Values.Set(f, v)
				}
			}
		}
	}
	if page.KeepsPeople = p.o.Contacts != nil; page.KeepsPeople {
		if who, ok := p.o.Contacts.Get(queue.ContactID(page.Values.Get("contact"))); ok {
			page.Person = &who
		}
	}
	if f := page.Values.Get("frame"); f != "" {
		n := ident.Classify(f)
		page.Number = &n
	}
	year, _ := strconv.Atoi(page.V("year"))
	page.Called = b.calledBack(queue.Machine{
		Frame: page.V("frame"), Make: page.V("make"), Model: page.V("model"), Year: year, Family: queue.Family(page.V("family")),
		Fitment: queue.Fitment(cmp.Or(page.V("fitment"), "standard")), Variant: queue.Variant(page.V("variant")),
	})
	page.Already = b.State.HereByFrame(page.V("frame"))
	page.suggest()
	return "check-in", page, nil
}

// lastVisit is the latest visit of a machine, by its frame number; nil: it was
// never here.
func (b *Base) lastVisit(frame string) *queue.Unit {
	m, ok := b.State.MachineByKey(queue.MachineKey(frame))
	if !ok {
		return nil
	}
	return m.Latest()
}

// V is what stands in a field.
func (p checkInPage) V(field string) string { return p.Values.Get(field) }

// Chosen reports whether an option of a route is ticked.
func (p checkInPage) Chosen(route queue.RouteID, step queue.StepID) bool {
	return slices.Contains(p.Values["option"], string(route)+"/"+string(step))
}

// suggestedMax bounds a list that a field suggests.
const suggestedMax = 500

// suggest offers the makes, models, families and fitments that the shop knows.
func (p *checkInPage) suggest() {
	type one struct {
		to *[]string
		s  string
	}
	has := map[one]bool{}
	add := func(to *[]string, s string) {
		if s != "" && len(*to) < suggestedMax && !has[one{to, s}] {
			has[one{to, s}] = true
			*to = append(*to, s)
		}
	}
	for _, c := range p.State.Catalogue().All() {
		add(&p.Makes, c.Make)
		add(&p.Models, c.Model)
		add(&p.Families, string(c.Family))
		add(&p.Fitments, string(c.Fitment))
	}
	for _, u := range p.State.Units {
		add(&p.Makes, u.Machine.Make)
		add(&p.Models, u.Machine.Model)
		add(&p.Families, string(u.Machine.Family))
		add(&p.Fitments, string(u.Machine.Fitment))
	}
	for i := range p.Shop.Resources {
		for _, f := range p.Shop.Resources[i].Families {
			add(&p.Families, string(f))
		}
	}
	add(&p.Fitments, "standard")
	for _, l := range []*[]string{&p.Makes, &p.Models, &p.Families, &p.Fitments} {
		slices.Sort(*l)
	}
}

// nextTicket continues the numbers of the tickets that there are.
func (b *Base) nextTicket() string {
	best, width, prefix := 0, 4, ticketPrefix(b.Shop)
	for id := range b.State.Units {
		i := len(id)
		for i > 0 && id[i-1] >= '0' && id[i-1] <= '9' {
			i--
		}
		if n, err := strconv.Atoi(string(id[i:])); err == nil && n > best && n < 1e9 {
			best, width, prefix = n, len(id)-i, string(id[:i])
		}
	}
	number := strconv.Itoa(best + 1)
	return prefix + strings.Repeat("0", max(0, width-len(number))) + number
}

func ticketPrefix(s *queue.Shop) string {
	prefix := ""
	for _, word := range strings.Fields(s.Name) {
		if c := word[0]; 'A' <= c && c <= 'Z' && len(prefix) < 2 {
			prefix += string(c)
		}
	}
	return prefix + "-"
}

// promise is what the form begins with: an hour before closing on the second
// opening day from now.
func (p *Pages) promise(b *Base) time.Time {
	y, m, d := b.Now.Date()
	day := b.openDay(p, time.Date(y, m, d+1, 0, 0, 0, 0, b.Loc))
	open := p.almanac(b).Open(day, day.AddDate(0, 0, 1))
	if len(open) == 0 {
		return b.Now.Add(24 * time.Hour)
	}
	return open[len(open)-1].End.Add(-time.Hour)
}

// TriedHere reports that a form of this step was refused.
func (c Card) TriedHere() bool {
	return c.Tried != nil && c.Tried.Values.Get("unit") == string(c.Sheet.Unit.ID) && c.Tried.Values.Get("step") == string(c.Sheet.Step.ID)
}

// RouteText lists what a route consists of.
func (p checkInPage) RouteText(r queue.Route) string {
	var names []string
	for _, s := range r.Steps {
		if !s.Optional {
			names = append(names, p.Operation(s.Operation))
		}
	}
	return strings.Join(names, ", ")
}
