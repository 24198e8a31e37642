package pages

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"tickover/queue"
	"tickover/services/floor/answer"
	"tickover/services/floor/locale"
)

const (
	personCookie = "tickover_person"
	saidCookie   = "tickover_said"
	formMax      = 256 << 10 // bytes of a form
)

// personOf is the person chosen on this device, if the shop knows him.
func personOf(r *http.Request, shop *queue.Shop) queue.PersonID {
	c, err := r.Cookie(personCookie)
	if err != nil {
		return ""
	}
	id := queue.PersonID(c.Value)
	if known(shop, id) {
		return id
	}
	return ""
}

func known(shop *queue.Shop, id queue.PersonID) bool {
	return id != "" && (shop.Technician(id) != nil || shop.Foreman(id))
}

func remember(w http.ResponseWriter, id queue.PersonID) {
	http.SetCookie(w, &http.Cookie{
		Name: personCookie, Value: string(id), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, MaxAge: int((30 * 24 * time.Hour).Seconds()),
	})
}

// say leaves a sentence for the next page.
func say(w http.ResponseWriter, sentence string) {
	http.SetCookie(w, &http.Cookie{
		Name: saidCookie, Value: url.QueryEscape(sentence), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, MaxAge: 60,
	})
}

func takeSaid(w http.ResponseWriter, r *http.Request) string {
	c, err := r.Cookie(saidCookie)
	if err != nil || r.Header.Get(refreshHeader) != "" {
		return ""
	}
	http.SetCookie(w, &http.Cookie{Name: saidCookie, Path: "/", MaxAge: -1})
	s, err := url.QueryUnescape(c.Value)
	if err != nil || len(s) > 500 {
		return ""
	}
	return s
}

// refreshHeader marks the script's own loading of the page.
const refreshHeader = "Tickover-Refresh"

func (p *Pages) me(r *http.Request, b *Base) (string, any, error) {
	b.Title = b.T("Who are you?")
	return "me", struct {
		*Base
		Back      string
		Languages []*locale.Language
	}{b, backOf(r.FormValue("back"), "/job"), locale.Languages()}, nil
}

func (p *Pages) choose(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	b := p.ready(w, r)
	if b == nil {
		return
	}
	id := queue.PersonID(r.PostFormValue("person"))
	if !known(b.Shop, id) {
		p.fail(w, r, b, answer.Unknown(b.T("there is nobody called %s in the shop file", id), "Choose one of the people shown."))
		return
	}
	remember(w, id)
	http.Redirect(w, r, backOf(r.PostFormValue("back"), "/job"), http.StatusSeeOther)
}

// form reads a form within its bound.
func (p *Pages) form(w http.ResponseWriter, r *http.Request) bool {
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
		return p.multipartForm(w, r)
	}
	r.Body = http.MaxBytesReader(w, r.Body, formMax)
	if err := r.ParseForm(); err != nil {
		p.unreadable(w, r)
		return false
	}
	return true
}

// backOf is a path of our own to go back to.
func backOf(s, otherwise string) string {
	u, err := url.Parse(s)
	if err != nil || u.Host != "" || u.Scheme != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(s, "//") || strings.ContainsAny(s, "\\\r\n") {
		return otherwise
	}
	return u.RequestURI()
}
