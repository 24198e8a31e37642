package floor_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/log"
	"tickover/queue/view"
	"tickover/services/access"
	"tickover/services/access/accesstest"
	"tickover/services/dispatch"
	"tickover/services/floor/live"
	"tickover/services/group"
	"tickover/testdata"
)

// deployment is several sites whose floors share views and no more. It is the
// group's log and its dispatchers too.
type deployment struct {
	t        testing.TB
	worlds   map[queue.SiteID]*world
	views    *shared
	accounts accesstest.Sites
	// idle are sites for which no dispatcher works, mute ones that do not tell.
	idle, mute map[queue.SiteID]bool
	epochs     map[queue.SiteID]uint64
	stuck      map[queue.SiteID]*dispatch.Plan // planning fails: this one stays
}

// shared is a store of views that may go away.
type shared struct {
	view.Mem
	away bool
}

func (s *shared) Units(ctx context.Context, site queue.SiteID) (view.Head, []view.Row, error) {
	if s.away {
		return view.Head{}, nil, fmt.Errorf("read: %w", view.ErrAway)
	}
	return s.Mem.Units(ctx, site)
}

func (d *deployment) Plan(_ context.Context, site queue.SiteID) (*dispatch.Plan, error) {
	switch {
	case d.mute[site]:
		return nil, errors.New("no answer")
	case d.idle[site]:
		return nil, nil
	case d.stuck[site] != nil:
		return d.stuck[site], nil
	}
	return d.worlds[site].plans.Latest(), nil
}

func (d *deployment) Holder(_ context.Context, site queue.SiteID) (string, uint64, error) {
	if d.idle[site] {
		return "", 0, nil
	}
	return "machine/1", d.epochs[site], nil
}

func (d *deployment) Last(ctx context.Context, site queue.SiteID) (log.Position, error) {
	return d.worlds[site].log.Last(ctx, site)
}

// grouped makes a world, before it is served, one of a deployment's.
func grouped(t testing.TB, w *world) *deployment {
	d := &deployment{t: t, worlds: map[queue.SiteID]*world{}, views: &shared{}, accounts: accesstest.Sites{}, idle: map[queue.SiteID]bool{}, mute: map[queue.SiteID]bool{}, epochs: map[queue.SiteID]uint64{}, stuck: map[queue.SiteID]*dispatch.Plan{}}
	d.join(w)
	return d
}

func (d *deployment) join(w *world) {
	site := w.l.View().Site
	d.worlds[site], d.accounts[site] = w, access.NewMem(w.clock.now)
	w.group = group.New(group.Options{Home: site, Accounts: d.accounts, Views: d.views, Log: d, Dispatch: d})
}

// share puts the views of all sites where their floors find them.
func (d *deployment) share() {
	d.t.Helper()
	for _, w := range d.worlds {
		if _, err := d.views.Put(context.Background(), view.Of(w.l.View())); err != nil {
			d.t.Fatal(err)
		}
	}
}

// threeSites are Larkmoor and two others with accounts, work, and trouble. Olive
// owns the first two; the third has an owner of its own, of the same name.
func threeSites(t testing.TB, serve func(*world)) *deployment {
	t.Helper()
	var d *deployment
	for site, name := range map[string]string{"larkmoor": "Larkmoor Trail & Enduro", "highfell": "Highfell Trail & Enduro", "saltburn": "Saltburn Trail & Enduro"} {
		file := bytes.Replace(testdata.Larkmoor, []byte("\nsite: larkmoor"), []byte("\nsite: "+site), 1)
		w := unservedOf(t, bytes.ReplaceAll(file, []byte("Larkmoor Trail & Enduro"), []byte(name)))
		if d == nil {
			d = grouped(t, w)
		} else {
			d.join(w)
		}
		desk, err := access.New(access.Options{Store: d.accounts[w.l.View().Site], Now: w.clock.now, Random: rand.Reader, Hash: access.Hash{MemoryKiB: 64, Passes: 1, Lanes: 1}})
		if err != nil {
			t.Fatal(err)
		}
		w.desk = desk
		w.account(roleAccounts[access.Owner])
		w.account(roleAccounts[access.Counter])
		serve(w)
	}
	d.seenFrom("highfell", "olive", "larkmoor")
	l, h, s := d.worlds["larkmoor"], d.worlds["highfell"], d.worlds["saltburn"]
	l.arrive("LM-1", "set-up")
	h.customers("HF-7", "HF77-26-00417", "HF 26 TRA", "reflash")
	h.customers("HF-8", "HF77-26-00418", "", "reflash")
	h.customers("HF-9", "HF77-26-00419", "", "reflash")
	s.customers("SB-7", "HF77-26-90417", "SB 26 TRA", "reflash")
	h.flash("HF-7")
	soon := morning.Add(20 * time.Minute)
	h.do("ruth", &queue.AmendUnit{Unit: "HF-8", Change: queue.UnitAmended{Promise: &soon, Reason: "called"}})
	h.do("ruth", &queue.ReportProblem{Unit: "HF-8", Step: "check-in", Reason: "no key"})
	h.do("ruth", &queue.AmendUnit{Unit: "HF-9", Change: queue.UnitAmended{Held: new(true), Reason: "not paid"}})
	d.share()
	return d
}

func served(w *world) { w.serve(live.Bounds{}) }

// customers checks in a unit that can be told apart by its numbers.
func (w *world) customers(id queue.UnitID, frame, plate string, route queue.RouteID) {
	w.t.Helper()
	w.do("ruth", &queue.ReceiveUnit{Unit: id, Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: frame, Plate: plate, Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: route, Promise: morning.Add(30 * time.Hour), Weight: 5,
	}})
}

// flash lets a flash begin.
func (w *world) flash(id queue.UnitID) {
	w.t.Helper()
	w.do("ines", &queue.StartStep{Unit: id, Step: "check-in", Technician: "ines"})
	w.do("ines", &queue.FinishStep{Unit: id, Step: "check-in", Technician: "ines", Evidence: queue.Evidence{"frame_number": "x", "odometer_km": "1", "engine_h": "1"}})
	w.do("tomas", &queue.StartStep{Unit: id, Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
}

// seenFrom has a site say from where an account's person sees it.
func (d *deployment) seenFrom(site queue.SiteID, account string, from ...queue.SiteID) {
	d.t.Helper()
	if err := d.worlds[site].desk.Change(context.Background(), "test", account, access.Change{SeenFrom: &from}); err != nil {
		d.t.Fatal(err)
	}
}

// says fetches a page as somebody who is signed in at a site.
func (w *world) says(path string) string {
	w.t.Helper()
	p := w.page(path)
	if p.r.status != http.StatusOK {
		w.t.Fatalf("%s: %d %s", path, p.r.status, p.text())
	}
	return p.text()
}

func contains(t *testing.T, what, page string, parts ...string) {
	t.Helper()
	for _, part := range parts {
		if !strings.Contains(page, part) {
			t.Errorf("%s lacks %q:\n%s", what, part, page)
		}
	}
}

func lacks(t *testing.T, what, page string, parts ...string) {
	t.Helper()
	for _, part := range parts {
		if strings.Contains(page, part) {
			t.Errorf("%s has %q:\n%.3000s", what, part, page)
		}
	}
}

// TestSites: the owner of two sites sees how both stand and finds a unit in
// either, whichever floor he asks; what is away is said so.
func TestSites(t *testing.T) {
	d := threeSites(t, served)
	olive := d.worlds["larkmoor"].as("olive")
	page := olive.page("/group")
	rows := all(page.all(tag("tbody"))[0], tag("tr"))
	if len(rows) != 2 {
		t.Fatalf("%d rows, want those of two sites:\n%s", len(rows), page.text())
	}
	far := text(rows[1])
	contains(t, "the row of the other site", far, "Highfell Trail & Enduro", "flash HF-7 since 09:30", "1 with a problem", "1 held back", "made 09:30")
	contains(t, "the row of the other site", far, "in the shop 3", "late 1")
	contains(t, "the sum", page.text(), "Together in the shop 4", "1 flash")
	if link := all(rows[1], class("site-name"))[0]; !strings.HasPrefix(attr(link, "href"), "//highfell.") {
		t.Errorf("the board of the other site is at %q", attr(link, "href"))
	}
	for _, q := range []string{"hf-7", "HF77 26 00417", "hf 26 tra", "77 26 OO417", "brae 250"} {
		found := olive.page("/group?" + url.Values{"q": {q}}.Encode())
		if list := found.all(class("found-units")); len(list) != 1 || !strings.HasSuffix(attr(all(list[0], tag("a"))[0], "href"), "/units/HF-7") && q != "brae 250" {
			t.Errorf("%q finds:\n%s", q, found.text())
		}
		contains(t, "what was found by "+q, found.text(), "Highfell Trail & Enduro HF-7")
	}
	contains(t, "nothing found", olive.says("/group?q=nothing"), "No unit in the shops matches “nothing”")

	d.stuck["saltburn"] = d.worlds["saltburn"].plans.Latest()
	d.worlds["saltburn"].arrive("SB-8", "set-up")
	d.share()
	contains(t, "a plan that stays", d.worlds["saltburn"].as("olive").says("/group"), "made 09:30, and lacks the last 1 entry of the log", "1 not planned")
	d.epochs["highfell"] = 2
	contains(t, "a new dispatcher", olive.says("/group"), "made 09:30 by the dispatcher before")
	d.idle["highfell"] = true
	contains(t, "no dispatcher", olive.says("/group"), "no dispatcher works for this site", "2 not planned")
	d.mute["highfell"] = true
	contains(t, "no word of the dispatcher", olive.says("/group"), "the plan can’t be asked for now")
	d.worlds["highfell"].arrive("HF-10", "set-up") // nobody mirrors it
	contains(t, "a view that is behind", olive.says("/group"), "these figures lack the last 1 entry of the log")
	if err := d.views.Drop(context.Background(), "highfell"); err != nil {
		t.Fatal(err)
	}
	contains(t, "a lost view", olive.says("/group?q=HF-7"), "this site’s shared view is missing", "Not searched: Highfell.", "Those that are known, together in the shop 1")
	d.views.away = true
	contains(t, "views away", olive.says("/group?q=LM-1"), "(Redis) does not answer", "Not searched: Larkmoor Trail & Enduro, Highfell")
	contains(t, "the past", olive.says("/group?asof=2026-02-17T09:30"), "as they are now only")
}

// TestOutsiderOfASite: nobody sees, counts or finds anything of a site whose own
// accounts don't say that he may.
func TestOutsiderOfASite(t *testing.T) {
	d := threeSites(t, served)
	home := d.worlds["larkmoor"]
	outside := func(what string, o *world, none ...string) {
		t.Helper()
		for _, path := range []string{"/group", "/group?q=HF", "/group?q=HF77-26-00417", "/group?q=SB-7", "/group?q=HF77-26-90417", "/group?q=Brae", "/group?q=7", "/"} {
			text := string(o.get(path).body)
			// What was typed stands in the field again.
			if u, err := url.Parse(path); err == nil {
				text = strings.ReplaceAll(text, u.Query().Get("q"), "")
			}
			lacks(t, what+" at "+path, text, none...)
		}
	}
	all := []string{"ighfell", "altburn", "HF-", "SB-", "F-8", "B-7", "HF77", "HF 26", "SB 26"}
	outside("the counter of the first site", home.as("cara"), all...)
	outside("a third site, although an account there has her name", home.as("olive"), "altburn", "SB-", "B-7", "SB 26", "90417")
	outside("the other way round", d.worlds["highfell"].as("olive"), "arkmoor", "LM-", "altburn", "SB-")
	outside("who is not signed in", home.stranger(), all...)
	d.seenFrom("larkmoor", "cara", "highfell") // her own site's word for another
	outside("whose own site says so", home.as("cara"), all...)
	token := home.token("olive")
	r := home.stranger().send(http.MethodGet, "/group", "", nil, "Authorization", "Bearer "+token)
	if r.status != http.StatusOK {
		t.Fatalf("a program: %d", r.status)
	}
	lacks(t, "a program", string(r.body), all...)

	olive := home.as("olive")
	contains(t, "before", olive.says("/group"), "Highfell")
	d.seenFrom("highfell", "olive")
	outside("after it was taken back", olive, all...)
	d.seenFrom("highfell", "olive", "larkmoor")
	contains(t, "given again", olive.says("/group"), "Highfell")
	far := d.worlds["highfell"]
	far.account(access.Account{ID: "una", Roles: []access.Role{access.Owner}})
	shut := true
	if err := far.desk.Change(context.Background(), "una", "olive", access.Change{Shut: &shut}); err != nil {
		t.Fatal(err)
	}
	outside("shut there", olive, all...)
	if r := home.as("cara").press("/accounts/cara", url.Values{"seen_from": {"highfell"}}); r.status != http.StatusForbidden {
		t.Errorf("the counter says from where she is seen: %d", r.status)
	}
}

// TestSeenFromOnThePage: an owner lets somebody see his site from another, on
// the page of accounts.
func TestSeenFromOnThePage(t *testing.T) {
	d := threeSites(t, served)
	cara, olive := d.worlds["larkmoor"].as("cara"), d.worlds["saltburn"].as("olive")
	change := func(sites string) reply {
		return olive.press("/accounts/cara", url.Values{"name": {"Cara"}, "role": {"counter"}, "seen_from": {sites}})
	}
	if r := change(" Larkmoor, highfell"); r.status != http.StatusOK || !strings.Contains(string(r.body), "Seen from highfell, larkmoor, where the account cara is the same person’s.") {
		t.Fatalf("%d %s", r.status, r.body)
	}
	contains(t, "the counter's page", cara.says("/group?q=SB-7"), "Saltburn Trail & Enduro SB-7")
	if r := change("larkmoor *"); r.status == http.StatusOK || !strings.Contains(string(r.body), "site’s name") && !strings.Contains(string(r.body), "site&#39;s name") {
		t.Errorf("a wildcard: %d %s", r.status, r.body)
	}
	change("")
	lacks(t, "the counter's page", cara.says("/group?q=SB-7"), "Saltburn")
}

// sites lets the page of all sites be heard, in good and bad times.
func (l *listener) sites() {
	d := threeSites(l.t, served)
	o := d.worlds["larkmoor"].as("olive")
	o.press("/prefs", url.Values{"language": {markedTag}, "clock": {"12"}, "back": {"/cautions"}})
	hear := func() {
		for _, path := range []string{"/group", "/group?q=HF", "/group?q=none"} {
			l.hear(path, o.get(path))
		}
	}
	hear()
	d.epochs["highfell"] = 2
	hear()
	d.worlds["highfell"].arrive("HF-10", "set-up")
	d.idle["highfell"] = true
	hear()
	d.mute["highfell"] = true
	_ = d.views.Drop(context.Background(), "highfell")
	hear()
	d.views.away = true
	hear()
}

// TestOwnersWalk: sign in, see the group, find a machine at another site, and
// open it there. The page is held against what all pages have to be.
func TestOwnersWalk(t *testing.T) {
	t.Parallel()
	axe := axeCore(t)
	floors := map[string]http.Handler{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		site, _, _ := strings.Cut(r.Host, ".")
		floors[site].ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	d := threeSites(t, func(w *world) {
		site := string(w.l.View().Site)
		w.hosts, w.inLog = []string{site + ".localhost"}, true
		w.serve(live.Bounds{})
		floors[site] = w.floor
	})
	base := func(site string) string {
		return strings.Replace(server.URL, "127.0.0.1", site+".localhost", 1)
	}
	b := newBrowser(t, &world{t: t, server: &httptest.Server{URL: base("larkmoor")}})
	signIn := func(at string) {
		t.Helper()
		b.Write(`[name=name]`, "olive")
		b.Write(`[name=password]`, password)
		b.Click(`main form button`)
		b.Until(fmt.Sprintf(`location.href.startsWith(%q) && document.readyState == "complete"`, at))
	}
	b.Size(1440, "light")
	b.Open("/")
	signIn(base("larkmoor") + "/")
	b.Click(`.doors a[href="/group"]`)
	b.See(`table.sites`)
	b.judge("sites", axe)
	b.Size(360, "light")
	b.Write(`main input[name=q]`, "hf 26 tra")
	b.Click(`main form.ask-sites button`)
	b.See(`.found-units a`)
	b.judge("sites-found", axe)
	b.Click(`.found-units a`)
	b.Until(`location.pathname == "/sign-in"`)
	signIn(base("highfell") + "/units/HF-7")
	contains(t, "the unit's page", b.Text(`main`), "HF-7", "HF77-26-00417")
	d.views.away = true
	b.Base = base("larkmoor")
	b.Open("/group")
	b.judge("sites-away", axe)
	b.Open("/setup")
	b.judge("setup-in-the-log", axe)
}
