package deploytest

import (
	"encoding/binary"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// Clock is the wall clock of one process, or of all that run on one machine.
// Programs made by [Build] with a clock add its offset to what time.Now reads;
// time that passes (timers, deadlines, time.Since) is not touched, as when the
// administrator or a time service sets a machine's clock.
type Clock struct{ file string }

// clockVariable names the file with a process's offset: nanoseconds, 8 bytes.
const clockVariable = "TICKOVER_TEST_CLOCK"

// NewClock is a clock that is right.
func NewClock(t testing.TB) *Clock {
	t.Helper()
	c := &Clock{filepath.Join(t.TempDir(), "clock")}
	if err := os.WriteFile(c.file, make([]byte, 8), 0o600); err != nil {
		t.Fatal(err)
	}
	return c
}

// Env gives a process this clock.
func (c *Clock) Env() string { return clockVariable + "=" + c.file }

// Set puts the clock ahead of the true one by d, while the process runs.
func (c *Clock) Set(t testing.TB, d time.Duration) {
	t.Helper()
	f, err := os.OpenFile(c.file, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	// Processes have the file mapped: the same bytes, all at once.
	if _, err := f.WriteAt(binary.NativeEndian.AppendUint64(nil, uint64(d)), 0); err != nil {
		t.Fatal(err)
	}
}

// Go reads the clock without the C library, so nothing can be put before it
// from outside. The standard library's own source is overlaid instead: one
// line of time.Now, and this file beside it.
const (
	clockNow    = "\tsec, nsec, mono := runtimeNow()\n\tif mono == 0 {"
	clockNowSet = "\tsec, nsec, mono := runtimeNow()\n\tsec, nsec = testClock(sec, nsec)\n\tif mono == 0 {"
	clockSource = `package time

import (
	"sync/atomic"
	"syscall"
	"unsafe"
)

var testOffset = func() *int64 {
	name, ok := syscall.Getenv("` + clockVariable + `")
	if !ok {
		return new(int64)
	}
	fd, err := syscall.Open(name, syscall.O_RDONLY, 0)
	if err != nil {
		panic("test clock: " + err.Error())
	}
	defer syscall.Close(fd)
	b, err := syscall.Mmap(fd, 0, 8, syscall.PROT_READ, syscall.MAP_SHARED)
	if err != nil {
		panic("test clock: " + err.Error())
	}
	return (*int64)(unsafe.Pointer(&b[0]))
}()

func testClock(sec int64, nsec int32) (int64, int32) {
	if testOffset == nil {
		return sec, nsec // the package is being initialized
	}
	off := atomic.LoadInt64(testOffset)
	sec, n := sec+off/1e9, int64(nsec)+off%1e9
	switch {
	case n < 0:
		sec, n = sec-1, n+1e9
	case n >= 1e9:
		sec, n = sec+1, n-1e9
	}
	return sec, int32(n)
}
`
)

// Build makes a package's program with a clock that can be set, and returns its
// file. It compiles the standard library too, which takes minutes the first
// time.
func Build(t testing.TB, pkg, name string) string {
	t.Helper()
	dir := filepath.Join(os.TempDir(), "tickover-clock")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	std := filepath.Join(goroot(t), "src", "time")
	src, err := os.ReadFile(filepath.Join(std, "time.go"))
	if err != nil {
		t.Fatal(err)
	}
	if strings.Count(string(src), clockNow) != 1 {
		t.Fatalf("time.Now of %s is not the one that is known here", runtime.Version())
	}
	// Names that stay the same let the go command know what it has built.
	files := map[string]string{"time.go": strings.Replace(string(src), clockNow, clockNowSet, 1), "testclock.go": clockSource}
	replace := map[string]string{}
	for base, text := range files {
		replace[filepath.Join(std, base)] = filepath.Join(dir, base)
		if err := os.WriteFile(filepath.Join(dir, base), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	overlay, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(file, overlay, 0o600); err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(dir, name)
	if out, err := exec.Command("go", "build", "-overlay", file, "-o", bin, pkg).CombinedOutput(); err != nil {
		t.Fatalf("build %s with a clock that can be set: %v\n%s", pkg, err, out)
	}
	return bin
}

func goroot(t testing.TB) string {
	t.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}
