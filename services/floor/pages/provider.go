package pages

import (
	"errors"
	"net/http"

	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/access/provider"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
)

// providerBack is where the provider sends browsers back to; it has to know the
// whole address.
const providerBack = "/sign-in/provider/back"

// providerDoor begins an answer on the way to the provider or back; nil: there
// is none, and who asks was sent to sign in.
func (p *Pages) providerDoor(w http.ResponseWriter, r *http.Request) *Base {
	b := p.door(r, "")
	if p.o.Provider == nil || b.Open {
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return nil
	}
	w.Header().Set("Cache-Control", "no-store")
	return b
}

// toProvider sends the browser to the provider. It is a link and no form,
// because the policy of our pages lets forms go nowhere else.
func (p *Pages) toProvider(w http.ResponseWriter, r *http.Request) {
	b := p.providerDoor(w, r)
	if b == nil {
		return
	}
	back := backOf(r.URL.Query().Get("back"), "/")
	to, try, err := p.o.Provider.Begin(r.Context(), back, addressOf(r, providerBack))
	if err != nil {
		p.providerFailed(w, r, b, back, err)
		return
	}
	gate.SetTry(w, r, try, provider.Life)
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// fromProvider signs in who comes back. Whatever comes of it, the try is over.
func (p *Pages) fromProvider(w http.ResponseWriter, r *http.Request) {
	b := p.providerDoor(w, r)
	if b == nil {
		return
	}
	try, q, from, ctx := gate.TryOf(r), r.URL.Query(), gate.OriginOf(r), r.Context()
	gate.SetTry(w, r, "", 0)
	back := "/"
	var id access.Identity
	var pass *access.Pass
	state, err := p.o.Provider.Check(try, q)
	if err == nil {
		err = p.desk().Use(ctx, state, provider.Life, from)
	}
	if err == nil {
		id, back, err = p.o.Provider.Finish(ctx, try, q, addressOf(r, providerBack))
	}
	if err == nil {
		pass, err = p.desk().SignInAs(ctx, id, from)
	}
	switch back = backOf(back, "/"); {
	case errors.Is(err, access.ErrStranger):
		b.Title = b.T("Sign in")
		p.showDoor(w, http.StatusForbidden, "sign-in", doorPage{Base: b, Back: back, Stranger: &id})
	case err != nil:
		p.providerFailed(w, r, b, back, err)
	default:
		p.letIn(w, r, pass, back)
	}
}

// providerFailed says why, above the form for who has a password here.
func (p *Pages) providerFailed(w http.ResponseWriter, r *http.Request, b *Base, back string, err error) {
	var pr *answer.Problem
	switch {
	case errors.Is(err, provider.ErrDown):
		p.log.Warn("the sign-in provider does not answer", zap.Error(err))
		pr = answer.New(http.StatusBadGateway, answer.CodeStorage, "the sign-in provider can't be reached now", "Sign in with your name and password here, or let the foreman pair this device. It is tried again each time.")
	case errors.Is(err, provider.ErrStale) || errors.Is(err, access.ErrCode):
		pr = answer.New(http.StatusBadRequest, queue.CodeStale, "this sign-in was begun in another browser, was used already, or took longer than ten minutes", "Begin again here.")
	case errors.Is(err, provider.ErrRefused):
		p.log.Info("the provider did not sign somebody in", zap.Error(err))
		pr = answer.New(http.StatusForbidden, queue.CodeWrongPerson, "the provider did not sign you in", "Try again, or sign in with your name and password here.")
	case errors.Is(err, provider.ErrToken):
		p.log.Warn("an answer of the sign-in provider does not hold", zap.Error(err))
		p.desk().Note(r.Context(), access.Entry{What: access.SignInFailed, From: gate.Address(r), Note: "provider"})
		pr = answer.New(http.StatusForbidden, queue.CodeWrongPerson, "what the provider said of you does not hold", "Begin again. If it stays so, whoever looks after Tickover finds the cause in its log.")
	default:
		pr = p.doorProblem(w, err)
	}
	b.Title = b.T("Sign in")
	p.showDoor(w, 0, "sign-in", doorPage{Base: b, Back: back, Problem: pr})
}
