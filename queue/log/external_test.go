package log_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap/zaptest"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// natsServer is a server process of the version in go.mod.
type natsServer struct {
	cmd  *exec.Cmd
	dir  string
	port string // "-1" before the first start
}

var listening = regexp.MustCompile(`Listening for client connections on 127\.0\.0\.1:(\d+)`)

func newNATS(t testing.TB) *natsServer {
	t.Helper()
	n := &natsServer{dir: t.TempDir(), port: "-1"}
	n.start(t)
	t.Cleanup(n.kill)
	return n
}

func (n *natsServer) start(t testing.TB) {
	t.Helper()
	bin, err := natsBinary()
	if err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(n.dir, "server.conf")
	text := fmt.Sprintf("host: 127.0.0.1\nport: %s\nmax_payload: 1MB\njetstream { store_dir: %q, sync_interval: always, max_file_store: 16MB }\n", n.port, filepath.Join(n.dir, "js"))
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	n.cmd = exec.Command(bin, "-c", conf)
	out, err := n.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := n.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var seen []string
	for sc := bufio.NewScanner(out); sc.Scan(); {
		seen = append(seen, sc.Text())
		if m := listening.FindStringSubmatch(sc.Text()); m != nil {
			n.port = m[1]
		}
		if strings.Contains(sc.Text(), "Server is ready") {
			go func() { // until the process ends
				for sc.Scan() {
				}
			}()
			return
		}
	}
	t.Fatalf("server did not start:\n%s", strings.Join(seen, "\n"))
}

func (n *natsServer) kill() {
	_ = n.cmd.Process.Kill()
	_ = n.cmd.Wait()
}

func (n *natsServer) dial(t testing.TB, o log.DialOptions) *log.JetStream {
	t.Helper()
	o.URL = "nats://127.0.0.1:" + n.port
	if o.Logger == nil {
		o.Logger = zaptest.NewLogger(t, zaptest.Level(zapLevel))
	}
	l, err := log.Dial(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func TestExternal(t *testing.T) {
	logtest.Run(t, func(t *testing.T) logtest.Store {
		n := newNATS(t)
		l := n.dial(t, log.DialOptions{})
		return logtest.Store{
			Log: l,
			Reopen: func() log.Log {
				_ = l.Close()
				n.kill()
				n.start(t)
				return n.dial(t, log.DialOptions{})
			},
			Fill: func() { fillUp(t, l) },
		}
	})
}

// TestFollowThroughRestarts: the server is killed and comes back while a
// follower and an appender go on; each entry comes once, in order.
func TestFollowThroughRestarts(t *testing.T) {
	n := newNATS(t)
	l := n.dial(t, log.DialOptions{Timeout: 2 * time.Second})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	got, done := make(chan *queue.Entry, 1000), make(chan error, 1)
	go func() {
		done <- l.Follow(ctx, site, logtest.From(0), func(en *queue.Entry) error { got <- en; return nil })
	}()
	var last log.Position
	for round := range 3 {
		for _, pos := range logtest.Fill(t, l, site, fmt.Sprintf("r%d-", round), 10, last) {
			if en := logtest.Next(t, got); en.Seq != pos.Seq {
				t.Fatalf("round %d: got entry %d, want %d", round, en.Seq, pos.Seq)
			}
			last = pos
		}
		n.kill()
		n.start(t)
		for l.Conn().Status() != nats.CONNECTED {
			select {
			case <-l.Conn().StatusChanged(nats.CONNECTED):
			case <-time.After(logtest.Patience):
				t.Fatal("no reconnect")
			}
		}
	}
	cancel()
	if err := <-done; err != context.Canceled {
		t.Errorf("Follow ended with %v, want context.Canceled", err)
	}
}

// TestLostAck: the server stores the entry, and its acknowledgement never
// arrives. The append finds its own entry and succeeds with its number.
func TestLostAck(t *testing.T) {
	n := newNATS(t)
	d := &ackDropper{}
	l := n.dial(t, log.DialOptions{
		Timeout: 500 * time.Millisecond,
		Conn:    []nats.Option{nats.SetCustomDialer(d), nats.ReconnectWait(10 * time.Millisecond)},
	})
	first := logtest.Append(t, l, site, "c1", log.Position{})
	d.armed.Store(true)
	second := logtest.Append(t, l, site, "c2", first)
	if d.armed.Load() {
		t.Fatal("no acknowledgement was dropped")
	}
	if second.Seq != first.Seq+1 {
		t.Errorf("append after a lost acknowledgement is at %d, want %d", second.Seq, first.Seq+1)
	}
	if got := logtest.Collect(t, l, site, 0); len(got) != 2 {
		t.Errorf("%d entries, want 2", len(got))
	}
}

// ackDropper makes connections that swallow one acknowledgement and break.
type ackDropper struct{ armed atomic.Bool }

func (d *ackDropper) Dial(network, addr string) (net.Conn, error) {
	c, err := net.Dial(network, addr)
	return &ackDropConn{c, d}, err
}

type ackDropConn struct {
	net.Conn
	d *ackDropper
}

func (c *ackDropConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if n > 0 && bytes.Contains(p[:n], []byte(`"stream":"SHOP","seq":`)) && c.d.armed.CompareAndSwap(true, false) {
		c.Conn.Close()
		return 0, net.ErrClosed
	}
	return n, err
}

// TestServerGone: without a server, an append ends with ErrNotDurable in
// bounded time, and the same append works when the server is back.
func TestServerGone(t *testing.T) {
	n := newNATS(t)
	l := n.dial(t, log.DialOptions{Timeout: 200 * time.Millisecond})
	first := logtest.Append(t, l, site, "c1", log.Position{})
	n.kill()
	en := logtest.Entry(site, "c2", 1, first)
	if _, err := l.Append(t.Context(), en, first.Seq); !isNotDurable(err) {
		t.Fatalf("append without a server: %v, want ErrNotDurable", err)
	}
	n.start(t)
	var once sync.Once
	deadline := time.After(logtest.Patience)
	for {
		seq, err := l.Append(t.Context(), en, first.Seq)
		if err == nil {
			if seq != first.Seq+1 {
				t.Errorf("append is at %d, want %d", seq, first.Seq+1)
			}
			break
		}
		once.Do(func() { t.Log("while it comes back:", err) })
		select {
		case <-deadline:
			t.Fatalf("append never worked again: %v", err)
		default:
		}
	}
	if got := logtest.Collect(t, l, site, 0); len(got) != 2 {
		t.Errorf("%d entries, want 2", len(got))
	}
}
