package floor_test

import (
	"strings"
	"testing"
	"time"

	"tickover/queue"
)

// TestConflictsAreShown: the board says what rules a pin out, the unit's page
// what rules its promise out.
func TestConflictsAreShown(t *testing.T) {
	w := newWorld(t)
	w.arrive("LM-1", "reflash")
	start, soon := morning.Add(7*time.Hour+45*time.Minute), w.clock.now().Add(30*time.Minute)
	w.do("ruth", &queue.PinStep{Unit: "LM-1", Step: "flash", Pin: queue.Pin{Start: &start}})
	w.do("ruth", &queue.AmendUnit{Unit: "LM-1", Change: queue.UnitAmended{Promise: &soon}})
	want := `“Flash the calibration” of LM-1 can't start at ` + start.Format("15:04") + `: it takes 40 min and opening hours end at 17:30`
	if board := w.page("/board").text(); !strings.Contains(board, want) {
		t.Errorf("the board does not say %s", want)
	}
	want = "LM-1 can't be ready by " + soon.Format("15:04") + ", even if it goes first: what is left of it takes "
	if page := w.page("/units/LM-1").text(); !strings.Contains(page, want) {
		t.Errorf("the unit's page does not say %s", want)
	}
}
