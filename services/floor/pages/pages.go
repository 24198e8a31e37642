// Package pages is the shop in a browser: the foreman's board, the technician's
// next job, the bench screen, the unit, check-in and import, the cautions.
//
// It guarantees:
//
//  1. Everything can be done with plain forms; the script only keeps a page
//     fresh and runs its clocks. It never touches what somebody has typed.
//  2. A form carries the id of its command, so that sending it twice, or again
//     with the back button, is recorded once.
//  3. A refusal is shown in full on the page that the form came from, with
//     everything that was typed, and with the foreman's override where the
//     rule allows one.
//
// In an open shop a person is chosen and kept in a cookie, and what only a
// foreman may do is enforced by the queue for whoever says to be one. Where
// people sign in, the person is who did (package gate).
package pages

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/access/provider"
	"tickover/services/chronicle"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/floor/answer"
	"tickover/services/floor/decisions"
	"tickover/services/floor/gate"
	"tickover/services/floor/history"
	"tickover/services/floor/job"
	"tickover/services/floor/live"
	"tickover/services/floor/locale"
	"tickover/services/floor/record"
	"tickover/services/floor/setup"
	"tickover/services/floor/studies"
	"tickover/services/group"
	"tickover/services/ledger"
	"tickover/services/photos"
	"tickover/services/promise"
)

// Options say what the pages speak to.
type Options struct {
	Ledger   *ledger.Ledger
	History  history.Reader
	Record   *record.Record // of the same log
	Studies  *studies.Book
	Contacts Contacts // the people beside the log; nil: none are kept
	Plans    live.Plans
	Alerts   live.Alerts
	API      []Endpoint    // for the page that describes the API
	Photos   *photos.Store // nil: none can be taken
	Now      func() time.Time
	Logger   *zap.Logger
	ShopFile *setup.Disk // nil: the shop has no file that could be written
	// ShopInLog: there is no file. The shop in effect, which the log has, is
	// what is changed.
	ShopInLog bool
	// Lengths are those of work as they were learnt, Learner what earlier
	// promises were worth; nil: nothing is learnt.
	Lengths *experience.Experience
	Learner *promise.Learner
	Gate    *gate.Gate
	// Authority is the shop's own, which phones have to trust; nil: none.
	Authority Authority
	// Provider signs people in; nil: there is none.
	Provider *provider.Provider
	// FirstAccount is the secret with which this machine may make the first
	// account; empty: it can't be made from a page.
	FirstAccount string
	// Group is the deployment's sites, as far as each person may see them; nil:
	// the shop stands alone.
	Group *group.Group
	// Written is called once a shop that had no file yet has one.
	Written func()
}

// Endpoint is a line of the API's description.
type Endpoint struct{ Method, Path, Summary, Tag string }

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// Pages serves the pages.
type Pages struct {
	o   Options
	log *zap.Logger
	mux *gate.Mux
	// past is what happened, for the owner's figures.
	past    *chronicle.Chronicle
	earlier pastRecord // what had happened by a past moment
	record  *record.Record
	// pages are the templates of each language by name.
	promises promise.Kept
	pages    map[*locale.Language]map[string]*template.Template
	// recent are the foremen's last decisions.
	recent *decisions.Recent
	shared shared
	pieces pieces
	// setupWriting lets one person at a time change the shop file.
	setupWriting sync.Mutex
	opening      atomic.Bool // the first shop file is written, the shop starts
	version      string      // of the static files
}

// Register puts the pages on the mux.
func Register(mux *gate.Mux, o Options) error {
	p, err := newPages(o)
	if err != nil {
		return err
	}
	p.past = chronicle.New(chronicle.Options{Log: o.History.Log, Site: o.History.Site})
	p.record = o.Record
	if err := p.remember(); err != nil {
		return err
	}
	for pattern, h := range map[string]handler{
		"GET /{$}":                     p.home,
		"GET /me":                      p.me,
		"GET /decide":                  p.decideShop,
		"GET /decide/{unit}":           p.decide,
		"GET /decide/{unit}/{step}":    p.decide,
		"GET /job":                     p.job,
		"GET /bench":                   p.benches,
		"GET /bench/{id}":              p.bench,
		"GET /units":                   p.units,
		"GET /units/{id}":              p.unit,
		"GET /units/{id}/steps/{step}": p.stepPage,
		"GET /units/{id}/ticket":       p.ticket,
		"GET /counter":                 p.counter,
		"GET /people/{id}":             p.person,
		"GET /check-in":                p.checkIn,
		"GET /import":                  p.importPage,
		"GET /calibrations":            p.calibrations,
		"GET /campaigns":               p.campaigns,
		"GET /campaigns/{id}":          p.campaignPage,
		"GET /campaigns/{id}/book":     p.book,
		"GET /campaigns/{id}/claim":    p.claim,
		"GET /audit":                   p.audit,
		"GET /cautions":                p.cautions,
		"GET /owner":                   p.owner,
		"GET /group":                   p.group,
		"GET /owner/units":             p.ownerUnits,
		"GET /owner/whatif":            p.whatIf,
		"GET /owner/whatif/{id}":       p.study,
		"GET /owner/lengths":           p.lengths,
		"GET /owner/promises":          p.promisesKept,
		"GET /api":                     p.api,
		"GET /":                        p.notFound,
	} {
		p.mux.Handle(pattern, p.handle(h))
	}
	for pattern, h := range map[string]handler{
		"GET /machines/{key}":          p.machine,
		"GET /machines/{key}/trade-in": p.tradeIn,
		"GET /labour":                  p.labour,
		"GET /labour/steps":            p.labourSteps,
	} {
		p.mux.Handle(pattern, p.handle(h))
	}
	p.mux.HandleFunc("GET /find", p.find)
	p.mux.HandleFunc("GET /look", p.look)
	p.mux.HandleFunc("GET /labour/lines.csv", p.labourCSV)
	p.mux.HandleFunc("GET /technicians/{id}/day.ics", p.dayICS)
	p.mux.HandleFunc("GET /owner/csv/{table}", p.ownerCSV)
	p.mux.HandleFunc("GET /owner/plot/{file}", p.ownerPlot)
	p.mux.HandleFunc("POST /owner/whatif", p.askWhatIf)
	p.mux.HandleFunc("POST /owner/whatif/{id}/stop", p.stopStudy)
	p.mux.HandleFunc("GET /owner/whatif/{id}/{file}", p.studyFile)
	p.mux.HandleFunc("GET /owner/lengths.csv", p.lengthsCSV)
	p.mux.HandleFunc("GET /owner/promises.csv", p.promisesCSV)
	p.mux.HandleFunc("GET /calibrations.csv", p.exportCalibrations)
	p.mux.HandleFunc("POST /calibrations", p.takeFile("/calibrations", p.calibrations, p.takeCalibrations))
	p.mux.HandleFunc("GET /campaigns/{id}/claim.csv", p.claimCSV)
	p.mux.HandleFunc("GET /scan", p.scan)
	p.mux.HandleFunc("GET /photos/{hash}", p.photo)
	p.mux.HandleFunc("GET /units/{id}/meanwhile", p.meanwhile)
	p.mux.HandleFunc("POST /me", p.choose)
	p.mux.HandleFunc("POST /prefs", p.prefer)
	p.mux.HandleFunc("POST /people/{id}", p.changePerson)
	p.mux.HandleFunc("GET /people/{id}/export", p.exportPerson)
	p.mux.Handle("GET /board", p.boardPage())
	p.mux.HandleFunc("POST /preview", p.preview)
	p.mux.HandleFunc("POST /do/{action}", p.do)
	p.mux.HandleFunc("GET /import/example.csv", p.importExample)
	p.mux.HandleFunc("POST /import", p.takeFile("/import", p.importPage, p.takeUnits))
	p.signInRoutes()
	mux.Mount("/", p.travel(p.mux))
	return nil
}

// newPages has the templates, the static files and the setup of the shop, which
// is there before there is a shop.
func newPages(o Options) (*Pages, error) {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	p := &Pages{o: o, log: o.Logger.Named("pages"), mux: o.Gate.Mux(), pages: map[*locale.Language]map[string]*template.Template{}}
	for _, l := range locale.Languages() {
		pages, err := templatesOf(l)
		if err != nil {
			return nil, err
		}
		p.pages[l] = pages
	}
	static, err := fs.Sub(staticFiles, "static")
	if err != nil {
		return nil, err
	}
	files := http.FileServerFS(static)
	if err := p.offlineRoutes(static); err != nil {
		return nil, err
	}
	p.mux.Handle("GET /static/", http.StripPrefix("/static/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") || r.URL.Path == "" {
			http.NotFound(w, r) // no list of the folder
			return
		}
		w.Header().Set("Cache-Control", "no-cache")
		w.Header().Set("ETag", `"`+p.version+`"`)
		files.ServeHTTP(w, r)
	})))
	p.mux.HandleFunc("GET /setup", p.setupGet)
	p.mux.HandleFunc("POST /setup", p.setupPost)
	return p, nil
}

// RegisterSetup puts the setup of a shop that has no file yet on the mux, and
// nothing else; every other page leads there.
func RegisterSetup(mux *gate.Mux, o Options) error {
	p, err := newPages(o)
	if err != nil {
		return err
	}
	p.mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		if p.opening.Load() {
			p.opens(w, r)
			return
		}
		http.Redirect(w, r, "/setup", http.StatusSeeOther)
	})
	mux.Mount("/", p.mux)
	return nil
}

// parsed are the templates by language: they are the same for all sites of a
// process, and reading them takes half a second of a core.
var parsed struct {
	mu    sync.Mutex
	pages map[*locale.Language]map[string]*template.Template
}

func templatesOf(l *locale.Language) (map[string]*template.Template, error) {
	parsed.mu.Lock()
	defer parsed.mu.Unlock()
	if pages := parsed.pages[l]; pages != nil {
		return pages, nil
	}
	pages, err := parse(l)
	if err != nil {
		return nil, err
	}
	if parsed.pages == nil {
		parsed.pages = map[*locale.Language]map[string]*template.Template{}
	}
	parsed.pages[l] = pages
	return pages, nil
}

// parse reads all templates; t, tc and n say their messages in the language.
func parse(l *locale.Language) (map[string]*template.Template, error) {
	funcs := template.FuncMap{
		"t": l.T, "word": l.Word, "note": (&locale.Locale{Language: l}).Say, "tc": l.C, "n": l.N, "minutes": l.Minutes,
		"icon": icon, "iso": func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
		"sentence": answer.Sentence, "calibrationIcon": calibrationIcon, "statusText": func(s queue.StepStatus) string { return l.Word(job.StatusText(s)) }, "list": func(v ...any) []any { return v },
		"operationIcon": operationIcon, "join": join, "dict": dict, "words": words,
		"rowNumber": func(i int) int { return i + 1 }, "laneHeight": laneHeight, "blockY": blockY,
		"person": func(id string) queue.PersonID { return queue.PersonID(id) }, "operation": func(id string) queue.OperationID { return queue.OperationID(id) },
	}
	shared, err := template.New("").Funcs(funcs).ParseFS(templateFiles, "templates/layout.html", "templates/parts.html", "templates/forms.html", "templates/record.html")
	if err != nil {
		return nil, err
	}
	names, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return nil, err
	}
	pages := make(map[string]*template.Template, len(names))
	for _, name := range names {
		t, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		if t, err = t.ParseFS(templateFiles, name); err != nil {
			return nil, err
		}
		pages[strings.TrimSuffix(strings.TrimPrefix(name, "templates/"), ".html")] = t
	}
	return pages, nil
}

// dict gives a template several values under names.
func dict(kv ...any) (map[string]any, error) {
	if len(kv)%2 != 0 {
		return nil, fmt.Errorf("dict: odd number of arguments")
	}
	m := make(map[string]any, len(kv)/2)
	for i := 0; i < len(kv); i += 2 {
		key, ok := kv[i].(string)
		if !ok {
			return nil, fmt.Errorf("dict: %v is no name", kv[i])
		}
		m[key] = kv[i+1]
	}
	return m, nil
}

// handler answers a page's data: the template's name and what it shows.
type handler func(*http.Request, *Base) (name string, data any, err error)

// Base is what every page shows and knows.
type Base struct {
	*locale.Locale
	Title     string
	Section   string // of the menu
	Wide      bool
	Screen    bool // a bench screen: no menu
	Bare      bool // there is no shop yet: no menu and nobody to be
	Live      bool // refreshed when something changes
	State     *queue.State
	Shop      *queue.Shop
	Plan      *dispatch.Plan
	Book      *job.Book
	Now       time.Time
	Loc       *time.Location
	Me        queue.PersonID
	Alerts    []live.Alert
	Tried     *Tried // a form that was refused
	Said      string // what the last form came to
	Here      string // path and query
	Then      *then  // the moment of a page of the past; nil: it is now
	Customers bool   // customers are kept, beside the log
	Grouped   bool   // there are other sites
	photos    bool   // can be taken
	asks
}

// Person is somebody who can be chosen.
type Person struct {
	ID      queue.PersonID
	Name    string
	Foreman bool
	Works   bool // is a technician
}

// ready is base for a handler; nil: there is no shop, which has been answered.
func (p *Pages) ready(w http.ResponseWriter, r *http.Request) *Base {
	b, ok := p.base(r)
	if !ok {
		p.plain(w, r, http.StatusServiceUnavailable, "The shop is not set up yet.", "Start Tickover with a shop file.")
		return nil
	}
	return b
}

// base gathers what every page needs; ok is false when there is no shop.
func (p *Pages) base(r *http.Request) (*Base, bool) {
	if p.o.Ledger == nil {
		return nil, false
	}
	st := p.o.Ledger.View()
	b := &Base{State: st, Shop: st.Shop, Locale: localeOf(r), Now: p.o.Now(), Loc: time.UTC, Here: r.URL.RequestURI(), Tried: triedOf(r.Context())}
	if st.Shop == nil {
		return b, false
	}
	if b.Then = thenOf(r.Context()); b.Then != nil {
		b.State, b.Shop, b.Now = b.Then.State, b.Then.State.Shop, b.Then.At
	}
	b.Loc = b.Shop.Location()
	b.Now = b.Now.In(b.Loc)
	b.Locale.Now = b.Now
	alerts := p.o.Alerts
	switch {
	case b.Then != nil: // plans and alarms of that time are not in the log
		alerts = nil
	case p.o.Plans != nil:
		b.Plan = p.o.Plans.Latest()
	}
	b.Book = job.NewBook(b.State, b.Plan)
	b.Me = personOf(r, b.Shop)
	b.ask(r)
	b.Grouped = p.o.Group != nil
	b.Customers, b.photos = p.o.Contacts != nil, p.o.Photos != nil && b.Then == nil
	b.Alerts = job.Standing(b.State, alerts, b.Now)
	b.foremansAlerts()
	return b, true
}

func (p *Pages) handle(h handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b := p.ready(w, r)
		if b == nil {
			return
		}
		b.Said = takeSaid(w, r)
		name, data, err := h(r, b)
		if err != nil {
			p.fail(w, r, b, err)
			return
		}
		status := http.StatusOK
		if b.Tried != nil {
			status = b.Tried.Problem.Status
		}
		p.render(w, status, name, data)
	})
}

// render writes a page as a whole or not at all.
func (p *Pages) render(w http.ResponseWriter, status int, name string, data any) {
	var buf bytes.Buffer
	t := p.pages[languageOf(data)][name]
	if t == nil {
		p.log.Error("no such page", zap.String("page", name))
		http.Error(w, "no such page", http.StatusInternalServerError)
		return
	}
	if err := t.ExecuteTemplate(&buf, "layout", data); err != nil {
		p.log.Error("page not rendered", zap.String("page", name), zap.Error(err))
		plainIn(w, languageOf(data), http.StatusInternalServerError, "This page could not be made.", "Nothing was changed. Tell whoever looks after Tickover.")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(gate.SealForms(offered(buf.Bytes(), data), sessionOf(data)))
}

// plain is the page when no other can be made.
func (p *Pages) plain(w http.ResponseWriter, r *http.Request, status int, what, do string) {
	Plain(w, r, status, what, do)
}

// Plain is a page without a shop: what is wrong and what to do, both messages.
func Plain(w http.ResponseWriter, r *http.Request, status int, what, do string) {
	plainIn(w, localeOf(r).Language, status, what, do)
}

func plainIn(w http.ResponseWriter, l *locale.Language, status int, what, do string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<!doctype html><html lang=%q><meta name=viewport content=\"width=device-width\"><title>Tickover</title><link rel=stylesheet href=/static/app.css><main class=page><h1>%s</h1><p>%s</p><p><a href=/>%s</a></p></main></html>",
		l.Tag, template.HTMLEscapeString(l.Word(what)), template.HTMLEscapeString(l.Word(do)), template.HTMLEscapeString(l.T("Start page")))
}

// fail shows an error as a page of its own.
func (p *Pages) fail(w http.ResponseWriter, r *http.Request, b *Base, err error) {
	pr, known := answer.Of(err)
	if !known {
		pr.Instance = uuid.NewString()
		p.log.Error("page failed", zap.String("path", r.URL.Path), zap.String("instance", pr.Instance), zap.Error(err))
	}
	pr = pr.In(b.Locale)
	b.Title, b.Section = b.T("That did not work"), ""
	p.render(w, pr.Status, "problem", struct {
		*Base
		Problem *answer.Problem
	}{b, pr})
}

func (p *Pages) notFound(r *http.Request, b *Base) (string, any, error) {
	return "", nil, answer.Unknown("there is no page %s", "Begin at the start page.", r.URL.Path)
}

// alertsOf keeps the alerts that concern a page.
func (b *Base) alertsOf(match func(live.Alert) bool) {
	b.Alerts = slices.DeleteFunc(b.Alerts, func(a live.Alert) bool { return !match(a) })
}

// Clock is a time of day in the shop's zone.
func (b *Base) Clock(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return b.Locale.Clock(t.In(b.Loc))
}

// When is a time as people say it: the clock today, else with its day.
func (b *Base) When(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return b.Locale.When(t, b.Now)
}

// Local is a time for a date-and-time field.
func (b *Base) Local(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(b.Loc).Format("2006-01-02T15:04")
}

// NewID makes a command's id for a form.
func (b *Base) NewID() string { return uuid.NewString() }

// Name is a person's name, or the id of somebody unknown.
func (b *Base) Name(id queue.PersonID) string {
	if b.Who != nil && b.Who.Person == id && id != "" && b.Shop.Technician(id) == nil {
		return b.Who.Name
	}
	if t := b.Shop.Technician(id); t != nil {
		return t.Name
	}
	if id == "" {
		return "Tickover"
	}
	return words(string(id))
}

// First is a person's first name.
func (b *Base) First(id queue.PersonID) string {
	first, _, _ := strings.Cut(b.Name(id), " ")
	return first
}

// Initial is the first letter of a person's name.
func (b *Base) Initial(id queue.PersonID) string {
	for _, r := range b.First(id) {
		return string(r)
	}
	return ""
}

// Thing is a resource's name.
func (b *Base) Thing(id queue.ResourceID) string { return b.Shop.ResourceName(id) }

// WhereOf names where a step is done: its bench, pad or loop, and what else it
// holds if it has none.
func (b *Base) WhereOf(ids []queue.ResourceID) string {
	var places, all []string
	for _, id := range ids {
		all = append(all, b.Thing(id))
		if r := b.Shop.Resource(id); r != nil && (r.Kind == queue.Bench || r.Kind.Outdoors()) {
			places = append(places, b.Thing(id))
		}
	}
	if len(places) == 0 {
		places = all
	}
	return strings.Join(places, ", ")
}

// People are all who can be chosen: technicians, then foremen who are none.
func (b *Base) People() []Person {
	var out []Person
	for i := range b.Shop.Technicians {
		t := &b.Shop.Technicians[i]
		out = append(out, Person{t.ID, t.Name, b.Shop.Foreman(t.ID), true})
	}
	for _, f := range b.Shop.Foremen {
		if b.Shop.Technician(f) == nil {
			out = append(out, Person{f, words(string(f)), true, false})
		}
	}
	return out
}

// Foremen are those who may override.
func (b *Base) Foremen() []Person {
	var out []Person
	for _, p := range b.People() {
		if p.Foreman {
			out = append(out, p)
		}
	}
	return out
}

// IAmForeman reports whether the chosen person is a foreman.
func (b *Base) IAmForeman() bool {
	return b.Shop.Foreman(b.Me) && (b.Who == nil || b.Who.Is(access.Foreman))
}

// Decides reports whether who looks may decide what a foreman decides; where
// nobody signs in and nobody is chosen, whoever it is says so with the form.
func (b *Base) Decides() bool { return b.May("GET /decide") && (b.Me == "" || b.IAmForeman()) }

// Operation is an operation's name.
func (b *Base) Operation(id queue.OperationID) string {
	if op := b.Shop.Operation(id); op != nil {
		return op.Name
	}
	return string(id)
}

// words makes a name of an id.
func words(id string) string {
	s := strings.NewReplacer("-", " ", "_", " ").Replace(id)
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// join lists ids of any kind.
func join(ids any) (string, error) {
	switch ids := ids.(type) {
	case []string:
		return strings.Join(ids, ", "), nil
	case []queue.ResourceID:
		out := make([]string, len(ids))
		for i, id := range ids {
			out[i] = string(id)
		}
		return strings.Join(out, ", "), nil
	}
	return "", fmt.Errorf("join: no list of ids: %T", ids)
}

type triedKey struct{}

func triedOf(ctx context.Context) *Tried {
	t, _ := ctx.Value(triedKey{}).(*Tried)
	return t
}
