package floor_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/services/floor"
	"tickover/services/floor/live"
	"tickover/services/floor/setup"
	"tickover/testdata"
)

// withShopFile serves the world again with a shop file on disk that can be
// written.
func (w *world) withShopFile() *setup.Disk {
	w.t.Helper()
	d := setup.NewDisk(filepath.Join(w.t.TempDir(), "shop.yaml"))
	if err := d.Write(testdata.Larkmoor, ""); err != nil {
		w.t.Fatal(err)
	}
	f, err := floor.New(floor.Options{Ledger: w.l, Log: w.log, Site: w.l.View().Site, Plans: w.plans, Now: w.clock.now, ShopFile: d})
	if err != nil {
		w.t.Fatal(err)
	}
	server := httptest.NewServer(f)
	w.floor, w.server = f, server
	w.t.Cleanup(func() { f.Close(); w.client.CloseIdleConnections(); server.Close() })
	return d
}

// setupForm are the fields of the page's form as a browser would send them.
func setupForm(t *testing.T, body []byte) url.Values {
	t.Helper()
	doc, err := html.Parse(bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	attr := func(n *html.Node, name string) (string, bool) {
		for _, a := range n.Attr {
			if a.Key == name {
				return a.Val, true
			}
		}
		return "", false
	}
	v := url.Values{}
	var walk func(n *html.Node, in bool)
	walk = func(n *html.Node, in bool) {
		if id, _ := attr(n, "id"); n.Data == "form" && id == "setup" {
			in = true
		}
		name, _ := attr(n, "name")
		if in && n.Type == html.ElementNode && name != "" {
			value, _ := attr(n, "value")
			kind, _ := attr(n, "type")
			_, checked := attr(n, "checked")
			switch {
			case n.Data == "input" && (kind != "checkbox" || checked):
				v.Add(name, value)
			case n.Data == "select":
				for o := n.FirstChild; o != nil; o = o.NextSibling {
					if _, chosen := attr(o, "selected"); chosen {
						value, _ := attr(o, "value")
						v.Add(name, value)
					}
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, in)
		}
	}
	walk(doc, false)
	if len(v) == 0 {
		t.Fatalf("no form:\n%s", body)
	}
	return v
}

func (w *world) setup(v url.Values, do string) reply {
	w.t.Helper()
	sent := url.Values{"do": {do}}
	for k, s := range v {
		sent[k] = s
	}
	return w.send(http.MethodPost, "/setup", "application/x-www-form-urlencoded", strings.NewReader(sent.Encode()))
}

func (w *world) setupPage() reply {
	w.t.Helper()
	return w.send(http.MethodGet, "/setup", "", nil)
}

func onDisk(t *testing.T, d *setup.Disk) string {
	t.Helper()
	b, _, err := d.Read()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSetupWithoutAScript(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	w.be("ruth")
	v := setupForm(t, w.setupPage().body)
	if got := w.setup(v, "look"); got.status != 200 || !strings.Contains(string(got.body), "the form says what the file says") {
		t.Fatalf("%d: nothing was changed, and it says otherwise", got.status)
	}
	v.Set("res.12.name", "Bench 6")
	v.Set("res.12.tags", "lift")
	v.Set("op.relearn.1", "9")
	looked := w.setup(v, "look")
	for _, part := range []string{"  b6: {kind: bench, name: Bench 6, tags: [lift]}", "      - hands-off: 9m", "      - hands-off: 7m"} {
		if !strings.Contains(string(looked.body), part) {
			t.Errorf("the difference lacks %q", part)
		}
	}
	if onDisk(t, d) != string(testdata.Larkmoor) {
		t.Fatal("written by looking")
	}
	v = setupForm(t, looked.body)
	if v.Get("res.12.name") != "Bench 6" || v.Get("op.relearn.1") != "9" {
		t.Errorf("what was typed is lost: %v", v)
	}
	// Something else than what was seen is not written.
	other := url.Values{}
	for k, s := range v {
		other[k] = s
	}
	other.Set("res.12.name", "Bench 7")
	if got := w.setup(other, "write"); got.status != http.StatusConflict || onDisk(t, d) != string(testdata.Larkmoor) {
		t.Errorf("unseen: %d", got.status)
	}
	for range 2 { // the second is a double tap
		done := w.setup(v, "write")
		if done.status != 200 || done.path != "/setup" {
			t.Fatalf("%d at %s\n%s", done.status, done.path, done.body)
		}
	}
	text := onDisk(t, d)
	if strings.Count(text, "Bench 6") != 1 || !strings.Contains(text, "hands-off: 9m         # engine warms up") {
		t.Errorf("on disk:\n%s", text)
	}
	if before, err := os.ReadFile(d.Before()); err != nil || !bytes.Equal(before, testdata.Larkmoor) {
		t.Errorf("the file before: %v", err)
	}
	st := w.l.View()
	if st.ShopFile != queue.HashOf([]byte(text)) || st.Shop.Resource("b6") == nil {
		t.Error("it is not in effect")
	}
}

// TestTwoSetUpAtOnce: the second is told, and what the first did stays.
func TestTwoSetUpAtOnce(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	w.be("ruth")
	a, b := setupForm(t, w.setupPage().body), setupForm(t, w.setupPage().body)
	a.Set("res.12.name", "Bench 6")
	w.setup(setupForm(t, w.setup(a, "look").body), "write")
	if !strings.Contains(onDisk(t, d), "Bench 6") {
		t.Fatal("the first is not written")
	}
	b.Set("name", "Larkmoor")
	told := w.setup(b, "look")
	if told.status != http.StatusConflict || !strings.Contains(string(told.body), "changed by somebody else") {
		t.Fatalf("%d", told.status)
	}
	if strings.Contains(onDisk(t, d), "name: Larkmoor\n") {
		t.Fatal("written over")
	}
	if got := w.setup(setupForm(t, told.body), "write"); got.status != 200 || got.path != "/setup" {
		t.Fatalf("%d", got.status)
	}
	if text := onDisk(t, d); !strings.Contains(text, "name: Larkmoor\n") || !strings.Contains(text, "Bench 6") {
		t.Errorf("one of the two is lost:\n%s", text)
	}
}

// replica is another floor of the same site: its own ledger on the same log.
func (w *world) replica() *world {
	w.t.Helper()
	o := &world{t: w.t, log: w.log, clock: w.clock, inLog: true}
	o.open(w.l.View().Site)
	o.serve(live.Bounds{})
	return o
}

// TestSetupInTheLog: in a deployment the shop in effect is what is changed, at
// any replica; of two who change it at once the second is told, also when his
// replica has not heard of it, and the first one's change stays.
func TestSetupInTheLog(t *testing.T) {
	w := unserved(t)
	a, b := w.replica(), w.replica()
	a.be("ruth")
	b.be("ruth")
	first, second := setupForm(t, a.setupPage().body), setupForm(t, b.setupPage().body)
	first.Set("res.12.name", "Bench 6")
	looked := a.setup(first, "look")
	if looked.status != http.StatusOK || !strings.Contains(string(looked.body), "b6: {kind: bench, name: Bench 6}") || !strings.Contains(string(looked.body), "Put it into effect") {
		t.Fatalf("%d %s", looked.status, looked.body)
	}
	second.Set("name", "Larkmoor")
	unheard := b.setup(second, "look") // nobody has changed anything yet
	if unheard.status != http.StatusOK {
		t.Fatalf("%d %s", unheard.status, unheard.body)
	}
	for range 2 { // the second is a double tap
		if done := a.setup(setupForm(t, looked.body), "write"); done.status != http.StatusOK || done.path != "/setup" {
			t.Fatalf("%d at %s %s", done.status, done.path, done.body)
		}
	}
	told := b.setup(setupForm(t, unheard.body), "write")
	if told.status != http.StatusPreconditionFailed || !strings.Contains(string(told.body), "changed by somebody else") {
		t.Fatalf("%d %s", told.status, told.body)
	}
	if st := b.l.View(); st.Shop.Name == "Larkmoor" || st.Shop.Resource("b6") == nil {
		t.Fatalf("written over: %q", st.Shop.Name)
	}
	again := b.setup(setupForm(t, told.body), "look") // against what is there now
	if done := b.setup(setupForm(t, again.body), "write"); done.status != http.StatusOK || done.path != "/setup" {
		t.Fatalf("%d at %s %s", done.status, done.path, done.body)
	}
	tomas := w.replica()
	entries := tomas.l.View().Seq
	if st := tomas.l.View(); st.Shop.Name != "Larkmoor" || st.Shop.Resource("b6") == nil {
		t.Errorf("one of the two changes is lost: %q", st.Shop.Name)
	}
	tomas.be("tomas")
	v := setupForm(t, tomas.setupPage().body)
	v.Set("name", "Tomas's")
	if got := tomas.setup(setupForm(t, tomas.setup(v, "look").body), "write"); got.status != http.StatusForbidden || tomas.l.View().Seq != entries {
		t.Errorf("no foreman: %d", got.status)
	}
}

func TestSetupKeepsAChangeByHand(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	w.be("ruth")
	v := setupForm(t, w.setupPage().body)
	v.Set("name", "Larkmoor")
	v = setupForm(t, w.setup(v, "look").body)
	byHand := strings.Replace(string(testdata.Larkmoor), "clock_skew: 2m", "clock_skew: 3m", 1)
	if err := os.WriteFile(d.Path(), []byte(byHand), 0o600); err != nil {
		t.Fatal(err)
	}
	got := w.setup(v, "write")
	if got.status != http.StatusConflict || onDisk(t, d) != byHand {
		t.Fatalf("%d", got.status)
	}
	if got = w.setup(setupForm(t, got.body), "write"); got.status != 200 {
		t.Fatalf("%d", got.status)
	}
	if text := onDisk(t, d); !strings.Contains(text, "clock_skew: 3m") || !strings.Contains(text, "name: Larkmoor\n") {
		t.Error("a change is lost")
	}
	// A file with a mistake is told, and not touched.
	broken := strings.Replace(byHand, "latitude: 55.6", "latitude: north", 1)
	if err := os.WriteFile(d.Path(), []byte(broken), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := w.setupPage(); !strings.Contains(string(got.body), "shop.yaml:") || !strings.Contains(string(got.body), "should be a number") {
		t.Error("the mistake is not told")
	}
	if got := w.setup(v, "write"); got.status != http.StatusUnprocessableEntity || onDisk(t, d) != broken {
		t.Errorf("%d", got.status)
	}
}

func TestSetupIsTheForemans(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	for _, who := range []string{"", "kofi"} {
		if who != "" {
			w.be(who)
		}
		v := setupForm(t, w.setupPage().body)
		v.Set("name", "Mine")
		v = setupForm(t, w.setup(v, "look").body)
		if got := w.setup(v, "write"); got.status != http.StatusForbidden || !strings.Contains(string(got.body), `value="Mine"`) {
			t.Errorf("%q: %d", who, got.status)
		}
	}
	if onDisk(t, d) != string(testdata.Larkmoor) || w.l.View().Shop.Name == "Mine" {
		t.Error("written")
	}
}

func TestSetupSaysWhatIsWrongWhere(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	w.arrive("LM-1", "reflash")
	w.do("ruth", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "ruth"})
	w.be("ruth")
	v := setupForm(t, w.setupPage().body)
	v.Set("latitude", "north")
	v.Set("hours.mon", "8 to 5")
	v.Set("quantile", "60")
	v.Set("tech.0.name", "")
	v.Set("res.12.name", "x: {y: [")
	v.Set("res.12.tags", "Two Words")
	got := w.setup(v, "look")
	body := string(got.body)
	if got.status != http.StatusUnprocessableEntity {
		t.Errorf("%d", got.status)
	}
	for _, part := range []string{"should be a number", "shop.yaml:", "from 0.3 to 0.95", "is no tag", "unit LM-1 has a step", "not of the form hh:mm-hh:mm", `value="x: {y: ["`, `value="8 to 5"`} {
		if !strings.Contains(strings.ReplaceAll(body, "&#34;", `"`), part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	doc, err := html.Parse(bytes.NewReader(got.body))
	if err != nil {
		t.Fatal(err)
	}
	described, ids := 0, map[string]bool{}
	var walk func(*html.Node, func(*html.Node))
	walk = func(n *html.Node, f func(*html.Node)) {
		f(n)
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, f)
		}
	}
	walk(doc, func(n *html.Node) {
		for _, a := range n.Attr {
			if a.Key == "id" {
				ids[a.Val] = true
			}
		}
	})
	walk(doc, func(n *html.Node) {
		for _, a := range n.Attr {
			if a.Key != "aria-describedby" {
				continue
			}
			described++
			for _, id := range strings.Fields(a.Val) {
				if !ids[id] {
					t.Errorf("%s is described by %s, which is not there", n.Data, id)
				}
			}
		}
	})
	if described < 6 {
		t.Errorf("only %d fields and groups are described", described)
	}
	if onDisk(t, d) != string(testdata.Larkmoor) {
		t.Error("written")
	}
}

// TestDiskRefusesSetup: the old file stays, and the new text can be copied.
func TestDiskRefusesSetup(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	if err := os.MkdirAll(filepath.Join(d.Before(), "x"), 0o755); err != nil { // nothing can be renamed there
		t.Fatal(err)
	}
	w.be("ruth")
	v := setupForm(t, w.setupPage().body)
	v.Set("name", "Larkmoor Trail")
	v = setupForm(t, w.setup(v, "look").body)
	got := w.setup(v, "write")
	if got.status != http.StatusInternalServerError || !strings.Contains(string(got.body), "<textarea") || !strings.Contains(string(got.body), "could not be written") {
		t.Errorf("%d\n%.2000s", got.status, got.body)
	}
	if onDisk(t, d) != string(testdata.Larkmoor) || w.l.View().Shop.Name == "Larkmoor Trail" {
		t.Error("half done")
	}
	// Without a file of its own there is the text to copy.
	w = newWorld(t)
	w.be("ruth")
	v = setupForm(t, w.setupPage().body)
	v.Set("name", "Larkmoor Trail")
	got = w.setup(setupForm(t, w.setup(v, "look").body), "write")
	if !strings.Contains(string(got.body), "started without a shop file of its own") || !strings.Contains(string(got.body), "name: Larkmoor Trail") {
		t.Errorf("%d\n%.1000s", got.status, got.body)
	}
}

func TestSetupIsBounded(t *testing.T) {
	w := newWorld(t)
	d := w.withShopFile()
	w.be("ruth")
	v := setupForm(t, w.setupPage().body)
	for i := range 10_000 {
		v.Set(fmt.Sprintf("res.%d.name", 100+i), "Bench")
	}
	if got := w.setup(v, "look"); got.status != http.StatusUnprocessableEntity && got.status != http.StatusBadRequest {
		t.Errorf("10,000 rows: %d", got.status)
	}
	v = setupForm(t, w.setupPage().body)
	v.Set("name", strings.Repeat("x", 2<<20))
	if got := w.setup(v, "look"); got.status != http.StatusBadRequest {
		t.Errorf("2 MB: %d", got.status)
	}
	if onDisk(t, d) != string(testdata.Larkmoor) {
		t.Error("written")
	}
}
