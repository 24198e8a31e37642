package log

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sys/unix"
)

// The server truncates a damaged block while it opens it. So the files are
// checked first, without the server; and after a stop that was not proper,
// when the server rebuilds its index from them, they are copied before it may
// open them, and put back if it sees less than the check did.

const (
	copyDir    = "before-start"     // a whole copy of the stream's folder
	copyDirNew = "before-start.new" // one that is being made or removed
	droppedDir = "dropped"          // ends of entries that were never acknowledged
)

// examine checks the files before the server may open them.
func (s *Server) examine(ctx context.Context) (checkResult, error) {
	began := time.Now()
	if err := s.undoStart(); err != nil {
		return checkResult{}, fmt.Errorf("open log: %w", err)
	}
	pos, clean, found, _, err := readMark(s.opts.Dir)
	if err != nil {
		return checkResult{}, err
	}
	res, err := checkStore(ctx, s.opts.Dir, checkOptions{mark: pos, clean: clean, progress: s.opts.Progress})
	if err != nil {
		return res, err
	}
	s.report = StartReport{
		Entries: res.entries, Sites: len(res.sites), Unclean: !clean && res.entries > 0,
		Mark: pos, MarkFound: found, Took: time.Since(began),
	}
	if !found && res.entries > 0 {
		s.opts.Logger.Warn("high-water mark missing or unreadable: entries lost from the end of the log would not be noticed this time", zap.Uint64("seq", res.last.Seq))
	}
	if clean || res.entries == 0 && res.torn == nil {
		return res, nil
	}
	if err := s.copyStore(); err != nil {
		return res, fmt.Errorf("open log: copy the store after a stop that was not proper: %w. The files were left as they were", err)
	}
	if res.torn != nil {
		s.report.Dropped = res.torn.String()
		s.opts.Logger.Warn("log: unfinished entry dropped", zap.String("what", s.report.Dropped))
		if err := s.dropTorn(res.torn); err != nil {
			return res, fmt.Errorf("open log: drop an unfinished entry: %w", err)
		}
	}
	return res, nil
}

// dropTorn cuts the unfinished entry off and keeps its bytes aside.
func (s *Server) dropTorn(t *tornTail) error {
	dir := filepath.Join(s.opts.Dir, droppedDir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	name := filepath.Join(dir, fmt.Sprintf("entry-%d-%s.bin", t.seq, time.Now().UTC().Format("20060102T150405Z")))
	if err := writeFileSync(name, func(w io.Writer) error { _, err := w.Write(t.bytes); return err }); err != nil {
		return err
	}
	f, err := os.OpenFile(t.file.path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Truncate(t.offset), f.Sync(), f.Close())
}

// copyStore keeps the stream's files as they are now. The copy counts only
// once it has its final name.
func (s *Server) copyStore() error {
	from, to := streamDir(s.opts.Dir), filepath.Join(s.opts.Dir, copyDirNew)
	size, err := dirSize(from)
	if err != nil {
		return err
	}
	var st unix.Statfs_t
	if err := unix.Statfs(s.opts.Dir, &st); err != nil {
		return err
	}
	if free := int64(st.Bavail) * int64(st.Bsize); free < size+size/8 {
		// The check passed, so the server has no reason to change a file:
		// better to serve than to wait for disk.
		s.opts.Logger.Warn("log: not enough free disk to copy the store before it is opened", zap.Int64("free_bytes", free), zap.Int64("store_bytes", size))
		return nil
	}
	if err := os.RemoveAll(to); err != nil {
		return err
	}
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		return err
	}
	return errors.Join(os.Rename(to, filepath.Join(s.opts.Dir, copyDir)), syncDir(s.opts.Dir))
}

// undoStart puts the copied files back: a start before this one got stuck, or
// the server saw less than the check did.
func (s *Server) undoStart() error {
	kept, at := filepath.Join(s.opts.Dir, copyDir), streamDir(s.opts.Dir)
	if _, err := os.Stat(kept); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	if err := os.RemoveAll(at); err != nil {
		return err
	}
	return errors.Join(os.Rename(kept, at), syncDir(filepath.Dir(at)), syncDir(s.opts.Dir))
}

// forgetCopy removes the copy for good, before the first append: a copy that
// came back later would take appends away.
func (s *Server) forgetCopy() error {
	kept, gone := filepath.Join(s.opts.Dir, copyDir), filepath.Join(s.opts.Dir, copyDirNew)
	if err := os.RemoveAll(gone); err != nil {
		return err
	}
	if err := os.Rename(kept, gone); errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return err
	}
	if err := syncDir(s.opts.Dir); err != nil {
		return err
	}
	return os.RemoveAll(gone)
}

// compare demands that the server sees what the check saw.
func (s *Server) compare(ctx context.Context, res checkResult) error {
	info, err := s.stream.Info(ctx, jetstream.WithDeletedDetails(true))
	if err != nil {
		return s.requestError("read the log's state", err)
	}
	st := info.State
	if res.entries == 0 && st.Msgs == 0 && st.LastSeq == 0 {
		return nil // the other numbers of an empty stream mean nothing
	}
	if st.Msgs == res.entries && st.FirstSeq == 1 && st.LastSeq == res.last.Seq && st.NumDeleted == 0 && st.Lost == nil {
		last, err := s.lastOfStream(ctx)
		if err != nil {
			return err
		}
		if last == res.last {
			return nil
		}
	}
	return &DamageError{
		Kind: Missing, Seq: min(st.LastSeq, res.last.Seq) + 1, Last: res.last.Seq,
		What: fmt.Sprintf("the files hold entries 1 to %d, the server sees %d entries from %d to %d (%d deleted, lost: %v)", res.last.Seq, st.Msgs, st.FirstSeq, st.LastSeq, st.NumDeleted, st.Lost),
		Do:   doRestore,
	}
}
