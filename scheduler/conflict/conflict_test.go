package conflict_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"tickover/scheduler"
	"tickover/scheduler/conflict"
	"tickover/scheduler/model"
)

// flashShop is a day in a shop: open 480 … 1020 (08:00–17:00), one flash of U-17
// that takes 40 minutes on a bench with an interface.
func flashShop() *model.Problem {
	flash := model.Activity{ID: "flash", Job: "U-17", Presence: true, Inside: "hours", Modes: []model.Mode{{
		Needs:     []model.Need{{Kind: "bench"}, {Kind: "interface", Tags: []string{"kr5"}}},
		Stretches: []model.Stretch{hands(6, "flash"), {Duration: 28, MaxWait: model.Unlimited}, hands(6, "flash")},
	}}}
	return &model.Problem{
		Now: 480, Horizon: 4 * 1440, Weights: model.ShopWeights(),
		Jobs:       []model.Job{{ID: "U-17", Due: 1020, Weight: 1, OnePlace: true}},
		Activities: []model.Activity{flash},
		Resources: []model.Resource{{ID: "b1", Kind: "bench", Capacity: 1}, {ID: "b2", Kind: "bench", Capacity: 1},
			{ID: "i1", Kind: "interface", Capacity: 1, Tags: []string{"kr5"}}, {ID: "i2", Kind: "interface", Capacity: 1}},
		Workers: []model.Worker{{ID: "ruth", Skills: []string{"flash", "ride"}, Shifts: days(480, 1020), Breaks: []model.Interval{{Start: 720, End: 750}}},
			{ID: "kofi", Skills: []string{"flash"}, Shifts: days(480, 990)}, {ID: "ines", Shifts: days(480, 1020)}},
		Calendars: []model.Calendar{{ID: "hours", Name: "opening hours", Open: days(480, 1020)}},
	}
}

func hands(d model.Time, skill string) model.Stretch {
	return model.Stretch{Duration: d, Workers: 1, Skills: []string{skill}}
}

func days(from, to model.Time) []model.Interval {
	var out []model.Interval
	for d := range model.Time(4) {
		out = append(out, model.Interval{Start: d*1440 + from, End: d*1440 + to})
	}
	return out
}

func words() scheduler.Words {
	return scheduler.Words{
		Time:     func(t model.Time) any { return fmt.Sprintf("%02d:%02d", t/60, t%60) },
		Length:   func(t model.Time) any { return fmt.Sprint(int64(t), " min") },
		Calendar: func(id model.CalendarID) any { return "opening hours" },
	}
}

func start(id model.PinID, a model.ActivityID, t model.Time) model.Pin {
	return model.Pin{ID: id, Activity: a, HasStart: true, Start: t}
}

func solved(t *testing.T, p *model.Problem) *model.Plan {
	t.Helper()
	plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{Schedules: 50, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func TestConflictsInWords(t *testing.T) {
	other := func(p *model.Problem, id model.JobID) *model.Activity {
		a := p.Activities[0]
		a.ID, a.Job = "flash of "+model.ActivityID(id), id
		p.Jobs = append(p.Jobs, model.Job{ID: id, Due: model.Unlimited, Weight: 1, OnePlace: true})
		p.Activities = append(p.Activities, a)
		return &p.Activities[len(p.Activities)-1]
	}
	for _, tc := range []struct {
		name, want string
		do         func(p *model.Problem)
	}{
		{"closing time", "flash can't start at 16:40: it takes 40 min and opening hours end at 17:00",
			func(p *model.Problem) { p.Pins = []model.Pin{start("p", "flash", 1000)} }},
		{"closure or skill of one interface", "flash can't start at 15:00: it takes 40 min, i1 is down until 15:30 (leaks) and only i1 has kr5; any one of these would have to change",
			func(p *model.Problem) {
				p.Resources[2].Closures = []model.Closure{{Interval: model.Interval{Start: 800, End: 930}, Reason: "leaks"}}
				p.Pins = []model.Pin{start("p", "flash", 900)}
			}},
		{"two pins", "flash can't start at 10:00: it takes 40 min, flash of U-2 is pinned to start at 09:50 and only i1 has kr5; any one of these would have to change",
			func(p *model.Problem) {
				other(p, "U-2")
				p.Pins = []model.Pin{start("a", "flash of U-2", 590), start("p", "flash", 600)}
			}},
		{"one who is off", "flash can't start at 16:20: it takes 40 min, it is pinned to kofi, opening hours end at 17:00 and kofi goes home at 16:30; any one of these would have to change",
			func(p *model.Problem) {
				p.Pins = []model.Pin{{ID: "a", Activity: "flash", Worker: "kofi"}, start("p", "flash", 980)}
			}},
		{"what runs", "flash can't start at 08:10: it takes 40 min, flash of U-2 is on i1 until 08:26 and only i1 has kr5; any one of these would have to change",
			func(p *model.Problem) {
				a := other(p, "U-2")
				a.Progress = &model.Progress{Held: []model.ResourceID{"b1", "i1"}, Stretches: []model.StretchTime{
					{Start: 466, End: 472, Workers: []model.WorkerID{"kofi"}}, {Start: 472, End: 500}}}
				p.Pins = []model.Pin{start("p", "flash", 490)}
			}},
		{"hold", "flash can't start at 10:00: it takes 40 min and it is held (customer asked)",
			func(p *model.Problem) {
				p.Holds = []model.Hold{{Activity: "flash", Until: model.Unlimited, Reason: "customer asked"}}
				p.Pins = []model.Pin{start("p", "flash", 600)}
			}},
		{"arrival", "flash can't start at 10:00: it takes 40 min and U-17 comes in at 11:00",
			func(p *model.Problem) {
				p.Jobs[0].Release = 660
				p.Pins = []model.Pin{start("p", "flash", 600)}
			}},
		{"what comes first", "flash can't start at 08:30: it takes 40 min, parts of charge come at 08:20 and charge (20 min) comes first; any one of these would have to change",
			func(p *model.Problem) {
				p.Activities = append(p.Activities, model.Activity{ID: "charge", Job: "U-17", Release: 500, Modes: []model.Mode{{Stretches: []model.Stretch{{Duration: 20}}}}})
				p.Lags = []model.Lag{{From: "charge", To: "flash"}}
				p.Pins = []model.Pin{start("p", "flash", 510)}
			}},
		{"past", "flash can't start at 07:50, whatever else is changed: that time is past; it is 08:00",
			func(p *model.Problem) { p.Pins = []model.Pin{start("p", "flash", 470)} }},
		{"promise: nobody has the skill", "U-17 can't be ready by 17:00, even if it goes first: what is left of it takes 40 min and nobody has flash",
			func(p *model.Problem) {
				for i := range p.Workers {
					p.Workers[i].Skills = nil
				}
			}},
		{"promise: closure", "U-17 can't be ready by 17:00, even if it goes first: what is left of it takes 40 min, i1 is down until 16:30 and only i1 has kr5; any one of these would have to change; the earliest is 32:40",
			func(p *model.Problem) {
				p.Resources[2].Closures = []model.Closure{{Interval: model.Interval{Start: 470, End: 990}}}
			}},
		{"promise: too much work", "U-17 can't be ready by 08:30, even if it goes first: what is left of it takes 40 min; the earliest is 08:40",
			func(p *model.Problem) { p.Jobs[0].Due = 510 }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := flashShop()
			tc.do(p)
			plan := solved(t, p)
			found := conflict.Of(p, plan, 10)
			i := slices.IndexFunc(found, func(c *conflict.Conflict) bool { return c.Pin != "" || len(plan.Pins) == 0 })
			if i < 0 {
				t.Fatalf("no conflict; pins %+v, jobs %+v", plan.Pins, plan.Jobs)
			}
			c := found[i]
			if got := words().Conflict(c).String(); got != tc.want {
				t.Errorf("got  %s\nwant %s\n%+v", got, tc.want, c)
			}
			if !c.Proved || !c.Smallest {
				t.Errorf("proved %v, smallest %v", c.Proved, c.Smallest)
			}
		})
	}
}

// A job that is late because others go first has no conflict of its own.
func TestOthersFirstIsNoConflict(t *testing.T) {
	p := flashShop()
	a := p.Activities[0]
	for i := range 3 {
		id := model.JobID(fmt.Sprint("V-", i))
		a.ID, a.Job = model.ActivityID("flash of "+id), id
		p.Jobs = append(p.Jobs, model.Job{ID: id, Due: 560, Weight: 9, OnePlace: true})
		p.Activities = append(p.Activities, a)
	}
	p.Jobs[0].Due = 530
	plan := solved(t, p)
	c := conflict.OfDue(p, plan, "U-17")
	if want := "U-17 can't be ready by 08:50 because others go first; by itself it could be ready by 08:40"; c.Proved || words().Conflict(c).String() != want {
		t.Errorf("got %s\n%+v", words().Conflict(c), c)
	}
}
