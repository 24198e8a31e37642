// Package contacts keeps what the shop knows of people who bring machines:
// name, telephone, e-mail. It lies beside the log, never in it: the log has an
// opaque id, so that a person's data can be handed out and erased while the
// technical history stays whole.
//
// It guarantees:
//
//  1. What is erased, or replaced by something newer, is overwritten in the
//     store's files, not only marked as gone. Backups made before still have
//     it; the caller is told so.
//  2. An id says nothing about a person.
//  3. Any number of processes see the same people; a change is seen by all.
//
// It does not know which units belong to whom: that is in the log.
package contacts

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/text/cases"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"tickover/queue"
)

// Stream is where people are kept: one message for each, on contacts.<site>.<id>;
// an empty one stands for somebody erased. It is a stream and no key-value
// bucket because a bucket's values can't be overwritten.
const Stream = "CONTACTS"

// Bounds of a person's fields in characters.
const (
	NameMax  = 120
	PhoneMax = 40
	EmailMax = 200
	foundMax = 50
)

// Errors.
var (
	ErrUnknown = errors.New("no such contact")
	ErrInvalid = errors.New("contact can't be kept")
	// ErrStale: somebody else changed the contact meanwhile.
	ErrStale = errors.New("contact was changed meanwhile")
)

// Person is one contact.
type Person struct {
	ID      queue.ContactID `json:"id"`
	Name    string          `json:"name"`
	Phone   string          `json:"phone,omitempty"`
	Email   string          `json:"email,omitempty"`
	Changed time.Time       `json:"changed"`
	// Revision is the store's; zero: not kept yet.
	Revision uint64 `json:"-"`
}

func (p *Person) check() error {
	p.Name, p.Phone, p.Email = strings.TrimSpace(p.Name), strings.TrimSpace(p.Phone), strings.TrimSpace(p.Email)
	if p.Name == "" {
		return fmt.Errorf("%w: the name is missing", ErrInvalid)
	}
	for _, f := range []struct {
		what, text string
		max        int
	}{{"the name", p.Name, NameMax}, {"the telephone number", p.Phone, PhoneMax}, {"the e-mail address", p.Email, EmailMax}} {
		if !utf8.ValidString(f.text) || strings.ContainsFunc(f.text, unicode.IsControl) {
			return fmt.Errorf("%w: %s has characters that can't be printed", ErrInvalid, f.what)
		}
		if n := utf8.RuneCountInString(f.text); n > f.max {
			return fmt.Errorf("%w: %s has %d characters, at most %d are kept", ErrInvalid, f.what, n, f.max)
		}
	}
	return nil
}

// Book holds the people of one site. It is safe for concurrent use.
type Book struct {
	site   queue.SiteID
	js     jetstream.JetStream
	stream jetstream.Stream
	now    func() time.Time

	mu     sync.RWMutex
	people map[queue.ContactID]Person
	seen   uint64 // the store's last revision that people reflects
	moved  chan struct{}
}

// Open opens the site's book; replicas 0 leaves a store that exists as it is.
// It is empty until Run has read it, and what Save and Erase do is seen by Run,
// so they need it running.
func Open(ctx context.Context, nc *nats.Conn, site queue.SiteID, replicas int, now func() time.Time) (*Book, error) {
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, fmt.Errorf("contacts: %w", err)
	}
	b := &Book{site: site, js: js, now: now, people: map[queue.ContactID]Person{}, moved: make(chan struct{})}
	// Two messages a person: the older one stays until it has been overwritten.
	c := jetstream.StreamConfig{
		Name: Stream, Description: "people, outside the log", Subjects: []string{"contacts.>"}, Storage: jetstream.FileStorage,
		MaxMsgsPerSubject: 2, MaxMsgSize: 16 << 10, AllowDirect: true, Replicas: max(1, replicas),
	}
	if replicas == 0 {
		b.stream, err = js.Stream(ctx, Stream)
	}
	// Servers that don't answer are no reason to make it anew.
	if replicas != 0 || errors.Is(err, jetstream.ErrStreamNotFound) {
		b.stream, err = js.CreateOrUpdateStream(ctx, c)
	}
	if err != nil {
		return nil, fmt.Errorf("contacts: open stream %s: %w", Stream, err)
	}
	return b, nil
}

func (b *Book) subject(id queue.ContactID) string {
	return "contacts." + string(b.site) + "." + string(id)
}

// Run reads all people and keeps the book as the store has it until ctx ends.
func (b *Book) Run(ctx context.Context) error {
	c, err := b.js.OrderedConsumer(ctx, Stream, jetstream.OrderedConsumerConfig{
		FilterSubjects: []string{b.subject("*")}, DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy,
	})
	if err != nil {
		return ended(ctx, err)
	}
	msgs, err := c.Messages()
	if err != nil {
		return ended(ctx, err)
	}
	stop := context.AfterFunc(ctx, msgs.Stop)
	defer stop()
	for {
		m, err := msgs.Next()
		if err != nil {
			return ended(ctx, err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return ended(ctx, err)
		}
		b.take(m.Subject(), m.Data(), meta.Sequence.Stream)
	}
}

func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("contacts: follow the store: %w", err)
}

func (b *Book) take(subject string, value []byte, revision uint64) {
	id := queue.ContactID(strings.TrimPrefix(subject, b.subject("")))
	b.mu.Lock()
	defer b.mu.Unlock()
	if old, ok := b.people[id]; ok && old.Revision > revision {
		return
	}
	var p Person
	if len(value) == 0 {
		delete(b.people, id)
	} else if json.Unmarshal(value, &p) == nil { // else written by a version that this one can't read
		p.ID, p.Revision = id, revision
		b.people[id] = p
	}
	b.seen = max(b.seen, revision)
	close(b.moved)
	b.moved = make(chan struct{})
}

// Get is one person.
func (b *Book) Get(id queue.ContactID) (Person, bool) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	p, ok := b.people[id]
	return p, ok
}

// Loaded waits until Run has read all that the store has now.
func (b *Book) Loaded(ctx context.Context) error {
	last, err := b.stream.GetLastMsgForSubject(ctx, b.subject("*"))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil // there is nobody
	}
	if err != nil {
		return fmt.Errorf("contacts: %w", err)
	}
	return b.reach(ctx, last.Sequence)
}

// Len is the number of people.
func (b *Book) Len() int {
	b.mu.RLock()
	defer b.mu.RUnlock()
	return len(b.people)
}

// Find is who a caller may be: every word of the query begins a word of the
// name, whatever its case and accents, or its digits are in the telephone
// number, or it begins the e-mail address. At most 50, by name.
func (b *Book) Find(query string) []Person {
	words := strings.Fields(fold(query))
	if len(words) == 0 {
		return nil
	}
	digits := onlyDigits(query)
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []Person
	for _, p := range b.people {
		phone := len(digits) >= 4 && strings.Contains(onlyDigits(p.Phone), digits)
		if phone || named(fold(p.Name), words) || len(words) == 1 && strings.HasPrefix(fold(p.Email), words[0]) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(x, y Person) int {
		return cmp.Or(cmp.Compare(fold(x.Name), fold(y.Name)), cmp.Compare(x.ID, y.ID))
	})
	return out[:min(len(out), foundMax)]
}

func named(name string, words []string) bool {
	parts := strings.FieldsFunc(name, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	for _, w := range words {
		if !slices.ContainsFunc(parts, func(p string) bool { return strings.HasPrefix(p, w) }) {
			return false
		}
	}
	return true
}

// fold drops case and accents.
func fold(s string) string {
	t, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn)), norm.NFC), s)
	if err != nil {
		t = s
	}
	return cases.Fold().String(t)
}

func onlyDigits(s string) string {
	return strings.Map(func(r rune) rune {
		if '0' <= r && r <= '9' {
			return r
		}
		return -1
	}, s)
}

// NewID makes an id that says nothing.
func NewID() queue.ContactID { return queue.ContactID(uuid.NewString()) }

// Save keeps a person: a new one with revision 0, under the id given or a new
// one, or a newer version of one that was read before. Errors: ErrInvalid,
// ErrUnknown, ErrStale (for a new one: the id is taken).
func (b *Book) Save(ctx context.Context, p Person) (Person, error) {
	if err := p.check(); err != nil {
		return p, err
	}
	p.Changed = b.now().UTC().Truncate(time.Second)
	if _, ok := b.Get(p.ID); p.Revision > 0 && !ok {
		return p, ErrUnknown
	}
	if p.ID == "" {
		p.ID = NewID()
	}
	value, err := json.Marshal(p)
	if err != nil {
		return p, fmt.Errorf("contacts: %w", err)
	}
	before := p.Revision
	// A third version would push out, not overwrite, what a process left that
	// stopped while saving.
	if err := b.overwriteBefore(ctx, p.ID, before); err != nil {
		return p, err
	}
	if p.Revision, err = b.put(ctx, p.ID, value, before); err != nil {
		return p, err
	}
	if before > 0 {
		if err := b.overwrite(ctx, before); err != nil {
			return p, err
		}
	}
	return p, b.reach(ctx, p.Revision)
}

// put stores a value on the condition that nobody stored a newer one.
func (b *Book) put(ctx context.Context, id queue.ContactID, value []byte, after uint64) (uint64, error) {
	ack, err := b.js.Publish(ctx, b.subject(id), value, jetstream.WithExpectLastSequencePerSubject(after))
	var refused *jetstream.APIError
	if errors.As(err, &refused) && (refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant) {
		return 0, ErrStale
	}
	if err != nil {
		return 0, fmt.Errorf("contacts: save: %w", err)
	}
	return ack.Sequence, nil
}

// Erase overwrites all that the store has of a person. The units' history
// keeps the id, which then names nobody.
func (b *Book) Erase(ctx context.Context, id queue.ContactID) error {
	last, err := b.stream.GetLastMsgForSubject(ctx, b.subject(id))
	if errors.Is(err, jetstream.ErrMsgNotFound) || err == nil && len(last.Data) == 0 {
		return ErrUnknown
	}
	if err != nil {
		return fmt.Errorf("contacts: erase: %w", err)
	}
	if err := b.overwriteBefore(ctx, id, last.Sequence); err != nil { // as in Save
		return err
	}
	gone, err := b.put(ctx, id, nil, last.Sequence)
	if err != nil {
		return err
	}
	if err := b.overwriteBefore(ctx, id, gone); err != nil {
		return err
	}
	return b.reach(ctx, gone)
}

// overwriteBefore destroys every message about a person before a revision; 0:
// there is none.
func (b *Book) overwriteBefore(ctx context.Context, id queue.ContactID, before uint64) error {
	if before == 0 {
		return nil
	}
	for seq := uint64(1); ; {
		m, err := b.stream.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(b.subject(id)))
		if errors.Is(err, jetstream.ErrMsgNotFound) || err == nil && m.Sequence >= before {
			return nil
		}
		if err != nil {
			return fmt.Errorf("contacts: overwrite: %w", err)
		}
		if err := b.overwrite(ctx, m.Sequence); err != nil {
			return err
		}
		seq = m.Sequence + 1
	}
}

// overwrite destroys one stored value in the store's files.
func (b *Book) overwrite(ctx context.Context, revision uint64) error {
	err := b.stream.SecureDeleteMsg(ctx, revision)
	if err != nil && !errors.Is(err, jetstream.ErrMsgNotFound) {
		return fmt.Errorf("contacts: overwrite: %w", err)
	}
	return nil
}

// reach waits until this book has seen a revision: who saved reads it back.
func (b *Book) reach(ctx context.Context, revision uint64) error {
	return b.await(ctx, func() bool { return b.seen >= revision })
}

func (b *Book) await(ctx context.Context, there func() bool) error {
	for {
		b.mu.RLock()
		ok, moved := there(), b.moved
		b.mu.RUnlock()
		if ok {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
