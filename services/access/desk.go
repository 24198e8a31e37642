package access

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
)

// Errors that callers tell apart.
var (
	// ErrWrong: no such account, or not its password; which is not said.
	ErrWrong = errors.New("name or password is wrong")
	// ErrSignedOut: there is no such session, or it is over.
	ErrSignedOut = errors.New("signed out")
	// ErrCode: no such pairing code, or it was used, or is too old.
	ErrCode = errors.New("the code is unknown, used or too old")
	// ErrUnknown: there is no such account.
	ErrUnknown = errors.New("no such account")
	// ErrExists: the account's name is taken.
	ErrExists = errors.New("the name is taken")
	// ErrLastOwner: nobody could let others in any more.
	ErrLastOwner = errors.New("the last owner's account can't be changed so")
)

// Origin is where an attempt comes from.
type Origin struct {
	Address string // the client's, without port
	Device  string // what the browser calls itself
}

// Options of a desk. Store, Now and Random must be set.
type Options struct {
	Store  Store
	Now    func() time.Time
	Random io.Reader
	Hash   Hash // zero: RFC9106Second
	Logger *zap.Logger
	// Limits of guessing; zero: the default.
	Limits Limits
}

// Desk lets people in. It is safe for concurrent use.
type Desk struct {
	o       Options
	log     *zap.Logger
	hashing hasher
	dummy   string // hash of nobody's password
	closed  atomic.Bool
	looked  atomic.Int64 // when it was last looked whether there are accounts, unix ns
}

// New makes a desk.
func New(o Options) (*Desk, error) {
	if o.Store == nil || o.Now == nil || o.Random == nil {
		return nil, errors.New("access: a desk needs a store, a clock and randomness")
	}
	if o.Hash == (Hash{}) {
		o.Hash = RFC9106Second
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	o.Limits = o.Limits.orDefault()
	d := &Desk{o: o, log: o.Logger.Named("access"), hashing: make(hasher, hashesAtOnce)}
	var err error
	d.dummy, err = hashPassword(o.Hash, o.Random, "nobody")
	return d, err
}

// Closed reports whether people have to sign in: as soon as there is an account.
// A shop that was closed once stays so. While there is none, the store is looked
// at once a second at most.
func (d *Desk) Closed(ctx context.Context) (bool, error) {
	if d.closed.Load() {
		return true, nil
	}
	now := d.o.Now().UnixNano()
	if was := d.looked.Load(); was != 0 && now-was >= 0 && now-was < int64(time.Second) {
		return false, nil
	}
	keys, err := d.o.Store.List(ctx, accountKey(""))
	if err != nil {
		return true, err // when in doubt, shut
	}
	if len(keys) > 0 {
		d.closed.Store(true)
		return true, nil
	}
	d.looked.Store(now)
	return false, nil
}

func accountKey(id string) string { return "account." + id }

// Account is one account.
func (d *Desk) Account(ctx context.Context, id string) (*Account, error) {
	if !idForm.MatchString(id) {
		return nil, ErrUnknown
	}
	item, err := d.o.Store.Get(ctx, accountKey(id))
	if errors.Is(err, ErrNone) {
		return nil, ErrUnknown
	}
	if err != nil {
		return nil, err
	}
	a := &Account{}
	if err := json.Unmarshal(item.Value, a); err != nil {
		return nil, fmt.Errorf("access: account %s is unreadable: %w", id, err)
	}
	a.revision = item.Revision
	return a, nil
}

// Accounts are all accounts by name.
func (d *Desk) Accounts(ctx context.Context) ([]*Account, error) {
	keys, err := d.o.Store.List(ctx, accountKey(""))
	if err != nil {
		return nil, err
	}
	var out []*Account
	for _, key := range keys {
		a, err := d.Account(ctx, strings.TrimPrefix(key, accountKey("")))
		if errors.Is(err, ErrUnknown) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	slices.SortFunc(out, func(x, y *Account) int { return strings.Compare(x.ID, y.ID) })
	return out, nil
}

// Add makes an account; password may be empty. by is who does it. The first one
// has to be an owner's with a password. Errors: *InvalidError,
// ErrExists.
func (d *Desk) Add(ctx context.Context, by string, a Account, password string) error {
	if err := a.check(); err != nil {
		return err
	}
	all, err := d.Accounts(ctx)
	if err != nil {
		return err
	}
	if len(all) == 0 && (!a.Is(Owner) || password == "") {
		return wrong("roles", "the first account has to be an owner's, with a password", "Make the owner's first; the owner makes the others.")
	}
	if a.Email != "" && slices.ContainsFunc(all, func(o *Account) bool { return o.Email == a.Email }) {
		return wrong("email", "another account has this e-mail address", "Each has its own, because it may be what somebody signs in by.")
	}
	a.Made, a.Password = d.o.Now().UTC(), ""
	if password != "" {
		if err := d.setPassword(ctx, &a, password); err != nil {
			return err
		}
	}
	switch err := d.keep(ctx, &a, 0); {
	case errors.Is(err, ErrChanged):
		return ErrExists
	case err != nil:
		return err
	}
	d.closed.Store(true)
	d.note(ctx, Entry{What: AccountAdded, Account: a.ID, By: by, Note: rolesText(a.Roles)})
	return nil
}

// setPassword hashes a chosen password into the account.
func (d *Desk) setPassword(ctx context.Context, a *Account, password string) error {
	if err := checkChosen(password, a.ID, a.Name, a.Email, string(a.Person)); err != nil {
		return err
	}
	var err error
	if busy := d.hashing.do(ctx, func() { a.Password, err = hashPassword(d.o.Hash, d.o.Random, password) }); busy != nil {
		return busy
	}
	return err
}

func (d *Desk) keep(ctx context.Context, a *Account, after uint64) error {
	b, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	return d.o.Store.Set(ctx, accountKey(a.ID), b, after, 0)
}

// Change is what may be changed of an account; nil fields stay.
type Change struct {
	Name     *string
	Roles    []Role
	Email    *string
	Shut     *bool
	Password *string // set by an owner; "" takes it away
	// Person is whom the account belongs to at a provider; a zero one: nobody yet.
	Person *Identity
	// SeenFrom are the sites from which the person sees this one.
	SeenFrom *[]queue.SiteID
}

// Change changes an account. Shutting it, a new password, and another person of
// the provider end its sessions.
// Errors: *InvalidError, ErrUnknown, ErrLastOwner, ErrChanged.
func (d *Desk) Change(ctx context.Context, by, id string, c Change) error {
	a, err := d.Account(ctx, id)
	if err != nil {
		return err
	}
	old := *a
	if c.Name != nil {
		a.Name = *c.Name
	}
	if c.Roles != nil {
		a.Roles = slices.Clone(c.Roles)
	}
	if c.Email != nil && *c.Email != a.Email {
		a.Email, a.Subject = *c.Email, ""
	}
	if c.Person != nil {
		if err := a.link(*c.Person); err != nil {
			return err
		}
	}
	if c.Shut != nil {
		a.Shut = *c.Shut
	}
	if c.SeenFrom != nil {
		a.SeenFrom = slices.Clone(*c.SeenFrom)
	}
	if err := a.check(); err != nil {
		return err
	}
	all, err := d.Accounts(ctx)
	if err != nil {
		return err
	}
	if a.Email != "" && slices.ContainsFunc(all, func(o *Account) bool { return o.ID != a.ID && o.Email == a.Email }) {
		return wrong("email", "another account has this e-mail address", "Each has its own, because it may be what somebody signs in by.")
	}
	if a.Subject != "" && slices.ContainsFunc(all, func(o *Account) bool { return o.ID != a.ID && o.Subject == a.Subject }) {
		return wrong("subject", "another account belongs to this person of the provider", "Shut that one, or take its link away, first.")
	}
	switch {
	case c.Password == nil:
	case *c.Password == "":
		a.Password = ""
	default:
		if err := d.setPassword(ctx, a, *c.Password); err != nil {
			return err
		}
	}
	rules := func(o *Account) bool { return o.Is(Owner) && !o.Shut && o.HasPassword() }
	others := slices.ContainsFunc(all, func(o *Account) bool { return o.ID != a.ID && rules(o) })
	if rules(&old) && !rules(a) && !others {
		return ErrLastOwner
	}
	if err := d.keep(ctx, a, old.revision); err != nil {
		return err
	}
	if a.Shut || c.Password != nil || old.Subject != "" && a.Subject != old.Subject {
		if err := d.EndAll(ctx, id, ""); err != nil {
			return err
		}
	}
	if a.Shut {
		if err := d.revokeAll(ctx, id); err != nil {
			return err
		}
	}
	d.note(ctx, Entry{What: AccountChanged, Account: id, By: by, Note: changeText(&old, a, c)})
	return nil
}

func changeText(old, now *Account, c Change) string {
	var out []string
	if !slices.Equal(old.Roles, now.Roles) {
		out = append(out, "roles: "+rolesText(now.Roles))
	}
	if old.Shut != now.Shut {
		out = append(out, map[bool]string{true: "shut", false: "opened"}[now.Shut])
	}
	if c.Password != nil {
		out = append(out, "password")
	}
	if old.Subject != now.Subject {
		out = append(out, map[bool]string{true: "no longer of a provider's person", false: "of another person of the provider"}[now.Subject == ""])
	}
	if !slices.Equal(old.SeenFrom, now.SeenFrom) {
		out = append(out, "seen from: "+cmp.Or(now.SeenFromText(), "nowhere"))
	}
	if old.Name != now.Name || old.Email != now.Email {
		out = append(out, "name or e-mail")
	}
	return strings.Join(out, "; ")
}

func rolesText(roles []Role) string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = r.String()
	}
	return strings.Join(names, ", ")
}

// NewPassword lets somebody change his own password; all his other sessions
// end. Errors: ErrWrong, *ThrottledError.
func (d *Desk) NewPassword(ctx context.Context, who *Who, old, password string, from Origin) error {
	a, err := d.prove(ctx, who.Account, old, from)
	if err != nil {
		return err
	}
	if err := d.setPassword(ctx, a, password); err != nil {
		return err
	}
	if err := d.keep(ctx, a, a.revision); err != nil {
		return err
	}
	d.note(ctx, Entry{What: PasswordChanged, Account: a.ID, By: a.ID, From: from.Address})
	return d.EndAll(ctx, a.ID, who.Session)
}

// prove checks a password within the limits of guessing.
func (d *Desk) prove(ctx context.Context, id, password string, from Origin) (*Account, error) {
	id = strings.ToLower(strings.TrimSpace(id))
	if err := d.guess(ctx, id, from); err != nil {
		return nil, err
	}
	a, err := d.Account(ctx, id)
	if err != nil && !errors.Is(err, ErrUnknown) {
		return nil, err
	}
	stored := d.dummy // as long a look at nobody as at somebody
	if a != nil && a.HasPassword() && !a.Shut {
		stored = a.Password
	}
	if len(password) > passwordBytesMax {
		password = ""
	}
	var right, current bool
	var herr error
	if err := d.hashing.do(ctx, func() { right, current, herr = checkPassword(d.o.Hash, stored, password) }); err != nil {
		return nil, err
	}
	if herr != nil {
		return nil, fmt.Errorf("access: account %s: %w", id, herr)
	}
	if !right || stored == d.dummy {
		d.note(ctx, Entry{What: SignInFailed, Account: shown(a, id), From: from.Address})
		return nil, ErrWrong
	}
	d.guessed(ctx, id, from)
	if !current { // the parameters were raised since
		if err := d.hashing.do(ctx, func() { a.Password, herr = hashPassword(d.o.Hash, d.o.Random, password) }); err == nil && herr == nil && d.keep(ctx, a, a.revision) == nil {
			return d.Account(ctx, id)
		}
	}
	return a, nil
}

// shown keeps what was typed as a name out of the books unless it is one:
// people type their password there.
func shown(a *Account, id string) string {
	if a == nil {
		return ""
	}
	return id
}

// secret makes n random bytes as text.
func (d *Desk) secret(n int) (string, error) {
	b := make([]byte, n)
	if _, err := io.ReadFull(d.o.Random, b); err != nil {
		return "", fmt.Errorf("access: no randomness: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// fingerprint is what the store has of a secret.
func fingerprint(secret string) string {
	h := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(h[:])
}
