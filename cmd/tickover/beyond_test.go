package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"tickover/deploy/deploytest"
)

// beyond serves a site to other machines: over TLS and to who signs in only.
// Redis is stopped and started meanwhile; a bench's laptop works with its own
// key.
func (d *deployment) beyond(t *testing.T) {
	const site, secret = "saltburn", "quiet heron under glass"
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	role := func(key string) []string {
		return []string{"--nats-key", d.Keys[key], "--nats-ca", d.CA, "--nats-cert", d.Certs["client"], "--nats-cert-key", d.Certs["client"] + ".key"}
	}
	run := func(args ...string) (string, error) {
		out, err := exec.CommandContext(t.Context(), bin, args...).CombinedOutput()
		return string(out), err
	}
	// Without TLS it is not even begun.
	if out, err := run(append([]string{"serve", "--role", "floor", "--nats", d.URLs(), "--site", site, "--listen", "0.0.0.0:0"}, role("floor")...)...); err == nil || !strings.Contains(out, "--lan-tls") {
		t.Errorf("a floor beyond this machine without TLS: %v %s", err, out)
	}
	far := []string{"--site", site, "--listen", "0.0.0.0:0", "--lan-tls", "--host", site + ".localhost", "--data", filepath.Join(d.dir, "data-far"), "--log-level", "debug"}
	p := d.start(t, "floor", far...)
	pages := strings.Replace(p.pages, "http://127.0.0.1", "https://"+site+".localhost", 1)
	pem, err := os.ReadFile(filepath.Join(d.dir, "data-far", "tls", "authority.crt"))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		t.Fatal("the floor's authority is none")
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Timeout: 20 * time.Second, Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: roots},
		// The site's name need not resolve here.
		DialContext: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, network, strings.TrimPrefix(p.pages, "http://"))
		},
	}}
	t.Cleanup(c.CloseIdleConnections)
	get := func(path string) (int, string, string) {
		resp, err := c.Get(pages + path)
		if err != nil {
			return 0, err.Error(), ""
		}
		defer resp.Body.Close()
		b, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(b), resp.Request.URL.Path
	}
	// Without an account the site is not served.
	if status, text, _ := get("/board"); status == http.StatusOK {
		t.Errorf("a site without accounts is served beyond this machine: %d %.300s", status, text)
	}
	password := filepath.Join(d.dir, "password")
	if err := os.WriteFile(password, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	account := func(args ...string) string {
		t.Helper()
		out, err := run(append(append([]string{"account"}, args...), append([]string{"--nats", d.URLs(), "--site", site}, role("floor")...)...)...)
		if err != nil {
			t.Fatalf("account %v: %v\n%s", args, err, out)
		}
		return out
	}
	account("add", "olive", "--role", "owner", "--role", "foreman", "--password-file", password)
	if out := account("list"); !strings.Contains(out, "olive") || !strings.Contains(out, "by password") {
		t.Errorf("accounts of the deployment: %s", out)
	}
	token := regexp.MustCompile(`tickover_olive\.\S+`).FindString(account("token", "olive"))
	if out, err := run(append([]string{"account", "list", "--nats", d.URLs(), "--site", "nowhere"}, role("floor")...)...); err == nil || !strings.Contains(out, "no site") {
		t.Errorf("accounts of a site that is not there: %v %s", err, out)
	}
	deploytest.WaitFor(t, "the site to be served", 30*time.Second, func() error {
		if status, text, at := get("/board"); status != http.StatusOK || at != "/sign-in" {
			return fmt.Errorf("%d at %s: %.200s", status, at, text)
		}
		return nil
	})
	resp, err := c.PostForm(pages+"/sign-in", url.Values{"name": {"olive"}, "password": {secret}, "back": {"/board"}})
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK || resp.Request.URL.Path != "/board" {
		t.Fatalf("signed in: %d at %s", resp.StatusCode, resp.Request.URL.Path)
	}
	u, _ := url.Parse(pages)
	cookies := jar.Cookies(u)
	if len(cookies) != 1 || !strings.HasPrefix(cookies[0].Name, "__Host-") {
		t.Errorf("cookies: %v", cookies)
	}
	command := func(unit string) {
		t.Helper()
		body := arrival(unit)
		body["command_id"], body["actor"] = "far-"+unit, "olive"
		b, _ := json.Marshal(body)
		req, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, pages+"/api/v1/units", bytes.NewReader(b))
		req.Header.Set("Content-Type", "application/json")
		resp, err := c.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if text, _ := io.ReadAll(resp.Body); resp.StatusCode != http.StatusOK {
			t.Fatalf("a command by session: %d %s", resp.StatusCode, text)
		}
	}
	command("F-1")
	d.redis.Kill()
	command("F-2") // she goes on working
	if status, text, at := get("/board"); status != http.StatusOK || at != "/board" {
		t.Errorf("Redis away: %d at %s %.300s", status, at, text)
	}
	d.redis.Start(t)
	time.Sleep(2500 * time.Millisecond)
	command("F-3")
	if status, _, at := get("/board"); status != http.StatusOK || at != "/board" {
		t.Errorf("Redis back, and empty: %d at %s", status, at)
	}
	// The doctor; what it says of this machine's clock is not ours to judge.
	doctor := func(redis string, as ...string) string {
		out, _ := run(append([]string{"doctor", "--nats", d.URLs(), "--redis", redis}, as...)...)
		return out
	}
	deploytest.WaitFor(t, "the doctor to find a deployment well", time.Minute, func() error {
		if out := doctor(d.redis.URL(), role("backup")...); !strings.Contains(out, "ok     log at") || !strings.Contains(out, "ok     Redis") {
			return errors.New(out)
		}
		return nil
	})
	if out := doctor("redis://127.0.0.1:1/0", role("backup")...); !strings.Contains(out, "ok     log at") || !strings.Contains(out, "WRONG  Redis") {
		t.Errorf("the doctor, Redis away:\n%s", out)
	}
	if out := doctor(d.redis.URL(), "--nats-ca", d.CA); !strings.Contains(out, "WRONG  log at") {
		t.Errorf("the doctor without a key:\n%s", out)
	}
	// A bench's laptop: its own key, over TLS, to the nodes.
	worker := exec.Command(bin, append([]string{"bench", "--bench", "b1", "--site", "larkmoor", "--server", d.URLs()}, role("larkmoor_b1")...)...)
	worker.Stderr = os.Stderr
	out := readLines(t, worker)
	if err := worker.Start(); err != nil {
		t.Fatal(err)
	}
	out.waitFor(t, "bench b1 of larkmoor: working")
	_ = worker.Process.Signal(syscall.SIGTERM)
	_ = worker.Wait()
	// What the floor wrote at its loudest has none of the secrets.
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Errorf("the floor ended with %v", err)
	}
	text := p.errs.String()
	for what, s := range map[string]string{"password": secret, "token": strings.TrimPrefix(token, "tickover_olive."), "cookie": strings.TrimPrefix(cookies[0].Value, "olive."), "Redis": d.redis.URL() + "@"} {
		if strings.Contains(text, s) {
			t.Errorf("the log has the %s", what)
		}
	}
	for _, unit := range []string{"F-1", "F-2"} {
		if !logged(text, map[string]string{"site": site, "unit": unit, "command": "far-" + unit}) {
			t.Errorf("no line of the log has site, unit and command of %s:\n%.2000s", unit, text)
		}
	}
}

// logged reports whether one line of a log has all the fields.
func logged(text string, want map[string]string) bool {
	for line := range strings.Lines(text) {
		var f map[string]any
		if json.Unmarshal([]byte(line), &f) != nil {
			continue
		}
		all := true
		for k, v := range want {
			all = all && f[k] == v
		}
		if all {
			return true
		}
	}
	return false
}
