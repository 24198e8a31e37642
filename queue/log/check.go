package log

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"tickover/queue"
)

// Progress hears how far a long piece of work is; both numbers are bytes. It
// is called on one goroutine.
type Progress func(done, total int64)

// checkOptions say what the files of a log are compared with.
type checkOptions struct {
	mark     Position // the last entry known to be acknowledged
	clean    bool     // the log was stopped properly at mark
	deep     bool     // decode the entries and follow each unit's chain, too
	progress Progress
	visit    func(*scanned) error // hears each entry, in order, once it was checked
}

// checkResult is what the files of a log hold.
type checkResult struct {
	entries uint64
	events  uint64
	bytes   int64
	last    Position
	sites   map[queue.SiteID]siteCount
	torn    *tornTail
}

type siteCount struct {
	entries uint64
	last    Position
}

// tornTail is the beginning of an entry behind the last one: it was being
// written when the program stopped, and nobody was told that it is stored.
type tornTail struct {
	file   blockFile
	offset int64
	bytes  []byte
	seq    uint64
}

func (t *tornTail) String() string {
	return fmt.Sprintf("%d bytes of entry %d at byte %d of %s: it was being written when the program stopped and was never acknowledged", len(t.bytes), t.seq, t.offset, t.file.name)
}

// checker follows the chain through the blocks.
type checker struct {
	opts   checkOptions
	dir    string
	files  []blockFile
	result checkResult
	units  map[unitKey]unitLink
}

type unitKey struct {
	site    queue.SiteID
	subject queue.Subject
}

type unitLink struct {
	n    uint64
	hash queue.Hash
}

func newChecker(dir string, files []blockFile, o checkOptions) *checker {
	return &checker{
		opts: o, dir: dir, files: files, units: map[unitKey]unitLink{},
		result: checkResult{sites: map[queue.SiteID]siteCount{}},
	}
}

// checkStore reads all files of a log, changes none, and returns what is in
// them. Blocks are read and hashed on several goroutines; the links between
// entries are followed on the caller's.
func checkStore(ctx context.Context, dir string, o checkOptions) (checkResult, error) {
	files, err := blockFiles(dir)
	if err != nil {
		return checkResult{}, err
	}
	c := newChecker(dir, files, o)
	total, err := dirSize(filepath.Join(streamDir(dir), "msgs"))
	if err != nil {
		return checkResult{}, fmt.Errorf("read the store: %w", err)
	}
	if total > 0 && len(files) > 0 || o.mark.Seq > 0 {
		if err := c.meta(); err != nil {
			return c.result, err
		}
	}
	if err := c.blocks(ctx, total); err != nil {
		return c.result, err
	}
	if last := c.result.last.Seq; last < o.mark.Seq {
		return c.result, &DamageError{
			Kind: LostTail, Seq: last + 1, Last: o.mark.Seq,
			What: fmt.Sprintf("the log ends at entry %d, but entry %d was acknowledged", last, o.mark.Seq), Do: doRestore,
		}
	}
	return c.result, nil
}

func (c *checker) meta() error {
	if _, err := os.Stat(streamDir(c.dir)); errors.Is(err, os.ErrNotExist) {
		return &DamageError{
			Kind: LostTail, Seq: 1, Last: c.opts.mark.Seq, File: filepath.Join(storeSub, "jetstream", "$G", "streams", StreamName),
			What: fmt.Sprintf("the log's folder is not there, but %d entries were acknowledged", c.opts.mark.Seq), Do: doRestore,
		}
	}
	return checkMeta(c.dir)
}

// scan is one block, read on its own goroutine.
type scan struct {
	file  blockFile
	buf   []byte
	recs  []scanned
	fault faultKind
	bad   record
	err   error
	done  chan struct{}
}

type scanned struct {
	rawEntry
	sum    queue.Hash
	offset int64
	entry  *queue.Entry // with checkOptions.deep
	err    error
}

func (c *checker) blocks(ctx context.Context, total int64) error {
	ctx, cancel := context.WithCancel(ctx)
	scans := make(chan *scan, runtime.GOMAXPROCS(0))
	go func() {
		defer close(scans)
		for _, f := range c.files {
			s := &scan{file: f, done: make(chan struct{})}
			select {
			case scans <- s:
				go s.run(c.opts.deep)
			case <-ctx.Done():
				return
			}
		}
	}()
	defer func() {
		cancel()
		for s := range scans {
			<-s.done
		}
	}()
	for s := range scans {
		<-s.done
		if err := c.block(s); err != nil {
			return err
		}
		c.result.bytes += int64(len(s.buf))
		if c.opts.progress != nil {
			c.opts.progress(c.result.bytes, max(total, c.result.bytes))
		}
	}
	return ctx.Err()
}

func (s *scan) run(deep bool) {
	defer close(s.done)
	if s.buf, s.err = s.file.read(); s.err != nil {
		return
	}
	sum := blockSum(s.file.index)
	for at := int64(0); at < int64(len(s.buf)); {
		r, fault := cut(s.buf, at, sum)
		if fault != faultNone {
			s.bad, s.fault = r, fault
			return
		}
		e := scanned{offset: at}
		if e.rawEntry, e.err = r.raw(); e.err == nil {
			e.sum = e.hash()
			if deep {
				e.entry, e.err = e.decode()
			}
		} else {
			e.seq = r.seq
		}
		s.recs = append(s.recs, e)
		at += int64(r.size)
	}
}

// block follows the chain through one block.
func (c *checker) block(s *scan) error {
	if s.err != nil {
		return s.err
	}
	if t := c.result.torn; t != nil && len(s.buf) > 0 {
		// Not the end, after all.
		return &DamageError{Kind: Changed, Seq: t.seq, File: t.file.name, Offset: t.offset, What: "an entry is cut short, and others follow in " + s.file.name, Do: doRestore}
	}
	for i := range s.recs {
		if err := c.take(s, &s.recs[i]); err != nil {
			return err
		}
	}
	if s.fault != faultNone {
		return c.fault(s)
	}
	return nil
}

// take checks the next entry and hands it on.
func (c *checker) take(s *scan, e *scanned) error {
	if err := c.link(s, e); err != nil || c.opts.visit == nil {
		return err
	}
	return c.opts.visit(e)
}

// link demands that the entry follows the one before it.
func (c *checker) link(s *scan, e *scanned) error {
	want := c.result.last.Seq + 1
	if e.seq != want {
		return c.gap(s, e, want)
	}
	if e.err != nil {
		return c.place(e.err, s, e.offset)
	}
	site := c.result.sites[e.site]
	if e.prev != site.last.Hash {
		return c.place(e.damage(Changed, fmt.Sprintf("it does not follow entry %d of its site: the hash of the entry before it is another", site.last.Seq)), s, e.offset)
	}
	if e.seq == c.opts.mark.Seq && e.sum != c.opts.mark.Hash {
		return c.place(e.damage(Changed, "it is not the entry that was acknowledged with this number"), s, e.offset)
	}
	if e.entry != nil {
		if err := c.linkEvents(e); err != nil {
			return c.place(err, s, e.offset)
		}
	}
	c.result.entries++
	c.result.last = Position{e.seq, e.sum}
	c.result.sites[e.site] = siteCount{site.entries + 1, c.result.last}
	return nil
}

// linkEvents follows the chain of each unit.
func (c *checker) linkEvents(e *scanned) error {
	for i := range e.entry.Events {
		ev := &e.entry.Events[i]
		key := unitKey{e.site, ev.Subject}
		last := c.units[key]
		if ev.N != last.n+1 || ev.Prev != last.hash {
			d := e.damage(Changed, fmt.Sprintf("event %s is number %d of %s and follows %.12s…, want number %d after %.12s…", ev.ID, ev.N, ev.Subject, ev.Prev, last.n+1, last.hash))
			d.Subject, d.Event = ev.Subject, ev.ID
			return d
		}
		c.units[key] = unitLink{ev.N, ev.Hash()}
		c.result.events++
	}
	return nil
}

func (e *scanned) damage(kind DamageKind, what string) *DamageError {
	d := &DamageError{Kind: kind, Site: e.site, Seq: e.seq, Command: e.command, What: what, Do: doRestore}
	d.Subject, d.Event = sniff(e.body)
	return d
}

// place adds where the damage is.
func (c *checker) place(err error, s *scan, offset int64) error {
	var d *DamageError
	if errors.As(err, &d) && d.File == "" {
		d.File, d.Offset = s.file.name, offset
	}
	return err
}

// gap tells entries that are gone from entries that stand elsewhere.
func (c *checker) gap(s *scan, e *scanned, want uint64) error {
	if e.err != nil {
		e.rawEntry.seq = 0 // nothing else of it is known
	}
	if e.seq != 0 && e.seq < want {
		return c.place(e.damage(Reordered, fmt.Sprintf("entry %d stands behind entry %d", e.seq, want-1)), s, e.offset)
	}
	d := e.damage(Missing, fmt.Sprintf("entry %d is followed by entry %d", want-1, e.seq))
	d.Seq, d.Last = want, e.seq-1
	d.Subject, d.Event, d.Command, d.Site = "", "", "", ""
	if where, r := c.find(want); r != nil {
		d.Kind, d.Last = Reordered, 0
		d.What = fmt.Sprintf("%s; entry %d stands in %s at byte %d", d.What, want, where.name, r.offset)
		d.name(r)
	}
	return c.place(d, s, e.offset)
}

// name adds what a record says of itself.
func (d *DamageError) name(r *record) {
	d.Site, _ = siteOf(string(r.subject))
	d.Subject, d.Event = sniff(r.body)
	d.Command = queue.CommandID(headerValue(r.header, headerCommand))
}

// nameRest names a record whose length can't be trusted by the text between
// its beginning and the next record (-1: the end).
func (d *DamageError) nameRest(buf []byte, from, next int64) {
	if next < 0 {
		next = int64(len(buf))
	}
	rest := buf[from:min(next, from+recordTextMax)]
	d.Subject, d.Event = sniff(rest)
	if site, ok := strings.CutPrefix(sniffField(rest, `"source":"`), "/sites/"); ok {
		d.Site = queue.SiteID(site)
	}
}

const recordTextMax = 8 << 10 // where a record's first event begins

// find looks for an entry in all blocks.
func (c *checker) find(seq uint64) (blockFile, *record) {
	for _, f := range c.files {
		buf, err := f.read()
		if err != nil {
			continue
		}
		sum := blockSum(f.index)
		for at := int64(0); at >= 0 && at < int64(len(buf)); {
			r, fault := cut(buf, at, sum)
			if fault != faultNone {
				at = nextRecord(buf, at+1, seq, sum)
				continue
			}
			if r.seq == seq {
				return f, &r
			}
			at += int64(r.size)
		}
	}
	return blockFile{}, nil
}

// fault judges a record that can't be read.
func (c *checker) fault(s *scan) error {
	want := c.result.last.Seq + 1
	d := &DamageError{Kind: Changed, Seq: want, File: s.file.name, Offset: s.bad.offset, Do: doRestore}
	if s.fault == faultErased {
		d.Kind, d.What = Missing, "it was erased"
		return d
	}
	if s.fault == faultChecksum {
		d.name(&s.bad)
		d.What = "its checksum does not match: bytes of it were changed"
		if other, ok := c.belongs(s); ok {
			d.Kind = Reordered
			d.What = fmt.Sprintf("entry %d stands here, which belongs into file %d.blk", s.bad.seq, other)
			return d
		}
	} else {
		d.What = "it is cut short, or its length was changed"
	}
	next := nextRecord(s.buf, s.bad.offset+1, want, blockSum(s.file.index))
	if s.fault == faultShort && s.bad.seq == want {
		d.nameRest(s.buf, s.bad.offset, next)
	}
	if next >= 0 {
		return d
	}
	if !c.last(s) {
		if s.fault == faultShort {
			d.Kind, d.What = Missing, "the file ends in the middle of it, and others follow"
		}
		return d
	}
	if !c.opts.clean && want > c.opts.mark.Seq && len(s.buf)-int(s.bad.offset) <= queue.EntryBytesMax+64<<10 {
		c.result.torn = &tornTail{s.file, s.bad.offset, s.buf[s.bad.offset:], want}
		return nil
	}
	if s.fault == faultShort {
		d.Kind, d.Last = LostTail, max(c.opts.mark.Seq, want)
		d.What = "the file ends in the middle of it, although it was acknowledged"
	}
	return d
}

// belongs finds the block that the bad record was written for.
func (c *checker) belongs(s *scan) (uint32, bool) {
	last := s.file.index
	if n := len(c.files); n > 0 {
		last = c.files[n-1].index
	}
	for index := uint32(1); index <= last+1; index++ {
		if index == s.file.index {
			continue
		}
		if _, fault := cut(s.buf, s.bad.offset, blockSum(index)); fault == faultNone {
			return index, true
		}
	}
	return 0, false
}

// last reports whether no entries stand behind this block.
func (c *checker) last(s *scan) bool {
	for _, f := range c.files {
		if info, err := os.Stat(f.path); f.index > s.file.index && (err != nil || info.Size() > 0) {
			return false
		}
	}
	return true
}
