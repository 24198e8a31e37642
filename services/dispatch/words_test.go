package dispatch

import (
	"testing"
	"time"

	"tickover/scheduler/model"
)

// TestKeptPlaceHasWords: a step that nothing holds back but its place in the
// plan says so, not that it waits for its parts.
func TestKeptPlaceHasWords(t *testing.T) {
	now := time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)
	w := &words{ticks: ticks{origin: now.Truncate(24 * time.Hour), now: now}, loc: time.UTC}
	c := model.Cause{Kind: model.CauseKept, Constraint: model.C1, Until: 10*60 + 40}
	if got, want := w.cause("T-1/flash", &c).String(), "keeps its place in the plan at 10:40"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
