package access_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"tickover/services/access"
	"tickover/services/access/accesstest"
)

var (
	ctx   = context.Background()
	quick = access.Hash{MemoryKiB: 64, Passes: 1, Lanes: 1}
	here  = access.Origin{Address: "192.0.2.7", Device: "a phone"}
)

const pass = "quiet heron under glass"

type desk struct {
	*access.Desk
	t     *testing.T
	clock *accesstest.Clock
	store access.Store
	logs  *observer.ObservedLogs
}

func newDesk(t *testing.T) *desk {
	c := accesstest.NewClock()
	return deskOn(t, access.NewMem(c.Now), c)
}

func deskOn(t *testing.T, s access.Store, c *accesstest.Clock) *desk {
	t.Helper()
	core, logs := observer.New(zap.DebugLevel)
	d, err := access.New(access.Options{Store: s, Now: c.Now, Random: rand.Reader, Hash: quick, Logger: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	return &desk{d, t, c, s, logs}
}

func (d *desk) add(id string, password string, roles ...access.Role) {
	d.t.Helper()
	if err := d.Add(ctx, "test", access.Account{ID: id, Roles: roles}, password); err != nil {
		d.t.Fatal(err)
	}
}

func (d *desk) signIn(id string) *access.Pass {
	d.t.Helper()
	p, err := d.SignIn(ctx, id, pass, here)
	if err != nil {
		d.t.Fatal(err)
	}
	return p
}

func (d *desk) who(token string) *access.Who {
	d.t.Helper()
	w, err := d.Who(ctx, token)
	if err != nil {
		d.t.Fatal(err)
	}
	return w
}

func (d *desk) out(token string) {
	d.t.Helper()
	if w, err := d.Who(ctx, token); !errors.Is(err, access.ErrSignedOut) {
		d.t.Fatalf("still in: %v, %v", w, err)
	}
}

func TestAShopIsOpenUntilItHasAnAccount(t *testing.T) {
	d := newDesk(t)
	if closed, err := d.Closed(ctx); closed || err != nil {
		t.Fatal(closed, err)
	}
	var invalid *access.InvalidError
	for _, a := range []access.Account{{ID: "tom", Roles: []access.Role{access.Technician}}, {ID: "own", Roles: []access.Role{access.Owner}}} {
		password := ""
		if a.ID == "tom" {
			password = pass
		}
		if err := d.Add(ctx, "", a, password); !errors.As(err, &invalid) || invalid.Do == "" {
			t.Errorf("first account %s: %v", a.ID, err)
		}
	}
	d.add("own", pass, access.Owner)
	if closed, err := d.Closed(ctx); !closed || err != nil {
		t.Fatal(closed, err)
	}
	other := deskOn(t, d.store, d.clock) // another process
	if closed, err := other.Closed(ctx); !closed || err != nil {
		t.Fatal(closed, err)
	}
	no := false
	yes := true
	for what, c := range map[string]access.Change{"shut": {Shut: &yes}, "roles": {Roles: []access.Role{access.Reader}}, "password": {Password: new(string)}} {
		if err := d.Change(ctx, "own", "own", c); !errors.Is(err, access.ErrLastOwner) {
			t.Errorf("the last owner, %s: %v", what, err)
		}
	}
	if err := d.Change(ctx, "own", "own", access.Change{Shut: &no}); err != nil {
		t.Error(err)
	}
}

func TestSessions(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.add("ines", pass, access.Technician)
	a, b := d.signIn("ines"), d.signIn("INES ")
	if a.Token == b.Token || len(a.Token) < 40 {
		t.Fatalf("tokens %q %q", a.Token, b.Token)
	}
	if w := d.who(a.Token); w.Account != "ines" || w.Person != "ines" || !w.Is(access.Technician) || w.Is(access.Owner) {
		t.Errorf("%+v", w)
	}
	list, err := d.Sessions(ctx, "ines")
	if err != nil || len(list) != 2 || list[0].Device != "a phone" || list[0].Address != "192.0.2.7" {
		t.Fatal(list, err)
	}
	if err := d.End(ctx, "ines", "ines", a.Session.ID, here); err != nil {
		t.Fatal(err)
	}
	d.out(a.Token)
	d.who(b.Token)
	d.out("own." + strings.SplitN(b.Token, ".", 2)[1]) // another account's name on a token
	d.out(b.Token + "x")
	d.out("")
	d.out("ines.*")

	if err := d.NewPassword(ctx, d.who(b.Token), "not it at all", "brown lamp sings twice", here); !errors.Is(err, access.ErrWrong) {
		t.Errorf("new password without the old one: %v", err)
	}
	c := d.signIn("ines")
	if err := d.NewPassword(ctx, d.who(b.Token), pass, "brown lamp sings twice", here); err != nil {
		t.Fatal(err)
	}
	d.who(b.Token) // this one stays
	d.out(c.Token)
	if _, err := d.SignIn(ctx, "ines", pass, here); !errors.Is(err, access.ErrWrong) {
		t.Errorf("old password: %v", err)
	}
	yes := true
	if err := d.Change(ctx, "own", "ines", access.Change{Shut: &yes}); err != nil {
		t.Fatal(err)
	}
	d.out(b.Token)
	if _, err := d.SignIn(ctx, "ines", "brown lamp sings twice", here); !errors.Is(err, access.ErrWrong) {
		t.Errorf("shut account: %v", err)
	}
}

func TestSessionsEnd(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.add("ines", pass, access.Technician)
	for _, id := range []string{"own", "ines"} {
		a, err := d.Account(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		l := a.Lifetimes()
		idle := d.signIn(id)
		d.clock.Pass(l.Idle - time.Minute)
		d.who(idle.Token) // use keeps it
		d.clock.Pass(l.Idle - time.Minute)
		d.who(idle.Token)
		d.clock.Pass(l.Idle)
		d.out(idle.Token)

		whole := d.signIn(id)
		for left := l.Whole; left > 0; left -= l.Idle / 2 {
			d.who(whole.Token)
			d.clock.Pass(l.Idle / 2)
		}
		d.out(whole.Token)
	}
}

// TestAnEndedSessionIsNotTouchedBack: a request that was under way when the
// session was ended does not bring it back.
func TestAnEndedSessionIsNotTouchedBack(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	p := d.signIn("own")
	d.clock.Pass(10 * time.Minute)
	slow := deskOn(t, &between{Store: d.store, then: func() {
		if err := d.End(ctx, "own", "own", p.Session.ID, here); err != nil {
			t.Error(err)
		}
	}}, d.clock)
	_, _ = slow.Who(ctx, p.Token)
	d.out(p.Token)
}

// between does something before the next Set.
type between struct {
	access.Store
	once sync.Once
	then func()
}

func (b *between) Set(ctx context.Context, key string, value []byte, after uint64, ttl time.Duration) error {
	if strings.HasPrefix(key, "session.") {
		b.once.Do(b.then)
	}
	return b.Store.Set(ctx, key, value, after, ttl)
}

func TestGuessingIsSlowedDown(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.add("ines", pass, access.Technician)
	inside := d.signIn("ines")
	var throttled *access.ThrottledError
	wrong := 0
	for range 30 {
		_, err := d.SignIn(ctx, "ines", "wrong horse", here)
		if errors.As(err, &throttled) {
			break
		}
		if !errors.Is(err, access.ErrWrong) {
			t.Fatal(err)
		}
		wrong++
	}
	if throttled == nil || wrong != 8 || throttled.Wait <= 0 || throttled.Wait > 15*time.Minute {
		t.Fatalf("%d wrong, then %v", wrong, throttled)
	}
	if _, err := d.SignIn(ctx, "ines", pass, here); !errors.As(err, &throttled) {
		t.Errorf("the right password while throttled: %v", err)
	}
	d.who(inside.Token) // who is in stays in
	if _, err := d.SignIn(ctx, "ines", pass, access.Origin{Address: "192.0.2.99"}); err != nil {
		t.Errorf("from elsewhere: %v", err)
	}
	if _, err := d.SignIn(ctx, "own", pass, here); err != nil {
		t.Errorf("another account from there: %v", err)
	}
	d.clock.Pass(16 * time.Minute)
	d.signIn("ines")

	// One address that tries many accounts.
	throttled = nil
	tries := 0
	for i := range 100 {
		_, err := d.SignIn(ctx, fmt.Sprintf("nobody-%d", i), "wrong horse", access.Origin{Address: "198.51.100.4"})
		if errors.As(err, &throttled) {
			break
		}
		tries++
	}
	if throttled == nil || tries != 40 {
		t.Errorf("one address tried %d accounts", tries)
	}
	// Many addresses that try one account.
	throttled, tries = nil, 0
	for i := range 200 {
		_, err := d.SignIn(ctx, "own", "wrong horse", access.Origin{Address: fmt.Sprintf("203.0.113.%d", i)})
		if errors.As(err, &throttled) {
			break
		}
		tries++
	}
	if throttled == nil || tries < 60 || tries > 90 {
		t.Errorf("one account was tried %d times", tries)
	}
}

func TestACodeWorksOnce(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.add("ruth", pass, access.Foreman)
	d.add("ines", "", access.Technician)
	if err := d.Add(ctx, "own", access.Account{ID: "bench-3", Roles: []access.Role{access.Bench}, Bench: "b3"}, ""); err != nil {
		t.Fatal(err)
	}
	ruth, ines := d.who(d.signIn("ruth").Token), &access.Who{Account: "ines", Roles: []access.Role{access.Technician}}
	for by, account := range map[*access.Who]string{ines: "ines", ruth: "own", nil: "ines"} {
		if _, _, err := d.NewCode(ctx, by, account); !errors.Is(err, access.ErrWrong) {
			t.Errorf("%v pairs for %s: %v", by, account, err)
		}
	}
	code, until, err := d.NewCode(ctx, ruth, "bench-3")
	if err != nil || until.Sub(d.clock.Now()) != access.CodeLife {
		t.Fatal(until, err)
	}
	var wg sync.WaitGroup
	passes, errs := make([]*access.Pass, 6), make([]error, 6)
	for i := range passes {
		wg.Go(func() { passes[i], errs[i] = d.Redeem(ctx, code, here) })
	}
	wg.Wait()
	var in *access.Pass
	for i, p := range passes {
		switch {
		case p != nil && in != nil:
			t.Fatal("one code paired two devices")
		case p != nil:
			in = p
		case !errors.Is(errs[i], access.ErrCode):
			t.Fatal(errs[i])
		}
	}
	if in == nil {
		t.Fatal("nobody was paired")
	}
	if w := d.who(in.Token); w.Bench != "b3" || !w.Is(access.Bench) {
		t.Errorf("%+v", w)
	}
	if code, _, err = d.NewCode(ctx, ruth, "ines"); err != nil {
		t.Fatal(err)
	}
	d.clock.Pass(access.CodeLife)
	if _, err := d.Redeem(ctx, code, here); !errors.Is(err, access.ErrCode) {
		t.Errorf("old code: %v", err)
	}
}

func TestTokens(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.add("ines", pass, access.Technician)
	token, err := d.NewToken(ctx, "own", access.Program, "ines", "import")
	if err != nil {
		t.Fatal(err)
	}
	link, err := d.NewToken(ctx, "ines", access.Calendar, "ines", "")
	if err != nil {
		t.Fatal(err)
	}
	if w, err := d.Bearer(ctx, access.Program, token); err != nil || w.Account != "ines" || w.Session != "" || w.Token == "" {
		t.Fatal(w, err)
	}
	for what, err := range map[string]error{
		"a link as a token":    second(d.Bearer(ctx, access.Program, "tickover_"+link)),
		"a token as a link":    second(d.Bearer(ctx, access.Calendar, strings.TrimPrefix(token, "tickover_"))),
		"a token as a session": second(d.Who(ctx, token)),
		"a session as a token": second(d.Bearer(ctx, access.Program, "tickover_"+d.signIn("ines").Token)),
	} {
		if !errors.Is(err, access.ErrSignedOut) {
			t.Errorf("%s: %v", what, err)
		}
	}
	list, err := d.Tokens(ctx, access.Program, "ines")
	if err != nil || len(list) != 1 || list[0].Label != "import" {
		t.Fatal(list, err)
	}
	if err := d.Revoke(ctx, "own", access.Program, "ines", list[0].ID); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Bearer(ctx, access.Program, token); !errors.Is(err, access.ErrSignedOut) {
		t.Errorf("revoked: %v", err)
	}
	yes := true
	if err := d.Change(ctx, "own", "ines", access.Change{Shut: &yes}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Bearer(ctx, access.Calendar, link); !errors.Is(err, access.ErrSignedOut) {
		t.Errorf("link of a shut account: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// TestNoSecretIsKept looks for every secret in the program's log, in the book
// and in the files of a real store.
func TestNoSecretIsKept(t *testing.T) {
	dir := t.TempDir()
	c := accesstest.NewClock()
	d := deskOn(t, openStore(t, dir, c), c)
	d.add("own", pass, access.Owner)
	p := d.signIn("own")
	if _, err := d.SignIn(ctx, "own", "Wrong secret 7", here); err == nil {
		t.Fatal("signed in")
	}
	if _, err := d.SignIn(ctx, pass, "own", here); err == nil { // typed into the wrong field
		t.Fatal("signed in")
	}
	code, _, err := d.NewCode(ctx, d.who(p.Token), "own")
	if err != nil {
		t.Fatal(err)
	}
	token, err := d.NewToken(ctx, "own", access.Program, "own", "")
	if err != nil {
		t.Fatal(err)
	}
	secrets := []string{pass, "Wrong secret 7", p.Token, strings.TrimPrefix(p.Token, "own."), code, token, strings.TrimPrefix(token, "tickover_own.")}
	var all bytes.Buffer
	for _, e := range d.logs.All() {
		fmt.Fprintln(&all, e.Message, e.ContextMap())
	}
	book, err := d.Book(ctx, 100)
	if err != nil || len(book) < 6 {
		t.Fatal(book, err)
	}
	if err := json.NewEncoder(&all).Encode(book); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(all.String(), "signed in") || !strings.Contains(all.String(), "sign-in failed") {
		t.Fatal("the log does not tell of sign-ins: the test looks at the wrong place")
	}
	files := 0
	if err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(path)
		all.Write(b)
		files++
		return err
	}); err != nil || files < 3 {
		t.Fatal(files, err)
	}
	if !bytes.Contains(all.Bytes(), []byte("$argon2id$")) {
		t.Fatal("the store's files have no hash: the test looks at the wrong place")
	}
	for i, s := range secrets {
		if bytes.Contains(all.Bytes(), []byte(s)) {
			t.Errorf("secret %d is in the log, the book or the store", i)
		}
	}
}

func TestTheBookSaysWhoDidWhat(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	d.signIn("own")
	d.clock.Pass(time.Second)
	d.Note(ctx, access.Entry{What: access.Overrode, Account: "own", By: "own", Note: "I8, LM-1: dusk"})
	book, err := d.Book(ctx, 10)
	if err != nil || len(book) != 3 || book[0].Note != "I8, LM-1: dusk" || book[0].At.IsZero() {
		t.Fatal(book, err)
	}
	if book, err = d.Book(ctx, 1); err != nil || len(book) != 1 || book[0].What != access.Overrode {
		t.Fatal(book, err)
	}
}

func TestAccountsAreChecked(t *testing.T) {
	d := newDesk(t)
	d.add("own", pass, access.Owner)
	for what, a := range map[string]access.Account{
		"id":      {ID: "Ruth Penn", Roles: []access.Role{access.Reader}},
		"id ":     {ID: "a.b", Roles: []access.Role{access.Reader}},
		"id  ":    {ID: strings.Repeat("a", 41), Roles: []access.Role{access.Reader}},
		"name":    {ID: "x", Name: "a\x00b", Roles: []access.Role{access.Reader}},
		"roles":   {ID: "x"},
		"roles ":  {ID: "x", Roles: []access.Role{access.Bench, access.Owner}, Bench: "b1"},
		"roles  ": {ID: "x", Roles: []access.Role{77}},
		"bench":   {ID: "x", Roles: []access.Role{access.Bench}},
		"bench ":  {ID: "x", Roles: []access.Role{access.Reader}, Bench: "b1"},
		"email":   {ID: "x", Roles: []access.Role{access.Reader}, Email: "nowhere"},
	} {
		var invalid *access.InvalidError
		if err := d.Add(ctx, "own", a, ""); !errors.As(err, &invalid) || invalid.Field != strings.TrimSpace(what) || invalid.Do == "" {
			t.Errorf("%s: %v", what, err)
		}
	}
	if err := d.Add(ctx, "own", access.Account{ID: "OWN", Roles: []access.Role{access.Reader}}, ""); !errors.Is(err, access.ErrExists) {
		t.Errorf("taken: %v", err)
	}
	for _, r := range access.AllRoles() {
		b, err := json.Marshal(r)
		var back access.Role
		if err != nil || json.Unmarshal(b, &back) != nil || back != r {
			t.Errorf("role %s does not survive JSON: %s", r, b)
		}
	}
	if all, err := d.Accounts(ctx); err != nil || !slices.ContainsFunc(all, func(a *access.Account) bool { return a.ID == "own" }) || len(all) != 1 {
		t.Error(all, err)
	}
}
