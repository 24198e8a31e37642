// Package logtest has what tests and simulations need of a log: one in memory,
// and the suite of checks that every log passes.
//
// [Mem] keeps encoded entries, so that what is read from it went through the
// same encoding, decoding and checks as in the log on disk. It reads no clock
// but the one that is handed in.
package logtest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"tickover/queue"
	"tickover/queue/log"
)

// Mem is a [log.Log] in memory.
type Mem struct {
	now func() time.Time

	mu      sync.Mutex
	entries []memEntry // entry i has sequence i+1
	sites   map[queue.SiteID]log.Position
	seen    map[string]uint64 // site/command to sequence
	grown   chan struct{}     // closed and replaced by each append
	max     int               // entries; 0: no limit
	lost    int               // acknowledgements to lose
	closed  bool
}

var _ log.Log = (*Mem)(nil)

type memEntry struct {
	site   queue.SiteID
	prev   queue.Hash
	hash   queue.Hash
	body   []byte
	stored time.Time
}

// NewMem returns an empty log whose entries carry the zero time.
func NewMem() *Mem { return NewMemAt(func() time.Time { return time.Time{} }) }

// NewMemAt returns an empty log that asks now when an entry is stored.
func NewMemAt(now func() time.Time) *Mem {
	return &Mem{
		now: now, sites: map[queue.SiteID]log.Position{}, seen: map[string]uint64{},
		grown: make(chan struct{}),
	}
}

// SetLimit makes the log full at n entries; 0 lifts the limit.
func (m *Mem) SetLimit(n int) {
	m.mu.Lock()
	m.max = n
	m.mu.Unlock()
}

// LoseAcks makes the next n appends store their entry and yet answer
// log.ErrNotDurable, as a network that drops the acknowledgement does.
func (m *Mem) LoseAcks(n int) {
	m.mu.Lock()
	m.lost = n
	m.mu.Unlock()
}

// Close ends the log: appends, reads and followers get log.ErrClosed.
func (m *Mem) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.closed {
		m.closed = true
		close(m.grown)
	}
	return nil
}

// Reopen returns a new log with the same entries, as a restart does.
func (m *Mem) Reopen() *Mem {
	m.mu.Lock()
	defer m.mu.Unlock()
	re := NewMemAt(m.now)
	re.entries, re.max = slices.Clone(m.entries), m.max
	for k, v := range m.sites {
		re.sites[k] = v
	}
	for k, v := range m.seen {
		re.seen[k] = v
	}
	return re
}

// Append implements [log.Log].
func (m *Mem) Append(ctx context.Context, en *queue.Entry, expectLast uint64) (uint64, error) {
	if err := log.CheckEntry(en, expectLast); err != nil {
		return 0, err
	}
	body, err := en.Encode()
	if err != nil {
		return 0, fmt.Errorf("%w: %w", log.ErrInvalid, err)
	}
	if err := ctx.Err(); err != nil {
		return 0, fmt.Errorf("%w: %w", log.ErrNotDurable, err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return 0, log.ErrClosed
	}
	key := string(en.Site) + "/" + string(en.Command())
	if seq, ok := m.seen[key]; ok {
		if m.entries[seq-1].hash == en.Hash() {
			en.Seq = seq
			return seq, nil
		}
		return 0, &log.RepeatedError{Command: en.Command(), Seq: seq}
	}
	last := m.sites[en.Site]
	if last.Seq != expectLast {
		return 0, log.Conflict(en.Site, expectLast, last.Seq)
	}
	if err := log.CheckPrev(en, last); err != nil {
		return 0, err
	}
	if m.max > 0 && len(m.entries) >= m.max {
		return 0, fmt.Errorf("%w: %d entries", log.ErrFull, m.max)
	}
	m.entries = append(m.entries, memEntry{en.Site, en.Prev, en.Hash(), body, m.now()})
	seq := uint64(len(m.entries))
	m.sites[en.Site], m.seen[key] = log.Position{Seq: seq, Hash: en.Hash()}, seq
	close(m.grown)
	m.grown = make(chan struct{})
	if m.lost > 0 {
		m.lost--
		return 0, fmt.Errorf("%w: acknowledgement lost", log.ErrNotDurable)
	}
	en.Seq = seq
	return seq, nil
}

// Read implements [log.Log].
func (m *Mem) Read(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) error {
	if err := log.CheckSite(site); err != nil {
		return err
	}
	_, _, err := m.read(ctx, site, after, fn)
	return err
}

// Follow implements [log.Log].
func (m *Mem) Follow(ctx context.Context, site queue.SiteID, has func() uint64, fn func(*queue.Entry) error) error {
	if err := log.CheckSite(site); err != nil {
		return err
	}
	after := has()
	for {
		at, grown, err := m.read(ctx, site, after, fn)
		if err != nil {
			return err
		}
		after = at
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// read delivers what is stored and returns how far it got and what to wait on.
func (m *Mem) read(ctx context.Context, site queue.SiteID, after uint64, fn func(*queue.Entry) error) (uint64, <-chan struct{}, error) {
	m.mu.Lock()
	entries, grown, closed := m.entries, m.grown, m.closed
	m.mu.Unlock()
	if closed {
		return after, nil, log.ErrClosed
	}
	for i := after; i < uint64(len(entries)); i++ {
		if err := ctx.Err(); err != nil {
			return after, nil, err
		}
		e := &entries[i]
		if e.site == site {
			en, err := queue.DecodeEntry(e.body, e.prev)
			if err != nil {
				return after, nil, fmt.Errorf("entry %d: %w", i+1, err)
			}
			en.Seq, en.Stored = i+1, e.stored
			if err := fn(&en); err != nil {
				return after, nil, err
			}
		}
		after = i + 1
	}
	return after, grown, nil
}

// Last implements [log.Log].
func (m *Mem) Last(_ context.Context, site queue.SiteID) (log.Position, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return log.Position{}, log.ErrClosed
	}
	return m.sites[site], log.CheckSite(site)
}

// At implements [log.Log].
func (m *Mem) At(_ context.Context, site queue.SiteID, seq uint64) (log.Position, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.closed:
		return log.Position{}, log.ErrClosed
	case seq == 0 || seq > uint64(len(m.entries)) || m.entries[seq-1].site != site:
		return log.Position{}, errors.Join(log.CheckSite(site), fmt.Errorf("%w: entry %d of site %s", log.ErrNotFound, seq, site))
	}
	return log.Position{Seq: seq, Hash: m.entries[seq-1].hash}, nil
}

// Sites implements [log.Log].
func (m *Mem) Sites(context.Context) ([]queue.SiteID, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return nil, log.ErrClosed
	}
	var sites []queue.SiteID
	for s := range m.sites {
		sites = append(sites, s)
	}
	slices.Sort(sites)
	return sites, nil
}
