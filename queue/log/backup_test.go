package log_test

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// TestBackupAndRestore: a backup of a running log, taken while it grows, is
// restored elsewhere: same entries, numbers, hashes and times.
func TestBackupAndRestore(t *testing.T) {
	f := makeFixture(t, false, true)
	s := open(t, log.Options{Dir: f.copy(t), Program: "1.2.3"})
	growing := make(chan error, 1)
	go func() {
		last, err := s.Last(t.Context(), site)
		for i := 0; i < 50 && err == nil; i++ {
			en := logtest.Entry(site, queue.CommandID(fmt.Sprintf("meanwhile%d", i)), 1, last)
			logtest.Link(en, queue.UnitID(fmt.Sprintf("M%d", i)))
			last.Seq, err = s.Append(t.Context(), en, last.Seq)
			last.Hash = en.Hash()
		}
		growing <- err
	}()
	path := filepath.Join(t.TempDir(), "backup.tgz")
	var heard int
	rep, err := s.Backup(t.Context(), path, func(done, total int64) {
		if heard++; done > total {
			t.Errorf("progress %d of %d", done, total)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := <-growing; err != nil {
		t.Fatal(err)
	}
	if rep.Entries < smallEntries || heard == 0 {
		t.Errorf("%d entries in the backup, progress heard %d times", rep.Entries, heard)
	}
	again, err := log.VerifyBackup(t.Context(), path, nil)
	if err != nil || again.Entries != rep.Entries || again.Last != rep.Last || again.Events == 0 {
		t.Fatalf("verify the backup: %v, %+v, want %+v", err, again, rep)
	}
	online, err := s.Verify(t.Context(), nil)
	if err != nil || online.Entries < rep.Entries || online.Events <= online.Entries {
		t.Errorf("verify the running log: %v, %+v", err, online)
	}
	if _, err := s.Backup(t.Context(), path, nil); err == nil || !strings.Contains(err.Error(), "exists") {
		t.Errorf("backup over a file: %v, want a refusal", err)
	}

	dir := filepath.Join(t.TempDir(), "restored")
	back, err := log.Restore(t.Context(), path, dir, log.RestoreOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(rep.Sites, back.Sites); d != "" {
		t.Errorf("sites restored (-want +got):\n%s", d)
	}
	re := open(t, log.Options{Dir: dir})
	for _, site := range []queue.SiteID{"larkmoor", "highfell"} {
		want, got := logtest.Collect(t, s, site, 0), logtest.Collect(t, re, site, 0)
		for i, en := range got {
			if w := want[i]; en.Seq != w.Seq || en.Hash() != w.Hash() || !en.Stored.Equal(w.Stored) {
				t.Fatalf("entry %d: %d %v %.8s, want %d %v %.8s", i, en.Seq, en.Stored, en.Hash(), w.Seq, w.Stored, w.Hash())
			}
		}
	}
	if err := re.Close(); err != nil {
		t.Fatal(err)
	}
	expectWhole(t, dir, f.acked)
	if _, err := log.Restore(t.Context(), path, dir, log.RestoreOptions{}); !errors.Is(err, log.ErrNotEmpty) {
		t.Errorf("restore over a log: %v, want ErrNotEmpty", err)
	}
	expectWhole(t, dir, f.acked)
}

// TestBackupDamaged: a backup that was cut or changed anywhere is refused, and
// the log that is there stays.
func TestBackupDamaged(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	f := makeFixture(t, false, true)
	whole, err := os.ReadFile(f.backup)
	if err != nil {
		t.Fatal(err)
	}
	plain := gunzip(t, f.backup)
	dir := f.copy(t)
	before := tree(t, dir)
	try := func(name string, data []byte) {
		t.Helper()
		path := filepath.Join(t.TempDir(), "bad.tgz")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := log.VerifyBackup(t.Context(), path, nil); !errors.Is(err, log.ErrBackup) {
			t.Errorf("%s: %v, want ErrBackup", name, err)
		}
		if _, err := log.Restore(t.Context(), path, dir, log.RestoreOptions{SetAside: true}); !errors.Is(err, log.ErrBackup) {
			t.Errorf("%s: restore: %v, want ErrBackup", name, err)
		}
	}
	try("empty", nil)
	try("text", []byte("not a backup"))
	for range 10 {
		n := 1 + rng.IntN(len(whole)-1)
		try(fmt.Sprintf("cut at %d", n), whole[:n])
		b := append([]byte(nil), whole...)
		i := 12 + rng.IntN(len(b)-12)
		b[i] ^= 1 << rng.IntN(8)
		try(fmt.Sprintf("byte %d changed", i), b)
	}
	// Somebody changes a word inside and packs it again.
	edited := strings.Replace(plain, "cable of", "noise of", 1)
	try("text changed", gzipped(t, edited))
	if names := changed(before, tree(t, dir)); len(names) > 0 {
		t.Errorf("refused restores changed %q", names)
	}
	expectWhole(t, dir, f.acked)
}

func gunzip(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func gzipped(t *testing.T, text string) []byte {
	t.Helper()
	var b strings.Builder
	z := gzip.NewWriter(&b)
	if _, err := io.WriteString(z, text); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return []byte(b.String())
}

// TestRestoreCutOff: a restore that was cut off while it moved files is not
// taken for an empty log; running it again finishes it.
func TestRestoreCutOff(t *testing.T) {
	f := makeFixture(t, false, true)
	dir := f.copy(t)
	remove(t, filepath.Join(dir, "store"))
	remove(t, filepath.Join(dir, "mark"))
	if err := os.WriteFile(filepath.Join(dir, log.RestorePending), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := log.Open(t.Context(), log.Options{Dir: dir}); err == nil || !strings.Contains(err.Error(), "cut off") {
		t.Fatalf("open: %v, want that a restore was cut off", err)
	}
	if _, err := log.Restore(t.Context(), f.backup, dir, log.RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	expectWhole(t, dir, f.acked)
}

func TestVerifyOfNothing(t *testing.T) {
	dir := t.TempDir()
	if _, err := log.Verify(t.Context(), dir, nil); err == nil || !strings.Contains(err.Error(), "holds no log") {
		t.Errorf("verify: %v, want that there is no log", err)
	}
	if names := tree(t, dir); len(names) > 1 {
		t.Errorf("verify left %v", names)
	}
}

func TestSnapshots(t *testing.T) {
	o := log.Options{Dir: t.TempDir()}
	s := open(t, o)
	all := logtest.Fill(t, s, site, "c", 10, log.Position{})
	load := func(l *log.Server, format int) (*log.Snapshot, []log.Ignored) {
		t.Helper()
		sn, ignored, err := l.LoadSnapshot(t.Context(), site, format)
		if err != nil {
			t.Fatal(err)
		}
		return sn, ignored
	}
	if sn, ignored := load(s, 1); sn != nil || ignored != nil {
		t.Errorf("snapshot of nothing: %v, %v", sn, ignored)
	}
	for _, p := range all[5:] {
		sn := log.Snapshot{Site: site, Seq: p.Seq, Hash: p.Hash, Format: 1, Data: fmt.Appendf(nil, "state\n at %d", p.Seq)}
		if err := s.SaveSnapshot(t.Context(), sn); err != nil {
			t.Fatal(err)
		}
	}
	for name, sn := range map[string]log.Snapshot{
		"other hash": {Site: site, Seq: all[1].Seq, Hash: all[2].Hash},
		"no entry":   {Site: site, Seq: 99, Hash: all[2].Hash},
		"other site": {Site: "highfell", Seq: all[1].Seq, Hash: all[1].Hash},
	} {
		if err := s.SaveSnapshot(t.Context(), sn); err == nil {
			t.Errorf("snapshot with %s was saved", name)
		}
	}
	files, err := filepath.Glob(filepath.Join(o.Dir, "snapshots", "*"))
	if err != nil || len(files) != 2 {
		t.Fatalf("files %q, %v, want the last two", files, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, o)
	if sn, ignored := load(s, 1); sn == nil || sn.Seq != all[9].Seq || string(sn.Data) != "state\n at 10" || ignored != nil {
		t.Errorf("loaded %+v, ignored %v", sn, ignored)
	}
	if sn, ignored := load(s, 2); sn != nil || len(ignored) != 2 || !strings.Contains(ignored[0].Why, "format 1, want 2") {
		t.Errorf("with another format: %+v, ignored %v", sn, ignored)
	}
	// Every byte of the newest is guarded; the one before it is used then.
	whole, err := os.ReadFile(files[1])
	if err != nil {
		t.Fatal(err)
	}
	for i := range whole {
		edit(t, files[1], func(b []byte) []byte { b[i] ^= 4; return b })
		if sn, ignored := load(s, 1); sn == nil || sn.Seq != all[8].Seq || len(ignored) != 1 {
			t.Fatalf("byte %d changed: loaded %+v, ignored %v", i, sn, ignored)
		}
		edit(t, files[1], func(b []byte) []byte { b[i] ^= 4; return b })
	}
	// A log that was restored to an older day does not have its entry.
	remove(t, files[0])
	other := open(t, log.Options{Dir: t.TempDir()})
	logtest.Fill(t, other, site, "other", 10, log.Position{})
	sn, ignored, err := log.NewSnapshots(filepath.Join(o.Dir, "snapshots"), other).Load(t.Context(), site, 1)
	if err != nil || sn != nil || len(ignored) != 1 || !strings.Contains(ignored[0].Why, "not the one in the log") {
		t.Errorf("with another log: %+v, ignored %v, %v", sn, ignored, err)
	}
}
