package floor_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"tickover/queue"
	"tickover/services/floor/browsertest"
)

// browser is a tab of a real Chromium at a shop's pages.
type browser struct {
	*browsertest.Tab
	w *world
}

func newBrowser(t *testing.T, w *world) *browser {
	t.Helper()
	return &browser{browsertest.New(t, w.server.URL), w}
}

// tab opens another tab of the same browser.
func (b *browser) tab() *browser { b.T.Helper(); return &browser{b.Another(), b.w} }

func eval[T any](b *browser, expression string) T {
	b.T.Helper()
	return browsertest.Eval[T](b.Tab, expression)
}

// TestBrowserDoesTheJob does the main job once by clicking: check a unit in,
// try to hand it over too early, follow it through flash, relearn and test
// ride, hand it over.
func TestBrowserDoesTheJob(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	b := newBrowser(t, w)
	b.Listen()
	b.Size(1440, "light")
	b.Open("/")
	b.Click(`a.who`)
	b.Click(`button[value="ruth"]`)
	b.See(`.who .initial`)
	b.Click(`.menu a[href="/counter"]`)
	b.Click(`main a[href="/check-in"]`)
	b.See(`form.check-in`)
	for field, v := range map[string]string{"make": "Kestrow", "model": "Brae 250", "year": "2026", "family": "kr5", "note": "stalls when cold"} {
		b.Write("#"+field, v)
	}
	b.Write("#frame", "kb25-26-00417")
	b.Until(`document.querySelector("#frame-says").innerText.includes("Older or foreign frame number")`)
	b.Click(`input[name="ownership"][value="customer"]`)
	b.Click(`input[name="route"][value="reflash"]`)
	b.Shot("check-in", 1440)
	b.Click(`form.check-in .buttons > button.primary`)
	b.See(`#hand-over`)
	unit := w.l.View().OpenUnits()[0].ID

	b.Click(`#hand-over`)
	b.See(`.refusal`)
	refused := b.Text(`.refusal`)
	for _, part := range []string{"I11", "is not ready: open check-in, flash", "Do these steps first"} {
		if !strings.Contains(refused, part) {
			t.Errorf("the refusal lacks %q: %s", part, refused)
		}
	}
	b.Shot("refused", 1440)
	b.Open("/units/" + string(unit))

	// A second tab where somebody types, to see that news doesn't disturb him.
	other := b.tab()
	other.Size(1440, "light")
	other.Open("/units/" + string(unit))
	other.Write(`#decide input[name="reason"]`, "half a sen")

	for _, s := range visit {
		row := "#step-" + string(s.step)
		b.Click(row + ` details.more > summary`)
		b.Click(row + ` form[action="/do/start"] > button`)
		b.See(row + `.running .timer`)
		for k := 1; k < s.stretches; k++ {
			w.clock.add(s.took)
			b.Click(row + ` form[action="/do/advance"] > button`)
			b.Until(fmt.Sprintf(`document.querySelectorAll("%s .stretches li.over").length == %d`, row, k))
		}
		if s.step == "flash" {
			b.Shot("flash-running", 1440)
		}
		w.clock.add(s.took)
		for key, v := range s.evidence {
			if v == "yes" {
				b.Click(row + ` input[name="ev.` + key + `"][value="yes"]`)
				continue
			}
			b.Write(row+` form[action="/do/done"] input[name="ev.`+key+`"]`, v)
		}
		b.Click(row + ` form[action="/do/done"] > button`)
		b.See(row + `.done`)
		// The other tab follows without being loaded again.
		other.Until(fmt.Sprintf(`document.querySelector("%s").classList.contains("done")`, row))
	}
	if got := eval[string](other, `document.querySelector('#decide input[name="reason"]').value`); got != "half a sen" {
		t.Errorf("what was typed in the other tab is now %q", got)
	}
	b.Click(`#hand-over`)
	b.Until(`document.querySelector(".unit-head .chip")?.innerText.includes("delivered")`)
	b.Shot("handed-over", 1440)
	if got := w.l.View().Units[unit].Status; got != queue.Delivered {
		t.Errorf("unit is %s", got)
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
	b.Size(1440, "light")
	b.Open("/bench/b3")
	if eval[bool](b, `document.activeElement.matches("input")`) {
		t.Error("the page opens with a field in focus, and a tablet with its keyboard")
	}
	b.Do(chromedp.Focus("#find"), chromedp.KeyEvent("KB25-26-00417\r"))
	b.Until(`location.pathname == "/units/LM-1"`)
	b.Open("/units/LM-1/steps/flash")
	b.Do(chromedp.Focus(chromedp.CSS(`form[action="/do/start"] select[name="actor"]`)), chromedp.KeyEvent("Tomas\t"))
	b.Do(chromedp.Focus(chromedp.CSS(`form[action="/do/start"] > button`)), chromedp.KeyEvent("\r"))
	b.See(`.timer`)
	if st := w.step("LM-1", "flash"); st.Status != queue.Running || st.Technician != "tomas" {
		t.Errorf("step %+v", st)
	}
	before := b.Text(".count")
	b.Until(fmt.Sprintf(`document.querySelector(".count").innerText != %q`, before))
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
	b.Open("/me")
	b.Do(chromedp.SetValue(chromedp.CSS(`select[name="language"]`), "de"))
	b.Click(`form[action="/prefs"] button`)
	b.Until(`document.documentElement.lang === "de"`)
	b.be("ruth")
	b.Open("/check-in")
	values := func() string {
		return eval[string](b, `["make", "model", "year", "family", "ownership"].map((n) => document.querySelector("form.check-in").elements[n].value).join("|")`)
	}
	known := fmt.Sprintf("%s|%s|%d|%s|customer", u.Machine.Make, u.Machine.Model, u.Machine.Year, u.Machine.Family)
	b.Write("#frame", strings.ToLower(strings.ReplaceAll(u.Machine.Frame, "-", " ")))
	b.Until(`document.querySelector("#frame-says .known")`)
	if got := values(); got != known {
		t.Errorf("filled in %q, want %q", got, known)
	}
	if says := b.Text("#frame-says"); !strings.Contains(says, "Sie war schon hier") {
		t.Errorf("in German: %q", says)
	}
	b.Write("#frame", "NEVER-SEEN-1")
	b.Until(`!document.querySelector("#frame-says .known")`)
	if got := values(); got != "||||" {
		t.Errorf("another number leaves %q", got)
	}
	b.Write("#make", "Fellrigg")
	b.Write("#frame", u.Machine.Frame)
	b.Until(`document.querySelector("#frame-says .known")`)
	if got, want := values(), "Fellrigg"+known[len(u.Machine.Make):]; got != want {
		t.Errorf("what was written by hand: %q, want %q", got, want)
	}
}
