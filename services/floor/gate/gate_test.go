package gate

import (
	"bytes"
	"flag"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the table of who may use which route")

// TestTableInTheDocs: testdata/routes.md is the table.
func TestTableInTheDocs(t *testing.T) {
	const file = "../../../testdata/routes.md"
	want := "# Who may use which route\n\nWritten by `go test ./services/floor/gate -update` from `services/floor/gate/allow.go`; that each role can do this and nothing else is tried by `TestRoutesByRole` in `services/floor`.\n\n" + Markdown()
	if *update {
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(file)
	if err != nil || string(got) != want {
		t.Errorf("%s is not the table in allow.go (%v): run go test ./services/floor/gate -update, and read what changed", file, err)
	}
}

const session = "ines.0123456789abcdef0123456789abcdef"

// post is a form as a browser sends it.
func post(kind string, body []byte) *http.Request {
	r := httptest.NewRequest(http.MethodPost, "/do/start", bytes.NewReader(body))
	r.Header.Set("Content-Type", kind)
	return r
}

func TestFormTokens(t *testing.T) {
	g := New(Options{})
	a, b := FormToken(session), FormToken(session)
	if a == b {
		t.Error("two tokens of a session are the same: their bytes could be found out by compression")
	}
	mine, other := a, FormToken("tomas.0123456789abcdef0123456789abcdef")
	form := func(token string) []byte {
		return []byte(url.Values{FormField: {token}}.Encode() + "&unit=LM-1&note=" + strings.Repeat("x", 50_000))
	}
	parts := func(token, first string) (string, []byte) {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		if first != "" {
			_ = w.WriteField(first, "x")
		}
		_ = w.WriteField(FormField, token)
		_ = w.WriteField("note", strings.Repeat("x", 50_000))
		_ = w.Close()
		return w.FormDataContentType(), b.Bytes()
	}
	const urlencoded = "application/x-www-form-urlencoded"
	kind, whole := parts(mine, "")
	kindStolen, stolen := parts(other, "")
	kindLate, late := parts(mine, "unit")
	for what, x := range map[string]struct {
		kind string
		body []byte
		want bool
	}{
		"its own": {urlencoded, form(mine), true}, "again": {urlencoded, form(b), true}, "of another session": {urlencoded, form(other), false},
		"none": {urlencoded, []byte("unit=LM-1"), false}, "empty": {urlencoded, nil, false}, "cut": {urlencoded, form(mine[:40]), false}, "not first": {urlencoded, append([]byte("unit=x&"), form(mine)...), false},
		"parts": {kind, whole, true}, "parts of another session": {kindStolen, stolen, false}, "parts, not first": {kindLate, late, false},
		"plain text": {"text/plain", form(mine), false}, "no kind": {"", form(mine), false}, "two kinds": {"text/plain, application/json", form(mine), false},
		"json": {"application/json", []byte("{}"), true},
	} {
		r := post(x.kind, x.body)
		if got := g.formIsOurs(r, session); got != x.want {
			t.Errorf("%s: %v", what, got)
		}
		if rest, err := io.ReadAll(r.Body); err != nil || !bytes.Equal(rest, x.body) && !(len(x.body) == 0 && len(rest) == 0) {
			t.Errorf("%s: the body was used up: %d of %d bytes, %v", what, len(rest), len(x.body), err)
		}
	}
}

func TestFormsAreSealed(t *testing.T) {
	page := []byte(`<form action="/find"></form><form method="post" action="/a"><p></form><FORM class=x METHOD=POST></FORM><form data-x="&lt;" method="post">`)
	got := string(SealForms(page, session))
	if n := strings.Count(got, `name="`+FormField+`"`); n != 3 {
		t.Errorf("%d of 3 forms are sealed: %s", n, got)
	}
	if string(SealForms(page, "")) != string(page) {
		t.Error("an open shop's forms are changed")
	}
}

// FuzzForm: whatever is sent as a form, looking at it ends, uses nothing up,
// and lets nothing through without the token.
func FuzzForm(f *testing.F) {
	f.Add("application/x-www-form-urlencoded", []byte("form_token=abc&unit=LM-1"))
	f.Add("multipart/form-data; boundary=x", []byte("--x\r\nContent-Disposition: form-data; name=\"form_token\"\r\n\r\nabc\r\n--x--"))
	f.Add("text/plain", []byte("x"))
	g := New(Options{})
	f.Fuzz(func(t *testing.T, kind string, body []byte) {
		r := post(kind, body)
		ok := g.formIsOurs(r, session)
		simple := strings.Contains(kind, "form") || strings.Contains(kind, "text/plain")
		if ok && simple && (strings.HasPrefix(kind, "application/x-www-form-urlencoded") || strings.HasPrefix(kind, "multipart/form-data") || strings.HasPrefix(kind, "text/plain")) {
			t.Errorf("let through without a token: %q %q", kind, body)
		}
		rest, err := io.ReadAll(r.Body)
		if err != nil || !bytes.Equal(rest, body) {
			t.Errorf("the body was used up: %q of %q, %v", rest, body, err)
		}
	})
}

func TestAddresses(t *testing.T) {
	for at, want := range map[string]string{
		"192.0.2.7:4711": "192.0.2.7", "[2001:db8:1:2:3:4:5:6]:80": "2001:db8:1:2::/64", "[::ffff:192.0.2.7]:80": "192.0.2.7", "[::1]:80": "::1", "[fe80::1%eth0]:80": "fe80::/64", "x": "x",
	} {
		if got := Address(&http.Request{RemoteAddr: at}); got != want {
			t.Errorf("%s: %s, want %s", at, got, want)
		}
	}
}

func TestRatesForget(t *testing.T) {
	x := newRates(Limits{PerSecond: 1, Burst: 2}.orDefault())
	for i := range 3 * addressesMax {
		x.allow("192.0.2." + string(rune('a'+i%26)) + strings.Repeat("x", i%5000))
	}
	if len(x.by) > addressesMax {
		t.Errorf("%d addresses are remembered", len(x.by))
	}
	ok := 0
	for range 5 {
		if _, let := x.allow("198.51.100.1"); let {
			ok++
		}
	}
	if _, here := x.allow("127.0.0.1"); ok != 2 || !here {
		t.Errorf("%d let through, this machine: %v", ok, here)
	}
}
