package floor_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tickover/queue"
)

// mouse sends one event of the mouse at a place of the window.
func (b *browser) mouse(kind input.DispatchMouseEventType, x, y float64) {
	b.T.Helper()
	b.pointer(input.DispatchMouseEventPointerTypeMouse, kind, x, y)
}

// pointer is mouse for what the browser is to take it for.
func (b *browser) pointer(as input.DispatchMouseEventPointerType, kind input.DispatchMouseEventType, x, y float64) {
	b.T.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1, PointerType: as})
		return err
	}))
}

// place is where an element is in the window.
type place struct{ X, Y, W, H float64 }

func (b *browser) place(css string) place {
	b.T.Helper()
	return eval[place](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({ block: "center", inline: "nearest" });
		const r = e.getBoundingClientRect(); return { X: r.x, Y: r.y, W: r.width, H: r.height } })()`, css))
}

// hourWide is how many pixels an hour is wide on the board.
func (b *browser) hourWide() float64 {
	b.T.Helper()
	return eval[float64](b, `document.querySelector('.lane[data-lane="b5"] svg').getBoundingClientRect().width / ((Date.parse(chart.dataset.to) - Date.parse(chart.dataset.from)) / 3600000)`)
}

// drag takes an element to another place, step by step as a hand does.
func (b *browser) drag(css string, dx, dy float64) {
	b.T.Helper()
	p := b.place(css)
	x, y := p.X+p.W/2, p.Y+p.H/2
	b.mouse(input.DispatchMouseEventTypeMousePressed, x, y)
	const steps = 8
	for i := 1; i <= steps; i++ {
		b.mouse(input.DispatchMouseEventTypeMouseMoved, x+dx*float64(i)/steps, y+dy*float64(i)/steps)
	}
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x+dx, y+dy)
}

func (b *browser) be(person string) {
	b.T.Helper()
	b.Open("/me")
	b.Click(`button[value="` + person + `"]`)
	b.See(`.who .initial`)
}

// planned is where the plan has a step.
func (w *world) planned(u queue.UnitID, s queue.StepID) (start time.Time, resources []queue.ResourceID) {
	w.t.Helper()
	for _, ps := range w.plans.Latest().Steps {
		if ps.Unit == u && ps.Step == s {
			return ps.Start, ps.Resources
		}
	}
	w.t.Fatalf("%s of %s is not planned", s, u)
	return
}

// TestForemanDragsABlock: drag, look, drop; drag, look, confirm; the pin is in
// the log and the plan honours it; undo.
func TestForemanDragsABlock(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.crowd(10)
	w.arrive("LM-90", "reflash")
	b := newBrowser(t, w)
	b.Listen()
	b.Size(1440, "light")
	b.be("ruth")
	b.Open("/board")
	start, _ := w.planned("LM-90", "final-check")
	block := `.lane[data-lane="b5"] a.block[data-unit="LM-90"][data-step="final-check"]`
	b.See(block)
	hour := b.hourWide()
	seq := w.l.View().Seq

	b.drag(block, 2*hour, 0)
	b.See(`#ask #preview`)
	b.Window("preview-drag", 1440)
	b.Click(`#ask #drop`)
	b.Until(`!document.getElementById("ask").open`)
	if w.l.View().Seq != seq {
		t.Fatal("what was dropped was recorded")
	}
	b.drag(block, 2*hour, 0)
	b.See(`#ask #preview`)
	b.Click(`#ask #confirm button`)
	b.See(`.notice.said`)
	pin := w.step("LM-90", "final-check").Pin
	if pin == nil || pin.Start == nil || pin.Start.Sub(start.Add(2*time.Hour)).Abs() > 3*time.Minute || pin.Start.Minute()%5 != 0 {
		t.Fatalf("dragged from %v by two hours: pin %+v", start, pin)
	}
	if got, _ := w.planned("LM-90", "final-check"); !got.Equal(*pin.Start) {
		t.Errorf("pinned to %v, planned at %v", pin.Start, got)
	}
	b.Until(`document.activeElement.dataset?.unit == "LM-90"`)
	// To another bench, at the same time.
	_, at := w.planned("LM-90", "flash")
	bench, other := at[0], queue.ResourceID("b3")
	if bench == other {
		other = "b4"
	}
	flash := fmt.Sprintf(`.lane[data-lane="%s"] a.block[data-unit="LM-90"][data-step="flash"]`, bench)
	from, to := b.place(flash), b.place(fmt.Sprintf(`.lane[data-lane="%s"] svg`, other))
	from = b.place(flash)
	to = eval[place](b, fmt.Sprintf(`(() => { const r = document.querySelector('.lane[data-lane="%s"] svg').getBoundingClientRect(); return { X: r.x, Y: r.y, W: r.width, H: r.height } })()`, other))
	b.drag(flash, 0, to.Y+to.H/2-from.Y-from.H/2)
	b.See(`#ask #preview`)
	b.Click(`#ask #confirm button`)
	b.Until(`document.querySelector(".notice.said")?.innerText.includes("Flash the calibration")`)
	if pin := w.step("LM-90", "flash").Pin; pin == nil || pin.Start != nil || len(pin.Resources) != 1 || pin.Resources[0] != other {
		t.Fatalf("dragged to %s: pin %+v", other, pin)
	}
	if _, at := w.planned("LM-90", "flash"); at[0] != other {
		t.Errorf("planned at %v", at)
	}
	b.Shot("board-after", 1440)
	b.Click(`#taken .undo button`)
	b.See(`#ask #preview`)
	b.Click(`#ask #confirm button`)
	b.Until(`document.querySelector(".notice.said")?.innerText.includes("Undone")`)
	if pin := w.step("LM-90", "flash").Pin; pin != nil {
		t.Errorf("not undone: %+v", pin)
	}
}

// TestForemanByKeyboard does the same without a mouse.
func TestForemanByKeyboard(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.crowd(6)
	w.arrive("LM-90", "reflash")
	b := newBrowser(t, w)
	b.Size(1440, "dark")
	b.be("ruth")
	b.Open("/board")
	start, _ := w.planned("LM-90", "final-check")
	b.See(`a.block`)
	// From the first block by arrows to the one that is meant.
	eval[bool](b, `(document.querySelector('a.block[tabindex="0"]').focus(), true)`)
	if n := eval[int](b, `document.querySelectorAll('a.block[tabindex="0"]').length`); n != 1 {
		t.Errorf("Tab stops at %d blocks", n)
	}
	lane := `document.activeElement.closest(".lane")?.dataset.lane`
	for range 30 {
		if eval[string](b, lane) == "b5" {
			break
		}
		b.Do(chromedp.KeyEvent(kb.ArrowDown)) // down
	}
	for range 30 {
		b.Do(chromedp.KeyEvent(kb.ArrowLeft)) // left, to the first
	}
	for range 30 {
		if eval[string](b, `document.activeElement.dataset.unit + " " + document.activeElement.dataset.step`) == "LM-90 final-check" {
			break
		}
		b.Do(chromedp.KeyEvent(kb.ArrowRight)) // right
	}
	if got := eval[string](b, `document.activeElement.dataset.unit + " " + document.activeElement.dataset.step`); got != "LM-90 final-check" {
		t.Fatalf("the arrows lead to %s", got)
	}
	seq := w.l.View().Seq
	b.Do(chromedp.KeyEvent("m"))
	b.See(`.ghost`)
	if says := eval[string](b, `document.getElementById("board-says").textContent`); !strings.Contains(says, "Moving LM-90 final-check") {
		t.Errorf("said %q", says)
	}
	b.Do(chromedp.KeyEvent(kb.ArrowRight))
	b.Do(chromedp.KeyEvent(kb.Escape)) // escape
	b.Until(`!document.querySelector(".ghost")`)
	b.Do(chromedp.KeyEvent("m"))
	for range 12 {
		b.Do(chromedp.KeyEvent(kb.ArrowRight))
	}
	b.Shot("moving-by-keys", 1440)
	b.Do(chromedp.KeyEvent("\r"))
	b.See(`#ask #preview`)
	b.Window("preview-keys", 1440)
	if w.l.View().Seq != seq {
		t.Fatal("moving recorded something")
	}
	b.Until(`document.activeElement.matches("#confirm button")`)
	b.Do(chromedp.KeyEvent("\r"))
	b.See(`.notice.said`)
	pin := w.step("LM-90", "final-check").Pin
	if pin == nil || pin.Start == nil || pin.Start.Sub(start) < 55*time.Minute || pin.Start.Sub(start) > 65*time.Minute {
		t.Fatalf("moved from %v by an hour: %+v", start, pin)
	}
	if got, _ := w.planned("LM-90", "final-check"); !got.Equal(*pin.Start) {
		t.Errorf("pinned to %v, planned at %v", pin.Start, got)
	}
	b.Until(`document.activeElement.dataset?.unit == "LM-90"`)
	b.Do(chromedp.KeyEvent("u"))
	b.See(`#ask #preview`)
	b.Do(chromedp.KeyEvent("\r"))
	b.Until(`document.querySelector(".notice.said")?.innerText.includes("free to move")`)
	if w.step("LM-90", "final-check").Pin != nil {
		t.Error("still pinned")
	}
	b.Until(`document.activeElement.dataset?.unit == "LM-90"`)
	b.Do(chromedp.KeyEvent("?"))
	b.See(`#keys[open] dl`)
}

// TestTwoForemen: both look at once; the second sees a fresh preview before
// anything of his is done.
func TestTwoForemen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.crowd(8)
	b := newBrowser(t, w)
	b.Size(1440, "light")
	b.be("ruth")
	other := b.tab()
	other.Size(1440, "light")
	for _, x := range []*browser{b, other} {
		x.Open("/board")
		x.Click(`#waiting [data-decide][href^="/decide/LM-12"]`)
		x.See(`#ask #first`)
		x.Click(`#ask #first button`)
		x.See(`#ask #preview`)
	}
	b.Click(`#ask #confirm button`)
	b.See(`.notice.said`)
	seq := w.l.View().Seq
	other.Click(`#ask #confirm button`)
	other.See(`#preview .notice.stale`)
	if w.l.View().Seq != seq {
		t.Error("the second was carried out unseen")
	}
	other.Shot("moved-on", 1440)
	// The first one's board follows by itself.
	w.do("tomas", &queue.AmendUnit{Unit: "LM-13", Change: queue.UnitAmended{Weight: new(9)}})
	b.Until(`document.querySelector("#taken").innerText.includes("LM-13")`)
}

// TestBoardOnAPhone: the list comes first, and a decision is made with a thumb.
func TestBoardOnAPhone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.crowd(8)
	w.arrive("LM-90", "reflash")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.be("ruth")
	b.Open("/board")
	b.See(`#waiting`)
	if list, chart := b.place(`#waiting`).Y, b.place(`#chart-box`).Y; eval[bool](b, `document.getElementById("waiting").getBoundingClientRect().top > document.getElementById("chart-box").getBoundingClientRect().top`) {
		t.Errorf("the list is below the chart (%.0f, %.0f)", list, chart)
	}
	b.Click(`#waiting [data-decide][href^="/decide/LM-12"]`)
	b.See(`#ask #amend`)
	b.Window("decide", 360)
	b.Do(chromedp.Click(chromedp.CSS(`#ask #first button`)))
	b.See(`#ask #preview`)
	b.Window("preview", 360)
	b.Click(`#ask #confirm button`)
	b.See(`.notice.said`)
	if w.l.View().Units["LM-12"].Weight != 10 {
		t.Error("not first")
	}
	b.Shot("board-list", 360)
	for _, path := range []string{"/board?view=week", "/decide", "/decide/LM-11/check-in"} {
		b.Open(path)
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("%s is %d pixels too wide", path, over)
		}
		b.Shot(strings.NewReplacer("/", "-", "?", "-").Replace(path), 360)
	}
	b.Size(1440, "light")
	for _, path := range []string{"/board?view=week", "/decide", "/decide/LM-90/flash"} {
		b.Open(path)
		b.Shot(strings.NewReplacer("/", "-", "?", "-").Replace(path), 1440)
	}
	b.Size(1440, "dark")
	b.Open("/board?view=week")
	b.Shot("week-dark", 1440)
}
