package floor_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/go-jose/go-jose/v4"

	"tickover/services/access"
	"tickover/services/access/provider"
	"tickover/services/access/provider/providertest"
	"tickover/services/floor/live"
)

// withProvider is a closed shop whose people may come in through a provider.
func withProvider(t testing.TB) (*world, *providertest.Server) {
	t.Helper()
	w := unserved(t)
	s := providertest.Start(t, w.clock.now)
	var err error
	if w.provider, err = provider.New(provider.Options{Issuer: s.URL, Client: providertest.Client, Secret: providertest.Secret, Name: "Village ID", Now: w.clock.now}); err != nil {
		t.Fatal(err)
	}
	w.close()
	w.account(access.Account{ID: "nils", Name: "Nils Orrin", Roles: []access.Role{access.Technician}, Email: "nils@shop.example"})
	w.account(access.Account{ID: "bench-2", Roles: []access.Role{access.Bench}, Bench: "b2", Email: "b2@shop.example"})
	return w, s
}

func nils() providertest.Claims {
	return providertest.Claims{"sub": "4711", "email": "Nils@Shop.example", "email_verified": true, "name": "Nils"}
}

func TestProviderSignsIn(t *testing.T) {
	w, s := withProvider(t)
	w.everyPage()
	s.Person(nils(), func(c providertest.Claims) {
		c["roles"], c["groups"] = []string{"owner"}, []string{"owner"} // the provider's word on it counts for nothing
	})
	o := w.stranger()
	r := o.get("/units?q=LM")
	if !strings.Contains(string(r.body), `href="/sign-in/provider?back=%2funits%3fq%3dLM"`) || !strings.Contains(string(r.body), "Village ID") {
		t.Fatalf("the page for signing in does not lead there:\n%s", r.body)
	}
	r = o.get("/sign-in/provider?back=%2Funits%3Fq%3DLM")
	if r.status != http.StatusOK || r.path != "/units?q=LM" || !strings.Contains(string(r.body), "LM-1") || !strings.Contains(string(r.body), "Nils") {
		t.Fatalf("through the provider: %d at %s\n%s", r.status, r.path, r.body)
	}
	if r := o.get("/owner"); r.status != http.StatusForbidden {
		t.Errorf("roles of the token count: %d", r.status)
	}
	if r := o.get("/account"); !strings.Contains(string(r.body), "through the provider") {
		t.Error("the account does not say how its session began")
	}
	for _, c := range o.client.Jar.Cookies(mustURL(t, w.server.URL)) {
		if strings.Contains(c.Name, "provider") {
			t.Error("the try is still in the browser")
		}
	}
	// The account now belongs to the subject, whatever its address becomes; who
	// has the address later is another person.
	a, err := w.desk.Account(context.Background(), "nils")
	if err != nil || a.Subject != s.URL+" 4711" {
		t.Fatalf("the account's person is %q, %v", a.Subject, err)
	}
	s.Person(providertest.Claims{"sub": "4711", "email": "n.orrin@other.example"}, nil)
	if r := w.stranger().get("/sign-in/provider?back=/cautions"); r.path != "/cautions" {
		t.Errorf("the same person with another address: %d at %s", r.status, r.path)
	}
	s.Person(providertest.Claims{"sub": "4712", "email": "nils@shop.example", "email_verified": true}, nil)
	if r := w.stranger().get("/sign-in/provider"); r.status != http.StatusForbidden {
		t.Errorf("another person with his address: %d at %s", r.status, r.path)
	}
	// The same number at another issuer is another person.
	if _, err := w.desk.SignInAs(context.Background(), access.Identity{Issuer: "https://id.evil.example", Subject: "4711"}, access.Origin{}); err != access.ErrStranger {
		t.Errorf("the same number at another issuer: %v", err)
	}
	// A shut account is shut this way too.
	shut := true
	if err := w.desk.Change(context.Background(), "olive", "nils", access.Change{Shut: &shut}); err != nil {
		t.Fatal(err)
	}
	s.Person(nils(), nil)
	if r := w.stranger().get("/sign-in/provider"); r.status != http.StatusForbidden {
		t.Errorf("a shut account: %d at %s", r.status, r.path)
	}
	if r := o.get("/board"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("a shut account's session: at %s", r.path)
	}
}

// TestProviderLetsNobodyElseIn: a stranger is told whom to ask, and nothing of
// what is wrong signs anybody in.
func TestProviderLetsNobodyElseIn(t *testing.T) {
	w, s := withProvider(t)
	refused := func(what string, r reply, status int, says string) {
		t.Helper()
		if r.status != status || !strings.Contains(string(r.body), says) || strings.Contains(r.header.Get("Set-Cookie"), "session=") && !strings.Contains(r.header.Get("Set-Cookie"), "Max-Age=0") {
			t.Errorf("%s: %d at %s, want %d and %q\n%s", what, r.status, r.path, status, says, r.body)
		}
		if !strings.Contains(string(r.body), `name="password"`) {
			t.Errorf("%s: the page has no form for a password", what)
		}
	}
	for what, c := range map[string]providertest.Claims{
		"unknown":        {"sub": "1", "email": "x@shop.example", "email_verified": true},
		"no address":     {"sub": "2"},
		"unverified":     {"sub": "3", "email": "nils@shop.example", "email_verified": false},
		"a bench screen": {"sub": "4", "email": "b2@shop.example", "email_verified": true},
		"hostile":        {"sub": `5"><script>`, "email": `"><script>alert(1)</script>@x.example`, "email_verified": true},
	} {
		s.Person(c, nil)
		r := w.stranger().get("/sign-in/provider?back=/board")
		refused(what, r, http.StatusForbidden, "Ask the shop’s owner")
		if strings.Contains(string(r.body), "<script>alert") || strings.Contains(string(r.body), "Olive") {
			t.Errorf("%s: the page shows what it should not", what)
		}
	}
	s.Person(nils(), func(c providertest.Claims) { c["nonce"] = "another" })
	refused("wrong nonce", w.stranger().get("/sign-in/provider"), http.StatusForbidden, "does not hold")
	s.SignWith(providertest.Unsigned)
	s.Person(nils(), nil)
	s.SignWith(providertest.Unsigned)
	refused("unsigned", w.stranger().get("/sign-in/provider"), http.StatusForbidden, "does not hold")
	s.SignWith(func(b []byte) string {
		return providertest.Sign(jose.HS256, []byte(strings.Repeat(providertest.Secret, 2)), "k1", b)
	})
	refused("shared secret", w.stranger().get("/sign-in/provider"), http.StatusForbidden, "does not hold")
	s.Refuse()
	refused("gone back", w.stranger().get("/sign-in/provider"), http.StatusForbidden, "did not sign you in")
	s.Person(nils(), nil)

	// What comes back belongs to the browser that went, and works once.
	o := w.stranger()
	o.client.CheckRedirect = func(r *http.Request, _ []*http.Request) error {
		if strings.HasPrefix(r.URL.Path, "/sign-in/provider/back") {
			return http.ErrUseLastResponse
		}
		return nil
	}
	o.get("/sign-in/provider?back=/board")
	cookies := o.client.Jar.Cookies(mustURL(t, w.server.URL))
	res, err := o.client.Get(w.server.URL + "/sign-in/provider?back=/board")
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	back := res.Header.Get("Location") // of the second try
	path := strings.TrimPrefix(back, w.server.URL)
	refused("another browser", w.stranger().get(path), http.StatusBadRequest, "another browser")
	old := w.stranger()
	old.client.Jar.SetCookies(mustURL(t, w.server.URL), cookies)
	refused("the try before", old.get(path), http.StatusBadRequest, "another browser")
	thief := w.stranger()
	thief.client.Jar.SetCookies(mustURL(t, w.server.URL), o.client.Jar.Cookies(mustURL(t, w.server.URL)))
	o.client.CheckRedirect = nil
	if r := o.get(path); r.path != "/board" {
		t.Fatalf("its own: %d at %s", r.status, r.path)
	}
	refused("replayed with its cookie", thief.get(path), http.StatusBadRequest, "was used already")

	// The provider's account does not open an account's password or the reverse.
	if r := w.stranger().postForm("/sign-in", url.Values{"name": {"nils"}, "password": {"4711"}}); r.status != http.StatusUnauthorized {
		t.Errorf("the subject as a password: %d", r.status)
	}
	s.Close()
	refused("keys are known, the rest is down", w.stranger().get("/sign-in/provider/back?state=x"), http.StatusBadRequest, "another browser")
}

// TestProviderDown: who has a password here comes in.
func TestProviderDown(t *testing.T) {
	w, s := withProvider(t)
	s.Close()
	o := w.stranger()
	r := o.get("/sign-in/provider?back=%2Fcautions")
	if r.status != http.StatusBadGateway || !strings.Contains(string(r.body), "can&#39;t be reached") && !strings.Contains(string(r.body), "can’t be reached") || !strings.Contains(string(r.body), `value="/cautions"`) {
		t.Errorf("down: %d\n%s", r.status, r.body)
	}
	if r := o.postForm("/sign-in", url.Values{"name": {"nils"}, "password": {password}, "back": {"/cautions"}}); r.path != "/cautions" {
		t.Errorf("own sign-in: %d at %s", r.status, r.path)
	}
	plain := closedWorld(t)
	plain.serve(live.Bounds{})
	if r := plain.get("/sign-in"); strings.Contains(string(r.body), "provider") {
		t.Error("a shop without a provider speaks of one")
	}
	if r := plain.get("/sign-in/provider"); r.path != "/sign-in" {
		t.Errorf("a shop without a provider leads to %s", r.path)
	}
	if r := plain.get("/sign-in/provider/back?code=x&state=y"); r.path != "/sign-in" {
		t.Errorf("a shop without a provider leads to %s", r.path)
	}
}
