package log_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// fixture is a log that was made once, by a process that was stopped properly
// or killed, and is copied for each test.
type fixture struct {
	dir    string
	backup string
	acked  []log.Position
}

const (
	smallEntries = 1000 // in one block
	largeEntries = 45   // of 400 kB, in three blocks
)

var fixtures sync.Map // name to func() fixture

func makeFixture(t testing.TB, large, clean bool) fixture {
	t.Helper()
	key := fmt.Sprint(large, clean)
	once, _ := fixtures.LoadOrStore(key, sync.OnceValue(func() fixture {
		dir, err := os.MkdirTemp("", "logtest-fixture-")
		if err != nil {
			t.Fatal(err)
		}
		atEnd(func() { _ = os.RemoveAll(dir) })
		f := fixture{dir: filepath.Join(dir, "log"), backup: filepath.Join(dir, "backup.tgz")}
		env := []string{fmt.Sprintf("LOGTEST_CHILD_ENTRIES=%d", smallEntries)}
		if large {
			env = []string{fmt.Sprintf("LOGTEST_CHILD_ENTRIES=%d", largeEntries), "LOGTEST_CHILD_BYTES=400000"}
		}
		if clean {
			p := startChild(t, f.dir, append(env, "LOGTEST_CHILD_CLOSE=1")...)
			var lines []string
			for p.lines.Scan() {
				lines = append(lines, p.lines.Text())
			}
			if err := p.Wait(); err != nil {
				t.Fatalf("child: %v", err)
			}
			f.acked = acked(lines)
		} else {
			p := startChild(t, f.dir, env...)
			f.acked = acked(p.until(t, "idle"))
			p.kill()
		}
		if rep, err := log.BackupDir(context.Background(), f.dir, f.backup, nil); err != nil || rep.Entries != uint64(len(f.acked)) {
			t.Fatalf("backup of the fixture: %d entries, %v", rep.Entries, err)
		}
		return f
	}))
	f := once.(func() fixture)()
	return f
}

// copy returns a fresh copy of the fixture's directory.
func (f fixture) copy(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "log")
	if err := os.CopyFS(dir, os.DirFS(f.dir)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// tree reads all files of a directory, without the lock.
func tree(t testing.TB, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Name() == "lock" {
			return err
		}
		name, _ := filepath.Rel(dir, path)
		if d.IsDir() {
			files[name] = "folder"
			return nil
		}
		b, err := os.ReadFile(path)
		files[name] = string(queue.HashOf(b))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func changed(before, after map[string]string) (names []string) {
	for name, sum := range before {
		if after[name] != sum {
			names = append(names, name)
		}
	}
	for name := range after {
		if _, ok := before[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func records(t testing.TB, dir string) []log.RecordAt {
	t.Helper()
	recs, err := log.Records(dir)
	if err != nil {
		t.Fatal(err)
	}
	return recs
}

// edit changes bytes of a file.
func edit(t testing.TB, path string, f func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, f(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

func flip(t testing.TB, path string, at int64, bit uint) {
	t.Helper()
	edit(t, path, func(b []byte) []byte { b[at] ^= 1 << bit; return b })
}

type damageCase struct {
	name   string
	do     func(t *testing.T, dir string, recs []log.RecordAt)
	kind   log.DamageKind
	seq    uint64 // 0: no sequence is named
	last   uint64
	unit   bool // the unit is named
	either log.DamageKind
	// found: only whether it is found; the same backup is restored elsewhere.
	found bool
}

// atBody finds where the body of a record begins.
func atBody(t testing.TB, r log.RecordAt) int64 {
	t.Helper()
	b, err := os.ReadFile(r.Path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b[r.Offset:r.Offset+r.Size], []byte("\r\n\r\n"))
	if i < 0 {
		t.Fatal("record without a header")
	}
	return r.Offset + int64(i) + 4
}

func flipAt(seq int, off int64, bit uint) func(*testing.T, string, []log.RecordAt) {
	return func(t *testing.T, _ string, recs []log.RecordAt) {
		r := recs[seq-1]
		flip(t, r.Path, r.Offset+off, bit)
	}
}

func smallCases() []damageCase {
	body := func(seq int) func(*testing.T, string, []log.RecordAt) {
		return func(t *testing.T, _ string, recs []log.RecordAt) {
			flip(t, recs[seq-1].Path, atBody(t, recs[seq-1])+300, 0)
		}
	}
	return []damageCase{
		{name: "bit in a payload", do: body(500), kind: log.Changed, seq: 500, unit: true},
		{name: "bit in the first payload", do: body(1), kind: log.Changed, seq: 1, unit: true},
		{name: "bit in the last payload", do: body(smallEntries), kind: log.Changed, seq: smallEntries, unit: true},
		{name: "bit in a length", do: flipAt(500, 1, 0), kind: log.Changed, seq: 500},
		{name: "high bit in a length", do: flipAt(500, 3, 7), kind: log.Changed, seq: 500},
		{name: "bit in the last length", do: flipAt(smallEntries, 1, 2), kind: log.LostTail, either: log.Changed, seq: smallEntries},
		{name: "bit in a sequence", do: flipAt(500, 4, 3), kind: log.Changed, seq: 500, unit: true},
		{name: "erase bit", do: flipAt(500, 11, 7), kind: log.Changed, seq: 500, unit: true},
		{name: "bit in a time", do: flipAt(500, 13, 0), kind: log.Changed, seq: 500, unit: true},
		{name: "bit in a subject", do: flipAt(500, 25, 0), kind: log.Changed, seq: 500, unit: true},
		{name: "bit in a checksum", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			flip(t, recs[499].Path, recs[499].Offset+recs[499].Size-1, 4)
		}, kind: log.Changed, seq: 500, unit: true},
		{name: "last 100 bytes cut", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			edit(t, recs[0].Path, func(b []byte) []byte { return b[:len(b)-100] })
		}, kind: log.LostTail, seq: smallEntries},
		{name: "last entry cut", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			edit(t, recs[0].Path, func(b []byte) []byte { return b[:recs[smallEntries-1].Offset] })
		}, kind: log.LostTail, seq: smallEntries},
		{name: "second half cut", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			edit(t, recs[0].Path, func(b []byte) []byte { return b[:recs[500].Offset] })
		}, kind: log.LostTail, seq: 501, last: smallEntries},
		{name: "entry taken out", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			r := recs[499]
			edit(t, r.Path, func(b []byte) []byte { return slices.Delete(b, int(r.Offset), int(r.Offset+r.Size)) })
		}, kind: log.Missing, seq: 500},
		{name: "ten entries taken out", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			edit(t, recs[0].Path, func(b []byte) []byte {
				return slices.Delete(b, int(recs[499].Offset), int(recs[509].Offset))
			})
		}, kind: log.Missing, seq: 500, last: 509},
		{name: "entry twice", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			r := recs[499]
			edit(t, r.Path, func(b []byte) []byte {
				return slices.Insert(b, int(r.Offset), bytes.Clone(b[r.Offset:r.Offset+r.Size])...)
			})
		}, kind: log.Reordered, seq: 500, unit: true},
		{name: "two entries swapped", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			a, b := recs[499], recs[500]
			edit(t, a.Path, func(buf []byte) []byte {
				return slices.Concat(buf[:a.Offset], buf[b.Offset:b.Offset+b.Size], buf[a.Offset:b.Offset], buf[b.Offset+b.Size:])
			})
		}, kind: log.Reordered, seq: 500, unit: true},
		{name: "zeros in the middle", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			edit(t, recs[0].Path, func(b []byte) []byte { clear(b[recs[499].Offset:recs[501].Offset]); return b })
		}, kind: log.Changed, seq: 500},
		{name: "bit in meta.inf", do: func(t *testing.T, dir string, _ []log.RecordAt) {
			flip(t, filepath.Join(log.StreamDir(dir), "meta.inf"), 20, 1)
		}, kind: log.Changed},
		{name: "meta.sum gone", do: func(t *testing.T, dir string, _ []log.RecordAt) {
			remove(t, filepath.Join(log.StreamDir(dir), "meta.sum"))
		}, kind: log.Missing},
		{name: "folder gone", do: func(t *testing.T, dir string, _ []log.RecordAt) {
			remove(t, log.StreamDir(dir))
		}, kind: log.LostTail, seq: 1, last: smallEntries},
		{name: "store gone", do: func(t *testing.T, dir string, _ []log.RecordAt) {
			remove(t, filepath.Join(dir, "store"))
		}, kind: log.LostTail, seq: 1, last: smallEntries},
		{name: "block gone", do: func(t *testing.T, _ string, recs []log.RecordAt) {
			remove(t, recs[0].Path)
		}, kind: log.LostTail, seq: 1, last: smallEntries},
	}
}

func remove(t testing.TB, path string) {
	t.Helper()
	if err := os.RemoveAll(path); err != nil {
		t.Fatal(err)
	}
}

// firstOf finds the first entry of each block.
func firstOf(recs []log.RecordAt) (first []log.RecordAt) {
	for i, r := range recs {
		if i == 0 || r.Path != recs[i-1].Path {
			first = append(first, r)
		}
	}
	return first
}

func TestDamageIsFoundAtStart(t *testing.T) {
	for _, clean := range []bool{true, false} {
		f := makeFixture(t, false, clean)
		for _, c := range smallCases() {
			t.Run(fmt.Sprintf("clean=%t/%s", clean, c.name), func(t *testing.T) {
				t.Parallel()
				expectDamage(t, f, c)
			})
		}
	}
}

func TestDamageOfBlocksIsFoundAtStart(t *testing.T) {
	for _, clean := range []bool{true, false} {
		f := makeFixture(t, true, clean)
		first := firstOf(records(t, f.dir))
		if len(first) < 3 {
			t.Fatalf("the fixture has %d blocks, want 3", len(first))
		}
		n := uint64(largeEntries)
		at := func(i int) func(*testing.T, []log.RecordAt) string {
			return func(_ *testing.T, recs []log.RecordAt) string { return firstOf(recs)[i].Path }
		}
		del := func(i int) func(*testing.T, string, []log.RecordAt) {
			return func(t *testing.T, _ string, recs []log.RecordAt) { remove(t, at(i)(t, recs)) }
		}
		for _, c := range []damageCase{
			{name: "first block gone", do: del(0), kind: log.Missing, seq: 1, last: first[1].Seq - 1},
			{name: "second block gone", do: del(1), kind: log.Missing, seq: first[1].Seq, last: first[2].Seq - 1},
			{name: "last block gone", do: del(len(first) - 1), kind: log.LostTail, seq: first[len(first)-1].Seq, last: n},
			{name: "first block cut", do: func(t *testing.T, _ string, recs []log.RecordAt) {
				edit(t, at(0)(t, recs), func(b []byte) []byte { return b[:len(b)-1000] })
			}, kind: log.Missing, seq: first[1].Seq - 1, unit: true},
			{name: "bit in the first block", do: func(t *testing.T, _ string, recs []log.RecordAt) {
				flip(t, recs[4].Path, recs[4].Offset+recs[4].Size/2, 5)
			}, kind: log.Changed, seq: 5, unit: true},
			{name: "blocks swapped", do: func(t *testing.T, _ string, recs []log.RecordAt) {
				a, b := at(0)(t, recs), at(1)(t, recs)
				for _, mv := range [][2]string{{a, a + ".x"}, {b, a}, {a + ".x", b}} {
					if err := os.Rename(mv[0], mv[1]); err != nil {
						t.Fatal(err)
					}
				}
			}, kind: log.Reordered, seq: 1},
		} {
			c.found = c.name != "second block gone"
			t.Run(fmt.Sprintf("clean=%t/%s", clean, c.name), func(t *testing.T) {
				t.Parallel()
				expectDamage(t, f, c)
			})
		}
	}
}

// expectDamage damages a copy, starts on it, and demands: refused, named, the
// files as they were, restored from the backup, and going on.
func expectDamage(t *testing.T, f fixture, c damageCase) {
	dir := f.copy(t)
	c.do(t, dir, records(t, dir))
	before := tree(t, dir)
	s, err := log.Open(t.Context(), log.Options{Dir: dir})
	if err == nil {
		s.Close()
		t.Fatalf("a damaged log was opened")
	}
	var d *log.DamageError
	if !errors.As(err, &d) {
		t.Fatalf("open: %v, want a DamageError", err)
	}
	t.Log(d)
	if d.Kind != c.kind && d.Kind != c.either {
		t.Errorf("kind %v, want %v", d.Kind, c.kind)
	}
	if d.Seq != c.seq || c.last != 0 && d.Last != c.last {
		t.Errorf("entries %d to %d are named, want %d to %d", d.Seq, d.Last, c.seq, c.last)
	}
	if _, ok := d.Subject.Unit(); c.unit && (!ok || d.Site == "") {
		t.Errorf("site %q and subject %q, want a site and a unit", d.Site, d.Subject)
	}
	if !strings.Contains(d.Error(), "tickover restore") {
		t.Errorf("the error does not offer to restore: %v", d)
	}
	if names := changed(before, tree(t, dir)); len(names) > 0 {
		t.Errorf("the refused start changed %q", names)
	}
	if _, err := log.Verify(t.Context(), dir, nil); !errors.As(err, &d) && !strings.Contains(fmt.Sprint(err), "holds no log") {
		t.Errorf("Verify: %v, want a DamageError", err)
	}
	if c.found {
		return
	}
	rep, err := log.Restore(t.Context(), f.backup, dir, log.RestoreOptions{SetAside: true})
	if err != nil {
		t.Fatalf("restore: %v", err)
	}
	if names := changed(before, tree(t, rep.SetAside)); len(names) > 0 {
		t.Errorf("what was set aside differs in %q", names)
	}
	expectWhole(t, dir, f.acked)
}

// expectWhole opens a log and demands that everything acknowledged is in it
// and that it goes on.
func expectWhole(t *testing.T, dir string, want []log.Position) {
	t.Helper()
	s := open(t, log.Options{Dir: dir, DiskReserveBytes: 1})
	have := map[uint64]queue.Hash{}
	for _, site := range []queue.SiteID{"larkmoor", "highfell"} {
		var last log.Position
		for _, en := range logtest.Collect(t, s, site, 0) {
			last = log.Position{Seq: en.Seq, Hash: en.Hash()}
			have[en.Seq] = en.Hash()
		}
		logtest.Append(t, s, site, queue.CommandID(fmt.Sprintf("goes-on-%d", last.Seq)), last)
	}
	for _, p := range want {
		if have[p.Seq] != p.Hash {
			t.Fatalf("entry %d was acknowledged and is not there", p.Seq)
		}
	}
	if got := s.Report().Entries; got < uint64(len(want)) {
		t.Fatalf("%d entries, want at least %d", got, len(want))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestEveryBitIsGuarded flips random bits of the files, one at a time: none
// goes unnoticed.
func TestEveryBitIsGuarded(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	f := makeFixture(t, false, false)
	dir := f.copy(t)
	recs := records(t, dir)
	path := recs[0].Path
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for range 100 {
		at, bit := rng.IntN(len(whole)), uint(rng.IntN(8))
		if _, err := file.WriteAt([]byte{whole[at] ^ 1<<bit}, int64(at)); err != nil {
			t.Fatal(err)
		}
		rep, err := log.Verify(t.Context(), dir, nil)
		var d *log.DamageError
		if !errors.As(err, &d) {
			t.Errorf("bit %d of byte %d: %v (%+v), want a DamageError", bit, at, err, rep)
		} else if i, _ := slices.BinarySearchFunc(recs, int64(at), func(r log.RecordAt, at int64) int {
			if r.Offset+r.Size <= at {
				return -1
			} else if r.Offset > at {
				return 1
			}
			return 0
		}); d.Seq != recs[i].Seq {
			t.Errorf("bit %d of byte %d: entry %d is named, want %d: %v", bit, at, d.Seq, recs[i].Seq, d)
		}
		if _, err := file.WriteAt(whole[at:at+1], int64(at)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := log.Verify(t.Context(), dir, nil); err != nil {
		t.Errorf("the whole log: %v", err)
	}
}

// TestOldStoreIsFound: the store was put back to an older day, or that of
// another shop, while the high-water mark stayed.
func TestOldStoreIsFound(t *testing.T) {
	for name, c := range map[string]struct {
		other fixture
		kind  log.DamageKind
	}{
		"another log": {makeFixture(t, false, true), log.Changed},
		"older log":   {makeFixture(t, true, true), log.LostTail},
	} {
		t.Run(name, func(t *testing.T) {
			f := makeFixture(t, false, false)
			dir := f.copy(t)
			remove(t, filepath.Join(dir, "store"))
			if err := os.CopyFS(filepath.Join(dir, "store"), os.DirFS(filepath.Join(c.other.dir, "store"))); err != nil {
				t.Fatal(err)
			}
			_, err := log.Open(t.Context(), log.Options{Dir: dir})
			var d *log.DamageError
			if !errors.As(err, &d) || d.Kind != c.kind {
				t.Errorf("open: %v, want %v", err, c.kind)
			}
		})
	}
}

// TestIndexIsRebuilt: damage of the server's index loses nothing.
func TestIndexIsRebuilt(t *testing.T) {
	f := makeFixture(t, false, true)
	dir := f.copy(t)
	index := filepath.Join(log.StreamDir(dir), "msgs", "index.db")
	flip(t, index, 30, 2)
	expectWhole(t, dir, f.acked)
}

// TestUnfinishedEntryIsDropped: the process was killed while it wrote an entry
// that nobody was told of. The log opens, says so, keeps the bytes aside and
// goes on.
func TestUnfinishedEntryIsDropped(t *testing.T) {
	f := makeFixture(t, false, false)
	recs := records(t, f.dir)
	final := recs[len(recs)-1]
	b, err := os.ReadFile(final.Path)
	if err != nil {
		t.Fatal(err)
	}
	next := bytes.Clone(b[final.Offset:])
	binary.LittleEndian.PutUint64(next[4:], smallEntries+1) // its checksum is wrong now, too
	for _, n := range []int{1, 21, 22, 60, len(next) / 2, len(next) - 1, len(next)} {
		t.Run(fmt.Sprintf("%d bytes", n), func(t *testing.T) {
			t.Parallel()
			dir := f.copy(t)
			path := records(t, dir)[0].Path
			edit(t, path, func(b []byte) []byte { return append(b, next[:n]...) })
			before := tree(t, dir)
			rep, err := log.Verify(t.Context(), dir, nil)
			if err != nil || rep.Unfinished == "" || rep.Entries != smallEntries {
				t.Fatalf("Verify: %v, %+v", err, rep)
			}
			if names := changed(before, tree(t, dir)); len(names) > 0 {
				t.Errorf("Verify changed %q", names)
			}
			s := open(t, log.Options{Dir: dir})
			if r := s.Report(); !r.Unclean || !strings.Contains(r.Dropped, "entry 1001") || r.Entries != smallEntries {
				t.Errorf("report %+v", r)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if kept, _ := filepath.Glob(filepath.Join(dir, "dropped", "*")); len(kept) != 1 {
				t.Errorf("the dropped bytes are in %q", kept)
			}
			expectWhole(t, dir, f.acked)
		})
	}
}

// TestStartThatGotStuck: a start copied the store and then the power went,
// after the server had cut the files. The next start works on the copy.
func TestStartThatGotStuck(t *testing.T) {
	f := makeFixture(t, false, false)
	dir := f.copy(t)
	if err := os.CopyFS(filepath.Join(dir, log.CopyDir), os.DirFS(log.StreamDir(dir))); err != nil {
		t.Fatal(err)
	}
	path := records(t, dir)[0].Path
	edit(t, path, func(b []byte) []byte { return b[:len(b)/2] })
	expectWhole(t, dir, f.acked)
	if _, err := os.Stat(filepath.Join(dir, log.CopyDir)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the copy is still there: %v", err)
	}
}

// TestMarkDamaged: an unreadable high-water mark is told, and the rest of the
// checks go on.
func TestMarkDamaged(t *testing.T) {
	f := makeFixture(t, false, true)
	dir := f.copy(t)
	edit(t, filepath.Join(dir, "mark"), func(b []byte) []byte {
		for i := range b {
			b[i] ^= 0x55
		}
		return b
	})
	s := open(t, log.Options{Dir: dir})
	if r := s.Report(); r.MarkFound || r.Entries != smallEntries {
		t.Errorf("report %+v, want no mark and %d entries", r, smallEntries)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	expectWhole(t, dir, f.acked)
}
