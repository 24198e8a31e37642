// Package provider lets people sign in at an OpenID provider instead of with a
// password of Tickover's own (OpenID Connect Core 1.0, authorization code flow
// with PKCE, RFC 7636).
//
//	p, err := provider.New(provider.Options{Issuer: "https://id.example", Client: "tickover", Secret: secret, Now: time.Now})
//	to, cookie, err := p.Begin(ctx, back, "https://shop.example/sign-in/provider/back")
//	// the browser goes there with the cookie, and comes back with a code
//	id, back, err := p.Finish(ctx, cookie, r.URL.Query(), "https://shop.example/sign-in/provider/back")
//	pass, err := desk.SignInAs(ctx, id, origin)
//
// What it guarantees:
//
//  1. Who comes back is the browser that went: state, nonce and PKCE verifier are
//     drawn anew for each try and are in a cookie of that browser alone, for ten
//     minutes. That a try is used once is kept by [access.Desk.Use].
//  2. A token counts that the issuer signed with a key that it publishes, for
//     this client, not too old, with the nonce of the try. An unsigned one, or
//     one signed with a shared secret, does not.
//  3. It says who somebody is, never what he may do: roles are the account's.
//  4. A provider that is down costs ten seconds at most, and nothing but signing
//     in through it: passwords and paired devices go on.
package provider

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"tickover/services/access"
)

// Errors that callers tell apart.
var (
	// ErrDown: the provider does not answer, or not as one.
	ErrDown = errors.New("the sign-in provider does not answer")
	// ErrStale: the try is of another browser, or too old, or damaged.
	ErrStale = errors.New("the sign-in was begun elsewhere or too long ago")
	// ErrRefused: the provider did not let somebody in, or he went back.
	ErrRefused = errors.New("the provider did not sign in")
	// ErrToken: what the provider's token says does not hold.
	ErrToken = errors.New("the provider's token does not hold")
)

// Life is how long somebody may take at the provider.
const Life = 10 * time.Minute

const (
	timeout     = 10 * time.Second
	answerMax   = 1 << 20 // bytes of one answer of the provider
	secretBytes = 32
	cookieMax   = 3 << 10
)

// Options of a provider. Issuer, Client and Now must be set.
type Options struct {
	Issuer string // as its discovery document has it
	Client string // what the provider knows Tickover as
	Secret string // empty: a public client, which PKCE alone guards
	Name   string // what people call it; empty: the issuer's host
	Now    func() time.Time
	Random io.Reader         // nil: the system's
	HTTP   http.RoundTripper // nil: the default
}

// Provider is one OpenID provider. It is safe for concurrent use.
type Provider struct {
	o      Options
	client *http.Client

	mu     sync.Mutex
	found  *oidc.Provider
	failed error // of the last question
	asked  time.Time
}

// New makes a provider; it is asked for nothing before somebody signs in.
func New(o Options) (*Provider, error) {
	u, err := url.Parse(o.Issuer)
	switch {
	case err != nil || u.Host == "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil:
		return nil, fmt.Errorf("issuer %q: write it as its provider does, like https://id.example/shop", o.Issuer)
	case u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())):
		return nil, fmt.Errorf("issuer %q: everybody on the way could sign in as anybody; it has to be https", o.Issuer)
	case o.Client == "":
		return nil, errors.New("the provider's name for Tickover, the client id, is missing")
	case o.Now == nil:
		return nil, errors.New("provider: no clock")
	}
	if o.Name == "" {
		o.Name = u.Host
	}
	if o.Random == nil {
		o.Random = rand.Reader
	}
	if o.HTTP == nil {
		o.HTTP = http.DefaultTransport
	}
	return &Provider{o: o, client: &http.Client{Timeout: timeout, Transport: bounded{o.HTTP}}}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Name is what people call the provider.
func (p *Provider) Name() string { return p.o.Name }

// bounded cuts answers that are too long.
type bounded struct{ http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		resp.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(resp.Body, answerMax), resp.Body}
	}
	return resp, err
}

// askAgain is how long a provider that did not answer is not asked again, so
// that those who wait for it wait once.
const askAgain = 5 * time.Second

// discovered asks the provider where its parts are, once it answers.
func (p *Provider) discovered(ctx context.Context) (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found != nil {
		return p.found, nil
	}
	if since := p.o.Now().Sub(p.asked); p.failed != nil && since >= 0 && since < askAgain {
		return nil, p.failed
	}
	// Others wait for the answer too; who asked first may leave.
	found, err := oidc.NewProvider(oidc.ClientContext(context.WithoutCancel(ctx), p.client), p.o.Issuer)
	p.asked, p.failed = p.o.Now(), nil
	if err != nil {
		p.failed = fmt.Errorf("%w: %w", ErrDown, err)
		return nil, p.failed
	}
	p.found = found
	return found, nil
}

func (p *Provider) config(found *oidc.Provider, redirect string) *oauth2.Config {
	return &oauth2.Config{ClientID: p.o.Client, ClientSecret: p.o.Secret, Endpoint: found.Endpoint(), RedirectURL: redirect, Scopes: []string{oidc.ScopeOpenID, "email", "profile"}}
}

// try is one sign-in under way, in the browser's cookie.
type try struct {
	State    string `json:"s"`
	Nonce    string `json:"n"`
	Verifier string `json:"v"`
	Back     string `json:"b"`
	Until    int64  `json:"u"` // Unix seconds
}

func (t try) cookie() (string, error) {
	b, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("sign-in: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// readTry is the reverse of cookie. The browser may have made it up: that only
// harms itself, for the state it sends has to be the same.
func readTry(cookie string) (t try, err error) {
	if len(cookie) > cookieMax {
		return t, ErrStale
	}
	b, err := base64.RawURLEncoding.DecodeString(cookie)
	if err != nil || json.Unmarshal(b, &t) != nil {
		return try{}, ErrStale
	}
	if min(len(t.State), len(t.Nonce), len(t.Verifier)) < secretBytes {
		return try{}, ErrStale
	}
	return t, nil
}

func (p *Provider) draw() (string, error) {
	b := make([]byte, secretBytes)
	if _, err := io.ReadFull(p.o.Random, b); err != nil {
		return "", fmt.Errorf("sign-in: no randomness: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b), nil
}

// backMax bounds the address that somebody comes back to.
const backMax = 1000

// Begin makes a try: where the browser goes, and the cookie that it keeps for
// [Life]. back is the page that it wanted, redirect where the provider sends it.
// Errors: ErrDown.
func (p *Provider) Begin(ctx context.Context, back, redirect string) (to, cookie string, err error) {
	found, err := p.discovered(ctx)
	if err != nil {
		return "", "", err
	}
	if len(back) > backMax {
		back = "/"
	}
	t := try{Back: back, Until: p.o.Now().Add(Life).Unix()}
	for _, s := range []*string{&t.State, &t.Nonce, &t.Verifier} {
		if *s, err = p.draw(); err != nil {
			return "", "", err
		}
	}
	if cookie, err = t.cookie(); err != nil {
		return "", "", err
	}
	return p.config(found, redirect).AuthCodeURL(t.State, oidc.Nonce(t.Nonce), oauth2.S256ChallengeOption(t.Verifier)), cookie, nil
}

// Check holds what came back against the cookie, before anything is asked of
// the provider, and returns the state, which may be used once. Errors: ErrStale.
func (p *Provider) Check(cookie string, q url.Values) (state string, err error) {
	t, err := readTry(cookie)
	if err != nil {
		return "", err
	}
	if subtle.ConstantTimeCompare([]byte(q.Get("state")), []byte(t.State)) != 1 || p.o.Now().Unix() >= t.Until || t.Until > p.o.Now().Add(Life).Unix() {
		return "", ErrStale
	}
	return t.State, nil
}

// Finish asks the provider who came back, with the parameters that the browser
// brought. Errors: ErrStale, ErrRefused, ErrDown, ErrToken.
func (p *Provider) Finish(ctx context.Context, cookie string, q url.Values, redirect string) (access.Identity, string, error) {
	if _, err := p.Check(cookie, q); err != nil {
		return access.Identity{}, "", err
	}
	t, err := readTry(cookie)
	if err != nil {
		return access.Identity{}, "", err
	}
	// RFC 9207: an answer of another issuer is not taken for this one's.
	if iss := q.Get("iss"); iss != "" && iss != p.o.Issuer {
		return access.Identity{}, "", fmt.Errorf("%w: the answer is of another issuer", ErrToken)
	}
	if code := q.Get("error"); code != "" {
		return access.Identity{}, "", fmt.Errorf("%w: %q", ErrRefused, clip(code, 60))
	}
	found, err := p.discovered(ctx)
	if err != nil {
		return access.Identity{}, "", err
	}
	ctx = oidc.ClientContext(ctx, p.client)
	conf := p.config(found, redirect)
	tokens, err := conf.Exchange(ctx, q.Get("code"), oauth2.VerifierOption(t.Verifier))
	var said *oauth2.RetrieveError
	switch {
	case errors.As(err, &said) && said.Response != nil && said.Response.StatusCode < http.StatusInternalServerError:
		// Its text may repeat what was sent; the code of the error is enough.
		return access.Identity{}, "", fmt.Errorf("%w: status %d, %q", ErrRefused, said.Response.StatusCode, clip(said.ErrorCode, 60))
	case err != nil:
		return access.Identity{}, "", fmt.Errorf("%w: token endpoint", ErrDown)
	}
	id, err := p.identity(ctx, found, conf, tokens, t.Nonce)
	return id, t.Back, err
}

// claims are what is read of a token beside what the verifier reads.
type claims struct {
	Email    string `json:"email"`
	Verified flag   `json:"email_verified"`
	Name     string `json:"name"`
	Party    string `json:"azp"`
}

// flag is a boolean that some providers write as text.
type flag bool

func (f *flag) UnmarshalJSON(b []byte) error {
	*f = flag(strings.Trim(string(b), `"`) == "true")
	return nil
}

func (p *Provider) identity(ctx context.Context, found *oidc.Provider, conf *oauth2.Config, tokens *oauth2.Token, nonce string) (access.Identity, error) {
	fail := func(err error) (access.Identity, error) {
		return access.Identity{}, fmt.Errorf("%w: %w", ErrToken, err)
	}
	raw, _ := tokens.Extra("id_token").(string)
	if raw == "" {
		return fail(errors.New("there is no ID token"))
	}
	tok, err := found.Verifier(&oidc.Config{ClientID: p.o.Client, Now: p.o.Now}).Verify(ctx, raw)
	if err != nil {
		if strings.Contains(err.Error(), "fetching keys") { // the library has no type for it
			return access.Identity{}, fmt.Errorf("%w: keys", ErrDown)
		}
		return fail(err)
	}
	var c claims
	if err := tok.Claims(&c); err != nil {
		return fail(err)
	}
	switch {
	case subtle.ConstantTimeCompare([]byte(tok.Nonce), []byte(nonce)) != 1:
		return fail(errors.New("its nonce is of another sign-in"))
	case (len(tok.Audience) > 1 || c.Party != "") && c.Party != p.o.Client: // Core 1.0, 3.1.3.7
		return fail(errors.New("it was made for another party"))
	case tok.Subject == "" || len(tok.Subject) > 255 || strings.ContainsFunc(tok.Subject, func(r rune) bool { return r < ' ' || r > '~' }): // Core 1.0, 2
		return fail(errors.New("its subject is none"))
	case tok.IssuedAt.After(p.o.Now().Add(clockSkew)):
		return fail(errors.New("it is of a time to come"))
	}
	id := access.Identity{Issuer: tok.Issuer, Subject: tok.Subject, Email: c.Email, Verified: bool(c.Verified), Name: c.Name}
	if id.Email == "" && found.UserInfoEndpoint() != "" {
		// With a code, the scope's claims may be there only (Core 1.0, 5.4).
		if info, err := found.UserInfo(ctx, conf.TokenSource(ctx, tokens)); err == nil && info.Subject == tok.Subject {
			id.Email, id.Verified = info.Email, info.EmailVerified
		}
	}
	return id, nil
}

// clockSkew is how far a provider's clock may be ahead.
const clockSkew = 5 * time.Minute

func clip(s string, n int) string { return s[:min(len(s), n)] }
