package floor_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestMilesAreKeptAsKilometres: who reads miles types miles; the log has
// kilometres, whether the form or the phone's outbox sent them. The
// international mile is 1,609.344 m exactly.
func TestMilesAreKeptAsKilometres(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	w.be("ines")
	if r := w.postForm("/prefs", url.Values{"language": {"en"}, "distance": {"mi"}, "back": {"/"}}); r.status != http.StatusOK {
		t.Fatalf("prefs: %d", r.status)
	}
	w.postForm("/do/start", url.Values{"command_id": {w.id()}, "unit": {"LM-1"}, "step": {"check-in"}, "back": {"/job"}})
	page := string(w.get("/units/LM-1/steps/check-in").body)
	if !strings.Contains(page, `name="in.odometer_km" value="mi"`) {
		t.Fatal("the form does not ask for miles")
	}
	w.postForm("/do/done", url.Values{"command_id": {w.id()}, "unit": {"LM-1"}, "step": {"check-in"}, "back": {"/job"},
		"ev.frame_number": {"x"}, "ev.odometer_km": {"100"}, "in.odometer_km": {"mi"}, "ev.engine_h": {"12,5"}})
	ev := w.step("LM-1", "check-in").Evidence
	if ev["odometer_km"] != "160.9" || ev["engine_h"] != "12.5" {
		t.Errorf("evidence %v", ev)
	}
	if page := string(w.get("/units/LM-1").body); !strings.Contains(page, "100.0 mi") {
		t.Error("the unit's page does not say 100.0 mi")
	}

	w.arrive("LM-2", "reflash")
	b := newBrowser(t, w)
	b.Size(360, "light")
	b.Open("/me") // this browser speaks American English, so it reads miles
	b.Click(`button[value="ruth"]`)
	b.See(`.who .initial`)
	b.Open("/units/LM-2/steps/check-in")
	b.Click(`form[action="/do/start"] > button`)
	b.See(`form[action="/do/done"]`)
	b.Do(chromedp.SendKeys(chromedp.CSS(`input[name="ev.frame_number"]`), "x"), chromedp.SendKeys(chromedp.CSS(`input[name="ev.odometer_km"]`), "50"),
		chromedp.SendKeys(chromedp.CSS(`input[name="ev.engine_h"]`), "3"))
	b.Click(`form[action="/do/done"] button.primary`)
	b.Until(`!document.querySelector('form[action="/do/done"] input[name="ev.odometer_km"]')`)
	if got := w.step("LM-2", "check-in").Evidence["odometer_km"]; got != "80.5" {
		t.Errorf("from the phone: %q, want 80.5", got)
	}
}
