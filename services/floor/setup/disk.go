package setup

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"tickover/queue"
	"tickover/queue/shopfile"
)

// Disk is the shop file where it is kept.
type Disk struct {
	path string
	mu   sync.Mutex
}

// NewDisk keeps the file under a path; it need not exist.
func NewDisk(path string) *Disk { return &Disk{path: path} }

// Path is where the file is.
func (d *Disk) Path() string { return d.path }

// Before is where the file before the last change is kept.
func (d *Disk) Before() string { return d.path + ".before" }

// ErrChanged: the file is no longer the one that the form was made from.
var ErrChanged = errors.New("the shop file has changed on disk")

// Read returns the file and its hash; neither if there is none.
func (d *Disk) Read() ([]byte, queue.Hash, error) {
	f, err := os.Open(d.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("shop file: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, shopfile.SizeMax+1))
	if err != nil {
		return nil, "", fmt.Errorf("shop file %s: %w", d.path, err)
	}
	return b, queue.HashOf(b), nil
}

// Write replaces the file, as a whole or not at all, if it still has the hash
// (empty: there is none), and keeps the one before as [Disk.Before]. It is
// [ErrChanged] otherwise. Once it returns, the file is on disk.
func (d *Disk) Write(text []byte, was queue.Hash) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	old, hash, err := d.Read()
	if err != nil {
		return err
	}
	if hash != was {
		return ErrChanged
	}
	path, mode := d.path, fs.FileMode(0o644)
	if hash != "" {
		if path, err = filepath.EvalSymlinks(d.path); err != nil {
			return fmt.Errorf("shop file: %w", err)
		}
		info, err := os.Stat(path)
		if err != nil {
			return fmt.Errorf("shop file: %w", err)
		}
		if mode = info.Mode().Perm(); mode&0o200 == 0 {
			return fmt.Errorf("shop file %s: %w", path, fs.ErrPermission)
		}
		if err := replace(d.Before(), old, mode); err != nil {
			return fmt.Errorf("keep the shop file as it was: %w", err)
		}
	}
	if err := replace(path, text, mode); err != nil {
		return fmt.Errorf("shop file: %w", err)
	}
	return nil
}

// Undo puts the file back that Write replaced, if it still is what was written.
func (d *Disk) Undo(written queue.Hash, old []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, hash, err := d.Read()
	switch {
	case err != nil:
		return err
	case hash != written:
		return ErrChanged
	case old == nil:
		return os.Remove(d.path)
	}
	path, err := filepath.EvalSymlinks(d.path)
	if err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	return replace(path, old, info.Mode().Perm())
}

// replace writes a file beside path and renames it there.
func replace(path string, b []byte, mode fs.FileMode) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(f.Name()) // the cause is told
		}
	}()
	_, err = f.Write(b)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return err
	}
	return syncDir(dir)
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}
