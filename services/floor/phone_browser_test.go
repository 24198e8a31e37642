package floor_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"tickover/queue"
	"tickover/services/floor/browsertest"
	"tickover/services/photos"
)

// cable is the network between the shop and a phone; it can be cut.
type cable struct {
	cut    atomic.Bool
	once   atomic.Bool   // pages are opened, but not asked for again
	hangs  atomic.Bool   // there is no news, and a page that is asked for again never comes
	mute   atomic.Bool   // nothing is read, so that a page grows old
	noRoom atomic.Bool   // the shop has no room for photos
	asked  atomic.Int64  // commands that came through
	ask    chan struct{} // one more
	next   http.Handler
	w      *world
}

// wire puts a cable in front of the world's server.
func (w *world) wire() *cable {
	c := &cable{next: w.server.Config.Handler, w: w, ask: make(chan struct{}, 100)}
	w.server.Config.Handler = c
	return c
}

func (c *cable) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if c.cut.Load() || c.hangs.Load() && r.URL.Path == "/events" || c.once.Load() && r.Header.Get("Tickover-Refresh") != "" || c.mute.Load() && r.Method == http.MethodGet {
		conn, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			_ = conn.Close()
		}
		return
	}
	if c.hangs.Load() && r.Header.Get("Tickover-Refresh") != "" {
		<-r.Context().Done()
		return
	}
	if c.noRoom.Load() && r.URL.Path == "/api/v1/photos" {
		http.Error(w, `{"code":"storage","what":"there is no room on the disk for photos"}`, http.StatusServiceUnavailable)
		return
	}
	c.next.ServeHTTP(w, r)
	if r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/api/") {
		c.asked.Add(1)
		c.ask <- struct{}{}
	}
}

// connect cuts the network or restores it: the server's side of it, so that
// the service worker has none either, and what the browser believes.
func (c *cable) connect(b *browser, on bool) {
	b.T.Helper()
	c.cut.Store(!on)
	if !on {
		c.w.server.CloseClientConnections()
	}
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		if _, err := cdp.Call(ctx, t, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, t, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: !on, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
	b.Until(fmt.Sprintf("navigator.onLine === %v", on))
}

// keepsPage waits until the service worker has a copy of the page.
func (b *browser) keepsPage(path string) {
	b.T.Helper()
	b.Until(fmt.Sprintf(`(caches.open("pages").then((c) => c.match(%q)).then((r) => { window.isThere = Boolean(r) }), window.isThere && navigator.serviceWorker.controller)`, path))
}

func (b *browser) isPhoneOf(person string) {
	b.T.Helper()
	b.Open("/me?back=/job")
	b.Click(`button[value="` + person + `"]`)
	b.Until(`location.pathname == "/job"`)
}

// told lists the types of a unit's events, oldest first, from the log itself.
func (w *world) told(unit queue.UnitID) []string {
	w.t.Helper()
	var out []string
	for _, e := range w.get("/api/v1/units/" + string(unit) + "/history").object(w.t)["events"].([]any) {
		out = append(out, e.(fields)["type"].(string))
	}
	return out
}

// flashReady is a unit whose flash is the technician's next step.
func (w *world) flashReady(unit queue.UnitID, who queue.PersonID) {
	w.t.Helper()
	w.arrive(unit, "reflash")
	w.do("ruth", &queue.SkipStep{Unit: unit, Step: "check-in", Reason: "x"})
	w.do(who, &queue.AcceptStep{Unit: unit, Step: "flash", Technician: who, Resources: []queue.ResourceID{"b3", "i1", "c1"}})
}

// upload chooses files in a form's field.
func (b *browser) upload(css string, files ...string) {
	b.T.Helper()
	b.Do(chromedp.SetUploadFiles(chromedp.CSS(css), files))
}

func writeFile(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const outboxEmpty = `document.getElementById("outbox").hidden`

// TestPhoneWithoutNetwork does a flash from start to end with the network cut,
// the page loaded again in between, and a photo; when the network is back, the
// log has each event once and in order.
func TestPhoneWithoutNetwork(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.flashReady("LM-1", "tomas")
	b := newBrowser(t, w)
	b.Listen()
	b.Size(360, "light")
	b.isPhoneOf("tomas")
	b.keepsPage("/job")
	b.Shot("phone-next", 360)
	b.Open("/units/LM-1/steps/resets")
	b.keepsPage("/units/LM-1/steps/resets")
	b.Open("/job")
	before := w.told("LM-1")

	c.connect(b, false)
	b.Do(chromedp.Reload())
	b.See("#kept")
	if got := b.Text("#kept"); !strings.Contains(got, "No network") || !strings.Contains(got, "9:30") {
		t.Errorf("the kept copy says %q", got)
	}
	const card = "#card-LM-1-flash"
	// A browser that gives no more room: it is said, and the form stays.
	eval[bool](b, `(window.realAdd = IDBObjectStore.prototype.add, IDBObjectStore.prototype.add = () => { throw new DOMException("full", "QuotaExceededError") }, true)`)
	b.Click(card + ` form[action="/do/start"] > button`)
	b.See(card + ` .form-says`)
	if got := b.Text(card + ` .form-says`); !strings.Contains(got, "no room to keep it") {
		t.Errorf("with no room it says %q", got)
	}
	eval[bool](b, `(IDBObjectStore.prototype.add = window.realAdd, true)`)
	b.Click(card + ` form[action="/do/start"] > button`)
	b.See(card + ` .timer`)
	b.Until(`document.querySelector("#outbox summary").innerText.endsWith(": 1")`)
	b.Shot("phone-started-offline", 360)
	b.Do(chromedp.Reload())
	b.See(card + ` .timer`) // it is remembered
	if got := b.Text(card + " .pending"); !strings.Contains(got, "waiting to be sent") {
		t.Errorf("the card says %q", got)
	}
	left := b.Text(card + " .count")
	b.Until(fmt.Sprintf(`document.querySelector("%s .count").innerText != %q`, card, left))
	for stretch := 1; stretch <= 2; stretch++ {
		b.Click(card + ` form[action="/do/advance"] > button`)
		b.Until(fmt.Sprintf(`document.querySelectorAll("%s .stretches li.over").length == %d`, card, stretch))
		if stretch == 1 {
			b.Shot("phone-hands-off-offline", 360)
		}
	}
	b.Write(card+` input[name="ev.calibration"]`, "kb250-std")
	b.Write(card+` input[name="ev.revision"]`, "3")
	b.upload(card+` form[action="/do/done"] input[type=file][multiple]`, writeFile(t, "screen.jpg", aPhoto(t, 2400, 1800)))
	b.See(card + ` form[action="/do/done"] .photo-preview canvas`)
	b.Shot("phone-done-form-offline", 360)
	b.Click(card + ` form[action="/do/done"] > button`)
	b.Until(`document.querySelector("#outbox summary").innerText.endsWith(": 4")`)
	b.Shot("phone-waiting", 360)
	// The resets waited for the flash, which this phone has done.
	b.Open("/units/LM-1/steps/resets")
	b.Click(`#card-LM-1-resets form[action="/do/start"] > button`)
	b.See(`#card-LM-1-resets .timer`)
	b.Shot("phone-resets-offline", 360)
	b.Open("/job")
	if got := w.l.View().Units["LM-1"].Revision(); got != uint64(len(before)) {
		t.Fatalf("something arrived without a network: revision %d", got)
	}
	b.Until(`document.querySelector("#outbox summary").innerText.endsWith(": 5")`) // a page begins with the outbox hidden

	w.clock.add(50 * time.Minute)
	c.connect(b, true)
	b.Until(outboxEmpty)
	want := append(slices.Clone(before), "flash.started", "flash.advanced", "flash.advanced", "flash.done", "reset.started")
	if got := w.told("LM-1"); !slices.Equal(got, want) {
		t.Errorf("the log has %v, want %v", got, want)
	}
	b.Until(`!document.body.hasAttribute("data-kept") && document.getElementById("kept").hidden`)
	// It happened when it was pressed, not when it arrived.
	if at := w.step("LM-1", "flash").Started; at.Before(morning) || at.After(morning.Add(10*time.Minute)) {
		t.Errorf("the flash began at %s, it was pressed soon after %s", at, morning)
	}
	list, ok := queue.Photos(w.step("LM-1", "flash").Evidence[queue.EvidencePhotos])
	if !ok || len(list) != 1 {
		t.Fatalf("evidence %v", w.step("LM-1", "flash").Evidence)
	}
	w.keptPhoto(list[0])
	b.Shot("phone-sent", 360)
}

// keptPhoto fails unless the store has a photo under that hash, shrunk.
func (w *world) keptPhoto(hash string) {
	w.t.Helper()
	b, err := w.photos.Get(photos.Hash(hash))
	if err != nil {
		w.t.Fatal(err)
	}
	size, err := jpeg.DecodeConfig(bytes.NewReader(b))
	if sum := sha256.Sum256(b); err != nil || hex.EncodeToString(sum[:]) != hash || max(size.Width, size.Height) != photos.SideMax {
		w.t.Errorf("photo %s: %dx%d, %v", hash, size.Width, size.Height, err)
	}
}

// TestPhoneConflict: somebody else did the step while the phone had no
// network. What was recorded is explained and can be dropped; another unit's
// goes on.
func TestPhoneConflict(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.arrive("LM-1", "reflash")
	w.arrive("LM-2", "reflash")
	for _, u := range []queue.UnitID{"LM-1", "LM-2"} {
		w.do("ines", &queue.AcceptStep{Unit: u, Step: "check-in", Technician: "ines"})
	}
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("ines")
	b.keepsPage("/units/LM-2/steps/check-in")
	b.keepsPage("/job")
	c.connect(b, false)
	w.do("ruth", &queue.ReturnStep{Unit: "LM-1", Step: "check-in", Reason: "Kofi is here"})
	w.do("kofi", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "kofi"})

	const card = "#card-LM-1-check-in"
	b.Click(card + ` form[action="/do/start"] > button`)
	b.See(card + ` .timer`)
	for field, v := range map[string]string{"frame_number": "KB25", "odometer_km": "12,5", "engine_h": "0.4"} {
		b.Write(card+` form[action="/do/done"] input[name="ev.`+field+`"]`, v)
	}
	b.Click(card + ` form[action="/do/done"] > button`)
	b.Until(`document.querySelector("#outbox summary").innerText.endsWith(": 2")`)
	b.Open("/units/LM-2/steps/check-in")
	b.See("#kept")
	b.Click(`#card-LM-2-check-in form[action="/do/start"] > button`)
	b.Until(`document.querySelector("#outbox summary").innerText.endsWith(": 3")`)
	b.Open("/board") // was not kept
	b.Until(`document.querySelector("h1").innerText == "No network"`)
	b.Open("/job")

	c.connect(b, true)
	b.See("#outbox .refused")
	b.Until(`document.querySelectorAll("#outbox li").length == 2`)
	said := b.Text("#outbox")
	for _, part := range []string{"LM-1, Check-in: Start", "This was not recorded.", "is running", "What happened meanwhile:", "Check-in started by Kofi Stanmere", "Waits for what was not recorded"} {
		if !strings.Contains(said, part) {
			t.Errorf("the explanation lacks %q: %s", part, said)
		}
	}
	b.Shot("phone-conflict", 360)
	if st := w.step("LM-2", "check-in"); st.Status != queue.Running || st.Technician != "ines" {
		t.Errorf("the other unit's step did not go on: %s", st.Status)
	}
	if st := w.step("LM-1", "check-in"); st.Status != queue.Running || st.Technician != "kofi" {
		t.Errorf("Kofi's step is %s, %s", st.Status, st.Technician)
	}
	// The buttons are drawn anew with each look at the outbox.
	tries := c.asked.Load()
	b.Until(`(b => b && (b.click(), true))(document.querySelector('#outbox [data-decide="retry"]'))`)
	for c.asked.Load() == tries {
		select {
		case <-c.ask:
		case <-time.After(browsertest.Bound):
			t.Fatal("it was not tried again")
		}
	}
	b.Until(`(b => b && (b.click(), true))(document.querySelector('#outbox [data-decide="drop"]'))`)
	b.Until(outboxEmpty)
	if got := w.told("LM-1"); !slices.Equal(got[len(got)-1:], []string{"check-in.started"}) || w.step("LM-1", "check-in").Technician != "kofi" {
		t.Errorf("after dropping it the log has %v", got)
	}
}

// TestPhoneOnline: with a network the same forms are sent at once; a double tap
// is one event, the back button and a press on an old page harm nothing, a
// refusal keeps what was typed, a file that is no photo is said so.
func TestPhoneOnline(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.do("ines", &queue.AcceptStep{Unit: "LM-1", Step: "check-in", Technician: "ines"})
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("ines")
	const card = "#card-LM-1-check-in"
	b.See(card + ` form[action="/do/start"] > button`)
	eval[bool](b, `(() => { const b = document.querySelector('`+card+` form[action="/do/start"] > button'); b.click(); b.click(); return true })()`)
	b.See(card + ` .timer`)
	if got := w.told("LM-1"); len(got) != 3 {
		t.Errorf("after a double tap the log has %v", got)
	}
	b.Open("/units/LM-1")
	// A page that the browser had kept whole is not loaded again, so this waits
	// for no load.
	eval[bool](b, `(setTimeout(() => history.back(), 0), true)`)
	b.Until(`location.pathname == "/job"`)
	b.See(card + ` .timer`)
	done := card + ` form[action="/do/done"]`
	b.Write(done+` input[name="ev.frame_number"]`, "KB25")
	b.Write(done+` input[name="ev.odometer_km"]`, "twelve")
	b.Write(done+` input[name="ev.engine_h"]`, "0,4")
	b.upload(done+` input[type=file][multiple]`, writeFile(t, "photo.jpg", []byte("no picture")))
	b.See(done + ` .photo-says.wrong`)
	if got := b.Text(done + ` .photo-says`); !strings.Contains(got, "Choose a JPEG, PNG or WebP photo") {
		t.Errorf("a text file: %q", got)
	}
	b.Shot("phone-no-photo", 360)
	var large bytes.Buffer
	if err := png.Encode(&large, image.NewGray(image.Rect(0, 0, 3000, 2000))); err != nil {
		t.Fatal(err)
	}
	b.upload(done+` input[type=file][capture]`, writeFile(t, "taken", large.Bytes()))
	b.See(done + ` .photo-preview canvas`)
	b.Click(done + ` > button`)
	b.See(`.refusal`)
	if got := b.Text(`.refusal`); !strings.Contains(got, "Odometer") {
		t.Errorf("refusal %q", got)
	}
	b.Shot("phone-refused", 360)
	b.See(done + ` .photo-kept img`) // the photo is kept already
	if got := eval[string](b, `document.querySelector('`+done+` input[name="ev.engine_h"]').value`); got != "0,4" {
		t.Errorf("what was typed is now %q", got)
	}
	b.Write(done+` input[name="ev.odometer_km"]`, "12")
	b.Click(done + ` > button`)
	b.Until(`!document.querySelector('` + card + `')`)
	st := w.step("LM-1", "check-in")
	if st.Status != queue.Done || st.Evidence["engine_h"] != "0.4" {
		t.Fatalf("step %s, evidence %v", st.Status, st.Evidence)
	}
	w.keptPhoto(st.Evidence[queue.EvidencePhotos])
	b.Open("/units/LM-1")
	b.Until(`[...document.querySelectorAll(".photos img")].some((i) => i.complete && i.naturalWidth == 1600)`)
	b.Shot("phone-unit-photo", 360)
}

// TestPhoneOldPage: a press on a page that has grown old, because somebody else
// did the step meanwhile, is refused in words and changes nothing.
func TestPhoneOldPage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.arrive("LM-1", "reflash")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("ines")
	b.Open("/units/LM-1/steps/check-in")
	const start = `#card-LM-1-check-in form[action="/do/start"] > button`
	b.See(start)
	c.mute.Store(true)
	w.server.CloseClientConnections()
	w.do("kofi", &queue.StartStep{Unit: "LM-1", Step: "check-in", Technician: "kofi"})
	b.Click(start)
	b.See(".refusal")
	if got := b.Text(".refusal"); !strings.Contains(got, "is running, begun by kofi") || !strings.Contains(got, "Nothing was changed") {
		t.Errorf("refusal %q", got)
	}
	b.Until(`document.activeElement.matches(".refusal")`)
	b.See(`#card-LM-1-check-in .timer`) // and the page is new
	if st := w.step("LM-1", "check-in"); st.Technician != "kofi" || st.Runs != 1 {
		t.Errorf("step %+v", st)
	}
}

// TestPhoneSendsWhileAPageHangs: what is recorded does not wait for a page
// that is on its way.
func TestPhoneSendsWhileAPageHangs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.flashReady("LM-1", "tomas")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("tomas")
	b.keepsPage("/job")
	c.hangs.Store(true)
	w.server.CloseClientConnections() // no news asks for the page either
	for n := range 2 {
		eval[bool](b, fmt.Sprintf(`(Promise.all([import("/static/store.js"), import("/static/outbox.js")]).then(async ([store, outbox]) => {
			const at = new Date(Date.parse(document.body.dataset.now)).toISOString();
			await store.add({ unit: "LM-1", step: "flash", action: "problem", at, label: "x", revision: 1, state: "waiting", photos: [],
				path: "/api/v1/units/LM-1/steps/flash/problem", body: { command_id: "hang-%d", at, actor: "tomas", reason: "smells" } });
			outbox.flush(true);
		}), true)`, n))
		select {
		case <-c.ask:
		case <-time.After(browsertest.Bound):
			t.Fatalf("problem %d was not sent", n)
		}
		b.Until(`(import("/static/store.js").then((s) => s.all()).then((l) => { window.isEmpty = l.length === 0 }), window.isEmpty)`)
		eval[bool](b, `(window.isEmpty = undefined, true)`)
	}
}

// TestPhoneKeepsWhatWasSeen: without a network a page is not older than it was
// when it was last opened, also if the network went right then.
func TestPhoneKeepsWhatWasSeen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.flashReady("LM-1", "tomas")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("tomas")
	b.keepsPage("/job")
	c.once.Store(true)
	w.do("tomas", &queue.ReturnStep{Unit: "LM-1", Step: "flash", Reason: "x"})
	w.flashReady("LM-2", "tomas")
	b.Open("/job")
	b.See("#card-LM-2-flash")
	// What was at another moment is never kept for now.
	w.clock.add(time.Hour)
	b.Open("/job?asof=2026-02-17T09:30")
	c.connect(b, false)
	b.Open("/job")
	b.See("#kept")
	if !eval[bool](b, `Boolean(document.querySelector("#card-LM-2-flash"))`) {
		t.Error("the kept copy is older than what was seen")
	}
}

// TestPhoneCallsBack: shortly before hands-off time ends the page calls, and is
// still when it was heard; sound comes after a tap.
func TestPhoneCallsBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.flashReady("LM-1", "tomas")
	w.arrive("LM-2", "accessories")
	w.do("ruth", &queue.SkipStep{Unit: "LM-2", Step: "check-in", Reason: "x"})
	w.do("tomas", &queue.AcceptStep{Unit: "LM-2", Step: "fitting", Technician: "tomas", Resources: []queue.ResourceID{"b1"}})
	w.do("tomas", &queue.StartStep{Unit: "LM-1", Step: "flash", Technician: "tomas", Resources: []queue.ResourceID{"b3", "i1", "c1"}})
	w.clock.add(6 * time.Minute)
	w.do("tomas", &queue.AdvanceStep{Unit: "LM-1", Step: "flash", Stretch: 1})
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("tomas")
	b.Until(`document.getElementById("call").hidden`)
	b.Shot("phone-hands-off", 360)
	b.Size(360, "dark")
	b.Shot("phone-hands-off-dark", 360)
	b.Size(360, "light")
	b.Click("#sound")
	b.Until(`document.getElementById("sound").getAttribute("aria-pressed") == "true"`)
	w.clock.add(26 * time.Minute) // two minutes before the end
	b.Do(chromedp.Reload())
	b.See("#call")
	if got := b.Text("#call"); !strings.Contains(got, "LM-1: Come back") {
		t.Errorf("the call says %q", got)
	}
	b.Shot("phone-called", 360)
	b.Click("#call button")
	b.Until(`document.getElementById("call").hidden`)
	// The tap also allowed the sound that was wanted before.
	b.Until(`document.getElementById("sound").getAttribute("aria-pressed") == "true"`)
	small := eval[string](b, `[...document.querySelectorAll("#jobs button, #jobs summary, #jobs .lines a, #jobs .whose a, .sound, #jobs label.button")].filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < 44).map((e) => e.outerHTML.slice(0, 90)).join("\n")`)
	if small != "" {
		t.Errorf("too small for a gloved finger:\n%s", small)
	}
}

// TestBenchByKeyboard: at a bench everything goes with Tab and Enter, and a
// scanner is understood wherever the focus is.
func TestBenchByKeyboard(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.flashReady("LM-1", "tomas")
	b := newBrowser(t, w)
	b.Size(1440, "light")
	b.Open("/bench/b3")
	b.See(`#card-LM-1-flash`)
	b.Shot("bench-next", 1440)
	on := `document.activeElement.matches('form[action="/do/start"] > button')`
	presses := 0
	for ; presses < 60 && !eval[bool](b, on); presses++ {
		b.Do(chromedp.KeyEvent("\t"))
	}
	if !eval[bool](b, on) {
		t.Fatalf("no way to the start by %d presses of Tab", presses)
	}
	if eval[string](b, `getComputedStyle(document.activeElement).outlineStyle`) == "none" {
		t.Error("the focus is not to be seen")
	}
	b.Do(chromedp.KeyEvent("\r"))
	b.See(`#card-LM-1-flash .timer`)
	b.Shot("bench-running", 1440)
	// What is to be read from three metres: 5 mm a metre at 96 pixels an inch.
	for what, least := range map[string]float64{".count": 100, ".step.running h2": 40, ".bench-who": 32, ".step.running .whose a": 40} {
		if got := eval[float64](b, fmt.Sprintf(`parseFloat(getComputedStyle(document.querySelector(%q)).fontSize)`, what)); got < least {
			t.Errorf("%s is %g pixels high, want %g", what, got, least)
		}
	}
	w.clock.add(time.Hour)
	b.Do(chromedp.Reload())
	b.See(".bench-alarm")
	if got := b.Text(".bench-alarm"); !strings.Contains(strings.ToLower(got), "overdue") {
		t.Errorf("the alarm says %q", got)
	}
	b.Shot("bench-alarm", 1440)

	scan := func(code string) {
		t.Helper()
		eval[bool](b, fmt.Sprintf(`(() => { document.activeElement.blur(); for (const key of [...%q, "Enter"]) document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true })); return true })()`, code))
	}
	scan("NOBODY-7")
	b.See("#scanned")
	if got := b.Text("#scanned"); !strings.Contains(got, "Nothing here has this code: NOBODY-7") {
		t.Errorf("an unknown code: %q", got)
	}
	b.Shot("bench-unknown-code", 1440)
	for _, code := range []string{"LM-1", "KB25-26-00417", "https://shop.example/units/LM-1"} {
		b.Open("/bench/b3")
		b.See(".bench")
		b.Until(`document.getElementById("phone") && document.activeElement`)
		b.Until(`customElements && document.readyState == "complete"`)
		scan(code)
		b.Until(`location.pathname == "/units/LM-1"`)
	}
	// In a field, typing stays typing.
	b.Open("/bench/b3")
	b.Click(`#card-LM-1-flash details.more:has(form[action="/do/problem"]) > summary`)
	b.Write(`#card-LM-1-flash form[action="/do/problem"] input[name="reason"]`, "LM-1")
	if got := eval[string](b, `document.querySelector('#card-LM-1-flash form[action="/do/problem"] input[name="reason"]').value + location.pathname`); got != "LM-1/bench/b3" {
		t.Errorf("typed in a field: %q", got)
	}
}

// TestPhoneStaysItsOwnWithoutNetwork: who asks to be somebody else while there
// is no network changes nothing; the kept pages stay.
func TestPhoneStaysItsOwnWithoutNetwork(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.flashReady("LM-1", "tomas")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("tomas")
	b.keepsPage("/job")
	c.connect(b, false)
	eval[bool](b, `(() => { const f = document.createElement("form"); f.method = "post"; f.action = "/me"; f.innerHTML = '<input name="person" value="ines"><input name="back" value="/job">'; document.body.append(f); f.submit(); return true })()`)
	b.Until(`location.pathname == "/me"`)
	b.Open("/job")
	b.See("#kept")
	b.See("#card-LM-1-flash")
}

// TestPhotoWithoutRoomStopsOneUnit: while the shop has no room for photos, what
// was recorded of other units is sent; the photo goes when there is room.
func TestPhotoWithoutRoomStopsOneUnit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.wire()
	w.arrive("LM-1", "reflash")
	w.arrive("LM-2", "reflash")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.isPhoneOf("ines")
	b.keepsPage("/job")
	c.noRoom.Store(true)
	waiting := func(unit, photos string) string {
		return fmt.Sprintf(`await store.add({unit: %q, step: "check-in", action: "problem", path: "/api/v1/units/%s/steps/check-in/problem", label: %q, at: new Date().toISOString(), revision: 1, state: "waiting", photos: %s,
			body: {command_id: "phone-%s", actor: "ines", reason: "bent"}});`, unit, unit, unit, photos, unit)
	}
	eval[bool](b, `((async () => { const store = await import("/static/store.js");
		const blob = await new Promise((r) => { const c = document.createElement("canvas"); c.width = c.height = 40; c.toBlob(r, "image/jpeg") });
		`+waiting("LM-1", `[{name: "photo.photos", blob}]`)+waiting("LM-2", `[]`)+`
		window.dispatchEvent(new Event("online")) })(), true)`)
	w.eventually(func() bool { return w.step("LM-2", "check-in").Problem == "bent" })
	if got := w.step("LM-1", "check-in").Problem; got != "" {
		t.Fatalf("sent without its photo: %q", got)
	}
	c.noRoom.Store(false)
	eval[bool](b, `window.dispatchEvent(new Event("online"))`)
	w.eventually(func() bool { return w.step("LM-1", "check-in").Problem == "bent" })
}

// eventually waits for what the phone sends on its own.
func (w *world) eventually(holds func() bool) {
	w.t.Helper()
	for end := time.Now().Add(30 * time.Second); !holds(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			w.t.Fatal("it never came to that")
		}
	}
}
