package deploytest

import (
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// MayMount runs the test once more in a process that may mount: as root at
// once, otherwise as root of a name space of its own. Where neither is allowed
// the test fails and says so.
func MayMount(t *testing.T, run func(t *testing.T)) {
	t.Helper()
	if os.Getuid() == 0 {
		run(t)
		return
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	only := "^" + t.Name() + "$"
	if _, parts, ok := strings.Cut(flag.Lookup("test.run").Value.String(), "/"); ok {
		only += "/" + parts
	}
	cmd := exec.Command(exe, "-test.v", "-test.run="+only)
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
	}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("this test fills a small file system of its own; run it as root, or allow user name spaces: %v\n%s", err, out)
	}
	t.Logf("ran as root of a name space:\n%s", out)
}

// SmallDisk mounts a small file system, in a test that [MayMount].
func SmallDisk(t testing.TB, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Fatalf("mount a small file system: %v", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, 0); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return dir
}

// FillDisk writes a file until the file system of the directory takes no more
// byte, and returns it.
func FillDisk(t testing.TB, dir string) string {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "ballast"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, size := range []int{64 << 10, 1} {
		for chunk := make([]byte, size); err == nil; {
			_, err = f.Write(chunk)
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
		err = nil
	}
	return f.Name()
}
