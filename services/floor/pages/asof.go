package pages

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/almanac"
	"tickover/services/chronicle"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
	"tickover/services/floor/history"
	"tickover/services/floor/record"
	"tickover/services/past"
)

// asofParam is the moment that a page is asked for; without it, it is now.
const asofParam = record.AsOfParam

// then is a moment gone by.
type then = record.Moment

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
		if !gate.Open(r.Context()) && access.From(r.Context()) == nil {
			text = "" // who is not known is told so, and nothing of the past is worked out
		}
		if text == "" || r.URL.Path == "/look" || strings.HasPrefix(r.URL.Path, "/static/") || strings.HasPrefix(r.URL.Path, "/photos/") {
			next.ServeHTTP(w, r)
			return
		}
		t, err := p.thenAt(r, text)
		if err != nil {
			b := p.ready(w, r)
			if b == nil {
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
	switch {
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		return nil, answer.New(http.StatusMethodNotAllowed, queue.CodeMalformed, "the past can't be changed", "Go back to now and do it there.")
	case onlyPresent(r.URL.Path):
		return nil, answer.Unknown("this page is for now only", "Go back to the board; it can be shown as it was.")
	}
	m, err := p.record.AsOf(r.Context(), text, localeOf(r))
	return &m, err
}

// state is the state that a request is answered from.
func (p *Pages) state(r *http.Request) *queue.State {
	if t := thenOf(r.Context()); t != nil {
		return t.State
	}
	return p.o.Ledger.View()
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

// moment is the one that the page is for.
func (b *Base) moment() record.Moment {
	if b.Then != nil {
		return *b.Then
	}
	return record.Moment{At: b.Now, State: b.State}
}

// almanac has the hours of the shop file in effect at the page's moment.
func (p *Pages) almanac(b *Base) *almanac.Almanac { return p.record.Almanac(b.moment()) }

// chronicleOf is what had happened by the page's moment.
func (p *Pages) chronicleOf(r *http.Request, b *Base) (*chronicle.Chronicle, error) {
	c := p.past
	if b.Then != nil {
		c = p.earlier.of(p.o.History, b.State.Seq)
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
	mu  sync.Mutex
	seq uint64
	c   *chronicle.Chronicle
}

func (e *pastRecord) of(from history.Reader, seq uint64) *chronicle.Chronicle {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.c == nil || e.seq != seq {
		e.seq, e.c = seq, chronicle.New(chronicle.Options{Log: past.Until(from.Log, seq), Site: from.Site})
	}
	return e.c
}
