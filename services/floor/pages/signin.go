package pages

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/boombuler/barcode/qr"
	"github.com/google/uuid"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
)

// asks is who asks for a page.
type asks struct {
	Open bool        // nobody has to sign in
	Who  *access.Who // nil: nobody is signed in
	ctx  context.Context
	seal string // secret of the session, for its forms
	// signIn is where to sign in, when that is what stands in the way.
	signIn string
}

// ask finds out who asks. Where people sign in, the person is who did; at a
// bench screen it is nobody.
func (b *Base) ask(r *http.Request) {
	ctx := r.Context()
	b.asks = asks{Open: gate.Open(ctx), Who: access.From(ctx), ctx: ctx, seal: gate.SessionToken(ctx)}
	if b.Open {
		return
	}
	b.Me = ""
	if b.Who != nil && !b.Who.Is(access.Bench) {
		b.Me = b.Who.Person
	}
}

// says takes over who a form says to be, where nobody signs in.
func (b *Base) says(w http.ResponseWriter, r *http.Request) {
	if who := queue.PersonID(r.FormValue("actor")); b.Open && b.Me == "" && known(b.Shop, who) {
		b.Me = who
		remember(w, who)
	}
}

// May reports whether who asks may use a route.
func (b *Base) May(route string) bool { return b.ctx == nil || gate.May(b.ctx, route) }

// SignInAt is where to sign in, on a page that lacks it; most don't.
func (b *Base) SignInAt() string { return b.signIn }

// WhoFirst is the first name of who is signed in.
func (b *Base) WhoFirst() string {
	name := b.Who.Name
	if t := b.Shop.Technician(b.Who.Person); t != nil {
		name = t.Name
	}
	first, _, _ := strings.Cut(name, " ")
	return first
}

// WhoInitial is its first letter.
func (b *Base) WhoInitial() string {
	for _, r := range b.WhoFirst() {
		return strings.ToUpper(string(r))
	}
	return ""
}

func (b *Base) sealedBy() string { return b.seal }

func sessionOf(data any) string {
	if b, ok := data.(interface{ sealedBy() string }); ok {
		return b.sealedBy()
	}
	return ""
}

// asKey tells apart who sees different pages.
func asKey(r *http.Request, shop *queue.Shop) string {
	ctx := r.Context()
	if gate.Open(ctx) {
		return "open " + string(personOf(r, shop))
	}
	if who := access.From(ctx); who != nil {
		return fmt.Sprint(who.Account, " ", who.Session, who.Token, who.Roles)
	}
	return "nobody"
}

// signInRoutes are the pages of package access.
func (p *Pages) signInRoutes() {
	p.o.Gate.Refuse = p.refused
	p.mux.HandleFunc("GET /sign-in", p.signInPage)
	p.mux.HandleFunc("POST /sign-in", p.signIn)
	p.mux.HandleFunc("GET /sign-in/provider", p.toProvider)
	p.mux.HandleFunc("GET "+providerBack, p.fromProvider)
	p.mux.HandleFunc("POST /sign-out", p.signOut)
	p.mux.HandleFunc("GET /pair", p.pairPage)
	p.mux.HandleFunc("POST /pair", p.pair)
	p.mux.HandleFunc("GET /first-account", p.firstPage)
	p.mux.HandleFunc("POST /first-account", p.first)
	p.mux.HandleFunc("GET /trust", p.trust)
	p.mux.HandleFunc("GET /authority.crt", p.authority)
	p.mux.HandleFunc("GET /account", p.accountPage)
	p.mux.HandleFunc("POST /account/password", p.changePassword)
	p.mux.HandleFunc("POST /account/sessions", p.endSessions)
	p.mux.HandleFunc("POST /account/calendar", p.calendarLink)
	p.mux.HandleFunc("GET /accounts", p.accountsPage)
	p.mux.HandleFunc("POST /accounts", p.addAccount)
	p.mux.HandleFunc("POST /accounts/{id}", p.changeAccount)
	p.mux.HandleFunc("POST /accounts/{id}/end", p.endAccount)
	p.mux.HandleFunc("POST /accounts/pair", p.pairCode)
}

// door is the base of a page before somebody is known: no menu, and nothing of
// the shop but its name.
func (p *Pages) door(r *http.Request, title string) *Base {
	b := p.setupBase(r)
	b.ask(r)
	b.Bare, b.Title, b.Section, b.Plan, b.Alerts, b.Tried = true, title, "", nil, nil, nil
	return b
}

// refused shows as a page why the gate did not let a request through.
func (p *Pages) refused(w http.ResponseWriter, r *http.Request, pr *answer.Problem) {
	b := p.door(r, "")
	b.Title = b.T("That did not work")
	if pr.Code == gate.CodeSignedOut {
		b.signIn = "/sign-in"
		if u, err := url.Parse(r.Referer()); err == nil && u.Host == r.Host {
			b.signIn += "?" + url.Values{"back": {u.RequestURI()}}.Encode()
		}
	}
	p.render(w, pr.Status, "problem", struct {
		*Base
		Problem *answer.Problem
	}{b, pr.In(b.Locale)})
}

// doorPage is a page for signing in.
type doorPage struct {
	*Base
	Back, Name, Code, Secret string
	Problem                  *answer.Problem
	Provider                 string           // what it is called; empty: there is none
	Stranger                 *access.Identity // whom no account belongs to
}

func (p *Pages) showDoor(w http.ResponseWriter, status int, name string, page doorPage) {
	if page.Problem != nil {
		page.Problem, status = page.Problem.In(page.Locale), page.Problem.Status
	}
	if p.o.Provider != nil {
		page.Provider = p.o.Provider.Name()
	}
	p.render(w, status, name, page)
}

// doorProblem says why somebody was not let in.
func (p *Pages) doorProblem(w http.ResponseWriter, err error) *answer.Problem {
	var slow *access.ThrottledError
	var invalid *access.InvalidError
	switch {
	case errors.Is(err, access.ErrWrong):
		return answer.New(http.StatusUnauthorized, queue.CodeWrongPerson, "the name or the password is wrong", "Look at both and send them again. If the password is lost, the owner sets a new one, or the foreman pairs this device.")
	case errors.Is(err, access.ErrCode):
		return answer.New(http.StatusGone, queue.CodeUnknown, "this code was used before, or is older than five minutes", "Let the foreman make a new one, and open it on this device.")
	case errors.As(err, &slow):
		w.Header().Set("Retry-After", strconv.Itoa(1+int(slow.Wait/time.Second)))
		return answer.New(http.StatusTooManyRequests, gate.CodeTooMany, "there were too many attempts from here", "Wait a quarter of an hour, or let the foreman pair this device.")
	case errors.As(err, &invalid):
		return answer.Malformed(invalid.Field, nil, invalid.What, invalid.Do)
	case errors.Is(err, access.ErrExists):
		return answer.New(http.StatusConflict, queue.CodeExists, "this name for signing in is taken", "Take another one.")
	case errors.Is(err, access.ErrLastOwner):
		return answer.New(http.StatusConflict, queue.CodeNotReady, "this is the last owner's account, and nobody could let others in without it", "Make another owner first.")
	case errors.Is(err, access.ErrUnknown):
		return answer.Unknown("there is no such account", "Load the page again.")
	case errors.Is(err, access.ErrChanged):
		return answer.New(http.StatusConflict, queue.CodeStale, "somebody else changed this account meanwhile", "Load the page again and look at what is there now.")
	}
	pr, known := answer.Of(err)
	if !known {
		pr.Instance = uuid.NewString()
		p.log.Error("sign-in failed", zap.String("instance", pr.Instance), zap.Error(err))
	}
	return pr
}

func (p *Pages) signInPage(w http.ResponseWriter, r *http.Request) {
	back := backOf(r.URL.Query().Get("back"), "/")
	switch b := p.door(r, ""); {
	case b.Open:
		http.Redirect(w, r, "/accounts", http.StatusSeeOther)
	case b.Who != nil:
		http.Redirect(w, r, back, http.StatusSeeOther)
	default:
		b.Title = b.T("Sign in")
		p.showDoor(w, http.StatusOK, "sign-in", doorPage{Base: b, Back: back})
	}
}

func (p *Pages) signIn(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.door(r, "")
	if b.Open {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	page := doorPage{Base: b, Back: backOf(r.PostFormValue("back"), "/"), Name: r.PostFormValue("name")}
	pass, err := p.desk().SignIn(r.Context(), page.Name, r.PostFormValue("password"), gate.OriginOf(r))
	if err != nil {
		b.Title, page.Problem = b.T("Sign in"), p.doorProblem(w, err)
		p.showDoor(w, 0, "sign-in", page)
		return
	}
	p.letIn(w, r, pass, page.Back)
}

// letIn begins a session; the one before, if there was one, ends.
func (p *Pages) letIn(w http.ResponseWriter, r *http.Request, pass *access.Pass, to string) {
	if who := access.From(r.Context()); who != nil && who.Session != "" {
		if err := p.desk().End(r.Context(), who.Account, who.Account, who.Session, gate.OriginOf(r)); err != nil {
			p.log.Warn("session before not ended", zap.Error(err))
		}
	}
	gate.Begin(w, r, pass)
	if to == "/" && pass.Account.Is(access.Bench) {
		to = "/bench/" + url.PathEscape(string(pass.Account.Bench))
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (p *Pages) desk() *access.Desk { return p.o.Gate.Desk() }

func (p *Pages) signOut(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	if who := access.From(r.Context()); who != nil {
		if err := p.desk().End(r.Context(), who.Account, who.Account, who.Session, gate.OriginOf(r)); err != nil {
			p.fail(w, r, p.door(r, ""), err)
			return
		}
	}
	gate.End(w, r)
	// Kept pages go; what waits to be sent stays until somebody signs in.
	w.Header().Set("Clear-Site-Data", `"cache"`)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

func (p *Pages) pairPage(w http.ResponseWriter, r *http.Request) {
	b := p.door(r, "")
	b.Title = b.T("Pair this device")
	p.showDoor(w, http.StatusOK, "pair", doorPage{Base: b, Code: r.URL.Query().Get("code")})
}

// pair uses the code up. It takes a press, so that whoever only looks at an
// address, a messenger for example, uses nothing up.
func (p *Pages) pair(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.door(r, "")
	if b.Open {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	pass, err := p.desk().Redeem(r.Context(), strings.TrimSpace(r.PostFormValue("code")), gate.OriginOf(r))
	if err != nil {
		b.Title = b.T("Pair this device")
		p.showDoor(w, 0, "pair", doorPage{Base: b, Problem: p.doorProblem(w, err)})
		return
	}
	p.letIn(w, r, pass, "/")
}

// firstProblem says why the first account can't be made by this request.
func (p *Pages) firstProblem(r *http.Request, secret string) *answer.Problem {
	b := p.door(r, "")
	switch {
	case p.desk() == nil || !b.Open:
		return answer.New(http.StatusGone, queue.CodeExists, "there are accounts already", "Sign in. The owner makes further accounts.")
	case !gate.FromThisMachine(r):
		return answer.New(http.StatusForbidden, gate.CodeRole, "the first account is made on the machine that runs Tickover", "Open this address in a browser there.")
	case p.o.FirstAccount == "" || subtle.ConstantTimeCompare([]byte(secret), []byte(p.o.FirstAccount)) != 1:
		return answer.New(http.StatusForbidden, gate.CodeRole, "the address lacks the secret that Tickover printed when it started", "Open the address as it stands on Tickover's console.")
	}
	return nil
}

func (p *Pages) firstPage(w http.ResponseWriter, r *http.Request) {
	secret := r.URL.Query().Get("secret")
	if pr := p.firstProblem(r, secret); pr != nil {
		p.refused(w, r, pr)
		return
	}
	b := p.door(r, "")
	b.Title = b.T("The first account")
	p.showDoor(w, http.StatusOK, "first-account", doorPage{Base: b, Secret: secret})
}

func (p *Pages) first(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	secret := r.PostFormValue("secret")
	if pr := p.firstProblem(r, secret); pr != nil {
		p.refused(w, r, pr)
		return
	}
	b := p.door(r, "")
	page := doorPage{Base: b, Secret: secret, Name: r.PostFormValue("id")}
	a := access.Account{ID: page.Name, Name: r.PostFormValue("name"), Roles: []access.Role{access.Owner}}
	if known(b.Shop, queue.PersonID(strings.ToLower(strings.TrimSpace(page.Name)))) && r.PostFormValue("foreman") != "" {
		a.Roles = append(a.Roles, access.Foreman)
	}
	password := r.PostFormValue("password")
	err := p.desk().Add(r.Context(), "console", a, password)
	var pass *access.Pass
	if err == nil {
		pass, err = p.desk().SignIn(r.Context(), a.ID, password, gate.OriginOf(r))
	}
	if err != nil {
		b.Title, page.Problem = b.T("The first account"), p.doorProblem(w, err)
		p.showDoor(w, 0, "first-account", page)
		return
	}
	p.letIn(w, r, pass, "/accounts")
}

// code draws a QR code.
func qrOf(text string) (Code, error) {
	square, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return Code{}, fmt.Errorf("QR code: %w", err)
	}
	return draw(square, quietQR, 1), nil
}

// addressOf is a page of ours as the browser that asks knows us.
func addressOf(r *http.Request, path string) string {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + path
}

// Authority is a shop's own certificate authority.
type Authority interface {
	Certificate() []byte // DER
	Fingerprint() string
}

type trustPage struct {
	*Base
	Fingerprint string
	Address     string // of the certificate's file
	QR          Code
}

// trust says how a phone comes to trust the shop's own certificate.
func (p *Pages) trust(w http.ResponseWriter, r *http.Request) {
	if p.o.Authority == nil {
		http.NotFound(w, r)
		return
	}
	b := p.door(r, "")
	b.Title = b.T("Let this device trust Tickover")
	page := trustPage{Base: b, Fingerprint: p.o.Authority.Fingerprint(), Address: addressOf(r, "/authority.crt")}
	var err error
	if page.QR, err = qrOf(page.Address); err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.render(w, http.StatusOK, "trust", page)
}

func (p *Pages) authority(w http.ResponseWriter, r *http.Request) {
	if p.o.Authority == nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/x-x509-ca-cert") // phones offer to install it
	w.Header().Set("Content-Disposition", `attachment; filename="tickover-authority.crt"`)
	_, _ = w.Write(p.o.Authority.Certificate())
}
