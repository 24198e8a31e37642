// Package api is the shop's JSON API: every command of the queue as a typed
// POST, and what the pages show as GETs, described by OpenAPI 3.1 at
// /api/v1/openapi.json.
//
// It guarantees:
//
//  1. A command carries an id made by its sender (command_id, or the header
//     Idempotency-Key); sent again, it is answered as a duplicate and changes
//     nothing.
//  2. A body that is too large, malformed, or has a field that is not in the
//     description is refused, and so is a command that names an unknown person;
//     whatever the error, nothing was changed.
//  3. Every error is an RFC 9457 problem with the queue's code, the interlock,
//     what is wrong and what to do (package answer).
//
// In an open shop the actor is who the sender says it is; where people sign in,
// it has to be the one who did (package gate).
package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"github.com/google/uuid"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/floor/answer"
	"tickover/services/floor/gate"
	"tickover/services/floor/live"
	"tickover/services/floor/record"
	"tickover/services/floor/studies"
	"tickover/services/ledger"
	"tickover/services/photos"
)

// Prefix is where the API lives.
const Prefix = "/api/v1"

// Bounds of a request.
const (
	BodyMax     = 1 << 20
	bodyTimeout = 10 * time.Second
	doTimeout   = 10 * time.Second
)

// Options say what the API speaks to.
type Options struct {
	Ledger   *ledger.Ledger
	History  History
	Record   *record.Record
	Contacts Contacts      // nil: the shop keeps none
	Plans    live.Plans    // nil: no plan
	Alerts   live.Alerts   // nil: only those that follow from the state
	Photos   *photos.Store // nil: none are kept
	Studies  *studies.Book // nil: nothing is simulated
	// Lengths are those of work as they were learnt; nil: the shop file's.
	Lengths *experience.Experience
	Now     func() time.Time
	Logger  *zap.Logger
	Gate    *gate.Gate
}

// History reads a unit's events.
type History interface {
	// Events calls fn for the unit's events, oldest first.
	Events(ctx context.Context, u *queue.Unit, fn func(*queue.Event) error) error
}

// API is the JSON API.
type API struct {
	o      Options
	log    *zap.Logger
	routes huma.API
}

// Register puts the API on the mux.
func Register(mux *gate.Mux, o Options) *API {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	a := &API{o: o, log: o.Logger.Named("api")}
	a.routes = humago.New(mux, config())
	a.commands()
	a.reads()
	a.imports()
	a.photos()
	a.calibrations()
	a.records()
	a.people()
	a.studies()
	return a
}

// OpenAPI is the description, for the page that shows it.
func (a *API) OpenAPI() *huma.OpenAPI { return a.routes.OpenAPI() }

// config switches off what reaches outside: the documentation page that loads
// a script from elsewhere, and links made from the request's Host.
func config() huma.Config {
	c := huma.DefaultConfig("Tickover", "1")
	c.Info.Description = "The job queue of a service shop. Times are RFC 3339; a command's command_id makes repeats harmless."
	c.DocsPath, c.SchemasPath, c.CreateHooks = "", "", nil
	c.OpenAPIPath = Prefix + "/openapi"
	c.RejectUnknownQueryParameters = true
	c.Formats = map[string]huma.Format{"application/json": jsonFormat, "json": jsonFormat}
	c.Transformers = []huma.Transformer{asProblem}
	return c
}

// jsonFormat reads strictly: one value, and errors say where.
var jsonFormat = huma.Format{
	Marshal: func(w io.Writer, v any) error {
		e := json.NewEncoder(w)
		e.SetEscapeHTML(false)
		return e.Encode(v)
	},
	Unmarshal: func(b []byte, v any) error {
		err := json.Unmarshal(b, v)
		var syntax *json.SyntaxError
		if errors.As(err, &syntax) {
			line := 1 + bytes.Count(b[:syntax.Offset], []byte("\n"))
			column := syntax.Offset - int64(bytes.LastIndexByte(b[:syntax.Offset], '\n')+1)
			return fmt.Errorf("line %d, column %d: %w", line, column, err)
		}
		return err
	},
}

// asProblem gives the errors that huma finds by itself the form of all others.
func asProblem(_ huma.Context, _ string, v any) (any, error) {
	m, ok := v.(*huma.ErrorModel)
	if !ok {
		return v, nil
	}
	code, do := queue.CodeMalformed, "Send it as the description at "+Prefix+"/openapi.json says."
	switch m.Status {
	case http.StatusRequestEntityTooLarge:
		code, do = answer.CodeTooLarge, "Send less at once."
	case http.StatusInternalServerError:
		code, do = answer.CodeInternal, "Tell whoever looks after Tickover."
	}
	p := answer.New(m.Status, code, m.Detail, do)
	for _, e := range m.Errors {
		if e != nil {
			p.Errors = append(p.Errors, answer.Field{Message: e.Message, Location: e.Location, Value: short(e.Value)})
		}
	}
	return p, nil
}

// short keeps what was sent out of an answer if it is long.
func short(v any) any {
	switch v := v.(type) {
	case nil, bool, float64, int, int64:
		return v
	case string:
		if len(v) > 200 {
			return v[:200] + "…"
		}
		return v
	}
	return nil
}

// problems is the documentation of every answer that is not a result.
func (a *API) problems() map[string]*huma.Response {
	schema := a.routes.OpenAPI().Components.Schemas.Schema(reflect.TypeFor[answer.Problem](), true, "Problem")
	return map[string]*huma.Response{"default": {
		Description: "A problem: nothing was changed. 400 malformed, 403 not allowed, 404 no such thing, 409 refused by the shop's rules, 412 stale, 413 too large, 422 a field is wrong, 503 the log can't take it now.",
		Content:     map[string]*huma.MediaType{"application/problem+json": {Schema: schema}},
	}}
}

func (a *API) operation(method, path, id, summary, tag string) huma.Operation {
	return huma.Operation{
		Method: method, Path: Prefix + path, OperationID: id, Summary: summary, Tags: []string{tag},
		MaxBodyBytes: BodyMax, BodyReadTimeout: bodyTimeout, Responses: a.problems(),
	}
}

// fail answers an error; what is not the sender's fault goes to the log.
func (a *API) fail(err error) error {
	p, known := answer.Of(err)
	if !known {
		p.Instance = "urn:uuid:" + uuid.NewString()
		a.log.Error("request failed", zap.String("instance", p.Instance), zap.Error(err))
	}
	return p
}

// plan is the plan in force; nil: none is known, as of every moment gone by.
func (a *API) plan(ctx context.Context) *dispatch.Plan {
	if a.o.Plans == nil || a.moment(ctx).Past() {
		return nil
	}
	return a.o.Plans.Latest()
}

type momentKey struct{}

// moment is the one that a request asks about.
func (a *API) moment(ctx context.Context) record.Moment {
	if m, ok := ctx.Value(momentKey{}).(record.Moment); ok {
		return m
	}
	return record.Moment{At: a.o.Now(), State: a.o.Ledger.View()}
}

// now is the moment's time, in the shop's zone.
func (a *API) now(ctx context.Context) time.Time {
	m := a.moment(ctx)
	if m.State.Shop == nil {
		return m.At
	}
	return m.At.In(m.State.Shop.Location())
}

// shop returns the state, or the problem that there is no shop yet.
func (a *API) shop(ctx context.Context) (*queue.State, error) {
	st := a.moment(ctx).State
	if st.Shop == nil {
		return nil, answer.New(http.StatusServiceUnavailable, queue.CodeNotReady, "the shop is not set up", "Load a shop file first.")
	}
	return st, nil
}
