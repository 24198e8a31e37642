package floor_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
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
	"tickover/queue"
)

// browser is a tab of a real Chromium.
type browser struct {
	t   *testing.T
	ctx context.Context
	w   *world
	// shots is where pictures are kept: TICKOVER_ARTEFACTS; "": none are taken.
	shots string
}

// bound is how long a test waits for anything in the browser.
const bound = 60 * time.Second

// theBrowser is the one Chromium of all tests, started by the first and closed
// by TestMain. Each test has a context of its own in it: cookies, caches,
// service workers and stores of one are none of another's.
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

// closeBrowser ends the shared Chromium, if a test has started one.
func closeBrowser() error {
	if theBrowser.ctx == nil {
		return nil
	}
	end, done := context.WithTimeout(theBrowser.ctx, bound)
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

func newBrowser(t *testing.T, w *world) *browser {
	t.Helper()
	ctx, cancel := chromedp.NewContext(sharedBrowser(t), chromedp.WithNewBrowserContext())
	b := &browser{t: t, ctx: ctx, w: w, shots: os.Getenv("TICKOVER_ARTEFACTS")}
	if b.shots != "" {
		if err := os.MkdirAll(b.shots, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		end, done := context.WithTimeout(ctx, bound)
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
func (b *browser) begin() {
	b.t.Helper()
	// Each tab acts as the one in front: several tests have theirs open at once.
	focused := chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true})
		return err
	})
	if err := chromedp.Do(b.ctx, chromedp.Navigate("about:blank"), focused); err != nil {
		b.t.Fatalf("open a tab: %v", err)
	}
}

// tab opens another tab of the same browser.
func (b *browser) tab() *browser {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	b.t.Cleanup(cancel)
	other := &browser{b.t, ctx, b.w, b.shots}
	other.begin()
	return other
}

func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, bound)
	defer cancel()
	err := passing(func() error { return chromedp.Do(ctx, steps...) })
	if err != nil {
		b.shot("failed-"+strings.ReplaceAll(b.t.Name(), "/", "-"), 0)
		where, _ := chromedp.Run(b.ctx, chromedp.Location())
		says, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string](`document.body?.innerText ?? ""`))
		b.t.Fatalf("at %s: %v\n%.3000s", where, err, says)
	}
}

// wentAway is what the browser says of a step whose page was replaced.
var wentAway = []string{"Could not find node", "Cannot find context", "context was destroyed", "Inspected target navigated", "No node with given id"}

// passing tries again when the page went away under a step: a click that
// failed so was not made.
func passing(step func() error) (err error) {
	for range 20 {
		err = step()
		if err == nil || !slices.ContainsFunc(wentAway, func(s string) bool { return strings.Contains(err.Error(), s) }) {
			return err
		}
	}
	return err
}

func (b *browser) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.w.server.URL + path))
}

// click clicks an element with the mouse, out from under what may lie over the
// rims of the window.
func (b *browser) click(css string) {
	b.t.Helper()
	// A page that a live event draws anew may move under the mouse: a click that
	// went beside it is made again, as a person would.
	for range 5 {
		b.see(css)
		eval[bool](b, fmt.Sprintf(`(document.querySelector(%q)?.scrollIntoView({ block: "center", inline: "nearest" }), window.clickMissed = false,
			document.addEventListener("click", (event) => { window.clickMissed = !event.target.closest(%q) }, { capture: true, once: true }), true)`, css, css))
		b.do(chromedp.Click(chromedp.CSS(css)))
		if !eval[bool](b, `window.clickMissed === true`) {
			return
		}
	}
	b.t.Fatalf("every click on %s goes beside it", css)
}

func (b *browser) see(css string) {
	b.t.Helper()
	b.do(chromedp.WaitVisible(chromedp.CSS(css)))
}

func (b *browser) write(css, s string) {
	b.t.Helper()
	b.see(css)
	eval[bool](b, fmt.Sprintf(`(document.querySelector(%q).value = "") == ""`, css))
	b.do(chromedp.SendKeys(chromedp.CSS(css), s))
}

func (b *browser) text(css string) string {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, bound)
	defer cancel()
	var s string
	err := passing(func() (err error) {
		s, err = chromedp.Run(ctx, chromedp.Text(chromedp.CSS(css)))
		return err
	})
	if err != nil {
		b.t.Fatalf("text of %s: %v", css, err)
	}
	return s
}

// until waits for a JavaScript expression to be true.
func (b *browser) until(expression string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, bound)
	defer cancel()
	err := passing(func() error {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool]("Boolean("+expression+")", chromedp.WithPollingTimeout(bound)))
		return err
	})
	if err != nil {
		b.shot("failed-"+strings.ReplaceAll(b.t.Name(), "/", "-"), 0)
		b.t.Fatalf("waited for %s: %v", expression, err)
	}
}

func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, bound)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// size is the tab's width in CSS pixels, and its colours.
func (b *browser) size(width int64, scheme string) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, 900), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
		})
		return err
	}))
}

// narrow: the open page is no wider than the window.
func (b *browser) narrow(name string, width int64) {
	b.t.Helper()
	if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		b.t.Errorf("%s is %d pixels too wide at %d", name, over, width)
	}
}

// shot keeps a picture of the whole page, if pictures are kept.
func (b *browser) shot(name string, width int64) {
	b.t.Helper()
	b.picture(name, width, chromedp.FullScreenshot(100))
}

// window keeps a picture of what is in the window, dialogs where they are.
func (b *browser) window(name string, width int64) {
	b.t.Helper()
	b.picture(name, width, chromedp.CaptureScreenshot())
}

func (b *browser) picture(name string, width int64, take chromedp.Action[[]byte]) {
	b.t.Helper()
	if b.shots == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, bound)
	defer cancel()
	png, err := chromedp.Run(ctx, take)
	if err != nil {
		b.t.Logf("no picture of %s: %v", name, err)
		return
	}
	if err := os.WriteFile(filepath.Join(b.shots, fmt.Sprintf("%s-%d.png", name, width)), png, 0o644); err != nil {
		b.t.Error(err)
	}
}

// complaints gathers what the console says and which hosts are asked, until
// the test ends.
type complaints struct {
	mu    sync.Mutex
	list  []string
	hosts map[string]bool
	ended sync.WaitGroup
}

func (b *browser) listenFor() *complaints {
	c := &complaints{hosts: map[string]bool{}}
	ctx, cancel := context.WithCancel(b.ctx)
	console := chromedp.Console(ctx)
	requests := chromedp.Events(ctx, network.RequestWillBeSent)
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		return err
	}))
	c.ended.Add(2)
	go func() {
		defer c.ended.Done()
		for m, err := range console {
			if err != nil {
				return
			}
			// A refusal is a 4xx on purpose.
			if (m.Type == chromedp.ConsoleError || m.IsException()) && m.Source != "network" {
				c.mu.Lock()
				c.list = append(c.list, m.String())
				c.mu.Unlock()
			}
		}
	}()
	go func() {
		defer c.ended.Done()
		for e, err := range requests {
			if err != nil {
				return
			}
			if strings.HasPrefix(e.Request.URL, "data:") {
				continue // the browser's own pictures of its controls
			}
			c.mu.Lock()
			host := strings.SplitN(strings.TrimPrefix(e.Request.URL, "http://"), "/", 2)[0]
			c.hosts[host] = true
			c.mu.Unlock()
		}
	}()
	b.t.Cleanup(func() { cancel(); c.ended.Wait() })
	return c
}

// TestBrowserDoesTheJob does the main job once by clicking: check a unit in,
// try to hand it over too early, follow it through flash, relearn and test
// ride, hand it over.
func TestBrowserDoesTheJob(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	b := newBrowser(t, w)
	heard := b.listenFor()
	b.size(1440, "light")
	b.open("/")
	b.click(`a.who`)
	b.click(`button[value="ruth"]`)
	b.see(`.who .initial`)
	b.click(`.menu a[href="/counter"]`)
	b.click(`main a[href="/check-in"]`)
	b.see(`form.check-in`)
	for field, v := range map[string]string{"make": "Kestrow", "model": "Brae 250", "year": "2026", "family": "kr5", "note": "stalls when cold"} {
		b.write("#"+field, v)
	}
	b.write("#frame", "kb25-26-00417")
	b.until(`document.querySelector("#frame-says").innerText.includes("Older or foreign frame number")`)
	b.click(`input[name="ownership"][value="customer"]`)
	b.click(`input[name="route"][value="reflash"]`)
	b.shot("check-in", 1440)
	b.click(`form.check-in .buttons > button.primary`)
	b.see(`#hand-over`)
	unit := w.l.View().OpenUnits()[0].ID

	b.click(`#hand-over`)
	b.see(`.refusal`)
	refused := b.text(`.refusal`)
	for _, part := range []string{"I11", "is not ready: open check-in, flash", "Do these steps first"} {
		if !strings.Contains(refused, part) {
			t.Errorf("the refusal lacks %q: %s", part, refused)
		}
	}
	b.shot("refused", 1440)
	b.open("/units/" + string(unit))

	// A second tab where somebody types, to see that news doesn't disturb him.
	other := b.tab()
	other.size(1440, "light")
	other.open("/units/" + string(unit))
	other.write(`#decide input[name="reason"]`, "half a sen")

	for _, s := range visit {
		row := "#step-" + string(s.step)
		b.click(row + ` details.more > summary`)
		b.click(row + ` form[action="/do/start"] > button`)
		b.see(row + `.running .timer`)
		for k := 1; k < s.stretches; k++ {
			w.clock.add(s.took)
			b.click(row + ` form[action="/do/advance"] > button`)
			b.until(fmt.Sprintf(`document.querySelectorAll("%s .stretches li.over").length == %d`, row, k))
		}
		if s.step == "flash" {
			b.shot("flash-running", 1440)
		}
		w.clock.add(s.took)
		for key, v := range s.evidence {
			if v == "yes" {
				b.click(row + ` input[name="ev.` + key + `"][value="yes"]`)
				continue
			}
			b.write(row+` form[action="/do/done"] input[name="ev.`+key+`"]`, v)
		}
		b.click(row + ` form[action="/do/done"] > button`)
		b.see(row + `.done`)
		// The other tab follows without being loaded again.
		other.until(fmt.Sprintf(`document.querySelector("%s").classList.contains("done")`, row))
	}
	if got := eval[string](other, `document.querySelector('#decide input[name="reason"]').value`); got != "half a sen" {
		t.Errorf("what was typed in the other tab is now %q", got)
	}
	b.click(`#hand-over`)
	b.until(`document.querySelector(".unit-head .chip")?.innerText.includes("delivered")`)
	b.shot("handed-over", 1440)
	if got := w.l.View().Units[unit].Status; got != queue.Delivered {
		t.Errorf("unit is %s", got)
	}
	heard.mu.Lock()
	defer heard.mu.Unlock()
	for _, c := range heard.list {
		t.Errorf("the console says: %s", c)
	}
	for host := range heard.hosts {
		if host != strings.TrimPrefix(w.server.URL, "http://") {
			t.Errorf("the pages asked %q", host)
		}
	}
}

// TestKeyboardAndScanner: at a bench the field for the scanner has the focus;
// what a scanner types opens the unit. A press of a button works by keyboard.
func TestKeyboardAndScanner(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.do("ruth", &queue.SkipStep{Unit: "LM-1", Step: "check-in", Reason: "x"})
	b := newBrowser(t, w)
	b.size(1440, "light")
	b.open("/bench/b3")
	if eval[bool](b, `document.activeElement.matches("input")`) {
		t.Error("the page opens with a field in focus, and a tablet with its keyboard")
	}
	b.do(chromedp.Focus("#find"), chromedp.KeyEvent("KB25-26-00417\r"))
	b.until(`location.pathname == "/units/LM-1"`)
	b.open("/units/LM-1/steps/flash")
	b.do(chromedp.Focus(chromedp.CSS(`form[action="/do/start"] select[name="actor"]`)), chromedp.KeyEvent("Tomas\t"))
	b.do(chromedp.Focus(chromedp.CSS(`form[action="/do/start"] > button`)), chromedp.KeyEvent("\r"))
	b.see(`.timer`)
	if st := w.step("LM-1", "flash"); st.Status != queue.Running || st.Technician != "tomas" {
		t.Errorf("step %+v", st)
	}
	before := b.text(".count")
	b.until(fmt.Sprintf(`document.querySelector(".count").innerText != %q`, before))
}

// TestCheckInKnowsTheMachine: whose number is typed, in whatever way, need not
// be described again; what somebody wrote himself stays; another number takes
// back what was filled in. All in the reader's language.
func TestCheckInKnowsTheMachine(t *testing.T) {
	t.Parallel()
	w := lived(t)
	var u *queue.Unit
	for _, id := range slices.Sorted(maps.Keys(w.l.View().Units)) {
		if x := w.l.View().Units[id]; x.Status == queue.Delivered && x.Machine.Frame != "" {
			u = x
		}
	}
	if u == nil {
		t.Fatal("nothing was delivered")
	}
	b := newBrowser(t, w)
	b.open("/me")
	b.do(chromedp.SetValue(chromedp.CSS(`select[name="language"]`), "de"))
	b.click(`form[action="/prefs"] button`)
	b.until(`document.documentElement.lang === "de"`)
	b.be("ruth")
	b.open("/check-in")
	values := func() string {
		return eval[string](b, `["make", "model", "year", "family", "ownership"].map((n) => document.querySelector("form.check-in").elements[n].value).join("|")`)
	}
	known := fmt.Sprintf("%s|%s|%d|%s|customer", u.Machine.Make, u.Machine.Model, u.Machine.Year, u.Machine.Family)
	b.write("#frame", strings.ToLower(strings.ReplaceAll(u.Machine.Frame, "-", " ")))
	b.until(`document.querySelector("#frame-says .known")`)
	if got := values(); got != known {
		t.Errorf("filled in %q, want %q", got, known)
	}
	if says := b.text("#frame-says"); !strings.Contains(says, "Sie war schon hier") {
		t.Errorf("in German: %q", says)
	}
	b.write("#frame", "NEVER-SEEN-1")
	b.until(`!document.querySelector("#frame-says .known")`)
	if got := values(); got != "||||" {
		t.Errorf("another number leaves %q", got)
	}
	b.write("#make", "Fellrigg")
	b.write("#frame", u.Machine.Frame)
	b.until(`document.querySelector("#frame-says .known")`)
	if got, want := values(), "Fellrigg"+known[len(u.Machine.Make):]; got != want {
		t.Errorf("what was written by hand: %q, want %q", got, want)
	}
}
