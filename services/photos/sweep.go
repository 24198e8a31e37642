package photos

import (
	"context"
	"time"
)

// How long a photo stays that nothing names.
const (
	// UnnamedMax is its age from which it is laid aside. Sending it again makes
	// it new; a phone sends a photo again with each try of its command.
	UnnamedMax = 30 * 24 * time.Hour
	// AsideMax is how long it lies there, still found, until it is gone: a
	// command that was recorded while the log was read may name it after all.
	AsideMax = 7 * 24 * time.Hour
)

// Swept counts what a sweep did.
type Swept struct {
	Aside int // were laid aside
	Back  int // were put back, because something names them now
	Gone  int // were deleted
}

// Sweep lays aside what nothing names and deletes what has lain aside long
// enough, judged by the files' times. strike takes out of a set the photos that
// something names; after an error of it nothing is touched.
func (s *Store) Sweep(ctx context.Context, now time.Time, strike func(unnamed map[Hash]bool) error) (Swept, error) {
	var done Swept
	unnamed := map[Hash]bool{}
	var aside, old []Hash
	err := s.keeps.each(ctx, func(p photo) error {
		switch {
		case p.aside:
			aside = append(aside, p.hash)
		case now.Sub(p.at) > UnnamedMax:
			old = append(old, p.hash)
		default:
			return nil
		}
		unnamed[p.hash] = true
		return nil
	})
	if err != nil || len(unnamed) == 0 {
		return done, err
	}
	if err := strike(unnamed); err != nil {
		return done, err
	}
	for _, h := range aside {
		if err := s.keeps.settle(h, unnamed[h], now, &done); err != nil {
			return done, err
		}
	}
	for _, h := range old {
		if unnamed[h] {
			if err := s.keeps.layAside(h, now, &done); err != nil {
				return done, err
			}
		}
	}
	return done, nil
}
