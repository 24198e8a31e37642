package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/floor/answer"
	"tickover/services/floor/job"
	"tickover/services/floor/locale"
)

// linesShown is how many machines of a campaign one page shows.
const linesShown = 60

type campaignsPage struct {
	*Base
	Open, Closed []campaignRow
	Makes        []string
	Families     []string
}

// campaignRow is a campaign with how far it is.
type campaignRow struct {
	*queue.Campaign
	Total int
	In    map[string]int // machines by standing
}

// Swept are the machines that nothing is open of.
func (r campaignRow) Swept() int { return r.In["swept"] }

// standing is how it stands with a machine: swept, what its owner said, or why
// there is nobody to call.
func standing(l *queue.CampaignLine) string {
	toCall := l.Contact.State == queue.ToCall
	switch u := l.Latest(); {
	case !l.Open:
		return "swept"
	case toCall && u.House():
		return "ours"
	case toCall && u.Status == queue.InShop:
		return "here"
	}
	return l.Contact.State.String()
}

// CampaignTitle is a campaign's title in the reader's language: a person's own
// words stay, those that the queue gives a calibration's are said anew.
func (b *Base) CampaignTitle(c *queue.Campaign) string {
	if c.Calibration == nil {
		return c.Title
	}
	what, ours := strings.CutSuffix(c.Title, fmt.Sprintf(" revision %d", c.Calibration.Revision))
	if !ours {
		return c.Title
	}
	return b.T("%v revision %v", what, c.Calibration.Revision)
}

// Percent of the machines that are swept; of none all are.
func (r campaignRow) Percent() int {
	if r.Total == 0 {
		return 100
	}
	return 100 * r.Swept() / r.Total
}

func campaignRowOf(c *queue.Campaign, lines []queue.CampaignLine) campaignRow {
	r := campaignRow{Campaign: c, Total: len(lines), In: map[string]int{}}
	for i := range lines {
		r.In[standing(&lines[i])]++
	}
	return r
}

func (p *Pages) campaigns(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Live = b.T("Campaigns"), "calibrations", true
	page := campaignsPage{Base: b}
	machines := b.State.Machines()
	for _, id := range campaignIDs(b.State) {
		c := b.State.Campaigns[id]
		row := campaignRowOf(c, b.State.LinesOf(machines, c, b.Now))
		if c.Closed.IsZero() {
			page.Open = append(page.Open, row)
		} else {
			page.Closed = append(page.Closed, row)
		}
	}
	newest := func(x, y campaignRow) int { return cmp.Or(y.Opened.Compare(x.Opened), cmp.Compare(x.ID, y.ID)) }
	slices.SortFunc(page.Open, newest)
	slices.SortFunc(page.Closed, newest)
	s := checkInPage{Base: b}
	s.suggest()
	page.Makes, page.Families = s.Makes, s.Families
	return "campaigns", page, nil
}

func campaignIDs(st *queue.State) []queue.CampaignID {
	out := make([]queue.CampaignID, 0, len(st.Campaigns))
	for id := range st.Campaigns {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

type campaignPage struct {
	*Base
	Row     campaignRow
	States  []stateTab
	Show    string // that is shown; "" all
	Query   string
	Lines   []campaignLine
	Matches int
	From    int
	Next    string // the address of the next lines
	Current *queue.Calibration
}

type stateTab struct {
	Key, Text string
	N         int
}

// campaignLine is a machine as the page shows it.
type campaignLine struct {
	queue.CampaignLine
	Unit   *queue.Unit // the last visit
	Person *contacts.Person
	Visit  unitCampaign // how it stands in the visit, while that is open
	// Standing is a key of stateWords.
	Standing string
}

// Words of the states of owners.
var stateWords = map[string]string{
	"to-call": locale.Mark("to call"), "called": locale.Mark("called"), "booked": locale.Mark("booked"), "declined": locale.Mark("declined"),
	"done-elsewhere": locale.Mark("done elsewhere"), "swept": locale.Mark("swept"), "ours": locale.Mark("the shop’s own"), "here": locale.Mark("in the shop"), "": locale.Mark("all"),
}

// StateWord is a state in words.
func (b *Base) StateWord(state string) string { return b.Word(stateWords[state]) }

// ContactStates are those that a person may choose.
func (b *Base) ContactStates() []string { return queue.ContactStates() }

// campaign is the campaign that a page speaks of.
func (b *Base) campaign(r *http.Request) (*queue.Campaign, error) {
	if c := b.State.Campaigns[queue.CampaignID(r.PathValue("id"))]; c != nil {
		return c, nil
	}
	return nil, answer.Unknown(b.T("there is no campaign %q", r.PathValue("id")), b.T("Look at the list of campaigns."))
}

func (p *Pages) campaignPage(r *http.Request, b *Base) (string, any, error) {
	c, err := b.campaign(r)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section, b.Live = b.CampaignTitle(c), "calibrations", true
	lines := b.State.Lines(c, b.Now)
	q := r.URL.Query()
	page := campaignPage{Base: b, Row: campaignRowOf(c, lines), Show: q.Get("state"), Query: strings.TrimSpace(q.Get("q"))}
	if c.Calibration != nil {
		page.Current = b.State.Catalogue().Find(*c.Calibration)
	}
	page.States = []stateTab{{"", b.StateWord(""), page.Row.Total}}
	for _, key := range []string{"to-call", "here", "ours", "called", "booked", "declined", "swept"} {
		page.States = append(page.States, stateTab{key, b.StateWord(key), page.Row.In[key]})
	}
	page.From, _ = strconv.Atoi(q.Get("from"))
	page.show(p, c, lines)
	return "campaign", page, nil
}

// show keeps the lines that are asked for: those in the shop first, then by
// what is to be done with the owner.
func (page *campaignPage) show(p *Pages, c *queue.Campaign, lines []queue.CampaignLine) {
	var match []campaignLine
	for i := range lines {
		l := campaignLine{CampaignLine: lines[i], Unit: lines[i].Latest()}
		l.Standing = standing(&l.CampaignLine)
		if page.Show != "" && page.Show != l.Standing {
			continue
		}
		if l.Unit.Contact != "" && !l.Unit.House() && p.o.Contacts != nil { // who traded it in is not its owner
			if who, ok := p.o.Contacts.Get(l.Unit.Contact); ok {
				l.Person = &who
			}
		}
		if page.Query != "" && !l.matches(page.Query) {
			continue
		}
		match = append(match, l)
	}
	slices.SortStableFunc(match, func(x, y campaignLine) int {
		return cmp.Or(cmp.Compare(x.rank(), y.rank()), x.Contact.Slot.Compare(y.Contact.Slot))
	})
	page.Matches = len(match)
	page.From = max(0, min(page.From, len(match)-1))
	page.Lines = match[page.From:min(len(match), page.From+linesShown)]
	for i := range page.Lines {
		l := &page.Lines[i]
		l.Visit = unitCampaignOf(c, l.Unit)
	}
	if next := page.From + linesShown; next < len(match) {
		page.Next = "/campaigns/" + url.PathEscape(string(c.ID)) + "?" + url.Values{"state": {page.Show}, "q": {page.Query}, "from": {strconv.Itoa(next)}}.Encode()
	}
}

func (l *campaignLine) matches(text string) bool {
	if job.Matches(l.Unit, text) {
		return true
	}
	text = strings.ToLower(text)
	return l.Person != nil && strings.Contains(strings.ToLower(l.Person.Name+" "+l.Person.Phone), text)
}

func (l *campaignLine) rank() int {
	switch {
	case !l.Open:
		return 5
	case l.Unit.Status == queue.InShop:
		return 0
	case l.Unit.Status == queue.InShowroom:
		return 1
	case l.Contact.State == queue.Booked:
		return 2
	case l.Contact.State == queue.Declined:
		return 4
	}
	return 3
}

// FormKey tells the forms of a page apart.
func (l campaignLine) FormKey() string { return string(l.CampaignLine.Key) }

// CheckInLink opens the check-in with the machine filled in.
func (b *Base) CheckInLink(u *queue.Unit, route queue.RouteID) string {
	v := url.Values{}
	for name, s := range visitValues(u, route) {
		if s != "" {
			v.Set(name, s)
		}
	}
	return "/check-in?" + v.Encode()
}

// visitValues are the fields of the check-in of a machine that was here: what
// left the shop is its owner's.
func visitValues(u *queue.Unit, route queue.RouteID) map[string]string {
	m, ownership := &u.Machine, u.Ownership
	if u.Status == queue.Delivered {
		ownership = queue.CustomerUnit
	}
	return map[string]string{
		"frame": m.Frame, "make": m.Make, "model": m.Model, "year": strconv.Itoa(m.Year), "family": string(m.Family), "fitment": string(m.Fitment),
		"variant": string(m.Variant), "plate": m.Plate, "ownership": ownership.String(), "contact": string(u.Contact), "route": string(route),
	}
}

// SweepRoute is the route that a called-back machine takes; empty: none.
func (b *Base) SweepRoute() queue.RouteID {
	if r := b.Shop.SweepRoute(); r != nil {
		return r.ID
	}
	return ""
}

// contactOwner records how it stands with a machine's owner.
func contactOwner(in *input) (queue.Action, string) {
	c := queue.CampaignContacted{ID: queue.CampaignID(in.Get("campaign")), Machine: queue.MachineKey(in.Get("machine")), Note: in.text("note")}
	if err := c.State.UnmarshalText([]byte(in.Get("state"))); err != nil {
		in.wrong("state", in.b.T("it is not said how it stands with the owner"), in.b.T("Choose one of the states."))
	}
	if c.State == queue.Booked {
		c.Slot = in.localTime("slot", in.b.T("the day and time of the booking"))
		if !c.Slot.IsZero() && c.Slot.Before(in.b.Now) {
			in.wrong("slot", in.b.T("the booking lies in the past"), in.b.T("Give a day and a time to come."))
		}
	}
	return &queue.ContactOwner{Contact: c}, in.b.T("Recorded: %s.", in.b.StateWord(in.Get("state")))
}

// openCampaign opens a bulletin.
func openCampaign(in *input) (queue.Action, string) {
	s := &queue.Selection{
		Make: in.text("make"), Model: in.text("model"), Family: queue.Family(in.text("family")), Fitment: queue.Fitment(in.text("fitment")),
		FrameFrom: in.text("frame_from"), FrameTo: in.text("frame_to"),
	}
	if in.text("year_from") != "" {
		s.YearFrom = in.number("year_from", in.b.T("the first model year"))
	}
	if in.text("year_to") != "" {
		s.YearTo = in.number("year_to", in.b.T("the last model year"))
	}
	c := queue.CampaignOpened{ID: queue.CampaignID(in.text("id")), Title: in.text("title"), ForCaller: in.text("for_caller"), Bulletin: s}
	if strings.ContainsAny(string(c.ID), "/?#% ") {
		in.wrong("id", in.b.T("the id has a blank or one of / ? # %%"), in.b.T("Use letters, digits and hyphens."))
	}
	return &queue.OpenCampaign{Campaign: c}, in.b.T("The campaign is open.")
}

func closeCampaign(in *input) (queue.Action, string) {
	return &queue.CloseCampaign{ID: queue.CampaignID(in.Get("campaign")), Reason: in.text("reason")}, in.b.T("The campaign is closed.")
}

func sweepUnit(in *input) (queue.Action, string) {
	return &queue.SweepUnit{Unit: in.unit(), Campaign: queue.CampaignID(in.Get("campaign"))}, in.b.T("The campaign's steps are on %s.", in.unit())
}

// LastFlash is what was flashed last on a machine, in words.
func (b *Base) LastFlash(m queue.MachineRecord) string {
	if m.Flashed == nil {
		return b.NotKnown(m.Unsure, m.FlashedAt)
	}
	return b.T("last flashed here on %s: %s revision %d", b.Day(m.FlashedAt), m.Flashed.ID, m.Flashed.Revision)
}

// NotKnown is why it is not known what a machine's controller holds, in words.
func (b *Base) NotKnown(why queue.Unsure, since time.Time) string {
	switch why {
	case queue.FlashFailed:
		return b.T("what its controller holds is not known: the flash on %s failed", b.Day(since))
	case queue.ReadOtherwise:
		return b.T("what its controller holds is not known: on %s something else was read back than was flashed", b.Day(since))
	case queue.ControllerNew:
		return b.T("not flashed here since its controller was replaced on %s", b.Day(since))
	}
	return b.T("never flashed here")
}

// Day is a date in the shop's zone.
func (b *Base) Day(t time.Time) string { return b.Date(t.In(b.Loc), "Mon 2 Jan 2006") }

// BulletinText says what a bulletin selects.
func (b *Base) BulletinText(s *queue.Selection) string {
	var out []string
	add := func(v string) {
		if v = strings.TrimSpace(v); v != "" {
			out = append(out, v)
		}
	}
	add(s.Make + " " + s.Model)
	switch {
	case s.YearFrom != 0 && s.YearTo != 0:
		out = append(out, years(s.YearFrom, s.YearTo))
	case s.YearFrom != 0:
		out = append(out, b.T("from %d", s.YearFrom))
	case s.YearTo != 0:
		out = append(out, b.T("up to %d", s.YearTo))
	}
	if s.Family != "" {
		out = append(out, b.T("family %v", s.Family))
	}
	add(string(s.Fitment))
	if s.FrameFrom != "" || s.FrameTo != "" {
		out = append(out, b.T("frame numbers %s to %s", cmp.Or(s.FrameFrom, "…"), cmp.Or(s.FrameTo, "…")))
	}
	return strings.Join(out, ", ")
}
