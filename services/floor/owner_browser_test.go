package floor_test

import (
	"context"
	"fmt"
	"strconv"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// TestOwnerInABrowser: the page fits a phone and a desk, in light and dark; a
// number is pressed and opens as many units.
func TestOwnerInABrowser(t *testing.T) {
	t.Parallel()
	w := lived(t)
	b := newBrowser(t, w)
	b.Listen()
	for _, width := range []int64{1440, 360} {
		for _, scheme := range []string{"light", "dark"} {
			b.Size(width, scheme)
			for name, path := range map[string]string{"owner": "/owner?span=4weeks", "owner-year": "/owner?span=12months", "owner-units": "/owner/units?span=week&of=left", "owner-home": "/"} {
				b.Open(path)
				b.See("h1")
				if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
					t.Errorf("%s is %d pixels too wide at %d", name, over, width)
				}
				small := eval[string](b, `[...document.querySelectorAll("main button, main a:not([tabindex='-1']), nav a, input:not([type=hidden]), summary")]
					.filter((e) => e.checkVisibility() && !e.closest("p") && (e.getBoundingClientRect().height < 24 || e.getBoundingClientRect().width < 24)).map((e) => e.outerHTML.slice(0, 120)).join("\n")`)
				if small != "" {
					t.Errorf("%s at %d has small targets:\n%s", name, width, small)
				}
				b.Shot(name+"-"+scheme, width)
			}
		}
		b.Open("/owner")
		for _, css := range []string{`.tiles li:first-child > a`, `.tiles li:nth-child(2) > a`} {
			b.See(css)
			want, err := strconv.Atoi(b.Text(css + " strong"))
			if err != nil {
				t.Fatal(err)
			}
			b.Click(css)
			b.See("#count")
			if got := b.Text("#count"); got != fmt.Sprint(want) {
				t.Errorf("at %d: %s says %d, and opens %s units", width, css, want, got)
			}
			if got := eval[int](b, `document.querySelectorAll(".ticket").length`); got != want {
				t.Errorf("at %d: %d units are listed, want %d", width, got, want)
			}
			b.Click(`.crumb a`)
		}
	}
	b.Size(1440, "light")
	b.Open("/owner?span=4weeks")
	if missing := eval[int](b, `[...document.querySelectorAll(".bar-svg, .flow-chart")].filter((e) => e.getBoundingClientRect().width < 40).length`); missing != 0 {
		t.Errorf("%d drawings have no width", missing)
	}
	// By keyboard alone: the days, and what they are answered with.
	b.Do(chromedp.Focus(chromedp.CSS(`.dates button`)), chromedp.KeyEvent("\r"))
	b.Until(`location.search.startsWith("?from=")`)
	b.Do(chromedp.Focus(chromedp.CSS(`.tiles a`)), chromedp.KeyEvent("\r"))
	b.See("#count")

	// On paper there are no menus.
	b.Open("/owner?span=4weeks")
	b.Do(chromedp.EmulateViewport(760, 1000), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return err
	}))
	for _, css := range []string{".top", ".menu", ".dates", ".switch", ".foot", ".no-print"} {
		if eval[bool](b, fmt.Sprintf(`document.querySelector(%q).checkVisibility()`, css)) {
			t.Errorf("%s would be printed", css)
		}
	}
	b.Shot("owner-print", 760)
}

// TestAPageThatIsGoneSaysSo: a simulation is kept while the program runs. Its
// page, still open after a restart, says that it is gone and asks no more.
func TestAPageThatIsGoneSaysSo(t *testing.T) {
	t.Parallel()
	w := lived(t)
	b := newBrowser(t, w)
	b.Open("/owner/whatif")
	b.See("h1")
	eval[bool](b, `(history.replaceState({}, "", "/owner/whatif/99"), document.body.dataset.here = "/owner/whatif/99", true)`)
	b.Until(`(document.dispatchEvent(new Event("visibilitychange")), document.body.innerText.includes("no such simulation"))`)
	if eval[bool](b, `"livePage" in document.body.dataset`) {
		t.Error("the page goes on asking")
	}
}
