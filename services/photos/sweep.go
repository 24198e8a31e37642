package photos

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
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

// asideDir is the folder, inside the store's, of photos laid aside.
const asideDir = "aside"

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
	err := s.each(ctx, func(path string, h Hash) error {
		laid := path == s.asidePath(h)
		age, err := ageOf(path, now)
		switch {
		case err != nil:
			return fmt.Errorf("photos: %w", err)
		case laid:
			aside = append(aside, h)
		case age > UnnamedMax:
			old = append(old, h)
		default:
			return nil
		}
		unnamed[h] = true
		return nil
	})
	if err != nil || len(unnamed) == 0 {
		return done, err
	}
	if err := strike(unnamed); err != nil {
		return done, err
	}
	for _, h := range aside {
		if err := s.settle(h, unnamed[h], now, &done); err != nil {
			return done, err
		}
	}
	for _, h := range old {
		if unnamed[h] {
			if err := s.layAside(h, now, &done); err != nil {
				return done, err
			}
		}
	}
	return done, nil
}

// settle puts a photo that lies aside back, or deletes it once its time is up.
func (s *Store) settle(h Hash, unnamed bool, now time.Time, done *Swept) error {
	s.files.Lock()
	defer s.files.Unlock()
	age, err := ageOf(s.asidePath(h), now)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil // another process did it
	case err != nil:
		return fmt.Errorf("photos: %w", err)
	case !unnamed:
		if err := os.MkdirAll(filepath.Dir(s.path(h)), 0o750); err != nil {
			return fmt.Errorf("photos: %w", err)
		}
		done.Back++
		return move(s.asidePath(h), s.path(h))
	case age > AsideMax:
		done.Gone++
		return ignoreGone(os.Remove(s.asidePath(h)))
	}
	return nil
}

// layAside takes a photo out of the way that is still as old as it was.
func (s *Store) layAside(h Hash, now time.Time, done *Swept) error {
	s.files.Lock()
	defer s.files.Unlock()
	age, err := ageOf(s.path(h), now)
	if err != nil || age <= UnnamedMax { // sent again meanwhile
		return ignoreGone(err)
	}
	if err := os.MkdirAll(filepath.Join(s.dir, asideDir), 0o750); err != nil {
		return fmt.Errorf("photos: %w", err)
	}
	// Its time begins before it lies there, so that no sweep finds it too old.
	if err := os.Chtimes(s.path(h), time.Time{}, now); err != nil {
		return ignoreGone(err)
	}
	done.Aside++
	return move(s.path(h), s.asidePath(h))
}

func (s *Store) asidePath(h Hash) string {
	return filepath.Join(s.dir, asideDir, string(h)+".jpg")
}

func ageOf(path string, now time.Time) (time.Duration, error) {
	info, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	return now.Sub(info.ModTime()), nil
}

func move(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return ignoreGone(err)
	}
	for _, dir := range []string{filepath.Dir(to), filepath.Dir(from)} {
		if err := syncDir(dir); err != nil {
			return fmt.Errorf("photos: %w", err)
		}
	}
	return nil
}

// ignoreGone lets another process on the same directory be faster.
func ignoreGone(err error) error {
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return fmt.Errorf("photos: %w", err)
}
