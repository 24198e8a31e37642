package model_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"tickover/scheduler/model"
)

// TestExtremesAreRefused puts what arithmetic stumbles over into every number
// of a problem: each is refused with an error that names the object.
func TestExtremesAreRefused(t *testing.T) {
	const activity = `activity "a": `
	interval := func(x model.Time) []model.Interval { return []model.Interval{{Start: x, End: x}} }
	fields := []struct {
		name, what string
		endless    bool // Unlimited is allowed
		set        func(p *model.Problem, x int64)
	}{
		{"duration", activity, false, func(p *model.Problem, x int64) { p.Activities[0].Modes[0].Stretches[0].Duration = model.Time(x) }},
		{"maximum wait", activity, true, func(p *model.Problem, x int64) { p.Activities[0].Modes[0].Stretches[0].MaxWait = model.Time(x) }},
		{"crew", activity, false, func(p *model.Problem, x int64) { p.Activities[0].Modes[0].Stretches[0].Workers = int(x) }},
		{"amount", activity, true, func(p *model.Problem, x int64) { p.Activities[0].Modes[0].Needs[0].Amount = x }},
		{"parts", activity, false, func(p *model.Problem, x int64) { p.Activities[0].Release = model.Time(x) }},
		{"progress start", activity, false, func(p *model.Problem, x int64) {
			p.Activities[0].Progress = &model.Progress{Held: []model.ResourceID{"r"}, Stretches: []model.StretchTime{{Start: model.Time(x), End: 5}}}
		}},
		{"progress end", activity, false, func(p *model.Problem, x int64) {
			p.Activities[0].Progress = &model.Progress{Held: []model.ResourceID{"r"}, Stretches: []model.StretchTime{{Start: -5, End: model.Time(x)}}}
		}},
		{"mode in progress", activity, false, func(p *model.Problem, x int64) {
			p.Activities[0].Progress = &model.Progress{Mode: int(x), Held: []model.ResourceID{"r"}, Stretches: []model.StretchTime{{Start: -5, End: 5}}}
		}},
		{"minimum lag", `lag "a" → "b": `, false, func(p *model.Problem, x int64) { p.Lags[0].Min = model.Time(x) }},
		{"maximum lag", `lag "a" → "b": `, false, func(p *model.Problem, x int64) { p.Lags[0].Limited, p.Lags[0].Max = true, model.Time(x) }},
		{"release", `job "j": `, false, func(p *model.Problem, x int64) { p.Jobs[0].Release = model.Time(x) }},
		{"due date", `job "j": `, true, func(p *model.Problem, x int64) { p.Jobs[0].Due = model.Time(x) }},
		{"weight", `job "j": `, false, func(p *model.Problem, x int64) { p.Jobs[0].Weight = x }},
		{"capacity", `resource "r": `, true, func(p *model.Problem, x int64) { p.Resources[0].Capacity = x }},
		{"opening", `resource "r": `, false, func(p *model.Problem, x int64) { p.Resources[0].Open = interval(model.Time(x)) }},
		{"closure", `resource "r": `, false, func(p *model.Problem, x int64) {
			p.Resources[0].Closures = []model.Closure{{Interval: model.Interval{Start: model.Time(x), End: model.Time(x)}}}
		}},
		{"shift", `worker "w": `, false, func(p *model.Problem, x int64) { p.Workers[0].Shifts = interval(model.Time(x)) }},
		{"break", `worker "w": `, false, func(p *model.Problem, x int64) { p.Workers[0].Breaks = interval(model.Time(x)) }},
		{"calendar", `calendar "c": `, false, func(p *model.Problem, x int64) {
			p.Calendars = []model.Calendar{{ID: "c", Open: interval(model.Time(x))}}
		}},
		{"pin", `pin "p": `, false, func(p *model.Problem, x int64) {
			p.Pins = []model.Pin{{ID: "p", Activity: "a", HasStart: true, Start: model.Time(x)}}
		}},
		{"hold", `hold of "a": `, true, func(p *model.Problem, x int64) { p.Holds = []model.Hold{{Activity: "a", Until: model.Time(x)}} }},
		{"previous start", `previous assignment of "a": `, false, func(p *model.Problem, x int64) {
			p.Previous = []model.Previous{{Activity: "a", Start: model.Time(x)}}
		}},
		{"previous end", `previous assignment of "a": `, false, func(p *model.Problem, x int64) {
			p.Previous = []model.Previous{{Activity: "a", Stretches: []model.StretchTime{{End: model.Time(x)}}}}
		}},
		{"now", `problem: `, false, func(p *model.Problem, x int64) { p.Now = model.Time(x) }},
		{"horizon", `problem: `, false, func(p *model.Problem, x int64) { p.Horizon = model.Time(x) }},
		{"price", `weights: `, false, func(p *model.Problem, x int64) { p.Weights.Tardiness = model.Cost(x) }},
		{"move window", `weights: `, false, func(p *model.Problem, x int64) { p.Weights.MoveWindow = model.Time(x) }},
	}
	for _, f := range fields {
		for _, x := range []int64{math.MinInt64, math.MaxInt64, 1 << 62, -1 << 62, int64(model.Unlimited), int64(model.Unlimited) + 1, int64(model.TimeMax) + 1} {
			if f.endless && (x == int64(model.Unlimited) || f.name == "amount" && x == int64(model.TimeMax)+1 || f.name == "capacity" && x == int64(model.TimeMax)+1) {
				continue
			}
			p := valid()
			f.set(p, x)
			var invalid *model.InvalidError
			if err := model.Validate(p); !errors.As(err, &invalid) || !strings.Contains(err.Error(), f.what) {
				t.Errorf("%s %d: got %v, want an error about %s", f.name, x, err, f.what)
			}
		}
	}
}

// Facts and resources that contradict themselves.
func TestMoreWrongInputIsNamed(t *testing.T) {
	begun := func(st ...model.StretchTime) *model.Progress {
		return &model.Progress{Held: []model.ResourceID{"r"}, Stretches: st}
	}
	for _, test := range []struct {
		name, want string
		do         func(p *model.Problem)
	}{
		{"ended, not done", `activity "a": its last stretch ended at -1, before now 0, and it is not done`, func(p *model.Problem) {
			p.Activities[0].Progress = begun(model.StretchTime{Start: -9, End: -1})
		}},
		{"one resource for two needs", `activity "a": it runs on the resource "r" for two needs`, func(p *model.Problem) {
			p.Activities[0].Modes[0].Needs = append(p.Activities[0].Modes[0].Needs, model.Need{Kind: "bench"})
			p.Activities[0].Progress = begun(model.StretchTime{Start: -9, End: 1})
			p.Activities[0].Progress.Held = []model.ResourceID{"r", "r"}
		}},
		{"stock with hours", `resource "r": it is used up, whenever that is, and cannot have hours or closures`, func(p *model.Problem) {
			p.Resources[0].Consumable, p.Resources[0].Open = true, []model.Interval{{Start: 0, End: 9}}
		}},
		{"span of stock", `span "s": it may take the resource "r", which is used up and cannot be kept`, func(p *model.Problem) {
			p.Resources[0].Consumable = true
			p.Spans = []model.Span{{ID: "s", Need: model.Need{Kind: "bench"}}}
		}},
		{"cycle through a maximum lag", `activity "a": its lags contradict each other: "a" → "b" → "c" → "a" need 5 more than a maximum lag allows`, func(p *model.Problem) {
			p.Lags = append(p.Lags, model.Lag{From: "a", To: "c", FromPoint: model.Start, Limited: true, Max: 15})
		}},
	} {
		p := valid()
		test.do(p)
		var invalid *model.InvalidError
		if err := model.Validate(p); !errors.As(err, &invalid) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: got %v\nwant %s", test.name, err, test.want)
		}
	}
}
