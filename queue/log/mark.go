package log

import (
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"

	"tickover/queue"
)

// mark is the high-water mark: the last entry that was acknowledged. It is
// kept beside the store, not in it, because a store that lost its tail looks
// whole. Two slots are written in turn, so that a torn write leaves the one
// before. It is written by each append and synced now and then: after a power
// cut it may lie behind the log, never ahead of it.
type mark struct {
	mu    sync.Mutex
	f     *os.File
	pos   Position
	clean bool // the log was closed properly at pos
	slot  int
	dirty bool // written and not synced
}

const (
	markFile   = "mark"
	markLayout = "tickover-mark 1 seq=%020d clean=%d hash=%64s sum=%08x\n"
	markSlot   = 512 // apart by a sector
)

// readMark returns the newest valid slot; none gives found false. A file with
// no valid slot is an error.
func readMark(dir string) (pos Position, clean, found bool, slot int, err error) {
	b, err := os.ReadFile(filepath.Join(dir, markFile))
	if errors.Is(err, fs.ErrNotExist) {
		return Position{}, false, false, 0, nil
	}
	if err != nil {
		return Position{}, false, false, 0, fmt.Errorf("read the high-water mark: %w", err)
	}
	for i := range 2 {
		p, c, ok := parseMark(b, i)
		if ok && (!found || p.Seq > pos.Seq || p.Seq == pos.Seq && c) {
			pos, clean, found, slot = p, c, true, i
		}
	}
	return pos, clean, found, slot, nil
}

func parseMark(b []byte, slot int) (pos Position, clean, ok bool) {
	if len(b) < slot*markSlot {
		return pos, false, false
	}
	b = b[slot*markSlot:]
	var c int
	var sum uint32
	var hash string
	if _, err := fmt.Sscanf(string(b[:min(len(b), markSlot)]), "tickover-mark 1 seq=%d clean=%d hash=%s sum=%x", &pos.Seq, &c, &hash, &sum); err != nil {
		return Position{}, false, false
	}
	if hash != "-" {
		if h, err := hex.DecodeString(hash); err != nil || len(h) != 32 {
			return Position{}, false, false
		}
		pos.Hash = queue.Hash(hash)
	}
	return pos, c == 1, sum == markSum(pos, c == 1)
}

func markSum(pos Position, clean bool) uint32 {
	return crc32.ChecksumIEEE(fmt.Appendf(nil, "%d %t %s", pos.Seq, clean, pos.Hash))
}

// openMark opens the mark for writing at pos and takes the clean flag away.
func openMark(dir string, pos Position) (*mark, error) {
	_, _, _, slot, err := readMark(dir)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(filepath.Join(dir, markFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the high-water mark: %w", err)
	}
	m := &mark{f: f, pos: pos, slot: 1 - slot}
	// Both slots lose the flag: a slot left clean would claim a proper stop.
	for range 2 {
		if err = m.write(); err != nil {
			break
		}
	}
	if err == nil {
		err = m.sync()
	}
	if err == nil {
		err = syncDir(dir)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return m, nil
}

// advance notes an acknowledged entry.
func (m *mark) advance(pos Position) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if pos.Seq <= m.pos.Seq || m.f == nil {
		return nil
	}
	m.pos = pos
	return m.write()
}

func (m *mark) position() Position {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.pos
}

func (m *mark) write() error {
	clean := 0
	if m.clean {
		clean = 1
	}
	hash := string(m.pos.Hash)
	if hash == "" {
		hash = "-"
	}
	b := make([]byte, 0, markSlot)
	b = fmt.Appendf(b, markLayout, m.pos.Seq, clean, hash, markSum(m.pos, m.clean))
	for len(b) < markSlot-1 {
		b = append(b, ' ')
	}
	b = append(b, '\n')
	if _, err := m.f.WriteAt(b, int64(m.slot*markSlot)); err != nil {
		return fmt.Errorf("write the high-water mark: %w", err)
	}
	m.slot, m.dirty = 1-m.slot, true
	return nil
}

// sync puts the mark on disk.
func (m *mark) sync() error {
	m.mu.Lock()
	f, dirty := m.f, m.dirty
	m.dirty = false
	m.mu.Unlock()
	if !dirty || f == nil {
		return nil
	}
	if err := f.Sync(); err != nil && !errors.Is(err, os.ErrClosed) {
		return fmt.Errorf("sync the high-water mark: %w", err)
	}
	return nil
}

// close ends the mark; clean says that the log was stopped properly.
func (m *mark) close(clean bool) error {
	m.mu.Lock()
	var err error
	if m.f != nil && clean {
		m.clean = true
		err = m.write()
	}
	m.mu.Unlock()
	if err == nil {
		err = m.sync()
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.f == nil {
		return nil
	}
	err = errors.Join(err, m.f.Close())
	m.f = nil
	return err
}

// writeFileSync writes a file and puts it and its name on disk, replacing what
// was there in one step.
func writeFileSync(path string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone after the rename
	if err = write(f); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
