package view

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"tickover/queue"
	"tickover/queue/log"
)

// Mem is a [Store] in this process's memory. The zero value is empty.
type Mem struct {
	mu    sync.RWMutex
	sites map[queue.SiteID]*memSite
	snaps map[queue.SiteID]log.Snapshot
}

type memSite struct {
	head Head
	rows map[queue.UnitID]Row
}

var _ Store = (*Mem)(nil)

// Head implements [Store].
func (m *Mem) Head(_ context.Context, site queue.SiteID) (Head, error) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	s := m.sites[site]
	if s == nil {
		return Head{}, Missing(site)
	}
	return s.head, nil
}

// Missing is the error for a site without views; for implementations of
// [Store].
func Missing(site queue.SiteID) error {
	return fmt.Errorf("%w %s", ErrMissing, site)
}

// Heads implements [Store].
func (m *Mem) Heads(context.Context) ([]Head, error) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	var out []Head
	for _, s := range m.sites {
		out = append(out, s.head)
	}
	slices.SortFunc(out, func(a, b Head) int { return strings.Compare(string(a.Site), string(b.Site)) })
	return out, nil
}

// Put implements [Store].
func (m *Mem) Put(_ context.Context, all Whole) (bool, error) {
	if err := Check(&Change{Head: all.Head}); err != nil {
		return false, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if s := m.sites[all.Head.Site]; s != nil && s.head.Seq >= all.Head.Seq {
		return false, nil
	}
	s := &memSite{head: all.Head, rows: make(map[queue.UnitID]Row, len(all.Rows))}
	for _, r := range all.Rows {
		s.rows[r.Unit] = r
	}
	if m.sites == nil {
		m.sites = map[queue.SiteID]*memSite{}
	}
	m.sites[all.Head.Site] = s
	return true, nil
}

// Advance implements [Store].
func (m *Mem) Advance(_ context.Context, c Change) (bool, error) {
	if err := Check(&c); err != nil {
		return false, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.sites[c.Head.Site]
	switch {
	case s == nil || s.head.Seq < c.From:
		return false, fmt.Errorf("%w: site %s", ErrBehind, c.Head.Site)
	case s.head.Seq >= c.Head.Seq:
		return false, nil
	}
	for _, r := range c.Rows {
		s.rows[r.Unit] = r
	}
	for _, id := range c.Gone {
		delete(s.rows, id)
	}
	s.head = c.Head
	return true, nil
}

// Drop implements [Store].
func (m *Mem) Drop(_ context.Context, site queue.SiteID) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.sites, site)
	delete(m.snaps, site)
	return nil
}

// Units implements [Store].
func (m *Mem) Units(_ context.Context, site queue.SiteID) (Head, []Row, error) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	s := m.sites[site]
	if s == nil {
		return Head{}, nil, Missing(site)
	}
	rows := make([]Row, 0, len(s.rows))
	for _, r := range s.rows {
		rows = append(rows, r)
	}
	Sort(rows)
	return s.head, rows, nil
}

// SaveSnapshot implements [Store].
func (m *Mem) SaveSnapshot(_ context.Context, sn log.Snapshot) error {
	if err := log.CheckSite(sn.Site); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if old, ok := m.snaps[sn.Site]; ok && old.Seq >= sn.Seq {
		return nil
	}
	if m.snaps == nil {
		m.snaps = map[queue.SiteID]log.Snapshot{}
	}
	m.snaps[sn.Site] = sn
	return nil
}

// LoadSnapshot implements [Store].
func (m *Mem) LoadSnapshot(_ context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error) {
	m.mu.RLock()
	defer m.mu.RUnlock()
	sn, ok := m.snaps[site]
	switch {
	case !ok:
		return nil, nil, nil
	case sn.Format != format:
		return nil, []log.Ignored{{File: "shared", Why: fmt.Sprintf("it has format %d, want %d", sn.Format, format)}}, nil
	}
	return &sn, nil, nil
}
