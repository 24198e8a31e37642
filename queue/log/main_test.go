package log_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv("LOGTEST_CHILD_DIR"); dir != "" {
		if err := child(dir); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		return
	}
	code := m.Run()
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	for _, f := range ends {
		f()
	}
	os.Exit(code)
}

// child is the program of the tests that kill one: it opens the log, appends
// LOGTEST_CHILD_ENTRIES entries of LOGTEST_CHILD_BYTES (0 entries: until it is
// killed), says what was acknowledged, and waits.
func child(dir string) error {
	number := func(key string) int { n, _ := strconv.Atoi(os.Getenv(key)); return n }
	if limit := number("LOGTEST_CHILD_FSIZE"); limit > 0 {
		// Writes beyond it then fail, as they do on a full disk, instead of
		// ending the process.
		signal.Ignore(syscall.SIGXFSZ)
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: uint64(limit), Max: uint64(limit)}); err != nil {
			return err
		}
	}
	ctx := context.Background()
	s, err := log.Open(ctx, log.Options{Dir: dir, DiskReserveBytes: 1})
	if err != nil {
		return err
	}
	fmt.Println("open")
	sites := []queue.SiteID{"larkmoor", "highfell"}
	last := map[queue.SiteID]log.Position{}
	for _, site := range sites {
		if last[site], err = s.Last(ctx, site); err != nil {
			return err
		}
	}
	n, size := number("LOGTEST_CHILD_ENTRIES"), number("LOGTEST_CHILD_BYTES")
	for i := 0; n == 0 || i < n; i++ {
		site := sites[i%5/4] // one of five is of the other site
		en := logtest.Entry(site, queue.CommandID(fmt.Sprintf("p%d-%d", os.Getpid(), i)), 1+i%3, last[site])
		en.Events[0].Data.(*queue.ProblemReported).Reason += strings.Repeat("x", size)
		logtest.Link(en, queue.UnitID(fmt.Sprintf("T%d-%d", os.Getpid(), i)))
		seq, err := s.Append(ctx, en, last[site].Seq)
		if err != nil {
			fmt.Println("refused", strings.ReplaceAll(err.Error(), "\n", " "))
			if errors.Is(err, log.ErrNotDurable) {
				break
			}
			return err
		}
		last[site] = log.Position{Seq: seq, Hash: en.Hash()}
		fmt.Println("acked", seq, en.Hash())
	}
	if os.Getenv("LOGTEST_CHILD_CLOSE") != "" {
		return s.Close()
	}
	fmt.Println("idle")
	_, err = io.Copy(io.Discard, os.Stdin) // until killed
	return err
}

// process is a running child.
type process struct {
	*exec.Cmd
	lines *bufio.Scanner
	stdin io.Closer
}

func startChild(t testing.TB, dir string, env ...string) *process {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), "LOGTEST_CHILD_DIR="+dir)
	cmd.Env = append(cmd.Env, env...)
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &process{cmd, bufio.NewScanner(out), stdin}
	t.Cleanup(p.kill)
	return p
}

// until reads the child's lines up to one that begins with word.
func (p *process) until(t testing.TB, word string) (lines []string) {
	t.Helper()
	for p.lines.Scan() {
		lines = append(lines, p.lines.Text())
		if strings.HasPrefix(p.lines.Text(), word) {
			return lines
		}
	}
	t.Fatalf("child ended before it said %q: %q", word, lines)
	return nil
}

// kill ends the child as a power button does, and waits.
func (p *process) kill() {
	_ = p.Process.Kill()
	_ = p.Wait()
}

// acked takes the acknowledged positions out of the child's lines.
func acked(lines []string) (all []log.Position) {
	for _, l := range lines {
		var seq uint64
		var hash queue.Hash
		if n, _ := fmt.Sscanf(l, "acked %d %s", &seq, &hash); n == 2 {
			all = append(all, log.Position{Seq: seq, Hash: hash})
		}
	}
	return all
}

var natsBinary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "logtest-nats-")
	if err != nil {
		return "", err
	}
	atEnd(func() { _ = os.RemoveAll(dir) })
	bin := dir + "/nats-server"
	out, err := exec.Command("go", "build", "-o", bin, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build the server of go.mod: %w\n%s", err, out)
	}
	return bin, nil
})

var (
	endsMu sync.Mutex
	ends   []func()
)

// atEnd registers what is to be cleaned up after all tests.
func atEnd(f func()) {
	endsMu.Lock()
	ends = append(ends, f)
	endsMu.Unlock()
}
