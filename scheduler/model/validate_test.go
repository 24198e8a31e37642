package model_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"tickover/scheduler/model"
)

func valid() *model.Problem {
	a := func(id model.ActivityID) model.Activity {
		return model.Activity{ID: id, Job: "j", Modes: []model.Mode{{
			Needs:     []model.Need{{Kind: "bench"}},
			Stretches: []model.Stretch{{Duration: 10, Workers: 1}},
		}}}
	}
	return &model.Problem{
		Horizon:    100,
		Jobs:       []model.Job{{ID: "j", Due: 50, Weight: 1}},
		Activities: []model.Activity{a("a"), a("b"), a("c")},
		Lags:       []model.Lag{{From: "a", To: "b"}, {From: "b", To: "c"}},
		Resources:  []model.Resource{{ID: "r", Kind: "bench", Capacity: 1}},
		Workers:    []model.Worker{{ID: "w"}},
		Weights:    model.ShopWeights(),
	}
}

// TestWrongInputIsNamed changes one thing at a time; the error names the
// object and the reason.
func TestWrongInputIsNamed(t *testing.T) {
	if err := model.Validate(valid()); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, want string
		do         func(p *model.Problem)
	}{
		{"negative duration", `activity "a": a duration -1 is negative`, func(p *model.Problem) { p.Activities[0].Modes[0].Stretches[0].Duration = -1 }},
		{"duration overflows", `activity "a": a duration 9223372036854775807 is more than`, func(p *model.Problem) { p.Activities[0].Modes[0].Stretches[0].Duration = math.MaxInt64 }},
		{"negative wait", `activity "a": a maximum wait -5 is negative`, func(p *model.Problem) { p.Activities[0].Modes[0].Stretches[0].MaxWait = -5 }},
		{"negative crew", `activity "a": a stretch asks for -1 workers`, func(p *model.Problem) { p.Activities[0].Modes[0].Stretches[0].Workers = -1 }},
		{"cycle", `activity "a": it waits for itself: the lags form a cycle`, func(p *model.Problem) { p.Lags = append(p.Lags, model.Lag{From: "c", To: "a"}) }},
		{"cycle behind a way in", `activity "b": it waits for itself`, func(p *model.Problem) { p.Lags = append(p.Lags, model.Lag{From: "c", To: "b"}) }},
		{"self", `it relates an activity to itself`, func(p *model.Problem) { p.Lags = append(p.Lags, model.Lag{From: "a", To: "a"}) }},
		{"unknown successor", `lag "a" → "x": the activity "x" is unknown`, func(p *model.Problem) { p.Lags[0].To = "x" }},
		{"empty lag window", `its maximum 1 is less than its minimum 2`, func(p *model.Problem) { p.Lags[0].Min, p.Lags[0].Max, p.Lags[0].Limited = 2, 1, true }},
		{"unknown job", `activity "a": its job "x" is unknown`, func(p *model.Problem) { p.Activities[0].Job = "x" }},
		{"no mode", `activity "a": it has no mode`, func(p *model.Problem) { p.Activities[0].Modes = nil }},
		{"no stretch", `activity "a": a mode has no stretch`, func(p *model.Problem) { p.Activities[0].Modes[0].Stretches = nil }},
		{"unknown calendar", `activity "a": its calendar "x" is unknown`, func(p *model.Problem) { p.Activities[0].Inside = "x" }},
		{"unknown resource", `it needs the resource "x", which is unknown`, func(p *model.Problem) { p.Activities[0].Modes[0].Needs[0].Resources = []model.ResourceID{"x"} }},
		{"negative amount", `activity "a": it needs an amount of -1`, func(p *model.Problem) { p.Activities[0].Modes[0].Needs[0].Amount = -1 }},
		{"need for nothing", `a need names neither a kind nor resources`, func(p *model.Problem) { p.Activities[0].Modes[0].Needs[0].Kind = "" }},
		{"unknown span", `activity "a": its span "x" is unknown`, func(p *model.Problem) { p.Activities[0].Modes[0].Needs[0].Span = "x" }},
		{"twice", `activity "b": the id is used twice`, func(p *model.Problem) { p.Activities[0].ID = "b" }},
		{"empty id", `its id is empty`, func(p *model.Problem) { p.Workers[0].ID = "" }},
		{"capacity", `resource "r": its capacity -1 is outside`, func(p *model.Problem) { p.Resources[0].Capacity = -1 }},
		{"calendar backwards", `which is empty or ends before it starts`, func(p *model.Problem) { p.Resources[0].Open = []model.Interval{{Start: 5, End: 5}} }},
		{"calendar overlaps", `worker "w": its shifts [0, 5) and [4, 9) overlap or are out of order`, func(p *model.Problem) { p.Workers[0].Shifts = []model.Interval{{Start: 0, End: 5}, {Start: 4, End: 9}} }},
		{"closure", `resource "r": its closure [9, 3) is empty`, func(p *model.Problem) {
			p.Resources[0].Closures = []model.Closure{{Interval: model.Interval{Start: 9, End: 3}}}
		}},
		{"weight", `job "j": its weight -1 is outside`, func(p *model.Problem) { p.Jobs[0].Weight = -1 }},
		{"objective overflows", `overflows the objective`, func(p *model.Problem) {
			p.Jobs[0].Weight, p.Horizon, p.Weights.Tardiness = 1_000_000, model.TimeMax, 1_000_000_000
		}},
		{"horizon", `the horizon 100 is not after now 100`, func(p *model.Problem) { p.Now = 100 }},
		{"time overflows", `its release 4611686018427387904 is outside`, func(p *model.Problem) { p.Jobs[0].Release = math.MaxInt64/2 + 1 }},
		{"price", `the price of move, -1, is outside`, func(p *model.Problem) { p.Weights.Move = -1 }},
		{"pin", `pin "p": the activity "x" is unknown`, func(p *model.Problem) { p.Pins = []model.Pin{{ID: "p", Activity: "x"}} }},
		{"began in the future", `a stretch began at 5, after now 0`, func(p *model.Problem) {
			p.Activities[0].Progress = &model.Progress{Held: []model.ResourceID{"r"}, Stretches: []model.StretchTime{{Start: 5, End: 6}}}
		}},
		{"runs on nothing", `it runs with 0 resources for 1 needs`, func(p *model.Problem) {
			p.Activities[0].Progress = &model.Progress{Stretches: []model.StretchTime{{Start: -5, End: 6}}}
		}},
		{"previous twice", `it is listed twice`, func(p *model.Problem) { p.Previous = []model.Previous{{Activity: "a"}, {Activity: "a"}} }},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p := valid()
			test.do(p)
			err := model.Validate(p)
			var invalid *model.InvalidError
			if !errors.As(err, &invalid) || !strings.Contains(err.Error(), test.want) {
				t.Errorf("want %q, got %v", test.want, err)
			}
		})
	}
}

func TestFaultsAreReportedTogetherAndBounded(t *testing.T) {
	p := valid()
	for range 50 {
		p.Pins = append(p.Pins, model.Pin{ID: "same", Activity: "x"})
	}
	var invalid *model.InvalidError
	if err := model.Validate(p); !errors.As(err, &invalid) || len(invalid.Faults) != 20 {
		t.Errorf("got %v", err)
	}
}
