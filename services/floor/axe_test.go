package floor_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
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
		"campaign-book": "/campaigns/" + newerCampaign + "/book?machine=KB252600021", "audit": "/audit", "check-in-called": "/check-in?make=Kestrow&model=Brae+250&year=2026&family=kr5",
	}
}

// TestPagesAreAccessible: the checker axe-core finds no violation of WCAG 2.2
// AA (https://www.w3.org/TR/WCAG22/) on any page, in light and dark, on a desk
// and on a phone.
func TestPagesAreAccessible(t *testing.T) {
	t.Parallel()
	axe := axeCore(t)
	w := newWorld(t)
	w.withPeople()
	w.everyPage()
	w.calledBack()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}})
	pages := pagesOf(w)
	b := newBrowser(t, w)
	b.open("/me")
	b.click(`button[value="ruth"]`)
	b.see(`.who .initial`)
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		b.open(pages[name])
		b.accessible(name, axe)
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

// accessible lets the checker judge the open page in all looks.
func (b *browser) accessible(name, axe string) {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](`void 0;` + axe))
	// In the dark nothing is different but colours.
	const all, colours = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]`, `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	for _, look := range []struct {
		width  int64
		scheme string
		rules  string
	}{{1440, "light", all}, {1440, "dark", colours}, {360, "light", all}, {360, "dark", colours}} {
		b.size(look.width, look.scheme)
		b.do(chromedp.Evaluate[chromedp.Void](`window.found = 0; void axe.run(document, {runOnly: ` + look.rules + `, resultTypes: ["violations"]})
			.then((r) => { window.found = JSON.stringify(r.violations.map((v) => ({Rule: v.id, Help: v.help, Nodes: v.nodes.slice(0, 4).map((n) => n.target.join(" ") + ": " + n.failureSummary)}))) }, (e) => { window.found = JSON.stringify([{Rule: "error", Help: String(e), Nodes: []}]) })`))
		b.until(`typeof window.found == "string"`)
		var found []struct {
			Rule, Help string
			Nodes      []string
		}
		if err := json.Unmarshal([]byte(eval[string](b, `window.found`)), &found); err != nil {
			b.t.Fatal(err)
		}
		for _, v := range found {
			b.t.Errorf("%s, %d pixels, %s: %s (%s)\n\t%s", name, look.width, look.scheme, v.Help, v.Rule, strings.Join(v.Nodes, "\n\t"))
		}
	}
}

// pageBytesMax is the weight of a page with all that it loads, compressed,
// without photos.
const pageBytesMax = 150 << 10

// TestPagesAreLight: no page weighs more than that with 200 open units, and
// none asks another host for anything.
func TestPagesAreLight(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.withPeople()
	w.everyPage()
	w.calledBack()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}})
	for i := range 200 {
		w.arrive(queue.UnitID(fmt.Sprintf("LM-%03d", 100+i)), "reflash")
	}
	b := newBrowser(t, w)
	b.size(1440, "light")
	// What the service worker hands on is no longer compressed, and what the
	// browser has kept weighs nothing.
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.SetBypassServiceWorker, network.SetBypassServiceWorkerParams{Bypass: true})
		if err == nil {
			_, err = cdp.Call(ctx, t, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
		}
		return err
	}))
	pages := pagesOf(w)
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		b.open(pages[name])
		b.until(`document.readyState == "complete"`)
		loaded := eval[string](b, `JSON.stringify([...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].map((e) => ({URL: e.name, Bytes: e.encodedBodySize})))`)
		var parts []struct {
			URL   string
			Bytes int
		}
		if err := json.Unmarshal([]byte(loaded), &parts); err != nil {
			t.Fatal(err)
		}
		sum := 0
		for _, p := range parts {
			sum += p.Bytes
			if !strings.HasPrefix(p.URL, w.server.URL+"/") {
				t.Errorf("%s loads %s from another host", name, p.URL)
			}
		}
		t.Logf("%-14s %6d bytes in %d parts", name, sum, len(parts))
		if sum > pageBytesMax || sum == 0 {
			t.Errorf("%s weighs %d bytes, at most %d are allowed: %v", name, sum, pageBytesMax, parts)
		}
	}
}
