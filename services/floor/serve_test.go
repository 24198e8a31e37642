package floor_test

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"tickover/services/floor"
	"tickover/services/floor/live"
)

// alertList is the alerts of bench workers.
type alertList struct {
	mu      sync.Mutex
	list    []live.Alert
	changed chan struct{}
}

func (a *alertList) Alerts() []live.Alert { a.mu.Lock(); defer a.mu.Unlock(); return a.list }

func (a *alertList) Changed() <-chan struct{} { a.mu.Lock(); defer a.mu.Unlock(); return a.changed }

func (a *alertList) raise(x live.Alert) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.list = append([]live.Alert{x}, a.list...)
	close(a.changed)
	a.changed = make(chan struct{})
}

func startServer(t *testing.T, h http.Handler) *httptest.Server {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s
}

func TestServeStopsGracefully(t *testing.T) {
	w := newWorld(t)
	ctx, cancel := context.WithCancel(context.Background())
	addr, served := make(chan net.Addr, 1), make(chan error, 1)
	go func() {
		served <- floor.Serve(ctx, "127.0.0.1:0", w.floor, nil, func(a net.Addr) { addr <- a })
	}()
	at := (<-addr).String()
	res, err := w.client.Get("http://" + at + "/events") // a page that stays open
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	_, err = floor.Listen(context.Background(), at, floor.Exposure{})
	if err == nil || !strings.Contains(err.Error(), "in use") || !strings.Contains(err.Error(), "another port") {
		t.Errorf("a port in use: %v", err)
	}
	cancel()
	if err := <-served; err != nil {
		t.Errorf("stop: %v", err)
	}
	if _, err := w.client.Get("http://" + at + "/healthz"); err == nil {
		t.Error("still serving")
	}
}

func TestListensOnThisMachineOnly(t *testing.T) {
	for addr, want := range map[string]string{
		"0.0.0.0:8425": "nobody signs in", ":8425": "nobody signs in", "192.168.1.5:8425": "nobody signs in",
		"8425": "write it as", "127.0.0.1:none": "",
	} {
		l, err := floor.Listen(context.Background(), addr, floor.Exposure{})
		if err == nil {
			l.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", addr, err)
		}
	}
}

// TestOtherSitesAreKeptOut: a page of another site can't send a form or a
// command, nor reach the shop by a name that it made point here.
func TestOtherSitesAreKeptOut(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	seq := w.l.View().Seq
	form := "unit=LM-1&held=yes&command_id=evil&actor=ruth"
	for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://example.org"}} {
		if r := w.send("POST", "/do/hold", "application/x-www-form-urlencoded", strings.NewReader(form), header...); r.status != http.StatusForbidden {
			t.Errorf("form with %v: %d", header, r.status)
		}
		if r := w.send("POST", "/api/v1/units/LM-1/hand-over", "application/json", strings.NewReader(`{"command_id":"c","actor":"ruth"}`), header...); r.status != http.StatusForbidden {
			t.Errorf("command with %v: %d", header, r.status)
		}
	}
	if r := w.send("GET", "/board", "", nil, "Host", "evil.example.org"); r.status != http.StatusMisdirectedRequest {
		t.Errorf("by a foreign name: %d", r.status)
	}
	if w.l.View().Seq != seq {
		t.Error("something was changed")
	}
	for _, host := range []string{"localhost:8425", "127.0.0.1", "[::1]:8425"} {
		if r := w.send("GET", "/cautions", "", nil, "Host", host); r.status != http.StatusOK {
			t.Errorf("by %s: %d", host, r.status)
		}
	}
}

func TestHeaders(t *testing.T) {
	w := newWorld(t)
	for _, path := range []string{"/board", "/static/app.css", "/api/v1/overview", "/nowhere"} {
		h := w.get(path).header
		csp := h.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: policy %q lacks %s", path, csp, part)
			}
		}
		if strings.Contains(csp, "unsafe") || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
	if r := w.get("/static/"); strings.Contains(string(r.body), "<pre>") {
		t.Error("the folder of files is listed")
	}
}
