package floor_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"tickover/queue"
	"tickover/services/access"
	"tickover/services/floor/gate"
	"tickover/services/floor/live"
	"tickover/services/floor/pages"
)

// TestEveryRouteHasItsRoles holds the routes of the program against the table
// of who may use them.
func TestEveryRouteHasItsRoles(t *testing.T) {
	w := newWorld(t)
	routes := w.floor.Routes()
	if len(routes) < 100 {
		t.Fatalf("only %d routes found: the test looks at the wrong place", len(routes))
	}
	there := map[string]bool{"GET /metrics": true} // where a shop has metrics
	for _, route := range routes {
		there[route] = true
		if !gate.Known(route) {
			t.Errorf("the route %q is for nobody once people sign in. Say who may use it: add a line to the table in services/floor/gate/allow.go (a page with a customer's name: people or desk; a change: who has that job), then run: go test ./services/floor/gate -update", route)
		}
	}
	for _, action := range pages.Actions() {
		there["POST /do/"+action] = true
		if !gate.Known("POST /do/" + action) {
			t.Errorf("the form's action %q is for nobody once people sign in. Add a line \"POST /do/%s\" to the table in services/floor/gate/allow.go, then run: go test ./services/floor/gate -update", action, action)
		}
	}
	for _, line := range gate.Table() {
		if !there[line.Route] {
			t.Errorf("the table in services/floor/gate/allow.go has %q, which is no route: take the line out", line.Route)
		}
	}
}

const password = "quiet heron under glass"

// roleAccounts is an account for each role.
var roleAccounts = map[access.Role]access.Account{
	access.Foreman:    {ID: "ruth", Name: "Ruth Penn", Roles: []access.Role{access.Foreman}},
	access.Technician: {ID: "ines", Roles: []access.Role{access.Technician}},
	access.Owner:      {ID: "olive", Name: "Olive Tresk", Roles: []access.Role{access.Owner}},
	access.Counter:    {ID: "cara", Roles: []access.Role{access.Counter}},
	access.Bench:      {ID: "bench-3", Roles: []access.Role{access.Bench}, Bench: "b3"},
	access.Reader:     {ID: "rea", Roles: []access.Role{access.Reader}},
}

// closedWorld is a shop in which each role has an account.
func closedWorld(t testing.TB) *world {
	t.Helper()
	w := unserved(t)
	w.close()
	return w
}

// close gives the shop accounts and serves it anew.
func (w *world) close() {
	w.t.Helper()
	w.keepAccounts(access.NewMem(w.clock.now))
	w.account(roleAccounts[access.Owner])
	for _, a := range roleAccounts {
		if a.ID != "olive" {
			w.account(a)
		}
	}
	w.account(access.Account{ID: "tomas", Roles: []access.Role{access.Technician}})
}

// keepAccounts serves the shop with a place for accounts, and none in it.
func (w *world) keepAccounts(s access.Store) {
	w.t.Helper()
	d, err := access.New(access.Options{Store: s, Now: w.clock.now, Random: rand.Reader, Hash: access.Hash{MemoryKiB: 64, Passes: 1, Lanes: 1}, Logger: w.logger})
	if err != nil {
		w.t.Fatal(err)
	}
	w.desk = d
	w.serve(live.Bounds{})
}

func (w *world) account(a access.Account) {
	w.t.Helper()
	if err := w.desk.Add(context.Background(), "test", a, password); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) token(account string) string {
	w.t.Helper()
	token, err := w.desk.NewToken(context.Background(), "test", access.Program, account, "")
	if err != nil {
		w.t.Fatal(err)
	}
	return token
}

// as is a browser of its own, signed in through the page.
func (w *world) as(account string) *world {
	w.t.Helper()
	o := w.stranger()
	r := o.postForm("/sign-in", url.Values{"name": {account}, "password": {password}, "back": {"/cautions"}})
	if r.status != http.StatusOK || r.path != "/cautions" {
		w.t.Fatalf("sign in %s: %d at %s\n%s", account, r.status, r.path, r.body)
	}
	return o
}

// stranger is a browser of its own that nobody has signed in.
func (w *world) stranger() *world {
	w.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		w.t.Fatal(err)
	}
	o := &world{t: w.t, l: w.l, log: w.log, clock: w.clock, plans: w.plans, photos: w.photos, floor: w.floor, server: w.server, people: w.people, desk: w.desk}
	o.client = &http.Client{Jar: jar, Transport: w.client.Transport}
	o.ids.Store(w.ids.Add(1000))
	return o
}

var tokenField = regexp.MustCompile(`name="form_token" value="([^"]+)"`)

// formToken is a token of this browser's session.
func (w *world) formToken() string {
	w.t.Helper()
	m := tokenField.FindSubmatch(w.get("/me").body)
	if m == nil {
		w.t.Fatal("the page's forms have no token")
	}
	return string(m[1])
}

// press sends a form as a page of this browser's session has it: the token
// comes first.
func (w *world) press(path string, v url.Values) reply {
	w.t.Helper()
	body := url.Values{"form_token": {w.formToken()}}.Encode() + "&" + v.Encode()
	return w.send(http.MethodPost, path, "application/x-www-form-urlencoded", strings.NewReader(body))
}

// real fills a route's pattern with things that the shop has.
var real = strings.NewReplacer("{$}", "", "{unit}", "LM-1", "{step}", "flash", "{id}", "LM-1", "{key}", "KB252600417", "{hash}", strings.Repeat("a", 64),
	"{table}", "flow", "{action}", "start", "{resource}", "p1", "{technician}", "ines", "{station}", "b3", "{campaign}", "none", "{revision}", "1", "{machine}", "KB252600417", "{person}", "none", "{simulation}", "1", "{file}", "result.csv")

func realPath(route string) (method, path string) {
	method, path, _ = strings.Cut(route, " ")
	switch {
	case strings.HasPrefix(path, "/bench/"):
		path = "/bench/b3"
	case strings.HasPrefix(path, "/technicians/"):
		path = strings.Replace(path, "{id}", "ines", 1)
	case path == "/static/":
		path = "/static/app.css"
	}
	return method, real.Replace(path)
}

// verdict is what the gate made of a request.
func verdict(r reply) string {
	switch r.header.Get("Tickover-Code") {
	case "signed-out":
		return "signed out"
	case "wrong-role":
		return "not allowed"
	case "":
		return "let through"
	}
	return r.header.Get("Tickover-Code")
}

// TestRoutesByRole tries every route with every role and with nobody, and holds
// what happens against the table.
func TestRoutesByRole(t *testing.T) {
	w := closedWorld(t)
	w.everyPage()
	w.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	tokens := map[access.Role]string{}
	for role, a := range roleAccounts {
		tokens[role] = w.token(a.ID)
	}
	tried := 0
	for _, line := range gate.Table() {
		if line.Route == "GET /metrics" {
			continue
		}
		method, path := realPath(line.Route)
		for _, role := range append([]access.Role{0}, access.AllRoles()...) {
			header := []string{"Authorization", "Bearer " + tokens[role]}
			if role == 0 {
				header = nil
			}
			got := verdict(w.knock(method, path, header...))
			want := "not allowed"
			switch {
			case line.Rule.Public || role != 0 && slices.Contains(line.Rule.Roles, role):
				want = "let through"
			case role == 0:
				want = "signed out"
			}
			if got != want {
				t.Errorf("%s as %v: %s, want %s", line.Route, role, got, want)
			}
			tried++
		}
	}
	if tried < 700 {
		t.Errorf("only %d were tried", tried)
	}
	// What no route has is for nobody either.
	for _, path := range []string{"/nowhere", "/api/v1/nowhere"} {
		if got := verdict(w.knock(http.MethodGet, path)); got != "signed out" {
			t.Errorf("%s: %s", path, got)
		}
	}
}

// knock sends a request and reads no more than the beginning of a stream.
func (w *world) knock(method, path string, header ...string) reply {
	w.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	var body io.Reader
	kind := ""
	if method == http.MethodPost {
		body, kind = strings.NewReader("{}"), "application/json"
		if !strings.HasPrefix(path, "/api/") {
			body, kind = strings.NewReader(""), "application/x-www-form-urlencoded"
		}
	}
	req, err := http.NewRequestWithContext(ctx, method, w.server.URL+path, body)
	if err != nil {
		w.t.Fatal(err)
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := w.client.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer res.Body.Close()
	var b []byte
	if !strings.HasPrefix(res.Header.Get("Content-Type"), "text/event-stream") {
		b, _ = io.ReadAll(res.Body)
	}
	return reply{res.StatusCode, res.Header, b, path}
}

// TestSomethingOfOnesOwn: a bench device sees its bench, a technician his own
// calendar, a calendar's link that and nothing else.
func TestSomethingOfOnesOwn(t *testing.T) {
	w := closedWorld(t)
	w.everyPage()
	link, err := w.desk.NewToken(context.Background(), "ines", access.Calendar, "ines", "")
	if err != nil {
		t.Fatal(err)
	}
	w.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	bearer := func(account string) []string { return []string{"Authorization", "Bearer " + w.token(account)} }
	for _, x := range []struct {
		path   string
		header []string
		want   string
	}{
		{"/bench/b3", bearer("bench-3"), "let through"},
		{"/bench/b2", bearer("bench-3"), "not allowed"},
		{"/bench/b2", bearer("ines"), "let through"},
		{"/api/v1/stations/b2", bearer("bench-3"), "not allowed"},
		{"/technicians/ines/day.ics", bearer("ines"), "let through"},
		{"/technicians/tomas/day.ics", bearer("ines"), "not allowed"},
		{"/technicians/tomas/day.ics", bearer("ruth"), "let through"},
		{"/technicians/ines/day.ics", nil, "signed out"},
		{"/technicians/ines/day.ics?key=" + link, nil, "let through"},
		{"/technicians/tomas/day.ics?key=" + link, nil, "not allowed"},
		{"/board?key=" + link, nil, "signed out"},
		{"/board?x=.ics&key=" + link, nil, "signed out"},
		{"/api/v1/units?key=" + link, nil, "signed out"},
		{"/board", []string{"Authorization", "Bearer " + link}, "signed out"},
	} {
		r := w.knock(http.MethodGet, x.path, x.header...)
		if got := verdict(r); got != x.want {
			t.Errorf("%s: %s, want %s", x.path, got, x.want)
		}
	}
	// No page that a reader, a technician or a bench may see has a customer's
	// telephone number: those are behind pages that they may not.
	w.withPeople()
	w.serve(live.Bounds{})
	cara := w.as("cara")
	if r := cara.press("/do/receive", url.Values{"command_id": {w.id()}, "unit": {"LM-7"}, "frame": {"KB25-26-00999"}, "make": {"Kestrow"}, "model": {"Brae 250"}, "year": {"2026"}, "family": {"kr5"},
		"fitment": {"standard"}, "ownership": {"customer"}, "route": {"reflash"}, "promise": {"2026-02-18T16:30"}, "weight": {"5"}, "name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}}); r.status != http.StatusOK || r.path != "/units/LM-7" {
		t.Fatalf("check-in at the counter: %d %s\n%s", r.status, r.path, r.body)
	}
	if b := cara.get("/counter?q=LM-7").body; !strings.Contains(string(b), "01632 960 147") {
		t.Fatal("the counter does not show the number: the test looks for the wrong thing")
	}
	for _, account := range []string{"rea", "bench-3", "ines"} {
		for _, line := range gate.Table() {
			if method, path := realPath(line.Route); method == http.MethodGet && path != "/events" {
				r := w.knock(method, strings.ReplaceAll(path, "LM-1", "LM-7"), bearer(account)...)
				if s := string(r.body); strings.Contains(s, "960 147") || strings.Contains(s, "Morwenna") && account != "ines" {
					t.Errorf("%s sees a customer at %s", account, path)
				}
			}
		}
	}
}

func TestSignIn(t *testing.T) {
	w := closedWorld(t)
	w.everyPage()
	o := w.stranger()
	r := o.get("/units?q=LM")
	if r.path != "/sign-in?back=%2Funits%3Fq%3DLM" || r.status != http.StatusOK || strings.Contains(string(r.body), "LM-1") {
		t.Fatalf("a stranger: %d at %s", r.status, r.path)
	}
	wrongs := []url.Values{
		{"name": {"ines"}, "password": {"not this one"}}, {"name": {"nobody"}, "password": {password}}, {"name": {""}, "password": {""}}, {},
		{"name": {"INES\r\nSet-Cookie: x=y"}, "password": {password}}, {"name": {"ines.*"}, "password": {password}}, {"name": {strings.Repeat("x", 100_000)}, "password": {strings.Repeat("y", 100_000)}},
	}
	for _, f := range wrongs {
		r := o.postForm("/sign-in", f)
		if r.status != http.StatusUnauthorized || !strings.Contains(string(r.body), "name or the password is wrong") || r.header.Get("Set-Cookie") != "" {
			t.Errorf("%.60v: %d %v", f, r.status, r.header)
		}
	}
	r = o.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}, "back": {"/units?q=LM"}})
	if r.path != "/units?q=LM" || !strings.Contains(string(r.body), "LM-1") || !strings.Contains(string(r.body), "Ines") {
		t.Fatalf("signed in: %d at %s", r.status, r.path)
	}
	if r := o.get("/owner"); r.status != http.StatusForbidden || !strings.Contains(string(r.body), "role") || strings.Contains(string(r.body), `href="/owner"`) {
		t.Errorf("a technician at the owner's figures: %d\n%s", r.status, r.body)
	}
	// Signing out ends the session, not only the cookie.
	cookies := o.client.Jar.Cookies(mustURL(t, w.server.URL))
	if r := o.press("/sign-out", nil); r.path != "/sign-in" {
		t.Errorf("signed out: at %s", r.path)
	}
	thief := w.stranger()
	thief.client.Jar.SetCookies(mustURL(t, w.server.URL), cookies)
	if r := thief.get("/board"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("a cookie of an ended session leads to %s", r.path)
	}
}

func mustURL(t testing.TB, s string) *url.URL {
	t.Helper()
	u, err := url.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// TestSignInLeadsNowhereElse: after sign-in one is on a page of ours (OWASP
// ASVS 5.0, from memory V3.7: no open redirect).
func TestSignInLeadsNowhereElse(t *testing.T) {
	w := closedWorld(t)
	for _, back := range []string{"https://evil.example/", "//evil.example/", `/\evil.example`, `\\evil.example`, "/\r\nLocation: https://evil.example", "javascript:alert(1)", "https:evil.example", "/%5C/evil.example/..", "///evil.example", " //evil.example", "/\t/evil.example", "http://", "%2f%2fevil.example", "/.//evil.example", "/..//evil.example"} {
		o := w.stranger()
		o.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		r := o.postForm("/sign-in", url.Values{"name": {"ines"}, "password": {password}, "back": {back}})
		to, err := mustURL(t, w.server.URL).Parse(r.header.Get("Location"))
		if r.status != http.StatusSeeOther || err != nil || to.Host != mustURL(t, w.server.URL).Host || strings.Contains(r.header.Get("Location"), "\\") || strings.HasPrefix(r.header.Get("Location"), "//") {
			t.Errorf("%q leads to %q (%d, %v)", back, r.header.Get("Location"), r.status, err)
		}
	}
}

// TestWhatIsSaidHasItsPerson: where people sign in, a command is of who did.
func TestWhatIsSaidHasItsPerson(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	ines, bench := w.as("ines"), w.as("bench-3")
	start := url.Values{"command_id": {"a1"}, "unit": {"LM-1"}, "step": {"check-in"}, "technician": {"tomas"}, "actor": {"tomas"}}
	if r := ines.press("/do/start", start); r.status != http.StatusForbidden || !strings.Contains(string(r.body), "somebody else") {
		t.Fatalf("a technician for another one: %d\n%s", r.status, r.body)
	}
	start.Del("technician")
	if r := ines.press("/do/start", start); r.status != http.StatusOK {
		t.Fatalf("his own: %d\n%s", r.status, r.body)
	}
	if st := w.step("LM-1", "check-in"); st.Technician != "ines" {
		t.Errorf("recorded for %s", st.Technician)
	}
	if got := w.lastActor("LM-1"); got != "ines" {
		t.Errorf("said by %s", got)
	}
	// The API too, by session and by token.
	finish := fields{"command_id": "a2", "actor": "tomas", "technician": "tomas", "evidence": fields{"frame_number": "KB25-26-00417", "odometer_km": "1", "engine_h": "1"}}
	for _, header := range [][]string{nil, {"Authorization", "Bearer " + w.token("ines")}} {
		b, _ := json.Marshal(finish)
		r := ines.send(http.MethodPost, "/api/v1/units/LM-1/steps/check-in/finish", "application/json", strings.NewReader(string(b)), header...)
		if r.status != http.StatusForbidden || r.object(t)["code"] != "wrong-person" {
			t.Errorf("another actor: %d %s", r.status, r.body)
		}
	}
	finish["actor"], finish["technician"] = "ines", "ines"
	if r := ines.call("/units/LM-1/steps/check-in/finish", finish); r.status != http.StatusOK {
		t.Fatalf("oneself: %d %s", r.status, r.body)
	}
	// A bench screen says who does it, for its own bench only.
	flash := url.Values{"command_id": {"b1"}, "unit": {"LM-1"}, "step": {"flash"}, "resource": {"b2", "i1", "c1"}, "bench": {"b2"}, "technician": {"tomas"}}
	if r := bench.press("/do/start", flash); r.status != http.StatusForbidden || !strings.Contains(string(r.body), "bench of this screen") {
		t.Errorf("another bench: %d\n%s", r.status, r.body)
	}
	flash["resource"], flash["bench"] = []string{"b3", "i1", "c1"}, []string{"b3"}
	if r := bench.press("/do/start", flash); r.status != http.StatusOK {
		t.Fatalf("its bench: %d\n%s", r.status, r.body)
	}
	if got := w.lastActor("LM-1"); got != "tomas" {
		t.Errorf("said by %s", got)
	}
	if r := bench.call("/units/LM-1/steps/flash/advance", fields{"actor": "ruth", "stretch": 1, "technician": "tomas"}); r.status != http.StatusForbidden {
		t.Errorf("a bench for two people: %d %s", r.status, r.body)
	}
}

func (w *world) lastActor(unit queue.UnitID) queue.PersonID {
	w.t.Helper()
	var last queue.PersonID
	var list struct {
		Events []struct{ Actor queue.PersonID }
	}
	r := w.send(http.MethodGet, "/api/v1/units/"+string(unit)+"/history", "", nil, "Authorization", "Bearer "+w.token("ruth"))
	if err := json.Unmarshal(r.body, &list); err != nil || len(list.Events) == 0 {
		w.t.Fatalf("history: %v %s", err, r.body)
	}
	last = list.Events[len(list.Events)-1].Actor
	return last
}

// TestOnlyTheForemanHimselfOverrides: an interlock is let pass by the foreman
// who is signed in, and the book says so.
func TestOnlyTheForemanHimselfOverrides(t *testing.T) {
	w := closedWorld(t)
	w.arrive("LM-1", "reflash")
	hand := func(o *world, id, by string) reply {
		return o.call("/units/LM-1/hand-over", fields{"command_id": id, "actor": strings.ToLower(by), "overrides": []fields{{"interlock": "I11", "reason": "part comes later", "by": by}}})
	}
	cara, ruth := w.as("cara"), w.as("ruth")
	for who, r := range map[string]reply{"the counter as the foreman": hand(cara, "o1", "ruth"), "the counter as itself": hand(cara, "o2", "cara"), "the foreman as another": ruth.call("/units/LM-1/hand-over",
		fields{"command_id": "o3", "actor": "ruth", "overrides": []fields{{"interlock": "I11", "reason": "x", "by": "ines"}}})} {
		if r.status != http.StatusForbidden || r.object(t)["code"] != "wrong-person" {
			t.Errorf("%s: %d %s", who, r.status, r.body)
		}
	}
	if r := hand(ruth, "o4", "ruth"); r.status != http.StatusOK {
		t.Fatalf("the foreman: %d %s", r.status, r.body)
	}
	book, err := w.desk.Book(context.Background(), 50)
	if err != nil || !slices.ContainsFunc(book, func(e access.Entry) bool {
		return e.What == access.Overrode && e.By == "ruth" && strings.Contains(e.Note, "I11") && strings.Contains(e.Note, "part comes later")
	}) {
		t.Errorf("the book: %v %v", book, err)
	}
}

// TestAnOpenShopInvites: without accounts everything is as it was; the first
// account is made on this machine with the console's secret, and shuts the shop.
func TestAnOpenShopInvites(t *testing.T) {
	w := unserved(t)
	w.secret = "console-secret-1234567890"
	w.keepAccounts(access.NewMem(w.clock.now))
	if r := w.get("/accounts"); r.status != http.StatusOK || !strings.Contains(string(r.body), "tickover account add") {
		t.Errorf("accounts of an open shop: %d\n%s", r.status, r.body)
	}
	if r := w.get("/board"); r.status != http.StatusOK {
		t.Errorf("board of an open shop: %d", r.status)
	}
	w.be("ruth")
	for _, path := range []string{"/first-account", "/first-account?secret=guess"} {
		if r := w.get(path); r.status != http.StatusForbidden {
			t.Errorf("%s: %d", path, r.status)
		}
	}
	form := url.Values{"secret": {"guess"}, "id": {"ruth"}, "name": {"Ruth Penn"}, "password": {password}, "foreman": {"yes"}}
	if r := w.postForm("/first-account", form); r.status != http.StatusForbidden {
		t.Errorf("a guessed secret: %d", r.status)
	}
	form.Set("secret", w.secret)
	form.Set("password", "ruthruth")
	if r := w.postForm("/first-account", form); r.status != http.StatusUnprocessableEntity || !strings.Contains(string(r.body), "shorter than 10") {
		t.Errorf("a short password: %d\n%s", r.status, r.body)
	}
	form.Set("password", password)
	if r := w.postForm("/first-account", form); r.path != "/accounts" || !strings.Contains(string(r.body), "Ruth Penn") {
		t.Fatalf("the first account: %d at %s\n%s", r.status, r.path, r.body)
	}
	if r := w.stranger().get("/board"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("a stranger then: %s", r.path)
	}
	if r := w.postForm("/first-account", form); r.status != http.StatusGone {
		t.Errorf("once more: %d", r.status)
	}
}

func TestAccountsPage(t *testing.T) {
	w := closedWorld(t)
	olive, ruth := w.as("olive"), w.as("ruth")
	if r := olive.press("/accounts", url.Values{"id": {"sam"}, "name": {"Sam Hale"}, "role": {"technician", "counter"}}); r.path != "/accounts" || !strings.Contains(string(r.body), "Sam Hale") {
		t.Fatalf("add: %d %s\n%s", r.status, r.path, r.body)
	}
	for what, f := range map[string]url.Values{"no role": {"id": {"x"}}, "taken": {"id": {"sam"}, "role": {"counter"}}, "no such role": {"id": {"x"}, "role": {"king"}}, "no bench": {"id": {"x"}, "role": {"bench"}},
		"unknown bench": {"id": {"x"}, "role": {"bench"}, "bench": {"b99"}}, "weak": {"id": {"x"}, "role": {"counter"}, "password": {"passwordpassword"}}} {
		if r := olive.press("/accounts", f); r.status < 400 || r.status > 422 || !strings.Contains(string(r.body), `role="alert"`) || f.Get("password") != "" && strings.Contains(string(r.body), f.Get("password")) {
			t.Errorf("%s: %d\n%s", what, r.status, r.body)
		}
	}
	if r := olive.press("/accounts/olive", url.Values{"do": {"shut"}}); r.status != http.StatusConflict || !strings.Contains(string(r.body), "last owner") {
		t.Errorf("shut the last owner: %d", r.status)
	}
	cara := w.as("cara")
	if r := olive.press("/accounts/cara", url.Values{"do": {"shut"}}); r.status != http.StatusOK {
		t.Fatalf("shut: %d\n%s", r.status, r.body)
	}
	if r := cara.get("/counter"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("who was shut out is at %s", r.path)
	}
	// A foreman pairs, and nothing else.
	if r := ruth.get("/accounts"); r.status != http.StatusOK || strings.Contains(string(r.body), "Shut the account") || strings.Contains(string(r.body), "Who came in") {
		t.Errorf("a foreman's accounts page: %d\n%s", r.status, r.body)
	}
	r := ruth.press("/accounts/pair", url.Values{"account": {"bench-3"}})
	m := regexp.MustCompile(`/pair\?code=([A-Za-z0-9_-]+)`).FindSubmatch(r.body)
	if r.status != http.StatusOK || m == nil || !strings.Contains(string(r.body), `class="qr"`) {
		t.Fatalf("pair: %d\n%s", r.status, r.body)
	}
	screen := w.stranger()
	for range 2 { // looking uses nothing up
		if r := screen.get("/pair?code=" + string(m[1])); r.status != http.StatusOK || !strings.Contains(string(r.body), "Pair this device") {
			t.Fatalf("the code's page: %d", r.status)
		}
	}
	if r := screen.postForm("/pair", url.Values{"code": {string(m[1])}}); r.path != "/bench/b3" || r.status != http.StatusOK {
		t.Fatalf("paired: %d at %s\n%s", r.status, r.path, r.body)
	}
	if r := w.stranger().postForm("/pair", url.Values{"code": {string(m[1])}}); r.status != http.StatusGone || r.header.Get("Set-Cookie") != "" {
		t.Errorf("the code replayed: %d", r.status)
	}
	if r := ruth.press("/accounts/pair", url.Values{"account": {"olive"}}); r.status != http.StatusForbidden {
		t.Errorf("a foreman pairs for an owner: %d", r.status)
	}
}

func TestOnesAccountPage(t *testing.T) {
	w := closedWorld(t)
	phone, laptop := w.as("ines"), w.as("ines")
	if n := strings.Count(string(laptop.get("/account").body), "last used"); n != 2 {
		t.Errorf("%d sessions shown", n)
	}
	if r := laptop.press("/account/password", url.Values{"old": {"wrong one here"}, "password": {"brown lamp sings twice"}}); r.status != http.StatusUnauthorized {
		t.Errorf("without the old one: %d", r.status)
	}
	if r := laptop.press("/account/password", url.Values{"old": {password}, "password": {"brown lamp sings twice"}}); r.status != http.StatusOK || r.path != "/account" {
		t.Fatalf("changed: %d %s", r.status, r.path)
	}
	if r := phone.get("/job"); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("the other device is at %s", r.path)
	}
	r := laptop.press("/account/calendar", url.Values{"do": {"make"}})
	m := regexp.MustCompile(`(/technicians/ines/day\.ics\?key=[^<]+)<`).FindSubmatch(r.body)
	if m == nil {
		t.Fatalf("no calendar link:\n%s", r.body)
	}
	calendar := w.stranger()
	if r := calendar.get(string(m[1])); r.status != http.StatusOK || !strings.Contains(string(r.body), "BEGIN:VCALENDAR") {
		t.Errorf("calendar: %d %s", r.status, r.body)
	}
	laptop.press("/account/calendar", url.Values{"do": {"end"}})
	if r := calendar.get(string(m[1])); !strings.HasPrefix(r.path, "/sign-in") {
		t.Errorf("a dead link leads to %s", r.path)
	}
}

// TestNothingSecretIsLogged: what people type and what the gate hands out is in
// no line of the program's log.
func TestNothingSecretIsLogged(t *testing.T) {
	core, logs := observer.New(zap.DebugLevel)
	w := unserved(t)
	w.logger = zap.New(core)
	w.close()
	ines := w.as("ines")
	token := w.token("ines")
	form := ines.formToken()
	ines.press("/do/start", url.Values{"command_id": {"x"}, "unit": {"LM-9"}, "step": {"flash"}})
	ines.send(http.MethodGet, "/api/v1/units", "", nil, "Authorization", "Bearer "+token)
	w.stranger().postForm("/sign-in", url.Values{"name": {"ines"}, "password": {"a secret that is wrong"}})
	var all strings.Builder
	for _, e := range logs.All() {
		fmt.Fprintln(&all, e.Message, e.ContextMap())
	}
	if !strings.Contains(all.String(), "sign-in failed") {
		t.Fatal("the log does not tell of sign-ins: the test looks at the wrong place")
	}
	secrets := map[string]string{"password": password, "wrong password": "a secret that is wrong", "token": token, "form token": form}
	for _, c := range ines.client.Jar.Cookies(mustURL(t, w.server.URL)) {
		secrets["cookie "+c.Name] = c.Value
	}
	for what, s := range secrets {
		if len(s) > 8 && strings.Contains(all.String(), s) {
			t.Errorf("the log has the %s", what)
		}
	}
	if len(secrets) < 5 {
		t.Error("there is no session cookie: the test looks at the wrong place")
	}
}
