package experience_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/services/experience"
	"tickover/services/timesheet"
)

// TestMachineTimeDoesNotGrowByWaiting: somebody comes to a machine when it is
// planned to be done, give or take a minute, or waits beside it until it is. So
// what is recorded follows the plan, and the plan what was recorded: night
// after night the planned time stays what the machine takes, also if that is
// more than what is listed; if it is less, it comes down, slowly.
func TestMachineTimeDoesNotGrowByWaiting(t *testing.T) {
	r := rand.New(rand.NewPCG(queuetest.Seed(t, 1), 0))
	shop := queue.Shop{Operations: []queue.Operation{{ID: "flash", Kind: queue.Flash, Stretches: []queue.Stretch{
		{HandsOn: true, Duration: 6 * time.Minute}, {Duration: 28 * time.Minute, MaxWait: -1}, {HandsOn: true, Duration: 6 * time.Minute},
	}}}}
	op := &shop.Operations[0]
	for _, truly := range []float64{28, 34, 20} {
		var seen []timesheet.Stretch
		at := time.Date(2026, 2, 16, 8, 0, 0, 0, time.UTC)
		planned := 28.0
		for range 60 { // nights
			for range 5 {
				took := max(truly*(1+.04*r.NormFloat64()), planned+2*r.Float64()-1)
				if r.IntN(10) == 0 {
					took += 3 + 17*r.Float64() // comes late
				}
				d := time.Duration(took * float64(time.Minute))
				at = at.Add(2 * time.Hour)
				seen = append(seen, timesheet.Stretch{Operation: op, Index: 1, Start: at, End: at.Add(d), Worked: d, Model: "Kestrow Brae 250"})
			}
			l := experience.Learnt(seen, &shop, at)
			planned = l.Planned(op, 1, "Kestrow Brae 250", "", .6).Length.Minutes()
		}
		most := 1.02 * truly
		if truly < 28 {
			most = 27
		}
		if planned < .93*truly || planned > most {
			t.Errorf("takes %v min, planned with %.1f after sixty nights", truly, planned)
		}
	}
}
