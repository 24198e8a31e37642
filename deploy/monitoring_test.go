// Package deploy_test judges what machines need beside the program: the rules
// of Prometheus and the dashboards.
package deploy_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.yaml.in/yaml/v4"
)

// tool is a program of the package prometheus.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is missing; run: make deps (Debian, Ubuntu: apt-get install prometheus)", name)
	}
	return path
}

// TestRules runs the rules' own unit tests.
func TestRules(t *testing.T) {
	for _, args := range [][]string{{"check", "config", "prometheus.yml"}, {"test", "rules", "rules_test.yml"}} {
		cmd := exec.Command(tool(t, "promtool"), args...)
		cmd.Dir = "prometheus"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

type rulesFile struct {
	Groups []struct {
		Rules []struct {
			Record, Alert, Expr string
			Annotations         map[string]string
		}
	}
}

func rules(t *testing.T) rulesFile {
	t.Helper()
	b, err := os.ReadFile("prometheus/rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	var f rulesFile
	if err := yaml.Unmarshal(b, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

// dashboards are the expressions of every panel.
func dashboards(t *testing.T) map[string]string {
	t.Helper()
	files, err := filepath.Glob("grafana/dashboards/*.json")
	if err != nil || len(files) != 2 {
		t.Fatalf("dashboards %v %v", files, err)
	}
	out := map[string]string{}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var d struct {
			UID    string
			Panels []struct {
				ID      int
				Title   string
				Targets []struct{ Expr string }
			}
		}
		if err := json.Unmarshal(b, &d); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		seen := map[int]bool{}
		for _, p := range d.Panels {
			if seen[p.ID] || p.Title == "" || len(p.Targets) == 0 {
				t.Errorf("%s: panel %d %q", name, p.ID, p.Title)
			}
			seen[p.ID] = true
			for i, x := range p.Targets {
				out[fmt.Sprintf("%s: %s (%d)", d.UID, p.Title, i)] = x.Expr
			}
		}
	}
	return out
}

var metric = regexp.MustCompile(`\b(?:tickover|go|process)_[a-z0-9_]+\b|\bup\b`)

// TestEveryQueryReturnsData runs a real Prometheus against the living demo
// shop: every recording rule and every panel returns data, every metric that an
// alert looks at exists.
func TestEveryQueryReturnsData(t *testing.T) {
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	bin := filepath.Join(dir, "tickover")
	if out, err := exec.Command("go", "build", "-o", bin, "../cmd/tickover").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	shop := free(t)
	start(t, ctx, filepath.Join(dir, "demo.log"), bin, "demo", "--listen", shop, "--speed", "120", "--data", filepath.Join(dir, "data"))
	prom := free(t)
	b, err := os.ReadFile("prometheus/prometheus.yml")
	if err != nil {
		t.Fatal(err)
	}
	config := strings.NewReplacer("15s", "1s", "127.0.0.1:8425", shop).Replace(string(b))
	write(t, filepath.Join(dir, "prometheus.yml"), config)
	b, err = os.ReadFile("prometheus/rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "rules.yml"), string(b))
	start(t, ctx, filepath.Join(dir, "prometheus.log"), tool(t, "prometheus"), "--config.file", filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path", filepath.Join(dir, "tsdb"), "--web.listen-address", prom)

	queries := dashboards(t)
	for _, g := range rules(t).Groups {
		for _, r := range g.Rules {
			if r.Record != "" {
				queries["rule "+r.Record] = r.Record
				continue
			}
			if r.Annotations["summary"] == "" || r.Annotations["action"] == "" {
				t.Errorf("alert %s says not what is wrong or what to do", r.Alert)
			}
			for _, name := range metric.FindAllString(r.Expr, -1) {
				queries["alert "+r.Alert+": "+name] = "count(" + name + ")"
			}
		}
	}
	missing := queries
	for len(missing) > 0 {
		left := map[string]string{}
		for what, q := range missing {
			if n, err := query(ctx, prom, q); err != nil || n == 0 {
				left[what] = fmt.Sprintf("%s: %v", q, err)
			}
		}
		if missing = keep(queries, left); len(missing) == 0 {
			break
		}
		select {
		case <-ctx.Done():
			for what, why := range left {
				t.Errorf("%s returned nothing: %s", what, why)
			}
			return
		case <-time.After(time.Second): // until the next scrape
		}
	}
}

func keep(queries, left map[string]string) map[string]string {
	out := map[string]string{}
	for what := range left {
		out[what] = queries[what]
	}
	return out
}

// query is the number of series that an expression returns with a number.
func query(ctx context.Context, addr, expr string) (int, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/api/v1/query?query="+url.QueryEscape(expr), nil)
	if err != nil {
		return 0, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, 4<<20))
	if err != nil {
		return 0, err
	}
	var a struct {
		Status, Error string
		Data          struct{ Result []struct{ Value [2]any } }
	}
	if err := json.Unmarshal(b, &a); err != nil {
		return 0, err
	}
	if a.Status != "success" {
		return 0, fmt.Errorf("%s", a.Error)
	}
	n := 0
	for _, r := range a.Data.Result {
		if v, ok := r.Value[1].(string); ok && !slices.Contains([]string{"NaN", "+Inf", "-Inf"}, v) {
			n++
		}
	}
	return n, nil
}

func start(t *testing.T, ctx context.Context, log, name string, args ...string) {
	t.Helper()
	f, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stdout, cmd.Stderr = f, f
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 20 * time.Second
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(os.Interrupt) // it may have ended
		_ = cmd.Wait()                       // an interrupt is no success
		f.Close()
		if t.Failed() {
			if b, err := os.ReadFile(log); err == nil {
				t.Logf("%s:\n%s", filepath.Base(log), b[max(0, len(b)-2000):])
			}
		}
	})
}

func write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// free is an address nobody listens on.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
