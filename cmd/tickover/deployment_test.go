package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/queuetest"
	"tickover/queue/view"
	"tickover/queue/view/redisview"
	"tickover/services/dispatch"
	"tickover/services/ledger"
)

// deployment is three NATS nodes, Redis, and processes of the program with
// roles, all with the configuration of deploy/.
type deployment struct {
	*deploytest.Cluster
	bin   string
	redis *deploytest.Redis
	dir   string
	shops []string // files
	js    jetstream.JetStream
	eyes  []jetstream.JetStream // one at each node, past what cuts it off
	views view.Store
	// all are the processes that were started, secrets what none may write.
	all     []*process
	secrets map[string]string
}

// sites of the deployment; the shops are the demo's, open day and night.
var sites = []queue.SiteID{"larkmoor", "highfell", "saltburn"}

func deploy(t testing.TB) *deployment {
	t.Helper()
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return deployOn(t, bin, deploytest.StartCluster(t))
}

// deployOn is deploy with the program and nodes that are given.
func deployOn(t testing.TB, bin string, nodes *deploytest.Cluster) *deployment {
	t.Helper()
	d := &deployment{Cluster: nodes, bin: bin, dir: t.TempDir(), secrets: map[string]string{"Redis password": rand.Text()}}
	d.redis = deploytest.StartClosedRedis(t, d.secrets["Redis password"])
	for role, file := range nodes.Keys {
		seed, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d.secrets["NATS key of "+role] = strings.TrimSpace(string(seed))
	}
	src, err := os.ReadFile(alwaysOpen(t, d.dir))
	if err != nil {
		t.Fatal(err)
	}
	for _, site := range sites {
		file := filepath.Join(d.dir, string(site)+".yaml")
		text := regexp.MustCompile(`(?m)^site: larkmoor`).ReplaceAllString(string(src), "site: "+string(site))
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		d.shops = append(d.shops, "--shop", file)
	}
	if d.js, err = jetstream.New(d.Connect(t, "dispatch")); err != nil {
		t.Fatal(err)
	}
	for _, n := range nodes.Nodes {
		eye, err := jetstream.New(d.ConnectTo(t, n, "dispatch"))
		if err != nil {
			t.Fatal(err)
		}
		d.eyes = append(d.eyes, eye)
	}
	client, err := redisview.Dial(d.redis.URL(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = client.Close() })
	d.views = redisview.New(client)
	return d
}

// process is a process with one role.
type process struct {
	role  string
	cmd   *exec.Cmd
	errs  *bytes.Buffer
	pages string // address of the role floor
	probe string
}

func (d *deployment) start(t testing.TB, role string, args ...string) *process {
	t.Helper()
	return d.startWith(t, nil, role, args...)
}

// startWith is start with more in the process's environment.
func (d *deployment) startWith(t testing.TB, env []string, role string, args ...string) *process {
	t.Helper()
	p := &process{role: role, errs: &bytes.Buffer{}}
	d.all = append(d.all, p)
	p.cmd = exec.Command(d.bin, append([]string{
		"serve", "--role", role, "--nats", d.URLs(), "--nats-key", d.Keys[role], "--nats-ca", d.CA, "--nats-cert", d.Certs["client"],
		"--nats-cert-key", d.Certs["client"] + ".key", "--listen", "127.0.0.1:0", "--probe", "127.0.0.1:0", "--data", filepath.Join(d.dir, "data-"+role), "--log-level", "debug",
	}, args...)...)
	p.cmd.Env = append(append(os.Environ(), "TICKOVER_REDIS="+d.redis.URL()), env...)
	p.cmd.Stderr = p.errs
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.kill)
	address := regexp.MustCompile(`(?:localhost|127\.0\.0\.1):(\d+)`)
	for lines := bufio.NewScanner(out); lines.Scan(); {
		switch line := lines.Text(); {
		case strings.HasPrefix(line, "probe"):
			p.probe = "http://127.0.0.1:" + address.FindStringSubmatch(line)[1]
		case strings.HasPrefix(line, "pages"):
			p.pages = "http://127.0.0.1:" + address.FindStringSubmatch(line)[1]
		case strings.Contains(line, ": working"):
			go func() { _, _ = io.Copy(io.Discard, out) }()
			return p
		}
	}
	_ = p.cmd.Wait()
	t.Fatalf("%s did not start:\n%s\n%s", role, p.errs, d.Nodes[0].Output())
	return nil
}

func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
}

// at is a server of one site's pages.
func (p *process) at(site queue.SiteID) *server {
	return &server{base: p.pages, host: string(site) + ".localhost", errs: p.errs}
}

func (p *process) get(t testing.TB, site queue.SiteID, path string) (int, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, p.pages+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Host = string(site) + ".localhost"
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err.Error()
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(b)
}

func arrive(t testing.TB, s *server, unit string) {
	t.Helper()
	body := arrival(unit)
	body["command_id"], body["actor"] = "arrive-"+unit, "ruth"
	defer func() {
		if t.Failed() {
			t.Log(s.errs)
		}
	}()
	deploytest.WaitFor(t, "unit "+unit+" to arrive", time.Minute, func() error {
		answer, status, err := s.post(t.Context(), "/units", body)
		if err == nil && status != http.StatusOK {
			err = fmt.Errorf("%d %v", status, answer)
		}
		return err
	})
}

// planned waits until the site's plan knows the unit.
func (d *deployment) planned(t testing.TB, site queue.SiteID, unit string, most time.Duration) time.Duration {
	t.Helper()
	begun := time.Now()
	nc := d.js.Conn()
	deploytest.WaitFor(t, "a plan with unit "+unit, most, func() error {
		p, err := dispatch.LatestPlan(t.Context(), nc, site)
		if err != nil {
			return err
		}
		if p != nil {
			if b, _ := json.Marshal(p); bytes.Contains(b, []byte(`"`+unit+`"`)) {
				return nil
			}
		}
		return errors.New("not in the plan")
	})
	return time.Since(begun)
}

func (d *deployment) leader(t testing.TB, site queue.SiteID) string {
	t.Helper()
	holder, _, err := dispatch.Leader(t.Context(), d.js, site)
	if err != nil {
		return err.Error()
	}
	return holder
}

func (p *process) holds(holder string) bool {
	return strings.HasSuffix(holder, fmt.Sprintf("/%d", p.cmd.Process.Pid))
}

// TestDeployment: sites on several machines. Roles are killed one after the
// other, Redis is flushed and killed; work goes on, and what was acknowledged
// is there.
func TestDeployment(t *testing.T) {
	top := t
	d := deploy(t)
	first := d.start(t, "dispatch", d.shops...)
	second := d.start(t, "dispatch")
	workers := d.start(t, "bench")
	floors := []*process{d.start(t, "floor"), d.start(t, "floor")}

	// What one replica takes, the other shows, and dispatchers plan it.
	for i, site := range sites {
		unit := fmt.Sprintf("A-%d", i)
		arrive(t, floors[0].at(site), unit)
		d.planned(t, site, unit, 30*time.Second)
		deploytest.WaitFor(t, "the other replica to show "+unit, time.Minute, func() error {
			if status, page := floors[1].get(t, site, "/api/v1/units/"+unit); status != http.StatusOK {
				return fmt.Errorf("%d %s", status, page)
			}
			return nil
		})
		other := sites[(i+1)%len(sites)]
		if status, _ := floors[1].get(t, other, "/api/v1/units/"+unit); status != http.StatusNotFound {
			t.Errorf("unit %s of %s at %s: status %d", unit, site, other, status)
		}
	}
	if status, text := floors[0].get(t, "nowhere", "/board"); status != http.StatusNotFound {
		t.Errorf("a site that is not there: %d %s", status, text)
	}
	for _, p := range []*process{first, second, workers, floors[0]} {
		resp, err := http.Get(p.probe + "/readyz")
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Errorf("ready: %v %v", resp, err)
		}
		resp.Body.Close()
	}

	t.Run("shop changed", func(t *testing.T) { d.changeShop(t, floors) })

	t.Run("dispatcher killed", func(t *testing.T) {
		gone, left := first, second
		if second.holds(d.leader(t, "larkmoor")) {
			gone, left = second, first
		}
		begun := time.Now()
		gone.kill()
		deploytest.WaitFor(t, "the other to take over", time.Minute, func() error {
			for _, site := range sites {
				if h := d.leader(t, site); !left.holds(h) {
					return fmt.Errorf("site %s is held by %q", site, h)
				}
			}
			return nil
		})
		report(t, "dispatcher killed: all its sites taken over", begun, 5*time.Second)
		arrive(t, floors[1].at("larkmoor"), "B-1")
		d.planned(t, "larkmoor", "B-1", 30*time.Second)
		d.start(top, "dispatch")
	})

	t.Run("floor and workers killed", func(t *testing.T) {
		floors[0].kill()
		workers.kill()
		begun := time.Now()
		arrive(t, floors[1].at("highfell"), "C-1")
		report(t, "a replica of the floor killed: the other takes commands", begun, 5*time.Second)
		d.planned(t, "highfell", "C-1", 30*time.Second)
		begun = time.Now()
		floors[0] = d.start(top, "floor")
		arrive(t, floors[0].at("highfell"), "C-2")
		report(t, "a new replica of the floor serves", begun, 20*time.Second)
		d.start(top, "bench")
	})

	t.Run("redis flushed and killed", func(t *testing.T) {
		begun := time.Now()
		d.redis.Flush(t)
		d.shared(t, "highfell", "C-2")
		report(t, "Redis flushed: shared views back", begun, 5*time.Second)
		d.redis.Kill()
		arrive(t, floors[0].at("highfell"), "D-1") // nobody needs it to work
		d.redis.Start(t)
		begun = time.Now()
		d.shared(t, "highfell", "D-1")
		report(t, "Redis killed and started again: shared views back", begun, 5*time.Second)
	})

	h, end := work(queuetest.Seed(t, 77), sites, func(site queue.SiteID) []*server {
		return []*server{floors[0].at(site), floors[1].at(site)}
	})
	t.Cleanup(func() { h.stop.Store(true) })
	quiet := func(d time.Duration) { time.Sleep(d); h.reset() }
	quiet(2 * time.Second)
	victims := d.Nodes
	if !long() {
		victims = []*deploytest.Node{d.logLeader(t)}
	}
	for _, n := range victims {
		t.Run(n.Name+" killed under load", func(t *testing.T) {
			leads := ""
			if d.logLeader(t) == n {
				leads = ", which led the log,"
			}
			n.Kill()
			time.Sleep(settled())
			gapReport(t, "a NATS node"+leads+" killed under load", h, 10*time.Second)
			n.Start(t)
			d.caughtUp(t)
			quiet(time.Second)
		})
	}
	if long() {
		t.Run("leader cut off", func(t *testing.T) {
			n := d.logLeader(t)
			n.Freeze()
			defer n.Thaw()
			time.Sleep(settled())
			gapReport(t, "the NATS node that led the log cut off under load", h, 10*time.Second)
			n.Thaw()
			d.caughtUp(t)
			quiet(time.Second)
		})
		t.Run("all nodes killed at once", func(t *testing.T) {
			for _, n := range d.Nodes {
				n.Kill()
			}
			time.Sleep(time.Second)
			for _, n := range d.Nodes {
				n.Start(t)
			}
			time.Sleep(settled())
			gapReport(t, "all three NATS nodes killed at once and started again", h, 20*time.Second)
			d.caughtUp(t)
			quiet(time.Second)
		})
	}
	t.Run("roles killed under load", func(t *testing.T) {
		h.reset()
		d.start(top, "dispatch").kill()
		d.redis.Kill()
		time.Sleep(2 * time.Second)
		gapReport(t, "a dispatcher and Redis killed under load", h, 5*time.Second)
		d.redis.Start(t)
	})
	end()
	h.check(t)
	d.folds(t, h.acked)

	t.Run("beyond this machine", func(t *testing.T) { d.beyond(t) })

	t.Run("stopped properly", func(t *testing.T) {
		begun := time.Now()
		if err := floors[0].cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		if err := floors[0].cmd.Wait(); err != nil {
			t.Errorf("the floor ended with %v\n%s", err, floors[0].errs)
		}
		report(t, "a floor stopped properly", begun, 10*time.Second)
	})
	t.Run("logs", func(t *testing.T) { d.logs(t, sites[0], "A-0") })
}

// changeShop puts another shop into effect at a site: every floor and the
// dispatchers take it over, and who changes the one before it is refused.
func (d *deployment) changeShop(t *testing.T, floors []*process) {
	const site = "highfell"
	run := func(args ...string) (out, said string, err error) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), d.bin, append(append([]string{"shop"}, args...), "--nats", d.URLs(), "--nats-key", d.Keys["floor"], "--nats-ca", d.CA, "--nats-cert", d.Certs["client"], "--nats-cert-key", d.Certs["client"]+".key")...)
		var o, e bytes.Buffer
		cmd.Stdout, cmd.Stderr = &o, &e
		err = cmd.Run()
		return o.String(), e.String(), err
	}
	text, said, err := run("show", "--site", site)
	was := regexp.MustCompile(`--was (\S+)`).FindStringSubmatch(said)
	if err != nil || was == nil || !strings.Contains(text, "\nsite: "+site) && !strings.HasPrefix(text, "site: "+site) {
		t.Fatalf("shop show: %v %s\n%s", err, said, text)
	}
	put := func(name string, args ...string) (string, error) {
		t.Helper()
		file := filepath.Join(d.dir, "put.yaml")
		if err := os.WriteFile(file, []byte(regexp.MustCompile(`(?m)^name: .*$`).ReplaceAllString(text, "name: "+name)), 0o600); err != nil {
			t.Fatal(err)
		}
		out, said, err := run(append([]string{"put", file}, args...)...)
		return out + said, err
	}
	if out, err := put("Highfell Trail"); err == nil || !strings.Contains(out, "say --was "+was[1]) {
		t.Errorf("without a word on what it was: %v %s", err, out)
	}
	if out, err := put("Highfell Trail", "--was", was[1]); err != nil || !strings.Contains(out, "in effect") {
		t.Fatalf("shop put: %v %s", err, out)
	}
	if out, err := put("Somebody else's", "--was", was[1]); err == nil || !strings.Contains(out, "changed by somebody else") {
		t.Errorf("over somebody else's change: %v %s", err, out)
	}
	deploytest.WaitFor(t, "floors and dispatchers to take the shop over", time.Minute, func() error {
		for _, p := range floors {
			if status, page := p.get(t, site, "/api/v1/shop"); status != http.StatusOK || !strings.Contains(page, "Highfell Trail") {
				return fmt.Errorf("%d %.200s", status, page)
			}
		}
		if h, err := d.views.Head(t.Context(), site); err != nil || h.Name != "Highfell Trail" {
			return fmt.Errorf("%q %v", h.Name, err)
		}
		return nil
	})
	if status, page := floors[0].get(t, site, "/setup"); status != http.StatusOK || !strings.Contains(page, "tickover shop put") || !strings.Contains(page, "Highfell Trail") {
		t.Errorf("setup: %d %.2000s", status, page)
	}
}

// shared waits until the shared views find the unit.
func (d *deployment) shared(t testing.TB, site queue.SiteID, unit string) {
	t.Helper()
	deploytest.WaitFor(t, "the shared views to have "+unit, time.Minute, func() error {
		_, rows, err := d.views.Units(t.Context(), site)
		if err == nil && !slices.ContainsFunc(rows, func(r view.Row) bool { return string(r.Unit) == unit }) {
			err = fmt.Errorf("it is not among %d units", len(rows))
		}
		return err
	})
}

// report says how long something took. A machine that does other work beside
// the test makes no promise, so a time is not a failure unless it is far off.
func report(t testing.TB, what string, begun time.Time, goal time.Duration) {
	t.Helper()
	took := time.Since(begun)
	t.Logf("FAULT %s after %v (goal %v)", what, took.Round(10*time.Millisecond), goal)
	if took > 6*goal {
		t.Errorf("%s: %v, goal %v", what, took, goal)
	}
}

// long: every fault (make faults), not the few that fit into make test.
func long() bool { return os.Getenv("TICKOVER_FAULTS") != "" }

// settled is how long a fault is left to show what it does.
func settled() time.Duration {
	if long() {
		return 20 * time.Second
	}
	return 8 * time.Second
}

// logLeader is the node that leads the log's stream.
func (d *deployment) logLeader(t testing.TB) (leader *deploytest.Node) {
	t.Helper()
	deploytest.WaitFor(t, "a leader of the log", time.Minute, func() error {
		name := d.ledBy(t.Context())
		for _, n := range d.Nodes {
			if n.Name == name {
				leader = n
				return nil
			}
		}
		return errors.New("none")
	})
	return leader
}

// ledBy asks each node who leads the log's stream. A leader that was cut off
// may not know yet that it is none: the one that is believed in has begun last.
func (d *deployment) ledBy(ctx context.Context) string {
	var mu sync.Mutex
	var name string
	var since time.Time
	var all sync.WaitGroup
	for _, eye := range d.eyes {
		all.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
			defer cancel()
			m, err := eye.Conn().RequestWithContext(ctx, "$JS.API.STREAM.INFO."+log.StreamName, nil)
			if err != nil {
				return
			}
			var info struct {
				Cluster struct {
					Leader string    `json:"leader"`
					Since  time.Time `json:"leader_since"`
				} `json:"cluster"`
			}
			mu.Lock()
			defer mu.Unlock()
			if json.Unmarshal(m.Data, &info) == nil && info.Cluster.Leader != "" && !info.Cluster.Since.Before(since) {
				name, since = info.Cluster.Leader, info.Cluster.Since
			}
		})
	}
	all.Wait()
	return name
}

// watchLead notes who leads the log from now on; the story is told by what is
// returned.
func (d *deployment) watchLead(t testing.TB) func() string {
	ctx, cancel := context.WithCancel(t.Context())
	begun := time.Now()
	var story strings.Builder
	fmt.Fprintf(&story, "led by %s", d.ledBy(ctx))
	var end sync.WaitGroup
	end.Go(func() {
		was := ""
		for ctx.Err() == nil {
			if by := d.ledBy(ctx); by != was && ctx.Err() == nil {
				if was = by; by == "" {
					by = "nobody"
				}
				fmt.Fprintf(&story, ", by %s after %.1f s", by, time.Since(begun).Seconds())
			}
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
	})
	return func() string { cancel(); end.Wait(); return story.String() }
}

// gapReport tells the longest time without an acknowledgement since the last
// reset.
func gapReport(t testing.TB, what string, h *witness, goal time.Duration) {
	t.Helper()
	h.gaps.mu.Lock()
	slowest := h.slowest
	h.gaps.mu.Unlock()
	pauses := h.pauses()
	worst, acks := h.reset()
	if pauses != "" {
		t.Logf("without an acknowledgement: %s", pauses)
	}
	t.Logf("FAULT %s: longest gap %v, longest that one client waited %v, %d acknowledged (goal %v)",
		what, worst.Round(10*time.Millisecond), slowest.Round(10*time.Millisecond), acks, goal)
	if worst > 3*goal {
		t.Errorf("%s: no acknowledgement for %v, goal %v", what, worst, goal)
	}
}

// caughtUp waits until all three nodes have all of the log.
func (d *deployment) caughtUp(t testing.TB) {
	t.Helper()
	if err := d.behind(t, time.Minute); err != nil {
		t.Fatalf("a minute, and a node has not caught up: %v", err)
	}
}

// behind waits until all three nodes have all of the log, and says what one
// lacks if it takes too long.
func (d *deployment) behind(t testing.TB, most time.Duration) (err error) {
	t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		var s jetstream.Stream
		if s, err = d.js.Stream(t.Context(), log.StreamName); err != nil {
			continue
		}
		c := s.CachedInfo().Cluster
		if c == nil || c.Leader == "" || len(c.Replicas) != 2 {
			err = fmt.Errorf("no leader or not three replicas: %+v", c)
			continue
		}
		for _, r := range c.Replicas {
			if r.Offline || !r.Current {
				err = fmt.Errorf("%s is %d behind", r.Name, r.Lag)
			}
		}
		if err == nil {
			return nil
		}
	}
	return err
}

// folds checks that the states of the sites are the folds of their logs, that
// nothing is there that must never be, and that all that was acknowledged is.
func (d *deployment) folds(t testing.TB, loads map[queue.SiteID][]*load) {
	t.Helper()
	l, err := log.Dial(t.Context(), log.DialOptions{URL: d.URLs(), MustExist: true, Conn: d.Options(t, "backup")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for site, list := range loads {
		led, err := ledger.Open(t.Context(), ledger.Options{Site: site, Log: l, Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		st := led.View()
		if found := st.Audit(); len(found) > 0 {
			t.Errorf("site %s: the audit finds %v", site, found)
		}
		times := map[queue.CommandID]int{}
		if err := l.Read(t.Context(), site, 0, func(en *queue.Entry) error { times[en.Command()]++; return nil }); err != nil {
			t.Fatal(err)
		}
		for cmd, n := range times {
			if n > 1 {
				t.Errorf("site %s: command %s is %d times in the log", site, cmd, n)
			}
		}
		for _, ld := range list {
			for _, c := range ld.acked {
				if id := queue.CommandID(c.body["command_id"].(string)); times[id] == 0 {
					t.Errorf("site %s: command %s was acknowledged and is lost", site, id)
				}
			}
		}
	}
}

// gaps measures the longest time without an acknowledgement.
type gaps struct {
	mu    sync.Mutex
	last  time.Time
	worst time.Duration
	acks  int
	// slowest is the longest that one client waited for one answer.
	slowest time.Duration
	since   time.Time // of this measurement
	long    []string  // gaps of a second and more
}

// pauses tells when nothing was acknowledged for a second and more.
func (g *gaps) pauses() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return strings.Join(g.long, ", ")
}

// answered takes a command's time from its first try to its answer.
func (g *gaps) answered(took time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.slowest = max(g.slowest, took)
}

func (g *gaps) ack() {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	if !g.last.IsZero() {
		g.worst = max(g.worst, now.Sub(g.last))
		if now.Sub(g.last) >= time.Second {
			g.long = append(g.long, fmt.Sprintf("%.1f–%.1f s", g.last.Sub(g.since).Seconds(), now.Sub(g.since).Seconds()))
		}
	}
	g.last = now
	g.acks++
}

// reset begins a new measurement and returns what was measured.
func (g *gaps) reset() (worst time.Duration, acks int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.last.IsZero() {
		g.worst = max(g.worst, time.Since(g.last))
	}
	worst, acks = g.worst, g.acks
	g.worst, g.acks, g.slowest, g.last = 0, 0, 0, time.Now()
	g.since, g.long = g.last, nil
	return worst, acks
}
