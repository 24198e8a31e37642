package pages

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/services/almanac"
	"tickover/services/chronicle"
	"tickover/services/floor/answer"
	"tickover/services/floor/history"
	"tickover/services/past"
	"tickover/services/timesheet"
)

// asofParam is the moment that a page is asked for; without it, it is now.
const asofParam = "asof"

// then is a moment gone by and the state at it.
type then struct {
	at    time.Time
	text  string // as it was asked for
	state *queue.State
}

type thenKey struct{}

func thenOf(ctx context.Context) *then {
	t, _ := ctx.Value(thenKey{}).(*then)
	return t
}

// presentOnly are pages on which there is nothing to see of the past: they only
// change something, or are about this device.
var presentOnly = []string{"/check-in", "/import", "/decide", "/preview", "/me", "/offline", "/setup"}

func onlyPresent(path string) bool {
	return slices.ContainsFunc(presentOnly, func(p string) bool { return path == p || strings.HasPrefix(path, p+"/") })
}

// travel serves a page as of the moment in its address: from the state at that
// moment, without forms that change something, and with links that stay there.
func (p *Pages) travel(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		text := strings.TrimSpace(r.URL.Query().Get(asofParam))
		if text == "" || r.URL.Path == "/look" || strings.HasPrefix(r.URL.Path, "/static/") || strings.HasPrefix(r.URL.Path, "/photos/") {
			next.ServeHTTP(w, r)
			return
		}
		t, err := p.thenAt(r, text)
		if err != nil {
			b, ok := p.base(r)
			if !ok {
				p.plain(w, http.StatusServiceUnavailable, "The shop is not set up yet.", "Start Tickover with a shop file.")
				return
			}
			p.fail(w, r, b, err)
			return
		}
		rec := &recorder{header: w.Header(), status: http.StatusOK}
		next.ServeHTTP(rec, r.WithContext(context.WithValue(r.Context(), thenKey{}, t)))
		body := rec.body.Bytes()
		if strings.HasPrefix(rec.header.Get("Content-Type"), "text/html") {
			body = freeze(body, text)
		}
		if to := rec.header.Get("Location"); to != "" {
			rec.header.Set("Location", staying(to, text))
		}
		w.WriteHeader(rec.status)
		_, _ = w.Write(body)
	})
}

// thenAt is the state at the moment that is asked for.
func (p *Pages) thenAt(r *http.Request, text string) (*then, error) {
	l, now := localeOf(r), p.o.Now()
	switch {
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		return nil, answer.New(http.StatusMethodNotAllowed, queue.CodeMalformed, "the past can't be changed", "Go back to now and do it there.")
	case onlyPresent(r.URL.Path):
		return nil, answer.Unknown("this page is for now only", "Go back to the board; it can be shown as it was.")
	}
	loc := time.UTC
	if sh := p.o.Ledger.View().Shop; sh != nil {
		loc = sh.Location()
	}
	at, ok := momentOf(text, loc)
	switch {
	case !ok:
		return nil, answer.Malformed(asofParam, text, l.T("%q is no moment", text), "Write it as 2026-02-17T10:30, in the shop's time.")
	case at.After(now):
		return nil, answer.Malformed(asofParam, text, "that moment has not come yet", l.T("Choose one that has passed; it is %s now.", l.T("%s, %s", l.Date(now.In(loc), "Mon 2 Jan 2006"), l.Clock(now.In(loc)))))
	}
	st, err := p.then.At(r.Context(), at)
	var before *past.BeforeError
	switch {
	case errors.As(err, &before):
		begins := before.Begins.In(loc)
		return nil, answer.Malformed(asofParam, text, "nothing had been recorded by then", l.T("Choose a later moment: the record begins on %s.", l.T("%s, %s", l.Date(begins, "Mon 2 Jan 2006"), l.Clock(begins))))
	case errors.Is(err, past.ErrEmpty), err == nil && st.Shop == nil:
		return nil, answer.Malformed(asofParam, text, "the shop was not set up by then", "Choose a later moment.")
	case err != nil:
		return nil, err
	}
	return &then{at, text, st}, nil
}

// state is the state that a request is answered from.
func (p *Pages) state(r *http.Request) *queue.State {
	if t := thenOf(r.Context()); t != nil {
		return t.state
	}
	return p.o.Ledger.View()
}

// momentOf reads a moment: with its zone, or on the shop's clock.
func momentOf(text string, loc *time.Location) (time.Time, bool) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, true
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, loc); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// staying is an address of ours as of the same moment.
func staying(to, asof string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") {
		return to
	}
	q := u.Query()
	q.Set(asofParam, asof)
	u.RawQuery = q.Encode()
	return u.String()
}

// almanac has the hours of the shop file in effect at the page's moment.
func (p *Pages) almanac(b *Base) *almanac.Almanac {
	if b.Then == nil {
		return p.o.Ledger.Almanac()
	}
	a, err := almanac.New(b.Shop)
	if err != nil {
		return p.o.Ledger.Almanac() // an impossible shop never took effect
	}
	return a
}

// chronicleOf is what had happened by the page's moment.
func (p *Pages) chronicleOf(r *http.Request, b *Base) (*chronicle.Chronicle, error) {
	c := p.past
	if b.Then != nil {
		c, _ = p.earlier.of(p.o.History, b.State.Seq)
	}
	return c, c.CatchUp(r.Context())
}

// Path is the page's address without what is asked of it.
func (b *Base) Path() string {
	u, err := url.Parse(b.Here)
	if err != nil || strings.HasPrefix(u.Path, "/do/") || onlyPresent(u.Path) {
		return "/board"
	}
	return u.EscapedPath()
}

// AsOf is the moment of a page of the past, in words.
func (b *Base) AsOf() string {
	return b.T("%s, %s", b.Date(b.Now, "Mon 2 Jan 2006"), b.Locale.Clock(b.Now))
}

// Present is this page as it is now.
func (b *Base) Present() string { return b.LookTo(0) }

// LookTo is this page so many minutes earlier or later; 0: now.
func (b *Base) LookTo(minutes int) string {
	u, err := url.Parse(b.Here)
	if err != nil || b.Path() != u.EscapedPath() {
		return b.Path()
	}
	q := u.Query()
	q.Del(asofParam)
	if minutes != 0 {
		q.Set(asofParam, b.Now.Add(time.Duration(minutes)*time.Minute).Format("2006-01-02T15:04"))
	}
	u.RawQuery = q.Encode()
	return u.RequestURI()
}

// look opens a page of ours as of a moment.
func (p *Pages) look(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	to := backOf(q.Get("page"), "/board")
	if asof := strings.TrimSpace(q.Get(asofParam)); asof != "" {
		to = staying(to, asof)
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// pastRecord keeps what is folded from the log of one past moment: somebody who
// looks back asks several pages of it.
type pastRecord struct {
	mu   sync.Mutex
	seq  uint64
	c    *chronicle.Chronicle
	work *timesheet.Sheet
}

func (e *pastRecord) of(from history.Reader, seq uint64) (*chronicle.Chronicle, *timesheet.Sheet) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.c == nil || e.seq != seq {
		l := past.Until(from.Log, seq)
		e.seq, e.c, e.work = seq, chronicle.New(chronicle.Options{Log: l, Site: from.Site}), timesheet.New(l, from.Site)
	}
	return e.c, e.work
}
