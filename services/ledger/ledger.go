// Package ledger keeps one site's state true to its log and carries commands
// into it. Every role that changes or reads the shop does it through a Ledger:
//
//	l, err := ledger.Open(ctx, ledger.Options{Site: "larkmoor", Log: log, Now: time.Now})
//	go l.Run(ctx)                       // fold what others append
//	receipt, err := l.Do(ctx, command)  // decide, append, fold; a *queue.Refusal says no
//	state := l.View()                   // a value to read, as old as its Seq
//
// What it guarantees:
//
//  1. When Do returns a receipt, the events are on disk and in the state of
//     every later View.
//  2. Do decides on the newest state it can see; when somebody else was faster
//     it folds his entries and decides again, a bounded number of times.
//  3. A command that was carried out before, here or elsewhere, is answered as
//     a duplicate and changes nothing.
//  4. Views are snapshots: nobody changes them.
package ledger

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/almanac"
)

// triesMax bounds how often one command is decided again after a conflict.
const triesMax = 8

// ErrBusy: others were faster triesMax times in a row.
var ErrBusy = errors.New("the shop is busy: try again")

// Options say which site's ledger to open, on which log.
type Options struct {
	Site queue.SiteID
	Log  log.Log
	Now  func() time.Time
	// Snapshots, if set, bound the time of the next start.
	Snapshots Snapshots
	// SnapshotEvery is how many entries lie between two snapshots; 0: 5,000.
	SnapshotEvery uint64
	Logger        *zap.Logger // nil: none
}

// Snapshots keep a state's bytes beside the log; a *log.Server and a
// *log.Snapshots do.
type Snapshots interface {
	Keeper
	// LoadSnapshot returns the newest one that can be trusted, or nil, and
	// those that were passed over.
	LoadSnapshot(ctx context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error)
}

// Ledger is a site's state and its way into the log.
type Ledger struct {
	o   Options
	log *zap.Logger

	snapshotDue chan struct{}
	folded      atomic.Uint64 // the state's sequence

	write sync.Mutex // one command of this process at a time

	mu       sync.Mutex
	state    *queue.State
	view     *queue.State // of state, until it changes
	almanac  *almanac.Almanac
	lastSnap uint64
	watchers map[*Watch]struct{}
	observe  []func(*queue.Entry)
	refused  []func(*queue.Refusal)
}

// Receipt says what a command came to.
type Receipt struct {
	Seq        uint64
	Events     []queue.Event
	Duplicate  bool
	Overridden []queue.Override
}

// Open folds the log, from a snapshot if there is one, and returns the ledger.
func Open(ctx context.Context, o Options) (*Ledger, error) {
	if o.SnapshotEvery == 0 {
		o.SnapshotEvery = 5000
	}
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	l := &Ledger{o: o, log: o.Logger.Named("ledger").With(zap.String("site", string(o.Site))), watchers: map[*Watch]struct{}{}, snapshotDue: make(chan struct{}, 1)}
	l.state = l.fromSnapshot(ctx)
	l.folded.Store(l.state.Seq)
	if err := o.Log.Read(ctx, o.Site, l.state.Seq, l.fold); err != nil {
		return nil, fmt.Errorf("fold the log of site %s: %w", o.Site, err)
	}
	return l, nil
}

func (l *Ledger) fromSnapshot(ctx context.Context) *queue.State {
	empty := queue.NewState(l.o.Site)
	if l.o.Snapshots == nil {
		return empty
	}
	snap, ignored, err := l.o.Snapshots.LoadSnapshot(ctx, l.o.Site, queue.FormatVersion)
	for _, ig := range ignored {
		l.log.Warn("snapshot passed over", zap.Any("snapshot", ig))
	}
	if err != nil || snap == nil {
		l.log.Info("no snapshot, folding the whole log", zap.Error(err))
		return empty
	}
	st, err := queue.UnmarshalSnapshot(snap.Data)
	if err != nil || st.Site != l.o.Site {
		l.log.Warn("snapshot unreadable, folding the whole log", zap.Error(err))
		return empty
	}
	l.lastSnap = st.Seq
	return st
}

// Run folds what others append until ctx ends, and saves a snapshot now and
// then, and at the end.
func (l *Ledger) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return l.Follow(ctx) })
	g.Go(func() error {
		for {
			select {
			case <-l.snapshotDue:
				l.Snapshot(ctx)
			case <-ctx.Done():
				l.Snapshot(context.WithoutCancel(ctx))
				return ctx.Err()
			}
		}
	})
	if err := g.Wait(); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// Follow folds what others append until ctx ends, and returns its error. It is
// the part of Run that others than Run may want alone.
func (l *Ledger) Follow(ctx context.Context) error {
	return l.o.Log.Follow(ctx, l.o.Site, l.folded.Load, l.fold)
}

// fold applies an entry that came from the log.
func (l *Ledger) fold(en *queue.Entry) error {
	l.mu.Lock()
	applied, err := l.state.Apply(en)
	if err == nil && applied {
		l.folded.Store(l.state.Seq)
		err = l.changed(en)
	}
	due := err == nil && l.state.Seq >= l.lastSnap+l.o.SnapshotEvery
	l.mu.Unlock()
	if due {
		select {
		case l.snapshotDue <- struct{}{}:
		default: // one is due already
		}
	}
	return err
}

// changed is called with mu held, after the state has changed.
func (l *Ledger) changed(en *queue.Entry) error {
	l.view = nil
	if sh := l.state.Shop; sh != nil && (l.almanac == nil || l.almanac.Shop() != sh) {
		a, err := almanac.New(sh)
		if err != nil {
			return fmt.Errorf("entry %d configures an impossible shop: %w", en.Seq, err)
		}
		l.almanac = a
	}
	for _, f := range l.observe {
		f(en)
	}
	if l.log.Core().Enabled(zap.DebugLevel) && len(en.Events) > 0 {
		l.log.Debug("entry folded", append(commandFields(en.Command(), en.Events[0].Subject), zap.Uint64("seq", en.Seq))...)
	}
	for w := range l.watchers {
		w.wake()
	}
	return nil
}

// Observe calls f with each entry that is applied from now on, in order, on
// the goroutine that applies it: f must be quick and must not call the ledger.
func (l *Ledger) Observe(f func(*queue.Entry)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.observe = append(l.observe, f)
}

// ObserveRefusals calls f with each refusal that Do gives from now on.
func (l *Ledger) ObserveRefusals(f func(*queue.Refusal)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refused = append(l.refused, f)
}

func (l *Ledger) tell(r *queue.Refusal) {
	l.mu.Lock()
	observers := l.refused
	l.mu.Unlock()
	for _, f := range observers {
		f(r)
	}
}

// View returns the state as it is now, to read.
func (l *Ledger) View() *queue.State {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.view == nil {
		l.view = l.state.View()
	}
	return l.view
}

// Almanac returns the hours of the shop file in effect, nil before there is
// one.
func (l *Ledger) Almanac() *almanac.Almanac {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.almanac == nil && l.state.Shop != nil {
		l.almanac, _ = almanac.New(l.state.Shop)
	}
	return l.almanac
}

// Do carries a command out. The error is a *queue.Refusal, ErrBusy, or what
// the log says (log.ErrFull, log.ErrNotDurable …).
func (l *Ledger) Do(ctx context.Context, cmd queue.Command) (Receipt, error) {
	l.write.Lock()
	defer l.write.Unlock()
	r, err := l.do(ctx, cmd)
	l.tellLog(&cmd, r, err)
	return r, err
}

// tellLog writes a line about a command: which, about what, and what came of it.
// What was typed into it is not in it.
func (l *Ledger) tellLog(cmd *queue.Command, r Receipt, err error) {
	fields := append(commandFields(cmd.ID, cmd.Subject()), zap.String("actor", string(cmd.Actor)))
	var refusal *queue.Refusal
	switch {
	case errors.As(err, &refusal):
		fields = append(fields, zap.String("code", string(refusal.Code)))
		if refusal.Interlock != 0 {
			fields = append(fields, zap.Stringer("interlock", refusal.Interlock))
		}
		l.log.Info("command refused", fields...)
	case err != nil:
		l.log.Warn("command not carried out", append(fields, zap.Error(err))...)
	case r.Duplicate:
		l.log.Debug("command was carried out before", fields...)
	default:
		l.log.Info("command carried out", append(fields, zap.Uint64("seq", r.Seq), zap.Int("events", len(r.Events)))...)
	}
}

func commandFields(id queue.CommandID, s queue.Subject) []zap.Field {
	fields := []zap.Field{zap.String("command", string(id))}
	if unit, ok := s.Unit(); ok {
		fields = append(fields, zap.String("unit", string(unit)))
	}
	return fields
}

func (l *Ledger) do(ctx context.Context, cmd queue.Command) (Receipt, error) {
	for range triesMax {
		outcome, en, after, err := l.decide(cmd)
		var refusal *queue.Refusal
		switch {
		case errors.As(err, &refusal):
			// Perhaps it is the state that is behind, not the command.
			newer, ferr := l.catchUp(ctx, after)
			if ferr != nil {
				// Not a refusal to whoever asks: it may be one of an old state.
				return Receipt{}, fmt.Errorf("not decided (%v): %w", err, ferr)
			}
			if !newer {
				l.tell(refusal)
				return Receipt{}, err
			}
			continue
		case err != nil:
			return Receipt{}, err
		case outcome.Duplicate:
			return Receipt{Seq: after, Duplicate: true}, nil
		}
		_, err = l.o.Log.Append(ctx, en, after)
		switch {
		case err == nil:
			if err := l.fold(en); err != nil {
				return Receipt{}, err
			}
			return Receipt{Seq: en.Seq, Events: en.Events, Overridden: outcome.Overridden}, nil
		case errors.Is(err, log.ErrConflict), errors.Is(err, log.ErrRepeated):
			if _, err := l.catchUp(ctx, after); err != nil {
				return Receipt{}, err
			}
		default:
			return Receipt{}, err
		}
	}
	return Receipt{}, ErrBusy
}

// catchUp folds what others appended after seq, and reports whether there was
// anything.
func (l *Ledger) catchUp(ctx context.Context, seq uint64) (bool, error) {
	last, err := l.o.Log.Last(ctx, l.o.Site)
	if err == nil && last.Seq > seq {
		err = l.o.Log.Read(ctx, l.o.Site, seq, l.fold)
	}
	if err != nil {
		return false, fmt.Errorf("fold what others appended: %w", err)
	}
	return last.Seq > seq, nil
}

func (l *Ledger) decide(cmd queue.Command) (queue.Outcome, *queue.Entry, uint64, error) {
	a := l.Almanac()
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.o.Now()
	cond := queue.Conditions{Now: now}
	if a != nil {
		cond = a.Conditions(l.state, now, l.state.CountsAt(now, cmd))
	}
	outcome, err := queue.Decide(l.state, cond, cmd)
	if err != nil || outcome.Duplicate {
		return outcome, nil, l.state.Seq, err
	}
	en := outcome.Entry(l.state)
	return outcome, en, l.state.Seq, nil
}

// Try judges a command without carrying it out.
func (l *Ledger) Try(cmd queue.Command) error {
	_, _, _, err := l.decide(cmd)
	return err
}

// Snapshot saves the state now, if snapshots are kept and it has changed.
func (l *Ledger) Snapshot(ctx context.Context) {
	if l.o.Snapshots == nil {
		return
	}
	l.mu.Lock()
	if l.state.Seq == l.lastSnap {
		l.mu.Unlock()
		return
	}
	st := l.state.Clone()
	l.lastSnap = st.Seq
	l.mu.Unlock()
	if err := l.save(ctx, st, l.o.Snapshots); err != nil {
		l.log.Warn("snapshot not saved", zap.Uint64("seq", st.Seq), zap.Error(err))
	}
}

// Keeper keeps a state's bytes.
type Keeper interface {
	SaveSnapshot(context.Context, log.Snapshot) error
}

// SaveTo gives a snapshot of the present state to k, whatever was saved
// before.
func (l *Ledger) SaveTo(ctx context.Context, k Keeper) error {
	l.mu.Lock()
	st := l.state.Clone()
	l.mu.Unlock()
	return l.save(ctx, st, k)
}

func (l *Ledger) save(ctx context.Context, st *queue.State, k Keeper) error {
	b, err := st.MarshalSnapshot()
	if err != nil {
		return err
	}
	return k.SaveSnapshot(ctx, log.Snapshot{Site: l.o.Site, Seq: st.Seq, Hash: st.LastEntry, Format: queue.FormatVersion, Data: b})
}

// Watch wakes its owner when the state has changed.
type Watch struct {
	l *Ledger
	c chan struct{}
}

// Watch starts a watch; C receives after a change, one signal for any number
// of changes since the last one.
func (l *Ledger) Watch() *Watch {
	w := &Watch{l: l, c: make(chan struct{}, 1)}
	l.mu.Lock()
	l.watchers[w] = struct{}{}
	l.mu.Unlock()
	return w
}

// C is the channel of the watch.
func (w *Watch) C() <-chan struct{} { return w.c }

// Stop ends the watch.
func (w *Watch) Stop() {
	w.l.mu.Lock()
	delete(w.l.watchers, w)
	w.l.mu.Unlock()
}

func (w *Watch) wake() {
	select {
	case w.c <- struct{}{}:
	default:
	}
}
