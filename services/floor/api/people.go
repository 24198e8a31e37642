package api

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/floor/answer"
	"tickover/services/floor/export"
)

// Contacts keeps people outside the log; a *contacts.Book does.
type Contacts interface {
	Get(queue.ContactID) (contacts.Person, bool)
	Find(query string) []contacts.Person
	Save(context.Context, contacts.Person) (contacts.Person, error)
	Erase(context.Context, queue.ContactID) error
}

// PersonView is somebody who brings machines.
type PersonView struct {
	ID       queue.ContactID `json:"id"`
	Name     string          `json:"name"`
	Phone    string          `json:"phone,omitempty"`
	Email    string          `json:"email,omitempty"`
	Revision uint64          `json:"revision" doc:"Send it along with a change"`
}

// PersonList is who was found.
type PersonList struct {
	People []PersonView `json:"people" nullable:"false"`
}

type (
	peopleInput struct {
		Query string `query:"q" required:"true" minLength:"1" maxLength:"80" doc:"The begin of a name, an e-mail address, or four digits of a telephone number"`
	}
	personPath struct {
		Person queue.ContactID `path:"person" maxLength:"64"`
	}
	saveInput struct {
		Body struct {
			ID       queue.ContactID `json:"id,omitempty" maxLength:"64" doc:"Left out: a new person"`
			Name     string          `json:"name" minLength:"1" maxLength:"120"`
			Phone    string          `json:"phone,omitempty" maxLength:"40"`
			Email    string          `json:"email,omitempty" maxLength:"200"`
			Revision uint64          `json:"revision,omitempty" doc:"Of a change: that was read before"`
		}
	}
	eraseInput struct {
		Person queue.ContactID `path:"person" maxLength:"64"`
		Body   struct {
			Sure bool `json:"sure" doc:"It can't be undone, so it has to be said"`
		}
	}
)

// Erased says what became of somebody's data.
type Erased struct {
	ID     queue.ContactID `json:"id"`
	Visits int             `json:"visits" doc:"Visits whose technical history stays, without a person"`
	Note   string          `json:"note"`
}

// people registers what concerns people's data. It lies beside the log, so it
// can't be asked of the past: who was erased is gone from there too.
func (a *API) people() {
	const tag = "people"
	get(a, "/people", "people", "Find people who brought machines", tag, a.findPeople)
	get(a, "/people/{person}", "person", "One person", tag, a.person)
	file(a, "/people/{person}/export", "exportPerson", "All that is kept of one person, to hand out", tag, "application/json", a.exportPerson)
	huma.Register(a.routes, a.operation(http.MethodPost, "/people", "savePerson", "Keep a person, or change one", tag), func(ctx context.Context, in *saveInput) (*body[PersonView], error) {
		if a.o.Contacts == nil {
			return nil, a.fail(noPeople())
		}
		p, err := a.o.Contacts.Save(ctx, contacts.Person{ID: in.Body.ID, Name: in.Body.Name, Phone: in.Body.Phone, Email: in.Body.Email, Revision: in.Body.Revision})
		if err != nil {
			return nil, a.fail(ContactProblem(err))
		}
		return &body[PersonView]{personView(p)}, nil
	})
	huma.Register(a.routes, a.operation(http.MethodPost, "/people/{person}/erase", "erasePerson", "Erase a person for good; the machines keep their technical history", tag), func(ctx context.Context, in *eraseInput) (*body[Erased], error) {
		out, err := a.erase(ctx, in)
		if err != nil {
			return nil, a.fail(err)
		}
		return &body[Erased]{out}, nil
	})
}

func noPeople() error {
	return answer.Unknown("this Tickover keeps no people", "Look at the ticket.")
}

// ContactProblem answers what the store of people says.
func ContactProblem(err error) error {
	switch {
	case errors.Is(err, contacts.ErrStale):
		return answer.New(http.StatusPreconditionFailed, queue.CodeStale, "somebody else changed this person meanwhile", "Load the page again and look at what is there now.")
	case errors.Is(err, contacts.ErrInvalid):
		_, why, _ := strings.Cut(err.Error(), ": ")
		return answer.Malformed("name", "", why, "Correct it and send it again.")
	case errors.Is(err, contacts.ErrUnknown):
		return unknownPerson()
	}
	return err
}

func unknownPerson() error {
	return answer.Unknown("there is nobody under this number", "The person may have been erased. Search at the counter.")
}

func personView(p contacts.Person) PersonView {
	return PersonView{p.ID, p.Name, p.Phone, p.Email, p.Revision}
}

func (a *API) findPeople(_ context.Context, in *peopleInput) (PersonList, error) {
	if a.o.Contacts == nil {
		return PersonList{}, noPeople()
	}
	out := PersonList{People: []PersonView{}}
	for _, p := range a.o.Contacts.Find(in.Query) {
		out.People = append(out.People, personView(p))
	}
	return out, nil
}

func (a *API) onePerson(id queue.ContactID) (contacts.Person, error) {
	if a.o.Contacts == nil {
		return contacts.Person{}, noPeople()
	}
	p, ok := a.o.Contacts.Get(id)
	if !ok {
		return p, unknownPerson()
	}
	return p, nil
}

func (a *API) person(_ context.Context, in *personPath) (PersonView, error) {
	p, err := a.onePerson(in.Person)
	return personView(p), err
}

func (a *API) exportPerson(_ context.Context, in *personPath) (http.Header, []byte, error) {
	p, err := a.onePerson(in.Person)
	if err != nil {
		return nil, nil, err
	}
	h := http.Header{}
	export.PersonHeaders(h)
	b, err := export.WholePerson(p, a.o.Ledger.View())
	return h, b, err
}

func (a *API) erase(ctx context.Context, in *eraseInput) (Erased, error) {
	p, err := a.onePerson(in.Person)
	if err != nil {
		return Erased{}, err
	}
	if !in.Body.Sure {
		return Erased{}, answer.Malformed("body.sure", false, "it is not confirmed that this person is to be erased", "Send sure: true. Erasing can't be undone.")
	}
	if err := a.o.Contacts.Erase(ctx, p.ID); err != nil {
		return Erased{}, ContactProblem(err)
	}
	a.log.Info("contact erased") // whose is not logged
	return Erased{p.ID, len(export.VisitsOf(p.ID, a.o.Ledger.View())), "Backups made before still have the person; they are erased again when such a backup is restored."}, nil
}
