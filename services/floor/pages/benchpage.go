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
	b.Title, b.Section, b.Live = b.T("Bench screens"), "bench", true
	page := struct {
		*Base
		Doors []benchDoor
	}{Base: b}
	for i := range b.Shop.Resources {
		if res := &b.Shop.Resources[i]; res.Kind != queue.Yard {
			page.Doors = append(page.Doors, benchDoor{res, b.doing(res)})
		}
	}
	return "benches", page, nil
}

// benchDoor leads to the screen of a place or thing and says what goes on
// there.
type benchDoor struct {
	*queue.Resource
	Now string
}

// doing says what a place or thing is busy with, or when it is needed next.
func (b *Base) doing(res *queue.Resource) string {
	if c := queue.Covering(b.State.Closures[res.ID], b.Now); c != nil {
		return b.T("out until %s: %s", b.When(c.Until), c.Reason)
	}
	d := b.Book.ForResource(res.ID)
	var out []string
	for _, s := range d.Running {
		said := b.T("%s: %s, until %s", s.Unit.ID, s.Op.Name, b.When(s.Ends()))
		if s.Ends().Before(b.Now) {
			said = b.T("%s: %s, over time since %s", s.Unit.ID, s.Op.Name, b.When(s.Ends()))
		}
		out = append(out, said)
	}
	switch {
	case len(out) > 0:
		return strings.Join(out, "; ")
	case d.Next != nil && d.Next.Planned != nil:
		return b.T("free; %s from %s", d.Next.Unit.ID, b.When(d.Next.Planned.Start))
	}
	return b.T("free")
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
	page.Closed = queue.Covering(b.State.Closures[res.ID], b.Now)
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
