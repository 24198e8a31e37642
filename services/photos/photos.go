// Package photos keeps the photos that people on the floor take as evidence,
// beside the log: one file each, named after the SHA-256 of its content. The
// log holds the hash, so a photo that was changed afterwards is known.
//
//	s, err := photos.Open(filepath.Join(data, "photos"))
//	hash, err := s.Put(ctx, file)   // evidence "photos"
//	jpeg, err := s.Get(hash)
//
// It guarantees:
//
//  1. What is kept is a JPEG of at most SideMax pixels, without any of the
//     camera's notes: no place, no time, no serial number. A JPEG that is so
//     already is kept byte for byte, anything else is drawn anew.
//
//  2. A photo is on disk, synced, before Put returns its hash. The same photo
//     again is the same file.
//
//  3. What a file is, is found by its content, never by its name. Bytes and
//     pixels are bounded before anything is decoded, and one photo is decoded
//     at a time.
//
//  4. Get returns what the hash says or an error.
//
//  5. A photo is deleted by Sweep alone, and only when nothing has named it for
//     UnnamedMax and AsideMax after it was last sent: its command was refused
//     or dropped.
package photos

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"syscall"
)

// Bounds of a photo.
const (
	BytesMax  = 12 << 20 // as it is sent
	PixelsMax = 64 << 20 // width times height, as it is sent
	SideMax   = 1600     // pixels of the longer side, as it is kept
)

// Hash is the SHA-256 of a kept photo's bytes, in 64 lower-case hex digits.
type Hash string

var hashForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// Valid reports whether it is written as a hash.
func (h Hash) Valid() bool { return hashForm.MatchString(string(h)) }

// What is wrong with a photo that was sent; nothing was kept.
var (
	ErrTooLarge = fmt.Errorf("the photo is larger than %d MB", BytesMax>>20)
	ErrPixels   = fmt.Errorf("the photo has more than %d million pixels", PixelsMax>>20)
	ErrKind     = errors.New("the file is no JPEG, PNG or WebP picture")
	ErrDamaged  = errors.New("the picture is incomplete or damaged")
)

// Errors of the store.
var (
	ErrNone    = errors.New("there is no such photo")
	ErrChanged = errors.New("the photo's file is not what it was when it was kept")
	ErrFull    = errors.New("there is no room on the disk for photos")
)

// Store is a directory of photos. It is safe for concurrent use.
type Store struct {
	dir  string
	turn chan struct{} // who decodes
	// files keeps a photo that is sent again from being laid aside meanwhile.
	files sync.Mutex
}

// Open takes a directory, which is made if it is not there.
func Open(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("photos: %w", err)
	}
	return &Store{dir: dir, turn: make(chan struct{}, 1)}, nil
}

// Put keeps a photo.
func (s *Store) Put(ctx context.Context, r io.Reader) (Hash, error) {
	sent, err := io.ReadAll(io.LimitReader(r, BytesMax+1))
	if err != nil {
		return "", fmt.Errorf("photos: read: %w", err)
	}
	if len(sent) > BytesMax {
		return "", ErrTooLarge
	}
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return "", ctx.Err()
	}
	kept, err := clean(sent)
	<-s.turn
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(kept)
	h := Hash(hex.EncodeToString(sum[:]))
	return h, s.write(h, kept)
}

func (s *Store) path(h Hash) string { return filepath.Join(s.dir, string(h[:2]), string(h)+".jpg") }

// Get returns a photo's bytes.
func (s *Store) Get(h Hash) ([]byte, error) {
	if !h.Valid() {
		return nil, ErrNone
	}
	path := s.path(h)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		path = s.asidePath(h)
		b, err = os.ReadFile(path)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, ErrNone
	case err != nil:
		return nil, fmt.Errorf("photos: %w", err)
	}
	if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) != string(h) {
		return nil, fmt.Errorf("%w: %s", ErrChanged, path)
	}
	return b, nil
}

// Has reports whether there is such a photo.
func (s *Store) Has(h Hash) bool {
	if !h.Valid() {
		return false
	}
	for _, path := range []string{s.path(h), s.asidePath(h)} {
		if _, err := os.Stat(path); err == nil {
			return true
		}
	}
	return false
}

// write puts the file there whole or not at all: a file of its own name, synced,
// then renamed, then its folder synced. One that is there is written anew, so
// that its age begins again.
func (s *Store) write(h Hash, b []byte) (err error) {
	to := s.path(h)
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return storeError(err)
	}
	f, err := os.CreateTemp(s.dir, "new-*")
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
	s.files.Lock()
	err = os.Rename(f.Name(), to)
	s.files.Unlock()
	if err != nil {
		return storeError(err)
	}
	for _, dir := range []string{filepath.Dir(to), s.dir} {
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

// Copy puts every photo of this store into another, each checked on the way,
// and returns how many there are. What is there already is left alone.
func (s *Store) Copy(ctx context.Context, to *Store) (n int, err error) {
	err = s.each(ctx, func(_ string, h Hash) error {
		b, err := s.Get(h)
		if err != nil {
			return err
		}
		n++
		if there, err := to.Get(h); err == nil && bytes.Equal(there, b) {
			return nil
		}
		return to.write(h, b)
	})
	return n, err
}

// Verify reads every photo and returns how many there are; the error names the
// first that is not what its name says.
func (s *Store) Verify(ctx context.Context) (n int, err error) {
	err = s.each(ctx, func(_ string, h Hash) error {
		n++
		_, err := s.Get(h)
		return err
	})
	return n, err
}

func (s *Store) each(ctx context.Context, fn func(path string, h Hash) error) error {
	return filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		h := Hash(filepath.Base(path[:max(0, len(path)-len(".jpg"))]))
		if d.IsDir() || filepath.Ext(path) != ".jpg" || !h.Valid() {
			return ctx.Err()
		}
		if err := fn(path, h); err != nil {
			return err
		}
		return ctx.Err()
	})
}
