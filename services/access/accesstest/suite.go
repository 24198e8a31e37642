// Package accesstest is the conformance suite of access.Store: what memory,
// JetStream and any other store have to do alike.
package accesstest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/services/access"
)

// Clock is moved by hand.
type Clock struct {
	mu sync.Mutex
	t  time.Time
}

// NewClock begins now, so that a store with a clock of its own agrees.
func NewClock() *Clock { return &Clock{t: time.Now()} }

// Now is the time.
func (c *Clock) Now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

// Pass lets time pass.
func (c *Clock) Pass(d time.Duration) { c.mu.Lock(); c.t = c.t.Add(d); c.mu.Unlock() }

// Store is a store under test and how time passes for it.
type Store struct {
	access.Store
	// Pass lets time pass for the store: a clock moved by hand, or waiting.
	Pass func(time.Duration)
	// Unit is the shortest time that the store tells apart; 0: any.
	Unit time.Duration
}

// Run tries a store; open returns an empty one.
func Run(t *testing.T, open func(*testing.T) Store) {
	for name, try := range map[string]func(*testing.T, Store){
		"set and get": setAndGet, "revisions": revisions, "delete": remove, "time is over": over,
		"list": list, "one of many creates": oneCreates, "one of many takes": oneTakes, "what is put in is copied": copied, "large": large,
	} {
		t.Run(name, func(t *testing.T) { try(t, open(t)) })
	}
}

var ctx = context.Background()

func is(t *testing.T, what string, got, want error) {
	t.Helper()
	if !errors.Is(got, want) {
		t.Fatalf("%s: %v, want %v", what, got, want)
	}
}

func has(t *testing.T, s Store, key, want string) access.Item {
	t.Helper()
	item, err := s.Get(ctx, key)
	if err != nil || string(item.Value) != want || item.Revision == 0 || item.Revision == access.Any {
		t.Fatalf("get %s: %q at %d, %v; want %q", key, item.Value, item.Revision, err, want)
	}
	return item
}

func setAndGet(t *testing.T, s Store) {
	_, err := s.Get(ctx, "account.ruth")
	is(t, "get nothing", err, access.ErrNone)
	is(t, "create", s.Set(ctx, "account.ruth", []byte("one"), 0, 0), nil)
	has(t, s, "account.ruth", "one")
	_, err = s.Get(ctx, "account.ruth-x")
	is(t, "get a longer key", err, access.ErrNone)
	is(t, "whatever is there", s.Set(ctx, "account.ruth", []byte("two"), access.Any, 0), nil)
	has(t, s, "account.ruth", "two")
	is(t, "nothing is there", s.Set(ctx, "account.ines", []byte("new"), access.Any, 0), nil)
	has(t, s, "account.ines", "new")
}

func revisions(t *testing.T, s Store) {
	is(t, "create", s.Set(ctx, "k.a", []byte("one"), 0, 0), nil)
	is(t, "create again", s.Set(ctx, "k.a", []byte("x"), 0, 0), access.ErrChanged)
	first := has(t, s, "k.a", "one")
	is(t, "change", s.Set(ctx, "k.a", []byte("two"), first.Revision, 0), nil)
	is(t, "change by the old revision", s.Set(ctx, "k.a", []byte("three"), first.Revision, 0), access.ErrChanged)
	is(t, "delete by the old revision", s.Delete(ctx, "k.a", first.Revision), access.ErrChanged)
	second := has(t, s, "k.a", "two")
	is(t, "delete", s.Delete(ctx, "k.a", second.Revision), nil)
	// What was removed does not come back by a change that was on its way.
	is(t, "change what is gone", s.Set(ctx, "k.a", []byte("ghost"), second.Revision, 0), access.ErrChanged)
	_, err := s.Get(ctx, "k.a")
	is(t, "get what is gone", err, access.ErrNone)
	is(t, "create what was gone", s.Set(ctx, "k.a", []byte("again"), 0, 0), nil)
	if third := has(t, s, "k.a", "again"); third.Revision == first.Revision || third.Revision == second.Revision {
		t.Error("a revision is used twice")
	}
}

func remove(t *testing.T, s Store) {
	is(t, "delete nothing", s.Delete(ctx, "k.a", access.Any), access.ErrNone)
	is(t, "create", s.Set(ctx, "k.a", []byte("one"), 0, 0), nil)
	is(t, "delete", s.Delete(ctx, "k.a", access.Any), nil)
	is(t, "delete again", s.Delete(ctx, "k.a", access.Any), access.ErrNone)
}

func over(t *testing.T, s Store) {
	unit := max(s.Unit, 20*time.Millisecond)
	is(t, "create", s.Set(ctx, "k.short", []byte("short"), 0, 2*unit), nil)
	is(t, "create", s.Set(ctx, "k.long", []byte("long"), 0, time.Hour), nil)
	is(t, "create", s.Set(ctx, "k.ever", []byte("ever"), 0, 0), nil)
	has(t, s, "k.short", "short")
	s.Pass(3 * unit)
	_, err := s.Get(ctx, "k.short")
	is(t, "get what is over", err, access.ErrNone)
	has(t, s, "k.long", "long")
	has(t, s, "k.ever", "ever")
	is(t, "delete what is over", s.Delete(ctx, "k.short", access.Any), access.ErrNone)
	is(t, "create what was over", s.Set(ctx, "k.short", []byte("new"), 0, time.Hour), nil)
	item := has(t, s, "k.short", "new")
	// The time is the newest value's.
	is(t, "shorten", s.Set(ctx, "k.short", []byte("brief"), item.Revision, unit), nil)
	s.Pass(2 * unit)
	_, err = s.Get(ctx, "k.short")
	is(t, "get what is over again", err, access.ErrNone)
	is(t, "change what is over", s.Set(ctx, "k.short", []byte("ghost"), item.Revision, 0), access.ErrChanged)
}

func list(t *testing.T, s Store) {
	want := []string{}
	for i := range 30 {
		key := fmt.Sprintf("session.ruth.%02d", i)
		want = append(want, key)
		is(t, "create", s.Set(ctx, key, []byte("x"), 0, time.Hour), nil)
	}
	for _, key := range []string{"session.ruth-two.1", "session.ines.1", "account.ruth"} {
		is(t, "create", s.Set(ctx, key, []byte("x"), 0, 0), nil)
	}
	got, err := s.List(ctx, "session.ruth.")
	if err != nil || !slices.Equal(got, want) {
		t.Fatalf("list: %v, %v", got, err)
	}
	if got, err := s.List(ctx, "nothing."); err != nil || len(got) != 0 {
		t.Errorf("list of nothing: %v, %v", got, err)
	}
	if got, err := s.List(ctx, "session."); err != nil || len(got) != 32 {
		t.Errorf("list of all: %d, %v", len(got), err)
	}
}

const many = 8

// race lets several do the same at once and returns how many could.
func race(t *testing.T, do func(int) error) int {
	t.Helper()
	var wg sync.WaitGroup
	errs := make([]error, many)
	for i := range many {
		wg.Go(func() { errs[i] = do(i) })
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		switch {
		case err == nil:
			won++
		case !errors.Is(err, access.ErrChanged) && !errors.Is(err, access.ErrNone):
			t.Fatal(err)
		}
	}
	return won
}

func oneCreates(t *testing.T, s Store) {
	if won := race(t, func(i int) error { return s.Set(ctx, "k.one", []byte{byte('a' + i)}, 0, time.Hour) }); won != 1 {
		t.Errorf("%d created the same", won)
	}
}

func oneTakes(t *testing.T, s Store) {
	is(t, "create", s.Set(ctx, "k.one", []byte("x"), 0, time.Hour), nil)
	item := has(t, s, "k.one", "x")
	if won := race(t, func(int) error { return s.Delete(ctx, "k.one", item.Revision) }); won != 1 {
		t.Errorf("%d took the same", won)
	}
}

func copied(t *testing.T, s Store) {
	value := []byte("mine")
	is(t, "create", s.Set(ctx, "k.a", value, 0, 0), nil)
	value[0] = 'X'
	item := has(t, s, "k.a", "mine")
	item.Value[0] = 'Y'
	has(t, s, "k.a", "mine")
}

func large(t *testing.T, s Store) {
	key := "k." + strings.Repeat("a", access.KeyMax-2)
	value := strings.Repeat("v", access.ValueMax)
	is(t, "create", s.Set(ctx, key, []byte(value), 0, time.Hour), nil)
	has(t, s, key, value)
}
