// Package floor is what people and programs see of a shop: web pages, a JSON
// API and live updates, on one address.
//
//	f, err := floor.New(floor.Options{Ledger: l, Log: log, Site: "larkmoor", Plans: plans, Now: time.Now})
//	err = floor.Serve(ctx, "127.0.0.1:8425", f, logger)
//
// What it guarantees:
//
//  1. It changes nothing by itself: every change is a command that the queue
//     judges, and every refusal is shown with its reason.
//  2. Whatever is sent, in whatever form, is bounded, and an error leaves the
//     shop as it was.
//  3. No page loads anything from another host; a form or request that another
//     site's page sends is refused, and so is a name of this machine that is
//     not allowed (a rebound DNS name).
//
// Whoever signs in is checked by package gate. Beyond the loopback interface
// [Listen] takes sign-in and TLS.
//
// The parts: api (JSON), pages (HTML), live (server-sent events), job and board
// (what is shown, pure), answer (errors), history (a unit's events).
package floor

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/klauspost/compress/gzhttp"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/access"
	"tickover/services/access/provider"
	"tickover/services/experience"
	"tickover/services/floor/api"
	"tickover/services/floor/gate"
	"tickover/services/floor/history"
	"tickover/services/floor/live"
	"tickover/services/floor/pages"
	"tickover/services/floor/record"
	"tickover/services/floor/setup"
	"tickover/services/floor/studies"
	"tickover/services/group"
	"tickover/services/ledger"
	"tickover/services/photos"
	"tickover/services/promise"
)

// Options say what a floor shows and speaks to.
type Options struct {
	Ledger *ledger.Ledger
	Log    log.Log
	Site   queue.SiteID
	Plans  live.Plans  // nil: no plan; the shop works by promises
	Alerts live.Alerts // nil: only what follows from the state
	Now    func() time.Time
	Logger *zap.Logger // nil: none
	// Hosts are names, beside those of the loopback interface, under which the
	// pages may be asked for.
	Hosts []string
	// Ready says what keeps the shop from taking commands; nil: it is never asked.
	Ready func(context.Context) error
	// Metrics, if set, serves /metrics.
	Metrics http.Handler
	Streams live.Bounds
	// Photos, if set, keeps the photos that people take.
	Photos *photos.Store
	// Contacts are the people beside the log; nil: none are kept.
	Contacts pages.Contacts
	// Backup, if set, writes the log and the people for tickover backup.
	Backup func(context.Context, io.Writer) error
	// ShopFile, if set, is the shop's file, which its setup writes.
	ShopFile *setup.Disk
	// ShopInLog: there is no file. The shop in effect, which the log has, is
	// what its setup changes.
	ShopInLog bool
	// Lengths are those of work as they were learnt, Promises what earlier ones
	// were worth; nil: nothing is learnt.
	Lengths  *experience.Experience
	Promises *promise.Learner
	// Access lets people in; nil: nobody signs in.
	Access *access.Desk
	Limits gate.Limits
	// Authority is the shop's own, which phones have to trust; nil: none.
	Authority pages.Authority
	// HSTS tells browsers to come by TLS only from then on.
	HSTS bool
	// Provider signs people in beside Access; nil: there is none.
	Provider *provider.Provider
	// Group is the deployment's sites, as far as each person may see them; nil:
	// the shop stands alone.
	Group *group.Group
	// FirstAccount is the secret with which this machine may make the first
	// account; empty: it can't be made from a page.
	FirstAccount string
}

// Floor is the handler of all pages, the API and the events.
type Floor struct {
	http.Handler
	streams *live.Streams
	record  *record.Record
	studies *studies.Book
	gate    *gate.Gate
	sweeper *sweeper
}

// Routes are the patterns of all routes.
func (f *Floor) Routes() []string { return f.gate.Routes() }

// Warm reads the log ahead, beside everything else, so that the first look
// back does not wait for it.
func (f *Floor) Warm(ctx context.Context) error { return f.record.Warm(ctx) }

// Close ends the open event streams, the simulations and the sweep of photos.
func (f *Floor) Close() {
	f.sweeper.end()
	f.streams.Close()
	f.studies.Close()
}

// New builds the handler.
func New(o Options) (*Floor, error) {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if o.Now == nil {
		return nil, errors.New("floor: no clock")
	}
	logger := o.Logger.Named("floor")
	reader := history.Reader{Log: o.Log, Site: o.Site}
	rec := record.New(record.Options{Ledger: o.Ledger, History: reader, Now: o.Now})
	g := gate.New(gate.Options{Desk: o.Access, Logger: logger, Limits: o.Limits})
	mux, pressed := g.Mux(), g.Mux()
	source := studies.Source{Log: o.Log, Site: o.Site}
	book := studies.New(studies.Options{Learn: source.Learn, Now: o.Now, Logger: logger.Named("studies")})
	a := api.Register(pressed, api.Options{Ledger: o.Ledger, History: reader, Record: rec, Studies: book, Contacts: o.Contacts, Plans: o.Plans, Alerts: o.Alerts, Photos: o.Photos, Lengths: o.Lengths, Now: o.Now, Logger: logger, Gate: g})
	streams := live.NewStreams(o.Ledger, o.Plans, o.Alerts, o.Streams)
	streams.Simulations(book)
	mux.Handle("GET /events", streams)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		fmt.Fprintf(w, "ok %d\n", o.Ledger.View().Seq)
	})
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		if o.Ready != nil {
			if err := o.Ready(r.Context()); err != nil {
				logger.Warn("not ready", zap.Error(err))
				http.Error(w, "not ready", http.StatusServiceUnavailable) // why is in the log
				return
			}
		}
		fmt.Fprintln(w, "ready")
	})
	if o.Metrics != nil {
		mux.Handle("GET /metrics", o.Metrics)
	}
	mux.HandleFunc("GET "+api.Prefix+"/backup", func(w http.ResponseWriter, r *http.Request) {
		if o.Backup == nil {
			http.Error(w, "This Tickover's log lies elsewhere: back it up there.", http.StatusNotFound)
			return
		}
		backup(w, r, o.Backup, logger)
	})
	err := pages.Register(pressed, pages.Options{Ledger: o.Ledger, History: reader, Record: rec, Studies: book, Contacts: o.Contacts, Plans: o.Plans, Alerts: o.Alerts, API: endpoints(a), Photos: o.Photos, ShopFile: o.ShopFile, ShopInLog: o.ShopInLog, Lengths: o.Lengths, Learner: o.Promises, Now: o.Now, Logger: logger, Gate: g, FirstAccount: o.FirstAccount, Authority: o.Authority, Provider: o.Provider, Group: o.Group})
	if err != nil {
		return nil, fmt.Errorf("floor: pages: %w", err)
	}
	// Pages and answers are sent compressed; the stream of events, which has to
	// be flushed line by line, and the metrics, which do it themselves, are not.
	compress, err := gzhttp.NewWrapper(gzhttp.EnableZstd(false))
	if err != nil {
		return nil, fmt.Errorf("floor: %w", err)
	}
	mux.Mount("/", compress(pressed))
	h := secure(g.Admit(mux), o.Hosts, logger)
	if o.HSTS {
		h = strict(h)
	}
	sweeper := &sweeper{photos: o.Photos, log: o.Log, site: o.Site, now: o.Now, logger: logger}
	sweeper.begin()
	return &Floor{h, streams, rec, book, g, sweeper}, nil
}

// NewSetup builds the handler of a shop that has no file yet: its setup, and
// nothing else. written is called once the file is there.
func NewSetup(o Options, written func()) (http.Handler, error) {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if o.Now == nil || o.ShopFile == nil {
		return nil, errors.New("floor: setup needs a clock and a place for the file")
	}
	logger := o.Logger.Named("floor")
	g := gate.New(gate.Options{Logger: logger, Limits: o.Limits})
	mux := g.Mux()
	if err := pages.RegisterSetup(mux, pages.Options{ShopFile: o.ShopFile, Written: written, Now: o.Now, Logger: logger, Gate: g}); err != nil {
		return nil, fmt.Errorf("floor: setup: %w", err)
	}
	return secure(g.Admit(mux), o.Hosts, logger), nil
}

// endpoints lists the API's operations for its page.
func endpoints(a *api.API) []pages.Endpoint {
	var out []pages.Endpoint
	for path, item := range a.OpenAPI().Paths {
		if item.Get != nil {
			out = append(out, pages.Endpoint{Method: http.MethodGet, Path: path, Summary: item.Get.Summary, Tag: item.Get.Tags[0]})
		}
		if item.Post != nil {
			out = append(out, pages.Endpoint{Method: http.MethodPost, Path: path, Summary: item.Post.Summary, Tag: item.Post.Tags[0]})
		}
	}
	slices.SortFunc(out, func(x, y pages.Endpoint) int {
		return strings.Compare(x.Path+x.Method, y.Path+y.Method)
	})
	return out
}

// backup streams a backup. An error on the way cuts it short, which whoever
// reads it notices.
func backup(w http.ResponseWriter, r *http.Request, write func(context.Context, io.Writer) error, logger *zap.Logger) {
	c := http.NewResponseController(w)
	if err := c.SetWriteDeadline(time.Now().Add(backupTimeout)); err != nil {
		logger.Debug("no time limit of its own", zap.Error(err))
	}
	w.Header().Set("Content-Type", "application/x-tar")
	w.Header().Set("Cache-Control", "no-store")
	if err := write(r.Context(), w); err != nil {
		logger.Error("backup cut short", zap.Error(err))
		panic(http.ErrAbortHandler)
	}
}

// backupTimeout bounds how long a backup is sent.
const backupTimeout = time.Hour

// Bounds of a connection.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 60 * time.Second // an import over a slow network
	writeTimeout  = 60 * time.Second // a stream of events sets its own
	idleTimeout   = 2 * time.Minute
	headerBytes   = 32 << 10
	stopTimeout   = 10 * time.Second
)

// Serve listens on addr until ctx ends, then finishes what is under way. ready,
// if not nil, is called with the address once it listens.
func Serve(ctx context.Context, addr string, f *Floor, logger *zap.Logger, ready func(net.Addr)) error {
	l, err := Listen(ctx, addr, Exposure{})
	if err != nil {
		return err
	}
	if ready != nil {
		ready(l.Addr())
	}
	return ServeOn(ctx, l, f, logger, f.Close)
}

// ServeOn serves on l, which it closes, until ctx ends, then finishes what is
// under way. closing, if not nil, is called when the end begins.
func ServeOn(ctx context.Context, l net.Listener, h http.Handler, logger *zap.Logger, closing func()) error {
	return ServeTLS(ctx, l, nil, h, logger, closing)
}

// ServeTLS is ServeOn over TLS, with HTTP/2; a nil conf: plain HTTP.
func ServeTLS(ctx context.Context, l net.Listener, conf *tls.Config, h http.Handler, logger *zap.Logger, closing func()) error {
	if logger == nil {
		logger = zap.NewNop()
	}
	std, err := zap.NewStdLogAt(logger.Named("http"), zap.WarnLevel)
	if err != nil {
		return err
	}
	srv := &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: headerBytes, ErrorLog: std,
	}
	if closing != nil {
		srv.RegisterOnShutdown(closing)
	}
	stopped := make(chan error, 1)
	go func() {
		if conf == nil {
			stopped <- srv.Serve(l)
			return
		}
		srv.TLSConfig = conf
		stopped <- srv.ServeTLS(l, "", "")
	}()
	select {
	case err := <-stopped:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	err = srv.Shutdown(stop)
	if errors.Is(err, context.DeadlineExceeded) {
		logger.Warn("connections cut at the end of the stop time")
		err = srv.Close()
	}
	<-stopped
	return err
}

// Exposure is what has to be there before other machines are let in.
type Exposure struct {
	SignIn bool // people sign in
	TLS    bool
	Force  bool // although it is not
}

// Listen opens the address; the error says what to do about it. An address that
// other machines reach takes sign-in and TLS.
func Listen(ctx context.Context, addr string, x Exposure) (net.Listener, error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("address %q: %v; write it as 127.0.0.1:8425", addr, err)
	}
	if !loopback(host) && !x.Force {
		switch {
		case !x.SignIn:
			return nil, fmt.Errorf("address %q: nobody signs in yet, so Tickover listens on this machine only; use 127.0.0.1:%s, or make the owner's account first: tickover account add", addr, port)
		case !x.TLS:
			return nil, fmt.Errorf("address %q: passwords would cross the network for everybody to read; give --lan-tls, or --tls-cert and --tls-key, or use 127.0.0.1:%s", addr, port)
		}
	}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("port %s on %s is in use, perhaps by another Tickover; stop that one, or choose another port: %w", port, host, err)
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("port %s on %s needs rights that this program does not have; choose a port above 1023: %w", port, host, err)
	}
	return l, err
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
