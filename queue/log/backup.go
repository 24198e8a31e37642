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
	"os"
	"slices"
	"strings"
	"time"

	"tickover/queue"
)

// A backup is one file: a gzip-compressed tar archive that ordinary tools can
// read. It holds, in this order,
//
//	README.txt            what this is
//	manifest.json         layout, program, and how far the log went
//	entries/000001.jsonl  one entry a line, in order; as many files as needed
//	summary.json          counts, the last entry of each site, the SHA-256 of
//	                      each file of entries; without it the backup is cut
//
// Each line carries the entry's body byte for byte and its hash, so that a
// backup proves itself without the log.

const (
	backupLayout     = 1
	backupSegment    = 4 << 20 // bytes of entries in one file of the archive
	backupLineMax    = queue.EntryBytesMax + 64<<10
	backupSegmentMax = backupSegment + backupLineMax
	backupNoteMax    = 16 << 20 // bytes of a manifest or summary
)

const backupReadme = `This is a backup of a Tickover log: everything that happened in the shop, in order.
Restore it with: tickover restore FILE
entries/*.jsonl hold one entry a line. "body" is a batch of CloudEvents 1.0 events
as stored; "hash" is the SHA-256 of "prev" followed by the bytes of "body".
summary.json holds the SHA-256 of each file of entries.
`

type backupManifest struct {
	Layout  int       `json:"layout"`
	Created time.Time `json:"created"`
	Program string    `json:"program,omitempty"`
	Format  int       `json:"entry_format"`
	LastSeq uint64    `json:"last_seq"` // the log's last entry when the backup began
}

type backupSummary struct {
	Entries  uint64         `json:"entries"`
	LastSeq  uint64         `json:"last_seq"`
	LastHash queue.Hash     `json:"last_hash"`
	Sites    []SiteReport   `json:"sites"`
	Segments []backupMember `json:"segments"`
}

type backupMember struct {
	Name    string `json:"name"`
	Entries int    `json:"entries"`
	Bytes   int    `json:"bytes"`
	SHA256  string `json:"sha256"`
}

// backupLine is an entry without its body, which stands last in the line.
type backupLine struct {
	Seq     uint64          `json:"seq"`
	Stored  time.Time       `json:"stored"`
	Site    queue.SiteID    `json:"site"`
	Prev    queue.Hash      `json:"prev,omitempty"`
	Hash    queue.Hash      `json:"hash"`
	Format  int             `json:"format"`
	Program string          `json:"program,omitempty"`
	Command queue.CommandID `json:"command"`
	Body    json.RawMessage `json:"body,omitempty"`
}

// backupWriter cuts entries into the files of an archive.
type backupWriter struct {
	zip     *gzip.Writer
	tar     *tar.Writer
	created time.Time
	segment bytes.Buffer
	lines   int
	summary backupSummary
}

func newBackupWriter(w io.Writer, m backupManifest) (*backupWriter, error) {
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	b := &backupWriter{zip: z, tar: tar.NewWriter(z), created: m.Created}
	if err := b.member("README.txt", []byte(backupReadme)); err != nil {
		return nil, err
	}
	return b, b.note("manifest.json", m)
}

func (b *backupWriter) member(name string, data []byte) error {
	err := b.tar.WriteHeader(&tar.Header{Name: name, Mode: 0o600, Size: int64(len(data)), ModTime: b.created})
	if err == nil {
		_, err = b.tar.Write(data)
	}
	return err
}

func (b *backupWriter) note(name string, v any) error {
	data, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	return b.member(name, append(data, '\n'))
}

func (b *backupWriter) entry(e *scanned) error {
	if bytes.ContainsAny(e.body, "\n\r") || !json.Valid(e.body) {
		return foreign(e.seq, e.site, "its body is not one line of JSON")
	}
	line, err := json.Marshal(backupLine{
		Seq: e.seq, Stored: e.stored.UTC(), Site: e.site, Prev: e.prev, Hash: e.sum,
		Format: e.format, Program: e.program, Command: e.command,
	})
	if err != nil {
		return err
	}
	b.segment.Write(line[:len(line)-1])
	b.segment.WriteString(`,"body":`)
	b.segment.Write(e.body)
	b.segment.WriteString("}\n")
	b.lines++
	if b.segment.Len() >= backupSegment {
		return b.flush()
	}
	return nil
}

func (b *backupWriter) flush() error {
	if b.lines == 0 {
		return nil
	}
	sum := sha256.Sum256(b.segment.Bytes())
	m := backupMember{
		Name:    fmt.Sprintf("entries/%06d.jsonl", len(b.summary.Segments)+1),
		Entries: b.lines, Bytes: b.segment.Len(), SHA256: hex.EncodeToString(sum[:]),
	}
	if err := b.member(m.Name, b.segment.Bytes()); err != nil {
		return err
	}
	b.summary.Segments = append(b.summary.Segments, m)
	b.segment.Reset()
	b.lines = 0
	return nil
}

// finish writes the summary of what the checker saw.
func (b *backupWriter) finish(res checkResult) error {
	if err := b.flush(); err != nil {
		return err
	}
	b.summary.Entries, b.summary.LastSeq, b.summary.LastHash = res.entries, res.last.Seq, res.last.Hash
	b.summary.Sites = res.siteReports()
	if err := b.note("summary.json", b.summary); err != nil {
		return err
	}
	return errors.Join(b.tar.Close(), b.zip.Close())
}

// writeBackup makes the file in one step: it is there whole, or not at all.
func writeBackup(path string, m backupManifest, fill func(*backupWriter) (checkResult, error)) (checkResult, error) {
	var res checkResult
	if _, err := os.Lstat(path); err == nil {
		return res, fmt.Errorf("backup to %s: the file exists; choose another name", path)
	}
	err := writeFileSync(path, func(w io.Writer) error {
		buf := bufio.NewWriterSize(w, 1<<20)
		b, err := newBackupWriter(buf, m)
		if err != nil {
			return err
		}
		if res, err = fill(b); err != nil {
			return err
		}
		return errors.Join(b.finish(res), buf.Flush())
	})
	if err != nil {
		return res, fmt.Errorf("backup to %s: %w", path, err)
	}
	return res, nil
}

// Backup writes what is stored now to a new file, while the log goes on. It
// checks every entry on the way and leaves no file behind if it fails.
func (l *JetStream) Backup(ctx context.Context, path string, progress Progress) (Report, error) {
	info, err := l.stream.Info(ctx)
	if err != nil {
		return Report{}, l.requestError("backup", err)
	}
	last := info.State.LastSeq
	m := backupManifest{Layout: backupLayout, Created: time.Now().UTC(), Program: l.program, Format: queue.FormatVersion, LastSeq: last}
	res, err := writeBackup(path, m, func(b *backupWriter) (checkResult, error) {
		return l.scan(ctx, last, checkOptions{visit: b.entry, progress: progress}, int64(info.State.Bytes))
	})
	return res.report(), err
}

// Verify checks everything that is stored now, while the log goes on: the
// chains of the sites and those of the units.
func (l *JetStream) Verify(ctx context.Context, progress Progress) (Report, error) {
	info, err := l.stream.Info(ctx)
	if err != nil {
		return Report{}, l.requestError("verify", err)
	}
	res, err := l.scan(ctx, info.State.LastSeq, checkOptions{deep: true, progress: progress}, int64(info.State.Bytes))
	return res.report(), err
}

// scan runs the checker over what the server delivers up to last.
func (l *JetStream) scan(ctx context.Context, last uint64, o checkOptions, total int64) (checkResult, error) {
	c := newChecker("", nil, o)
	if last == 0 {
		return c.result, nil
	}
	decode := depth(decodeNone)
	if o.deep {
		decode = decodeAll
	}
	err := l.entries(ctx, span{until: last}, decode, func(e *scanned) error {
		if err := c.take(&scan{}, e); err != nil {
			return err
		}
		if c.result.bytes += int64(len(e.body)); o.progress != nil && (e.seq%1024 == 0 || e.seq == last) {
			o.progress(c.result.bytes, max(total, c.result.bytes))
		}
		return nil
	})
	return c.result, err
}

// BackupDir writes the log in dir, which no process may have open, to a new
// file.
func BackupDir(ctx context.Context, dir, path string, progress Progress) (Report, error) {
	var rep Report
	err := offline(dir, func(o checkOptions) error {
		o.progress = progress
		m := backupManifest{Layout: backupLayout, Created: time.Now().UTC(), Format: queue.FormatVersion, LastSeq: o.mark.Seq}
		res, err := writeBackup(path, m, func(b *backupWriter) (checkResult, error) {
			o.visit = b.entry
			return checkStore(ctx, dir, o)
		})
		rep = res.report()
		return err
	})
	return rep, err
}

// Verify checks the log in dir, which no process may have open, and changes
// nothing: every checksum, the chains of the sites and those of the units, and
// the high-water mark.
func Verify(ctx context.Context, dir string, progress Progress) (Report, error) {
	var rep Report
	err := offline(dir, func(o checkOptions) error {
		o.deep, o.progress = true, progress
		res, err := checkStore(ctx, dir, o)
		rep = res.report()
		return err
	})
	return rep, err
}

// offline runs f on a directory that nobody else has.
func offline(dir string, f func(checkOptions) error) error {
	if info, err := os.Stat(streamDir(dir)); err != nil || !info.IsDir() {
		if pos, _, found, _, merr := readMark(dir); merr != nil || !found || pos.Seq == 0 {
			return fmt.Errorf("%s holds no log", dir)
		}
	}
	lock, err := lockDir(dir)
	if err != nil {
		return err
	}
	pos, clean, _, _, err := readMark(dir)
	if err == nil {
		err = f(checkOptions{mark: pos, clean: clean})
	}
	return errors.Join(err, lock.unlock())
}

// Report says what a log or a backup holds.
type Report struct {
	Entries uint64
	Events  uint64 // 0 when entries were not decoded
	Bytes   int64
	Last    Position // the last entry of all sites
	Sites   []SiteReport
	// Unfinished tells of an entry that was being written when the program
	// stopped, and was never acknowledged; empty if none.
	Unfinished string
}

// SiteReport is one site's part.
type SiteReport struct {
	Site     queue.SiteID `json:"site"`
	Entries  uint64       `json:"entries"`
	LastSeq  uint64       `json:"last_seq"`
	LastHash queue.Hash   `json:"last_hash"`
}

func (r *checkResult) report() Report {
	rep := Report{Entries: r.entries, Events: r.events, Bytes: r.bytes, Last: r.last, Sites: r.siteReports()}
	if r.torn != nil {
		rep.Unfinished = r.torn.String()
	}
	return rep
}

func (r *checkResult) siteReports() []SiteReport {
	var list []SiteReport
	for site, c := range r.sites {
		list = append(list, SiteReport{site, c.entries, c.last.Seq, c.last.Hash})
	}
	slices.SortFunc(list, func(a, b SiteReport) int { return strings.Compare(string(a.Site), string(b.Site)) })
	return list
}
