package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"
)

// What an entry of the book tells of.
type What string

// What is written down.
const (
	SignedIn        What = "signed in"
	SignInFailed    What = "sign-in failed"
	SignedOut       What = "signed out"
	Throttled       What = "too many attempts"
	PasswordChanged What = "password changed"
	AccountAdded    What = "account added"
	AccountChanged  What = "account changed"
	CodeMade        What = "pairing code made"
	Paired          What = "device paired"
	PairingFailed   What = "pairing failed"
	TokenMade       What = "token made"
	TokenRevoked    What = "token revoked"
	Overrode        What = "interlock let pass"
	Denied          What = "not allowed"
)

// Entry is one line of the book of who came in and who let whom in. It has no
// secret, and no name that is no account's.
type Entry struct {
	At      time.Time `json:"at"`
	What    What      `json:"what"`
	Account string    `json:"account,omitempty"` // whose
	By      string    `json:"by,omitempty"`      // who did it
	From    string    `json:"from,omitempty"`    // address
	Note    string    `json:"note,omitempty"`
}

// bookLife is how long the book is kept.
const bookLife = 400 * 24 * time.Hour

// Note writes a line into the book.
func (d *Desk) Note(ctx context.Context, e Entry) { d.note(ctx, e) }

// note never stops what it tells of; a line that can't be kept is in the
// program's log.
func (d *Desk) note(ctx context.Context, e Entry) {
	e.At = d.o.Now().UTC()
	fields := []zap.Field{zap.String("what", string(e.What)), zap.String("account", e.Account), zap.String("by", e.By), zap.String("address", e.From), zap.String("note", e.Note)}
	d.log.Info("access", fields...)
	e.Note = clip(e.Note, 1000)
	random, err := d.secret(9)
	if err == nil {
		var b []byte
		if b, err = json.Marshal(e); err == nil {
			// Keys are in the order of time.
			err = d.o.Store.Set(ctx, fmt.Sprintf("book.%014d-%s", e.At.UnixMilli(), random), b, 0, bookLife)
		}
	}
	if err != nil {
		d.log.Warn("line of the book not kept", append(fields, zap.Error(err))...)
	}
}

// Book is the last n lines, the newest first.
func (d *Desk) Book(ctx context.Context, n int) ([]Entry, error) {
	keys, err := d.o.Store.List(ctx, "book.")
	if err != nil {
		return nil, err
	}
	var out []Entry
	for i := len(keys) - 1; i >= 0 && len(out) < n; i-- {
		item, err := d.o.Store.Get(ctx, keys[i])
		if errors.Is(err, ErrNone) {
			continue
		}
		if err != nil {
			return nil, err
		}
		var e Entry
		if strings.HasPrefix(keys[i], "book.") && json.Unmarshal(item.Value, &e) == nil {
			out = append(out, e)
		}
	}
	return out, nil
}
