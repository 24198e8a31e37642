package photos

import (
	"bytes"
	"context"
	"errors"
	"os"
	"testing"
	"time"
)

// TestSweep: only what nothing names goes, after its time, in two steps; what is
// named meanwhile or sent again stays.
func TestSweep(t *testing.T) {
	ctx := context.Background()
	s := open(t)
	sent := map[string][]byte{}
	put := func(name string) Hash {
		if sent[name] == nil {
			sent[name] = asJPEG(t, picture(10+len(sent), 8))
		}
		h, err := s.Put(ctx, bytes.NewReader(sent[name]))
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	now := time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)
	age := func(h Hash, d time.Duration) {
		if err := os.Chtimes(fileOf(s, h), time.Time{}, now.Add(-d)); err != nil {
			t.Fatal(err)
		}
	}
	named := map[Hash]bool{}
	sweep := func(want Swept) {
		t.Helper()
		got, err := s.Sweep(ctx, now, func(set map[Hash]bool) error {
			for h := range named {
				delete(set, h)
			}
			return nil
		})
		if err != nil || got != want {
			t.Errorf("swept %+v, %v, want %+v", got, err, want)
		}
	}
	used, refused, young, late, again := put("used"), put("refused"), put("young"), put("late"), put("again")
	for _, h := range []Hash{used, refused, late, again} {
		age(h, UnnamedMax+time.Hour)
	}
	age(young, UnnamedMax)
	named[used] = true

	// A log that can't be read takes nothing.
	trouble := errors.New("damaged")
	if got, err := s.Sweep(ctx, now, func(map[Hash]bool) error { return trouble }); !errors.Is(err, trouble) || got != (Swept{}) {
		t.Errorf("without the log: %+v, %v", got, err)
	}
	sweep(Swept{Aside: 3})
	for _, h := range []Hash{used, refused, young, late, again} {
		if _, err := s.Get(h); err != nil || !has(t, s, h) {
			t.Errorf("not found after it was laid aside: %v", err)
		}
	}
	if n, err := s.Verify(ctx); n != 5 || err != nil {
		t.Errorf("verify: %d, %v", n, err)
	}
	named[late] = true // recorded while the log was read
	put("again")
	age(again, 0)
	now = now.Add(AsideMax)
	age(young, 0)
	sweep(Swept{Back: 1})
	now = now.Add(time.Minute)
	sweep(Swept{Gone: 2}) // the refused, and what "again" was before
	for h, want := range map[Hash]bool{used: true, late: true, young: true, again: true, refused: false} {
		if has(t, s, h) != want {
			t.Errorf("%s: there %v, want %v", h, !want, want)
		}
	}
	if _, err := s.Get(refused); !errors.Is(err, ErrNone) {
		t.Errorf("gone: %v", err)
	}
	sweep(Swept{})
}

// TestSweepAfterARestore: photos come back with fresh times and lie where they
// were named, so that nothing is swept at once and what the log names never is.
func TestSweepAfterARestore(t *testing.T) {
	ctx := context.Background()
	s := open(t)
	h, err := s.Put(ctx, bytes.NewReader(asJPEG(t, picture(20, 8))))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	if err := os.Chtimes(fileOf(s, h), time.Time{}, now.Add(-2*UnnamedMax)); err != nil {
		t.Fatal(err)
	}
	nothing := func(map[Hash]bool) error { return nil }
	if got, err := s.Sweep(ctx, now, nothing); err != nil || got.Aside != 1 {
		t.Fatal(got, err)
	}
	back := open(t)
	if n, err := s.Copy(ctx, back); n != 1 || err != nil {
		t.Fatalf("a backup leaves out what lies aside: %d, %v", n, err)
	}
	if got, err := back.Sweep(ctx, now.Add(time.Minute), nothing); err != nil || got != (Swept{}) || !has(t, back, h) {
		t.Errorf("swept at once: %+v, %v", got, err)
	}
	everything := func(set map[Hash]bool) error { clear(set); return nil }
	if got, err := back.Sweep(ctx, now.Add(10*UnnamedMax), everything); err != nil || got != (Swept{}) || !has(t, back, h) {
		t.Errorf("swept what the log names: %+v, %v", got, err)
	}
}
