package floor_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"

	"tickover/queue"
	"tickover/testdata"
)

// TestCampaignInABrowser does the main tasks by clicking: list a newer
// mandatory calibration from a file, answer the owner who calls, see its
// campaign, record the call, book a proposed time, check the machine in, be
// refused the delivery, add the steps, see 100 % and the claim sheet; at a desk
// and on a phone. The technician's part is clicked in TestBrowserDoesTheJob.
func TestCampaignInABrowser(t *testing.T) {
	t.Parallel()
	for _, width := range []int64{1440, 360} {
		w := newWorld(t)
		w.sold("LM-1", "KB25-26-00001")
		w.clock.set(morning.AddDate(0, 0, 1))
		b := newBrowser(t, w)
		b.Listen()
		b.Size(width, "light")
		b.be("ruth")
		look := func(name string) {
			t.Helper()
			b.Shot(name, width)
			if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
				t.Errorf("%s is %d pixels too wide at %d", name, over, width)
			}
		}
		file := filepath.Join(t.TempDir(), "newer.csv")
		if err := os.WriteFile(file, testdata.Calibrations, 0o600); err != nil {
			t.Fatal(err)
		}
		b.Open("/calibrations")
		b.Do(chromedp.SetUploadFiles(chromedp.CSS(`input[type="file"]`), []string{file}))
		b.Click(`#file button[value="check"]`)
		b.See(`#list-them`)
		look("calibrations-check")
		b.Click(`#list-them`)
		b.See(`#came-to a[href="/campaigns/kb250-std-r4"]`)
		look("calibrations")
		b.Open("/counter?q=KB25-26-OOOOI") // the owner calls, and spells his number
		b.See(`#caller-LM-1`)
		look("counter-called")
		b.Open("/campaigns")
		look("campaigns")
		b.Click(`.campaign-card a`)
		b.See(`#m-LM-1`)
		look("campaign")
		b.Click(`#m-LM-1 details.more > summary`)
		b.Do(chromedp.SetValue(chromedp.CSS(`#m-LM-1 select[name="state"]`), "called"))
		b.Click(`#m-LM-1 form[action="/do/contact"] button`)
		b.Until(`document.querySelector("#m-LM-1 .chip")?.innerText.includes("called")`)
		b.Click(`#m-LM-1 a[href*="/book"]`)
		b.See(`#slots`)
		look("campaign-book")
		b.Click(`#slots button`)
		b.Until(`document.querySelector("#m-LM-1 .chip")?.innerText.includes("booked")`)
		slot := w.l.View().Campaigns[newerCampaign].Contacts["KB252600001"].Slot
		w.clock.set(slot.Add(90 * 60 * 1e9)) // engines may run from nine
		b.Open("/campaigns/" + newerCampaign)
		b.Click(`#m-LM-1 a[href^="/check-in"]`)
		b.See(`.called-back`)
		b.Click(`input[name="route"][value="accessories"]`)
		look("check-in-called")
		b.Click(`form.check-in .buttons > button.primary`)
		b.See(`#called-back form button`)
		unit := w.l.View().OpenUnits()[0].ID
		b.Click(`#hand-over`)
		b.See(`.refusal`)
		b.Open("/units/" + string(unit))
		look("unit-called")
		b.Click(`#called-back form button`)
		b.Until(`document.querySelector("#called-back")?.innerText.includes("on the visit")`)
		w.run(unit, "4", "check-in")
		w.do("ruth", &queue.StartStep{Unit: unit, Step: "fitting", Technician: "ruth", Resources: []queue.ResourceID{"b1"}})
		w.do("ruth", &queue.FinishStep{Unit: unit, Step: "fitting", Technician: "ruth", Evidence: queue.Evidence{"parts_fitted": "hand guards"}})
		w.sweep(unit)
		b.Open("/units/" + string(unit))
		b.Click(`#hand-over`)
		b.Until(`document.querySelector(".unit-head .chip")?.innerText.includes("delivered")`)
		b.Open("/campaigns/" + newerCampaign)
		b.Until(`/100\s%/.test(document.querySelector(".sweep strong").innerText)`)
		look("campaign-swept")
		b.Open("/campaigns/" + newerCampaign + "/claim")
		look("claim")
		b.Open("/audit")
		look("audit-empty")
	}
}

// TestAuditInABrowser: pictures of the audit and of what comes up by itself.
func TestAuditInABrowser(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.houseWithLacks()
	b := newBrowser(t, w)
	b.be("ruth")
	for _, width := range []int64{1440, 360} {
		b.Size(width, "light")
		b.Open("/audit")
		b.See(`#a-LM-21`)
		b.Shot("audit", width)
		if over := eval[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
			t.Errorf("the audit is %d pixels too wide at %d", over, width)
		}
		b.Open("/board")
		b.See(`#overstayed`)
	}
	b.Size(1440, "light")
	b.Open("/audit")
	b.Click(`#a-LM-21 a[href*="after-storage"]`)
	b.Until(`document.querySelector('input[name="route"]:checked')?.value == "after-storage"`)
	b.Click(`form.check-in .buttons > button.primary`)
	b.See(`#step-fuel-check`)
	if st := w.l.View().OpenUnits(); len(st) != 2 {
		t.Errorf("%d units in the shop", len(st))
	}
}

// houseWithLacks has a machine that stands too long, one in the shop, and a
// campaign that is open.
func (w *world) houseWithLacks() {
	w.machine("LM-21", "KB25-26-00021", "relearn-only", func(a *queue.UnitArrived) { a.Ownership = queue.NewUnit })
	w.run("LM-21", "", "check-in", "relearn", "restart-check", "final-check")
	w.do("ruth", &queue.HandOver{Unit: "LM-21", Showroom: true})
	w.clock.set(morning.AddDate(0, 0, 63))
	w.listNewer()
	w.machine("LM-22", "KB25-26-00022", "set-up")
}
