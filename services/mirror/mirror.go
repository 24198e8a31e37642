// Package mirror keeps the shared views of a site true to its log. Whoever
// folds a site may run one; any number of them on any number of machines end
// with the same views, because the store lets the newest stand.
//
// What it guarantees:
//
//  1. While the store answers, its views are at the ledger's position within
//     moments of a change.
//  2. What the store lost, in whole or in part, is back within a second or
//     two, the snapshot included, also when nothing happens in the shop.
//  3. Views of another log (one that was replaced by a backup) are dropped.
//  4. A store that is away stops nothing: the mirror tries on.
package mirror

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/ledger"
)

// Options say what to mirror, and where.
type Options struct {
	Site   queue.SiteID
	Ledger *ledger.Ledger
	Log    log.Log
	Store  view.Store
	// Every is how often it is looked whether the store still has the views;
	// 0: 1 s.
	Every time.Duration
	// SnapshotEvery is how many entries lie between two shared snapshots; 0:
	// 1,000.
	SnapshotEvery uint64
	Logger        *zap.Logger // nil: none
}

// Bounds of the pause after the store did not answer.
const (
	pauseMin = 100 * time.Millisecond
	pauseMax = 2 * time.Second
	// settle is how long what happens is gathered before it is sent.
	settle = 10 * time.Millisecond
)

// Run mirrors until ctx ends.
func Run(ctx context.Context, o Options) error {
	m := New(o)
	watch := m.o.Ledger.Watch()
	defer watch.Stop()
	tick := time.NewTicker(m.o.Every)
	defer tick.Stop()
	for {
		wait, again := m.Step(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		if again {
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case <-watch.C():
		case <-tick.C:
			m.LookAgain()
		}
	}
}

// Mirror is one site's, as steps; but for what the ledger tells it, it is for
// one goroutine.
type Mirror struct {
	o     Options
	log   *zap.Logger
	pause time.Duration

	done uint64 // the store has at least this; 0: not known
	look bool   // the store is to be asked whether it still has it
	away bool
	snap uint64 // the last shared snapshot
	sent uint64 // touched tells what changed after this entry; 0: not known

	mu      sync.Mutex
	touched map[queue.UnitID]uint64 // units and the last entry that concerns them
}

// New returns a mirror that has sent nothing yet.
func New(o Options) *Mirror {
	if o.Every == 0 {
		o.Every = time.Second
	}
	if o.SnapshotEvery == 0 {
		o.SnapshotEvery = 1000
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	m := &Mirror{o: o, log: o.Logger.Named("mirror").With(zap.String("site", string(o.Site))), touched: map[queue.UnitID]uint64{}, pause: pauseMin}
	o.Ledger.Observe(m.note)
	return m
}

// Step brings the store to where the ledger is. The next step is due after
// wait, if again; else when the ledger has changed too, or every so often,
// after LookAgain.
func (m *Mirror) Step(ctx context.Context) (wait time.Duration, again bool) {
	err := m.bring(ctx)
	switch {
	case ctx.Err() != nil:
		return 0, false
	case err == nil:
		if m.away {
			m.log.Info("the store of shared views is back")
		}
		m.away, m.pause = false, pauseMin
		return settle, false
	}
	if !m.away {
		m.log.Warn("shared views not kept; trying on", zap.Error(err))
	}
	// What was sent may or may not be there.
	m.away, m.done = true, 0
	wait, m.pause = m.pause, min(2*m.pause, pauseMax)
	return wait, true
}

// LookAgain lets the next step ask the store whether it still has what it had.
func (m *Mirror) LookAgain() { m.look = true }

// note is called by the ledger with each entry that it folds.
func (m *Mirror) note(en *queue.Entry) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range en.Events {
		if id, ok := en.Events[i].Subject.Unit(); ok {
			m.touched[id] = en.Seq
		}
	}
}

// bring brings the store to the ledger's position.
func (m *Mirror) bring(ctx context.Context) error {
	// The view first: what was touched later is sent again the next time.
	st := m.o.Ledger.View()
	if st.Seq == 0 {
		return nil
	}
	if m.done == 0 || m.look {
		m.look = false
		if err := m.compare(ctx, st); err != nil {
			return err
		}
	}
	if m.done < st.Seq {
		if err := m.advance(ctx, st); err != nil {
			return err
		}
	}
	if m.snap == 0 || st.Seq >= m.snap+m.o.SnapshotEvery {
		if err := m.o.Ledger.SaveTo(ctx, m.o.Store); err != nil {
			return err
		}
		m.snap = st.Seq
	}
	return nil
}

// compare finds out what the store has.
func (m *Mirror) compare(ctx context.Context, st *queue.State) error {
	head, err := m.o.Store.Head(ctx, m.o.Site)
	switch {
	case errors.Is(err, view.ErrMissing):
		if m.done > 0 {
			m.log.Warn("the store lost the shared views; putting them back")
		}
		m.done, m.snap = 0, 0
	case err != nil:
		return err
	case head.Seq > st.Seq:
		return m.ahead(ctx, head)
	case head.Seq == st.Seq && head.Hash != st.LastEntry:
		return m.foreign(ctx, head)
	default:
		m.done = head.Seq
	}
	return nil
}

// ahead looks at views that are newer than this process's state.
func (m *Mirror) ahead(ctx context.Context, head view.Head) error {
	pos, err := m.o.Log.At(ctx, m.o.Site, head.Seq)
	switch {
	case errors.Is(err, log.ErrNotFound) || err == nil && pos.Hash != head.Hash:
		return m.foreign(ctx, head)
	case err != nil:
		return err
	}
	m.done = head.Seq
	return nil
}

// foreign drops views whose entry is not in this log.
func (m *Mirror) foreign(ctx context.Context, head view.Head) error {
	m.log.Warn("the shared views are of another log; dropping them", zap.Uint64("seq", head.Seq))
	m.done, m.snap = 0, 0
	return m.o.Store.Drop(ctx, m.o.Site)
}

// advance sends what changed, or everything when the store is too far behind.
func (m *Mirror) advance(ctx context.Context, st *queue.State) error {
	m.mu.Lock()
	var units []queue.UnitID
	for id := range m.touched {
		units = append(units, id)
	}
	m.mu.Unlock()
	err := error(view.ErrBehind)
	if m.done > 0 && m.complete(m.done) {
		_, err = m.o.Store.Advance(ctx, view.Since(m.done, st, units))
	}
	if errors.Is(err, view.ErrBehind) {
		_, err = m.o.Store.Put(ctx, view.Of(st))
	}
	if err != nil {
		return fmt.Errorf("mirror site %s: %w", m.o.Site, err)
	}
	m.done = st.Seq
	m.forget(st.Seq)
	return nil
}

// complete reports whether touched tells all that changed after seq. It does
// when this mirror itself brought the store there.
func (m *Mirror) complete(seq uint64) bool { return m.sent != 0 && seq >= m.sent }

// forget drops notes of what the store has.
func (m *Mirror) forget(seq uint64) {
	m.sent = seq
	m.mu.Lock()
	defer m.mu.Unlock()
	for id, at := range m.touched {
		if at <= seq {
			delete(m.touched, id)
		}
	}
}
