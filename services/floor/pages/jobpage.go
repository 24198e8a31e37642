package pages

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/floor/job"
	"tickover/services/floor/live"
)

type jobPage struct {
	*Base
	Running, Later, Ready []Card
	Next                  *Card
	Works                 bool
	From                  string // "plan", "promises"
	FreeUntil             time.Time
	FreeFor               string // the running step with the nearest call
	// Meanwhile: Next can be done while FreeFor runs.
	Meanwhile bool
	CalledIn  bool // but it takes longer: he is called in between
}

func (p *Pages) job(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section, b.Live = b.T("My job"), "job", true
	if b.Me == "" {
		b.Live = false
		return p.me(r, b)
	}
	b.alertsOf(func(a live.Alert) bool { return a.Person == b.Me || b.IAmForeman() })
	d := b.Book.ForTechnician(b.Me)
	page := jobPage{Base: b, From: "plan", Works: b.Shop.Technician(b.Me) != nil}
	if b.Plan == nil {
		page.From = "promises"
	}
	for _, s := range d.Running {
		if !s.Stretch().HandsOn && s.StretchEnds().After(b.Now) && (page.FreeUntil.IsZero() || s.StretchEnds().Before(page.FreeUntil)) {
			page.FreeUntil, page.FreeFor = s.StretchEnds(), string(s.Unit.ID)
		}
	}
	if called := page.FreeUntil.Add(-b.Shop.Limits.CallBefore); b.Now.Before(called) {
		if s := job.Meanwhile(b.State, d, page.FreeUntil, b.Now); s != nil {
			d.First(*s)
			page.Meanwhile = true
			page.CalledIn = s.Op.HandsOn() > called.Sub(b.Now)
		}
	}
	if d.Next != nil {
		c := b.card(*d.Next)
		c.Big = true
		page.Next = &c
	}
	page.Running, page.Later, page.Ready = b.cards(d.Running), b.cards(d.Later), b.cards(d.Ready)
	return "job", page, nil
}

// Ahead is what the card becomes when a stretch has begun, for a phone that
// has no network then: one for each stretch still to come. A bench's screen has
// none.
func (c Card) Ahead() []Card {
	if c.Bench != "" || c.ahead || c.Me == "" {
		return nil
	}
	first := 0
	switch c.Sheet.Step.Status {
	case queue.Running:
		first = c.Sheet.Step.Stretch + 1
	case queue.Todo:
	default:
		return nil
	}
	var out []Card
	for k := first; k < len(c.Sheet.Op.Stretches); k++ {
		a := c
		a.Sheet, a.Choices, a.ahead, a.Tried = c.Sheet.Ahead(k, c.Now, c.Me), nil, true, nil
		base := *c.Base
		base.Tried = nil
		a.Base = &base
		out = append(out, a)
	}
	return out
}

// FieldID is the id of a field of evidence; the card ahead has its own.
func (c Card) FieldID(action string, key queue.EvidenceKey) string {
	parts := []string{string(c.Sheet.Unit.ID), string(c.Sheet.Step.ID), action, string(key)}
	if c.ahead {
		parts = append(parts, "ahead", strconv.Itoa(c.Sheet.Step.Stretch))
	}
	return strings.Join(parts, "-")
}

// Seconds is how long the stretch takes.
func (c Card) Seconds() int { return int(c.Sheet.Stretch().Duration / time.Second) }

// WaitsFor lists the steps that its own unit has to finish first.
func (c Card) WaitsFor() string {
	if c.ahead || c.Me == "" || c.Bench != "" {
		return ""
	}
	return job.Join(job.WaitsFor(c.Sheet))
}

// Stands says where the unit is.
func (c Card) Stands() string {
	at, now := job.Stands(c.Sheet.Unit)
	place := c.things(at, false)
	switch {
	case place == "":
		return c.T("in the yard")
	case now:
		return place
	}
	return c.T("last at %s", place)
}

// At names what the step is done at; With, what it is done with.
func (c Card) At() string { return c.things(c.Sheet.Resources(), false) }

// With names interface and charger.
func (c Card) With() string { return c.things(c.Sheet.Resources(), true) }

func (c Card) things(ids []queue.ResourceID, tools bool) string {
	var names []string
	for _, id := range ids {
		r := c.Shop.Resource(id)
		if r != nil && (r.Kind == queue.Interface || r.Kind == queue.Charger) == tools {
			names = append(names, c.Thing(id))
		}
	}
	return strings.Join(names, ", ")
}

// CallAt is when the technician is called back to a hands-off stretch.
func (c Card) CallAt() time.Time {
	if c.Sheet.Step.Status != queue.Running || c.Sheet.Stretch().HandsOn {
		return time.Time{}
	}
	if _, more := c.Sheet.NextStretch(); !more {
		return time.Time{}
	}
	return c.Sheet.StretchEnds().Add(-c.Shop.Limits.CallBefore)
}

// CallSeconds is how long before the end of a hands-off stretch he is called.
func (c Card) CallSeconds() int { return int(c.Shop.Limits.CallBefore / time.Second) }

// meanwhile tells what others recorded of a step since the page was made: what
// stands in the way of something that was recorded without a network.
func (p *Pages) meanwhile(w http.ResponseWriter, r *http.Request) {
	b, ok := p.base(r)
	if !ok {
		http.NotFound(w, r)
		return
	}
	u := b.State.Units[queue.UnitID(r.PathValue("id"))]
	if u == nil {
		http.NotFound(w, r)
		return
	}
	since, _ := strconv.ParseUint(r.URL.Query().Get("since"), 10, 64)
	mine := queue.PersonID(r.URL.Query().Get("person"))
	var told []string
	err := p.o.History.Events(r.Context(), u, func(e *queue.Event) error {
		if e.N > since && e.Actor != mine {
			t := tell(b, u, e)
			told = append(told, b.T("%s, %s: %s.", b.When(t.At), t.Who, t.What))
		}
		return nil
	})
	if err != nil {
		p.log.Error("what happened meanwhile", zap.Error(err))
		http.Error(w, "", http.StatusServiceUnavailable)
		return
	}
	const most = 4
	told = slices.Delete(told, 0, max(0, len(told)-most))
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write([]byte(strings.Join(told, "\n")))
}
