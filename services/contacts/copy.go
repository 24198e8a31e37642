package contacts

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tickover/queue"
	"tickover/queue/log"
)

// line is one person in a copy; Person nil: erased.
type line struct {
	Site   queue.SiteID    `json:"site"`
	ID     queue.ContactID `json:"id"`
	Person *Person         `json:"person,omitempty"`
}

// parse reads a line of a copy.
func parse(b []byte) (l line, err error) {
	if err := json.Unmarshal(b, &l); err != nil {
		return l, err
	}
	if err := log.CheckSite(l.Site); err != nil {
		return l, err
	}
	// An id is one word of a subject: a wildcard would be somebody else's too.
	if l.ID == "" || len(l.ID) > idMax || strings.ContainsFunc(string(l.ID), func(r rune) bool {
		return r <= ' ' || r >= 0x7f || strings.ContainsRune(".*>", r)
	}) {
		return l, fmt.Errorf("contact id %q: 1 to %d letters, digits and '-' are allowed", l.ID, idMax)
	}
	return l, nil
}

const idMax = 64

func (l *line) subject() string { return "contacts." + string(l.Site) + "." + string(l.ID) }

// Erased are people who were erased, by site and id. The ids say nothing about
// them.
type Erased map[queue.SiteID]map[queue.ContactID]bool

func (e Erased) add(site queue.SiteID, id queue.ContactID) {
	if e[site] == nil {
		e[site] = map[queue.ContactID]bool{}
	}
	e[site][id] = true
}

// Dump writes the people of all sites, one JSON object a line, and the ids of
// those who were erased. It returns how many people it wrote.
func Dump(ctx context.Context, nc *nats.Conn, w io.Writer) (n int, err error) {
	err = each(ctx, nc, func(l line) error {
		if l.Person != nil {
			n++
		}
		b, err := json.Marshal(l)
		if err != nil {
			return err
		}
		_, err = w.Write(append(b, '\n'))
		return err
	})
	return n, err
}

// ErasedIn are the people who were erased from a store.
func ErasedIn(ctx context.Context, nc *nats.Conn) (Erased, error) {
	out := Erased{}
	err := each(ctx, nc, func(l line) error {
		if l.Person == nil {
			out.add(l.Site, l.ID)
		}
		return nil
	})
	return out, err
}

// each calls fn with what the store has of everybody, once a person.
func each(ctx context.Context, nc *nats.Conn, fn func(line) error) error {
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("contacts: %w", err)
	}
	s, err := js.Stream(ctx, Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil // nobody was ever kept
	}
	if err != nil {
		return fmt.Errorf("contacts: %w", err)
	}
	info, err := s.Info(ctx)
	if err != nil {
		return fmt.Errorf("contacts: %w", err)
	}
	last := map[string]line{}
	var order []string
	for seq := uint64(1); seq <= info.State.LastSeq; seq++ {
		m, err := s.GetMsg(ctx, seq, jetstream.WithGetMsgSubject("contacts.>"))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			break
		}
		if err != nil {
			return fmt.Errorf("contacts: %w", err)
		}
		seq = m.Sequence
		site, id, ok := strings.Cut(strings.TrimPrefix(m.Subject, "contacts."), ".")
		if !ok {
			continue
		}
		l := line{Site: queue.SiteID(site), ID: queue.ContactID(id)}
		if len(m.Data) > 0 {
			l.Person = &Person{}
			if err := json.Unmarshal(m.Data, l.Person); err != nil {
				return fmt.Errorf("contacts: %s: %w", m.Subject, err)
			}
			l.Person.ID = l.ID
		}
		if _, ok := last[m.Subject]; !ok {
			order = append(order, m.Subject)
		}
		last[m.Subject] = l
	}
	for _, subject := range order {
		if err := fn(last[subject]); err != nil {
			return err
		}
	}
	return nil
}

// lineMax bounds a line of a copy.
const lineMax = 64 << 10

// Load puts the people of a copy into a store that has none of them, but for
// those who were erased, by the copy itself or by what is handed in. It returns
// how many people came and how many stay erased.
func Load(ctx context.Context, nc *nats.Conn, r io.Reader, erased Erased, replicas int) (came, stay int, err error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, 0, fmt.Errorf("contacts: %w", err)
	}
	if _, err := Open(ctx, nc, "none", replicas, nil); err != nil { // makes the store
		return 0, 0, err
	}
	in := bufio.NewScanner(r)
	in.Buffer(nil, lineMax)
	for n := 1; in.Scan(); n++ {
		l, err := parse(in.Bytes())
		if err != nil {
			return came, stay, fmt.Errorf("line %d is no person of a backup: %w", n, err)
		}
		var value []byte // empty: erased
		switch {
		case l.Person == nil:
		case erased[l.Site][l.ID]:
			stay++
		default:
			came++
			if value, err = json.Marshal(l.Person); err != nil {
				return came, stay, err
			}
		}
		if _, err := js.Publish(ctx, l.subject(), value, jetstream.WithExpectLastSequencePerSubject(0)); err != nil {
			return came, stay, fmt.Errorf("contacts: line %d: %w", n, err)
		}
	}
	return came, stay, in.Err()
}
