package dispatch

import (
	"testing"
	"time"

	"tickover/queue"
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

// TestOneLimitIsToldOnce: who was busy with several things one after the other
// is named with the last of them; a foreman reads no list of what is over.
func TestOneLimitIsToldOnce(t *testing.T) {
	now := time.Date(2026, 2, 17, 9, 30, 0, 0, time.UTC)
	w := &words{ticks: ticks{origin: now.Truncate(24 * time.Hour), now: now}, loc: time.UTC, shop: &queue.Shop{}}
	busy := func(worker model.WorkerID, until model.Time) model.Cause {
		return model.Cause{Kind: model.CauseWorker, Constraint: model.C5, Worker: worker, Activity: "T-2/ride", Until: until}
	}
	a := &model.Assignment{Activity: "T-1/flash", Start: 17 * 60, Why: []model.Cause{
		busy("kofi", 18*60), busy("tomas", 17*60), busy("kofi", 16*60), busy("tomas", 15*60),
	}}
	if got, want := w.why(a).String(), "tomas is busy with T-2/ride until 17:00; kofi is busy with T-2/ride until 16:00"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
