package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// CodeLife is how long a pairing code works.
const CodeLife = 5 * time.Minute

type pairing struct {
	Account string `json:"account"`
	By      string `json:"by"`
}

// NewCode makes a code that signs one device in as the account, once. A foreman
// or owner makes it; nobody pairs a device for somebody who may do more than
// himself. Errors: ErrUnknown, ErrWrong.
func (d *Desk) NewCode(ctx context.Context, by *Who, account string) (string, time.Time, error) {
	a, err := d.Account(ctx, account)
	if err != nil {
		return "", time.Time{}, err
	}
	if a.Shut || !by.mayPair(a) {
		return "", time.Time{}, ErrWrong
	}
	code, err := d.secret(codeBytes)
	if err != nil {
		return "", time.Time{}, err
	}
	b, err := json.Marshal(pairing{a.ID, by.Account})
	if err != nil {
		return "", time.Time{}, fmt.Errorf("access: %w", err)
	}
	if err := d.o.Store.Set(ctx, "code."+fingerprint(code), b, 0, CodeLife); err != nil {
		return "", time.Time{}, err
	}
	d.note(ctx, Entry{What: CodeMade, Account: a.ID, By: by.Account})
	return code, d.o.Now().Add(CodeLife), nil
}

// mayPair: an owner pairs for everybody, a foreman for all but owners.
func (w *Who) mayPair(a *Account) bool {
	return w.Is(Owner) || w.Is(Foreman) && !a.Is(Owner)
}

// Redeem begins a session by a code, which is used up with it. Errors: ErrCode,
// *ThrottledError.
func (d *Desk) Redeem(ctx context.Context, code string, from Origin) (*Pass, error) {
	if err := d.guess(ctx, "", from); err != nil {
		return nil, err
	}
	key := "code." + fingerprint(code)
	item, err := d.o.Store.Get(ctx, key)
	if err == nil {
		err = d.o.Store.Delete(ctx, key, item.Revision) // who removes it has it
	}
	if errors.Is(err, ErrNone) || errors.Is(err, ErrChanged) {
		d.note(ctx, Entry{What: PairingFailed, From: from.Address})
		return nil, ErrCode
	}
	if err != nil {
		return nil, err
	}
	var p pairing
	if err := json.Unmarshal(item.Value, &p); err != nil {
		return nil, ErrCode
	}
	a, err := d.Account(ctx, p.Account)
	if errors.Is(err, ErrUnknown) || err == nil && a.Shut {
		return nil, ErrCode
	}
	if err != nil {
		return nil, err
	}
	d.guessed(ctx, "", from)
	d.note(ctx, Entry{What: Paired, Account: a.ID, By: p.By, From: from.Address})
	return d.begin(ctx, a, "pairing", from)
}

// Kind of a token that is no session.
type Kind string

// The kinds of tokens.
const (
	Program  Kind = "token"    // the API, as a bearer token (RFC 6750)
	Calendar Kind = "calendar" // the link of one calendar feed, nothing else
)

// tokenLife of programs' tokens and of links.
const tokenLife = 365 * 24 * time.Hour

// tokenPrefix makes a leaked token easy to find.
const tokenPrefix = "tickover_"

// Token is a program's key to the API, or a calendar's link.
type Token struct {
	ID      string    `json:"-"`
	Account string    `json:"account"`
	Label   string    `json:"label,omitempty"`
	Made    time.Time `json:"made"`
	Until   time.Time `json:"until"`
}

// NewToken makes a token for an account; it is shown once. Errors: ErrUnknown.
func (d *Desk) NewToken(ctx context.Context, by string, kind Kind, account, label string) (string, error) {
	a, err := d.Account(ctx, account)
	if err != nil {
		return "", err
	}
	random, err := d.secret(secretBytes)
	if err != nil {
		return "", err
	}
	token, now := a.ID+"."+random, d.o.Now().UTC()
	t := Token{Account: a.ID, Label: clip(label, nameMax), Made: now, Until: now.Add(tokenLife)}
	b, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("access: %w", err)
	}
	if err := d.o.Store.Set(ctx, tokenKey(kind, a.ID, fingerprint(token)), b, 0, tokenLife); err != nil {
		return "", err
	}
	d.note(ctx, Entry{What: TokenMade, Account: a.ID, By: by, Note: strings.TrimSpace(string(kind) + " " + t.Label)})
	if kind == Program {
		token = tokenPrefix + token
	}
	return token, nil
}

func tokenKey(kind Kind, account, id string) string {
	return string(kind) + "." + account + "." + id
}

// Bearer is who a program's token or a calendar's link stands for. Errors:
// ErrSignedOut.
func (d *Desk) Bearer(ctx context.Context, kind Kind, token string) (*Who, error) {
	if kind == Program {
		var ok bool
		if token, ok = strings.CutPrefix(token, tokenPrefix); !ok {
			return nil, ErrSignedOut
		}
	}
	account, ok := split(token)
	if !ok {
		return nil, ErrSignedOut
	}
	id := fingerprint(token)
	if _, err := d.o.Store.Get(ctx, tokenKey(kind, account, id)); err != nil {
		if errors.Is(err, ErrNone) {
			err = ErrSignedOut
		}
		return nil, err
	}
	a, err := d.openAccount(ctx, account)
	if err != nil {
		return nil, err
	}
	w := whoOf(a)
	w.Token = id
	return w, nil
}

// Tokens are an account's of a kind, the oldest first.
func (d *Desk) Tokens(ctx context.Context, kind Kind, account string) ([]Token, error) {
	prefix := tokenKey(kind, account, "")
	keys, err := d.o.Store.List(ctx, prefix)
	if err != nil {
		return nil, err
	}
	var out []Token
	for _, key := range keys {
		item, err := d.o.Store.Get(ctx, key)
		if errors.Is(err, ErrNone) {
			continue
		}
		if err != nil {
			return nil, err
		}
		t := Token{ID: strings.TrimPrefix(key, prefix)}
		if json.Unmarshal(item.Value, &t) == nil {
			out = append(out, t)
		}
	}
	slices.SortFunc(out, func(x, y Token) int { return x.Made.Compare(y.Made) })
	return out, nil
}

// Revoke ends a token.
func (d *Desk) Revoke(ctx context.Context, by string, kind Kind, account, id string) error {
	if !idForm.MatchString(account) || !isFingerprint(id) {
		return ErrUnknown
	}
	err := d.o.Store.Delete(ctx, tokenKey(kind, account, id), Any)
	if errors.Is(err, ErrNone) {
		return nil
	}
	if err == nil {
		d.note(ctx, Entry{What: TokenRevoked, Account: account, By: by, Note: string(kind)})
	}
	return err
}

func (d *Desk) revokeAll(ctx context.Context, account string) error {
	return errors.Join(d.removeAll(ctx, tokenKey(Program, account, ""), ""), d.removeAll(ctx, tokenKey(Calendar, account, ""), ""))
}
