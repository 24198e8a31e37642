package provider_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"tickover/services/access/provider"
	"tickover/services/access/provider/providertest"
)

const (
	redirect = "https://shop.example/sign-in/provider/back"
)

var noon = time.Date(2026, 2, 17, 12, 0, 0, 0, time.UTC)

func open(t testing.TB) (*providertest.Server, *provider.Provider, *time.Time) {
	t.Helper()
	now := noon
	s := providertest.Start(t, func() time.Time { return now })
	p, err := provider.New(provider.Options{Issuer: s.URL, Client: providertest.Client, Secret: providertest.Secret, Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	s.Person(person(), nil)
	return s, p, &now
}

func person() providertest.Claims {
	return providertest.Claims{"sub": "4711", "email": "Ines@shop.example", "email_verified": true, "name": "Ines"}
}

// come goes to the provider and comes back.
func come(t testing.TB, p *provider.Provider) (cookie string, q url.Values) {
	t.Helper()
	to, cookie, err := p.Begin(t.Context(), "/units?q=LM", redirect)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(to+cookie, url.QueryEscape(providertest.Secret)) {
		t.Error("the client's secret goes through the browser")
	}
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Get(to)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	u, err := resp.Location()
	if err != nil || !strings.HasPrefix(u.String(), redirect+"?") {
		t.Fatalf("led to %v, %v", u, err)
	}
	return cookie, u.Query()
}

func TestSignIn(t *testing.T) {
	s, p, _ := open(t)
	cookie, q := come(t, p)
	id, back, err := p.Finish(t.Context(), cookie, q, redirect)
	if err != nil || id.Issuer != s.URL || id.Subject != "4711" || id.Email != "Ines@shop.example" || !id.Verified || back != "/units?q=LM" {
		t.Errorf("%+v, %q, %v", id, back, err)
	}
	// The provider's code works once; so does the state (access.Desk.Use).
	if _, _, err := p.Finish(t.Context(), cookie, q, redirect); !errors.Is(err, provider.ErrRefused) {
		t.Errorf("the same code again: %v", err)
	}
	// The address may be where the scope's claims are, and as text.
	s.Person(providertest.Claims{"sub": "4711"}, nil)
	s.Info(providertest.Claims{"sub": "4711", "email": "ines@shop.example", "email_verified": "true"})
	cookie, q = come(t, p)
	if id, _, err := p.Finish(t.Context(), cookie, q, redirect); err != nil || id.Email != "ines@shop.example" || !id.Verified {
		t.Errorf("userinfo: %+v, %v", id, err)
	}
	// Not when it is of somebody else (Core 1.0, 5.3.2).
	s.Info(providertest.Claims{"sub": "9", "email": "olive@shop.example", "email_verified": true})
	cookie, q = come(t, p)
	if id, _, err := p.Finish(t.Context(), cookie, q, redirect); err != nil || id.Email != "" || id.Verified {
		t.Errorf("userinfo of somebody else: %+v, %v", id, err)
	}
}

// TestTokensThatDoNotHold: the checks of OpenID Connect Core 1.0, 3.1.3.7, and
// RFC 8725 (unsigned, signed with the public key as a shared secret).
func TestTokensThatDoNotHold(t *testing.T) {
	foreign, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s, p, _ := open(t)
	public, err := x509.MarshalPKIXPublicKey(s.Public())
	if err != nil {
		t.Fatal(err)
	}
	set := func(k string, v any) func(providertest.Claims) { return func(c providertest.Claims) { c[k] = v } }
	for what, x := range map[string]struct {
		change func(providertest.Claims)
		sign   func([]byte) string
	}{
		"wrong nonce":            {set("nonce", "another"), nil},
		"no nonce":               {func(c providertest.Claims) { delete(c, "nonce") }, nil},
		"wrong audience":         {set("aud", "another-client"), nil},
		"two audiences":          {set("aud", []string{providertest.Client, "another-client"}), nil},
		"for another party":      {set("azp", "another-client"), nil},
		"foreign issuer":         {set("iss", "https://id.evil.example"), nil},
		"expired":                {set("exp", noon.Add(-time.Second).Unix()), nil},
		"of tomorrow":            {set("iat", noon.Add(24*time.Hour).Unix()), nil},
		"no subject":             {func(c providertest.Claims) { delete(c, "sub") }, nil},
		"subject with a blank":   {set("sub", "47\n11"), nil},
		"unsigned":               {nil, providertest.Unsigned},
		"signed by a stranger":   {nil, func(b []byte) string { return providertest.Sign(jose.ES256, foreign, "k1", b) }},
		"signed with another id": {nil, func(b []byte) string { return providertest.Sign(jose.ES256, foreign, "k2", b) }},
		"public key as a secret": {nil, func(b []byte) string { return providertest.Sign(jose.HS256, public, "k1", b) }},
		"client's secret": {nil, func(b []byte) string {
			return providertest.Sign(jose.HS256, []byte(providertest.Secret+providertest.Secret), "k1", b)
		}},
		"no token": {nil, func([]byte) string { return "" }},
		"no JSON":  {nil, func([]byte) string { return "a.b.c" }},
	} {
		s.Person(person(), x.change)
		s.SignWith(x.sign)
		cookie, q := come(t, p)
		if id, _, err := p.Finish(t.Context(), cookie, q, redirect); !errors.Is(err, provider.ErrToken) || id.Subject != "" {
			t.Errorf("%s: %+v, %v", what, id, err)
		}
	}
	s.Person(person(), nil)
	cookie, q := come(t, p)
	if _, _, err := p.Finish(t.Context(), cookie, q, redirect); err != nil {
		t.Errorf("the right one after them: %v", err)
	}
}

// TestTriesThatDoNotHold: what comes back belongs to the browser that went.
func TestTriesThatDoNotHold(t *testing.T) {
	s, p, now := open(t)
	cookie, q := come(t, p)
	other, _ := come(t, p)
	with := func(k, v string) url.Values {
		c := url.Values{}
		for name := range q {
			c.Set(name, q.Get(name))
		}
		c.Set(k, v)
		return c
	}
	for what, x := range map[string]struct {
		cookie string
		q      url.Values
		want   error
	}{
		"no cookie": {"", q, provider.ErrStale}, "another browser's": {other, q, provider.ErrStale}, "damaged": {cookie[:len(cookie)-5], q, provider.ErrStale},
		"no state": {cookie, with("state", ""), provider.ErrStale}, "another state": {cookie, with("state", "x"), provider.ErrStale},
		"an empty try": {"e30", url.Values{"state": {""}}, provider.ErrStale},
		// RFC 9207: the answer of another provider.
		"another issuer": {cookie, with("iss", "https://id.evil.example"), provider.ErrToken},
		"refused":        {cookie, with("error", "access_denied"), provider.ErrRefused},
		"another code":   {cookie, with("code", "guessed"), provider.ErrRefused},
	} {
		if id, _, err := p.Finish(t.Context(), x.cookie, x.q, redirect); !errors.Is(err, x.want) || id.Subject != "" {
			t.Errorf("%s: %+v, %v, want %v", what, id, err, x.want)
		}
	}
	if n := s.Tokens(); n != 0 {
		t.Errorf("%d tokens were fetched", n)
	}
	// The code of one try with the verifier of another (RFC 7636).
	stolen := url.Values{"code": q["code"]}
	mine, own := come(t, p)
	stolen.Set("state", own.Get("state"))
	if _, _, err := p.Finish(t.Context(), mine, stolen, redirect); !errors.Is(err, provider.ErrRefused) {
		t.Errorf("a stolen code: %v", err)
	}
	late, qLate := come(t, p)
	*now = now.Add(provider.Life)
	if _, _, err := p.Finish(t.Context(), late, qLate, redirect); !errors.Is(err, provider.ErrStale) {
		t.Errorf("too late: %v", err)
	}
}

func TestProviderDown(t *testing.T) {
	s, p, now := open(t)
	cookie, q := come(t, p)
	url := s.URL
	s.Close()
	if _, _, err := p.Finish(t.Context(), cookie, q, redirect); !errors.Is(err, provider.ErrDown) {
		t.Errorf("down: %v", err)
	}
	fresh, err := provider.New(provider.Options{Issuer: url, Client: "x", Now: func() time.Time { return *now }})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, _, err := fresh.Begin(context.Background(), "/", redirect); !errors.Is(err, provider.ErrDown) {
			t.Errorf("down from the start: %v", err)
		}
	}
}

func TestIssuers(t *testing.T) {
	for issuer, ok := range map[string]bool{
		"https://id.example": true, "https://id.example/shop": true, "http://127.0.0.1:8080": true, "http://localhost:1": true,
		"http://id.example": false, "": false, "id.example": false, "https://": false, "https://id.example?x=1": false, "ftp://id.example": false, "https://u:p@id.example": false,
	} {
		if _, err := provider.New(provider.Options{Issuer: issuer, Client: "x", Now: time.Now}); (err == nil) != ok {
			t.Errorf("%q: %v", issuer, err)
		}
	}
}

// FuzzCheck: whatever a browser sends as its try, looking at it ends, and only
// its own state passes.
func FuzzCheck(f *testing.F) {
	_, p, _ := open(f)
	cookie, q := come(f, p)
	f.Add(cookie, q.Get("state"))
	f.Add("e30", "")
	f.Add("", "x")
	f.Fuzz(func(t *testing.T, c, state string) {
		got, err := p.Check(c, url.Values{"state": {state}})
		if err == nil && (got != state || len(state) < 32) {
			t.Errorf("%q passes for %q", got, state)
		}
	})
}
