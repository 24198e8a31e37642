package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/access"
	"tickover/services/ledger"
	"tickover/testdata"
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
	shop, secret := filepath.Join(dir, "shop.yaml"), filepath.Join(dir, "secret")
	for name, text := range map[string]string{shop: string(testdata.Larkmoor), secret: "a fox beside nine kettles\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	command(t, "account", "add", "olive", "--data", data, "--shop", shop, "--role", "owner", "--password-file", secret)
	command(t, "account", "add", "desk", "--data", data, "--shop", shop, "--role", "counter", "--no-password")
	if said := command(t, "backup", "--data", data, "--keep", "720h", backups); !strings.Contains(said, "2 accounts; it holds the hashes of passwords: a secret") {
		t.Errorf("the backup says nothing of accounts: %s", said)
	}
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
	if info, err := os.Stat(accountsBeside(files[0])); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the accounts of the backup: %v, %v; want a file for its owner alone", info, err)
	}
	if said := command(t, "restore", files[0], "--data", drill); !strings.Contains(said, "2 accounts, as they were then") {
		t.Errorf("the restore says nothing of accounts: %s", said)
	}
	command(t, "verify", "--data", drill)
	signsIn(t, drill, "olive", "a fox beside nine kettles")
	if list := command(t, "account", "list", "--data", drill, "--shop", shop); !strings.Contains(list, "olive") || !strings.Contains(list, "desk") {
		t.Errorf("restored accounts: %s", list)
	}
	got := fold(t, logDir(drill), "test")
	if got.Seq != want.Seq || got.LastEntry != want.LastEntry || len(got.Units) != len(want.Units) || len(got.OpenUnits()) != len(want.OpenUnits()) {
		t.Errorf("restored up to entry %d with %d units, want %d with %d", got.Seq, len(got.Units), want.Seq, len(want.Units))
	}
	if found := got.Audit(); len(found) > 0 {
		t.Errorf("the audit finds %v", found)
	}
}

// signsIn checks that an account of a stopped shop can sign in by a password,
// and by no other.
func signsIn(t *testing.T, data, id, password string) {
	t.Helper()
	srv, err := log.Open(t.Context(), log.Options{Dir: logDir(data)})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	store, err := access.OpenJetStream(t.Context(), nc, "larkmoor", 0, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	desk, err := access.New(access.Options{Store: store, Now: time.Now, Random: rand.Reader, Logger: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := desk.SignIn(t.Context(), id, password, access.Origin{Address: "127.0.0.1"}); err != nil {
		t.Errorf("%s can't sign in to the restored shop: %v", id, err)
	}
	if _, err := desk.SignIn(t.Context(), id, password+"x", access.Origin{Address: "127.0.0.1"}); err == nil {
		t.Errorf("%s signs in with a wrong password", id)
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
