// Package providertest is a small OpenID provider for tests: discovery, keys, the
// authorization code flow with PKCE and client secret, signed with a real key.
// It signs in whoever comes as the person that it is told.
package providertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Secret is the client's.
const Secret = "a secret of the client, 51d1"

// Client is what the provider knows Tickover as.
const Client = "tickover-test"

// Claims are those of a token.
type Claims = map[string]any

// Server is a provider.
type Server struct {
	*httptest.Server
	Now func() time.Time

	mu      sync.Mutex
	key     *ecdsa.PrivateKey
	person  Claims
	info    Claims
	change  func(Claims)
	sign    func(payload []byte) string
	refuse  bool
	codes   map[string]url.Values
	counted map[string]int
}

// Start starts a provider, which ends with the test.
func Start(t testing.TB, now func() time.Time) *Server {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{Now: now, key: key, codes: map[string]url.Values{}, counted: map[string]int{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", s.discovery)
	mux.HandleFunc("GET /keys", s.keys)
	mux.HandleFunc("GET /authorize", s.authorize)
	mux.HandleFunc("POST /token", s.token)
	mux.HandleFunc("GET /userinfo", func(w http.ResponseWriter, _ *http.Request) {
		s.mu.Lock()
		defer s.mu.Unlock()
		answer(w, s.info)
	})
	s.Server = httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s
}

// Person says who signs in from now on; change, if set, has the last word on a
// token's claims.
func (s *Server) Person(c Claims, change func(Claims)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.person, s.change, s.sign, s.refuse = c, change, nil, false
}

// Info is what the userinfo endpoint says.
func (s *Server) Info(c Claims) { s.mu.Lock(); defer s.mu.Unlock(); s.info = c }

// Refuse lets nobody in.
func (s *Server) Refuse() { s.mu.Lock(); defer s.mu.Unlock(); s.refuse = true }

// SignWith signs tokens another way.
func (s *Server) SignWith(sign func(payload []byte) string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sign = sign
}

// Public is the key that the provider publishes, as PEM would have it: DER.
func (s *Server) Public() *ecdsa.PublicKey { return &s.key.PublicKey }

// Tokens is how many tokens were handed out.
func (s *Server) Tokens() int { s.mu.Lock(); defer s.mu.Unlock(); return s.counted["token"] }

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

func (s *Server) discovery(w http.ResponseWriter, _ *http.Request) {
	answer(w, Claims{
		"issuer": s.URL, "authorization_endpoint": s.URL + "/authorize", "token_endpoint": s.URL + "/token", "jwks_uri": s.URL + "/keys", "userinfo_endpoint": s.URL + "/userinfo",
		// A careless provider: what it says it can do must not let it do that.
		"id_token_signing_alg_values_supported": []string{"ES256", "HS256", "none"},
	})
}

func (s *Server) keys(w http.ResponseWriter, _ *http.Request) {
	answer(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &s.key.PublicKey, KeyID: "k1", Algorithm: "ES256", Use: "sig"}}})
}

func (s *Server) authorize(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := r.URL.Query()
	if q.Get("client_id") != Client || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("code_challenge") == "" || q.Get("state") == "" || q.Get("nonce") == "" {
		http.Error(w, "what was asked lacks something: "+r.URL.RawQuery, http.StatusBadRequest)
		return
	}
	back := url.Values{"state": {q.Get("state")}, "iss": {s.URL}}
	if s.refuse {
		back.Set("error", "access_denied")
	} else {
		code := rand.Text()
		s.codes[code] = q
		back.Set("code", code)
	}
	http.Redirect(w, r, q.Get("redirect_uri")+"?"+back.Encode(), http.StatusSeeOther)
}

func (s *Server) token(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fail := func(code string) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusBadRequest)
		_ = json.NewEncoder(w).Encode(Claims{"error": code})
	}
	id, secret, _ := r.BasicAuth()
	if secret, _ = url.QueryUnescape(secret); id != Client || secret != Secret {
		fail("invalid_client")
		return
	}
	code := r.PostFormValue("code")
	asked, ok := s.codes[code]
	delete(s.codes, code) // once
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if !ok || base64.RawURLEncoding.EncodeToString(sum[:]) != asked.Get("code_challenge") || r.PostFormValue("redirect_uri") != asked.Get("redirect_uri") {
		fail("invalid_grant")
		return
	}
	now := s.Now()
	c := Claims{"iss": s.URL, "aud": Client, "iat": now.Unix(), "exp": now.Add(5 * time.Minute).Unix(), "nonce": asked.Get("nonce")}
	for k, v := range s.person {
		c[k] = v
	}
	if s.change != nil {
		s.change(c)
	}
	payload, err := json.Marshal(c)
	if err != nil {
		fail("server_error")
		return
	}
	sign := s.sign
	if sign == nil {
		sign = func(p []byte) string { return Sign(jose.ES256, s.key, "k1", p) }
	}
	s.counted["token"]++
	answer(w, Claims{"access_token": rand.Text(), "token_type": "Bearer", "expires_in": 300, "id_token": sign(payload)})
}

// Sign makes a signed token.
func Sign(alg jose.SignatureAlgorithm, key any, id string, payload []byte) string {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: jose.JSONWebKey{Key: key, KeyID: id}}, nil)
	if err != nil {
		panic(err) // the test's key is none
	}
	jws, err := signer.Sign(payload)
	if err != nil {
		panic(err)
	}
	text, err := jws.CompactSerialize()
	if err != nil {
		panic(err)
	}
	return text
}

// Unsigned makes a token that says that nothing signs it.
func Unsigned(payload []byte) string {
	b64 := base64.RawURLEncoding.EncodeToString
	return b64([]byte(`{"alg":"none"}`)) + "." + b64(payload) + "."
}
