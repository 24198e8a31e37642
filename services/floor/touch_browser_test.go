package floor_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// hasTouch gives the tab a touch screen.
func (b *browser) hasTouch() {
	b.T.Helper()
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true, MaxTouchPoints: 2})
		return err
	}))
}

// fingers are where they touch the screen now; none: they were lifted.
func (b *browser) fingers(kind input.DispatchTouchEventType, at ...[2]float64) {
	b.T.Helper()
	points := []*input.TouchPoint{}
	for i, p := range at {
		points = append(points, &input.TouchPoint{X: p[0], Y: p[1], ID: new(float64(i))})
	}
	b.Do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return err
	}))
}

// glide takes a finger that is down from one place to another, as a hand does.
func (b *browser) glide(x, y, dx, dy float64) {
	b.T.Helper()
	const steps = 8
	for i := 1; i <= steps; i++ {
		b.fingers(input.DispatchTouchEventTypeTouchMove, [2]float64{x + dx*float64(i)/steps, y + dy*float64(i)/steps})
	}
}

// rests keeps the finger where it is for a moment: one that leaves at once
// throws the page, which then glides on under the next touch.
func rests() { time.Sleep(150 * time.Millisecond) }

// scrolled is how far the chart and the window are.
func (b *browser) scrolled() [2]float64 {
	b.T.Helper()
	return eval[[2]float64](b, `[document.getElementById("chart-box").scrollLeft, window.scrollY]`)
}

// TestForemanDragsByTouch: a finger that moves at once scrolls the chart; one
// that rests on a block lifts it and takes it along, on a phone and on a desk's
// touch screen; at the rim the chart goes on; a second finger, and the browser
// taking over, let go. Nothing is recorded before it was seen and confirmed.
func TestForemanDragsByTouch(t *testing.T) {
	t.Parallel()
	for _, width := range []int64{360, 1440} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			w := newWorld(t)
			w.crowd(6)
			w.arrive("LM-90", "reflash")
			b := newBrowser(t, w)
			b.Listen()
			b.Size(width, "light")
			b.hasTouch()
			b.be("ruth")
			b.Open("/board")
			start, _ := w.planned("LM-90", "final-check")
			const block = `.lane[data-lane="b5"] a.block[data-unit="LM-90"][data-step="final-check"]`
			b.See(block)
			b.Until(`document.querySelectorAll('a.block[tabindex="0"]').length == 1`) // its scripts run
			hour := b.hourWide()
			seq := w.l.View().Seq
			// middle is where to put the finger: the block in the middle of the
			// window, once a glide before it has run out.
			middle := func() (x, y float64) {
				const where = `(() => { const r = document.querySelector(%q).getBoundingClientRect(); return { X: r.x, Y: r.y, W: r.width, H: r.height } })()`
				b.Until(fmt.Sprintf(`(() => { document.querySelector(%q).scrollIntoView({ block: "center", inline: "center" });
					const at = JSON.stringify(%s), still = at === window.stoodAt; window.stoodAt = at; return still })()`, block, fmt.Sprintf(where, block)))
				p := eval[place](b, fmt.Sprintf(where, block))
				return p.X + p.W/2, p.Y + p.H/2
			}
			lift := func(x, y float64) {
				t.Helper()
				b.fingers(input.DispatchTouchEventTypeTouchStart, [2]float64{x, y})
				b.See(`.ghost.lifted`)
			}

			// A finger that moves at once scrolls.
			x, y := middle()
			before := b.scrolled()
			b.fingers(input.DispatchTouchEventTypeTouchStart, [2]float64{x, y})
			b.glide(x, y, 0, -120)
			rests()
			b.Until(fmt.Sprintf(`window.scrollY > %f + 50`, before[1]))
			b.fingers(input.DispatchTouchEventTypeTouchEnd)
			if eval[bool](b, `Boolean(document.querySelector(".ghost, dialog[open]"))`) {
				t.Error("scrolling took a block up")
			}
			if width == 360 {
				x, y = middle()
				before = b.scrolled()
				b.fingers(input.DispatchTouchEventTypeTouchStart, [2]float64{x, y})
				b.glide(x, y, 120, 0)
				rests()
				b.Until(fmt.Sprintf(`document.getElementById("chart-box").scrollLeft < %f - 50`, before[0]))
				b.fingers(input.DispatchTouchEventTypeTouchEnd)
			}

			// Lifted, and let go by a second finger, by the browser, where it was.
			letGo := func(by string) {
				t.Helper()
				b.Until(`!document.querySelector(".ghost")`)
				if says := eval[string](b, `document.getElementById("board-says").textContent`); says != "Let go. Nothing was changed." {
					t.Errorf("let go by %s: %q", by, says)
				}
			}
			x, y = middle()
			lift(x, y)
			b.fingers(input.DispatchTouchEventTypeTouchEnd)
			letGo("lifting the finger where it was")
			x, y = middle()
			lift(x, y)
			b.glide(x, y, 40, 0)
			b.fingers(input.DispatchTouchEventTypeTouchCancel)
			letGo("the browser")
			x, y = middle()
			lift(x, y)
			b.glide(x, y, 40, 0)
			b.fingers(input.DispatchTouchEventTypeTouchStart, [2]float64{x + 40, y}, [2]float64{x - 60, y})
			letGo("a second finger")
			b.fingers(input.DispatchTouchEventTypeTouchEnd)

			// Lifted and dragged by an hour: the page stays where it is.
			x, y = middle()
			before = b.scrolled()
			lift(x, y)
			b.glide(x, y, hour/2, 0)
			b.Window("touch-lifted", width)
			b.glide(x+hour/2, y, hour/2, 0)
			if got := b.scrolled(); got != before {
				t.Errorf("the page went from %v to %v under the block", before, got)
			}
			b.fingers(input.DispatchTouchEventTypeTouchEnd)
			b.See(`#ask #preview`)
			b.Window("touch-preview", width)
			if w.l.View().Seq != seq {
				t.Fatal("dragging recorded something")
			}
			b.Click(`#ask #confirm button`)
			b.See(`.notice.said`)
			b.Until(`document.activeElement.dataset?.unit == "LM-90"`) // the new page's scripts run
			pin := w.step("LM-90", "final-check").Pin
			if pin == nil || pin.Start == nil || pin.Start.Sub(start.Add(time.Hour)).Abs() > 5*time.Minute {
				t.Fatalf("dragged from %v by an hour: pin %+v", start, pin)
			}
			if got, _ := w.planned("LM-90", "final-check"); !got.Equal(*pin.Start) {
				t.Errorf("pinned to %v, planned at %v", pin.Start, got)
			}

			// At the rim of a phone the chart goes on, and the block with it.
			if width == 360 {
				x, y = middle()
				before = b.scrolled()
				lift(x, y)
				b.glide(x, y, 110-x, 0)
				b.Until(fmt.Sprintf(`document.getElementById("chart-box").scrollLeft < %f - 100`, before[0]))
				b.fingers(input.DispatchTouchEventTypeTouchEnd)
				b.See(`#ask #preview`)
				b.Click(`#ask #drop`)
				b.Until(`!document.getElementById("ask").open`)
			}
			// A tap opens what can be decided.
			x, y = middle()
			b.fingers(input.DispatchTouchEventTypeTouchStart, [2]float64{x, y})
			b.fingers(input.DispatchTouchEventTypeTouchEnd)
			b.See(`#ask #decide`)
		})
	}
}

// TestForemanDragsByPen: a pen that rests on a block lifts it, as a finger does;
// one that moves at once takes nothing along.
func TestForemanDragsByPen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.crowd(6)
	w.arrive("LM-90", "reflash")
	b := newBrowser(t, w)
	b.Size(1440, "light")
	b.be("ruth")
	b.Open("/board")
	start, _ := w.planned("LM-90", "final-check")
	const block = `.lane[data-lane="b5"] a.block[data-unit="LM-90"][data-step="final-check"]`
	b.See(block)
	b.Until(`document.querySelectorAll('a.block[tabindex="0"]').length == 1`) // its scripts run
	hour := b.hourWide()
	seq := w.l.View().Seq
	pen := func(kind input.DispatchMouseEventType, x, y float64) {
		t.Helper()
		b.pointer(input.DispatchMouseEventPointerTypePen, kind, x, y)
	}
	p := b.place(block)
	x, y := p.X+p.W/2, p.Y+p.H/2

	pen(input.DispatchMouseEventTypeMousePressed, x, y)
	pen(input.DispatchMouseEventTypeMouseMoved, x+hour, y)
	pen(input.DispatchMouseEventTypeMouseReleased, x+hour, y)
	if eval[bool](b, `Boolean(document.querySelector(".ghost, dialog[open]"))`) {
		t.Error("a pen that moved at once took a block up")
	}

	pen(input.DispatchMouseEventTypeMousePressed, x, y)
	b.See(`.ghost.lifted`)
	pen(input.DispatchMouseEventTypeMouseMoved, x+hour/2, y)
	pen(input.DispatchMouseEventTypeMouseMoved, x+hour, y)
	pen(input.DispatchMouseEventTypeMouseReleased, x+hour, y)
	b.See(`#ask #preview`)
	if w.l.View().Seq != seq {
		t.Fatal("dragging recorded something")
	}
	b.Click(`#ask #confirm button`)
	b.See(`.notice.said`)
	if pin := w.step("LM-90", "final-check").Pin; pin == nil || pin.Start == nil || pin.Start.Sub(start.Add(time.Hour)).Abs() > 5*time.Minute {
		t.Fatalf("dragged from %v by an hour: pin %+v", start, pin)
	}
}
