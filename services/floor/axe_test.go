package floor_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"tickover/queue"
)

// pagesOf are all pages of a world that has everyPage and people.
func pagesOf(w *world) map[string]string {
	contact := string(w.l.View().Units["LM-7"].Contact)
	return map[string]string{
		"home": "/", "me": "/me", "job": "/job", "bench": "/bench/b3", "benches": "/bench", "unit": "/units/LM-1", "step": "/units/LM-1/steps/flash",
		"units": "/units?q=LM", "check-in": "/check-in", "import": "/import", "cautions": "/cautions", "api": "/api",
		"counter": "/counter?q=LM-7&make=Kestrow&model=Brae+250&year=2026", "counter-none": "/counter?make=Fellrigg&model=Tarn+300&year=2025",
		"person": "/people/" + contact, "ticket": "/units/LM-7/ticket", "nowhere": "/nowhere",
		"board": "/board", "board-tomorrow": "/board?day=2026-02-18", "week": "/board?view=week", "decide": "/decide/LM-2/check-in", "decide-shop": "/decide",
		"offline": "/offline", "setup": "/setup", "whatif": "/owner/whatif", "whatif-study": w.simulated(),
		"machine": "/machines/KB252600417", "trade-in": "/machines/KB252600417/trade-in", "labour": "/labour?span=week", "lengths": "/owner/lengths", "promises": "/owner/promises", "labour-steps": "/labour/steps?span=week&by=technician&id=ines",
		"past": "/units/LM-1?asof=2026-02-17T09:30", "past-board": "/board?asof=2026-02-17T09:30",
		"calibrations": "/calibrations", "campaigns": "/campaigns", "campaign": "/campaigns/" + newerCampaign, "claim": "/campaigns/" + newerCampaign + "/claim",
		"campaign-book": "/campaigns/" + newerCampaign + "/book?machine=KB252600021", "audit": "/audit", "group": "/group?q=LM", "check-in-called": "/check-in?make=Kestrow&model=Brae+250&year=2026&family=kr5",
	}
}

// pageBytesMax is the weight of a page with all that it loads, compressed,
// without photos.
const pageBytesMax = 150 << 10

// TestPages opens every page once in a browser, on a desk and on a phone: none
// is wider than the window, none asks another host for anything, and the checker
// axe-core finds no violation of WCAG 2.2 AA (https://www.w3.org/TR/WCAG22/),
// targets smaller than 24 pixels included (2.5.8). With 200 more units, none
// weighs too much.
func TestPages(t *testing.T) {
	t.Parallel()
	axe := axeCore(t)
	w := newWorld(t)
	sites := grouped(t, w)
	w.withPeople()
	w.everyPage()
	w.calledBack()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}})
	sites.share()
	pages := pagesOf(w)
	names := slices.Sorted(maps.Keys(pages))
	loads := map[string][]string{} // by page: what it loads, as paths
	b := newBrowser(t, w)
	b.be("ruth")
	for _, name := range names {
		b.Open(pages[name])
		b.Until(`document.readyState == "complete"`)
		for _, part := range eval[[]string](b, `performance.getEntriesByType("resource").map((e) => e.name)`) {
			path, ours := strings.CutPrefix(part, w.server.URL)
			if !ours {
				t.Errorf("%s loads %s from another host", name, part)
				continue
			}
			loads[name] = append(loads[name], path)
		}
		b.judge(name, axe)
	}

	for i := range 200 {
		w.arrive(queue.UnitID(fmt.Sprintf("LM-%03d", 100+i)), "reflash")
	}
	w.be("ruth")
	weights := map[string]int{}
	weigh := func(path string) int {
		if weights[path] == 0 {
			r := w.send(http.MethodGet, path, "", nil, "Accept-Encoding", "gzip")
			if r.status >= 500 {
				t.Fatalf("%s: %d", path, r.status)
			}
			weights[path] = len(r.body)
		}
		return weights[path]
	}
	for _, name := range names {
		sum := weigh(pages[name])
		for _, path := range loads[name] {
			sum += weigh(path)
		}
		t.Logf("%-14s %6d bytes in %d parts", name, sum, 1+len(loads[name]))
		if sum > pageBytesMax || len(loads[name]) == 0 {
			t.Errorf("%s weighs %d bytes, at most %d are allowed, with %v", name, sum, pageBytesMax, loads[name])
		}
	}
}

// axeCore is the checker.
func axeCore(t testing.TB) string {
	t.Helper()
	axe, err := os.ReadFile("../../deploy/axe/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("the accessibility checker is missing; run: make deps (%v)", err)
	}
	return string(axe)
}

// looks are how a page is judged: in light and dark, on a desk and on a phone.
// TICKOVER_LOOKS=all adds the two that differ from both in nothing but their
// mixture.
func looks() []look {
	two := []look{{1440, "light"}, {360, "dark"}}
	if os.Getenv("TICKOVER_LOOKS") == "all" {
		return append(two, look{1440, "dark"}, look{360, "light"})
	}
	return two
}

type look struct {
	width  int64 // CSS pixels
	scheme string
}

// judge holds the open page against what all pages have to be, in all looks.
func (b *browser) judge(name, axe string) {
	b.T.Helper()
	b.Do(chromedp.Evaluate[chromedp.Void](`void 0;` + axe))
	for _, look := range looks() {
		b.Size(look.width, look.scheme)
		b.Shot(name+"-"+look.scheme, look.width)
		b.Narrow(name, look.width)
		b.Do(chromedp.Evaluate[chromedp.Void](`window.found = 0; void axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"], preload: false})
			.then((r) => { window.found = JSON.stringify(r.violations.map((v) => ({Rule: v.id, Help: v.help, Nodes: v.nodes.slice(0, 4).map((n) => n.target.join(" ") + ": " + n.failureSummary)}))) }, (e) => { window.found = JSON.stringify([{Rule: "error", Help: String(e), Nodes: []}]) })`))
		b.Until(`typeof window.found == "string"`)
		var found []struct {
			Rule, Help string
			Nodes      []string
		}
		if err := json.Unmarshal([]byte(eval[string](b, `window.found`)), &found); err != nil {
			b.T.Fatal(err)
		}
		for _, v := range found {
			b.T.Errorf("%s, %d pixels, %s: %s (%s)\n\t%s", name, look.width, look.scheme, v.Help, v.Rule, strings.Join(v.Nodes, "\n\t"))
		}
	}
}
