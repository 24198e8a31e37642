package log_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
)

// TestKill kills the program at random moments while it appends, again and
// again on the same log: nothing that was acknowledged is ever missing.
func TestKill(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	dir := filepath.Join(t.TempDir(), "log")
	var all []log.Position
	for range 12 {
		p := startChild(t, dir)
		p.until(t, "open")
		var lines []string
		for n := 1 + rng.IntN(150); n > 0 && p.lines.Scan(); n-- {
			lines = append(lines, p.lines.Text())
		}
		if err := p.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for p.lines.Scan() { // acknowledged before it died
			lines = append(lines, p.lines.Text())
		}
		p.kill()
		all = append(all, acked(lines)...)
		if rep, err := log.Verify(t.Context(), dir, nil); err != nil || rep.Last.Seq < all[len(all)-1].Seq {
			t.Fatalf("after a kill: %v; the log ends at %d, acknowledged is %d", err, rep.Last.Seq, all[len(all)-1].Seq)
		}
	}
	t.Logf("%d entries acknowledged", len(all))
	s := open(t, log.Options{Dir: dir})
	at := map[uint64]queue.Hash{}
	for _, site := range []queue.SiteID{"larkmoor", "highfell"} {
		for _, en := range logtest.Collect(t, s, site, 0) {
			at[en.Seq] = en.Hash()
		}
	}
	for _, p := range all {
		if at[p.Seq] != p.Hash {
			t.Errorf("entry %d was acknowledged and is not there", p.Seq)
		}
	}
}

func TestTwoProcessesOnOneStore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	p := startChild(t, dir, "LOGTEST_CHILD_ENTRIES=3")
	p.until(t, "idle")
	_, err := log.Open(t.Context(), log.Options{Dir: dir})
	if !errors.Is(err, log.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("process %d.", p.Process.Pid)) {
		t.Errorf("second open: %v, want ErrLocked naming process %d", err, p.Process.Pid)
	}
	for name, f := range map[string]func() error{
		"Verify":    func() error { _, err := log.Verify(t.Context(), dir, nil); return err },
		"BackupDir": func() error { _, err := log.BackupDir(t.Context(), dir, dir+".tgz", nil); return err },
		"Restore": func() error {
			_, err := log.Restore(t.Context(), dir+".tgz", dir, log.RestoreOptions{SetAside: true})
			return err
		},
	} {
		if err := f(); !errors.Is(err, log.ErrLocked) {
			t.Errorf("%s: %v, want ErrLocked", name, err)
		}
	}
	p.kill()
	s := open(t, log.Options{Dir: dir})
	if r := s.Report(); r.Entries != 3 || !r.Unclean {
		t.Errorf("report after the other was killed: %+v", r)
	}
}

// TestDiskGetsFull: the disk's free space falls below the reserve, and comes
// back. Appends are refused meanwhile, and reading goes on.
func TestDiskGetsFull(t *testing.T) { deploytest.MayMount(t, diskGetsFull) }

func diskGetsFull(t *testing.T) {
	dir := deploytest.SmallDisk(t, "48m")
	s := open(t, log.Options{Dir: filepath.Join(dir, "log"), DiskReserveBytes: 8 << 20})
	all := logtest.Fill(t, s, site, "c", 5, log.Position{})
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 42<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := s.Append(t.Context(), logtest.Entry(site, "c6", 1, all[4]), all[4].Seq)
	if !errors.Is(err, log.ErrFull) || !strings.Contains(err.Error(), "Free disk space") {
		t.Fatalf("append on a full disk: %v, want ErrFull", err)
	}
	if got := logtest.Collect(t, s, site, 0); len(got) != 5 {
		t.Errorf("%d entries are read on a full disk, want 5", len(got))
	}
	remove(t, ballast)
	logtest.Append(t, s, site, "c6", all[4])
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestDiskRunsOut: the disk is full to the last byte in spite of the reserve.
// The append is not confirmed, the error says why, and after a restart with
// room all that was acknowledged is there.
func TestDiskRunsOut(t *testing.T) { deploytest.MayMount(t, diskRunsOut) }

func diskRunsOut(t *testing.T) {
	dir := deploytest.SmallDisk(t, "24m")
	o := log.Options{Dir: filepath.Join(dir, "log"), DiskReserveBytes: 1, Timeout: time.Second}
	s, err := log.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	all := logtest.Fill(t, s, site, "c", 5, log.Position{})
	ballast := filepath.Join(dir, "ballast")
	f, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	for chunk := make([]byte, 64<<10); err == nil; {
		_, err = f.Write(chunk)
	}
	f.Close()
	if err := os.Truncate(ballast, 23<<20); err != nil { // leave some bytes
		t.Log(err)
	}
	last := all[4]
	var refused error
	for i := range 100 {
		en := logtest.Entry(site, queue.CommandID(fmt.Sprintf("big%d", i)), 1, last)
		en.Events[0].Data.(*queue.ProblemReported).Reason = strings.Repeat("x", 300<<10)
		seq, err := s.Append(t.Context(), en, last.Seq)
		if err != nil {
			refused = err
			break
		}
		last = log.Position{Seq: seq, Hash: en.Hash()}
		all = append(all, last)
	}
	t.Log(refused)
	if !errors.Is(refused, log.ErrNotDurable) && !errors.Is(refused, log.ErrFull) {
		t.Fatalf("append: %v, want ErrNotDurable or ErrFull", refused)
	}
	if err := s.Close(); err == nil {
		t.Error("a log whose store broke was closed as if nothing had happened")
	}
	remove(t, ballast)
	expectWhole(t, o.Dir, all)
}

// TestFileSizeLimit makes the store's writes fail without a full disk (and
// without root): a limit on the size of a file, in a process of its own.
func TestFileSizeLimit(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	p := startChild(t, dir, "LOGTEST_CHILD_BYTES=200000", "LOGTEST_CHILD_FSIZE=3000000")
	lines := p.until(t, "refused")
	why := lines[len(lines)-1]
	t.Log(why)
	if !strings.Contains(why, "not confirmed") {
		t.Errorf("refused with %q, want the reason", why)
	}
	p.kill()
	all := acked(lines)
	if len(all) < 5 {
		t.Fatalf("%d entries were acknowledged before the limit", len(all))
	}
	expectWhole(t, dir, all)
}

// publish stores a message as another program would.
func publish(t *testing.T, s *log.Server, h nats.Header, body []byte) {
	t.Helper()
	m := &nats.Msg{Subject: "shop." + string(site), Header: h, Data: body}
	reply, err := s.Conn().RequestMsg(m, 5*time.Second)
	if err != nil || !strings.Contains(string(reply.Data), `"seq"`) {
		t.Fatalf("publish: %v %s", err, reply.Data)
	}
}

// TestNewerFormat: a log that a newer version went on with is not served, not
// changed, and the version that is needed is named.
func TestNewerFormat(t *testing.T) {
	o := log.Options{Dir: filepath.Join(t.TempDir(), "log")}
	s, err := log.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	first := logtest.Append(t, s, site, "c1", log.Position{})
	body, err := logtest.Entry(site, "c2", 1, first).Encode()
	if err != nil {
		t.Fatal(err)
	}
	publish(t, s, nats.Header{
		"Tickover-Prev": {string(first.Hash)}, "Tickover-Format": {"2"},
		"Tickover-Program": {"7.1.0"}, "Tickover-Command": {"c2"},
	}, body)
	var n int
	check := func(what string, err error) {
		t.Helper()
		if !errors.Is(err, queue.ErrNewerFormat) || !strings.Contains(err.Error(), "version 7.1.0") || !strings.Contains(err.Error(), "nothing was changed") {
			t.Errorf("%s: %v, want ErrNewerFormat that names version 7.1.0", what, err)
		}
	}
	check("Read", s.Read(t.Context(), site, 0, func(*queue.Entry) error { n++; return nil }))
	if n > 1 {
		t.Errorf("%d entries were read, 1 stands before it", n)
	}
	check("Close", s.Close())
	before := tree(t, o.Dir)
	_, err = log.Open(t.Context(), o)
	check("Open", err)
	if names := changed(before, tree(t, o.Dir)); len(names) > 0 {
		t.Errorf("the refused start changed %q", names)
	}
	_, err = log.BackupDir(t.Context(), o.Dir, o.Dir+".tgz", nil)
	check("BackupDir", err)
	if _, err := os.Stat(o.Dir + ".tgz"); err == nil {
		t.Error("the refused backup left a file")
	}
}

func TestNewerEvent(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir(), Program: "1.2.3"})
	en := logtest.Entry(site, "c1", 1, log.Position{})
	body, err := en.Encode()
	if err != nil {
		t.Fatal(err)
	}
	publish(t, s, nats.Header{"Tickover-Format": {"1"}, "Tickover-Command": {"c1"}, "Tickover-Program": {"8.0"}},
		[]byte(strings.Replace(string(body), "problem.reported.v1", "problem.reported.v2", 1)))
	err = s.Read(t.Context(), site, 0, func(*queue.Entry) error { return nil })
	if !errors.Is(err, queue.ErrNewerFormat) || !strings.Contains(err.Error(), "version 8.0") {
		t.Errorf("read: %v, want ErrNewerFormat that names version 8.0", err)
	}
}

// TestForeignMessage: what no program of ours wrote is not taken for an entry.
func TestForeignMessage(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	s, err := log.Open(t.Context(), log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	logtest.Append(t, s, site, "c1", log.Position{})
	publish(t, s, nil, []byte("hello"))
	var d *log.DamageError
	if err := s.Read(t.Context(), site, 0, func(*queue.Entry) error { return nil }); !errors.As(err, &d) || d.Kind != log.Foreign || d.Seq != 2 {
		t.Errorf("read: %v, want entry 2 foreign", err)
	}
	_ = s.Close()
	if _, err := log.Open(t.Context(), log.Options{Dir: dir}); !errors.As(err, &d) || d.Kind != log.Foreign || d.Seq != 2 {
		t.Errorf("open: %v, want entry 2 foreign", err)
	}
}

// TestBrokenChain: a message that does not follow the one before it ends
// reading, and is not served after a restart.
func TestBrokenChain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	s := open(t, log.Options{Dir: dir})
	all := logtest.Fill(t, s, site, "c", 3, log.Position{})
	body, err := logtest.Entry(site, "x", 1, all[1]).Encode()
	if err != nil {
		t.Fatal(err)
	}
	publish(t, s, nats.Header{"Tickover-Prev": {string(all[1].Hash)}, "Tickover-Format": {"1"}, "Tickover-Command": {"x"}}, body)
	for _, after := range []uint64{0, all[2].Seq} {
		var d *log.DamageError
		var n int
		if err := s.Read(t.Context(), site, after, func(*queue.Entry) error { n++; return nil }); !errors.As(err, &d) || uint64(n) != 3-after {
			t.Errorf("read after %d: %v after %d entries, want a DamageError after %d", after, err, n, 3-after)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var d *log.DamageError
	if _, err := log.Open(t.Context(), log.Options{Dir: dir}); !errors.As(err, &d) || d.Seq != 4 {
		t.Errorf("open: %v, want entry 4", err)
	}
}

// TestForeignStream: a stream of the same name that may lose entries is
// refused.
func TestForeignStream(t *testing.T) {
	n := newNATS(t)
	nc, err := nats.Connect("nats://127.0.0.1:" + n.port)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := nc.JetStream()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.AddStream(&nats.StreamConfig{Name: "SHOP", Subjects: []string{"shop.*"}, MaxAge: time.Hour, Discard: nats.DiscardNew}); err != nil {
		t.Fatal(err)
	}
	_, err = log.Dial(t.Context(), log.DialOptions{URL: "nats://127.0.0.1:" + n.port})
	if err == nil || !strings.Contains(err.Error(), "drops old entries") {
		t.Errorf("dial: %v, want that the stream drops old entries", err)
	}
}

// TestNothingIsEverRemoved: the stream refuses to delete and to purge.
func TestNothingIsEverRemoved(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	logtest.Fill(t, s, site, "c", 3, log.Position{})
	js, err := s.Conn().JetStream()
	if err != nil {
		t.Fatal(err)
	}
	if err := js.PurgeStream("SHOP"); err == nil {
		t.Error("the log was purged")
	}
	if err := js.DeleteMsg("SHOP", 2); err == nil {
		t.Error("an entry was deleted")
	}
	if got := logtest.Collect(t, s, site, 0); len(got) != 3 {
		t.Errorf("%d entries, want 3", len(got))
	}
}

// TestListen: another process may connect with the token, and only with it.
func TestListen(t *testing.T) {
	for _, bad := range []log.Options{
		{Listen: "0.0.0.0:0", Token: "t"}, {Listen: "127.0.0.1", Token: "t"},
		{Listen: "127.0.0.1:0"}, {Listen: "localhost:0", Token: "t"},
	} {
		bad.Dir = t.TempDir()
		if s, err := log.Open(t.Context(), bad); err == nil {
			s.Close()
			t.Errorf("listening on %q with token %q was allowed", bad.Listen, bad.Token)
		}
	}
	s := open(t, log.Options{Dir: t.TempDir(), Listen: "127.0.0.1:0", Token: "s3cret"})
	if _, err := log.Dial(t.Context(), log.DialOptions{URL: s.URL(), Token: "wrong"}); err == nil {
		t.Error("a wrong token was let in")
	}
	l, err := log.Dial(t.Context(), log.DialOptions{URL: s.URL(), Token: "s3cret"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	first := logtest.Append(t, l, site, "c1", log.Position{})
	second := logtest.Append(t, s, site, "c2", first)
	logtest.Append(t, l, site, "c3", second)
	if got := logtest.Collect(t, l, site, 0); len(got) != 3 {
		t.Errorf("%d entries, want 3", len(got))
	}
}

// TestClosed: after Close, everything ends with ErrClosed.
func TestClosed(t *testing.T) {
	s := open(t, log.Options{Dir: t.TempDir()})
	first := logtest.Append(t, s, site, "c1", log.Position{})
	done, started := make(chan error, 1), make(chan struct{})
	go func() {
		done <- s.Follow(context.Background(), site, logtest.From(0), func(*queue.Entry) error { close(started); return nil })
	}()
	<-started
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-done; !errors.Is(err, log.ErrClosed) {
		t.Errorf("Follow ended with %v, want ErrClosed", err)
	}
	if _, err := s.Append(t.Context(), logtest.Entry(site, "c2", 1, first), first.Seq); !errors.Is(err, log.ErrClosed) {
		t.Errorf("append: %v, want ErrClosed", err)
	}
	if err := s.Read(t.Context(), site, 0, func(*queue.Entry) error { return nil }); !errors.Is(err, log.ErrClosed) {
		t.Errorf("read: %v, want ErrClosed", err)
	}
}
