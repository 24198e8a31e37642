package photos

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

// files is a directory of photos.
type files struct {
	dir string
	// moves keeps a photo that is sent again from being laid aside meanwhile.
	moves sync.Mutex
}

// asideDir is the folder, inside the store's, of photos laid aside.
const asideDir = "aside"

func (d *files) path(h Hash) string { return filepath.Join(d.dir, string(h[:2]), string(h)+".jpg") }

func (d *files) get(h Hash) (b []byte, where string, err error) {
	for _, where := range []string{d.path(h), d.asidePath(h)} {
		b, err = os.ReadFile(where)
		if !errors.Is(err, fs.ErrNotExist) {
			if err != nil {
				err = fmt.Errorf("photos: %w", err)
			}
			return b, where, err
		}
	}
	return nil, "", ErrNone
}

func (d *files) has(h Hash) (bool, error) {
	for _, path := range []string{d.path(h), d.asidePath(h)} {
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
			return err == nil, err
		}
	}
	return false, nil
}

// put puts the file there whole or not at all: a file of its own name, synced,
// then renamed, then its folder synced. One that is there is written anew, so
// that its age begins again.
func (d *files) put(_ context.Context, h Hash, b []byte) (err error) {
	to := d.path(h)
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return storeError(err)
	}
	f, err := os.CreateTemp(d.dir, "new-*")
	if err != nil {
		return storeError(err)
	}
	defer func() {
		if err != nil {
			_ = f.Close()
			_ = os.Remove(f.Name())
		}
	}()
	if _, err := f.Write(b); err != nil {
		return storeError(err)
	}
	if err := f.Sync(); err != nil {
		return storeError(err)
	}
	if err := f.Close(); err != nil {
		return storeError(err)
	}
	d.moves.Lock()
	err = os.Rename(f.Name(), to)
	d.moves.Unlock()
	if err != nil {
		return storeError(err)
	}
	for _, dir := range []string{filepath.Dir(to), d.dir} {
		if err := syncDir(dir); err != nil {
			return storeError(err)
		}
	}
	return nil
}

func storeError(err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return fmt.Errorf("photos: %w", err)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

func (d *files) each(ctx context.Context, fn func(photo) error) error {
	return filepath.WalkDir(d.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		h := Hash(filepath.Base(path[:max(0, len(path)-len(".jpg"))]))
		if e.IsDir() || filepath.Ext(path) != ".jpg" || !h.Valid() {
			return ctx.Err()
		}
		info, err := e.Info()
		if err != nil {
			return ignoreGone(err)
		}
		if err := fn(photo{hash: h, aside: path == d.asidePath(h), at: info.ModTime()}); err != nil {
			return err
		}
		return ctx.Err()
	})
}

// settle puts a photo that lies aside back, or deletes it once its time is up.
func (d *files) settle(h Hash, unnamed bool, now time.Time, done *Swept) error {
	d.moves.Lock()
	defer d.moves.Unlock()
	age, err := ageOf(d.asidePath(h), now)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil // another process did it
	case err != nil:
		return fmt.Errorf("photos: %w", err)
	case !unnamed:
		if err := os.MkdirAll(filepath.Dir(d.path(h)), 0o750); err != nil {
			return fmt.Errorf("photos: %w", err)
		}
		done.Back++
		return move(d.asidePath(h), d.path(h))
	case age > AsideMax:
		done.Gone++
		return ignoreGone(os.Remove(d.asidePath(h)))
	}
	return nil
}

// layAside takes a photo out of the way that is still as old as it was.
func (d *files) layAside(h Hash, now time.Time, done *Swept) error {
	d.moves.Lock()
	defer d.moves.Unlock()
	age, err := ageOf(d.path(h), now)
	if err != nil || age <= UnnamedMax { // sent again meanwhile
		return ignoreGone(err)
	}
	if err := os.MkdirAll(filepath.Join(d.dir, asideDir), 0o750); err != nil {
		return fmt.Errorf("photos: %w", err)
	}
	// Its time begins before it lies there, so that no sweep finds it too old.
	if err := os.Chtimes(d.path(h), time.Time{}, now); err != nil {
		return ignoreGone(err)
	}
	done.Aside++
	return move(d.path(h), d.asidePath(h))
}

func (d *files) asidePath(h Hash) string {
	return filepath.Join(d.dir, asideDir, string(h)+".jpg")
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
