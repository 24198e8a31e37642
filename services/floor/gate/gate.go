// Package gate stands before every route: it knows who asks and lets through
// who may.
//
// It guarantees, once the shop has an account (until then it is open, and
// everything is let through):
//
//  1. A route that is not in the table of allow.go is for nobody. The table is
//     held against the routes by services/floor's TestEveryRouteHasItsRoles.
//  2. The check stands at the route itself, so a page that is shown in place of
//     another one is checked as well.
//  3. What changes something by a browser's session carries a token that only
//     that session's pages have; a page of another site gets neither pages nor
//     streams.
//  4. Requests and open streams are bounded for each address and session.
//
// Sources: OWASP ASVS 5.0, from memory V3, V6, V7, V8; draft-ietf-httpbis-rfc6265bis
// (cookies); W3C Fetch Metadata; RFC 6750 (bearer tokens).
package gate

import (
	"context"
	"crypto/rand"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
)

// Codes of the gate's answers, beside those of the queue.
const (
	CodeSignedOut queue.Code = "signed-out" // sign in, then send it again
	CodeRole      queue.Code = "wrong-role" // signed in, but not allowed
	CodeFormToken queue.Code = "stale-form" // the form is of another session
	CodeTooMany   queue.Code = "too-many"   // wait, then send it again
	CodeCrossSite            = answer.CodeForeign
)

// Options of a gate.
type Options struct {
	// Desk lets people in; nil: the shop is open for good.
	Desk   *access.Desk
	Logger *zap.Logger
	Limits Limits
}

// Gate checks requests. Its zero value is no gate; use [New].
type Gate struct {
	o      Options
	log    *zap.Logger
	rates  *rates
	opened *openings
	routes []string
	// Refuse shows a refusal as a page; set before the first request.
	Refuse func(http.ResponseWriter, *http.Request, *answer.Problem)
}

// New makes a gate.
func New(o Options) *Gate {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	o.Limits = o.Limits.orDefault()
	return &Gate{o: o, log: o.Logger.Named("gate"), rates: newRates(o.Limits), opened: &openings{n: map[string]int{}}}
}

// Desk is where accounts are; nil: the shop is open.
func (g *Gate) Desk() *access.Desk { return g.o.Desk }

// Routes are the patterns of all routes behind the gate.
func (g *Gate) Routes() []string { return slices.Clone(g.routes) }

// asker is who asks.
type asker struct {
	open  bool // nobody has to sign in
	who   *access.Who
	token string // of the session
}

type askerKey struct{}

func askerOf(ctx context.Context) asker {
	a, ok := ctx.Value(askerKey{}).(asker)
	if !ok {
		return asker{} // not through the gate: nobody
	}
	return a
}

// Open reports that nobody has to sign in.
func Open(ctx context.Context) bool { return askerOf(ctx).open }

// SessionToken is the secret of the session that asks; empty: there is none.
func SessionToken(ctx context.Context) string { return askerOf(ctx).token }

// Admit finds out who asks, within the limits, and hands on.
func (g *Gate) Admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if wait, ok := g.rates.allow(Address(r)); !ok {
			g.tooMany(w, r, wait)
			return
		}
		a, err := g.ask(r)
		if err != nil {
			g.log.Error("who asks could not be found out", zap.Error(err))
			g.refuse(w, r, answer.New(http.StatusServiceUnavailable, answer.CodeStorage, "it can't be found out now who is signed in", "Wait a little, then send it again."))
			return
		}
		ctx := context.WithValue(r.Context(), askerKey{}, a)
		next.ServeHTTP(w, r.WithContext(access.With(ctx, a.who)))
	})
}

func (g *Gate) ask(r *http.Request) (asker, error) {
	if g.o.Desk == nil {
		return asker{open: true}, nil
	}
	ctx := r.Context()
	closed, err := g.o.Desk.Closed(ctx)
	if err != nil || !closed {
		return asker{open: !closed}, err
	}
	var a asker
	bearer, isBearer := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	link := r.URL.Query().Get(LinkParam)
	switch {
	case isBearer:
		a.who, err = g.o.Desk.Bearer(ctx, access.Program, strings.TrimSpace(bearer))
	case link != "" && r.Method == http.MethodGet && strings.HasSuffix(r.URL.Path, ".ics"):
		a.who, err = g.o.Desk.Bearer(ctx, access.Calendar, link)
		if a.who != nil {
			a.who.Roles = []access.Role{linkOnly}
		}
	default:
		if a.token = sessionOf(r); a.token != "" {
			a.who, err = g.o.Desk.Who(ctx, a.token)
		}
	}
	if a.who == nil {
		a.token = ""
	}
	if errors.Is(err, access.ErrSignedOut) {
		err = nil
	}
	return a, err
}

// LinkParam names the secret in the address of a calendar.
const LinkParam = "key"

// linkOnly is the role of a calendar's link.
const linkOnly = access.Role(100)

// Mux is a mux whose routes are checked.
type Mux struct {
	mux *http.ServeMux
	g   *Gate
}

// Mux returns an empty mux behind the gate.
func (g *Gate) Mux() *Mux { return &Mux{http.NewServeMux(), g} }

// Handle adds a route.
func (m *Mux) Handle(pattern string, h http.Handler) {
	m.g.routes = append(m.g.routes, pattern)
	m.mux.Handle(pattern, m.g.check(pattern, h))
}

// HandleFunc adds a route.
func (m *Mux) HandleFunc(pattern string, h func(http.ResponseWriter, *http.Request)) {
	m.Handle(pattern, http.HandlerFunc(h))
}

// Mount adds a mux that checks by itself.
func (m *Mux) Mount(pattern string, h http.Handler) { m.mux.Handle(pattern, h) }

func (m *Mux) ServeHTTP(w http.ResponseWriter, r *http.Request) { m.mux.ServeHTTP(w, r) }

// check lets through who may use the route.
func (g *Gate) check(pattern string, h http.Handler) http.Handler {
	rule := ruleOf(pattern)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a := askerOf(r.Context())
		if !a.open {
			if pr := g.judge(rule.at(r), a, w, r); pr != nil {
				g.refuse(w, r, pr)
				return
			}
		}
		if !rule.Stream {
			h.ServeHTTP(w, r)
			return
		}
		g.stream(h, a, w, r)
	})
}

// judge says why a request is not let through; nil: it is.
func (g *Gate) judge(rule Rule, a asker, w http.ResponseWriter, r *http.Request) *answer.Problem {
	if !rule.Public && crossSite(r) {
		return answer.New(http.StatusForbidden, CodeCrossSite, "another site's page asked for this", "Open Tickover's own page.")
	}
	if a.token != "" && unsafe(r.Method) && !rule.Public && !g.formIsOurs(r, a.token) {
		return answer.New(http.StatusForbidden, CodeFormToken, "this form belongs to another sign-in, so nothing was done", "Load the page again, and send it from there.")
	}
	switch {
	case rule.Public:
		return nil
	case a.who == nil:
		return answer.New(http.StatusUnauthorized, CodeSignedOut, "nobody is signed in here", "Sign in, then send it again.")
	case !rule.lets(r, a.who):
		if unsafe(r.Method) {
			g.o.Desk.Note(r.Context(), access.Entry{What: access.Denied, Account: a.who.Account, By: a.who.Account, From: Address(r), Note: r.Method + " " + r.URL.Path})
		}
		return answer.New(http.StatusForbidden, CodeRole, "your role in the shop does not include this", "Ask whoever has it, or the owner to give you the role.")
	}
	return nil
}

func unsafe(method string) bool {
	return method != http.MethodGet && method != http.MethodHead && method != http.MethodOptions
}

// crossSite tells what another site's page loads or sends; following a link of
// it to a page of ours is no harm.
func crossSite(r *http.Request) bool {
	site := r.Header.Get("Sec-Fetch-Site")
	navigates := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Dest") == "document"
	return (site == "cross-site" || site == "same-site") && !navigates
}

// May reports whether who asks may use a route, given as it is registered, and
// for actions as it is sent ("POST /do/start").
func May(ctx context.Context, route string) bool {
	a := askerOf(ctx)
	if a.open {
		return true
	}
	rule, ok := table[route]
	return ok && (rule.Public || a.who != nil && rule.roles(a.who))
}

// Lets reports whether who asks may send a request to a path of ours. A path
// that no route has is let pass: whoever follows it is told so.
func Lets(ctx context.Context, method, path string) bool {
	a := askerOf(ctx)
	if a.open {
		return true
	}
	v := verdict{who: a.who, lets: true}
	rules().ServeHTTP(&v, &http.Request{Method: method, URL: &url.URL{Path: path}, Host: "tickover"})
	return v.lets
}

// rules answers a request with a verdict on it.
var rules = sync.OnceValue(func() *http.ServeMux {
	mux := http.NewServeMux()
	for pattern, rule := range table {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			v, rule := w.(*verdict), rule.at(r)
			v.lets = rule.Public || v.who != nil && rule.lets(r, v.who)
		})
	}
	return mux
})

// verdict is what rules write to; what the mux itself says is not one.
type verdict struct {
	who  *access.Who
	lets bool
}

func (*verdict) Header() http.Header         { return http.Header{} }
func (*verdict) Write(b []byte) (int, error) { return len(b), nil }
func (*verdict) WriteHeader(int)             {}

// refuse answers in the form of the one who asks: a problem to programs, a page
// to people, and the page for signing in to who only wants to see something.
func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, pr *answer.Problem) {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Tickover-Code", string(pr.Code)) // for our own scripts
	if pr.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="tickover"`)
	}
	script := r.Header.Get("Tickover-Refresh") != "" || strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/events" || r.URL.Path == "/metrics"
	switch {
	case script || g.Refuse == nil:
		pr.Write(w)
	case pr.Code == CodeSignedOut && (r.Method == http.MethodGet || r.Method == http.MethodHead):
		http.Redirect(w, r, SignInFor(r), http.StatusSeeOther)
	default:
		g.Refuse(w, r, pr)
	}
}

// stream bounds how many streams are open, and ends one whose session is over.
func (g *Gate) stream(h http.Handler, a asker, w http.ResponseWriter, r *http.Request) {
	key := Address(r)
	if a.who != nil {
		key = a.who.Account + "." + a.who.Session + a.who.Token
	}
	bound := !a.open || !loopback(Address(r)) || g.o.Limits.LimitLoopback
	if !g.opened.add(key, g.o.Limits.Streams, bound) {
		w.Header().Set("Retry-After", "10")
		g.refuse(w, r, answer.New(http.StatusServiceUnavailable, CodeTooMany, "too many pages are open at once on this device", "Close some; this one can be reloaded by hand."))
		return
	}
	defer g.opened.remove(key)
	if a.open {
		h.ServeHTTP(w, r)
		return
	}
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	go func() {
		tick := time.NewTicker(g.o.Limits.Recheck)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				if now, err := g.ask(r); err == nil && now.who == nil {
					cancel()
					return
				}
			}
		}
	}()
	h.ServeHTTP(w, r.WithContext(ctx))
}

// Address is the client's, an IPv6 one cut to its network, which one household
// has as a whole.
func Address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is6() && !ip.IsLoopback() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

func loopback(address string) bool {
	ip, err := netip.ParseAddr(address)
	return err == nil && ip.IsLoopback()
}

// OriginOf is where a request comes from, for the book.
func OriginOf(r *http.Request) access.Origin {
	return access.Origin{Address: Address(r), Device: r.UserAgent()}
}

// random is where masks come from.
var random = rand.Reader

// FromThisMachine reports a request that did not come over a network.
func FromThisMachine(r *http.Request) bool { return loopback(Address(r)) }

// NamesThisMachine reports an address that leads nowhere from another device.
func NamesThisMachine(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	return host == "localhost" || loopback(strings.Trim(host, "[]"))
}
