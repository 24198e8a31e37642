package log

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/gzip"
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
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tickover/queue"
)

var (
	// ErrNotEmpty: the directory to restore into holds a log.
	ErrNotEmpty = errors.New("there is a log already")
	// ErrBackup: the file is no whole backup.
	ErrBackup = errors.New("backup can't be used")
)

// VerifyBackup reads a backup and checks all of it.
func VerifyBackup(ctx context.Context, path string, progress Progress) (Report, error) {
	res, err := readBackup(ctx, path, checkOptions{deep: true, progress: progress})
	return res.report(), err
}

// readBackup checks a backup from its first byte to its last, and hands its
// entries to o.visit.
func readBackup(ctx context.Context, path string, o checkOptions) (checkResult, error) {
	f, err := os.Open(path)
	if err != nil {
		return checkResult{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return checkResult{}, err
	}
	b := &backupReader{checker: newChecker("", nil, o)}
	count := &countingReader{r: f, total: info.Size(), progress: o.progress}
	if err := b.read(ctx, bufio.NewReaderSize(count, 1<<20)); err != nil {
		if errors.Is(err, queue.ErrNewerFormat) || ctx.Err() != nil {
			return b.checker.result, err
		}
		return b.checker.result, fmt.Errorf("%s: %w: %w", path, ErrBackup, err)
	}
	return b.checker.result, nil
}

type countingReader struct {
	r           io.Reader
	done, total int64
	progress    Progress
}

func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if c.done += int64(n); c.progress != nil {
		c.progress(c.done, c.total)
	}
	return n, err
}

type backupReader struct {
	checker  *checker
	manifest *backupManifest
	segments []backupMember
	summary  *backupSummary
}

func (b *backupReader) read(ctx context.Context, r io.Reader) error {
	z, err := gzip.NewReader(r)
	if err != nil {
		return fmt.Errorf("it is no backup of this program: %v", err)
	}
	for t := tar.NewReader(z); ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		h, err := t.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return fmt.Errorf("it is cut short or damaged: %v", err)
		}
		if err := b.member(h, t); err != nil {
			return err
		}
	}
	// Only the end of the compressed data tells whether its sum is right.
	if _, err := io.Copy(io.Discard, z); err != nil {
		return fmt.Errorf("it is cut short or damaged: %v", err)
	}
	return b.complete()
}

func (b *backupReader) member(h *tar.Header, r io.Reader) error {
	if h.Size > backupNoteMax || h.Size < 0 {
		return fmt.Errorf("%s has %d bytes", h.Name, h.Size)
	}
	data := make([]byte, h.Size)
	if _, err := io.ReadFull(r, data); err != nil {
		return fmt.Errorf("it is cut short or damaged in %s: %v", h.Name, err)
	}
	switch {
	case h.Name == "README.txt":
		return nil
	case h.Name == "manifest.json" && b.manifest == nil:
		return b.readManifest(data)
	case b.manifest == nil:
		return errors.New("it has no manifest")
	case b.summary != nil:
		return fmt.Errorf("%s stands behind the summary", h.Name)
	case h.Name == "summary.json":
		b.summary = &backupSummary{}
		if err := json.Unmarshal(data, b.summary); err != nil {
			return fmt.Errorf("summary.json: %v", err)
		}
		return nil
	case h.Name == fmt.Sprintf("entries/%06d.jsonl", len(b.segments)+1):
		return b.readSegment(h.Name, data)
	}
	return fmt.Errorf("it holds %s, which does not belong there", h.Name)
}

func (b *backupReader) readManifest(data []byte) error {
	b.manifest = &backupManifest{}
	if err := json.Unmarshal(data, b.manifest); err != nil {
		return fmt.Errorf("manifest.json: %v", err)
	}
	if m := b.manifest; m.Layout > backupLayout || m.Format > queue.FormatVersion {
		need := "a newer version of the program"
		if m.Program != "" {
			need = "version " + m.Program + " of the program or a newer one"
		}
		return fmt.Errorf("the backup was %w (layout %d, entries in format %d; this program knows %d and %d). Use %s; nothing was changed",
			queue.ErrNewerFormat, m.Layout, m.Format, backupLayout, queue.FormatVersion, need)
	}
	return nil
}

func (b *backupReader) readSegment(name string, data []byte) error {
	sum := sha256.Sum256(data)
	m := backupMember{Name: name, Bytes: len(data), SHA256: hex.EncodeToString(sum[:])}
	for rest := data; len(rest) > 0; m.Entries++ {
		line, after, ok := bytes.Cut(rest, []byte("\n"))
		if !ok {
			return fmt.Errorf("%s line %d is cut short", name, m.Entries+1)
		}
		if err := b.readLine(line); err != nil {
			var damage *DamageError
			if errors.As(err, &damage) {
				damage.Do = "Use an older backup"
			}
			return fmt.Errorf("%s line %d: %w", name, m.Entries+1, err)
		}
		rest = after
	}
	b.segments = append(b.segments, m)
	return nil
}

func (b *backupReader) readLine(line []byte) error {
	var l backupLine
	if err := json.Unmarshal(line, &l); err != nil {
		return err
	}
	e := scanned{rawEntry: rawEntry{
		seq: l.Seq, stored: l.Stored, site: l.Site, prev: l.Prev, format: l.Format,
		program: l.Program, command: l.Command, body: l.Body,
	}}
	if l.Format > queue.FormatVersion {
		return e.newer(nil)
	}
	if e.sum = e.hash(); e.sum != l.Hash {
		return e.damage(Changed, "its hash does not match")
	}
	if e.entry, e.err = e.decode(); e.err != nil {
		return e.err
	}
	return b.checker.take(&scan{}, &e)
}

// complete compares what was read with the summary.
func (b *backupReader) complete() error {
	if b.summary == nil {
		return errors.New("it is cut short: the summary is missing")
	}
	res := &b.checker.result
	got := backupSummary{
		Entries: res.entries, LastSeq: res.last.Seq, LastHash: res.last.Hash,
		Sites: res.siteReports(), Segments: b.segments,
	}
	if !slices.Equal(got.Segments, b.summary.Segments) || !slices.Equal(got.Sites, b.summary.Sites) ||
		got.Entries != b.summary.Entries || got.LastSeq != b.summary.LastSeq || got.LastHash != b.summary.LastHash {
		return errors.New("what it holds is not what its summary says")
	}
	return nil
}

// RestoreOptions of [Restore].
type RestoreOptions struct {
	// SetAside moves a log that is there into a folder beside it, instead of
	// refusing.
	SetAside bool
	Progress Progress
	Logger   *zap.Logger // nil: none
}

// RestoreReport says what was done.
type RestoreReport struct {
	Report
	// SetAside is where the old log is now; empty if there was none.
	SetAside string
}

const (
	restoreDir     = "restore.new"     // the log that is being made
	restorePending = "restore.pending" // the old log is being replaced
)

// logParts are what belongs to a log in its directory.
var logParts = []string{storeSub, markFile, snapshotSub, copyDir, copyDirNew, droppedDir}

// Restore makes the log in dir from a backup. The old log, if there is one and
// SetAside is set, stays in its place until the new one was checked. Numbers,
// hashes and times of the entries are those of the backup.
func Restore(ctx context.Context, path, dir string, o RestoreOptions) (rep RestoreReport, err error) {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return rep, fmt.Errorf("restore: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return rep, err
	}
	defer func() { err = errors.Join(err, lock.unlock()) }()
	there := present(dir)
	if len(there) > 0 && !o.SetAside {
		return rep, fmt.Errorf("restore into %s: %w. Choose another directory, or have the log that is there set aside", dir, ErrNotEmpty)
	}
	fresh := filepath.Join(dir, restoreDir)
	if err := os.RemoveAll(fresh); err != nil {
		return rep, fmt.Errorf("restore: %w", err)
	}
	defer os.RemoveAll(fresh)
	if rep.Report, err = fillStore(ctx, path, fresh, o); err != nil {
		return rep, fmt.Errorf("restore: %w", err)
	}
	if rep.SetAside, err = replaceLog(dir, fresh, there); err != nil {
		return rep, fmt.Errorf("restore: %w", err)
	}
	return rep, nil
}

func present(dir string) []string {
	var there []string
	for _, name := range logParts {
		if _, err := os.Lstat(filepath.Join(dir, name)); err == nil {
			there = append(there, name)
		}
	}
	return there
}

// replaceLog moves the new log into place. A crash in between leaves a note,
// so that no start takes the missing log for an empty one.
func replaceLog(dir, fresh string, there []string) (aside string, err error) {
	pending := filepath.Join(dir, restorePending)
	if err := writeFileSync(pending, func(w io.Writer) error {
		_, err := io.WriteString(w, "A restore was under way. Run it again.\n")
		return err
	}); err != nil {
		return "", err
	}
	if len(there) > 0 {
		aside = filepath.Join(dir, "set-aside-"+time.Now().UTC().Format("20060102T150405.000Z"))
		if err := os.Mkdir(aside, 0o700); err != nil {
			return "", err
		}
		for _, name := range there {
			if err := os.Rename(filepath.Join(dir, name), filepath.Join(aside, name)); err != nil {
				return aside, err
			}
		}
	}
	for _, name := range []string{storeSub, markFile} {
		if err := os.Rename(filepath.Join(fresh, name), filepath.Join(dir, name)); err != nil {
			return aside, err
		}
	}
	return aside, errors.Join(syncDir(dir), os.Remove(pending), syncDir(dir))
}

// checkPending refuses a directory in which a restore was cut off.
func checkPending(dir string) error {
	if _, err := os.Lstat(filepath.Join(dir, restorePending)); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return fmt.Errorf("open log: a restore into %s was cut off. Run it again; the old log is in a folder set-aside-… there", dir)
}

// fillStore makes a new log in dir and checks it. It syncs once, at the end:
// until then nobody relies on it.
func fillStore(ctx context.Context, path, dir string, o RestoreOptions) (Report, error) {
	srv, err := startServer(Options{Dir: dir, Logger: o.Logger}, 1<<62, false)
	if err != nil {
		return Report{}, err
	}
	stop := sync.OnceFunc(func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	defer stop()
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		return Report{}, err
	}
	defer nc.Close()
	given, err := copyEntries(ctx, nc, path, 1, o.Progress)
	if err != nil {
		return given.report(), err
	}
	nc.Close()
	stop()
	if err := syncTree(dir); err != nil {
		return given.report(), err
	}
	got, err := checkStore(ctx, dir, checkOptions{mark: given.last, clean: true, deep: true})
	if err != nil {
		return got.report(), fmt.Errorf("what was restored does not verify: %w", err)
	}
	if !slices.Equal(given.siteReports(), got.siteReports()) {
		return got.report(), errors.New("what was restored is not what the backup holds")
	}
	m, err := openMark(dir, got.last)
	if err != nil {
		return got.report(), err
	}
	return got.report(), m.close(true)
}

// copyEntries publishes the backup's entries, many in flight, each only in its
// place.
func copyEntries(ctx context.Context, nc *nats.Conn, path string, replicas int, progress Progress) (checkResult, error) {
	var mu sync.Mutex
	var failed error
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(512), jetstream.WithPublishAsyncTimeout(30*time.Second),
		jetstream.WithPublishAsyncErrHandler(func(_ jetstream.JetStream, _ *nats.Msg, err error) {
			mu.Lock()
			failed = errors.Join(failed, err)
			mu.Unlock()
		}))
	if err != nil {
		return checkResult{}, err
	}
	if _, err := js.CreateStream(ctx, streamConfig(replicas)); err != nil {
		return checkResult{}, err
	}
	broken := func() error {
		mu.Lock()
		defer mu.Unlock()
		return failed
	}
	res, err := readBackup(ctx, path, checkOptions{progress: progress, visit: func(e *scanned) error {
		if err := broken(); err != nil {
			return err
		}
		_, err := js.PublishMsgAsync(e.message(), jetstream.WithStallWait(30*time.Second))
		return err
	}})
	if err != nil {
		return res, err
	}
	select {
	case <-js.PublishAsyncComplete():
	case <-ctx.Done():
		return res, ctx.Err()
	}
	return res, broken()
}

// RestoreInto fills the log of a deployment from a backup and verifies what
// arrived. A log that has entries is left as it is: ErrNotEmpty.
func RestoreInto(ctx context.Context, path string, o DialOptions, progress Progress) (Report, error) {
	if _, err := VerifyBackup(ctx, path, nil); err != nil {
		return Report{}, err
	}
	l, err := Dial(ctx, o)
	if err != nil {
		return Report{}, err
	}
	defer l.Close()
	info, err := l.stream.Info(ctx)
	if err != nil {
		return Report{}, l.requestError("restore", err)
	}
	if info.State.LastSeq != 0 {
		return Report{}, fmt.Errorf("%w: the log at %s has %d entries", ErrNotEmpty, o.URL, info.State.Msgs)
	}
	given, err := copyEntries(ctx, l.nc, path, max(1, o.Replicas), progress)
	if err != nil {
		return given.report(), fmt.Errorf("restore from %s: %w", path, err)
	}
	got, err := l.Verify(ctx, nil)
	if err != nil {
		return got, fmt.Errorf("what was restored does not verify: %w", err)
	}
	if !slices.Equal(given.siteReports(), got.Sites) {
		return got, errors.New("what was restored is not what the backup holds")
	}
	return got, nil
}

// message is the entry as it is stored again.
func (r *rawEntry) message() *nats.Msg {
	h := nats.Header{
		headerPrev:                      {string(r.prev)},
		headerFormat:                    {strconv.Itoa(r.format)},
		headerCommand:                   {string(r.command)},
		headerStored:                    {r.stored.UTC().Format(time.RFC3339Nano)},
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(r.seq-1, 10)},
	}
	if r.program != "" {
		h[headerProgram] = []string{r.program}
	}
	return &nats.Msg{Subject: subjectOf(r.site), Header: h, Data: r.body}
}

// syncTree puts all files and folders of a directory on disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		return errors.Join(f.Sync(), f.Close())
	})
}
