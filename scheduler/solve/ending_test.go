package solve

import (
	"context"
	"math/rand/v2"
	"testing"

	"tickover/scheduler/check"
	"tickover/scheduler/model"
	"tickover/scheduler/modeltest"
)

// oneHand is a shop of one technician: a machine on the charger, which may wait
// to be taken off, and 75 minutes of work.
func oneHand() *model.Problem {
	hand := func(d model.Time) model.Stretch { return model.Stretch{Duration: d, Workers: 1} }
	return &model.Problem{
		Horizon: 10_000, Weights: model.ShopWeights(),
		Workers:   []model.Worker{{ID: "w"}},
		Resources: []model.Resource{{ID: "c", Kind: "charger", Capacity: 1}},
		Jobs:      []model.Job{{ID: "charged", Weight: 2, Due: model.Unlimited}, {ID: "work", Weight: 3, Due: model.Unlimited}},
		Activities: []model.Activity{
			{ID: "charge", Job: "charged", Modes: []model.Mode{{
				Needs:     []model.Need{{Kind: "charger"}},
				Stretches: []model.Stretch{hand(4), {Duration: 30, MaxWait: model.Unlimited}, hand(3)},
			}}},
			{ID: "assembly", Job: "work", Modes: []model.Mode{{Stretches: []model.Stretch{hand(75)}}}},
		},
	}
}

// By hand: 2·82 + 3·79 = 401. With the charger seen to at minute 34 it is
// 2·37 + 3·112 = 410, with the work first 2·112 + 3·75 = 449.
func TestAnEndingWaitsForLongerWork(t *testing.T) {
	fresh, begun := oneHand(), oneHand()
	begun.Now = 4
	begun.Activities[0].Progress = &model.Progress{
		Stretches: []model.StretchTime{{Start: 0, End: 4, Workers: []model.WorkerID{"w"}}, {Start: 4, End: 34}},
		Held:      []model.ResourceID{"c"},
	}
	for name, p := range map[string]*model.Problem{"fresh": fresh, "begun": begun} {
		for _, schedules := range []int{500, 2000} {
			plan := Solve(context.Background(), p, Options{Schedules: schedules, Seed: 1})
			for _, v := range check.Plan(p, plan) {
				t.Errorf("%s: %v", name, v)
			}
			if a, b := plan.Jobs[0].Finish, plan.Jobs[1].Finish; a != 82 || b != 79 {
				t.Errorf("%s, %d schedules: finished at %d and %d, want 82 and 79", name, schedules, a, b)
			}
			if plan.Bound > plan.Cost.Total {
				t.Errorf("%s: the bound %d is above the cost %d", name, plan.Bound, plan.Cost.Total)
			}
		}
	}
}

// What is built forward in time is what its genome decodes to, but where an
// ending goes between the beginning and the ending of one activity.
func TestForwardGenomesDecodeToWhatWasBuilt(t *testing.T) {
	const seed = 3
	t.Logf("seed %d", seed)
	built, same, put := 0, 0, 0
	for n := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, n))
		p := modeltest.Shop(r, modeltest.Size{Jobs: 2 + r.IntN(20), Benches: 1 + r.IntN(4), Interfaces: 1 + r.IntN(2), Chargers: 2, Pads: 1, Workers: 1 + r.IntN(4), Days: 4})
		plan := Solve(context.Background(), p, Options{Schedules: 20, Seed: 1})
		for _, q := range []*model.Problem{p, modeltest.Later(p, plan, p.Now+200)} {
			in := compile(q)
			d := newDecoder(in)
			s := &search{in: in, d: d, ctx: context.Background(), o: Options{Schedules: 1 << 30}, best: worst}
			s.runs = d.placeFacts(false)
			for _, way := range seeders {
				g := s.forward(way)
				if g == nil {
					continue
				}
				own := d.score()
				for _, a := range g.after {
					if a >= 0 {
						put++
					}
				}
				out := d.decode(g)
				if out.pin < 0 && out.score == own {
					same++
				}
				built++
			}
		}
	}
	if 100*same < 95*built {
		t.Errorf("%d of %d are the same", same, built)
	}
	if built < 300 || put < 300 {
		t.Errorf("%d schedules with %d endings put off: too few to say anything", built, put)
	}
}
