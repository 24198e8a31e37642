package gate

import (
	"bufio"
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"

	"tickover/services/access"
)

// The session's cookie. Over TLS its name has the prefix __Host-, so that a
// browser takes it from this host's own encrypted answers only and a page of a
// neighbouring name, or plain HTTP, can't plant one (rfc6265bis, 4.1.3).
const sessionCookie = "tickover_session"

// cookieName is the name of one of our cookies on this connection.
func cookieName(r *http.Request, name string) string {
	if r.TLS != nil {
		return "__Host-" + name
	}
	return name
}

func sessionOf(r *http.Request) string {
	c, err := r.Cookie(cookieName(r, sessionCookie))
	if err != nil {
		return ""
	}
	return c.Value
}

// Begin gives the browser its session.
func Begin(w http.ResponseWriter, r *http.Request, p *access.Pass) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r, sessionCookie), Value: p.Token, Path: "/", HttpOnly: true, Secure: r.TLS != nil,
		// Lax, not Strict: who follows a link to a unit from a message stays
		// signed in. Forms have a token besides.
		SameSite: http.SameSiteLaxMode, MaxAge: int(p.MaxAge.Seconds()),
	})
}

// End takes the session's cookie away.
func End(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{Name: cookieName(r, sessionCookie), Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode, MaxAge: -1})
}

// The cookie of a sign-in under way at a provider; it comes back with a link of
// the provider's, so it is Lax.
const tryCookie = "tickover_provider"

// SetTry keeps a sign-in under way in the browser; an empty one takes it away.
func SetTry(w http.ResponseWriter, r *http.Request, value string, life time.Duration) {
	c := &http.Cookie{Name: cookieName(r, tryCookie), Value: value, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode, MaxAge: int(life.Seconds())}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// TryOf is the browser's sign-in under way; empty: there is none.
func TryOf(r *http.Request) string {
	c, err := r.Cookie(cookieName(r, tryCookie))
	if err != nil {
		return ""
	}
	return c.Value
}

// SignInFor is the page for signing in that comes back to this one.
func SignInFor(r *http.Request) string {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return "/sign-in"
	}
	return "/sign-in?" + url.Values{"back": {r.URL.RequestURI()}}.Encode()
}

// FormField is the field of a form's token. Forms have it first.
const FormField = "form_token"

const macBytes = sha256.Size

func formMAC(session string) []byte {
	m := hmac.New(sha256.New, []byte(session))
	m.Write([]byte("tickover form"))
	return m.Sum(nil)
}

// FormToken makes a token for the session's forms. It is masked anew each time,
// so that its bytes can't be found out by how well a page compresses.
func FormToken(session string) string {
	b := make([]byte, 2*macBytes)
	if _, err := io.ReadFull(random, b[:macBytes]); err != nil {
		panic(err) // the system has no randomness
	}
	for i, x := range formMAC(session) {
		b[macBytes+i] = x ^ b[i]
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// tokenIs reports whether a token was made for the session.
func tokenIs(token, session string) bool {
	b, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(b) != 2*macBytes {
		return false
	}
	for i := range macBytes {
		b[macBytes+i] ^= b[i]
	}
	return hmac.Equal(b[macBytes:], formMAC(session))
}

// peekMax is how far into a body a form's token is looked for.
const peekMax = 8 << 10

// formIsOurs looks at the first field of a form without using the body up. What
// no form of another site can send, JSON, a file as the body, needs no token.
func (g *Gate) formIsOurs(r *http.Request, session string) bool {
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return false
	}
	body := struct {
		*bufio.Reader
		io.Closer
	}{bufio.NewReaderSize(r.Body, peekMax), r.Body}
	r.Body = body
	switch kind {
	case "application/x-www-form-urlencoded":
		head, err := body.Peek(peekMax)
		if err != nil && err != io.EOF {
			return false
		}
		first, _, _ := strings.Cut(string(head), "&")
		name, value, _ := strings.Cut(first, "=")
		return name == FormField && tokenIs(value, session)
	case "multipart/form-data":
		head, err := body.Peek(peekMax)
		if err != nil && err != io.EOF {
			return false
		}
		part, err := multipart.NewReader(bytes.NewReader(head), params["boundary"]).NextPart()
		if err != nil || part.FormName() != FormField {
			return false
		}
		value, err := io.ReadAll(io.LimitReader(part, 4*macBytes))
		return err == nil && tokenIs(string(value), session)
	case "text/plain", "":
		return false
	}
	return true
}

var postForm = regexp.MustCompile(`(?i)<form\b[^>]*\bmethod="?post\b[^>]*>`)

// SealForms puts a token into every form of a page that changes something.
func SealForms(page []byte, session string) []byte {
	if session == "" || !bytes.Contains(page, []byte("<form")) {
		return page
	}
	field := []byte(`<input type="hidden" name="` + FormField + `" value="` + FormToken(session) + `">`)
	return postForm.ReplaceAllFunc(page, func(tag []byte) []byte { return append(bytes.Clone(tag), field...) })
}
