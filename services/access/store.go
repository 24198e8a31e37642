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

// Errors of a store.
var (
	// ErrNone: there is nothing under the key, or its time is over.
	ErrNone = errors.New("nothing there")
	// ErrChanged: somebody else changed or removed it meanwhile.
	ErrChanged = errors.New("changed meanwhile")
)

// Bounds of what a store has to take.
const (
	KeyMax   = 200     // bytes: letters, digits, '-', '_', and '.' between parts
	ValueMax = 8 << 10 // bytes
)

// Any as a revision takes whatever is there.
const Any = ^uint64(0)

// Item is a value with the revision that it was read at.
type Item struct {
	Value    []byte
	Revision uint64 // of the store's making, never 0 or Any
}

// Store keeps small values for some time. Several processes may share one. A
// change is seen by every Get that begins after it.
type Store interface {
	// Get returns ErrNone if there is nothing.
	Get(ctx context.Context, key string) (Item, error)
	// Set keeps the value for ttl, 0 for ever, if the key's revision is after; 0
	// stands for: there is nothing. It returns ErrChanged otherwise.
	Set(ctx context.Context, key string, value []byte, after uint64, ttl time.Duration) error
	// Delete removes the value if the key's revision is after. It returns
	// ErrChanged otherwise, and ErrNone if there is nothing.
	Delete(ctx context.Context, key string, after uint64) error
	// List names the keys that begin with the prefix, which ends in '.', in
	// order; some may be gone when they are read.
	List(ctx context.Context, prefix string) ([]string, error)
}

// Mem is a store in memory, for tests and for one process that may forget.
type Mem struct {
	mu   sync.Mutex
	now  func() time.Time
	rev  uint64
	vals map[string]memItem
}

type memItem struct {
	Item
	until time.Time // zero: for ever
}

// NewMem returns an empty store.
func NewMem(now func() time.Time) *Mem { return &Mem{now: now, vals: map[string]memItem{}} }

func (m *Mem) live(key string) (Item, bool) {
	v, ok := m.vals[key]
	if ok && !v.until.IsZero() && !m.now().Before(v.until) {
		delete(m.vals, key)
		ok = false
	}
	return v.Item, ok
}

// Get implements [Store].
func (m *Mem) Get(_ context.Context, key string) (Item, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.live(key)
	if !ok {
		return Item{}, ErrNone
	}
	return Item{bytes.Clone(v.Value), v.Revision}, nil
}

// Set implements [Store].
func (m *Mem) Set(_ context.Context, key string, value []byte, after uint64, ttl time.Duration) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if v, _ := m.live(key); after != Any && v.Revision != after {
		return ErrChanged
	}
	m.rev++
	item := memItem{Item: Item{bytes.Clone(value), m.rev}}
	if ttl > 0 {
		item.until = m.now().Add(ttl)
	}
	m.vals[key] = item
	return nil
}

// Delete implements [Store].
func (m *Mem) Delete(_ context.Context, key string, after uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	v, ok := m.live(key)
	switch {
	case !ok:
		return ErrNone
	case after != Any && v.Revision != after:
		return ErrChanged
	}
	delete(m.vals, key)
	return nil
}

// List implements [Store].
func (m *Mem) List(_ context.Context, prefix string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for key := range m.vals {
		if _, ok := m.live(key); ok && strings.HasPrefix(key, prefix) {
			out = append(out, key)
		}
	}
	slices.Sort(out)
	return out, nil
}
