package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
)

// Limits of guessing: so many attempts within the window that did not succeed.
// An account's own limit is the widest, so that a stranger can hardly lock
// somebody out; who is signed in or has a paired device is not touched by it.
type Limits struct {
	Window  time.Duration // default 15 min
	Pair    int           // of one account from one address; default 8
	Address int           // from one address, pairing codes included; default 40
	Account int           // on one account; default 80
}

func (l Limits) orDefault() Limits {
	if l.Window == 0 {
		l.Window = 15 * time.Minute
	}
	if l.Pair == 0 {
		l.Pair = 8
	}
	if l.Address == 0 {
		l.Address = 40
	}
	if l.Account == 0 {
		l.Account = 80
	}
	return l
}

// ThrottledError says when the next attempt is looked at.
type ThrottledError struct{ Wait time.Duration }

func (e *ThrottledError) Error() string {
	return fmt.Sprintf("too many attempts; the next one is looked at in %s", e.Wait.Round(time.Second))
}

type tally struct {
	N     int       `json:"n"`
	Until time.Time `json:"until"`
}

// guess counts an attempt before it is looked at, so that many at once are
// counted too. account is "" for a pairing code.
func (d *Desk) guess(ctx context.Context, account string, from Origin) error {
	l := d.o.Limits
	type limit struct {
		key string
		max int
	}
	limits := []limit{{tallyKey("address", from.Address), l.Address}}
	if account != "" {
		limits = append(limits, limit{tallyKey("pair", account+"|"+from.Address), l.Pair}, limit{tallyKey("account", account), l.Account})
	}
	for _, x := range limits {
		t, err := d.count(ctx, x.key, 1)
		if err != nil {
			return err
		}
		if t.N > x.max {
			if t.N == x.max+1 { // once a window
				d.note(ctx, Entry{What: Throttled, From: from.Address})
			}
			return &ThrottledError{t.Until.Sub(d.o.Now())}
		}
	}
	return nil
}

// guessed takes the count back of who was right. What others failed at from the
// same address stays counted.
func (d *Desk) guessed(ctx context.Context, account string, from Origin) {
	err := d.o.Store.Delete(ctx, tallyKey("pair", account+"|"+from.Address), Any)
	if errors.Is(err, ErrNone) {
		err = nil
	}
	_, err1 := d.count(ctx, tallyKey("address", from.Address), -1)
	_, err2 := d.count(ctx, tallyKey("account", account), -1)
	if err := errors.Join(err, err1, err2); err != nil {
		d.log.Warn("count of attempts not taken back", zap.Error(err))
	}
}

// tallyKey does not have what was typed: people type a password as a name.
func tallyKey(kind, what string) string { return "tries." + kind + "." + fingerprint(what) }

const countTries = 20

func (d *Desk) count(ctx context.Context, key string, by int) (tally, error) {
	for range countTries {
		var t tally
		item, err := d.o.Store.Get(ctx, key)
		switch {
		case errors.Is(err, ErrNone):
			item.Revision, t.Until = 0, d.o.Now().Add(d.o.Limits.Window).UTC()
		case err != nil:
			return t, err
		default:
			if err := json.Unmarshal(item.Value, &t); err != nil {
				return t, fmt.Errorf("access: %w", err)
			}
		}
		t.N = max(0, t.N+by)
		b, err := json.Marshal(t)
		if err != nil {
			return t, fmt.Errorf("access: %w", err)
		}
		err = d.o.Store.Set(ctx, key, b, item.Revision, max(time.Second, t.Until.Sub(d.o.Now())))
		if !errors.Is(err, ErrChanged) {
			return t, err
		}
	}
	return tally{}, &ThrottledError{time.Second} // many at the same moment
}
