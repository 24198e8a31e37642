package solve

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

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
