package solve

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
)

// The reasons read off a schedule as it stands are those of decoding it again.
func TestRetraceGivesTheReasonsOfATrace(t *testing.T) {
	const seed = 8
	t.Logf("seed %d", seed)
	retraced := 0
	for n := range uint64(60) {
		p := modeltest.Shop(rand.New(rand.NewPCG(seed, n)), modeltest.Size{
			Jobs: 3 + int(n%20), Benches: 3, Interfaces: 1, Chargers: 2, Pads: 1, Workers: 3, Days: 5, Wild: n%3 == 0})
		o := Options{Schedules: 1 + int(n%4)*20, Seed: n}
		next := modeltest.Later(p, Solve(context.Background(), p, o), p.Now+100+17*model.Time(n))
		next.Jobs[0].Weight++ // so that the plan does not stand as it is
		s := find(context.Background(), next, o)
		if !s.retrace() {
			continue
		}
		retraced++
		score, why := s.d.score(), s.d.tr.why
		s.trace(&s.genome)
		if got := s.d.score(); score != got {
			t.Errorf("shop %d: score %v, decoded %v", n, score, got)
		}
		if diff := cmp.Diff(s.d.tr.why, why); diff != "" {
			t.Errorf("shop %d: %s", n, diff)
		}
	}
	if retraced < 15 {
		t.Errorf("only %d of 60 were retraced", retraced)
	}
}

// By hand: the charger was to be seen to at minute 50.
// Now the shift ends at 45, so that place is gone. From minute 10 there are the
// 20 minutes of work, until 30, and the charger when it is done, 34 to 37.
func TestAnEndingWhosePlaceIsGoneHasTimes(t *testing.T) {
	p := oneHand()
	p.Now = 10
	p.Workers[0].Shifts = []model.Interval{{Start: 0, End: 45}}
	p.Activities[1].Modes[0].Stretches[0].Duration = 20
	crew := []model.WorkerID{"w"}
	begun := []model.StretchTime{{Start: 0, End: 4, Workers: crew}, {Start: 4, End: 34}}
	p.Activities[0].Progress = &model.Progress{Stretches: begun, Held: []model.ResourceID{"c"}}
	work := []model.StretchTime{{Start: 10, End: 30, Workers: crew}}
	p.Previous = []model.Previous{
		{Activity: "charge", Start: 0, Workers: crew, Resources: []model.ResourceID{"c"},
			Stretches: append(begun[:2:2], model.StretchTime{Start: 50, End: 53, Workers: crew})},
		{Activity: "assembly", Start: 10, Workers: crew, Stretches: work},
	}
	for _, schedules := range []int{1, 2, 20, 500} {
		s := find(context.Background(), p, Options{Schedules: schedules, Seed: 1})
		plan := s.plan()
		for _, v := range check.Plan(p, plan) {
			t.Errorf("%d schedules: %v", schedules, v)
		}
		if a, b := plan.Jobs[0].Finish, plan.Jobs[1].Finish; a != 37 || b != 30 {
			t.Errorf("%d schedules: finished at %d and %d, want 37 and 30", schedules, a, b)
		}
	}
}
