package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/floor/answer"
	"tickover/services/floor/api"
	"tickover/services/floor/export"
)

type personPage struct {
	*Base
	Person contacts.Person
	Rows   []CallerRow
}

// person is one contact with the machines that he brought.
func (p *Pages) person(r *http.Request, b *Base) (string, any, error) {
	who, err := p.contact(r, b)
	if err != nil {
		return "", nil, err
	}
	b.Title, b.Section = who.Name, "counter"
	page := personPage{Base: b, Person: who}
	for _, u := range ofPeople(b.State, []contacts.Person{who}, nil) {
		page.Rows = append(page.Rows, p.callerRow(b, u))
	}
	slices.SortStableFunc(page.Rows, func(x, y CallerRow) int { return y.Unit.Arrived.Compare(x.Unit.Arrived) })
	return "person", page, nil
}

func (p *Pages) contact(r *http.Request, b *Base) (contacts.Person, error) {
	if p.o.Contacts != nil {
		if who, ok := p.o.Contacts.Get(queue.ContactID(r.PathValue("id"))); ok {
			return who, nil
		}
	}
	return contacts.Person{}, answer.Unknown(b.T("there is nobody under this number"), b.T("The person may have been erased. Search at the counter."))
}

// changePerson saves what was changed of a contact, or erases it.
func (p *Pages) changePerson(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.ready(w, r)
	if b == nil {
		return
	}
	who, err := p.contact(r, b)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), doTimeout)
	defer cancel()
	back := "/people/" + url.PathEscape(string(who.ID))
	switch {
	case r.PostForm.Get("do") == "erase" && r.PostForm.Get("sure") != "yes":
		p.fail(w, r, b, answer.Malformed("sure", "", b.T("it is not confirmed that this person is to be erased"), b.T("Tick the box first. Erasing can't be undone.")))
		return
	case r.PostForm.Get("do") == "erase":
		if err = p.o.Contacts.Erase(ctx, who.ID); err == nil {
			say(w, b.T("The person is erased. The machines keep their technical history."))
			back = "/counter"
			p.log.Info("contact erased", zap.String("by", string(b.Me))) // whose is not logged
		}
	default:
		who.Name, who.Phone, who.Email = r.PostForm.Get("name"), r.PostForm.Get("phone"), r.PostForm.Get("email")
		if _, err := fmt.Sscan(r.PostForm.Get("revision"), &who.Revision); err != nil {
			who.Revision = 0
		}
		if _, err = p.o.Contacts.Save(ctx, who); err == nil {
			say(w, b.T("Saved."))
		}
	}
	if err != nil {
		p.fail(w, r, b, api.ContactProblem(err))
		return
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}

// exportPerson hands out all that is kept of a person.
func (p *Pages) exportPerson(w http.ResponseWriter, r *http.Request) {
	b := p.ready(w, r)
	if b == nil {
		return
	}
	who, err := p.contact(r, b)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	data, err := export.WholePerson(who, b.State)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	export.PersonHeaders(w.Header())
	_, _ = w.Write(data)
}

// customer is the contact that a check-in names: an existing one, one that is
// the same to the letter, or a new one; "" if nobody was named. undo takes a
// new one away again when no unit names it.
func (p *Pages) customer(ctx context.Context, b *Base, f url.Values) (id queue.ContactID, undo func(), err error) {
	nothing := func() {}
	if p.o.Contacts == nil {
		return "", nothing, nil
	}
	if id := queue.ContactID(f.Get("contact")); id != "" {
		if _, ok := p.o.Contacts.Get(id); ok {
			return id, nothing, nil
		}
	}
	who := contacts.Person{Name: strings.TrimSpace(f.Get("name")), Phone: strings.TrimSpace(f.Get("phone")), Email: strings.TrimSpace(f.Get("email"))}
	if who.Name == "" && who.Phone == "" && who.Email == "" {
		return "", nothing, nil
	}
	for _, old := range p.o.Contacts.Find(who.Name) {
		if old.Name == who.Name && old.Phone == who.Phone && old.Email == who.Email {
			return old.ID, nothing, nil
		}
	}
	who, err = p.o.Contacts.Save(ctx, who)
	if err != nil {
		return "", nothing, api.ContactProblem(err)
	}
	return who.ID, func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), undoTimeout)
		defer cancel()
		if err := p.o.Contacts.Erase(ctx, who.ID); err != nil {
			p.log.Warn("contact of a refused unit not taken back", zap.Error(err))
		}
	}, nil
}

const undoTimeout = 5 * time.Second
