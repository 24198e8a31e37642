package log

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tickover/queue"
)

// Bounds of snapshots.
const (
	SnapshotBytesMax = 256 << 20
	snapshotsKept    = 2 // of a site; the older one is there if the newer is damaged
	snapshotHeadMax  = 4 << 10
	snapshotMagic    = "tickover-snapshot 1\n"
)

// Snapshot is a state and the entry up to which it was folded.
type Snapshot struct {
	Site   queue.SiteID `json:"site"`
	Seq    uint64       `json:"seq"`    // the last entry that is in it
	Hash   queue.Hash   `json:"hash"`   // of that entry
	Format int          `json:"format"` // of Data; the owner of Data counts it
	Data   []byte       `json:"-"`
}

// Ignored is a snapshot that was not used, and why.
type Ignored struct {
	File string
	Why  string
}

// Snapshots keeps the last two snapshots of each site as files of a directory.
// A snapshot only saves time: one that can't be trusted is ignored, and the
// state is folded from the log.
type Snapshots struct {
	dir string
	log Log
}

// NewSnapshots keeps snapshots of l in dir, which is made when needed.
func NewSnapshots(dir string, l Log) *Snapshots { return &Snapshots{dir, l} }

// snapshotHead is the second line of a snapshot's file.
type snapshotHead struct {
	Snapshot
	Bytes int    `json:"bytes"`
	Sum   string `json:"sha256"` // of the data
}

// Save puts a snapshot on disk. Its entry must be in the log.
func (s *Snapshots) Save(ctx context.Context, sn Snapshot) error {
	if len(sn.Data) > SnapshotBytesMax {
		return fmt.Errorf("save snapshot of site %s: %d MiB, at most %d are allowed", sn.Site, len(sn.Data)>>20, SnapshotBytesMax>>20)
	}
	if err := s.inLog(ctx, &sn); err != nil {
		return fmt.Errorf("save snapshot of site %s: %w", sn.Site, err)
	}
	sum := sha256.Sum256(sn.Data)
	head, err := json.Marshal(snapshotHead{sn, len(sn.Data), hex.EncodeToString(sum[:])})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	err = writeFileSync(s.path(sn.Site, sn.Seq), func(w io.Writer) error {
		for _, b := range [][]byte{[]byte(snapshotMagic), head, []byte("\n"), sn.Data} {
			if _, err := w.Write(b); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("save snapshot of site %s: %w", sn.Site, err)
	}
	return s.prune(sn.Site)
}

func (s *Snapshots) path(site queue.SiteID, seq uint64) string {
	return filepath.Join(s.dir, fmt.Sprintf("%s.%020d.snap", site, seq))
}

// files lists the site's snapshots, newest first.
func (s *Snapshots) files(site queue.SiteID) ([]string, error) {
	list, err := os.ReadDir(s.dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list snapshots: %w", err)
	}
	var names []string
	for _, e := range list {
		if strings.HasPrefix(e.Name(), string(site)+".") && strings.HasSuffix(e.Name(), ".snap") {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	slices.Reverse(names)
	return names, nil
}

func (s *Snapshots) prune(site queue.SiteID) error {
	names, err := s.files(site)
	if err != nil {
		return err
	}
	for _, name := range names[min(snapshotsKept, len(names)):] {
		if err := os.Remove(filepath.Join(s.dir, name)); err != nil {
			return fmt.Errorf("remove old snapshot: %w", err)
		}
	}
	return nil
}

// Load returns the newest snapshot of the site that has the wanted format, is
// whole and fits the log, or nil, and those that were passed over.
func (s *Snapshots) Load(ctx context.Context, site queue.SiteID, format int) (*Snapshot, []Ignored, error) {
	if err := CheckSite(site); err != nil {
		return nil, nil, err
	}
	names, err := s.files(site)
	if err != nil {
		return nil, nil, err
	}
	var ignored []Ignored
	for _, name := range names {
		sn, err := readSnapshot(filepath.Join(s.dir, name))
		switch {
		case err != nil:
		case sn.Site != site:
			err = fmt.Errorf("it is of site %s", sn.Site)
		case sn.Format != format:
			err = fmt.Errorf("it has format %d, want %d", sn.Format, format)
		default:
			if err = s.inLog(ctx, sn); errors.Is(err, ErrClosed) || ctx.Err() != nil {
				return nil, ignored, err
			}
		}
		if err == nil {
			return sn, ignored, nil
		}
		ignored = append(ignored, Ignored{name, err.Error()})
	}
	return nil, ignored, nil
}

// inLog demands that the snapshot's entry is in the log.
func (s *Snapshots) inLog(ctx context.Context, sn *Snapshot) error {
	pos, err := s.log.At(ctx, sn.Site, sn.Seq)
	if err != nil {
		return err
	}
	if pos.Hash != sn.Hash {
		return fmt.Errorf("its entry %d is not the one in the log", sn.Seq)
	}
	return nil
}

func readSnapshot(path string) (*Snapshot, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > SnapshotBytesMax+snapshotHeadMax {
		return nil, fmt.Errorf("it has %d MiB", info.Size()>>20)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	rest, ok := bytes.CutPrefix(b, []byte(snapshotMagic))
	if !ok {
		return nil, errors.New("it does not begin as a snapshot does")
	}
	line, data, ok := bytes.Cut(rest, []byte("\n"))
	var head snapshotHead
	if !ok || json.Unmarshal(line, &head) != nil {
		return nil, errors.New("its first lines can't be read")
	}
	if sum := sha256.Sum256(data); head.Bytes != len(data) || head.Sum != hex.EncodeToString(sum[:]) {
		return nil, errors.New("its checksum does not match")
	}
	head.Data = data
	return &head.Snapshot, nil
}

// SaveSnapshot keeps a state beside the log, and puts the high-water mark on
// disk with it.
func (s *Server) SaveSnapshot(ctx context.Context, sn Snapshot) error {
	return errors.Join(s.snapshots().Save(ctx, sn), s.mark.sync())
}

// LoadSnapshot returns the newest snapshot that can be trusted, see
// [Snapshots.Load].
func (s *Server) LoadSnapshot(ctx context.Context, site queue.SiteID, format int) (*Snapshot, []Ignored, error) {
	return s.snapshots().Load(ctx, site, format)
}

func (s *Server) snapshots() *Snapshots {
	return NewSnapshots(filepath.Join(s.opts.Dir, snapshotSub), s)
}

const snapshotSub = "snapshots"
