package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"tickover/deploy/deploytest"
	"tickover/queue/shopfile"
	"tickover/services/floor/setup"
)

// tab is a tab of a real Chromium.
type tab struct {
	t   *testing.T
	ctx context.Context
}

const tabBound = 90 * time.Second

func newTab(t *testing.T) *tab {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(deploytest.Chromium(t)), chromedp.NoSandbox,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx); cancel(); stop() })
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("start the browser: %v", err)
	}
	return &tab{t, ctx}
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, tabBound)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		says, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText`))
		b.t.Fatalf("%v\n%.3000s", err, says)
	}
}

func (b *tab) see(css string) { b.t.Helper(); b.do(chromedp.WaitVisible(chromedp.CSS(css))) }

func (b *tab) click(css string) {
	b.t.Helper()
	b.see(css)
	b.do(chromedp.Click(chromedp.CSS(css)))
}

func (b *tab) write(name, s string) {
	b.t.Helper()
	css := fmt.Sprintf(`[name=%q]`, name)
	b.see(css)
	look[bool](b, fmt.Sprintf(`(document.querySelector(%q).value = "") == ""`, css))
	b.do(chromedp.SendKeys(chromedp.CSS(css), s))
}

func look[T any](b *tab, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, tabBound)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// shot keeps a picture in TICKOVER_ARTEFACTS.
func (b *tab) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("TICKOVER_ARTEFACTS")
	if dir == "" {
		dir = b.t.TempDir()
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.MkdirAll(dir, 0o755)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644)
	}
	if err != nil {
		b.t.Errorf("picture %s: %v", name, err)
	}
}

// TestNewShopFromNothing: the program starts without a shop file, a browser
// makes one, and the same process goes on as that shop.
func TestNewShopFromNothing(t *testing.T) {
	b := newTab(t)
	for _, c := range []struct {
		width  int64
		scheme string
	}{{360, "dark"}, {1440, "light"}} {
		t.Run(fmt.Sprint(c.width), func(t *testing.T) {
			b := &tab{t, b.ctx}
			dir := t.TempDir()
			file := filepath.Join(dir, "shop.yaml")
			s := serve(t, file, filepath.Join(dir, "var"))
			t.Cleanup(func() { _ = s.cmd.Process.Kill() }) // when the test failed; else it has ended
			b.do(chromedp.EmulateViewport(c.width, 900), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
				_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: c.scheme}}})
				return err
			}))
			b.do(chromedp.Navigate(s.base + "/board"))
			b.see(`form#setup`) // every page leads there
			if look[string](b, `location.pathname`) != "/setup" {
				t.Errorf("at %s", look[string](b, `location.href`))
			}
			// What is missing is said beside its field, and what was typed stays.
			b.write("name", "Harrow Fell Motos")
			b.click(`.setup > .buttons button`)
			b.see(`#problems`)
			b.shot(fmt.Sprintf("setup-wrong-%d", c.width))
			if got := look[string](b, `document.querySelector("[name=name]").value`); got != "Harrow Fell Motos" {
				t.Errorf("the name is %q", got)
			}
			if wrong := look[string](b, `document.querySelector("[name=latitude]").getAttribute("aria-describedby")`); wrong == "" {
				t.Error("the latitude is not said to be wrong")
			}
			b.write("time_zone", "Europe/London")
			b.write("latitude", "54.5")
			b.write("longitude", "-3.1")
			b.write("tech.0.name", "Maud Ellerby")
			b.write("quiet.sun", "00:00-24:00")
			b.click(`[name=route][value="trade-in"]`)
			look[bool](b, `document.querySelector(".work").closest("details").open = true`)
			b.write("op.flash.1", "31")
			b.click(`#people .add > summary`)
			b.click(`[data-rows=tech] + .add-row`)
			b.write("tech.4.name", "Ivo Brandt")
			b.write("tech.4.skills", "prep, fit")
			b.shot(fmt.Sprintf("setup-form-%d", c.width))
			b.click(`.setup > .buttons button`)
			b.see(`#look`)
			b.shot(fmt.Sprintf("setup-look-%d", c.width))
			look[bool](b, `[...document.querySelectorAll("main details")].every((d) => d.open = true)`)
			if wide := look[int](b, `document.documentElement.scrollWidth`); int64(wide) > c.width {
				t.Errorf("the page is %d wide", wide)
			}
			if small := look[string](b, `[...document.querySelectorAll("main button, main input:not([type=hidden]):not([type=checkbox]), main select, main a.button")].filter((e) => e.getClientRects().length && e.getBoundingClientRect().height < 44).map((e) => e.name || e.textContent).join(", ")`); small != "" {
				t.Errorf("small targets: %s", small)
			}
			shown := look[string](b, `document.querySelector("#look").innerText`)
			for _, part := range []string{"hands-off: 31m", "maud:", "ivo:", "sunrise", "rises at"} {
				if !strings.Contains(shown, part) {
					t.Errorf("the new file shown lacks %q", part)
				}
			}
			if _, err := os.Stat(file); err == nil {
				t.Fatal("written before it was confirmed")
			}
			b.click(`#write`)
			b.see(`#board, .chart-box`)
			if got := look[string](b, `location.pathname + " " + document.body.innerText`); !strings.Contains(got, "/board") || !strings.Contains(got, "Harrow Fell Motos") {
				t.Errorf("after writing at %.300s", got)
			}
			b.shot(fmt.Sprintf("setup-board-%d", c.width))
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			shop, _, err := shopfile.Parse(file, text)
			if err != nil {
				t.Fatal(err)
			}
			if shop.Route("trade-in") != nil || shop.Operation("hours-check") != nil || !shop.Foreman("maud") || shop.Technician("ivo") == nil {
				t.Errorf("the shop is %+v", setup.Of(shop))
			}
			// Later the same page changes the file, and a new bench works at once.
			b.do(chromedp.Navigate(s.base + "/me?back=/setup"))
			b.click(`button[value=maud]`)
			b.see(`form#setup`)
			b.click(`#things .add > summary`)
			b.write("res.7.name", "Bench 4")
			b.write("res.7.tags", "lift")
			b.click(`.setup > .buttons button`)
			b.see(`#write`)
			b.shot(fmt.Sprintf("setup-diff-%d", c.width))
			b.click(`#write`)
			b.see(`.notice.said`)
			if got := look[string](b, `document.querySelector(".notice.said").innerText`); !strings.Contains(got, "in effect: benches and things") || !strings.Contains(got, "shop.yaml.before") {
				t.Errorf("it says %q", got)
			}
			b.do(chromedp.Navigate(s.base + "/bench/b4"))
			b.see(`main h1`)
			if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := s.cmd.Wait(); err != nil {
				t.Errorf("the program ended: %v\n%s", err, s.errs)
			}
		})
	}
}
