package board_test

import (
	"math"
	"testing"
	"time"

	"tickover/queue"
	"tickover/queue/queuetest"
	"tickover/services/almanac"
	"tickover/services/dispatch"
	"tickover/services/floor/board"
)

// world is a shop with one unit.
func world(t testing.TB) (*queuetest.Site, *almanac.Almanac) {
	t.Helper()
	s := queuetest.NewSite()
	if err := s.Arrive("U-1", s.State.Shop.Routes[0].ID); err != nil {
		t.Fatal(err)
	}
	a, err := almanac.New(s.State.Shop)
	if err != nil {
		t.Fatal(err)
	}
	return s, a
}

func blocks(b board.Board, lane string) []board.Block {
	for _, g := range b.Groups {
		for _, l := range g.Lanes {
			if l.ID == lane {
				return l.Blocks
			}
		}
	}
	return nil
}

// TestPartsOfAPlannedStep: hands-on, hands-off and waiting parts fill a block
// without a gap, and the wait is counted.
func TestPartsOfAPlannedStep(t *testing.T) {
	s, a := world(t)
	step := &s.State.Units["U-1"].Steps[0]
	at := func(min int) time.Time { return s.Now.Add(time.Duration(min) * time.Minute) }
	bench := s.State.Shop.Resources[0].ID
	who := s.State.Shop.Technicians[0].ID
	plan := &dispatch.Plan{Steps: []dispatch.PlannedStep{{
		Unit: "U-1", Step: step.ID, Kind: step.Kind, Resources: []queue.ResourceID{bench}, Technician: who, Start: at(0), End: at(50),
		Stretches: []dispatch.PlannedStretch{
			{HandsOn: true, Start: at(0), End: at(10), Technicians: []queue.PersonID{who}},
			{Start: at(10), End: at(30)},
			{HandsOn: true, Start: at(40), End: at(50), Technicians: []queue.PersonID{who}},
		},
	}}}
	b := board.Build(board.Input{State: s.State, Almanac: a, Plan: plan, Now: s.Now, Day: s.Now})
	got := blocks(b, string(bench))
	if len(got) != 1 || got[0].WaitMin != 10 || got[0].State != board.Planned {
		t.Fatalf("blocks %+v", got)
	}
	want := []board.Class{board.HandsOn, board.HandsOff, board.Waiting, board.HandsOn}
	end := 0.0
	for i, p := range got[0].Parts {
		if p.Class != want[i] || math.Abs(float64(p.X)-end) > 0.01 {
			t.Errorf("part %d is %+v, want %s from %.2f", i, p, want[i], end)
		}
		end = float64(p.X + p.W)
	}
	if len(got[0].Parts) != len(want) || math.Abs(end-100) > 0.01 {
		t.Errorf("%d parts up to %.2f %%", len(got[0].Parts), end)
	}
	if own := blocks(b, string(who)); len(own) != 2 {
		t.Errorf("the technician has %d blocks, want his two hands-on stretches: %+v", len(own), own)
	}
}

// TestPositionsOfADay: everything lies where its time is, the now-line too.
func TestPositionsOfADay(t *testing.T) {
	s, a := world(t)
	b := board.Build(board.Input{State: s.State, Almanac: a, Now: s.Now, Day: s.Now})
	share := 100 * float64(s.Now.Sub(b.From)) / float64(b.To.Sub(b.From))
	if b.Now == nil || math.Abs(float64(*b.Now)-share) > 0.001 {
		t.Errorf("now at %v, want %.3f", b.Now, share)
	}
	if other := board.Build(board.Input{State: s.State, Almanac: a, Now: s.Now, Day: s.Now.AddDate(0, 0, 1)}); other.Now != nil {
		t.Error("a now-line on another day")
	}
	for _, g := range b.Groups {
		for _, l := range g.Lanes {
			for _, sh := range l.Shades {
				if sh.X < -0.001 || sh.X+sh.W > 100.001 || sh.W <= 0 || sh.Text.IsZero() {
					t.Errorf("%s: shade %+v", l.Name, sh)
				}
			}
		}
	}
}

// TestRunningStepThatIsLate: the time after the expected end is drawn up to
// now, as work if somebody works, and nothing lies in the future of a step
// that should be over.
func TestRunningStepThatIsLate(t *testing.T) {
	s, a := world(t)
	step := s.State.Units["U-1"].Steps[0]
	if err := s.Start("U-1", step.ID); err != nil {
		t.Fatal(err)
	}
	op := s.State.Shop.Operation(step.Operation)
	now := s.Now.Add(op.Duration() + 30*time.Minute)
	b := board.Build(board.Input{State: s.State, Almanac: a, Now: now, Day: now})
	who := string(s.State.Units["U-1"].Steps[0].Technician)
	got := blocks(b, who)
	if len(got) == 0 || !got[len(got)-1].End.Equal(now) || got[0].State != board.Running {
		t.Errorf("blocks of %s: %+v, want them to end at %v", who, got, now)
	}
}

// BenchmarkBuild lays out a day with 60 units.
func BenchmarkBuild(b *testing.B) {
	s, a := world(b)
	plan := &dispatch.Plan{}
	for i := range 60 {
		id := queue.UnitID("B-" + string(rune('A'+i%26)) + string(rune('A'+i/26)))
		if err := s.Arrive(id, s.State.Shop.Routes[0].ID); err != nil {
			b.Fatal(err)
		}
		for k, st := range s.State.Units[id].Steps {
			start := s.Now.Add(time.Duration(10*k+i) * time.Minute)
			plan.Steps = append(plan.Steps, dispatch.PlannedStep{Unit: id, Step: st.ID, Kind: st.Kind, Start: start, End: start.Add(10 * time.Minute),
				Resources: []queue.ResourceID{s.State.Shop.Resources[0].ID}, Stretches: []dispatch.PlannedStretch{{HandsOn: true, Start: start, End: start.Add(10 * time.Minute)}}})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		board.Build(board.Input{State: s.State, Almanac: a, Plan: plan, Now: s.Now, Day: s.Now})
	}
}

// TestWeekAddsUp: a lane's load on a day is the time of its block, the wait
// told apart, and other days have none of it.
func TestWeekAddsUp(t *testing.T) {
	s, a := world(t)
	step := &s.State.Units["U-1"].Steps[0]
	at := func(min int) time.Time { return s.Now.Add(time.Duration(min) * time.Minute) }
	bench, who := s.State.Shop.Resources[0].ID, s.State.Shop.Technicians[0].ID
	plan := &dispatch.Plan{Steps: []dispatch.PlannedStep{{
		Unit: "U-1", Step: step.ID, Kind: step.Kind, Resources: []queue.ResourceID{bench}, Technician: who, Start: at(0), End: at(50),
		Stretches: []dispatch.PlannedStretch{
			{HandsOn: true, Start: at(0), End: at(10), Technicians: []queue.PersonID{who}},
			{Start: at(10), End: at(30)},
			{HandsOn: true, Start: at(40), End: at(50), Technicians: []queue.PersonID{who}},
		},
	}}}
	days := board.Week(board.Input{State: s.State, Almanac: a, Plan: plan, Now: s.Now, Day: s.Now})
	if len(days) != 7 {
		t.Fatalf("%d days", len(days))
	}
	want := map[string][2]time.Duration{string(bench): {50 * time.Minute, 10 * time.Minute}, string(who): {20 * time.Minute, 0}}
	for i, d := range days {
		for _, l := range d.Loads {
			w := want[l.ID]
			if i > 0 {
				w = [2]time.Duration{}
			}
			if (l.Busy-w[0]).Abs() > time.Second || (l.Waste-w[1]).Abs() > time.Second || l.Busy > l.Open {
				t.Errorf("day %d: %s is busy %v of %v, waits %v; want %v", i, l.ID, l.Busy, l.Open, l.Waste, w)
			}
			delete(want, l.ID)
		}
	}
	if len(want) > 0 {
		t.Errorf("no loads of %v", want)
	}
}
