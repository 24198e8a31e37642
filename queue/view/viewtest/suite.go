// Package viewtest has the checks that every store of shared views passes.
package viewtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/queue/view"
)

// Fixture is a fresh store under test.
type Fixture struct {
	view.Store
	// Other is the same store seen by another process; nil: there is none.
	Other view.Store
	// Flush empties it behind its back; nil: that can't happen.
	Flush func()
}

// Run runs the suite; open makes a fresh store.
func Run(t *testing.T, open func(t *testing.T) Fixture) {
	for _, c := range []struct {
		name string
		f    func(*testing.T, Fixture)
	}{
		{"empty", testEmpty}, {"put", testPut}, {"older-never-overwrites", testOlder}, {"advance", testAdvance},
		{"overlap", testOverlap}, {"gap", testGap}, {"late-writers", testLateWriters}, {"one-position", testOnePosition},
		{"sites", testSites}, {"fold", testFold}, {"snapshot", testSnapshot},
		{"flush", testFlush}, {"invalid", testInvalid}, {"no-units", testNoUnits},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := open(t)
			if f.Other == nil {
				f.Other = f.Store
			}
			c.f(t, f)
		})
	}
}

const site = queue.SiteID("larkmoor")

// Row is a row that differs from others by its number.
func Row(site queue.SiteID, n int) view.Row {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	return view.Row{
		Site: site, Unit: queue.UnitID(fmt.Sprintf("L-%05d", n)), Frame: fmt.Sprintf("XLT-EN-%06d", n), Plate: fmt.Sprintf("LM %d TR", 10000+n),
		Make: "Larkmoor", Model: "Tarn 450", Year: 2025, Arrived: at, Promise: at.Add(time.Duration(n*7919%1000) * time.Minute),
		Next: "flash", Steps: 5,
	}
}

// Whole is a site with rows from 1 to n at a sequence.
func Whole(site queue.SiteID, seq uint64, n int) view.Whole {
	w := view.Whole{Head: view.Head{Site: site, Seq: seq, Hash: queue.Hash(fmt.Sprintf("h%d", seq)), Name: "Larkmoor Trail & Enduro", Open: n}}
	for i := range n {
		w.Rows = append(w.Rows, Row(site, i+1))
	}
	view.Sort(w.Rows)
	return w
}

func put(t *testing.T, s view.Store, w view.Whole, want bool) {
	t.Helper()
	if done, err := s.Put(t.Context(), w); err != nil || done != want {
		t.Fatalf("put at %d: %v, %v; want %v", w.Head.Seq, done, err, want)
	}
}

func advance(t *testing.T, s view.Store, c view.Change, want bool) {
	t.Helper()
	if done, err := s.Advance(t.Context(), c); err != nil || done != want {
		t.Fatalf("advance from %d to %d: %v, %v; want %v", c.From, c.Head.Seq, done, err, want)
	}
}

func same(t *testing.T, s view.Store, want view.Whole) {
	t.Helper()
	head, rows, err := s.Units(t.Context(), want.Head.Site)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, view.Whole{Head: head, Rows: rows}); d != "" {
		t.Fatalf("views differ (-want +got):\n%s", d)
	}
	if h, err := s.Head(t.Context(), want.Head.Site); err != nil || h != want.Head {
		t.Fatalf("head is %+v, %v; want %+v", h, err, want.Head)
	}
}

func missing(t *testing.T, s view.Store, site queue.SiteID) {
	t.Helper()
	if _, _, err := s.Units(t.Context(), site); !errors.Is(err, view.ErrMissing) {
		t.Fatalf("units: %v, want ErrMissing", err)
	}
	if _, err := s.Head(t.Context(), site); !errors.Is(err, view.ErrMissing) {
		t.Fatalf("head: %v, want ErrMissing", err)
	}
}

// change leads from one whole to another.
func change(from, to view.Whole) view.Change {
	c := view.Change{From: from.Head.Seq, Head: to.Head}
	for _, r := range to.Rows {
		if !slices.Contains(from.Rows, r) {
			c.Rows = append(c.Rows, r)
		}
	}
	for _, r := range from.Rows {
		if !slices.ContainsFunc(to.Rows, func(x view.Row) bool { return x.Unit == r.Unit }) {
			c.Gone = append(c.Gone, r.Unit)
		}
	}
	return c
}

func testEmpty(t *testing.T, f Fixture) {
	missing(t, f, site)
	if heads, err := f.Heads(t.Context()); err != nil || len(heads) != 0 {
		t.Errorf("heads of an empty store: %v, %v", heads, err)
	}
	if sn, ignored, err := f.LoadSnapshot(t.Context(), site, 1); sn != nil || ignored != nil || err != nil {
		t.Errorf("snapshot of an empty store: %v, %v, %v", sn, ignored, err)
	}
	if err := f.Drop(t.Context(), site); err != nil {
		t.Errorf("drop of what is not there: %v", err)
	}
}

func testPut(t *testing.T, f Fixture) {
	w := Whole(site, 7, 1200) // more than one round trip
	put(t, f, w, true)
	same(t, f.Other, w)
	w = Whole(site, 9, 3)
	put(t, f.Other, w, true)
	same(t, f, w)
}

func testOlder(t *testing.T, f Fixture) {
	w := Whole(site, 7, 5)
	put(t, f, w, true)
	put(t, f.Other, Whole(site, 6, 2), false)
	put(t, f.Other, Whole(site, 7, 2), false)
	advance(t, f.Other, change(Whole(site, 3, 5), Whole(site, 5, 1)), false)
	same(t, f, w)
}

func testAdvance(t *testing.T, f Fixture) {
	w := Whole(site, 7, 5)
	put(t, f, w, true)
	next := Whole(site, 8, 6)
	next.Rows = slices.DeleteFunc(next.Rows, func(r view.Row) bool { return r.Unit == "L-00002" })
	next.Rows[0].Running, next.Rows[0].Plate = "flash", "NEW 1"
	next.Head.Open = len(next.Rows)
	advance(t, f, change(w, next), true)
	same(t, f.Other, next)
}

// A writer that is ahead of the store's other writers brings everything since
// an entry before the store's: it applies.
func testOverlap(t *testing.T, f Fixture) {
	put(t, f, Whole(site, 7, 5), true)
	next := Whole(site, 9, 6)
	advance(t, f, change(Whole(site, 5, 4), next), true)
	same(t, f, next)
	advance(t, f, change(Whole(site, 5, 4), next), false) // once more
	same(t, f, next)
}

func testGap(t *testing.T, f Fixture) {
	c := change(Whole(site, 8, 5), Whole(site, 9, 6))
	if _, err := f.Advance(t.Context(), c); !errors.Is(err, view.ErrBehind) {
		t.Fatalf("a change without a beginning: %v, want ErrBehind", err)
	}
	missing(t, f, site)
	w := Whole(site, 7, 5)
	put(t, f, w, true)
	if _, err := f.Advance(t.Context(), c); !errors.Is(err, view.ErrBehind) {
		t.Fatalf("a change after a gap: %v, want ErrBehind", err)
	}
	same(t, f, w)
}

// testLateWriters: several writers send the same history in any order, twice,
// as a whole or as changes; the newest stands in the end.
func testLateWriters(t *testing.T, f Fixture) {
	r := rand.New(rand.NewPCG(queuetest.Seed(t, 20260301), 7))
	var wholes []view.Whole
	for seq := range uint64(40) {
		wholes = append(wholes, Whole(site, 10+seq, int(1+seq)))
	}
	stores := []view.Store{f.Store, f.Other, f.Store, f.Other}
	var wg sync.WaitGroup
	for i, s := range stores {
		order := append(r.Perm(len(wholes)), r.Perm(len(wholes))...)
		steps := r.Perm(len(wholes) - 1)
		wg.Go(func() {
			for _, k := range order {
				if i%2 == 0 {
					if _, err := s.Put(t.Context(), wholes[k]); err != nil {
						t.Error(err)
					}
				}
			}
			for _, k := range steps {
				if _, err := s.Advance(t.Context(), change(wholes[k], wholes[k+1])); err != nil && !errors.Is(err, view.ErrBehind) {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	same(t, f, wholes[len(wholes)-1])
}

// testOnePosition: whoever reads while others write sees one position's rows.
func testOnePosition(t *testing.T, f Fixture) {
	stop, cancel := context.WithCancel(t.Context())
	put(t, f, Whole(site, 1, 10), true)
	var wg sync.WaitGroup
	wg.Go(func() {
		for seq := uint64(2); stop.Err() == nil; seq++ {
			w := Whole(site, seq, int(10+seq%3))
			if seq%2 == 0 {
				_, _ = f.Put(t.Context(), w)
			} else {
				_, _ = f.Advance(t.Context(), change(Whole(site, seq-1, int(10+(seq-1)%3)), w))
			}
		}
	})
	for range 300 {
		head, rows, err := f.Other.Units(t.Context(), site)
		if err != nil || len(rows) != head.Open || int(10+head.Seq%3) != head.Open && head.Seq > 1 {
			t.Errorf("at entry %d: %d rows, head counts %d, %v", head.Seq, len(rows), head.Open, err)
			break
		}
	}
	cancel()
	wg.Wait()
}

func testSites(t *testing.T, f Fixture) {
	names := []queue.SiteID{"a", "a-b", "larkmoor", "z9"}
	for i, name := range names {
		put(t, f, Whole(name, uint64(10+i), i), true)
	}
	heads, err := f.Other.Heads(t.Context())
	if err != nil || len(heads) != len(names) {
		t.Fatalf("%d heads, %v; want %d", len(heads), err, len(names))
	}
	for i, h := range heads {
		if h.Site != names[i] || h.Seq != uint64(10+i) {
			t.Errorf("head %d is %+v", i, h)
		}
	}
	if err := f.Drop(t.Context(), "a"); err != nil {
		t.Fatal(err)
	}
	missing(t, f, "a")
	same(t, f, Whole("a-b", 11, 1))
	if heads, _ := f.Heads(t.Context()); len(heads) != len(names)-1 {
		t.Errorf("%d heads after one was dropped", len(heads))
	}
	put(t, f, Whole("a", 3, 2), true) // another log, older
	same(t, f, Whole("a", 3, 2))
}

// testFold: after every entry of a random shop, what was moved on entry by
// entry equals what is derived from the state.
func testFold(t *testing.T, f Fixture) {
	w := queuetest.NewWalk(queuetest.Seed(t, 20260302), 3)
	var done uint64
	for range 150 {
		out, err := w.Step()
		if err != nil || len(out.Events) == 0 {
			continue
		}
		st := w.Site.State
		var touched []queue.UnitID
		for _, e := range out.Events {
			if id, ok := e.Subject.Unit(); ok {
				touched = append(touched, id)
			}
		}
		if done == 0 {
			put(t, f, view.Of(st), true)
		} else {
			advance(t, f, view.Since(done, st, touched), true)
		}
		done = st.Seq
		same(t, f, view.Of(st))
	}
	if done < 50 {
		t.Fatalf("only %d entries: the walk tries nothing", done)
	}
}

func testSnapshot(t *testing.T, f Fixture) {
	sn := log.Snapshot{Site: site, Seq: 5, Hash: "h5", Format: 3, Data: []byte("state at 5")}
	for _, s := range []log.Snapshot{sn, {Site: site, Seq: 4, Hash: "h4", Format: 3, Data: []byte("older")}, {Site: "other", Seq: 9, Format: 3}} {
		if err := f.SaveSnapshot(t.Context(), s); err != nil {
			t.Fatal(err)
		}
	}
	got, ignored, err := f.Other.LoadSnapshot(t.Context(), site, 3)
	if err != nil || len(ignored) != 0 || !cmp.Equal(got, &sn) {
		t.Fatalf("snapshot is %+v, %v, %v; want %+v", got, ignored, err, sn)
	}
	if got, ignored, err := f.LoadSnapshot(t.Context(), site, 4); got != nil || len(ignored) != 1 || err != nil {
		t.Errorf("of another format: %+v, %v, %v", got, ignored, err)
	}
	if err := f.Drop(t.Context(), site); err != nil {
		t.Fatal(err)
	}
	if got, _, err := f.LoadSnapshot(t.Context(), site, 3); got != nil || err != nil {
		t.Errorf("dropped: %+v, %v", got, err)
	}
}

func testFlush(t *testing.T, f Fixture) {
	if f.Flush == nil {
		return // nothing gets into this process's memory
	}
	w := Whole(site, 7, 700)
	put(t, f, w, true)
	f.Flush()
	missing(t, f, site)
	if heads, err := f.Heads(t.Context()); err != nil || len(heads) != 0 {
		t.Errorf("heads of a flushed store: %v, %v", heads, err)
	}
	if _, err := f.Advance(t.Context(), change(w, Whole(site, 8, 701))); !errors.Is(err, view.ErrBehind) {
		t.Fatalf("advance of a flushed store: %v, want ErrBehind", err)
	}
	put(t, f.Other, w, true) // the same position again
	same(t, f, w)
}

func testInvalid(t *testing.T, f Fixture) {
	for _, w := range []view.Whole{Whole("", 1, 1), Whole("A b", 1, 1), Whole("a.b", 1, 1), Whole(site, 0, 1)} {
		if _, err := f.Put(t.Context(), w); !errors.Is(err, log.ErrInvalid) {
			t.Errorf("put of site %q at %d: %v, want ErrInvalid", w.Head.Site, w.Head.Seq, err)
		}
	}
	c := change(Whole(site, 9, 1), Whole(site, 8, 2))
	if _, err := f.Advance(t.Context(), c); !errors.Is(err, log.ErrInvalid) {
		t.Errorf("a change backwards: %v, want ErrInvalid", err)
	}
}

func testNoUnits(t *testing.T, f Fixture) {
	w := Whole(site, 7, 0)
	w.Rows = []view.Row{}
	put(t, f, w, true)
	same(t, f, w)
	next := Whole(site, 8, 1)
	advance(t, f, change(w, next), true)
	same(t, f, next)
	last := Whole(site, 9, 0)
	last.Rows = []view.Row{}
	advance(t, f, change(next, last), true)
	same(t, f, last)
	advance(t, f, change(last, Whole(site, 10, 2)), true)
	same(t, f, Whole(site, 10, 2))
}
