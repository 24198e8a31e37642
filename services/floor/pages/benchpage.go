package pages

import (
	"net/http"
	"net/url"
	"strings"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/job"
	"tickover/services/floor/live"
)

type benchPage struct {
	*Base
	Resource *queue.Resource
	Now_     []Card
	Next     *Card
	Later    []Card
	Closed   *queue.Closure
	Alarm    *live.Alert // the worst of what runs here
}

func (p *Pages) benches(r *http.Request, b *Base) (string, any, error) {
	b.Title, b.Section = b.T("Bench screens"), "bench"
	return "benches", struct{ *Base }{b}, nil
}

func (p *Pages) bench(r *http.Request, b *Base) (string, any, error) {
	res := b.Shop.Resource(queue.ResourceID(r.PathValue("id")))
	if res == nil {
		return "", nil, answer.Unknown("there is no bench %q", "Choose one of the bench screens.", r.PathValue("id"))
	}
	b.Title, b.Section, b.Screen, b.Live = res.Name, "bench", true, true
	d := b.Book.ForResource(res.ID)
	page := benchPage{Base: b, Resource: res, Now_: b.cards(d.Running), Later: b.cards(d.Later)}
	for i := range page.Now_ {
		page.Now_[i].Bench = res.ID
	}
	if d.Next != nil {
		c := b.card(*d.Next)
		c.Bench, c.Big = res.ID, true
		page.Next = &c
	}
	for _, c := range b.State.Closures[res.ID] {
		if !b.Now.Before(c.From) && b.Now.Before(c.Until) {
			page.Closed = &c
		}
	}
	page.Alarm = worst(b.Alerts, d.Running)
	return "bench", page, nil
}

// worst is the first alert, in order of urgency, about one of the steps.
func worst(alerts []live.Alert, running []job.Sheet) *live.Alert {
	for i := range alerts {
		for _, s := range running {
			if alerts[i].Unit == s.Unit.ID && alerts[i].Step == s.Step.ID {
				return &alerts[i]
			}
		}
	}
	return nil
}

// Who does the step, or is to do it.
func (c Card) Who() string {
	if t := c.Sheet.Technician(); t != "" {
		return c.Name(t)
	}
	return c.T("nobody yet")
}

const codeMax = 300 // bytes of a scanned code

// scan says where a scanned code leads: a ticket's number, a plate, a frame
// number, or what our tickets carry in their square code.
func (p *Pages) scan(w http.ResponseWriter, r *http.Request) {
	u := scanned(p.state(r), r.URL.Query().Get("code"))
	if u == nil {
		http.Error(w, "unknown", http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write([]byte("/units/" + url.PathEscape(string(u.ID))))
}

// scanned is the unit that a code names, nil if none. The code of a ticket is
// the address of the unit's page, under whatever host it was printed.
func scanned(st *queue.State, code string) *queue.Unit {
	code = strings.TrimSpace(code)
	if code == "" || len(code) > codeMax {
		return nil
	}
	if _, rest, ok := strings.Cut(code, "/units/"); ok {
		id, _, _ := strings.Cut(rest, "/")
		id, _, _ = strings.Cut(id, "?")
		if id, err := url.PathUnescape(id); err == nil {
			return exactly(st, id)
		}
	}
	return exactly(st, code)
}
