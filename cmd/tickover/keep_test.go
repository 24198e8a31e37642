package main

import (
	"bytes"
	"image"
	"image/jpeg"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"tickover/services/photos"
)

// keep takes a photo at a floor and backs the deployment up with the key of the
// role backup, which reads and writes nothing. A shop restored from it has the
// units, the accounts and the photo.
func (d *deployment) keep(t *testing.T, backup []string, post func(path, kind string, b []byte) string) {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 64, 48)), nil); err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`"sha256":"([0-9a-f]{64})"`).FindStringSubmatch(post("/api/v1/photos", "image/jpeg", b.Bytes()))
	if m == nil {
		t.Fatal("the floor kept no photo")
	}
	file, data := filepath.Join(d.dir, "backup.tar.gz"), filepath.Join(d.dir, "drill")
	run := func(want string, args ...string) {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), d.bin, args...).CombinedOutput()
		if err != nil || !strings.Contains(string(out), want) {
			t.Fatalf("%v: %v; want %q in\n%s", args[0], err, want, out)
		}
		d.silent(t, args[0], string(out))
	}
	run("written and read back", append([]string{"backup", "--nats", d.URLs(), file}, backup...)...)
	run("saltburn: 1 photos, each what its name says", "verify", "--backup", file)
	run("restored from", "restore", file, "--data", data)
	kept, err := photos.Open(photoDir(data))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := kept.Get(photos.Hash(m[1])); err != nil || !bytes.Equal(got, b.Bytes()) {
		t.Errorf("the restored shop has not the photo: %v", err)
	}
	st := fold(t, logDir(data), "saltburn")
	if found := st.Audit(); st.Units["F-1"] == nil || st.Units["F-3"] == nil || len(found) > 0 {
		t.Errorf("the restored shop has %d units; the audit finds %v", len(st.Units), found)
	}
	run("olive", "account", "list", "--data", data, "--shop", filepath.Join(d.dir, "saltburn.yaml"))
}
