package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/ledger"
)

var newFormatLog = flag.Bool("new-format-log", false, "write testdata/log-format-N.tar.gz of the present format, if it is not there")

// command runs the command line and returns what it says.
func command(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(t.Context(), args, streams{&out, &errs}); code != exitOK {
		t.Fatalf("tickover %s: exit code %d\n%s%s", strings.Join(args, " "), code, &out, &errs)
	}
	return out.String()
}

// smallLog is a log of a random walk through a shop.
func smallLog(t *testing.T, dir string) *queue.State {
	t.Helper()
	srv, err := log.Open(t.Context(), log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	w := queuetest.NewWalk(20260216, 1)
	for range 250 {
		_, _ = w.Step()
	}
	var last uint64
	for i := range w.Site.Entries {
		en := w.Site.Entries[i]
		if last, err = srv.Append(t.Context(), &en, last); err != nil {
			t.Fatal(err)
		}
	}
	return w.Site.State
}

// fold is the state that a log directory tells.
func fold(t *testing.T, dir string, site queue.SiteID) *queue.State {
	t.Helper()
	srv, err := log.Open(t.Context(), log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	l, err := ledger.Open(context.Background(), ledger.Options{Site: site, Log: srv, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	return l.View()
}

// TestRestoreDrill is the drill of deploy/README.md: backup into a folder, old
// ones go, the new one verifies, and a shop restored from it is the shop.
func TestRestoreDrill(t *testing.T) {
	dir := t.TempDir()
	data, backups, drill := filepath.Join(dir, "data"), filepath.Join(dir, "backups")+"/", filepath.Join(dir, "drill")
	want := smallLog(t, logDir(data))
	if err := os.MkdirAll(backups, 0o700); err != nil {
		t.Fatal(err)
	}
	old := time.Now().UTC().Add(-40 * 24 * time.Hour).Format(backupName)
	for _, name := range []string{old, "notes.txt", "tickover-backup.tar.gz"} {
		if err := os.WriteFile(filepath.Join(backups, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	command(t, "backup", "--data", data, "--keep", "720h", backups)
	files, err := filepath.Glob(filepath.Join(backups, "tickover-2*.tar.gz"))
	if err != nil || len(files) != 1 {
		t.Fatalf("backups are %q, %v; want the new one alone", files, err)
	}
	for _, name := range []string{"notes.txt", "tickover-backup.tar.gz"} {
		if _, err := os.Stat(filepath.Join(backups, name)); err != nil {
			t.Errorf("a file that is no backup of ours is gone: %v", err)
		}
	}
	command(t, "verify", "--backup", files[0])
	command(t, "restore", files[0], "--data", drill)
	command(t, "verify", "--data", drill)
	got := fold(t, logDir(drill), "test")
	if got.Seq != want.Seq || got.LastEntry != want.LastEntry || len(got.Units) != len(want.Units) || len(got.OpenUnits()) != len(want.OpenUnits()) {
		t.Errorf("restored up to entry %d with %d units, want %d with %d", got.Seq, len(got.Units), want.Seq, len(want.Units))
	}
	if found := got.Audit(); len(found) > 0 {
		t.Errorf("the audit finds %v", found)
	}
}

// TestFormerFormats: logs that each format of the past left are read by this
// program, whole and without a finding.
func TestFormerFormats(t *testing.T) {
	present := fmt.Sprintf("testdata/log-format-%d.tar.gz", queue.FormatVersion)
	if _, err := os.Stat(present); err != nil && *newFormatLog {
		dir := t.TempDir()
		smallLog(t, logDir(dir))
		command(t, "backup", "--data", dir, present)
	}
	for format := 1; format <= queue.FormatVersion; format++ {
		file := fmt.Sprintf("testdata/log-format-%d.tar.gz", format)
		if _, err := os.Stat(file); err != nil {
			t.Errorf("there is no log of format %d: go test ./cmd/tickover -run TestFormerFormats -new-format-log, with the program that writes it (%v)", format, err)
			continue
		}
		dir := t.TempDir()
		command(t, "restore", file, "--data", dir)
		st := fold(t, logDir(dir), "test")
		if st.Seq < 50 || len(st.Units) < 5 || len(st.Unknown) != 0 {
			t.Errorf("format %d: %d entries, %d units, unknown events %v", format, st.Seq, len(st.Units), st.Unknown)
		}
		if found := st.Audit(); len(found) > 0 {
			t.Errorf("format %d: the audit finds %v", format, found)
		}
		// And it goes on from there.
		srv, err := log.Open(t.Context(), log.Options{Dir: logDir(dir)})
		if err != nil {
			t.Fatal(err)
		}
		l, err := ledger.Open(t.Context(), ledger.Options{Site: "test", Log: srv, Now: func() time.Time { return queuetest.Monday.AddDate(0, 0, 7) }})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Do(t.Context(), queue.Command{ID: "after", At: queuetest.Monday.AddDate(0, 0, 7),
			Action: &queue.ReceiveUnit{Unit: "NEW-1", Arrival: queuetest.Arrival("flash-only", queuetest.Monday.AddDate(0, 0, 8))}}); err != nil {
			t.Errorf("format %d: the log does not go on: %v", format, err)
		}
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
	}
}
