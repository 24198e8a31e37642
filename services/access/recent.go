package access

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"
)

// Recent stands before a store that may be away, and remembers of it what this
// process has seen: who was let in goes on, and attempts go on being counted,
// by this process alone. When the store is back without what it had, it gets
// back the sessions that this process knows.
//
// That brings no session back that was ended: what ends one is kept with its
// account too, in the store that lasts, and [Desk.Who] looks there each time.
type Recent struct {
	store Store
	now   func() time.Time
	// Trouble, if set, hears each time that the store is found to be away.
	Trouble func(error)

	mu    sync.Mutex
	away  time.Time // it is not asked before
	local map[string]recentItem
	rev   uint64
}

type recentItem struct {
	Item
	until time.Time
}

const (
	recentMax = 20_000 // values
	// recentLife bounds how long a session is remembered that nobody uses.
	recentLife = 24 * time.Hour
	// awayFor is how long a store that did not answer is left alone.
	awayFor = 2 * time.Second
	// storeWait bounds one question to it.
	storeWait = time.Second
)

// NewRecent remembers what it sees of the store.
func NewRecent(s Store, now func() time.Time) *Recent {
	return &Recent{store: s, now: now, local: map[string]recentItem{}}
}

// ask asks the store, unless it was away a moment ago, and reports whether it
// answered.
func (r *Recent) ask(ctx context.Context, do func(context.Context) error) (answered bool, err error) {
	r.mu.Lock()
	skip := r.now().Before(r.away)
	r.mu.Unlock()
	if skip {
		return false, nil
	}
	wait, cancel := context.WithTimeout(ctx, storeWait)
	defer cancel()
	err = do(wait)
	if err == nil || errors.Is(err, ErrNone) || errors.Is(err, ErrChanged) {
		return true, err
	}
	if ctx.Err() != nil {
		return true, err // who asked went away
	}
	r.mu.Lock()
	r.away = r.now().Add(awayFor)
	r.mu.Unlock()
	if r.Trouble != nil {
		r.Trouble(err)
	}
	return false, nil
}

func isSession(key string) bool { return strings.HasPrefix(key, "session.") }

func (r *Recent) known(key string) (Item, bool) {
	v, ok := r.local[key]
	if ok && !r.now().Before(v.until) {
		delete(r.local, key)
		ok = false
	}
	return v.Item, ok
}

// keep remembers a value; one too many is not remembered.
func (r *Recent) keep(key string, value []byte, ttl time.Duration) bool {
	if _, ok := r.local[key]; !ok && len(r.local) >= recentMax {
		now := r.now()
		for k, v := range r.local {
			if !now.Before(v.until) {
				delete(r.local, k)
			}
		}
		if len(r.local) >= recentMax {
			return false
		}
	}
	if ttl <= 0 || ttl > recentLife {
		ttl = recentLife
	}
	r.rev++
	r.local[key] = recentItem{Item{bytes.Clone(value), r.rev}, r.now().Add(ttl)}
	return true
}

// errAway: the store is away and this process does not know the value.
var errAway = errors.New("access: the store of sessions is away")

// Get implements [Store].
func (r *Recent) Get(ctx context.Context, key string) (item Item, err error) {
	answered, err := r.ask(ctx, func(ctx context.Context) (err error) { item, err = r.store.Get(ctx, key); return err })
	r.mu.Lock()
	mine, ok := r.known(key)
	switch {
	case !answered && ok:
		r.mu.Unlock()
		return mine, nil
	case !answered && isSession(key):
		// Another process may know it: it can't be said that it is over.
		r.mu.Unlock()
		return Item{}, errAway
	case !answered:
		r.mu.Unlock()
		return Item{}, ErrNone
	case err == nil && isSession(key):
		r.keep(key, item.Value, 0)
	case errors.Is(err, ErrNone) && ok && isSession(key):
		r.mu.Unlock()
		return r.giveBack(ctx, key, mine)
	}
	r.mu.Unlock()
	return item, err
}

// giveBack puts a session into a store that has lost it.
func (r *Recent) giveBack(ctx context.Context, key string, mine Item) (Item, error) {
	err := r.store.Set(ctx, key, mine.Value, 0, recentLife)
	if err != nil && !errors.Is(err, ErrChanged) {
		return mine, nil // away again
	}
	return r.store.Get(ctx, key)
}

// Set implements [Store].
func (r *Recent) Set(ctx context.Context, key string, value []byte, after uint64, ttl time.Duration) error {
	answered, err := r.ask(ctx, func(ctx context.Context) error { return r.store.Set(ctx, key, value, after, ttl) })
	r.mu.Lock()
	defer r.mu.Unlock()
	if answered {
		if err == nil && isSession(key) {
			r.keep(key, value, ttl)
		}
		return err
	}
	if mine, _ := r.known(key); after != Any && mine.Revision != after {
		return ErrChanged
	}
	if !r.keep(key, value, ttl) {
		return errAway
	}
	return nil
}

// Delete implements [Store].
func (r *Recent) Delete(ctx context.Context, key string, after uint64) error {
	answered, err := r.ask(ctx, func(ctx context.Context) error { return r.store.Delete(ctx, key, after) })
	r.mu.Lock()
	defer r.mu.Unlock()
	mine, ok := r.known(key)
	if answered {
		if !errors.Is(err, ErrChanged) {
			delete(r.local, key)
		}
		return err
	}
	switch {
	case !ok:
		return ErrNone
	case after != Any && mine.Revision != after:
		return ErrChanged
	}
	delete(r.local, key)
	return nil
}

// List implements [Store].
func (r *Recent) List(ctx context.Context, prefix string) (keys []string, err error) {
	answered, err := r.ask(ctx, func(ctx context.Context) (err error) { keys, err = r.store.List(ctx, prefix); return err })
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for key := range r.local {
		if _, ok := r.known(key); ok && strings.HasPrefix(key, prefix) && (!answered || isSession(key)) {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	return slices.Compact(keys), nil
}
