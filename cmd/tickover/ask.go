package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/google/uuid"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/services/contacts"
	"tickover/services/experience"
	"tickover/services/floor/api"
	"tickover/services/floor/gate"
	"tickover/services/floor/history"
	"tickover/services/floor/record"
	"tickover/services/ledger"
)

// shopFlags say which shop is meant.
type shopFlags struct {
	logFlags
	signIn
	Server string `help:"The running shop." default:"http://${listen}"`
	Data   string `help:"Use this data directory instead; the shop must not be running." type:"path"`
	Site   string `help:"The site, with --data."`
}

// signIn is as whom a shop is asked that people sign in to.
type signIn struct {
	APIToken string `name:"api-token" help:"File with an account's token, where people sign in (see account token)." type:"existingfile" placeholder:"FILE"`
}

// as puts the token on a request.
func (s *signIn) as(r *http.Request) error {
	token, err := readToken(s.APIToken)
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	return err
}

// askFlags are those of a command that asks.
type askFlags struct {
	shopFlags
	AsOf string `name:"asof" help:"As of a moment gone by, as 2026-02-17T10:30 in the shop's zone."`
	JSON bool   `name:"json" help:"Print the API's answer."`
}

// tellFlags are those of a command that changes something.
type tellFlags struct {
	shopFlags
	Actor string `help:"Who says so: a person of the shop file." required:""`
	JSON  bool   `name:"json" help:"Print the API's answer."`
}

// answerMax bounds what a shop may answer.
const answerMax = 64 << 20

// request is a question to the API.
type request struct {
	method, path string // below its prefix, with the query
	body         []byte
	contentType  string
}

// ask asks the API: that of a running shop, or, of a stopped one's data
// directory, the same API within this process. So a command answers what a
// program would be answered.
func (c *shopFlags) ask(ctx context.Context, out streams, r request, into any) error {
	text, err := c.raw(ctx, out, r)
	if err != nil || into == nil {
		return err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("the shop answers something that can't be read: %w", err)
	}
	return nil
}

func (c *shopFlags) raw(ctx context.Context, out streams, r request) (text []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, r.method, c.Server+api.Prefix+r.path, bytes.NewReader(r.body))
	if err != nil {
		return nil, err
	}
	if r.body != nil {
		req.Header.Set("Content-Type", r.contentType)
	}
	if c.Data != "" {
		err = c.inside(ctx, out, func(h http.Handler) error {
			w := &answered{header: http.Header{}, status: http.StatusOK}
			h.ServeHTTP(w, req)
			text = w.body.Bytes()
			return problem(w.status, text)
		})
		return text, err
	}
	if err := c.as(req); err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, fmt.Errorf("no shop answers at %s (%w); start it with tickover serve, or use its log with --data", c.Server, err)
	}
	defer resp.Body.Close()
	if text, err = io.ReadAll(io.LimitReader(resp.Body, answerMax)); err != nil {
		return nil, err
	}
	return text, problem(resp.StatusCode, text)
}

// problem is the error that an answer speaks of.
func problem(status int, text []byte) error {
	if status == http.StatusOK {
		return nil
	}
	var p struct {
		What, Do string
		Errors   []struct{ Message, Location string }
	}
	if json.Unmarshal(text, &p) != nil || p.What == "" {
		return fmt.Errorf("the shop answers %d %s", status, http.StatusText(status))
	}
	for _, e := range p.Errors {
		p.What += "; " + e.Location + ": " + e.Message
	}
	return fmt.Errorf("%s. %s", p.What, p.Do)
}

// answered keeps what a handler answers.
type answered struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (w *answered) Header() http.Header         { return w.header }
func (w *answered) WriteHeader(status int)      { w.status = status }
func (w *answered) Write(b []byte) (int, error) { return w.body.Write(b) }

// inside serves the API of a stopped shop within this process.
func (c *shopFlags) inside(ctx context.Context, out streams, do func(http.Handler) error) error {
	return c.stopped(ctx, out, func(ctx context.Context, srv *log.Server, l *ledger.Ledger) error {
		nc, err := srv.Connect()
		if err != nil {
			return err
		}
		defer nc.Close()
		people, err := contacts.Open(ctx, nc, queue.SiteID(c.Site), 0, time.Now)
		if err != nil {
			return err
		}
		ctx, stop := context.WithCancel(ctx)
		followed := make(chan error, 1)
		go func() { followed <- people.Run(ctx) }()
		defer func() { stop(); <-followed }()
		if err := people.Loaded(ctx); err != nil {
			return err
		}
		reader := history.Reader{Log: srv, Site: queue.SiteID(c.Site)}
		lengths := experience.New(srv, queue.SiteID(c.Site))
		if err := lengths.Refresh(ctx, time.Now()); err != nil {
			return err
		}
		g := gate.New(gate.Options{}) // who has the files needs no leave
		mux := g.Mux()
		api.Register(mux, api.Options{Gate: g,
			Ledger: l, History: reader, Record: record.New(record.Options{Ledger: l, History: reader, Now: time.Now}),
			Contacts: people, Lengths: lengths, Now: time.Now,
		})
		return do(g.Admit(mux))
	})
}

// offline opens the log of a stopped shop.
func (c *shopFlags) offline(ctx context.Context, out streams, do func(*ledger.Ledger) error) error {
	return c.stopped(ctx, out, func(_ context.Context, _ *log.Server, l *ledger.Ledger) error { return do(l) })
}

func (c *shopFlags) stopped(ctx context.Context, out streams, do func(context.Context, *log.Server, *ledger.Ledger) error) error {
	if c.Site == "" {
		return errors.New("--data needs --site, the name of the site in its shop file")
	}
	logger, err := c.logger(out)
	if err != nil {
		return err
	}
	return withLog(ctx, log.Options{Dir: logDir(c.Data)}, logger, out, func(srv *log.Server) error {
		l, err := ledger.Open(ctx, ledger.Options{Site: queue.SiteID(c.Site), Log: srv, Now: time.Now, Snapshots: srv, Logger: logger})
		if err != nil {
			return explainLog(err)
		}
		return do(ctx, srv, l)
	})
}

// get asks for path, as of the moment that the flags say, into v, and prints
// the answer as it came, or what show makes of it.
func (c *askFlags) get(ctx context.Context, out streams, path string, v any, show func(w io.Writer)) error {
	text, err := c.raw(ctx, out, request{method: http.MethodGet, path: c.at(path)})
	if err != nil {
		return err
	}
	if c.JSON {
		_, err = out.out.Write(text)
		return err
	}
	if err := json.Unmarshal(text, v); err != nil {
		return fmt.Errorf("the shop answers something that can't be read: %w", err)
	}
	var b bytes.Buffer
	show(&b)
	_, err = out.out.Write(b.Bytes())
	return err
}

// file prints a file that the API makes.
func (c *askFlags) file(ctx context.Context, out streams, path string) error {
	text, err := c.raw(ctx, out, request{method: http.MethodGet, path: c.at(path)})
	if err != nil {
		return err
	}
	_, err = out.out.Write(text)
	return err
}

// at adds the moment to a path.
func (c *askFlags) at(path string) string {
	if c.AsOf == "" {
		return path
	}
	sep := "?"
	if strings.Contains(path, "?") {
		sep = "&"
	}
	return path + sep + query("asof", c.AsOf)
}

// post sends a command, to whose fields its id and the actor are added, and
// prints done, or the receipt.
func (c *tellFlags) post(ctx context.Context, out streams, path string, fields map[string]any, done string) error {
	fields["command_id"], fields["actor"] = uuid.NewString(), c.Actor
	text, err := c.send(ctx, out, path, fields)
	switch {
	case err != nil:
		return err
	case c.JSON:
		_, err = out.out.Write(text)
	default:
		_, err = fmt.Fprintln(out.out, done)
	}
	return err
}

func (c *shopFlags) send(ctx context.Context, out streams, path string, body any) ([]byte, error) {
	b, err := json.Marshal(body)
	if err != nil {
		return nil, err
	}
	return c.raw(ctx, out, request{http.MethodPost, path, b, "application/json"})
}
