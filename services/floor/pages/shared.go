package pages

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"

	"tickover/queue"
	"tickover/services/dispatch"
)

// sharedMax bounds how many pages are kept; a hundred open boards are a few
// pages, one for each person and each filter.
const sharedMax = 64

// shared keeps pages that are the same for everybody who asks the same, until
// the shop changes or a second is over.
type shared struct {
	mu    sync.Mutex
	pages map[string]*sharedPage
}

type sharedPage struct {
	once   sync.Once
	plan   *dispatch.Plan // keeps the address in the key from being used again
	header http.Header
	status int
	body   []byte
	zipped []byte
}

func (s *shared) get(key string, plan *dispatch.Plan) *sharedPage {
	s.mu.Lock()
	defer s.mu.Unlock()
	if pg := s.pages[key]; pg != nil {
		return pg
	}
	if s.pages == nil || len(s.pages) >= sharedMax {
		s.pages = map[string]*sharedPage{}
	}
	pg := &sharedPage{plan: plan}
	s.pages[key] = pg
	return pg
}

// boardPage renders the board once for each state of the shop. The board has
// no form that carries a command's id, so two people may share it.
func (p *Pages) boardPage() http.Handler {
	alone := p.handle(p.board)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		key, plan := p.sharedKey(r)
		if key == "" {
			alone.ServeHTTP(w, r)
			return
		}
		pg := p.shared.get(key, plan)
		pg.once.Do(func() { pg.make(alone, r) })
		pg.write(w, r)
	})
}

// sharedKey is everything that the page depends on; empty when it is for this
// request alone.
func (p *Pages) sharedKey(r *http.Request) (string, *dispatch.Plan) {
	st := p.o.Ledger.View()
	said, _ := r.Cookie(saidCookie)
	if st.Shop == nil || thenOf(r.Context()) != nil || triedOf(r.Context()) != nil || said != nil && r.Header.Get(refreshHeader) == "" {
		return "", nil
	}
	var plan *dispatch.Plan
	if p.o.Plans != nil {
		plan = p.o.Plans.Latest()
	}
	var alerts strings.Builder
	if p.o.Alerts != nil {
		for _, a := range p.o.Alerts.Alerts() {
			fmt.Fprintf(&alerts, "%s %s %s %d;", a.Kind, a.Unit, a.Step, a.Since.Unix())
		}
	}
	return fmt.Sprintf("%s|%d|%p|%d|%s", readerKey(r, st.Shop), st.Seq, plan, p.o.Now().Unix(), alerts.String()), plan
}

// readerKey tells apart who asks for what, and in which words it is answered.
func readerKey(r *http.Request, shop *queue.Shop) string {
	l := localeOf(r)
	return fmt.Sprintf("%s|%s|%v|%s", r.URL.RequestURI(), asKey(r, shop), l.Prefs, l.Tag)
}

func (pg *sharedPage) make(h http.Handler, r *http.Request) {
	pg.status, pg.body = http.StatusInternalServerError, []byte("Tickover made a mistake; the cause is in its log.") // until it is made
	rec := &recorder{header: http.Header{}, status: http.StatusOK}
	h.ServeHTTP(rec, r)
	pg.header, pg.status, pg.body = rec.header, rec.status, rec.body.Bytes()
	var z bytes.Buffer
	zw, err := gzip.NewWriterLevel(&z, gzip.BestSpeed)
	if err != nil {
		return
	}
	if _, err := zw.Write(pg.body); err == nil && zw.Close() == nil {
		pg.zipped = z.Bytes()
	}
}

func (pg *sharedPage) write(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	for name, v := range pg.header {
		h[name] = slices.Clone(v)
	}
	h.Add("Vary", "Accept-Encoding")
	body := pg.body
	if len(pg.zipped) > 0 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = pg.zipped
	}
	w.WriteHeader(pg.status)
	_, _ = w.Write(body)
}

// recorder takes a page instead of a connection.
type recorder struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (r *recorder) Header() http.Header         { return r.header }
func (r *recorder) WriteHeader(status int)      { r.status = status }
func (r *recorder) Write(b []byte) (int, error) { return r.body.Write(b) }
