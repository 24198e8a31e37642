// Package view is the contract of shared read models: what floor replicas want
// to know of sites whose log they don't fold themselves.
//
//	head, rows, err := store.Units(ctx, "larkmoor")  // open units, soonest promise first
//	l, err := ledger.Open(ctx, ledger.Options{…, Snapshots: view.Snapshots(store, log)})
//
// Everything in a [Store] is derived from the log and may vanish at any time:
// whoever folds a site puts it back ([Views]). Two things fulfil the contract
// and pass one conformance suite (queue/view/viewtest): [Mem], for a single
// process, and redisview.Store.
//
// A site's views carry the position in the log that they were derived from, and
// guarantee:
//
//  1. An older write never overwrites a newer one, whoever sends it, however
//     late.
//  2. A reader sees the views of one position, never a mixture of two.
//  3. Views that were lost in whole or in part are [ErrMissing], never an empty
//     or shortened answer.
//
// The plan is not here: it is on NATS, where its readers follow it.
package view

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/queue/log"
)

var (
	// ErrMissing: the store has no views of the site, or not the whole of them.
	// Whoever folds the site puts them back within seconds.
	ErrMissing = errors.New("no shared view of the site")
	// ErrBehind: the change begins after what the store has. Put the whole.
	ErrBehind = errors.New("the shared view is older than the change begins")
	// ErrAway: the store does not answer.
	ErrAway = errors.New("the store of shared views does not answer")
)

// Store keeps the views of many sites. All methods may be called concurrently.
// Errors wrap those above, or log.ErrInvalid for a site id that can't be one.
type Store interface {
	// Head returns the position of a site's views.
	Head(ctx context.Context, site queue.SiteID) (Head, error)
	// Heads returns those of all sites, by site.
	Heads(ctx context.Context) ([]Head, error)

	// Put replaces a site's views if what the store has is older or not whole.
	// It reports whether it did.
	Put(ctx context.Context, all Whole) (bool, error)
	// Advance moves a site's views on, and reports whether it did: not if they
	// are as new already.
	Advance(ctx context.Context, c Change) (bool, error)
	// Drop forgets a site, its snapshot included: the log was replaced by
	// another one.
	Drop(ctx context.Context, site queue.SiteID) error

	// Units returns the open units, the soonest promise first.
	Units(ctx context.Context, site queue.SiteID) (Head, []Row, error)

	// SaveSnapshot keeps a site's state, unless the store has a newer one.
	SaveSnapshot(ctx context.Context, sn log.Snapshot) error
	// LoadSnapshot returns the state that is kept, nil if there is none that
	// can be trusted, and why one was passed over. Whether its entry is in
	// the log is for the caller to see.
	LoadSnapshot(ctx context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error)
}

// Head says what a site's views were derived from.
type Head struct {
	Site queue.SiteID `json:"site"`
	Seq  uint64       `json:"seq"`
	Hash queue.Hash   `json:"hash"`           // of the entry at Seq
	Name string       `json:"name"`           // of the shop
	Zone string       `json:"zone,omitempty"` // its time zone, as IANA names it
	// Counts of open units, and the soonest promise among them.
	Open     int       `json:"open"`
	Running  int       `json:"running"`
	Problems int       `json:"problems"`
	Due      time.Time `json:"due,omitzero"`
}

// Row is an open unit in one line.
type Row struct {
	Site    queue.SiteID `json:"site"`
	Unit    queue.UnitID `json:"unit"`
	Frame   string       `json:"frame"`
	Plate   string       `json:"plate,omitempty"`
	Make    string       `json:"make"`
	Model   string       `json:"model"`
	Year    int          `json:"year"`
	Arrived time.Time    `json:"arrived"`
	Promise time.Time    `json:"promise"`
	Held    bool         `json:"held,omitempty"`
	Rework  string       `json:"rework,omitempty"`
	// Running is the step that somebody or something is at, Next the first
	// that is still to do; empty: none.
	Running queue.StepID `json:"running,omitempty"`
	Next    queue.StepID `json:"next,omitempty"`
	// Kind is what sort of step runs, Since since when.
	Kind  queue.OperationKind `json:"kind,omitempty"`
	Since time.Time           `json:"since,omitzero"`
	// Touched is when somebody last recorded something of the unit.
	Touched time.Time `json:"touched,omitzero"`
	Settled int       `json:"settled"` // steps that need nothing more
	Steps   int       `json:"steps"`
	Problem bool      `json:"problem,omitempty"` // reported and not settled
}

// Whole is everything of a site at one position.
type Whole struct {
	Head Head
	Rows []Row
}

// Change leads from one position to a later one: the rows of all units that
// entries in between touched, as they are at Head, and those that left.
type Change struct {
	From uint64 // sequence; the store must not be behind it
	Head Head
	Rows []Row
	Gone []queue.UnitID
}

// Of derives everything from a state.
func Of(st *queue.State) Whole {
	w := Whole{Head: headOf(st)}
	for _, u := range st.Units {
		if u.Status == queue.InShop {
			w.Rows = append(w.Rows, RowOf(st.Site, u))
		}
	}
	Sort(w.Rows)
	w.Head.count(w.Rows)
	return w
}

// Since derives a change from the state at its end; touched are the units that
// entries after from concern.
func Since(from uint64, st *queue.State, touched []queue.UnitID) Change {
	c := Change{From: from, Head: Of(st).Head}
	for _, id := range touched {
		if u := st.Units[id]; u != nil && u.Status == queue.InShop {
			c.Rows = append(c.Rows, RowOf(st.Site, u))
		} else {
			c.Gone = append(c.Gone, id)
		}
	}
	return c
}

func headOf(st *queue.State) Head {
	h := Head{Site: st.Site, Seq: st.Seq, Hash: st.LastEntry}
	if st.Shop != nil {
		h.Name, h.Zone = st.Shop.Name, st.Shop.Location().String()
	}
	return h
}

// count needs the rows in order.
func (h *Head) count(rows []Row) {
	h.Open = len(rows)
	for _, r := range rows {
		h.Running += one(r.Running != "")
		h.Problems += one(r.Problem)
	}
	if len(rows) > 0 {
		h.Due = rows[0].Promise
	}
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// RowOf is a unit's line.
func RowOf(site queue.SiteID, u *queue.Unit) Row {
	r := Row{
		Site: site, Unit: u.ID, Frame: u.Machine.Frame, Plate: u.Machine.Plate, Make: u.Machine.Make,
		Model: u.Machine.Model, Year: u.Machine.Year, Arrived: u.Arrived.UTC(), Promise: u.Promise.UTC(),
		Held: u.Held, Rework: u.Rework, Steps: len(u.Steps), Touched: u.Touched.UTC(),
	}
	for i := range u.Steps {
		s := &u.Steps[i]
		r.Problem = r.Problem || s.Problem != ""
		switch {
		case s.Settled():
			r.Settled++
		case s.Status == queue.Running:
			r.runs(s)
		default:
			r.Next = cmp.Or(r.Next, s.ID)
		}
	}
	return r
}

// runs takes over a step that runs. Of several, a flash is told, which nothing
// may interrupt, then an engine that runs.
func (r *Row) runs(s *queue.Step) {
	rank := func(k queue.OperationKind) int {
		return slices.Index([]queue.OperationKind{queue.Relearn, queue.Flash}, k)
	}
	if r.Running == "" || rank(s.Kind) > rank(r.Kind) {
		r.Running, r.Kind, r.Since = s.ID, s.Kind, s.Started.UTC()
	}
}

// Sort orders rows by promise, then ticket.
func Sort(rows []Row) {
	slices.SortFunc(rows, func(a, b Row) int {
		return cmp.Or(a.Promise.Compare(b.Promise), cmp.Compare(a.Site, b.Site), cmp.Compare(a.Unit, b.Unit))
	})
}

// Check refuses what no store could keep; for implementations of [Store].
func Check(c *Change) error {
	if err := log.CheckSite(c.Head.Site); err != nil {
		return err
	}
	if c.Head.Seq == 0 || c.Head.Seq <= c.From {
		return fmt.Errorf("%w: a change from entry %d to entry %d", log.ErrInvalid, c.From, c.Head.Seq)
	}
	return nil
}

// Snapshots are the store's snapshots for a ledger: one whose entry is not in
// the log is passed over.
func Snapshots(s Store, l log.Log) *InLog { return &InLog{s, l} }

// InLog is made by [Snapshots].
type InLog struct {
	Store
	log log.Log
}

// LoadSnapshot returns the state that is kept if it fits the log.
func (s *InLog) LoadSnapshot(ctx context.Context, site queue.SiteID, format int) (*log.Snapshot, []log.Ignored, error) {
	sn, ignored, err := s.Store.LoadSnapshot(ctx, site, format)
	if err != nil || sn == nil {
		return nil, ignored, err
	}
	pos, err := s.log.At(ctx, site, sn.Seq)
	switch {
	case err == nil && pos.Hash == sn.Hash:
		return sn, ignored, nil
	case err == nil || errors.Is(err, log.ErrNotFound):
		return nil, append(ignored, log.Ignored{File: "shared", Why: fmt.Sprintf("its entry %d is not the one in the log", sn.Seq)}), nil
	}
	return nil, ignored, err
}
