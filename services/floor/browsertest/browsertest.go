// Package browsertest drives a real Chromium in tests: one browser for all
// tests of a package, a tab of its own with its own cookies, caches and service
// workers for each.
package browsertest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"tickover/deploy/deploytest"
)

// Tab is a tab of a real Chromium.
type Tab struct {
	T    *testing.T
	Base string // address of the server, without a path
	ctx  context.Context
	// shots is where pictures are kept: TICKOVER_ARTEFACTS; "": none are taken.
	shots string
}

// Bound is how long a test waits for anything in the browser.
const Bound = 60 * time.Second

// theBrowser is the one Chromium of all tests, started by the first and ended
// by [Closing].
var theBrowser struct {
	sync.Mutex
	ctx  context.Context
	stop []func()
}

func sharedBrowser(t *testing.T) context.Context {
	t.Helper()
	theBrowser.Lock()
	defer theBrowser.Unlock()
	if theBrowser.ctx != nil {
		return theBrowser.ctx
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(deploytest.Chromium(t)), chromedp.NoSandbox,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-quic", true),
		chromedp.Flag("lang", "en-US"), chromedp.Flag("accept-lang", "en-US")) // whatever the machine speaks
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, cancel := chromedp.NewContext(alloc)
	// A time limit on its first call would end the browser with it.
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		cancel()
		stop()
		t.Fatalf("start the browser: %v", err)
	}
	theBrowser.ctx, theBrowser.stop = ctx, []func(){cancel, stop}
	return ctx
}

// Closing runs the tests of a package and closes the browser after the last.
type Closing struct{ M interface{ Run() int } }

// Run is the exit code: not 0 if the browser does not end.
func (c Closing) Run() int {
	code := c.M.Run()
	if err := end(); err != nil {
		fmt.Fprintln(os.Stderr, "close the browser:", err)
		return max(code, 1)
	}
	return code
}

// end closes the shared Chromium, if a test has started one.
func end() error {
	if theBrowser.ctx == nil {
		return nil
	}
	end, done := context.WithTimeout(theBrowser.ctx, Bound)
	defer done()
	err := chromedp.Cancel(end)
	for _, stop := range theBrowser.stop {
		stop()
	}
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// New opens a tab of a server's pages, which closes with the test.
func New(t *testing.T, base string) *Tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(sharedBrowser(t), chromedp.WithNewBrowserContext())
	b := &Tab{T: t, Base: base, ctx: ctx, shots: os.Getenv("TICKOVER_ARTEFACTS")}
	if b.shots != "" {
		if err := os.MkdirAll(b.shots, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		end, done := context.WithTimeout(ctx, Bound)
		defer done()
		if err := chromedp.Cancel(end); err != nil && !errors.Is(err, context.Canceled) {
			t.Errorf("close the tab: %v", err)
		}
		cancel()
	})
	b.begin()
	return b
}

// begin opens the tab. A time limit on its first call would end the tab with it.
func (b *Tab) begin() {
	b.T.Helper()
	// Each tab acts as the one in front: several tests have theirs open at once.
	focused := chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
		return err
	})
	if err := chromedp.Do(b.ctx, chromedp.Navigate("about:blank"), focused); err != nil {
		b.T.Fatalf("open a tab: %v", err)
	}
}

// Context is the driver's, of this tab.
func (b *Tab) Context() context.Context { return b.ctx }

// Another opens another tab of the same browser, with the same cookies.
func (b *Tab) Another() *Tab {
	b.T.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	b.T.Cleanup(cancel)
	other := &Tab{b.T, b.Base, ctx, b.shots}
	other.begin()
	return other
}

// Do takes steps of the driver.
func (b *Tab) Do(steps ...chromedp.Action[chromedp.Void]) {
	b.T.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, Bound)
	defer cancel()
	err := again(wentAway, func() error { return chromedp.Do(ctx, steps...) })
	if err != nil {
		b.Shot("failed-"+strings.ReplaceAll(b.T.Name(), "/", "-"), 0)
		where, _ := chromedp.Run(b.ctx, chromedp.Location())
		says, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string](`document.body?.innerText ?? ""`))
		b.T.Fatalf("at %s: %v\n%.3000s", where, err, says)
	}
}

// What the browser says of a step whose page was replaced: before it was
// taken, and perhaps after.
var (
	untaken  = []string{"Could not find node", "Cannot find context", "No node with given id"}
	wentAway = append([]string{"context was destroyed", "Inspected target navigated"}, untaken...)
)

// again repeats a step that fails in one of these ways.
func again(ways []string, step func() error) (err error) {
	for range 20 {
		err = step()
		if err == nil || !slices.ContainsFunc(ways, func(s string) bool { return strings.Contains(err.Error(), s) }) {
			return err
		}
		time.Sleep(50 * time.Millisecond) // the page that comes
	}
	return err
}

// Open opens a page of the server.
func (b *Tab) Open(path string) {
	b.T.Helper()
	b.Do(chromedp.Navigate(b.Base + path))
}

// Click clicks an element with the mouse, out from under what may lie over the
// rims of the window.
func (b *Tab) Click(css string) {
	b.T.Helper()
	// A page that a live event draws anew may move under the mouse: a click that
	// went beside it is made again, as a person would.
	for range 5 {
		b.See(css)
		eval[bool](b, wentAway, fmt.Sprintf(`(document.querySelector(%q)?.scrollIntoView({ block: "center", inline: "nearest" }), window.clickMissed = false,
			document.addEventListener("click", (event) => { window.clickMissed = !event.target.closest(%q) }, { capture: true, once: true }), true)`, css, css))
		b.Do(chromedp.Click(chromedp.CSS(css)))
		if !eval[bool](b, wentAway, `window.clickMissed === true`) { // a page that it led to knows nothing of it
			return
		}
	}
	b.T.Fatalf("every click on %s goes beside it", css)
}

// See waits until an element is to be seen.
func (b *Tab) See(css string) {
	b.T.Helper()
	b.Do(chromedp.WaitVisible(chromedp.CSS(css)))
}

// Write types into a field, in the place of what is there.
func (b *Tab) Write(css, s string) {
	b.T.Helper()
	b.See(css)
	eval[bool](b, wentAway, fmt.Sprintf(`(document.querySelector(%q).value = "") == ""`, css))
	b.Do(chromedp.SendKeys(chromedp.CSS(css), s))
}

// Text is what an element says.
func (b *Tab) Text(css string) string {
	b.T.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, Bound)
	defer cancel()
	var s string
	err := again(wentAway, func() (err error) {
		s, err = chromedp.Run(ctx, chromedp.Text(chromedp.CSS(css)))
		return err
	})
	if err != nil {
		b.T.Fatalf("text of %s: %v", css, err)
	}
	return s
}

// Until waits for a JavaScript expression to be true.
func (b *Tab) Until(expression string) {
	b.T.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, Bound)
	defer cancel()
	err := again(wentAway, func() error {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool]("Boolean("+expression+")", chromedp.WithPollingTimeout(Bound)))
		return err
	})
	if err != nil {
		b.Shot("failed-"+strings.ReplaceAll(b.T.Name(), "/", "-"), 0)
		b.T.Fatalf("waited for %s: %v", expression, err)
	}
}

// Eval is the value of a JavaScript expression.
func Eval[T any](b *Tab, expression string) T {
	b.T.Helper()
	return eval[T](b, untaken, expression)
}

// eval repeats an expression whose page went away in one of these ways: one that
// may be worked out twice in all of them.
func eval[T any](b *Tab, ways []string, expression string) T {
	b.T.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, Bound)
	defer cancel()
	var v T
	err := again(ways, func() (err error) {
		v, err = chromedp.Run(ctx, chromedp.Evaluate[T](expression))
		return err
	})
	if err != nil {
		b.T.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Size sets the tab's width in CSS pixels, and its colours.
func (b *Tab) Size(width int64, scheme string) {
	b.T.Helper()
	b.Do(chromedp.EmulateViewport(width, 900), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
		})
		return err
	}))
}

// Narrow has the test fail if the open page is wider than the window.
func (b *Tab) Narrow(name string, width int64) {
	b.T.Helper()
	if over := Eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		b.T.Errorf("%s is %d pixels too wide at %d", name, over, width)
	}
}

// Shot keeps a picture of the whole page, if pictures are kept.
func (b *Tab) Shot(name string, width int64) {
	b.T.Helper()
	b.picture(name, width, chromedp.FullScreenshot(100))
}

// Window keeps a picture of what is in the window, dialogs where they are.
func (b *Tab) Window(name string, width int64) {
	b.T.Helper()
	b.picture(name, width, chromedp.CaptureScreenshot())
}

func (b *Tab) picture(name string, width int64, take chromedp.Action[[]byte]) {
	b.T.Helper()
	if b.shots == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, Bound)
	defer cancel()
	png, err := chromedp.Run(ctx, take)
	if err != nil {
		b.T.Logf("no picture of %s: %v", name, err)
		return
	}
	if err := os.WriteFile(filepath.Join(b.shots, fmt.Sprintf("%s-%d.png", name, width)), png, 0o644); err != nil {
		b.T.Error(err)
	}
}

// Listen has the test fail, when it ends, for what the console complains of
// from now on and for each other host that the pages ask.
func (b *Tab) Listen() {
	b.T.Helper()
	ctx, cancel := context.WithCancel(b.ctx)
	console := chromedp.Console(ctx)
	requests := chromedp.Events(ctx, network.RequestWillBeSent)
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		return err
	}))
	var ended sync.WaitGroup
	ended.Go(func() {
		for m, err := range console {
			if err != nil {
				return
			}
			// A refusal is a 4xx on purpose.
			if (m.Type == chromedp.ConsoleError || m.IsException()) && m.Source != "network" {
				b.T.Errorf("the console says: %s", m)
			}
		}
	})
	ended.Go(func() {
		for e, err := range requests {
			if err != nil {
				return
			}
			// data: is the browser's own pictures of its controls, blob: a photo here.
			if asked := e.Request.URL; !strings.HasPrefix(asked, b.Base+"/") && !strings.HasPrefix(asked, "data:") && !strings.HasPrefix(asked, "blob:") {
				b.T.Errorf("the pages asked for %s", asked)
			}
		}
	})
	b.T.Cleanup(func() { cancel(); ended.Wait() })
}
