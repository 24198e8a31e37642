package access

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"
)

// Identity is who somebody is by a provider's word.
type Identity struct {
	Issuer  string
	Subject string // the issuer's own name of the person, which it never gives to another
	Email   string
	// Verified: the issuer has seen that the address is the person's.
	Verified bool
	Name     string // as the issuer has it; shown, never believed
}

func (i Identity) subject() string { return i.Issuer + " " + i.Subject }

// link makes an account a provider's person's.
func (a *Account) link(id Identity) error {
	switch {
	case id == Identity{}:
		a.Subject = ""
	case id.Issuer == "" || id.Subject == "" || len(id.Subject) > 255 || strings.ContainsAny(id.Issuer, " \n") || strings.ContainsFunc(id.Subject, func(r rune) bool { return r < ' ' || r > '~' }):
		return wrong("subject", "the issuer or the person's number there is missing or can't be one", "Take both as the provider has them; the page for signing in shows the number.")
	default:
		a.Subject = id.subject()
	}
	return nil
}

// ErrStranger: no account belongs to the provider's person.
var ErrStranger = errors.New("no account belongs to this person")

// SignInAs begins a session for whom a provider vouches. The account is the one
// that has the issuer and subject; on the first time the one whose e-mail
// address the provider has verified, which then belongs to the subject for good:
// an address may later be another person's. Roles are the account's. Attempts
// are counted by [Desk.Use], which comes before. Errors: ErrStranger.
func (d *Desk) SignInAs(ctx context.Context, id Identity, from Origin) (*Pass, error) {
	a, err := d.accountOf(ctx, id)
	if errors.Is(err, ErrStranger) {
		d.note(ctx, Entry{What: SignInFailed, From: from.Address, Note: "provider"})
	}
	if err != nil {
		return nil, err
	}
	d.guessed(ctx, "", from)
	return d.begin(ctx, a, "provider", from)
}

func (d *Desk) accountOf(ctx context.Context, id Identity) (*Account, error) {
	if id.Issuer == "" || id.Subject == "" {
		return nil, ErrStranger
	}
	for range setTries {
		all, err := d.Accounts(ctx)
		if err != nil {
			return nil, err
		}
		comes := func(a *Account) bool { return !a.Shut && !a.Is(Bench) } // a bench is no person
		if i := slices.IndexFunc(all, func(a *Account) bool { return a.Subject == id.subject() }); i >= 0 {
			if !comes(all[i]) {
				return nil, ErrStranger
			}
			return all[i], nil
		}
		email := strings.ToLower(strings.TrimSpace(id.Email))
		i := slices.IndexFunc(all, func(a *Account) bool { return email != "" && a.Email == email })
		if i < 0 || !id.Verified || all[i].Subject != "" || !comes(all[i]) {
			return nil, ErrStranger
		}
		a := all[i]
		a.Subject = id.subject()
		switch err := d.keep(ctx, a, a.revision); {
		case errors.Is(err, ErrChanged):
			continue // somebody was faster: look again
		case err != nil:
			return nil, err
		}
		d.note(ctx, Entry{What: AccountChanged, Account: a.ID, By: a.ID, Note: "belongs to a person of " + id.Issuer})
		return a, nil
	}
	return nil, ErrChanged
}

// Use uses something up that works once, for as long as it could come again.
// Errors: ErrCode, if it was used before; *ThrottledError.
func (d *Desk) Use(ctx context.Context, once string, life time.Duration, from Origin) error {
	if err := d.guess(ctx, "", from); err != nil {
		return err
	}
	err := d.o.Store.Set(ctx, "used."+fingerprint(once), []byte("1"), 0, life)
	if errors.Is(err, ErrChanged) {
		return ErrCode
	}
	return err
}
