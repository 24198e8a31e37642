package main

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestNotify: systemd hears, as sd_notify(3) has it, that a single shop is
// ready, alive and ending; /readyz answers while it runs.
func TestNotify(t *testing.T) {
	dir := t.TempDir()
	socket := filepath.Join(dir, "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "300000")
	hear := func(want string) {
		t.Helper()
		b := make([]byte, 100)
		for end := time.Now().Add(time.Minute); time.Now().Before(end); {
			_ = c.SetReadDeadline(end)
			n, err := c.Read(b)
			if err != nil {
				t.Fatalf("waiting for %s: %v", want, err)
			}
			if string(b[:n]) == want {
				return
			}
		}
		t.Fatalf("no %s", want)
	}
	s := serve(t, alwaysOpen(t, dir), filepath.Join(dir, "data"))
	hear("READY=1")
	hear("WATCHDOG=1")
	hear("WATCHDOG=1")
	if resp, err := http.Get(s.base + "/readyz"); err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("ready: %v %v", resp, err)
	} else {
		resp.Body.Close()
	}
	if err := s.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	hear("STOPPING=1")
	if err := s.cmd.Wait(); err != nil {
		t.Error(err)
	}
}
