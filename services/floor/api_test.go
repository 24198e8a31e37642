package floor_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"

	"tickover/queue"
)

// contract checks each answer of the API against its own description.
type contract struct {
	next   http.RoundTripper
	router routers.Router
	t      testing.TB
	seen   map[string]int // operation to answers
}

// underContract makes the world's client check every answer of the API.
func (w *world) underContract() *contract {
	w.t.Helper()
	doc := w.openAPI()
	doc.Servers = openapi3.Servers{{URL: w.server.URL}}
	router, err := legacy.NewRouter(doc)
	if err != nil {
		w.t.Fatal(err)
	}
	c := &contract{w.client.Transport, router, w.t, map[string]int{}}
	w.client.Transport = c
	w.t.Cleanup(func() { w.client.Transport = c.next; w.client.CloseIdleConnections() })
	return c
}

func (w *world) openAPI() *openapi3.T {
	w.t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(w.get("/api/v1/openapi.json").body)
	if err != nil {
		w.t.Fatal(err)
	}
	return doc
}

func (c *contract) RoundTrip(req *http.Request) (*http.Response, error) {
	res, err := c.next.RoundTrip(req)
	if err != nil || !strings.HasPrefix(req.URL.Path, "/api/v1/") {
		return res, err
	}
	body, err := io.ReadAll(res.Body)
	res.Body.Close()
	if err != nil {
		return nil, err
	}
	res.Body = io.NopCloser(bytes.NewReader(body))
	route, params, err := c.router.FindRoute(req)
	if err != nil {
		return res, nil // not in the description: the test asks for it on purpose
	}
	c.seen[route.Operation.OperationID]++
	in := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route},
		Status:                 res.StatusCode, Header: res.Header,
		Options: &openapi3filter.Options{MultiError: true, IncludeResponseStatus: true},
	}
	in.SetBodyBytes(body)
	if err := openapi3filter.ValidateResponse(context.Background(), in); err != nil {
		c.t.Errorf("%s %s: the answer %d is not as described: %v\n%.2000s", req.Method, req.URL.Path, res.StatusCode, err, body)
	}
	return res, nil
}

func TestOpenAPIIsValid(t *testing.T) {
	w := newWorld(t)
	doc := w.openAPI()
	if doc.OpenAPI != "3.1.0" {
		t.Errorf("openapi %q, want 3.1.0", doc.OpenAPI)
	}
	if err := doc.Validate(context.Background()); err != nil {
		t.Error(err)
	}
	body := w.get("/api/v1/openapi.json").body
	for _, outside := range []string{"unpkg", "$schema", w.server.URL} {
		if bytes.Contains(body, []byte(outside)) {
			t.Errorf("the description speaks of %q", outside)
		}
	}
}

// TestAPIDoesTheJob carries a unit through its visit by the API alone, with
// every answer checked against the description.
func TestAPIDoesTheJob(t *testing.T) {
	w := newWorld(t)
	c := w.underContract()
	w.must("/units", fields{
		"ticket": "LM-1", "machine": fields{"frame": "KB25-26-00417", "make": "Kestrow", "model": "Brae 250", "year": 2026, "family": "kr5"},
		"ownership": "customer", "route": "reflash", "promise": "2026-02-18T12:00:00Z",
	})
	twice := fields{
		"ticket": "LM-2", "machine": fields{"frame": "kb25 26 00417", "make": "Kestrow", "model": "Brae 250", "year": 2026, "family": "kr5"},
		"ownership": "customer", "route": "reflash", "promise": "2026-02-18T12:00:00Z",
	}
	if res := w.call("/units", twice); res.status != http.StatusConflict || !strings.Contains(string(res.body), "as LM-1") {
		t.Errorf("the same machine checked in twice: %d %s", res.status, res.body)
	}
	twice["beside"] = "LM-1"
	w.must("/units", twice)
	early := w.call("/units/LM-1/hand-over", fields{})
	if p := early.object(t); early.status != http.StatusConflict || p["interlock"] != "I11" || p["override_allowed"] != true || !strings.Contains(p["what"].(string), "flash") {
		t.Errorf("handed over early: %d %s", early.status, early.body)
	}
	for _, s := range visit {
		path := fmt.Sprintf("/units/LM-1/steps/%s/", s.step)
		w.must(path+"accept", fields{"technician": s.who, "resources": s.resources})
		w.must(path+"start", fields{"actor": s.who, "technician": s.who, "resources": s.resources})
		for k := 1; k < s.stretches; k++ {
			w.clock.add(s.took)
			w.must(path+"advance", fields{"stretch": k, "technician": s.who})
		}
		w.clock.add(s.took)
		out := w.must(path+"finish", fields{"technician": s.who, "evidence": s.evidence})
		if out["revision"] != float64(w.l.View().Units["LM-1"].Revision()) {
			t.Errorf("revision %v in the receipt, the unit has %d", out["revision"], w.l.View().Units["LM-1"].Revision())
		}
	}
	w.must("/units/LM-1/hand-over", fields{})
	if got := w.l.View().Units["LM-1"].Status; got != queue.Delivered {
		t.Errorf("unit is %s", got)
	}
	h := w.get("/api/v1/units/LM-1/history").object(t)["events"].([]any)
	if want := w.l.View().Units["LM-1"].Revision(); uint64(len(h)) != want {
		t.Errorf("%d events in the history, want %d", len(h), want)
	}
	if c.seen["finishStep"] != len(visit) {
		t.Errorf("%d answers of finishStep were checked, want %d", c.seen["finishStep"], len(visit))
	}
}

// TestAPIReadsAndDecides uses each read and each of the foreman's commands.
func TestAPIReadsAndDecides(t *testing.T) {
	w := newWorld(t)
	c := w.underContract()
	w.arrive("LM-1", "reflash")
	w.must("/units/batch", fields{"units": []fields{
		{"ticket": "LM-2", "machine": fields{"frame": "", "make": "Varlund", "model": "Holt 350", "year": 2023, "family": "vl7"}, "ownership": "new", "route": "set-up", "options": []string{"fitting"}, "promise": "2026-02-19T12:00:00Z", "weight": 3},
		{"ticket": "LM-3", "machine": fields{"frame": "x", "make": "Varlund", "model": "Holt 350", "year": 2026, "family": "vl7"}, "ownership": "trade-in", "route": "trade-in", "promise": "2026-02-19T12:00:00Z"},
	}})
	w.must("/units/LM-1/amend", fields{"held": true, "reason": "waits for the owner"})
	w.must("/units/LM-1/amend", fields{"held": false, "weight": 9, "promise": "2026-02-18T09:00:00Z", "note": "stalls"})
	w.must("/units/LM-1/steps/check-in/pin", fields{"technician": "kofi", "start": "2026-02-17T10:00:00Z"})
	w.must("/units/LM-1/steps/check-in/unpin", fields{})
	w.must("/units/LM-1/steps/check-in/accept", fields{"technician": "kofi"})
	w.must("/units/LM-1/steps/check-in/return", fields{"reason": "lunch"})
	w.must("/units/LM-1/steps/check-in/problem", fields{"reason": "key is missing", "actor": "ines"})
	w.must("/units/LM-1/steps/check-in/skip", fields{"reason": "was here yesterday"})
	w.must("/units/LM-1/steps/check-in/reopen", fields{"reason": "odometer was not read"})
	w.must("/resources/p1/close", fields{"from": "2026-02-17T09:00:00Z", "until": "2026-02-17T11:00:00Z", "reason": "ice"})
	w.must("/resources/p1/open", fields{})
	w.must("/technicians/ines/absent", fields{"from": "2026-02-17T09:00:00Z", "until": "2026-02-17T18:00:00Z", "reason": "ill"})
	w.must("/technicians/ines/present", fields{})
	if r := w.send(http.MethodPost, "/api/v1/photos", "image/jpeg", bytes.NewReader(aPhoto(t, 64, 48))); r.status != http.StatusOK {
		t.Errorf("photo: %d %s", r.status, r.body)
	}
	for _, path := range []string{"/overview", "/shop", "/alerts", "/units", "/units?status=any&q=holt&limit=1", "/units/LM-1", "/units/LM-1/history", "/plan",
		"/technicians/kofi/next", "/stations/b3", "/calibration?make=Kestrow&model=Brae%20250&year=2026&family=kr5", "/calibration?make=Fellrigg&model=Tarn&year=2026&family=x",
		"/frame-number?number=1M8GDM9AXKP042788"} {
		if r := w.get("/api/v1" + path); r.status != http.StatusOK {
			t.Errorf("GET %s: %d %s", path, r.status, r.body)
		}
	}
	if got := w.get("/api/v1/frame-number?number=1M8GDM9AXKP042788").object(t)["class"]; got != "vin" {
		t.Errorf("class %v, want vin", got)
	}
	if got := w.get("/api/v1/calibration?make=Kestrow&model=Brae%20250&year=2026&family=kr5").object(t); got["revision"] != 3.0 || got["found"] != true {
		t.Errorf("calibration %v, want revision 3", got)
	}
	if got := w.get("/api/v1/units?status=any&q=holt&limit=1").object(t); got["total"] != 2.0 || len(got["units"].([]any)) != 1 {
		t.Errorf("units %v, want one of two", got)
	}
	if got := w.get("/api/v1/lengths").object(t); got["quantile"] == nil {
		t.Errorf("lengths %v, want the quantile that is planned with", got)
	}
	// What is left after this, TestAPIDoesTheJob and TestCampaignsByAPI.
	var missed []string
	for path, item := range w.openAPI().Paths.Map() {
		for _, op := range item.Operations() {
			if op.Tags[0] == "simulations" || op.Tags[0] == "calibrations" || op.OperationID == "sweepUnit" || recordTags[op.Tags[0]] { // TestSimulationsByAPI, TestCampaignsByAPI, TestRecordsByAPI
				continue
			}
			if c.seen[op.OperationID] == 0 && !slices.Contains([]string{"receiveUnit", "startStep", "advanceStep", "finishStep", "handOver", "importUnits"}, op.OperationID) {
				missed = append(missed, path)
			}
		}
	}
	if len(missed) > 0 {
		t.Errorf("not tried: %v", missed)
	}
}

// TestBadInput: each mistake has a clear answer, and nothing is changed.
func TestBadInput(t *testing.T) {
	w := newWorld(t)
	w.underContract()
	w.arrive("LM-1", "reflash")
	w.arrive("LM-2", "reflash")
	w.do("ines", &queue.StartStep{Unit: "LM-2", Step: "check-in", Technician: "ines"})
	unit := `"machine":{"frame":"x","make":"Kestrow","model":"Brae 250","year":2026},"ownership":"new","route":"reflash","promise":"2026-02-18T12:00:00Z"`
	start := "/units/LM-1/steps/check-in/start"
	tests := []struct {
		name   string
		path   string
		body   string
		status int
		code   string
		says   string // a part of the answer
	}{
		{"no body", start, ``, 400, "malformed", "body"},
		{"no JSON", start, "{\n  \"command_id\": ,\n}", 400, "malformed", "line 2, column"},
		{"cut off", start, `{"command_id":"c"`, 400, "malformed", "line 1"},
		{"no object", start, `[1,2]`, 422, "malformed", "expected object"},
		{"broken UTF-8 as a number", start, "{\"technician\":\xff}", 400, "malformed", "invalid character"},
		{"unknown field", start, `{"command_id":"c","actor":"ruth","technician":"ines","tecnician":"x"}`, 422, "malformed", "tecnician"},
		{"missing field", start, `{"command_id":"c","actor":"ruth"}`, 422, "malformed", "technician"},
		{"wrong type", start, `{"command_id":"c","actor":"ruth","technician":7}`, 422, "malformed", "body.technician"},
		{"no command id", start, `{"actor":"ruth","technician":"ines"}`, 422, "malformed", "Idempotency-Key"},
		{"command id with a blank", start, `{"command_id":"a b","actor":"ruth","technician":"ines"}`, 422, "malformed", "ASCII"},
		{"command id too long", start, `{"command_id":"` + strings.Repeat("x", 65) + `","actor":"ruth","technician":"ines"}`, 422, "malformed", "command_id"},
		{"no actor", start, `{"command_id":"c","technician":"ines"}`, 422, "malformed", "actor"},
		{"empty actor", start, `{"command_id":"c","actor":"","technician":"ines"}`, 422, "malformed", "actor"},
		{"unknown actor", start, `{"command_id":"c","actor":"nobody","technician":"ines"}`, 404, "unknown", "nobody"},
		{"bad time", start, `{"command_id":"c","actor":"ruth","technician":"ines","at":"noon"}`, 422, "malformed", "body.at"},
		{"bad interlock", start, `{"command_id":"c","actor":"ruth","technician":"ines","overrides":[{"interlock":"I14","reason":"x"}]}`, 422, "malformed", "overrides[0].interlock"},
		{"oversized", start, `{"command_id":"c","actor":"ruth","technician":"` + strings.Repeat("x", 1<<20) + `"}`, 413, "too-large", "too large"},
		{"unknown unit", "/units/LM-9/steps/check-in/start", `{"command_id":"c","actor":"ruth","technician":"ines"}`, 404, "unknown", "LM-9"},
		{"unknown step", "/units/LM-1/steps/paint/start", `{"command_id":"c","actor":"ruth","technician":"ines"}`, 404, "unknown", "paint"},
		{"unknown technician", start, `{"command_id":"c","actor":"ruth","technician":"zoe"}`, 404, "unknown", "zoe"},
		{"step not ready", "/units/LM-1/steps/flash/start", `{"command_id":"c","actor":"ruth","technician":"tomas","resources":["b3","i1","c1"]}`, 409, "not-ready", "check-in"},
		{"step not running", "/units/LM-1/steps/check-in/finish", `{"command_id":"c","actor":"ruth","technician":"ines"}`, 409, "wrong-step", "not running"},
		{"step running already", "/units/LM-2/steps/check-in/start", `{"command_id":"c","actor":"ruth","technician":"ines"}`, 409, "wrong-step", "running"},
		{"stretch that is not there", "/units/LM-2/steps/check-in/advance", `{"command_id":"c","actor":"ruth","stretch":1}`, 409, "wrong-step", "stretch"},
		{"stale", start, `{"command_id":"c","actor":"ruth","technician":"ines","expect":99}`, 412, "stale", "changed since"},
		{"wrong bench", start, `{"command_id":"c","actor":"ruth","technician":"ines","bench":"b1"}`, 409, "wrong-bench", "b1"},
		{"wrong bench for the end", "/units/LM-2/steps/check-in/finish", `{"command_id":"c","actor":"ruth","technician":"ines","bench":"b1"}`, 409, "wrong-bench", "b1"},
		{"resource that it does not need", start, `{"command_id":"c","actor":"ruth","technician":"ines","resources":["b1"]}`, 422, "malformed", "no use for b1"},
		{"lacks the skill", start, `{"command_id":"c","actor":"ruth","technician":"tomas"}`, 403, "wrong-person", "skill"},
		{"not a foreman", "/units/LM-1/steps/check-in/skip", `{"command_id":"c","actor":"ines","reason":"x"}`, 403, "wrong-person", "foreman"},
		{"override by somebody else", "/units/LM-1/hand-over", `{"command_id":"c","actor":"ines","overrides":[{"interlock":"I11","reason":"x","by":"ruth"}]}`, 403, "wrong-person", "override"},
		{"missing evidence", "/units/LM-2/steps/check-in/finish", `{"command_id":"c","actor":"ines","technician":"ines"}`, 409, "interlock", "I11"},
		{"evidence that is no number", "/units/LM-2/steps/check-in/finish", `{"command_id":"c","actor":"ines","technician":"ines","evidence":{"odometer_km":"many"}}`, 422, "malformed", "number"},
		{"evidence that is not asked for", "/units/LM-2/steps/check-in/finish", `{"command_id":"c","actor":"ines","technician":"ines","evidence":{"colour":"red"}}`, 422, "malformed", "colour"},
		{"failure without a reason", "/units/LM-2/steps/check-in/finish", `{"command_id":"c","actor":"ines","technician":"ines","failed":true}`, 422, "malformed", "reason"},
		{"ticket exists", "/units", `{"command_id":"c","actor":"ruth","ticket":"LM-1",` + unit + `}`, 409, "exists", "LM-1"},
		{"ticket with a blank", "/units", `{"command_id":"c","actor":"ruth","ticket":"LM 1",` + unit + `}`, 422, "malformed", "ticket"},
		{"unknown route", "/units", strings.Replace(`{"command_id":"c","actor":"ruth","ticket":"LM-3",`+unit+`}`, "reflash", "paint", 1), 404, "unknown", "paint"},
		{"unknown ownership", "/units", strings.Replace(`{"command_id":"c","actor":"ruth","ticket":"LM-3",`+unit+`}`, `"new"`, `"stolen"`, 1), 422, "malformed", "ownership"},
		{"one of a batch is bad", "/units/batch", `{"command_id":"c","actor":"ruth","units":[{"ticket":"LM-3",` + unit + `},{"ticket":"LM-3",` + unit + `}]}`, 409, "exists", "twice"},
		{"closure that ends before it starts", "/resources/p1/close", `{"command_id":"c","actor":"ruth","from":"2026-02-17T12:00:00Z","until":"2026-02-17T11:00:00Z","reason":"x"}`, 422, "malformed", "ends before"},
		{"unknown resource", "/resources/p9/close", `{"command_id":"c","actor":"ruth","from":"2026-02-17T10:00:00Z","until":"2026-02-17T11:00:00Z","reason":"x"}`, 404, "unknown", "p9"},
		{"open what is open", "/resources/p1/open", `{"command_id":"c","actor":"ruth"}`, 409, "wrong-step", "not closed"},
		{"path too long", "/units/" + strings.Repeat("x", 65) + "/hand-over", `{"command_id":"c","actor":"ruth"}`, 422, "malformed", "path.unit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			before := w.l.View().Seq
			r := w.send(http.MethodPost, "/api/v1"+tt.path, "application/json", strings.NewReader(tt.body))
			p := r.object(t)
			if r.status != tt.status || p["code"] != tt.code || !strings.Contains(string(r.body), tt.says) {
				t.Errorf("%d %s\nwant %d, code %s, with %q", r.status, r.body, tt.status, tt.code, tt.says)
			}
			if ct := r.header.Get("Content-Type"); ct != "application/problem+json" {
				t.Errorf("content type %q", ct)
			}
			if p["what"] == "" || p["do"] == "" {
				t.Errorf("it is not said what is wrong and what to do: %s", r.body)
			}
			if after := w.l.View().Seq; after != before {
				t.Errorf("the log grew from %d to %d", before, after)
			}
		})
	}
}

func TestOtherBadRequests(t *testing.T) {
	w := newWorld(t)
	before := w.l.View().Seq
	for _, tt := range []struct {
		name, method, path, contentType, body string
		status                                int
	}{
		{"unknown query", "GET", "/api/v1/units?colour=red", "", "", 422},
		{"bad number in the query", "GET", "/api/v1/units?limit=many", "", "", 422},
		{"unknown unit", "GET", "/api/v1/units/LM-9", "", "", 404},
		{"unknown technician", "GET", "/api/v1/technicians/zoe/next", "", "", 404},
		{"unknown station", "GET", "/api/v1/stations/b9", "", "", 404},
		{"wrong method", "DELETE", "/api/v1/units", "", "", 405},
		{"form for JSON", "POST", "/api/v1/units", "application/x-www-form-urlencoded", "a=b", 415},
		{"page that is not there", "GET", "/nowhere", "", "", 404},
	} {
		r := w.send(tt.method, tt.path, tt.contentType, strings.NewReader(tt.body))
		if r.status != tt.status {
			t.Errorf("%s: %d %s, want %d", tt.name, r.status, r.body, tt.status)
		}
	}
	if after := w.l.View().Seq; after != before {
		t.Errorf("the log grew from %d to %d", before, after)
	}
}

func TestRepeatedCommandIsADuplicate(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	body := fields{"command_id": "phone-1", "technician": "ines"}
	first := w.must("/units/LM-1/steps/check-in/start", body)
	again := w.must("/units/LM-1/steps/check-in/start", body)
	if first["duplicate"] != false || again["duplicate"] != true || first["seq"] != again["seq"] {
		t.Errorf("first %v, again %v", first, again)
	}
	header := func(body string) reply {
		return w.send(http.MethodPost, "/api/v1/units/LM-1/steps/check-in/problem", "application/json", strings.NewReader(body), "Idempotency-Key", "phone-2")
	}
	for i, want := range []bool{false, true} {
		if r := header(`{"actor":"ines","reason":"no key"}`); r.status != 200 || r.object(t)["duplicate"] != want {
			t.Errorf("call %d: %d %s", i, r.status, r.body)
		}
	}
	if r := header(`{"command_id":"other","actor":"ines","reason":"no key"}`); r.status != 422 {
		t.Errorf("two ids: %d %s", r.status, r.body)
	}
}

func TestLogThatCantTakeIt(t *testing.T) {
	w := newWorld(t)
	w.underContract()
	w.arrive("LM-1", "reflash")
	full := int(w.l.View().Seq)
	w.log.SetLimit(full)
	r := w.call("/units/LM-1/steps/check-in/start", fields{"technician": "ines"})
	if r.status != http.StatusServiceUnavailable || r.object(t)["code"] != "storage" {
		t.Errorf("full log: %d %s", r.status, r.body)
	}
	if page := w.get("/board"); page.status != 200 {
		t.Errorf("the board with a full log: %d", page.status)
	}
	w.log.SetLimit(0)
	w.log.LoseAcks(1)
	body := fields{"command_id": "phone-3", "technician": "ines"}
	r = w.call("/units/LM-1/steps/check-in/start", body)
	if r.status != http.StatusServiceUnavailable || r.object(t)["code"] != "unconfirmed" {
		t.Errorf("lost acknowledgement: %d %s", r.status, r.body)
	}
	if again := w.must("/units/LM-1/steps/check-in/start", body); again["seq"] != float64(full+1) {
		t.Errorf("sent again: %v, want it at %d once", again, full+1)
	}
	if got := w.l.View().Seq; got != uint64(full+1) {
		t.Errorf("log at %d, want %d", got, full+1)
	}
}

func TestOverrideByAPI(t *testing.T) {
	w := newWorld(t)
	w.underContract()
	w.arrive("LM-1", "relearn-only")
	w.must("/units/LM-1/steps/check-in/skip", fields{"reason": "seen yesterday"})
	w.clock.set(morning.Add(10 * time.Hour)) // 19:30: dark, quiet, shut
	body := fields{"technician": "ruth", "resources": []string{"p1"}}
	r := w.call("/units/LM-1/steps/relearn/start", body)
	if p := r.object(t); r.status != 409 || p["interlock"] != "I8" || p["override_allowed"] != true || p["type"] != "/cautions#I8" {
		t.Errorf("in the dark: %d %s", r.status, r.body)
	}
	bench := w.call("/units/LM-1/steps/relearn/start", fields{"technician": "ruth", "resources": []string{"b1"},
		"overrides": []fields{{"interlock": "I7", "reason": "it rains"}}})
	if p := bench.object(t); bench.status != 409 || p["interlock"] != "I7" || p["override_allowed"] != nil {
		t.Errorf("engine at a bench: %d %s", bench.status, bench.body)
	}
	delete(body, "command_id")
	body["overrides"] = []fields{{"interlock": "I8", "reason": "flood light is on"}}
	out := w.must("/units/LM-1/steps/relearn/start", body)
	b, _ := json.Marshal(out["overridden"])
	if string(b) != `[{"by":"ruth","interlock":"I8","reason":"flood light is on"}]` {
		t.Errorf("overridden %s", b)
	}
}

func TestImportByAPI(t *testing.T) {
	w := newWorld(t)
	w.underContract()
	const head = "ticket;make;model;year;family;ownership;route;promise\n"
	good := "\uFEFF" + head + "LM-1;Kestrow;Brae 250;2026;kr5;new;set-up;2026-02-18 12:00\n"
	send := func(query, body string) reply {
		return w.send(http.MethodPost, "/api/v1/import?"+query, "text/csv", strings.NewReader(body))
	}
	if r := send("actor=ruth&check_only=true", good); r.status != 200 || r.object(t)["added"] != 1.0 || len(w.l.View().Units) != 0 {
		t.Errorf("check only: %d %s", r.status, r.body)
	}
	bad := good + "LM-2;Kestrow;Brae 250;year;kr5;new;set-up;2026-02-18 12:00\n"
	if r := send("actor=ruth", bad); r.status != 422 || !strings.Contains(string(r.body), "line 3, year") || len(w.l.View().Units) != 0 {
		t.Errorf("bad line: %d %s", r.status, r.body)
	}
	if r := send("actor=ruth", good); r.status != 200 || r.object(t)["added"] != 1.0 {
		t.Errorf("good file: %d %s", r.status, r.body)
	}
	before := w.l.View().Seq
	if r := send("actor=ruth", good); r.status != 200 || r.object(t)["unchanged"] != 1.0 || w.l.View().Seq != before {
		t.Errorf("again: %d %s", r.status, r.body)
	}
	if r := send("actor=zoe", good); r.status != 404 {
		t.Errorf("unknown actor: %d %s", r.status, r.body)
	}
	if r := send("actor=ruth", strings.Repeat("x", 16<<20)); r.status != 413 {
		t.Errorf("oversized: %d %.300s", r.status, r.body)
	}
}

// FuzzAPIBody: whatever is sent, the answer is an object below 500, and an
// error changes nothing.
func FuzzAPIBody(f *testing.F) {
	w := newWorld(f)
	w.arrive("LM-1", "reflash")
	paths := []string{"/units", "/units/batch", "/units/LM-1/amend", "/units/LM-1/hand-over", "/resources/p1/close", "/technicians/ines/absent"}
	for _, verb := range []string{"accept", "return", "start", "advance", "finish", "problem", "pin", "unpin", "skip", "reopen"} {
		paths = append(paths, "/units/LM-1/steps/check-in/"+verb)
	}
	for i := range paths {
		f.Add(uint8(i), []byte(`{"command_id":"c","actor":"ruth","technician":"ines","reason":"x","stretch":1}`))
	}
	f.Add(uint8(0), []byte(`{"command_id":"c","actor":"ruth","ticket":"LM-2","machine":{"frame":"\u0000","make":"é","model":"<b>","year":2026},"ownership":"new","route":"set-up","promise":"2026-02-18T12:00:00Z"}`))
	f.Add(uint8(4), []byte(`{"actor":"ruth","from":"0001-01-01T00:00:00Z","until":"9999-12-31T23:59:59Z","reason":"x","command_id":"d"}`))
	f.Add(uint8(8), []byte("\xff\xfe{"))
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		w.t = t
		before := w.l.View().Seq
		r := w.send(http.MethodPost, "/api/v1"+paths[int(which)%len(paths)], "application/json", bytes.NewReader(body))
		var v map[string]any
		if err := json.Unmarshal(r.body, &v); err != nil || r.status >= 500 {
			t.Fatalf("%d %s (%v)", r.status, r.body, err)
		}
		if r.status >= 400 && w.l.View().Seq != before {
			t.Fatalf("%d changed the log from %d to %d", r.status, before, w.l.View().Seq)
		}
		if w.l.View().Seq != before {
			if page := w.get("/board"); page.status != 200 {
				t.Fatalf("the board afterwards: %d", page.status)
			}
		}
	})
}

// FuzzUpload: whatever file comes, however it is wrapped, the page answers, and
// a refusal changes nothing.
func FuzzUpload(f *testing.F) {
	w := newWorld(f)
	w.be("ruth")
	paths := []string{"/import", "/calibrations", "/api/v1/import", "/api/v1/calibrations/import", "/api/v1/photos"}
	part := func(name, file, text string) []byte {
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		_ = m.SetBoundary("x")
		p, _ := m.CreateFormFile(name, file)
		_, _ = p.Write([]byte(text))
		_ = m.WriteField("how", "check")
		_ = m.Close()
		return b.Bytes()
	}
	const form = "multipart/form-data; boundary=x"
	for i := range paths {
		f.Add(uint8(i), form, part("file", "units.csv", "ticket;make;model;year;family;fitment;frame number\nLM-9;Kestrow;Brae 250;2026;kr5;standard;KB25-26-00417\n"))
		f.Add(uint8(i), form, part("file", "../../etc/x\x00.csv", "id,revision\n\"a\nb,1\n"))
		f.Add(uint8(i), "text/csv", []byte("\xef\xbb\xbfsep=;\nticket;make\n"))
		f.Add(uint8(i), form, []byte("--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"a\"\r\nContent-Transfer-Encoding: base64\r\n\r\n--x--"))
	}
	f.Fuzz(func(t *testing.T, which uint8, kind string, body []byte) {
		if strings.ContainsFunc(kind, func(r rune) bool { return r < ' ' || r > '~' }) {
			return // no header
		}
		w.t = t
		before := w.l.View().Seq
		r := w.send(http.MethodPost, paths[int(which)%len(paths)], kind, bytes.NewReader(body))
		if r.status >= 500 {
			t.Fatalf("%d %.500s", r.status, r.body)
		}
		if r.status >= 400 && w.l.View().Seq != before {
			t.Fatalf("%d changed the log from %d to %d", r.status, before, w.l.View().Seq)
		}
	})
}
