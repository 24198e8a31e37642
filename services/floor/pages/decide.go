package pages

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/decisions"
	"tickover/services/floor/job"
)

// remember begins to note what foremen decide.
func (p *Pages) remember() error {
	ctx, cancel := context.WithTimeout(context.Background(), doTimeout)
	defer cancel()
	var err error
	p.recent, err = decisions.Watch(ctx, p.o.Ledger, p.o.History.Log, p.o.History.Site)
	if err != nil {
		p.log.Warn("the list of recent decisions begins empty", zap.Error(err))
	}
	return nil
}

// Taken is a recent decision as the board lists it.
type Taken struct {
	Command queue.CommandID
	At      time.Time
	By      queue.PersonID
	What    string
	Unit    queue.UnitID
	Stuck   string // why it can't be undone; empty: it can
}

const decisionsShown = 6

func (p *Pages) taken(b *Base) []Taken {
	if b.Then != nil {
		return nil // those of now
	}
	var out []Taken
	for _, d := range p.recent.Newest(decisionsShown) {
		t := Taken{Command: d.Command, At: d.At, By: d.By, What: b.took(&d)}
		t.Unit, _ = d.Event.Subject.Unit()
		if why := d.Stuck(b.State, b.Now); why != nil {
			t.Stuck = answer.Sentence(answer.Refused(why).In(b.Locale).What)
		}
		out = append(out, t)
	}
	return out
}

// took says a decision that was taken.
func (b *Base) took(d *decisions.Decision) string {
	unit, _ := d.Event.Subject.Unit()
	switch x := d.Event.Data.(type) {
	case *queue.StepPinned:
		return b.T("%s: “%s” pinned, %s", unit, b.StepName(unit, x.Step), b.pinText(x.Pin))
	case *queue.StepUnpinned:
		return b.T("%s: “%s” may move again", unit, b.StepName(unit, x.Step))
	case *queue.StepSkipped:
		return b.T("%s: “%s” left out", unit, b.StepName(unit, x.Step))
	case *queue.StepReopened:
		return b.T("%s: “%s” to be done again", unit, b.StepName(unit, x.Step))
	case *queue.UnitAmended:
		return b.T("%s: %s", unit, joinText(amended(b, x)))
	case *queue.ResourceClosed:
		return b.T("%s out until %s: %s", b.thingOrPerson(x.Resource, x.Technician), b.When(x.Until), x.Reason)
	case *queue.ResourceOpened:
		return b.T("%s is back", b.thingOrPerson(x.Resource, x.Technician))
	}
	return ""
}

// decidePage has what a foreman can decide about a unit and one of its steps.
type decidePage struct {
	*Base
	Row     UnitRow
	Sheet   *job.Sheet // nil: only the unit
	Choices []job.Choice
	Steps   []job.Sheet // to choose from
	Back    string
	Leads   bool // goes first already
}

func (p *Pages) decide(r *http.Request, b *Base) (string, any, error) {
	u := b.State.Units[queue.UnitID(r.PathValue("unit"))]
	if u == nil || u.Status != queue.InShop {
		return "", nil, answer.Unknown(b.T("there is no unit %q in the shop", r.PathValue("unit")), "Check the ticket's number.")
	}
	page := decidePage{Base: b, Row: rowOf(b, u), Back: backOf(r.URL.Query().Get("back"), "/board"), Leads: u.Weight >= weightFirst}
	b.Title, b.Section = b.T("Decide about %s", u.ID), "board"
	for i := range u.Steps {
		if s := b.Book.Of(u.ID, u.Steps[i].ID); s != nil && s.Step.Status == queue.Todo {
			page.Steps = append(page.Steps, *s)
		}
	}
	if id := r.PathValue("step"); id != "" {
		page.Sheet = b.Book.Of(u.ID, queue.StepID(id))
		if page.Sheet == nil {
			return "", nil, answer.Unknown("there is no such step", "Look at the unit's page for its steps.")
		}
		page.Choices = job.Choices(b.State, *page.Sheet, b.Now)
	}
	return "decide", page, nil
}

// Pinned reports that the step is pinned to the resource.
func (d decidePage) Pinned(id queue.ResourceID) bool {
	return d.Sheet.Step.Pin != nil && slices.Contains(d.Sheet.Step.Pin.Resources, id)
}

// PinnedTo reports that the step is pinned to the technician.
func (d decidePage) PinnedTo(id queue.PersonID) bool {
	return d.Sheet.Step.Pin != nil && d.Sheet.Step.Pin.Technician == id
}

// Typed is what stood in a field of a form that was refused.
func (d decidePage) Typed(action, field, otherwise string) string {
	if d.Tried != nil && d.Tried.Action == action {
		return d.Tried.Values.Get(field)
	}
	return otherwise
}

// Planned is the step's planned start for a field.
func (d decidePage) Planned() string {
	if pin := d.Sheet.Step.Pin; pin != nil && pin.Start != nil {
		return d.Local(*pin.Start)
	}
	return ""
}

// decideShopPage has what a foreman can decide about things and people.
type decideShopPage struct {
	*Base
	What  string
	Out   []Out
	Until string
	Back  string
}

func (p *Pages) decideShop(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Close something, or mark somebody absent"), "board"
	page := decideShopPage{Base: b, What: r.URL.Query().Get("what"), Out: b.out(), Back: backOf(r.URL.Query().Get("back"), "/board")}
	y, m, d := b.Now.Date()
	midnight := time.Date(y, m, d, 0, 0, 0, 0, b.Loc)
	end := b.Now.Add(time.Hour)
	if open := p.almanac(b).Open(midnight, midnight.AddDate(0, 0, 1)); len(open) > 0 && open[len(open)-1].End.After(b.Now) {
		end = open[len(open)-1].End
	}
	page.Until = b.Local(end)
	if b.Tried != nil && b.Tried.Action == "close" {
		page.What = b.Tried.Values.Get("what")
	}
	return "decide-shop", page, nil
}

// Typed is what stood in a field of a form that was refused.
func (d decideShopPage) Typed(field, otherwise string) string {
	if d.Tried != nil && d.Tried.Action == "close" {
		return d.Tried.Values.Get(field)
	}
	return otherwise
}

// DecideLink is the page to decide on a step, with the way back.
func (b *Base) DecideLink(u queue.UnitID, s queue.StepID) string {
	path := "/decide/" + url.PathEscape(string(u))
	if s != "" {
		path += "/" + url.PathEscape(string(s))
	}
	if b.Here == "/board" {
		return path // the way back is the usual one
	}
	return path + "?back=" + url.QueryEscape(b.Here)
}
