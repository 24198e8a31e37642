package floor_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/shopfile"
	"tickover/services/access"
	"tickover/services/access/provider"
	"tickover/services/contacts"
	"tickover/services/dispatch"
	"tickover/services/experience"
	"tickover/services/floor"
	"tickover/services/floor/browsertest"
	"tickover/services/floor/gate"
	"tickover/services/floor/live"
	"tickover/services/group"
	"tickover/services/ledger"
	"tickover/services/photos"
	"tickover/services/promise"
	"tickover/testdata"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(browsertest.Closing{M: m}) }

// morning is a short working day of the demo shop: sunrise 07:31, quiet hours
// until 09:00 and from 12:30 to 13:30.
var morning = time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)

// world is a real shop behind a real server: the demo shop file, a ledger on a
// log in memory, and the planner.
type world struct {
	t      testing.TB
	l      *ledger.Ledger
	log    *logtest.Mem
	clock  *clock
	plans  *plans
	photos *photos.Store
	// photoDir is where photos has its files.
	photoDir string
	floor    *floor.Floor
	server   *httptest.Server
	client   *http.Client
	people   *contacts.Book // nil: the shop keeps none
	// nil: nothing is learnt
	lengths *experience.Experience
	learner *promise.Learner
	ids     atomic.Int64
	// Where people sign in; nil: an open shop.
	desk   *access.Desk
	limits gate.Limits
	// nil: there is none
	provider *provider.Provider
	secret   string       // for the first account
	group    *group.Group // nil: the shop stands alone
	hosts    []string
	inLog    bool // the shop has no file
	logger   *zap.Logger
}

type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

func (c *clock) set(t time.Time) { c.mu.Lock(); defer c.mu.Unlock(); c.t = t }

func (c *clock) add(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.t = c.t.Add(d) }

// plans plans when it is asked and the state has changed.
type plans struct {
	l   *ledger.Ledger
	now func() time.Time

	mu      sync.Mutex
	core    *dispatch.Core
	plan    *dispatch.Plan
	seq     uint64
	changed chan struct{}
}

func (p *plans) Latest() *dispatch.Plan {
	p.mu.Lock()
	defer p.mu.Unlock()
	st := p.l.View()
	if st.Seq == p.seq {
		return p.plan
	}
	out, err := p.core.Replan(context.Background(), st, p.now())
	if err != nil {
		panic(err)
	}
	p.plan, p.seq = out.Plan, st.Seq
	close(p.changed)
	p.changed = make(chan struct{})
	return p.plan
}

func (p *plans) Changed() <-chan struct{} { p.mu.Lock(); defer p.mu.Unlock(); return p.changed }

func newWorld(t testing.TB) *world {
	t.Helper()
	w := unserved(t)
	w.serve(live.Bounds{})
	return w
}

// unserved is a world before its pages are served.
func unserved(t testing.TB) *world {
	t.Helper()
	return unservedOf(t, testdata.Larkmoor)
}

// unservedOf is unserved with a shop file of its own.
func unservedOf(t testing.TB, file []byte) *world {
	t.Helper()
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, file)
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, log: logtest.NewMem(), clock: &clock{t: morning}}
	w.open(shop.Site)
	w.do("", &queue.ConfigureShop{Shop: *shop, FileHash: hash})
	return w
}

// open folds the log, as a start of the program does.
func (w *world) open(site queue.SiteID) {
	w.t.Helper()
	l, err := ledger.Open(context.Background(), ledger.Options{Site: site, Log: w.log, Now: w.clock.now})
	if err != nil {
		w.t.Fatal(err)
	}
	w.l = l
	w.plans = &plans{l: l, now: w.clock.now, core: dispatch.NewCore(dispatch.Options{}), changed: make(chan struct{})}
}

func (w *world) serve(b live.Bounds) {
	w.t.Helper()
	w.photoDir = w.t.TempDir()
	kept, err := photos.Open(w.photoDir)
	if err != nil {
		w.t.Fatal(err)
	}
	w.photos = kept
	o := floor.Options{Access: w.desk, Limits: w.limits, FirstAccount: w.secret, Provider: w.provider, Logger: w.logger, Photos: kept, Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: w.plans, Now: w.clock.now, Streams: b, Lengths: w.lengths, Promises: w.learner, Group: w.group, Hosts: w.hosts, ShopInLog: w.inLog}
	if w.people != nil {
		o.Contacts = w.people
	}
	f, err := floor.New(o)
	if err != nil {
		w.t.Fatal(err)
	}
	w.floor, w.server = f, httptest.NewServer(f)
	jar, err := cookiejar.New(nil)
	if err != nil {
		w.t.Fatal(err)
	}
	w.client = &http.Client{Jar: jar, Transport: &http.Transport{}}
	server, client := w.server, w.client
	w.t.Cleanup(func() {
		f.Close()
		client.CloseIdleConnections()
		server.Close()
	})
}

// do carries a command out beside the pages.
func (w *world) do(actor queue.PersonID, a queue.Action) {
	w.t.Helper()
	_, err := w.l.Do(context.Background(), queue.Command{ID: queue.CommandID(w.id()), Actor: actor, Action: a})
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) id() string { return fmt.Sprintf("test-%d", w.ids.Add(1)) }

// arrive checks a unit in that has a calibration.
func (w *world) arrive(id queue.UnitID, route queue.RouteID) {
	w.t.Helper()
	w.do("ruth", &queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-00417", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: route, Promise: morning.Add(30 * time.Hour), Weight: 5,
	}})
}

func (w *world) step(unit queue.UnitID, step queue.StepID) *queue.Step {
	w.t.Helper()
	u := w.l.View().Units[unit]
	if u == nil || u.Step(step) == nil {
		w.t.Fatalf("unit %s has no step %s", unit, step)
	}
	return u.Step(step)
}

// reply is an answer that was read.
type reply struct {
	status int
	header http.Header
	body   []byte
	path   string // after redirects
}

func (w *world) send(method, path, contentType string, body io.Reader, header ...string) reply {
	w.t.Helper()
	req, err := http.NewRequest(method, w.server.URL+path, body)
	if err != nil {
		w.t.Fatal(err)
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			req.Host = header[i+1]
			continue
		}
		req.Header.Set(header[i], header[i+1])
	}
	res, err := w.client.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return reply{res.StatusCode, res.Header, b, res.Request.URL.RequestURI()}
}

func (w *world) get(path string) reply {
	w.t.Helper()
	return w.send(http.MethodGet, path, "", nil)
}

func (w *world) postForm(path string, v url.Values) reply {
	w.t.Helper()
	return w.send(http.MethodPost, path, "application/x-www-form-urlencoded", strings.NewReader(v.Encode()))
}

// be chooses a person, as a device does.
func (w *world) be(person string) {
	w.t.Helper()
	if r := w.postForm("/me", url.Values{"person": {person}, "back": {"/cautions"}}); r.status != http.StatusOK {
		w.t.Fatalf("choose %s: %d %s", person, r.status, r.body)
	}
}

// fields is a JSON object.
type fields = map[string]any

// call sends a command to the API, with an id and an actor if it has none.
func (w *world) call(path string, body fields) reply {
	w.t.Helper()
	if _, ok := body["command_id"]; !ok {
		body["command_id"] = w.id()
	}
	if _, ok := body["actor"]; !ok {
		body["actor"] = "ruth"
	}
	b, err := json.Marshal(body)
	if err != nil {
		w.t.Fatal(err)
	}
	return w.send(http.MethodPost, "/api/v1"+path, "application/json", bytes.NewReader(b))
}

// must is call that has to succeed.
func (w *world) must(path string, body fields) fields {
	w.t.Helper()
	r := w.call(path, body)
	if r.status != http.StatusOK {
		w.t.Fatalf("%s: %d %s", path, r.status, r.body)
	}
	return r.object(w.t)
}

func (r reply) object(t testing.TB) fields {
	t.Helper()
	var f fields
	if err := json.Unmarshal(r.body, &f); err != nil {
		t.Fatalf("answer is no JSON object: %v\n%s", err, r.body)
	}
	return f
}

// visit is how each step of the reflash route is done: where, by whom, with
// which readings.
var visit = []struct {
	step      queue.StepID
	who       queue.PersonID
	resources []string
	evidence  map[string]string
	stretches int
	took      time.Duration // of each stretch
}{
	{"check-in", "ines", nil, map[string]string{"frame_number": "KB25-26-00417", "odometer_km": "12.5", "engine_h": "0.4"}, 1, 5 * time.Minute},
	{"flash", "tomas", []string{"b3", "i1", "c1"}, map[string]string{"calibration": "kb250-std", "revision": "3"}, 3, 10 * time.Minute},
	{"resets", "tomas", []string{"b3", "i1"}, map[string]string{"throttle_reset": "yes", "idle_reset": "yes"}, 1, 5 * time.Minute},
	{"relearn", "ines", []string{"p1"}, map[string]string{"coolant_c": "85", "idle_rpm": "1750"}, 3, 4 * time.Minute},
	{"restart-check", "ines", []string{"p1"}, map[string]string{"restarts": "3", "idle_rpm": "1760"}, 1, 4 * time.Minute},
	{"test-ride", "tomas", []string{"l1"}, map[string]string{"odometer_km": "17"}, 1, 20 * time.Minute},
	{"final-check", "ruth", []string{"b5"}, map[string]string{"keys_papers": "yes", "leaks": "yes", "engine_h": "0.9"}, 1, 15 * time.Minute},
}
