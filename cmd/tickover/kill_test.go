package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/services/ledger"
	"tickover/testdata"
)

// program is the built binary, made once for the tests that need a process.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "tickover-test-")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "tickover")
	out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %v\n%s", err, out)
	}
	return bin, nil
})

// server is a running tickover serve.
type server struct {
	cmd  *exec.Cmd
	base string
	host string // to ask for, if it is not base's
	errs *bytes.Buffer
}

// alwaysOpen writes the demo's shop file with the shop open day and night, so
// that the test does not depend on when it runs, and with a route that begins
// with the flash.
func alwaysOpen(t testing.TB, dir string) string {
	t.Helper()
	src := string(testdata.Larkmoor)
	hours := regexp.MustCompile(`(?m)^hours:[^\n]*\n(?:  [^\n]*\n)+`)
	if !hours.MatchString(src) {
		t.Fatal("the demo's shop file has no hours to replace")
	}
	src = hours.ReplaceAllString(src, "hours:\n  mon-sun: 00:00-24:00\n")
	src = strings.Replace(src, "\nroutes:\n", "\nroutes:\n  flash-only:\n    name: Flash alone\n    steps:\n      flash: {}\n", 1)
	src = regexp.MustCompile(`units_open_max: \d+`).ReplaceAllString(src, "units_open_max: 100000")
	file := filepath.Join(dir, "shop.yaml")
	if err := os.WriteFile(file, []byte(src), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// serve starts the program and waits until it says where its board is.
func serve(t *testing.T, shop, data string, args ...string) *server {
	t.Helper()
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	s := &server{errs: &bytes.Buffer{}}
	s.cmd = exec.Command(bin, append([]string{"serve", "--shop", shop, "--data", data, "--listen", "127.0.0.1:0"}, args...)...)
	s.cmd.Stderr = s.errs
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = s.cmd.Wait()
		t.Fatalf("the server did not start: %v\n%s", err, s.errs)
	}
	m := regexp.MustCompile(`http://[0-9.:]+`).FindString(line)
	if m == "" {
		t.Fatalf("the server says %q", line)
	}
	s.base = m
	return s
}

func (s *server) kill(t *testing.T) {
	t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = s.cmd.Wait() // it was killed; that is no news
}

// post sends a command; ok is true only when the server said that it is done.
func (s *server) post(ctx context.Context, path string, body map[string]any) (receipt map[string]any, status int, err error) {
	b, err := json.Marshal(body)
	if err != nil {
		return nil, 0, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.base+"/api/v1"+path, bytes.NewReader(b))
	if err != nil {
		return nil, 0, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Host = s.host
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, 0, err
	}
	defer resp.Body.Close()
	raw, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, resp.StatusCode, err // cut in the middle: not acknowledged
	}
	if err := json.Unmarshal(raw, &receipt); err != nil {
		return nil, resp.StatusCode, fmt.Errorf("%d %.300s: %w", resp.StatusCode, raw, err)
	}
	return receipt, resp.StatusCode, nil
}

// sent is a command that was acknowledged.
type sent struct {
	path string
	body map[string]any
}

// load is one worker: a unit arrives, is flashed, the flash is signed off, and
// the next one comes. A command that was not acknowledged is sent again, as a
// phone's outbox does.
type load struct {
	id    int
	n     int // units begun
	done  int // commands of this unit that were acknowledged, 0 … 2
	acked []sent
	// refused is an answer that the test does not expect.
	refused string
	bench   string
	iface   string
	charger string
}

func (l *load) unit() string { return fmt.Sprintf("K%d-%d", l.id, l.n) }

// running reports whether the unit's flash was acknowledged as started and its
// end was not acknowledged.
func (l *load) running() bool { return l.done == 2 }

func (l *load) run(ctx context.Context, s *server) {
	for ctx.Err() == nil {
		unit, ok := l.unit(), false
		switch l.done {
		case 0:
			ok = l.send(ctx, s, "/units", "arrive-"+unit, arrival(unit))
		case 1:
			ok = l.send(ctx, s, "/units/"+unit+"/steps/flash/start", "start-"+unit, map[string]any{
				"technician": "ruth", "resources": []string{l.bench, l.iface, l.charger},
				"evidence": map[string]string{"battery_v": "12.7"},
			})
		case 2:
			ok = l.send(ctx, s, "/units/"+unit+"/steps/flash/finish", "finish-"+unit, map[string]any{
				"technician": "ruth", "failed": true, "reason": "the test takes it off again",
			})
		}
		if !ok {
			return
		}
		if l.done++; l.done == 3 {
			l.n, l.done = l.n+1, 0
		}
	}
}

func arrival(unit string) map[string]any {
	return map[string]any{
		"ticket": unit, "ownership": "customer", "route": "flash-only", "promise": time.Now().Add(8 * time.Hour),
		"machine": map[string]any{"frame": "", "make": "Kestrow", "model": "Brae 250", "year": 2026, "family": "kr5", "fitment": "standard"},
	}
}

// send repeats a command until it is acknowledged; false when ctx ended or the
// server is gone.
func (l *load) send(ctx context.Context, s *server, path, id string, body map[string]any) bool {
	body["command_id"], body["actor"] = id, "ruth"
	answer, status, err := s.post(ctx, path, body)
	if err != nil {
		return false
	}
	if status != http.StatusOK {
		l.refused = fmt.Sprintf("%s %s: %d %v", path, id, status, answer)
		return false
	}
	l.acked = append(l.acked, sent{path, body})
	return true
}

// kills is how often the process is killed.
const kills = 50

// TestKillAtAnyMoment kills the real process at random moments under load.
// After each restart, every command that was acknowledged is known as done,
// flashes that were running are running and hold what they held; at the end
// the state is the fold of the log, from the snapshot and without.
func TestKillAtAnyMoment(t *testing.T) {
	seed := queuetest.Seed(t, 50)
	dir := t.TempDir()
	shop, data := alwaysOpen(t, dir), filepath.Join(dir, "data")
	rng := rand.New(rand.NewPCG(seed, 0))
	loads := []*load{
		{id: 1, bench: "b3", iface: "i1", charger: "c1"},
		{id: 2, bench: "b4", iface: "i2", charger: "c2"},
	}
	total, stillRunning := 0, 0
	for round := range kills {
		s := serve(t, shop, data)
		stillRunning += checkAfterRestart(t, s, loads, round)
		ctx, cancel := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		for _, l := range loads {
			wg.Go(func() { l.run(ctx, s) })
		}
		<-time.After(time.Duration(20+rng.IntN(200)) * time.Millisecond) // the random moment
		s.kill(t)
		cancel()
		wg.Wait()
		for _, l := range loads {
			if l.refused != "" {
				t.Fatalf("round %d: %s", round, l.refused)
			}
		}
	}
	for _, l := range loads {
		total += len(l.acked)
	}
	t.Logf("%d kills, %d commands acknowledged, %d times a flash ran on through a kill", kills, total, stillRunning)
	if total < kills || stillRunning == 0 {
		t.Errorf("the load was too light to prove anything")
	}
	stateIsFold(t, filepath.Join(data, "log"))
}

// checkAfterRestart returns how many flashes ran on.
func checkAfterRestart(t *testing.T, s *server, loads []*load, round int) (running int) {
	t.Helper()
	ctx := context.Background()
	for _, l := range loads {
		recent := l.acked[max(0, len(l.acked)-40):]
		if round == kills-1 {
			recent = l.acked // and all of them at the end
		}
		for _, c := range recent {
			receipt, status, err := s.post(ctx, c.path, c.body)
			if err != nil || status != http.StatusOK || receipt["duplicate"] != true {
				t.Fatalf("round %d: the acknowledged command %v is not known after the restart: %d %v %v\n%s",
					round, c.body["command_id"], status, receipt, err, s.errs)
			}
		}
		if !l.running() {
			continue
		}
		// It runs, or its end was stored and only the answer was lost.
		resp, err := http.Get(s.base + "/api/v1/units/" + l.unit())
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(b), `"status":"running"`) {
			continue
		}
		running++
		probe := arrival(fmt.Sprintf("P%d-%d", l.id, round))
		probe["command_id"], probe["actor"] = fmt.Sprintf("probe-%d-%d", l.id, round), "ruth"
		if _, status, err := s.post(ctx, "/units", probe); err != nil || status != http.StatusOK {
			t.Fatalf("round %d: probe: %d %v", round, status, err)
		}
		problem, status, err := s.post(ctx, fmt.Sprintf("/units/P%d-%d/steps/flash/start", l.id, round), map[string]any{
			"command_id": fmt.Sprintf("probe-start-%d-%d", l.id, round), "actor": "ruth", "technician": "ruth",
			"resources": []string{"b2", l.iface, "c3"}, "evidence": map[string]string{"battery_v": "12.7"},
		})
		if err != nil || status == http.StatusOK || problem["interlock"] != "I1" {
			t.Fatalf("round %d: the interface of a running flash is not locked after the restart: %d %v %v", round, status, problem, err)
		}
	}
	return running
}

// stateIsFold opens the log itself and compares the state from the snapshot
// with the fold of the whole log, and looks for what must never be.
func stateIsFold(t *testing.T, dir string) {
	t.Helper()
	ctx := context.Background()
	srv, err := log.Open(ctx, log.Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	var states [2]string
	for i, snaps := range []ledger.Snapshots{nil, srv} {
		l, err := ledger.Open(ctx, ledger.Options{Site: "larkmoor", Log: srv, Now: time.Now, Snapshots: snaps})
		if err != nil {
			t.Fatal(err)
		}
		if found := l.View().Audit(); len(found) > 0 {
			t.Errorf("the audit finds %v", found)
		}
		b, err := l.View().MarshalSnapshot()
		if err != nil {
			t.Fatal(err)
		}
		states[i] = string(b)
	}
	if states[0] != states[1] {
		t.Error("the state from the snapshot is not the fold of the log")
	}
}
