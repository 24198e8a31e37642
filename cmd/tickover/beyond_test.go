package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"html"
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
	"tickover/services/access/provider/providertest"
)

// beyond serves a site to other machines: over TLS and to who signs in only.
// Redis is stopped and started meanwhile; a bench's laptop works with its own
// key.
func (d *deployment) beyond(t *testing.T) {
	const site, secret, clientSecret = "saltburn", "quiet heron under glass", "kept between two machines"
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
	idp, client := providertest.Start(t, time.Now), filepath.Join(d.dir, "oidc-secret")
	if err := os.WriteFile(client, []byte(clientSecret), 0o600); err != nil {
		t.Fatal(err)
	}
	far := []string{"--site", site, "--listen", "0.0.0.0:0", "--lan-tls", "--host", site + ".localhost", "--data", filepath.Join(d.dir, "data-far"),
		"--oidc-issuer", idp.URL, "--oidc-client", providertest.Client, "--oidc-secret", client}
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
	accountAt := func(site string, args ...string) string {
		t.Helper()
		out, err := run(append(append([]string{"account"}, args...), append([]string{"--nats", d.URLs(), "--site", site}, role("floor")...)...)...)
		if err != nil {
			t.Fatalf("account %v: %v\n%s", args, err, out)
		}
		return out
	}
	account := func(args ...string) string { t.Helper(); return accountAt(site, args...) }
	account("add", "olive", "--role", "owner", "--role", "foreman", "--password-file", password)
	if out := account("list"); !strings.Contains(out, "olive") || !strings.Contains(out, "by password") {
		t.Errorf("accounts of the deployment: %s", out)
	}
	token := regexp.MustCompile(`tickover_olive\.\S+`).FindString(account("token", "olive"))
	if out, err := run(append([]string{"account", "list", "--nats", d.URLs(), "--site", "nowhere"}, role("floor")...)...); err == nil || !strings.Contains(out, "no site") {
		t.Errorf("accounts of a site that is not there: %v %s", err, out)
	}
	deploytest.WaitFor(t, "the site to be served", time.Minute, func() error {
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
	// She sees another site, which this floor does not serve, once that site's
	// own account of her name says so.
	accountAt("highfell", "add", "olive", "--role", "owner", "--password-file", password)
	d.shared(t, "highfell", "C-1")
	if status, text, _ := get("/group?q=C-1"); status != http.StatusOK || strings.Contains(text, "highfell") || strings.Contains(text, "/units/C-1") {
		t.Errorf("a site that does not say so is seen: %d %.3000s", status, text)
	}
	if out := accountAt("highfell", "seen", "olive", "--from", site); !strings.Contains(out, "from "+site) {
		t.Errorf("seen from: %s", out)
	}
	deploytest.WaitFor(t, "the sites that she may see, all current, and a unit of the other", time.Minute, func() error {
		status, text, _ := get("/group?q=C-1")
		ok := status == http.StatusOK && strings.Contains(text, `href="//highfell.localhost:`) && strings.Contains(text, "/units/C-1")
		for _, bad := range []string{"no dispatcher", "the dispatcher before", "lacks the last", "lack the last", "not planned"} {
			ok = ok && !strings.Contains(text, bad)
		}
		if !ok {
			return fmt.Errorf("%d %.9000s", status, text)
		}
		return nil
	})
	// What is secret and goes through the floor: a form's token, a code that
	// signs a device in, a calendar's link, a wrong password, the provider's door.
	form := func(on, to string, fields url.Values) string {
		t.Helper()
		_, text, _ := get(on)
		m := regexp.MustCompile(`name="form_token" value="([^"]+)"`).FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("no form on %s: %.300s", on, text)
		}
		token := html.UnescapeString(m[1])
		d.secrets["form token of "+on] = token
		// The token is a form's first field.
		body := "form_token=" + url.QueryEscape(token) + "&" + fields.Encode()
		resp, err := c.Post(pages+to, "application/x-www-form-urlencoded", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, _ := io.ReadAll(resp.Body)
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %.300s", to, resp.StatusCode, b)
		}
		return string(b)
	}
	found := func(what, pattern, text string) string {
		t.Helper()
		m := regexp.MustCompile(pattern).FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("no %s in %.2000s", what, text)
		}
		d.secrets[what] = html.UnescapeString(m[1])
		return d.secrets[what]
	}
	code := found("pairing code", `/pair\?code=([^"<&\s]+)`, form("/accounts", "/accounts/pair", url.Values{"account": {"olive"}}))
	found("calendar link", `link-once">[^<]*/([^/<]+)<`, form("/account", "/account/calendar", url.Values{"do": {"make"}}))
	jar2, _ := cookiejar.New(nil)
	phone := &http.Client{Jar: jar2, Timeout: 20 * time.Second, Transport: c.Transport}
	for _, try := range []struct {
		path   string
		fields url.Values
	}{
		{"/sign-in", url.Values{"name": {"olive"}, "password": {"wrong " + secret}}},
		{"/pair", url.Values{"code": {code}}},
		{"/pair", url.Values{"code": {code}}}, // once more: refused
	} {
		resp, err := phone.PostForm(pages+try.path, try.fields)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
	}
	if len(jar2.Cookies(u)) != 1 {
		t.Error("a phone is not paired by the code")
	} else {
		d.secrets["cookie of the phone"] = jar2.Cookies(u)[0].Value
	}
	stranger := &http.Client{Timeout: 20 * time.Second, Transport: c.Transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if resp, err := stranger.Get(pages + "/sign-in/provider"); err != nil || !strings.HasPrefix(resp.Header.Get("Location"), idp.URL) {
		t.Errorf("the provider's door: %v %v", resp, err)
	} else {
		resp.Body.Close()
	}
	d.keep(t, role("backup"), func(path, kind string, b []byte) string {
		resp, err := c.Post(pages+path, kind, bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		return string(text)
	})
	d.secrets["password"], d.secrets["secret of the OpenID client"] = secret, clientSecret
	d.secrets["token"], d.secrets["cookie"] = strings.TrimPrefix(token, "tickover_olive."), strings.TrimPrefix(cookies[0].Value, "olive.")
	// The doctor; what it says of this machine's clock is not ours to judge.
	doctor := func(redis string, as ...string) string {
		out, _ := run(append([]string{"doctor", "--nats", d.URLs(), "--redis", redis}, as...)...)
		d.silent(t, "the doctor", out)
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
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Errorf("the floor ended with %v", err)
	}
	text := p.errs.String()
	for _, unit := range []string{"F-1", "F-2"} {
		if len(linesOf(text, map[string]any{"site": site, "unit": unit, "command": "far-" + unit}, "")) == 0 {
			t.Errorf("no line of the log has site, unit and command of %s:\n%.2000s", unit, text)
		}
	}
}
