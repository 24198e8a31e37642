package deploy_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/compose-spec/compose-go/v2/cli"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/redis/go-redis/v9"

	"tickover/deploy/deploytest"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/log/logtest"
	"tickover/queue/view/redisview"
	"tickover/queue/view/viewtest"
	"tickover/services/access"
	"tickover/services/contacts"
	"tickover/services/dispatch"
)

// TestNATS: three nodes with the very configuration of the deployment take the
// log, and each role's key opens what the role needs and nothing else.
func TestNATS(t *testing.T) {
	c := deploytest.StartCluster(t)
	if out := c.Check(t); !strings.Contains(out, "configuration file") {
		t.Errorf("nats-server -t says %q", out)
	}
	dispatcher := c.Connect(t, "dispatch")
	if _, err := dispatch.Provision(t.Context(), dispatcher, 3); err != nil {
		t.Fatal(err)
	}
	if _, err := contacts.Open(t.Context(), dispatcher, "none", 3, time.Now); err != nil {
		t.Fatal(err)
	}
	store, err := access.OpenJetStream(t.Context(), dispatcher, "larkmoor", 3, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Set(t.Context(), "account.olive", []byte(`{"id":"olive"}`), 0, 0); err != nil {
		t.Fatal(err)
	}
	l, err := log.Dial(t.Context(), log.DialOptions{URL: c.URLs(), Replicas: 3, Conn: c.Options(t, "dispatch")})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	logtest.Append(t, l, "larkmoor", "c1", log.Position{})
	logtest.Append(t, l, "highfell", "c2", log.Position{})

	js, err := jetstream.New(dispatcher)
	if err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(t.Context(), log.StreamName)
	if err != nil || s.CachedInfo().Config.Replicas != 3 {
		t.Fatalf("the log has %+v, %v", s, err)
	}

	t.Run("rights", func(t *testing.T) {
		for _, c2 := range []struct {
			role, subject string
			allowed       bool
		}{
			{"dispatch", "work.larkmoor.b1", true},
			{"dispatch", "$JS.API.STREAM.DELETE.SHOP", false},
			{"dispatch", "$JS.API.STREAM.PURGE.SHOP", false},
			{"dispatch", "$JS.API.STREAM.UPDATE.SHOP", false},
			{"dispatch", "$JS.API.STREAM.MSG.DELETE.SHOP", false},
			{"all", "$JS.API.STREAM.DELETE.SHOP", false},
			{"floor", "shop.larkmoor", true},
			{"floor", "work.larkmoor.b1", false},
			{"floor", "$KV.LEASES.dispatch.larkmoor", false},
			{"floor", "$KV.LEAD.epoch.larkmoor", false},
			{"floor", "$KV.PLANS.larkmoor", false},
			{"floor", "$JS.API.CONSUMER.CREATE.WORK.x.work.larkmoor.b1", false},
			{"floor", "$JS.API.STREAM.CREATE.X", false},
			{"bench", "work.larkmoor.b1", false},
			{"bench", "contacts.larkmoor.x", false},
			{"bench", "access.larkmoor.x", false},
			{"larkmoor_b1", "shop.larkmoor", true},
			{"larkmoor_b1", "shop.highfell", false},
			{"larkmoor_b1", "$KV.ALERTS.highfell.b1", false},
			{"larkmoor_b1", "$JS.API.CONSUMER.CREATE.WORK.larkmoor_b2.work.larkmoor.b2", false},
			{"larkmoor_b1", "$JS.API.CONSUMER.MSG.NEXT.WORK.highfell_b1", false},
			{"larkmoor_b1", "$JS.API.CONSUMER.CREATE.SHOP.x.shop.highfell", false},
			{"larkmoor_b1", "$JS.API.CONSUMER.CREATE.CONTACTS.x.contacts.>", false},
			{"larkmoor_b1", "$JS.API.STREAM.MSG.GET.ACCESS", false},
			{"backup", "shop.larkmoor", false},
			{"backup", "$JS.API.STREAM.MSG.GET.CONTACTS", true}, // a backup has people and accounts
			{"backup", "contacts.larkmoor.x", false},
			{"backup", "photos.larkmoor.x.head", false},
			{"floor", "$JS.API.STREAM.MSG.DELETE.PHOTOS", true}, // what nothing names goes
			{"larkmoor_b1", "photos.larkmoor.x.head", false},
			{"backup", "access.larkmoor.account.x", false},
			{"backup", "$JS.API.STREAM.MSG.DELETE.ACCESS", false},
		} {
			if got := mayPublish(t, c, c2.role, c2.subject); got != c2.allowed {
				t.Errorf("%s publishing on %s: allowed %v, want %v", c2.role, c2.subject, got, c2.allowed)
			}
		}
		for _, inbox := range []string{"_INBOX.>", "_INBOX_dispatch.>", ">", "shop.*", "contacts.>"} {
			if maySubscribe(t, c, "floor", inbox) {
				t.Errorf("floor can listen at %s", inbox)
			}
		}
	})

	t.Run("strangers", func(t *testing.T) {
		for name, opts := range map[string][]nats.Option{
			"without a key":         {nats.RootCAs(c.CA), nats.ClientCert(c.Certs["client"], c.Certs["client"]+".key")},
			"without a certificate": c.Options(t, "floor")[:2],
		} {
			if nc, err := nats.Connect(c.URLs(), append(opts, nats.MaxReconnects(0))...); err == nil {
				nc.Close()
				t.Errorf("%s: connected", name)
			}
		}
	})

	t.Run("backup and restore", func(t *testing.T) {
		reader, err := log.Dial(t.Context(), log.DialOptions{URL: c.URLs(), MustExist: true, Conn: c.Options(t, "backup")})
		if err != nil {
			t.Fatal(err)
		}
		defer reader.Close()
		file := filepath.Join(t.TempDir(), "b.tar.gz")
		rep, err := reader.Backup(t.Context(), file, nil)
		if err != nil || rep.Entries != 2 {
			t.Fatalf("backup: %+v, %v", rep, err)
		}
		var accounts bytes.Buffer
		if n, err := access.Dump(t.Context(), reader.Conn(), &accounts); err != nil || n != 1 {
			t.Errorf("accounts: %d, %v", n, err)
		}
		var people bytes.Buffer
		if _, err := contacts.Dump(t.Context(), reader.Conn(), &people); err != nil {
			t.Errorf("people: %v", err)
		}
		if _, err := log.RestoreInto(t.Context(), file, log.DialOptions{URL: c.URLs(), Replicas: 3, Conn: c.Options(t, "dispatch")}, nil); !errors.Is(err, log.ErrNotEmpty) {
			t.Errorf("restore over a log: %v, want ErrNotEmpty", err)
		}
		fresh := deploytest.StartAccounts(t, 1)
		got, err := log.RestoreInto(t.Context(), file, log.DialOptions{URL: fresh.URLs(), Replicas: 3, Conn: []nats.Option{nats.UserInfo("t0", "t")}}, nil)
		if err != nil || got.Entries != 2 || len(got.Sites) != 2 {
			t.Errorf("restored: %+v, %v", got, err)
		}
	})
}

// connect connects as a role and returns what the server refuses.
func connect(t *testing.T, c *deploytest.Cluster, role string) (*nats.Conn, func() string) {
	t.Helper()
	var mu sync.Mutex
	var refused string
	nc := c.Connect(t, role, nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		mu.Lock()
		defer mu.Unlock()
		refused = err.Error()
	}))
	return nc, func() string {
		if err := nc.FlushTimeout(10 * time.Second); err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		defer mu.Unlock()
		return refused
	}
}

func mayPublish(t *testing.T, c *deploytest.Cluster, role, subject string) bool {
	t.Helper()
	nc, refused := connect(t, c, role)
	// Nothing that a stream would take: an entry without its headers is not
	// appended by anybody's hand here.
	if strings.HasPrefix(subject, "shop.") {
		m := nats.NewMsg(subject)
		m.Header.Set(jetstream.ExpectedLastSubjSeqHeader, strconv.Itoa(1<<40))
		if err := nc.PublishMsg(m); err != nil {
			t.Fatal(err)
		}
	} else if err := nc.Publish(subject, nil); err != nil {
		t.Fatal(err)
	}
	return !settle(refused, "Publish")
}

func maySubscribe(t *testing.T, c *deploytest.Cluster, role, subject string) bool {
	t.Helper()
	nc, refused := connect(t, c, role)
	if _, err := nc.SubscribeSync(subject); err != nil {
		t.Fatal(err)
	}
	return !settle(refused, "Subscription")
}

// settle waits a moment for the refusal, whose handler has a goroutine of its
// own.
func settle(refused func() string, what string) bool {
	for range 20 {
		if r := refused(); r != "" {
			return strings.Contains(r, "Permissions Violation for "+what)
		}
		time.Sleep(5 * time.Millisecond)
	}
	return false
}

// TestRedisConfiguration: Redis with the deployment's configuration and rights
// passes the suite of shared views, and refuses what the program never does.
func TestRedisConfiguration(t *testing.T) {
	sample, err := os.ReadFile("redis/redis.acl.example")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte("a long secret"))
	acl := filepath.Join(t.TempDir(), "redis.acl")
	text := strings.Replace(string(sample), "CHANGE-ME-SHA256-OF-THE-PASSWORD", hex.EncodeToString(sum[:]), 1)
	if err := os.WriteFile(acl, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	conf, err := filepath.Abs("redis/redis.conf")
	if err != nil {
		t.Fatal(err)
	}
	r := deploytest.StartRedis(t, conf, "--aclfile", acl)
	c, err := redisview.Dial("redis://tickover:a long secret@"+r.Addr+"/0", nil)
	if err == nil {
		c.Close()
	}
	if c, err = redisview.Dial("redis://tickover:a%20long%20secret@"+r.Addr+"/0", nil); err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	viewtest.Run(t, func(t *testing.T) viewtest.Fixture {
		wipe(t, c)
		return viewtest.Fixture{Store: redisview.New(c)}
	})
	for _, args := range [][]any{{"flushall"}, {"config", "get", "*"}, {"keys", "*"}, {"set", "other", 1}, {"shutdown"}} {
		if err := c.Do(t.Context(), args...).Err(); err == nil || !strings.Contains(err.Error(), "NOPERM") {
			t.Errorf("%v: %v, want NOPERM", args, err)
		}
	}
	stranger := redis.NewClient(&redis.Options{Addr: r.Addr})
	defer stranger.Close()
	if err := stranger.Get(t.Context(), "tickover:view2:sites").Err(); err == nil || errors.Is(err, redis.Nil) {
		t.Errorf("a stranger reads: %v", err)
	}
}

// wipe forgets the sites of the suite: the role may not flush.
func wipe(t *testing.T, c *redis.Client) {
	t.Helper()
	s := redisview.New(c)
	heads, err := s.Heads(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range heads {
		if err := s.Drop(t.Context(), h.Site); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Drop(t.Context(), queue.SiteID("larkmoor")); err != nil {
		t.Fatal(err)
	}
}

// TestUnits: systemd finds no mistake in the units, and they are well shut in:
// its own measure of exposure is at most 2 of 10.
func TestUnits(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		t.Fatal("systemd-analyze is missing; run: make deps (Debian, Ubuntu: apt-get install systemd)")
	}
	units, err := filepath.Glob("systemd/*.*")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	for _, name := range []string{"tickover", "nats-server"} { // verify wants the programs to be there
		if err := os.WriteFile(filepath.Join(dir, name), []byte("#!/bin/sh\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	var files []string
	for _, u := range units {
		if ext := filepath.Ext(u); ext != ".service" && ext != ".timer" {
			continue
		}
		b, err := os.ReadFile(u)
		if err != nil {
			t.Fatal(err)
		}
		name := strings.Replace(filepath.Base(u), "@.", "@floor.", 1)
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(strings.ReplaceAll(string(b), "/usr/bin/", dir+"/")), 0o600); err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
		if filepath.Ext(u) != ".service" {
			continue
		}
		out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=20", file).CombinedOutput()
		if err != nil {
			t.Errorf("%s is not shut in: %v\n%s", u, err, lastLine(string(out)))
		}
	}
	if len(files) != 5 {
		t.Fatalf("%d units found", len(files))
	}
	cmd := exec.Command("systemd-analyze", append([]string{"verify", "--man=no"}, files...)...)
	cmd.Env = append(os.Environ(), "SYSTEMD_LOG_LEVEL=warning")
	out, err := cmd.CombinedOutput()
	if err != nil || strings.Contains(string(out), dir) {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}

func lastLine(s string) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return lines[len(lines)-1]
}

// TestCompose: the compose file is loaded and checked by the reference loader,
// and what it mounts and runs is there.
func TestCompose(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []string{"compose.yaml"} {
		b, err := os.ReadFile(filepath.Join("compose", f))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, f), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "secrets"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, f := range []string{"secrets/nats-keys.env", "redis.env"} {
		if err := os.WriteFile(filepath.Join(dir, f), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	o, err := cli.NewProjectOptions([]string{filepath.Join(dir, "compose.yaml")}, cli.WithProfiles([]string{"backup"}))
	if err != nil {
		t.Fatal(err)
	}
	p, err := o.LoadProject(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Services) != 8 {
		t.Errorf("%d services", len(p.Services))
	}
	variables := nodeVariables(t)
	for _, name := range []string{"node-a", "node-b", "node-c"} {
		s := p.Services[name]
		for _, v := range variables {
			if _, ok := s.Environment[v]; !ok && !strings.HasPrefix(v, "TICKOVER_KEY_") { // those are in nats-keys.env
				t.Errorf("%s: node.conf wants %s, which is not set", name, v)
			}
		}
	}
	roles := map[string]bool{}
	for _, s := range p.Services {
		for i, arg := range s.Command {
			if arg == "--role" {
				roles[s.Command[i+1]] = true
			}
		}
		for _, sec := range s.Secrets {
			if _, ok := p.Secrets[sec.Source]; !ok {
				t.Errorf("service %s: secret %s is not declared", s.Name, sec.Source)
			}
		}
	}
	if !roles["dispatch"] || !roles["floor"] || !roles["bench"] {
		t.Errorf("roles are %v", roles)
	}
	for _, f := range []string{"compose/Dockerfile", "nats/node.conf", "nats/accounts.conf", "redis/redis.conf"} {
		if _, err := os.Stat(f); err != nil {
			t.Error(err)
		}
	}
}

// nodeVariables are the variables that the nodes' configuration takes from the
// environment.
func nodeVariables(t *testing.T) []string {
	t.Helper()
	seen := map[string]bool{}
	var out []string
	for _, f := range []string{"nats/node.conf", "nats/accounts.conf"} {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\$(TICKOVER_\w+)`).FindAllStringSubmatch(string(b), -1) {
			if !seen[m[1]] {
				seen[m[1]] = true
				out = append(out, m[1])
			}
		}
	}
	return out
}

// TestExamplesAreComplete: the example of a node's environment sets all that
// its configuration wants, no more.
func TestExamplesAreComplete(t *testing.T) {
	b, err := os.ReadFile("nats/node.env.example")
	if err != nil {
		t.Fatal(err)
	}
	set := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^(TICKOVER_\w+)=`).FindAllStringSubmatch(string(b), -1) {
		set[m[1]] = true
	}
	for _, v := range nodeVariables(t) {
		if !set[v] {
			t.Errorf("node.env.example lacks %s", v)
		}
		delete(set, v)
	}
	for v := range set {
		t.Errorf("node.env.example sets %s, which nothing wants", v)
	}
}
