package access

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"tickover/queue"
)

// Lifetimes of a session: it ends when it was not used for idle, and whole time
// after it began.
type Lifetimes struct{ Idle, Whole time.Duration }

// Lifetimes by what an account may do (OWASP ASVS 5.0, from memory V7.3: both limits; NIST
// SP 800-63B: 30 days at most for a low assurance level). A technician's phone
// stays signed in over a long weekend; a foreman's or owner's session does not
// outlive the day; a bench screen stays until it is taken away.
func (a *Account) Lifetimes() Lifetimes {
	const day = 24 * time.Hour
	switch {
	case a.Is(Bench):
		return Lifetimes{30 * day, 365 * day}
	case a.Is(Foreman, Owner):
		return Lifetimes{12 * time.Hour, 7 * day}
	}
	return Lifetimes{4 * day, 30 * day}
}

// touchEvery is how often the use of a session is written down.
const touchEvery = 5 * time.Minute

const (
	secretBytes = 32 // 256 bits; OWASP ASVS 5.0, from memory V7.2 asks for 128
	codeBytes   = 16 // works once, for minutes
)

// Session is a device on which somebody is signed in.
type Session struct {
	ID      string    `json:"-"` // the fingerprint of its token
	Account string    `json:"account"`
	How     string    `json:"how"` // "password", "pairing", "provider"
	Began   time.Time `json:"began"`
	Seen    time.Time `json:"seen"`
	Address string    `json:"address,omitempty"` // where it began
	Device  string    `json:"device,omitempty"`
}

// Pass is a new session with its token, which is nowhere else.
type Pass struct {
	Token   string
	Session Session
	Account *Account
	MaxAge  time.Duration
}

// Who is somebody who is in.
type Who struct {
	Account string
	Name    string
	Person  queue.PersonID
	Roles   []Role
	Bench   queue.ResourceID
	Session string // the session's id; empty for a program's token
	Token   string // the token's id; empty for a session
}

// Is reports whether somebody has one of the roles; nobody has none.
func (w *Who) Is(roles ...Role) bool {
	return w != nil && slices.ContainsFunc(w.Roles, func(r Role) bool { return slices.Contains(roles, r) })
}

func whoOf(a *Account) *Who {
	return &Who{Account: a.ID, Name: a.Name, Person: a.Person, Roles: a.Roles, Bench: a.Bench}
}

type whoKey struct{}

// With puts who asks into a context.
func With(ctx context.Context, w *Who) context.Context { return context.WithValue(ctx, whoKey{}, w) }

// From is who asks; nil: nobody is signed in, or the shop is open.
func From(ctx context.Context) *Who {
	w, _ := ctx.Value(whoKey{}).(*Who)
	return w
}

const deviceMax = 160 // bytes

// SignIn begins a session by a password. Errors: ErrWrong, *ThrottledError.
func (d *Desk) SignIn(ctx context.Context, id, password string, from Origin) (*Pass, error) {
	a, err := d.prove(ctx, id, password, from)
	if err != nil {
		return nil, err
	}
	return d.begin(ctx, a, "password", from)
}

// begin always makes a new session; what a browser sent before is never
// continued, so that none can be planted.
func (d *Desk) begin(ctx context.Context, a *Account, how string, from Origin) (*Pass, error) {
	if a.Shut {
		return nil, ErrWrong
	}
	random, err := d.secret(secretBytes)
	if err != nil {
		return nil, err
	}
	now := d.o.Now().UTC()
	p := &Pass{Token: a.ID + "." + random, Account: a, MaxAge: a.Lifetimes().Whole}
	p.Session = Session{ID: fingerprint(p.Token), Account: a.ID, How: how, Began: now, Seen: now, Address: from.Address, Device: clip(from.Device, deviceMax)}
	if err := d.keepSession(ctx, &p.Session, a.Lifetimes(), 0); err != nil {
		return nil, err
	}
	d.note(ctx, Entry{What: SignedIn, Account: a.ID, By: a.ID, From: from.Address, Note: how})
	return p, nil
}

func clip(s string, n int) string {
	if len(s) > n {
		s = s[:n]
	}
	return strings.ToValidUTF8(s, "")
}

func sessionKey(account, id string) string { return "session." + account + "." + id }

func (d *Desk) keepSession(ctx context.Context, s *Session, l Lifetimes, after uint64) error {
	b, err := json.Marshal(s)
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	left := min(l.Idle, s.Began.Add(l.Whole).Sub(d.o.Now()))
	return d.o.Store.Set(ctx, sessionKey(s.Account, s.ID), b, after, max(left, time.Second))
}

// split tells the account from the rest of a token.
func split(token string) (account string, ok bool) {
	account, random, _ := strings.Cut(token, ".")
	return account, idForm.MatchString(account) && len(random) > 20 && len(random) < 100
}

// openAccount is an account that may come in. Errors: ErrSignedOut.
func (d *Desk) openAccount(ctx context.Context, id string) (*Account, error) {
	a, err := d.Account(ctx, id)
	if errors.Is(err, ErrUnknown) || err == nil && a.Shut {
		return nil, ErrSignedOut
	}
	return a, err
}

// Who is the session's account as it is now. Errors: ErrSignedOut.
func (d *Desk) Who(ctx context.Context, token string) (*Who, error) {
	account, ok := split(token)
	if !ok {
		return nil, ErrSignedOut
	}
	s, rev, err := d.session(ctx, account, fingerprint(token))
	if err != nil {
		return nil, err
	}
	a, err := d.openAccount(ctx, account)
	if err != nil {
		return nil, err
	}
	if a.ended(s) {
		return nil, ErrSignedOut
	}
	now, l := d.o.Now(), a.Lifetimes()
	if !now.Before(s.Began.Add(l.Whole)) || now.Sub(s.Seen) >= l.Idle {
		return nil, ErrSignedOut
	}
	if now.Sub(s.Seen) >= touchEvery {
		s.Seen = now.UTC()
		// One that was ended meanwhile is not brought back.
		if err := d.keepSession(ctx, s, l, rev); err != nil && !errors.Is(err, ErrChanged) {
			return nil, err
		}
	}
	w := whoOf(a)
	w.Session = s.ID
	return w, nil
}

func (d *Desk) session(ctx context.Context, account, id string) (*Session, uint64, error) {
	item, err := d.o.Store.Get(ctx, sessionKey(account, id))
	if errors.Is(err, ErrNone) {
		return nil, 0, ErrSignedOut
	}
	if err != nil {
		return nil, 0, err
	}
	s := &Session{}
	if err := json.Unmarshal(item.Value, s); err != nil || s.Account != account {
		return nil, 0, ErrSignedOut
	}
	s.ID = id
	return s, item.Revision, nil
}

// Sessions are an account's, the last used first.
func (d *Desk) Sessions(ctx context.Context, account string) ([]Session, error) {
	if !idForm.MatchString(account) {
		return nil, ErrUnknown
	}
	prefix := sessionKey(account, "")
	keys, err := d.o.Store.List(ctx, prefix)
	if err != nil {
		return nil, err
	}
	a, err := d.Account(ctx, account)
	if err != nil {
		return nil, err
	}
	var out []Session
	for _, key := range keys {
		s, _, err := d.session(ctx, account, strings.TrimPrefix(key, prefix))
		if errors.Is(err, ErrSignedOut) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if !a.ended(s) {
			out = append(out, *s)
		}
	}
	slices.SortFunc(out, func(x, y Session) int { return cmp.Or(y.Seen.Compare(x.Seen), strings.Compare(x.ID, y.ID)) })
	return out, nil
}

// End ends one session; one that is over already is no error.
func (d *Desk) End(ctx context.Context, by, account, id string, from Origin) error {
	if !idForm.MatchString(account) || !isFingerprint(id) {
		return ErrUnknown
	}
	err := d.o.Store.Delete(ctx, sessionKey(account, id), Any)
	gone := errors.Is(err, ErrNone)
	if err != nil && !gone {
		return err
	}
	// Also when it is not there: the store that has it may be away.
	if err := d.end(ctx, account, func(a *Account) bool {
		if slices.Contains(a.Ended, id[:endedChars]) {
			return false
		}
		a.Ended = append(a.Ended, id[:endedChars])
		a.Ended = a.Ended[max(0, len(a.Ended)-endedMax):]
		return true
	}); err != nil {
		return err
	}
	if !gone {
		d.note(ctx, Entry{What: SignedOut, Account: account, By: by, From: from.Address})
	}
	return nil
}

const (
	endedMax   = 128 // sessions of an account that are known to have ended
	endedChars = 16  // of their fingerprint
)

// ended reports whether a session is over by its account.
func (a *Account) ended(s *Session) bool {
	return s.Began.Before(a.EndedBefore) && s.ID != a.Spared || slices.Contains(a.Ended, s.ID[:endedChars])
}

// end writes with an account what ended of it; change reports whether there is
// something to write.
func (d *Desk) end(ctx context.Context, account string, change func(*Account) bool) error {
	for range setTries {
		a, err := d.Account(ctx, account)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		if !change(a) {
			return nil
		}
		if err := d.keep(ctx, a, a.revision); !errors.Is(err, ErrChanged) {
			return err
		}
	}
	return ErrChanged
}

func isFingerprint(s string) bool {
	return len(s) == 64 && strings.Trim(s, "0123456789abcdef") == ""
}

// EndAll ends all sessions of an account but one; "" spares none.
func (d *Desk) EndAll(ctx context.Context, account, but string) error {
	if err := d.end(ctx, account, func(a *Account) bool {
		a.EndedBefore, a.Spared = d.o.Now().UTC(), but
		return true
	}); err != nil {
		return err
	}
	return d.removeAll(ctx, sessionKey(account, ""), but)
}

func (d *Desk) removeAll(ctx context.Context, prefix, but string) error {
	keys, err := d.o.Store.List(ctx, prefix)
	if err != nil {
		return err
	}
	for _, key := range keys {
		if but != "" && key == prefix+but {
			continue
		}
		if err := d.o.Store.Delete(ctx, key, Any); err != nil && !errors.Is(err, ErrNone) {
			return err
		}
	}
	return nil
}
