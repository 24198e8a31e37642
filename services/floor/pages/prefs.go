package pages

import (
	"net/http"
	"net/url"
	"time"

	"tickover/services/floor/locale"
)

const prefsCookie = "tickover_prefs"

// localeOf is the language, clock and units of whoever asks: chosen on this
// device, else the browser's.
func localeOf(r *http.Request) *locale.Locale {
	var p locale.Prefs
	if c, err := r.Cookie(prefsCookie); err == nil {
		if v, err := url.ParseQuery(c.Value); err == nil {
			p = prefsOf(v)
		}
	}
	return locale.Choose(p, r.Header.Get("Accept-Language"))
}

func prefsOf(v url.Values) locale.Prefs {
	return locale.Prefs{Language: v.Get("language"), Clock: v.Get("clock"), Distance: v.Get("distance"), Degrees: v.Get("degrees")}
}

// prefer keeps what a person chose on this device.
func (p *Pages) prefer(w http.ResponseWriter, r *http.Request) {
	if !p.form(w, r) {
		return
	}
	c := locale.Choose(prefsOf(r.PostForm), r.Header.Get("Accept-Language")).Prefs
	v := url.Values{"language": {c.Language}, "clock": {c.Clock}, "distance": {c.Distance}, "degrees": {c.Degrees}}
	http.SetCookie(w, &http.Cookie{
		Name: prefsCookie, Value: v.Encode(), Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, MaxAge: int((365 * 24 * time.Hour).Seconds()),
	})
	http.Redirect(w, r, backOf(r.PostFormValue("back"), "/"), http.StatusSeeOther)
}

// languageOf is the language that a page is made in.
func languageOf(data any) *locale.Language {
	if b, ok := data.(interface{ spoken() *locale.Language }); ok {
		return b.spoken()
	}
	return locale.English()
}

func (b *Base) spoken() *locale.Language { return b.Language }
