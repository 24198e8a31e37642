// Package photos keeps the photos that people on the floor take as evidence,
// beside the log, each named after the SHA-256 of its content: as files of one
// machine, or on the NATS nodes of a deployment. The log holds the hash, so a
// photo that was changed afterwards is known.
//
//	s, err := photos.Open(filepath.Join(data, "photos"))
//	s, err := photos.OpenNATS(ctx, nc, "larkmoor", 0)
//	hash, err := s.Put(ctx, file)   // evidence "photos"
//	jpeg, err := s.Get(hash)
//
// It guarantees:
//
//  1. What is kept is a JPEG of at most SideMax pixels, without any of the
//     camera's notes: no place, no time, no serial number. A JPEG that is so
//     already is kept byte for byte, anything else is drawn anew.
//
//  2. A photo is on disk, synced, before Put returns its hash; on NATS, on the
//     disks of most nodes. The same photo again is kept once.
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
	"os"
	"regexp"
	"time"
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

// Store keeps photos in a directory or on NATS. It is safe for concurrent use.
type Store struct {
	keeps keeper
	turn  chan struct{} // who decodes
}

// keeper is where photos lie. It need not look at what it is given: the Store
// judges what comes and checks what goes.
type keeper interface {
	// put returns when the photo is kept for good. One that is there begins its
	// age again.
	put(ctx context.Context, h Hash, b []byte) error
	// get is what is there under a hash, laid aside or not, and where; ErrNone.
	get(h Hash) (b []byte, where string, err error)
	// has: false, nil only when it is known not to be there.
	has(h Hash) (bool, error)
	each(ctx context.Context, fn func(photo) error) error
	// layAside takes a photo out of the way that is still older than UnnamedMax.
	layAside(h Hash, now time.Time, done *Swept) error
	// settle puts a photo that lies aside back, or deletes it once its time is up.
	settle(h Hash, unnamed bool, now time.Time, done *Swept) error
}

// photo is one that is kept.
type photo struct {
	hash  Hash
	aside bool
	at    time.Time // sent last, or laid aside
}

// Open takes a directory, which is made if it is not there.
func Open(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("photos: %w", err)
	}
	return &Store{keeps: &files{dir: dir}, turn: make(chan struct{}, 1)}, nil
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
	return h, s.keeps.put(ctx, h, kept)
}

// Get returns a photo's bytes.
func (s *Store) Get(h Hash) ([]byte, error) {
	if !h.Valid() {
		return nil, ErrNone
	}
	b, where, err := s.keeps.get(h)
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) != string(h) {
		return nil, fmt.Errorf("%w: %s", ErrChanged, where)
	}
	return b, nil
}

// Has reports whether there is such a photo. With an error that is not known.
func (s *Store) Has(h Hash) (bool, error) {
	if !h.Valid() {
		return false, nil
	}
	return s.keeps.has(h)
}

// Copy puts every photo of this store into another, each checked on the way,
// and returns how many there are. What is there already is left alone.
func (s *Store) Copy(ctx context.Context, to *Store) (n int, err error) {
	err = s.keeps.each(ctx, func(p photo) error {
		h := p.hash
		b, err := s.Get(h)
		if err != nil {
			return err
		}
		n++
		if there, err := to.Get(h); err == nil && bytes.Equal(there, b) {
			return nil
		}
		return to.keeps.put(ctx, h, b)
	})
	return n, err
}

// Verify reads every photo and returns how many there are; the error names the
// first that is not what its name says.
func (s *Store) Verify(ctx context.Context) (n int, err error) {
	err = s.keeps.each(ctx, func(p photo) error {
		n++
		_, err := s.Get(p.hash)
		return err
	})
	return n, err
}
