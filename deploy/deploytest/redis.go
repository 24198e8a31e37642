// Package deploytest starts what a deployment consists of, as real processes,
// for tests: Redis, NATS nodes, and a proxy that breaks what goes through it.
// A program that is missing fails the test and says how to get it.
package deploytest

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
)

// Redis is a redis-server process on a port of its own.
type Redis struct {
	Addr     string
	Password string // "": none
	args     []string
	cmd      *exec.Cmd
	out      *lines
}

// URL is the address as the program takes it.
func (r *Redis) URL() string {
	if r.Password != "" {
		return "redis://:" + r.Password + "@" + r.Addr + "/0"
	}
	return "redis://" + r.Addr + "/0"
}

// StartClosedRedis starts a server that asks for a password.
func StartClosedRedis(t testing.TB, password string) *Redis {
	t.Helper()
	r := StartRedis(t, "--save", "", "--appendonly", "no", "--requirepass", password)
	r.Password = password
	return r
}

// Output is the end of what the server wrote.
func (r *Redis) Output() string { return r.out.String() }

// StartRedis starts a server that ends with the test; args are further
// arguments, for example a configuration file first.
func StartRedis(t testing.TB, args ...string) *Redis {
	t.Helper()
	if _, err := exec.LookPath("redis-server"); err != nil {
		t.Fatal("redis-server is missing; run: make deps (Debian, Ubuntu: apt-get install redis-server)")
	}
	port := FreePort(t)
	r := &Redis{Addr: fmt.Sprintf("127.0.0.1:%d", port)}
	r.args = append(args, "--bind", "127.0.0.1", "--port", fmt.Sprint(port), "--dir", t.TempDir(), "--daemonize", "no", "--logfile", "")
	if len(args) == 0 {
		r.args = append(r.args, "--save", "", "--appendonly", "no")
	}
	r.Start(t)
	t.Cleanup(r.Kill)
	return r
}

// Start starts the process, again after Kill, and waits until it answers.
func (r *Redis) Start(t testing.TB) {
	t.Helper()
	r.out = &lines{}
	r.cmd = exec.Command("redis-server", r.args...)
	r.cmd.Stdout, r.cmd.Stderr = r.out, r.out
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	redis.SetLogger(silent{}) // it is not there yet, and the library would say so
	c := redis.NewClient(&redis.Options{Addr: r.Addr, MaxRetries: -1, DialerRetries: 1})
	defer c.Close()
	WaitFor(t, "redis-server to answer", 10*time.Second, func() error {
		if err := c.Ping(context.Background()).Err(); err != nil && !authNeeded(err) {
			return fmt.Errorf("%w\n%s", err, r.out)
		}
		return nil
	})
}

type silent struct{}

func (silent) Printf(context.Context, string, ...any) {}

func authNeeded(err error) bool { return bytes.Contains([]byte(err.Error()), []byte("NOAUTH")) }

// Kill ends the process without warning, and waits for its end.
func (r *Redis) Kill() { kill(r.cmd) }

// Flush empties it.
func (r *Redis) Flush(t testing.TB) {
	t.Helper()
	c := redis.NewClient(&redis.Options{Addr: r.Addr, Password: r.Password})
	defer c.Close()
	if err := c.FlushAll(context.Background()).Err(); err != nil {
		t.Fatal(err)
	}
}

func kill(cmd *exec.Cmd) {
	if cmd == nil || cmd.Process == nil {
		return
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
}

// handedOut are the ports that FreePort has named: the system may name one again
// as soon as nobody listens on it.
var handedOut sync.Map

// FreePort is a port that nobody listens on now, another one each time.
func FreePort(t testing.TB) int {
	t.Helper()
	for {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		port := l.Addr().(*net.TCPAddr).Port
		l.Close()
		if _, again := handedOut.LoadOrStore(port, true); !again {
			return port
		}
	}
}

// WaitFor calls f until it has no error.
func WaitFor(t testing.TB, what string, most time.Duration, f func() error) {
	t.Helper()
	end := time.Now().Add(most)
	for {
		err := f()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("waited %v for %s: %v", most, what, err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// lines keeps the end of what a process wrote.
type lines struct {
	mu sync.Mutex
	b  []byte
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.b = append(l.b, p...)
	if n := len(l.b) - 64<<10; n > 0 {
		l.b = l.b[n:]
	}
	return len(p), nil
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.b)
}

// Root is the project's directory.
func Root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = up
	}
}
