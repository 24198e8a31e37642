package main

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// lines reads a process's output line by line, for a test that waits for one.
type lines struct {
	c    chan string
	seen []string
}

func readLines(t *testing.T, cmd *exec.Cmd) *lines {
	t.Helper()
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	l := &lines{c: make(chan string, 1000)}
	go func() {
		defer close(l.c)
		for sc := bufio.NewScanner(out); sc.Scan(); {
			l.c <- sc.Text()
		}
	}()
	return l
}

// waitFor fails unless a line with all the words comes within half a minute.
func (l *lines) waitFor(t *testing.T, words ...string) {
	t.Helper()
	limit := time.After(30 * time.Second)
	for {
		select {
		case line, ok := <-l.c:
			if !ok {
				t.Fatalf("the program ended without %q; it said\n%s", words, strings.Join(l.seen, "\n"))
			}
			l.seen = append(l.seen, line)
			all := true
			for _, w := range words {
				all = all && strings.Contains(line, w)
			}
			if all {
				return
			}
		case <-limit:
			t.Fatalf("no line with %q; it said\n%s", words, strings.Join(l.seen, "\n"))
		}
	}
}

// TestBenchOnItsOwn runs a bench's worker as a process of its own: it gets the
// bench's next job over the network, shows what runs there, and a worker that
// was killed shows it again.
func TestBenchOnItsOwn(t *testing.T) {
	dir := t.TempDir()
	token := filepath.Join(dir, "token")
	if err := os.WriteFile(token, []byte("a-secret-of-the-test\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nats := free.Addr().String()
	free.Close()
	s := serve(t, alwaysOpen(t, dir), filepath.Join(dir, "data"), "--workers", nats, "--token", token, "--away", "b3", "--away", "b4")
	defer s.kill(t)

	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	start := func() (*exec.Cmd, *lines) {
		cmd := exec.Command(bin, "bench", "--bench", "b3", "--site", "larkmoor", "--server", "nats://"+nats, "--token", token)
		cmd.Stderr = os.Stderr
		out := readLines(t, cmd)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd, out
	}
	cmd, out := start()
	out.waitFor(t, "bench b3 of larkmoor: working")
	post := func(path string, body map[string]any, id string) {
		t.Helper()
		body["command_id"], body["actor"] = id, "ruth"
		if answer, status, err := s.post(context.Background(), path, body); err != nil || status != http.StatusOK {
			t.Fatalf("%s: %d %v %v", path, status, answer, err)
		}
	}
	post("/units", arrival("N1"), "n1")
	post("/units", arrival("N2"), "n2") // one for each electrical bench
	out.waitFor(t, "next: flash of N")

	start1 := map[string]any{"technician": "ruth", "resources": []string{"b3", "i1", "c1"}, "evidence": map[string]string{"battery_v": "12.7"}}
	post("/units/N1/steps/flash/start", start1, "s1")
	out.waitFor(t, "flash of N1, ruth: running, part 1 of 3")
	post("/units/N1/steps/flash/advance", map[string]any{"stretch": 1}, "a1")
	out.waitFor(t, "flash of N1, ruth: running, part 2 of 3 (hands-off until")

	if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed; that is no news
	cmd, out = start()
	out.waitFor(t, "flash of N1, ruth: running, part 2 of 3 (hands-off until")
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("the worker ended with %v", err)
	}
}
