package scheduler_test

import (
	"context"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tickover/scheduler"
	"tickover/scheduler/check"
	"tickover/scheduler/model"
)

// relearns are two units that need the one pad; ticks are minutes of the day.
func relearns() *model.Problem {
	relearn := []model.Mode{{
		Needs: []model.Need{{Kind: "pad"}},
		Stretches: []model.Stretch{
			{Duration: 3, Workers: 1, Skills: []string{"engine"}},
			{Duration: 7}, // throttle untouched; somebody is there when it ends
			{Duration: 3, Workers: 1, Skills: []string{"engine"}},
		},
	}}
	return &model.Problem{
		Now: 7 * 60, Horizon: 18 * 60, Weights: model.ShopWeights(),
		Jobs: []model.Job{{ID: "T-104", Weight: 2, Due: 480}, {ID: "T-105", Weight: 1, Due: 480}},
		Activities: []model.Activity{
			{ID: "T-104/relearn", Job: "T-104", Presence: true, Modes: relearn},
			{ID: "T-105/relearn", Job: "T-105", Presence: true, Modes: relearn},
		},
		Resources: []model.Resource{{ID: "pad", Kind: "pad", Capacity: 1, Within: true, Open: []model.Interval{{Start: 472, End: 960}}}},
		Workers:   []model.Worker{{ID: "kim", Skills: []string{"engine"}, Shifts: []model.Interval{{Start: 420, End: 960}}}},
	}
}

func clock(t model.Time) string { return fmt.Sprintf("%02d:%02d", t/60, t%60) }

func told(t model.Time) any { return clock(t) }

func ExamplePlan() {
	plan, err := scheduler.Plan(context.Background(), relearns(), scheduler.Options{Schedules: 20, Seed: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	words := scheduler.Words{Time: told}
	for i := range plan.Assignments {
		as := &plan.Assignments[i]
		fmt.Println(clock(as.Start), as.Activity, "by", as.Stretches[0].Workers[0]+":", words.Assignment(as)[0])
	}
	// Output:
	// 07:52 T-104/relearn by kim: waits for pad, which opens at 07:52
	// 08:05 T-105/relearn by kim: waits for pad until 08:05: T-104/relearn is on it
}

// TestWordsTellWhatBinds puts one limit at a time in the way.
func TestWordsTellWhatBinds(t *testing.T) {
	tests := []struct {
		name, want string
		do         func(p *model.Problem)
	}{
		{"shift", "waits until kim is at work at 09:00", func(p *model.Problem) { p.Workers[0].Shifts[0].Start = 540; p.Activities[0].Presence = false }},
		{"closure", "waits for pad, down until 09:10 (leaks)", func(p *model.Problem) {
			p.Resources[0].Closures = []model.Closure{{Interval: model.Interval{Start: 400, End: 550}, Reason: "leaks"}}
		}},
		{"release", "arrives, or its parts do, at 10:00", func(p *model.Problem) { p.Activities[0].Release = 600 }},
		{"hold", "is held until 10:00 (call first)", func(p *model.Problem) {
			p.Holds = []model.Hold{{Activity: "T-104/relearn", Until: 600, Reason: "call first"}}
		}},
		{"lag", "comes after T-105/relearn, until 08:05", func(p *model.Problem) {
			p.Lags = []model.Lag{{From: "T-105/relearn", To: "T-104/relearn"}}
		}},
		{"calendar", "waits for engine hours at 11:00", func(p *model.Problem) {
			p.Calendars = []model.Calendar{{ID: "engine hours", Open: []model.Interval{{Start: 660, End: 900}}}}
			p.Activities[0].Inside = "engine hours"
		}},
		{"presence", "waits until somebody is on site throughout, at 08:20", func(p *model.Problem) {
			p.Activities[0].Modes = []model.Mode{{Needs: []model.Need{{Kind: "pad"}}, Stretches: []model.Stretch{{Duration: 9}}}}
			p.Workers[0].Shifts[0].Start = 500
		}},
		{"wait", "starts at 07:57 so that kim is there when its hands-off time ends", func(p *model.Problem) {
			p.Workers[0].Breaks = []model.Interval{{Start: 476, End: 487}, {Start: 600, End: 610}}
			p.Activities[0].Modes = []model.Mode{{Needs: []model.Need{{Kind: "pad"}}, Stretches: []model.Stretch{{Duration: 10}, {Duration: 3, Workers: 1}}}}
			p.Activities[1].Release = 700
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := relearns()
			test.do(p)
			plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if v := check.Plan(p, plan); v != nil {
				t.Fatal(v)
			}
			var all []string
			for i := range plan.Assignments {
				if plan.Assignments[i].Activity == "T-104/relearn" {
					all = scheduler.Words{Time: told}.Assignment(&plan.Assignments[i])
				}
			}
			if len(all) == 0 || all[0] != test.want {
				t.Errorf("want %q first, got %q", test.want, all)
			}
		})
	}
}

// TestNothingIsSilentlyLeftOut stops an activity in one way at a time.
func TestNothingIsSilentlyLeftOut(t *testing.T) {
	tests := []struct {
		name string
		want model.Constraint
		say  string
		do   func(p *model.Problem)
	}{
		{"nobody has the skill", model.C7, "there is nothing, or nobody, with engine", func(p *model.Problem) { p.Workers[0].Skills = nil }},
		{"no such resource", model.C7, "there is nothing, or nobody, with pad", func(p *model.Problem) { p.Resources[0].Kind = "bench" }},
		{"held", model.C11, "it is held (stolen?)", func(p *model.Problem) {
			p.Holds = []model.Hold{{Activity: "T-104/relearn", Until: model.Unlimited, Reason: "stolen?"}}
		}},
		{"never light", model.C8, "it waits for pad, which opens at 18:00", func(p *model.Problem) { p.Resources[0].Open = []model.Interval{} }},
		{"down", model.C12, "it waits for pad, down until 18:00 (flooded)", func(p *model.Problem) {
			p.Resources[0].Closures = []model.Closure{{Interval: model.Interval{Start: 0, End: model.Unlimited}, Reason: "flooded"}}
		}},
		{"nobody comes", model.C5, "it waits until kim is at work at 18:00", func(p *model.Problem) { p.Workers[0].Shifts = []model.Interval{}; p.Activities[0].Presence = false }},
		{"arrives after the horizon", model.C1, "it does not fit before 18:00, the end of planning", func(p *model.Problem) { p.Activities[0].Release = 1090 }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := relearns()
			test.do(p)
			plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{Schedules: 10})
			if err != nil {
				t.Fatal(err)
			}
			if v := check.Plan(p, plan); v != nil {
				t.Fatal(v)
			}
			i := slices.IndexFunc(plan.Unplaced, func(u model.Unplaced) bool { return u.Activity == "T-104/relearn" })
			if i < 0 {
				t.Fatalf("it is placed: %+v", plan.Assignments)
			}
			u := &plan.Unplaced[i]
			if said := (scheduler.Words{Time: told}).Unplaced(u); u.Constraint != test.want || said != "T-104/relearn has no place: "+test.say {
				t.Errorf("%v, %q; want %v, %q", u.Constraint, said, test.want, test.say)
			}
		})
	}
}

// TestPinsThatFailSayWhy keeps the rest of the plan.
func TestPinsThatFailSayWhy(t *testing.T) {
	tests := []struct {
		name string
		pin  model.Pin
		do   func(p *model.Problem)
		say  string // empty: it holds
	}{
		{"holds", model.Pin{HasStart: true, Start: 500}, nil, ""},
		{"dark", model.Pin{HasStart: true, Start: 430}, nil, "it waits for pad, which opens at 07:52"},
		{"past", model.Pin{HasStart: true, Start: 400}, nil, "that time is past; it is 07:00"},
		{"wrong resource", model.Pin{Resource: "bench"}, nil, "bench is nothing that it can use"},
		{"wrong worker", model.Pin{Worker: "lee"}, nil, "lee lacks engine"},
		{"predecessor too long", model.Pin{HasStart: true, Start: 480}, func(p *model.Problem) {
			p.Lags = []model.Lag{{From: "T-105/relearn", To: "T-104/relearn"}}
		}, "T-105/relearn comes first and cannot be done by then"},
		{"predecessor in time", model.Pin{HasStart: true, Start: 490}, func(p *model.Problem) {
			p.Lags = []model.Lag{{From: "T-105/relearn", To: "T-104/relearn"}}
		}, ""},
		{"two starts", model.Pin{HasStart: true, Start: 500}, func(p *model.Problem) {
			p.Pins = append(p.Pins, model.Pin{ID: "z", Activity: "T-104/relearn", HasStart: true, Start: 480})
		}, "it is pinned to start at 08:00"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := relearns()
			p.Resources = append(p.Resources, model.Resource{ID: "bench", Kind: "bench", Capacity: 1})
			p.Workers = append(p.Workers, model.Worker{ID: "lee", Shifts: p.Workers[0].Shifts})
			test.pin.ID, test.pin.Activity = "y", "T-104/relearn"
			p.Pins = []model.Pin{test.pin}
			if test.do != nil {
				test.do(p)
			}
			plan, err := scheduler.Plan(context.Background(), p, scheduler.Options{Schedules: 10})
			if err != nil {
				t.Fatal(err)
			}
			if v := check.Plan(p, plan); v != nil {
				t.Fatal(v)
			}
			if len(plan.Unplaced) > 0 {
				t.Fatalf("the rest is not kept: %+v", plan.Unplaced)
			}
			said := ""
			for i := range plan.Pins {
				if plan.Pins[i].Pin == "y" {
					said = scheduler.Words{Time: told}.Pin(&plan.Pins[i])
				}
			}
			want := ""
			if test.say != "" {
				want = "pin y of T-104/relearn cannot hold: " + test.say
			}
			if said != want {
				t.Errorf("%q; want %q", said, want)
			}
		})
	}
}

// TestCancelledSearchIsLabelled: a plan there is, and it says that it was cut.
func TestCancelledSearchIsLabelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	p := relearns()
	plan, err := scheduler.Plan(ctx, p, scheduler.Options{Schedules: 1000})
	if err != nil {
		t.Fatal(err)
	}
	if v := check.Plan(p, plan); v != nil || !plan.Cut || len(plan.Assignments) != 2 {
		t.Errorf("cut %v, violations %v, %d assignments", plan.Cut, v, len(plan.Assignments))
	}
}

func TestWrongInputIsAnError(t *testing.T) {
	p := relearns()
	p.Activities[0].Modes = nil
	_, err := scheduler.Plan(context.Background(), p, scheduler.Options{})
	var invalid *model.InvalidError
	if !errors.As(err, &invalid) || !strings.Contains(err.Error(), `activity "T-104/relearn": it has no mode`) {
		t.Errorf("got %v", err)
	}
}

// TestCoreIsPure parses the planner's files: no clock, no disk, no network, no
// logger, no unseeded chance.
func TestCoreIsPure(t *testing.T) {
	forbidden := map[string]string{
		"os": "the disk is at the edge", "net": "the network is at the edge", "log": "the core returns reasons",
		"math/rand": "its top-level source is not seeded by the caller", "crypto/rand": "chance is handed in",
		"go.uber.org/zap": "the core returns reasons",
	}
	calls := regexp.MustCompile(`\b(time\.(Now|Since|Until|Sleep|After|Tick|NewTimer|NewTicker)|rand\.(Int|IntN|N|Uint64|Perm|Shuffle|Float64))\(`)
	files := 0
	for _, dir := range []string{".", "model", "solve", "check", "modeltest"} {
		list, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range list {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			files++
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			f, err := parser.ParseFile(token.NewFileSet(), name, text, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			for _, i := range f.Imports {
				path, _ := strconv.Unquote(i.Path.Value)
				if why, bad := forbidden[path]; bad || strings.HasPrefix(path, "net/") {
					t.Errorf("%s imports %s: %s", name, path, why)
				}
				if dir == "check" && strings.HasPrefix(path, "tickover/") && path != "tickover/scheduler/model" {
					t.Errorf("%s imports %s: the checker stands alone", name, path)
				}
			}
			if call := calls.Find(text); call != nil {
				t.Errorf("%s calls %s", name, call)
			}
		}
	}
	if files < 10 {
		t.Fatalf("only %d files were looked at", files)
	}
}
