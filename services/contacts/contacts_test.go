package contacts_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"

	"tickover/services/contacts"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 2, 17, 12, 0, 0, 0, time.UTC)

// store is a real server with its files.
type store struct {
	dir string
	srv *server.Server
}

func newStore(t *testing.T) *store {
	t.Helper()
	s := &store{dir: t.TempDir()}
	srv, err := server.NewServer(&server.Options{DontListen: true, JetStream: true, StoreDir: s.dir, SyncAlways: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	if !srv.ReadyForConnections(30 * time.Second) {
		t.Fatal("server not ready")
	}
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	s.srv = srv
	return s
}

func (s *store) open(t *testing.T) *contacts.Book {
	t.Helper()
	nc, err := nats.Connect("", nats.InProcessServer(s.srv))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	b, err := contacts.Open(ctx, nc, "larkmoor", 0, func() time.Time { return noon })
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("run: %v", err)
		}
		nc.Close()
	})
	return b
}

// holds reports whether a text is anywhere in the store's files.
func (s *store) holds(t *testing.T, text string) bool {
	t.Helper()
	found := false
	err := filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		found = found || bytes.Contains(b, []byte(text))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func limit(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func save(t *testing.T, b *contacts.Book, p contacts.Person) contacts.Person {
	t.Helper()
	p, err := b.Save(limit(t), p)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestFind(t *testing.T) {
	b := newStore(t).open(t)
	for _, p := range []contacts.Person{
		{Name: "Brónagh Ó Dálaigh", Phone: "+353 (0)28 555-0143"},
		{Name: "Jürgen Maßmann", Email: "Werkstatt@example.org"},
		{Name: "Ana-María Lindqvist"},
	} {
		save(t, b, p)
	}
	for query, want := range map[string]string{
		"bronagh": "Brónagh Ó Dálaigh", "DALAIGH b": "Brónagh Ó Dálaigh", "5550143": "Brónagh Ó Dálaigh", "555 0143": "Brónagh Ó Dálaigh",
		"jurgen massmann": "Jürgen Maßmann", "werkst": "Jürgen Maßmann", "maria": "Ana-María Lindqvist", "lindq": "Ana-María Lindqvist",
		"qvist": "", "143": "", "": "", "  ": "", "bronagh maria": "",
	} {
		var names []string
		for _, p := range b.Find(query) {
			names = append(names, p.Name)
		}
		if got := strings.Join(names, ";"); got != want {
			t.Errorf("Find(%q) = %q, want %q", query, got, want)
		}
	}
}

// TestErasedIsGoneFromTheFiles: not marked as deleted, overwritten.
func TestErasedIsGoneFromTheFiles(t *testing.T) {
	s := newStore(t)
	b := s.open(t)
	p := save(t, b, contacts.Person{Name: "Quillon Vardy", Phone: "555 0199"})
	other := save(t, b, contacts.Person{Name: "Merrin Ashdown"})
	if !s.holds(t, "Quillon Vardy") {
		t.Fatal("the store's files don't have the name, so this test could not fail")
	}
	p.Name = "Quillon Vardy-Holm"
	p = save(t, b, p)
	if s.holds(t, `"Quillon Vardy"`) {
		t.Error("the replaced name is still in the files")
	}
	if err := b.Erase(limit(t), p.ID); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"Quillon", "555 0199"} {
		if s.holds(t, text) {
			t.Errorf("%q is still in the store's files", text)
		}
	}
	if _, ok := b.Get(p.ID); ok {
		t.Error("the book still has the erased person")
	}
	if err := b.Erase(limit(t), p.ID); !errors.Is(err, contacts.ErrUnknown) {
		t.Errorf("erased twice: %v", err)
	}
	again := s.open(t)
	save(t, again, contacts.Person{Name: "Somebody else"}) // returns once it has been read
	if _, ok := again.Get(p.ID); ok || again.Len() != 2 {
		t.Errorf("a book opened later has %d people, the erased one: %v", again.Len(), ok)
	}
	if got, ok := again.Get(other.ID); !ok || got.Name != other.Name {
		t.Errorf("the other person: %+v %v", got, ok)
	}
}

// TestLeftOverVersionIsOverwritten: a process that stopped between storing a
// version and overwriting the one before leaves that one in the files; the next
// change and the erasure destroy it all the same.
func TestLeftOverVersionIsOverwritten(t *testing.T) {
	for name, change := range map[string]func(*contacts.Book, contacts.Person) error{
		"erase": func(b *contacts.Book, p contacts.Person) error { return b.Erase(limit(t), p.ID) },
		"save": func(b *contacts.Book, p contacts.Person) error {
			p.Phone = "555 0111"
			_, err := b.Save(limit(t), p)
			return err
		},
	} {
		s := newStore(t)
		b := s.open(t)
		p := save(t, b, contacts.Person{Name: "Quillon Vardy"})
		nc, err := nats.Connect("", nats.InProcessServer(s.srv))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		js, err := jetstream.New(nc)
		if err != nil {
			t.Fatal(err)
		}
		// What the stopped process had stored.
		ack, err := js.Publish(limit(t), "contacts.larkmoor."+string(p.ID), []byte(`{"name":"Q. Holm"}`))
		if err != nil {
			t.Fatal(err)
		}
		if !s.holds(t, "Quillon Vardy") {
			t.Fatal("the older version is not in the files, so this test could not fail")
		}
		save(t, b, contacts.Person{Name: "Somebody else"}) // returns once all has been read
		p, _ = b.Get(p.ID)
		if p.Revision != ack.Sequence {
			t.Fatalf("revision %d, stored %d", p.Revision, ack.Sequence)
		}
		if err := change(b, p); err != nil {
			t.Fatal(err)
		}
		if s.holds(t, "Quillon Vardy") {
			t.Errorf("%s: the version that was left over is still in the files", name)
		}
	}
}

func TestTwoBooksAgreeAndNobodyIsOverwritten(t *testing.T) {
	s := newStore(t)
	one, two := s.open(t), s.open(t)
	p := save(t, one, contacts.Person{Name: "Tamsin Orrell"})
	for i := 0; ; i++ {
		if _, ok := two.Get(p.ID); ok {
			break
		}
		save(t, two, contacts.Person{Name: "Somebody else"}) // returns once two has seen it, so p before it
		if i > 1 {
			t.Fatal("the second book does not see what the first saved")
		}
	}
	q, _ := two.Get(p.ID)
	p.Phone = "555 0101"
	save(t, one, p)
	q.Phone = "555 0102"
	if _, err := two.Save(limit(t), q); !errors.Is(err, contacts.ErrStale) {
		t.Errorf("saved over somebody else's change: %v", err)
	}
}

func TestWhatCantBeKept(t *testing.T) {
	b := newStore(t).open(t)
	for name, p := range map[string]contacts.Person{
		"no name":    {Phone: "1"},
		"long name":  {Name: strings.Repeat("ö", contacts.NameMax+1)},
		"control":    {Name: "a\x00b"},
		"not UTF-8":  {Name: "a\xff"},
		"long phone": {Name: "A", Phone: strings.Repeat("1", contacts.PhoneMax+1)},
	} {
		if _, err := b.Save(limit(t), p); !errors.Is(err, contacts.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := b.Save(limit(t), contacts.Person{ID: "nobody", Name: "A", Revision: 7}); !errors.Is(err, contacts.ErrUnknown) {
		t.Errorf("unknown id: %v", err)
	}
	if b.Len() != 0 {
		t.Errorf("%d people kept", b.Len())
	}
	long := strings.Repeat("ö", contacts.NameMax)
	if p := save(t, b, contacts.Person{Name: long}); p.Name != long {
		t.Error("the longest name was changed")
	}
}
