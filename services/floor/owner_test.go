package floor_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/queue/log/logtest"
	"tickover/queue/queuetest"
	"tickover/queue/shopfile"
	"tickover/services/floor/live"
	"tickover/services/simshop"
	"tickover/testdata"
)

// livedUntil is a Tuesday afternoon, eight days and a half after the demo's
// first day.
var livedUntil = time.Date(2026, 2, 24, 15, 20, 30, 0, time.UTC)

// lived is a shop that has worked until then.
func lived(t testing.TB) *world {
	t.Helper()
	seed := queuetest.Seed(t, 7)
	past.once.Do(func() { past.log, past.site, past.err = live8Days(seed) })
	if past.err != nil {
		t.Fatal(past.err)
	}
	w := &world{t: t, log: past.log.Reopen(), clock: &clock{t: livedUntil}}
	w.open(past.site)
	w.serve(live.Bounds{})
	return w
}

// past is lived once for all tests.
var past struct {
	once sync.Once
	log  *logtest.Mem
	site queue.SiteID
	err  error
}

func live8Days(seed uint64) (*logtest.Mem, queue.SiteID, error) {
	shop, hash, err := shopfile.Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		return nil, "", err
	}
	mem := logtest.NewMem()
	sim, err := simshop.New(context.Background(), simshop.Options{Shop: shop, ShopFile: hash, Seed: seed, Schedules: 1, Log: mem})
	if err != nil {
		return nil, "", err
	}
	return mem, shop.Site, sim.FastForward(context.Background(), livedUntil)
}

// unitLinks are a page's links to units behind numbers.
func (d document) unitLinks() []*html.Node {
	return d.all(func(n *html.Node) bool {
		return n.Data == "a" && strings.HasPrefix(attr(n, "href"), "/owner/units?")
	})
}

func (d document) count() int {
	d.t.Helper()
	found := d.all(func(n *html.Node) bool { return attr(n, "id") == "count" })
	if len(found) != 1 {
		d.t.Fatalf("no count on %s: %s", d.r.path, d.text())
	}
	n, err := strconv.Atoi(text(found[0]))
	if err != nil {
		d.t.Fatal(err)
	}
	return n
}

// counted is what a link says when it is a count; a bar says its day first.
func counted(a *html.Node) (int, bool) {
	pattern := countFirst
	if attr(a, "tabindex") != "" {
		pattern = countLast
	}
	m := pattern.FindStringSubmatch(text(a))
	if m == nil || strings.HasSuffix(text(a), " min") { // a length of time
		return 0, false
	}
	n, err := strconv.Atoi(m[1])
	return n, err == nil
}

var (
	countFirst = regexp.MustCompile(`^(\d+)(?: [^%]|$)`)
	countLast  = regexp.MustCompile(` (\d+)$`)
)

// TestEveryNumberOpensItsUnits: each link of the owner's page opens a list, and
// a count is as long as its list.
func TestEveryNumberOpensItsUnits(t *testing.T) {
	w := lived(t)
	for _, span := range []string{"today", "week", "4weeks", "12months"} {
		page := w.page("/owner?span=" + span)
		if page.r.status != http.StatusOK {
			t.Fatalf("%s: %d %s", span, page.r.status, page.text())
		}
		links := page.unitLinks()
		if len(links) < 20 {
			t.Fatalf("%s: only %d links", span, len(links))
		}
		checked := 0
		for _, a := range links {
			list := w.page(attr(a, "href"))
			if list.r.status != http.StatusOK {
				t.Fatalf("%s: %d %s", attr(a, "href"), list.r.status, list.text())
			}
			n := list.count()
			if rows := len(list.all(class("ticket"))); rows != n {
				t.Errorf("%s says %d units and lists %d", attr(a, "href"), n, rows)
			}
			said := text(a)
			if want, ok := counted(a); ok {
				if want != n {
					t.Errorf("%s: the link says %q, the list has %d", attr(a, "href"), said, n)
				}
				checked++
			} else if n == 0 && !strings.Contains(attr(a, "href"), "of=kept") {
				t.Errorf("%q (%s) opens an empty list", said, attr(a, "href"))
			}
		}
		if checked < 5 {
			t.Errorf("%s: only %d counts compared", span, checked)
		}
	}
}

// TestOwnerSaysWhatTheStateSays: the week's figures, counted from the units.
func TestOwnerSaysWhatTheStateSays(t *testing.T) {
	w := lived(t)
	w.arrive("LM-OPEN", "reflash") // somebody is always there
	monday := time.Date(2026, 2, 23, 0, 0, 0, 0, time.UTC)
	arrived, left, open := 0, 0, 0
	for _, u := range w.l.View().Units {
		if !u.Arrived.Before(monday) {
			arrived++
		}
		if u.Status == queue.InShop {
			open++
		} else if !u.Left.Before(monday) {
			left++
		}
	}
	if arrived == 0 || left == 0 || open == 0 {
		t.Fatalf("a week without life: %d arrived, %d left, %d open", arrived, left, open)
	}
	page := w.page("/owner")
	tiles := page.all(class("tiles"))
	got := text(tiles[0])
	for _, want := range []string{fmt.Sprintf("%d left", left), fmt.Sprintf("%d arrived", arrived), fmt.Sprintf("%d in the shop now", open)} {
		if !strings.Contains(got, want) {
			t.Errorf("the tiles lack %q: %s", want, got)
		}
	}
	for _, part := range []string{"What limits the shop", "At this moment", "hands-off", "What units waited for", "Little"} {
		if !strings.Contains(page.text(), part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	for _, tag := range []string{"en", "de", "en-US"} {
		for _, path := range []string{"/owner?span=4weeks", "/owner/units?span=4weeks&of=using&resource=i1&state=locked"} {
			r := w.send(http.MethodGet, path, "", nil, "Accept-Language", tag)
			if r.status != http.StatusOK || strings.Contains(string(r.body), "%!") || strings.Contains(string(r.body), "%v") {
				t.Errorf("%s in %s: %d, or a message without its values", path, tag, r.status)
			}
		}
	}
	// What happens now is in the figures at once.
	w.do("ruth", &queue.ReceiveUnit{Unit: "LM-NEW", Arrival: queue.UnitArrived{
		Machine:   queue.Machine{Frame: "KB25-26-00999", Make: "Kestrow", Model: "Brae 250", Year: 2026, Family: "kr5", Fitment: "standard"},
		Ownership: queue.CustomerUnit, Route: "accessories", Promise: w.clock.now().Add(20 * time.Hour), Weight: 5,
	}})
	if got, want := text(w.page("/owner").all(class("tiles"))[0]), fmt.Sprintf("%d arrived", arrived+1); !strings.Contains(got, want) {
		t.Errorf("after one more arrival the tiles lack %q: %s", want, got)
	}
}

// table asks for a CSV and parses it back.
func (w *world) table(path string) [][]string {
	w.t.Helper()
	r := w.get(path)
	if r.status != http.StatusOK || !strings.HasPrefix(r.header.Get("Content-Type"), "text/csv") || !strings.Contains(r.header.Get("Content-Disposition"), "attachment") {
		w.t.Fatalf("%s: %d %v %.300s", path, r.status, r.header, r.body)
	}
	if n := strings.Count(string(r.body), "\n"); n != strings.Count(string(r.body), "\r\n") || n == 0 {
		w.t.Errorf("%s: lines do not end with CRLF (RFC 4180)", path)
	}
	rows, err := csv.NewReader(strings.NewReader(string(r.body))).ReadAll()
	if err != nil {
		w.t.Fatalf("%s: %v", path, err)
	}
	return rows
}

func column(t *testing.T, rows [][]string, name string) []string {
	t.Helper()
	i := slices.Index(rows[0], name)
	if i < 0 {
		t.Fatalf("no column %q in %q", name, rows[0])
	}
	var out []string
	for _, row := range rows[1:] {
		out = append(out, row[i])
	}
	return out
}

func sum(t *testing.T, list []string) (total float64) {
	t.Helper()
	for _, s := range list {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		total += v
	}
	return total
}

// TestTablesParseBack: each table is RFC 4180 and adds up to the page.
func TestTablesParseBack(t *testing.T) {
	w := lived(t)
	const span = "?span=4weeks"
	left := w.page("/owner/units" + span + "&of=left").count()
	for _, name := range []string{"days", "weeks"} {
		if got := sum(t, column(t, w.table("/owner/csv/"+name+span), "Left")); int(got) != left {
			t.Errorf("%s: %g left, the page says %d", name, got, left)
		}
	}
	units := w.table("/owner/csv/units" + span + "&of=left")
	if len(units)-1 != left {
		t.Errorf("%d units in the table, the page says %d", len(units)-1, left)
	}
	loads := w.table("/owner/csv/resources" + span)
	names := column(t, loads, "Name")
	for _, want := range []string{"Interface 1", "Run-up pad behind the barn", "Ruth Hedgelow"} {
		if !slices.Contains(names, want) {
			t.Errorf("no line for %s in %q", want, names)
		}
	}
	parts := 0.0
	for _, name := range []string{"Hands-on (h)", "Hands-off (h)", "Locked, nothing happens (h)", "Down or absent (h)", "Free (h)"} {
		parts += sum(t, column(t, loads, name))
	}
	if open := sum(t, column(t, loads, "Open (h)")); parts < open-0.1 || parts > open+0.1 || open == 0 {
		t.Errorf("the parts add up to %.3f h of %.3f", parts, open)
	}
	if len(w.table("/owner/csv/waits"+span)) < 4 || len(w.table("/owner/csv/bottleneck"+span)) < 3 {
		t.Error("waits or bottleneck are all but empty")
	}
	if r := w.get("/owner/csv/nonsense"); r.status != http.StatusNotFound {
		t.Errorf("an unknown table: %d", r.status)
	}
	if r := w.get("/owner/csv/days?from=x&to=y"); r.status != http.StatusNotFound {
		t.Errorf("a table of impossible days: %d", r.status)
	}
}

// TestFormulasAreText: what a spreadsheet would run is kept as text, whatever a
// customer's machine is called.
func TestFormulasAreText(t *testing.T) {
	w := newWorld(t)
	for i, model := range []string{"=1+1", "+cmd", "-2", "@sum", "\ttab", "plain, with \"quotes\""} {
		w.do("ruth", &queue.ReceiveUnit{Unit: queue.UnitID(fmt.Sprintf("LM-%d", i)), Arrival: queue.UnitArrived{
			Machine:   queue.Machine{Frame: fmt.Sprintf("KB25-26-0%d", i), Make: "Kestrow", Model: model, Year: 2026, Family: "kr5", Fitment: "standard"},
			Ownership: queue.CustomerUnit, Route: "accessories", Promise: morning.Add(30 * time.Hour), Weight: 5,
		}})
	}
	got := column(t, w.table("/owner/csv/units?span=today&of=arrived"), "Model")
	if want := []string{"'=1+1", "'+cmd", "'-2", "'@sum", "'\ttab", "plain, with \"quotes\""}; !slices.Equal(got, want) {
		t.Errorf("models %q, want %q", got, want)
	}
}

// TestDaysThatMakeNoSense are said, with what was typed kept, and the week is
// shown.
func TestDaysThatMakeNoSense(t *testing.T) {
	w := newWorld(t)
	for give, want := range map[string]string{
		"from=2026-02-30&to=2026-03-01": "Give a first and a last day",
		"from=&to=2026-02-17":           "Give a first and a last day",
		"from=2026-02-17&to=2026-02-10": "lies before the first one",
		"from=2031-02-17&to=2031-02-18": "lies in the future",
		"from=1999-01-01&to=2026-02-17": "At most 13 months",
	} {
		page := w.page("/owner?" + give)
		v, _ := url.ParseQuery(give)
		if page.r.status != http.StatusOK || !strings.Contains(page.text(), want) {
			t.Errorf("%s: %d, lacks %q: %.400s", give, page.r.status, want, page.text())
		}
		typed := page.all(func(n *html.Node) bool { return attr(n, "name") == "from" })
		if len(typed) != 1 || attr(typed[0], "value") != v.Get("from") {
			t.Errorf("%s: what was typed is gone", give)
		}
	}
	for _, before := range []string{"from=2025-05-01&to=2025-05-02", "from=0001-01-01&to=0001-01-01"} {
		if page := w.page("/owner?" + before); !strings.Contains(page.text(), "No unit was in the shop in this time") {
			t.Errorf("%s, before there was a shop: %.300s", before, page.text())
		}
	}
	for _, bad := range []string{"", "of=nonsense", "of=waiting&cause=boredom", "of=left&from=x&to=y"} {
		if r := w.get("/owner/units?" + bad); r.status != http.StatusNotFound {
			t.Errorf("units of %q: %d", bad, r.status)
		}
	}
	r := w.get("/owner/units?of=using&resource=" + url.QueryEscape(`<script>alert(1)</script>`))
	if r.status != http.StatusOK || strings.Contains(string(r.body), "<script>alert") {
		t.Errorf("a hostile name: %d", r.status)
	}
}
