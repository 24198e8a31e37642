package simshop

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"

	"tickover/queue"
	"tickover/services/contacts"
	"tickover/services/ledger"
)

// People keeps who the customers are; a *contacts.Book does.
type People interface {
	Save(context.Context, contacts.Person) (contacts.Person, error)
}

// Customers gives each customer whom nobody has named yet a name and a number,
// beside a running shop, until ctx ends: those of the simulated counter and of
// the demo's files.
func Customers(ctx context.Context, l *ledger.Ledger, people People) error {
	w := l.Watch()
	defer w.Stop()
	named := map[queue.ContactID]bool{}
	for {
		for _, u := range l.View().Units {
			if u.Contact == "" || named[u.Contact] {
				continue
			}
			// Whom somebody named at a page, or erased, stays as he is.
			if _, err := people.Save(ctx, customer(u.Contact)); err != nil && !errors.Is(err, contacts.ErrStale) {
				if ctx.Err() != nil {
					return nil
				}
				return fmt.Errorf("simulated customers: %w", err)
			}
			named[u.Contact] = true
		}
		select {
		case <-w.C():
		case <-ctx.Done():
			return nil
		}
	}
}

// contactOf is who the simulated counter says has brought a unit.
func contactOf(u queue.UnitID) queue.ContactID { return queue.ContactID("contact-" + string(u)) }

var (
	firstNames  = []string{"Ada", "Bram", "Cora", "Dov", "Elspeth", "Finn", "Greta", "Hamish", "Isla", "Jonas", "Kirsty", "Lorne", "Mairi", "Niall", "Oona", "Piers", "Rhona", "Struan", "Tilda", "Wren"}
	familyNames = []string{"Alderby", "Birkett", "Carrock", "Dunmail", "Eskrigg", "Fellgate", "Gilpin", "Harthope", "Irthing", "Kinmont", "Langleeford", "Mosedale", "Netherby", "Ormside", "Pikestone", "Rigg", "Sourhope", "Thorne", "Usway", "Whinfell"}
)

// customer is somebody invented, always the same for an id. The telephone
// numbers are of those that Ofcom sets aside for drama, 01632 960000 to 960999
// (from memory).
func customer(id queue.ContactID) contacts.Person {
	h := sha256.Sum256([]byte(id))
	return contacts.Person{
		ID: id, Name: firstNames[int(h[0])%len(firstNames)] + " " + familyNames[int(h[1])%len(familyNames)],
		Phone: fmt.Sprintf("01632 960%03d", (int(h[2])<<8+int(h[3]))%1000),
	}
}
