package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/deploy/deploytest"
	"tickover/queue/log"
)

// doctor runs it and returns the line of each thing that it looked at.
func doctor(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(t.Context(), append([]string{"doctor"}, args...), streams{&out, &errs})
	if wrong := strings.Contains(out.String(), "WRONG"); wrong != (code == exitFailed) {
		t.Errorf("exit code %d with\n%s%s", code, &out, &errs)
	}
	return out.String()
}

func says(t *testing.T, out, want string) {
	t.Helper()
	if !strings.Contains(out, want) {
		t.Errorf("doctor does not say %q but\n%s", want, out)
	}
}

// TestDoctor: what is well is well, and each thing that is broken is named,
// with what to do.
func TestDoctor(t *testing.T) {
	dir := t.TempDir()
	data, backups := filepath.Join(dir, "data"), filepath.Join(dir, "backups")
	says(t, doctor(t, "--data", data), "it is not there")
	smallLog(t, logDir(data))
	if err := os.Chmod(data, 0o700); err != nil {
		t.Fatal(err)
	}
	r := deploytest.StartRedis(t)
	out := doctor(t, "--data", data, "--redis", r.URL(), "--listen", "127.0.0.1:0", "--shop", alwaysOpen(t, dir))
	for _, want := range []string{"ok     data directory", "ok     log: ", "ok     Redis", "ok     address 127.0.0.1:0: free", "ok     shop file"} {
		says(t, out, want)
	}
	r.Kill()
	out = doctor(t, "--data", data, "--redis", r.URL(), "--listen", "127.0.0.1:99999", "--shop", filepath.Join(dir, "none.yaml"), "--backups", backups,
		"--tls-cert", filepath.Join(dir, "none.pem"), "--tls-key", filepath.Join(dir, "none.key"))
	for _, want := range []string{"WRONG  Redis", "WRONG  address", "WRONG  shop file", "WRONG  backups", "WRONG  certificate"} {
		says(t, out, want)
	}

	command(t, "backup", "--data", data, backups+"/")
	says(t, doctor(t, "--data", data, "--backups", backups), "ok     newest backup")
	files, _ := filepath.Glob(filepath.Join(backups, "*.tar.gz"))
	old := filepath.Join(backups, time.Now().UTC().Add(-50*time.Hour).Format(backupName))
	if err := os.Rename(files[0], old); err != nil {
		t.Fatal(err)
	}
	says(t, doctor(t, "--data", data, "--backups", backups), "it is 50h0m0s old")
	b, err := os.ReadFile(old)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(old, b, 0o600); err != nil {
		t.Fatal(err)
	}
	says(t, doctor(t, "--data", data, "--backups", backups), "make a new one at once")

	srv, err := log.Open(t.Context(), log.Options{Dir: logDir(data)})
	if err != nil {
		t.Fatal(err)
	}
	says(t, doctor(t, "--data", data), "ok     log: in use")
	if err := srv.Close(); err != nil {
		t.Fatal(err)
	}
	blocks, err := filepath.Glob(filepath.Join(logDir(data), "store", "jetstream", "$G", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("blocks: %q, %v", blocks, err)
	}
	if b, err = os.ReadFile(blocks[0]); err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(blocks[0], b, 0o600); err != nil {
		t.Fatal(err)
	}
	says(t, doctor(t, "--data", data), "WRONG  log")
	if err := os.Chmod(data, 0o755); err != nil {
		t.Fatal(err)
	}
	says(t, doctor(t, "--data", data), "everybody on this machine can read it")
}
