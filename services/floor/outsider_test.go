package floor_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/services/access/lan"
	"tickover/services/floor"
	"tickover/services/floor/gate"
	"tickover/services/floor/live"
)

// What an outsider tries, against the real server. Where a check follows a
// published rule, the rule is named.

// TestNoSession: nothing is shown and nothing done without one (OWASP ASVS 5.0,
// from memory V8.3); TestRoutesByRole tries every route.
func TestNoSession(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	seq := w.l.View().Seq
	start := url.Values{"command_id": {"x1"}, "unit": {"LM-1"}, "step": {"check-in"}, "actor": {"ruth"}, "technician": {"ines"}}
	for what, cookies := range map[string][]*http.Cookie{
		"none": nil, "the old choice of a person": {{Name: "tickover_person", Value: "ruth"}}, "made up": {{Name: "tickover_session", Value: "ruth.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"}},
		"secure name over plain HTTP": {{Name: "__Host-tickover_session", Value: "x"}}, "another account's wildcard": {{Name: "tickover_session", Value: "*.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"}},
	} {
		o := w.stranger()
		o.client.Jar.SetCookies(mustURL(t, w.server.URL), cookies)
		if r := o.postForm("/do/start", start); r.status != http.StatusUnauthorized || !strings.Contains(string(r.body), "/sign-in") {
			t.Errorf("%s: form: %d", what, r.status)
		}
		if r := o.call("/units/LM-1/steps/check-in/start", fields{"actor": "ruth", "technician": "ines"}); r.status != http.StatusUnauthorized || r.header.Get("WWW-Authenticate") == "" || r.object(t)["code"] != "signed-out" {
			t.Errorf("%s: API: %d %s", what, r.status, r.body)
		}
		if r := o.get("/units/LM-1?asof=2026-02-17T09:30"); !strings.HasPrefix(r.path, "/sign-in") {
			t.Errorf("%s: a page of the past: %s", what, r.path)
		}
	}
	if w.l.View().Seq != seq {
		t.Error("something was recorded")
	}
}

// TestStolenFormToken: a token of another session, of an older one, or none
// does nothing (OWASP ASVS 5.0, from memory V3.5.1).
func TestStolenFormToken(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	ines, tomas := w.as("ines"), w.as("tomas")
	seq := w.l.View().Seq
	old := ines.formToken()
	ines.press("/sign-out", nil)
	ines = w.as("ines")
	for what, token := range map[string]string{"another's": tomas.formToken(), "an older session's": old, "none": "", "garbage": strings.Repeat("A", 86)} {
		body := url.Values{gate.FormField: {token}}.Encode() + "&command_id=x1&unit=LM-1&step=check-in"
		r := ines.send(http.MethodPost, "/do/start", "application/x-www-form-urlencoded", strings.NewReader(body))
		if r.status != http.StatusForbidden || r.header.Get("Tickover-Code") != "stale-form" {
			t.Errorf("%s: %d", what, r.status)
		}
	}
	// A form that another site can make a browser send as it likes.
	for _, kind := range []string{"text/plain", "application/x-www-form-urlencoded; charset=x", "multipart/form-data; boundary=x", ""} {
		r := ines.send(http.MethodPost, "/api/v1/units/LM-1/steps/check-in/start", kind, strings.NewReader(`{"command_id":"x2","actor":"ines","technician":"ines"}`))
		if r.status != http.StatusForbidden {
			t.Errorf("API as %q: %d", kind, r.status)
		}
	}
	if w.l.View().Seq != seq {
		t.Error("something was recorded")
	}
}

// TestSessionFixation: a session that somebody planted is not continued, and
// signing in over one ends it (OWASP ASVS 5.0, from memory V7.2.4).
func TestSessionFixation(t *testing.T) {
	w := closedWorld(t)
	u := mustURL(t, w.server.URL)
	victim := w.stranger()
	planted := "ines.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	victim.client.Jar.SetCookies(u, []*http.Cookie{{Name: "tickover_session", Value: planted, Path: "/"}})
	victim.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}, "back": {"/job"}})
	session := func(o *world) string {
		for _, c := range o.client.Jar.Cookies(u) {
			if c.Name == "tickover_session" {
				return c.Value
			}
		}
		return ""
	}
	first := session(victim)
	if first == planted || first == "" {
		t.Fatal("the planted session was continued")
	}
	victim.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}})
	if session(victim) == first {
		t.Error("signing in again continues the session")
	}
	thief := w.stranger()
	thief.client.Jar.SetCookies(u, []*http.Cookie{{Name: "tickover_session", Value: first, Path: "/"}})
	if r := thief.get("/job"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("the session before is still good: %s", r.path)
	}
}

// TestPathTraversal: what is uploaded is named by its content, whatever the
// sender calls it, and no address leads out of the files that are served.
func TestPathTraversal(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	ines := w.as("ines")
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	_ = m.WriteField(gate.FormField, ines.formToken())
	for k, v := range map[string]string{"command_id": "x1", "unit": "LM-1", "step": "check-in", "reason": "x"} {
		_ = m.WriteField(k, v)
	}
	outside := filepath.Join(t.TempDir(), "evil.jpg")
	part, err := m.CreateFormFile("photo.photos", strings.Repeat("../", 20)+strings.TrimPrefix(outside, "/"))
	if err != nil {
		t.Fatal(err)
	}
	_, _ = part.Write([]byte("no picture"))
	_ = m.Close()
	ines.send(http.MethodPost, "/do/problem", m.FormDataContentType(), &b)
	if _, err := os.Stat(outside); err == nil {
		t.Error("a file was written outside")
	}
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("the secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/photos/..%2f..%2f..%2fetc%2fpasswd", "/photos/" + url.PathEscape("../../.."+secret), "/static/..%2f..%2fpages.go", "/static/%2e%2e/%2e%2e/pages.go", "/static/....//pages.go", "/static/", "/photos/%00", "/owner/csv/..%2fflow", "/units/..%2f..%2faccounts"} {
		r := ines.get(path)
		if r.status == http.StatusOK && !strings.Contains(string(r.body), "<html") || strings.Contains(string(r.body), "root:") || strings.Contains(string(r.body), "the secret") || strings.Contains(string(r.body), "package pages") {
			t.Errorf("%s: %d %.200s", path, r.status, r.body)
		}
	}
}

// TestOversized: bodies, headers and addresses beyond their bounds are refused,
// and nothing is recorded.
func TestOversized(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	ines, ruth := w.as("ines"), w.as("ruth")
	seq := w.l.View().Seq
	big := strings.Repeat("x", 2<<20)
	token := url.Values{gate.FormField: {ines.formToken()}}.Encode()
	for what, r := range map[string]reply{
		"form":    ines.send(http.MethodPost, "/do/start", "application/x-www-form-urlencoded", strings.NewReader(token+"&unit=LM-1&step=check-in&command_id=x1&reason="+big)),
		"sign-in": w.stranger().send(http.MethodPost, "/sign-in", "application/x-www-form-urlencoded", strings.NewReader("name=ines&password="+big)),
		"JSON":    ines.send(http.MethodPost, "/api/v1/units/LM-1/steps/check-in/start", "application/json", strings.NewReader(`{"actor":"`+big+`"}`)),
		"photo":   ines.send(http.MethodPost, "/api/v1/photos", "image/jpeg", bytes.NewReader(make([]byte, 13<<20))),
		"import":  ruth.send(http.MethodPost, "/api/v1/import?actor=ruth", "text/csv", bytes.NewReader(make([]byte, 17<<20))),
	} {
		if r.status != http.StatusRequestEntityTooLarge && r.status != http.StatusBadRequest {
			t.Errorf("%s: %d %.100s", what, r.status, r.body)
		}
	}
	if w.l.View().Seq != seq {
		t.Error("something was recorded")
	}
}

// TestHeaderInjection: what is sent does not come back as a header (CWE-113).
func TestHeaderInjection(t *testing.T) {
	w := closedWorld(t)
	ines := w.as("ines")
	ines.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	evil := "/job\r\nSet-Cookie: evil=1\r\n\r\n<script>"
	for _, r := range []reply{
		ines.get("/find?q=" + url.QueryEscape(evil)), ines.get("/look?page=" + url.QueryEscape(evil)), ines.get("/me?back=" + url.QueryEscape(evil)),
		ines.get("/technicians/ines/day.ics?day=" + url.QueryEscape(evil)), ines.press("/prefs", url.Values{"back": {evil}, "language": {evil}}),
		w.stranger().postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}, "back": {evil}}),
	} {
		for name, v := range r.header {
			if s := strings.Join(v, " "); strings.Contains(s, "evil=1") && name == "Set-Cookie" || strings.ContainsAny(s, "\r\n") {
				t.Errorf("%s: %s: %q", r.path, name, v)
			}
		}
		if strings.Contains(string(r.body), "<script>") {
			t.Errorf("%s: a script came back", r.path)
		}
	}
}

// TestCrossSiteStream: another site's page reads no stream and loads nothing
// (W3C Fetch Metadata), but a link to a page works.
func TestCrossSiteStream(t *testing.T) {
	w := closedWorld(t)
	ines := w.as("ines")
	for _, x := range []struct {
		path, site, mode, dest string
		want                   int
	}{
		{"/events", "cross-site", "cors", "empty", http.StatusForbidden}, {"/events", "same-site", "cors", "empty", http.StatusForbidden},
		{"/events", "same-origin", "cors", "empty", http.StatusOK}, {"/board", "cross-site", "navigate", "document", http.StatusOK},
		{"/board", "cross-site", "navigate", "iframe", http.StatusForbidden}, {"/board", "cross-site", "no-cors", "image", http.StatusForbidden}, {"/api/v1/units", "cross-site", "no-cors", "script", http.StatusForbidden},
	} {
		r := ines.knock(http.MethodGet, x.path, "Sec-Fetch-Site", x.site, "Sec-Fetch-Mode", x.mode, "Sec-Fetch-Dest", x.dest)
		if r.status != x.want {
			t.Errorf("%+v: %d", x, r.status)
		}
	}
}

// TestStreamsOfASessionAreBounded: a session opens so many, and loses them when it ends.
func TestStreamsOfASessionAreBounded(t *testing.T) {
	w := unserved(t)
	w.limits = gate.Limits{Streams: 3, Recheck: 20 * time.Millisecond}
	w.close()
	ines := w.as("ines")
	var open []*http.Response
	for i := range 5 {
		res, err := ines.client.Get(w.server.URL + "/events")
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		if want := map[bool]int{true: 200, false: 503}[i < 3]; res.StatusCode != want {
			t.Errorf("stream %d: %d", i, res.StatusCode)
		}
		if res.StatusCode == 200 {
			open = append(open, res)
		}
	}
	ines.press("/sign-out", nil)
	for _, res := range open {
		done := make(chan error, 1)
		go func() { _, err := io.Copy(io.Discard, res.Body); done <- err }()
		select {
		case <-done:
		case <-time.After(time.Minute):
			t.Fatal("a stream goes on after its session has ended")
		}
	}
}

// TestRequestsAreBounded: an address that asks too often is told to wait.
func TestRequestsAreBounded(t *testing.T) {
	w := unserved(t)
	w.limits = gate.Limits{PerSecond: 1, Burst: 20, LimitLoopback: true}
	w.close()
	o, told := w.stranger(), 0
	for range 40 {
		if r := o.get("/healthz"); r.status == http.StatusTooManyRequests && r.header.Get("Retry-After") != "" {
			told++
		}
	}
	if told < 10 {
		t.Errorf("only %d of 40 were told to wait", told)
	}
}

// TestGuessingThroughThePage: the throttle answers 429 with a time to wait.
func TestGuessingThroughThePage(t *testing.T) {
	w := closedWorld(t)
	o := w.stranger()
	var last reply
	for range 12 {
		last = o.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {"wrong horse battery"}})
	}
	if last.status != http.StatusTooManyRequests || last.header.Get("Retry-After") == "" || !strings.Contains(string(last.body), "too many attempts") {
		t.Errorf("%d %v", last.status, last.header)
	}
	if r := o.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}}); r.status != http.StatusTooManyRequests {
		t.Errorf("the right one meanwhile: %d", r.status)
	}
}

// tlsWorld is a closed shop behind TLS, and a client that trusts it.
func tlsWorld(t *testing.T) (*world, string, *http.Client) {
	t.Helper()
	w := closedWorld(t)
	a, err := lan.Open(t.TempDir(), lan.Names{}, time.Now, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	f, err := floor.New(floor.Options{Access: w.desk, Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: w.plans, Now: w.clock.now, Streams: live.Bounds{}, Authority: a, HSTS: true})
	if err != nil {
		t.Fatal(err)
	}
	l, err := floor.Listen(context.Background(), "127.0.0.1:0", floor.Exposure{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() {
		served <- floor.ServeTLS(ctx, l, &tls.Config{GetCertificate: a.GetCertificate, MinVersion: tls.VersionTLS12}, f, nil, f.Close)
	}()
	ca, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(ca)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}}
	t.Cleanup(func() {
		c.CloseIdleConnections()
		cancel()
		if err := <-served; err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return w, l.Addr().String(), c
}

// TestCookiesOverTLS: the session's cookie has the prefix __Host- with all that
// goes with it (rfc6265bis, 4.1.3.2), is not readable by scripts, and a stream
// of events runs over HTTP/2.
func TestCookiesOverTLS(t *testing.T) {
	_, addr, c := tlsWorld(t)
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	res, err := c.PostForm("https://"+addr+"/sign-in", url.Values{"name": {"ines"}, "password": {password}})
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	var session *http.Cookie
	for _, x := range res.Cookies() {
		if strings.Contains(x.Name, "session") {
			session = x
		}
	}
	if session == nil || session.Name != "__Host-tickover_session" || !session.Secure || !session.HttpOnly || session.Path != "/" || session.Domain != "" || session.SameSite != http.SameSiteLaxMode || session.MaxAge <= 0 {
		t.Fatalf("%+v", session)
	}
	if res.Header.Get("Strict-Transport-Security") == "" {
		t.Error("no HSTS")
	}
	res, err = c.Get("https://" + addr + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	line, err := bufio.NewReader(res.Body).ReadString('\n')
	if res.ProtoMajor != 2 || res.StatusCode != 200 || err != nil || !strings.HasPrefix(line, "retry:") {
		t.Errorf("stream: %s %d %q %v", res.Proto, res.StatusCode, line, err)
	}
	res, err = c.Get("https://" + addr + "/trust")
	if err != nil {
		t.Fatal(err)
	}
	b, _ := io.ReadAll(res.Body)
	res.Body.Close()
	if res.StatusCode != 200 || !strings.Contains(string(b), "SHA-256") {
		t.Errorf("trust page: %d", res.StatusCode)
	}
}

// TestSlowRequests: who sends a header byte by byte is cut off; others go on.
func TestSlowRequests(t *testing.T) {
	w := closedWorld(t)
	l, err := floor.Listen(context.Background(), "127.0.0.1:0", floor.Exposure{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- floor.ServeOn(ctx, l, w.floor, nil, w.floor.Close) }()
	defer func() { cancel(); <-served }()
	var slow []net.Conn
	for range 20 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprint(c, "GET /board HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ")
		slow = append(slow, c)
	}
	res, err := http.Get("http://" + l.Addr().String() + "/healthz")
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("others meanwhile: %v", err)
	}
	res.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	for _, c := range slow {
		if err := c.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadAll(c); err != nil {
			t.Fatalf("a slow request is not cut off: %v", err)
		}
	}
}

// TestListenRules: other machines are let in with sign-in and TLS only.
func TestListenRules(t *testing.T) {
	for _, x := range []struct {
		give floor.Exposure
		want string // of the error
	}{
		{floor.Exposure{}, "nobody signs in"}, {floor.Exposure{TLS: true}, "nobody signs in"}, {floor.Exposure{SignIn: true}, "--lan-tls"},
		{floor.Exposure{SignIn: true, TLS: true}, ""}, {floor.Exposure{Force: true}, ""},
	} {
		l, err := floor.Listen(context.Background(), "0.0.0.0:0", x.give)
		if l != nil {
			l.Close()
		}
		if (err == nil) != (x.want == "") || err != nil && !strings.Contains(err.Error(), x.want) {
			t.Errorf("%+v: %v", x.give, err)
		}
	}
}

// TestRedirectShowsNothing: the plain HTTP side leads to TLS, to the host that
// was asked for, and knows nobody.
func TestRedirectShowsNothing(t *testing.T) {
	w := closedWorld(t)
	h := startServer(t, w.floor.Redirect(&net.TCPAddr{IP: net.IPv4zero, Port: 8443}))
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer c.CloseIdleConnections()
	for path, want := range map[string]string{"/board?x=1": "https://127.0.0.1:8443/board?x=1", "//evil.example/": "https://127.0.0.1:8443//evil.example/"} {
		res, err := c.Get(h.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode != http.StatusPermanentRedirect || res.Header.Get("Location") != want {
			t.Errorf("%s: %d %s", path, res.StatusCode, res.Header.Get("Location"))
		}
	}
}

// TestPolicyForbidsInlineScripts: every page has a policy without unsafe-inline
// (CSP Level 3), and no page has a script or style in it that would need it.
func TestPolicyForbidsInlineScripts(t *testing.T) {
	w := closedWorld(t)
	w.everyPage()
	olive, ruth := w.as("olive"), w.as("ruth")
	for _, o := range []*world{olive, ruth, w.stranger()} {
		for _, path := range []string{"/sign-in", "/pair", "/accounts", "/account", "/board", "/job", "/owner", "/units/LM-1", "/me"} {
			r := o.get(path)
			csp := r.header.Get("Content-Security-Policy")
			if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
				t.Errorf("%s: %s", path, csp)
			}
			page := string(r.body)
			if strings.Contains(page, "<script>") || strings.Contains(page, " onclick=") || strings.Contains(page, "<style") || strings.Contains(page, "javascript:") {
				t.Errorf("%s has a script or style in it", path)
			}
		}
	}
}

// FuzzGate: whatever a stranger sends to a closed shop, nothing is recorded,
// nothing breaks, and nobody is let in.
func FuzzGate(f *testing.F) {
	f.Add("GET", "/board", "", "", "")
	f.Add("POST", "/sign-in", "application/x-www-form-urlencoded", "name=ines&password=x&back=//x", "")
	f.Add("POST", "/api/v1/units/LM-1/steps/check-in/start", "application/json", `{"actor":"ruth"}`, "Bearer tickover_ruth.x")
	f.Add("POST", "/do/start", "multipart/form-data; boundary=x", "--x", "tickover_session=ruth.x")
	f.Add("GET", "/technicians/ines/day.ics?key=ines.x", "", "", "")
	w := closedWorld(f)
	w.arrive("LM-1", "reflash")
	seq := w.l.View().Seq
	f.Fuzz(func(t *testing.T, method, path, kind, body, secret string) {
		if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "/events") {
			return
		}
		req, err := http.NewRequest(method, w.server.URL, strings.NewReader(body))
		if err != nil {
			return
		}
		if u, err := url.ParseRequestURI(path); err == nil {
			req.URL.Path, req.URL.RawQuery = u.Path, u.RawQuery
		} else {
			return
		}
		req.RequestURI, req.RemoteAddr, req.Host = path, "127.0.0.1:1", "127.0.0.1"
		req.Header["Content-Type"], req.Header["Authorization"], req.Header["Cookie"] = []string{kind}, []string{secret}, []string{secret}
		rec := newRecorder()
		w.floor.ServeHTTP(rec, req)
		if rec.status >= 500 && rec.status != http.StatusServiceUnavailable {
			t.Errorf("%s %s: %d %s", method, path, rec.status, rec.body.String())
		}
		if w.l.View().Seq != seq {
			t.Fatal("something was recorded")
		}
		for _, c := range (&http.Response{Header: rec.header}).Cookies() {
			if strings.Contains(c.Name, "session") && c.MaxAge >= 0 {
				t.Error("somebody was let in")
			}
		}
	})
}

// newRecorder takes an answer without a connection.
func newRecorder() *answerRecorder { return &answerRecorder{header: http.Header{}, status: 200} }

type answerRecorder struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (r *answerRecorder) Header() http.Header         { return r.header }
func (r *answerRecorder) WriteHeader(status int)      { r.status = status }
func (r *answerRecorder) Write(b []byte) (int, error) { return r.body.Write(b) }
