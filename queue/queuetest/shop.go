// Package queuetest helps tests of the queue and of what stands on it: a small
// shop with every kind of work, a site that decides and folds in memory, and a
// generator of random commands. Only tests and the simulator import it.
package queuetest

import (
	"time"

	"tickover/queue"
)

// Monday is 2026-02-16 10:00 UTC: a working day, in daylight.
var Monday = time.Date(2026, time.February, 16, 10, 0, 0, 0, time.UTC)

// Shop returns a small shop with every kind of operation: benches b1 and b2,
// interfaces i1 (family "k1") and i2 (all families), chargers c1 and c2, pad
// p1, loop l1; technicians ada (everything), ben (no ride), cleo (no flash);
// foreman fred. Route "set-up" is a new unit's, "flash-only" a reflash.
func Shop() queue.Shop {
	week := queue.Week{}
	for d := time.Monday; d <= time.Saturday; d++ {
		week[d] = []queue.Span{{From: 8 * 60, To: 18 * 60}}
	}
	op := func(id queue.OperationID, k queue.OperationKind, minutes int, needs ...queue.Need) queue.Operation {
		return queue.Operation{
			ID: id, Name: string(id), Kind: k, Needs: needs,
			Stretches: []queue.Stretch{{HandsOn: true, Duration: time.Duration(minutes) * time.Minute, Technicians: 1, MaxWait: -1}},
		}
	}
	bench, pad := queue.Need{Kind: queue.Bench}, queue.Need{Kind: queue.Pad}
	flash := op("flash", queue.Flash, 0, bench, queue.Need{Kind: queue.Interface}, queue.Need{Kind: queue.Charger})
	flash.Stretches = three(6, 28, 6, "flash", -1)
	flash.Evidence = []queue.EvidenceField{
		{Key: queue.EvidenceBattery, Label: "Rest voltage", Type: queue.Number, Unit: "V", AtStart: true},
		{Key: queue.EvidenceCalibration, Label: "Calibration read back", Type: queue.Text, Required: true},
		{Key: queue.EvidenceRevision, Label: "Revision read back", Type: queue.Number, Required: true},
		{Key: queue.EvidenceProgrammed, Label: "Programming date read back", Type: queue.Date},
		{Key: queue.EvidenceOdometer, Label: "Odometer", Type: queue.Number, Unit: "km"},
		{Key: queue.EvidenceEngineHours, Label: "Engine hours", Type: queue.Number, Unit: "h"},
	}
	relearn := op("relearn", queue.Relearn, 0, pad)
	relearn.Stretches = three(3, 7, 3, "engine", 0)
	outdoors := func(o queue.Operation) queue.Operation {
		o.Outdoors, o.Engine = true, true
		return o
	}
	ride := outdoors(op("ride", queue.TestRide, 15, queue.Need{Kind: queue.Loop}))
	ride.Stretches[0].Skill = queue.SkillRide
	low, high := 500.0, 3000.0
	restart := outdoors(op("restart", queue.RestartCheck, 5, pad))
	restart.Evidence = []queue.EvidenceField{{Key: "idle_rpm", Label: "Idle speed", Type: queue.Number, Unit: "rpm", Required: true, Min: &low, Max: &high}}
	final := op("final", queue.FinalCheck, 10)
	final.Evidence = []queue.EvidenceField{{Key: "torque_checked", Label: "Torque checked", Type: queue.YesNo, Required: true}}
	charge := op("charge", queue.Charge, 0, queue.Need{Kind: queue.Charger})
	charge.Stretches = []queue.Stretch{{Duration: time.Hour}}
	after := func(id queue.StepID) []queue.After { return []queue.After{{Step: id, Max: -1}} }
	return queue.Shop{
		Site: "test", Name: "Test shop", TimeZone: "Europe/London", LatitudeD: 55.6, LongitudeD: -2.8,
		Hours: week,
		Resources: []queue.Resource{
			{ID: "b1", Name: "Bench 1", Kind: queue.Bench, Capacity: 1, Tags: []string{"lift"}},
			{ID: "b2", Name: "Bench 2", Kind: queue.Bench, Capacity: 1},
			{ID: "i1", Name: "Interface 1", Kind: queue.Interface, Capacity: 1, Families: []queue.Family{"k1"}},
			{ID: "i2", Name: "Interface 2", Kind: queue.Interface, Capacity: 1},
			{ID: "c1", Name: "Charger 1", Kind: queue.Charger, Capacity: 1},
			{ID: "c2", Name: "Charger 2", Kind: queue.Charger, Capacity: 1},
			{ID: "p1", Name: "Pad", Kind: queue.Pad, Capacity: 1},
			{ID: "l1", Name: "Loop", Kind: queue.Loop, Capacity: 2},
		},
		Technicians: []queue.Technician{
			{ID: "ada", Name: "Ada", Skills: []queue.Skill{"flash", "engine", "ride", "fit"}, Shifts: week},
			{ID: "ben", Name: "Ben", Skills: []queue.Skill{"flash", "engine", "fit"}, Shifts: week},
			{ID: "cleo", Name: "Cleo", Skills: []queue.Skill{"engine", "ride", "fit"}, Shifts: week},
		},
		Foremen: []queue.PersonID{"fred"},
		Operations: []queue.Operation{
			op("check-in", queue.CheckIn, 10), op("assembly", queue.Assembly, 60, queue.Need{Kind: queue.Bench, Tag: "lift"}),
			charge, flash, op("resets", queue.Reset, 5, bench, queue.Need{Kind: queue.Interface}),
			outdoors(relearn), restart, ride, op("fit", queue.Fitting, 30, bench), final,
			op("rework", queue.General, 30, bench),
		},
		Routes: []queue.Route{
			{ID: "set-up", Name: "New unit", Steps: []queue.RouteStep{
				{ID: "check-in", Operation: "check-in"},
				{ID: "assembly", Operation: "assembly", After: after("check-in")},
				{ID: "charge", Operation: "charge", After: after("check-in"), Parallel: []queue.StepID{"assembly"}},
				{ID: "flash", Operation: "flash", After: append(after("assembly"), after("charge")...)},
				{ID: "resets", Operation: "resets", After: after("flash")},
				{ID: "relearn", Operation: "relearn", After: after("resets")},
				{ID: "restart", Operation: "restart", After: after("relearn")},
				{ID: "ride", Operation: "ride", After: after("restart")},
				{ID: "fit", Operation: "fit", After: after("ride"), Optional: true},
				{ID: "final", Operation: "final", After: after("fit")},
			}},
			{ID: "flash-only", Name: "Reflash", Steps: []queue.RouteStep{
				{ID: "flash", Operation: "flash"},
				{ID: "resets", Operation: "resets", After: after("flash")},
				{ID: "relearn", Operation: "relearn", After: after("resets")},
				{ID: "restart", Operation: "restart", After: after("relearn")},
				{ID: "ride", Operation: "ride", After: after("restart")},
			}},
			{ID: "fit-only", Name: "Accessories", Steps: []queue.RouteStep{
				{ID: "fit", Operation: "fit"}, {ID: "final", Operation: "final", After: after("fit")},
			}},
			{ID: "stored", Name: "After storage", Steps: []queue.RouteStep{
				{ID: "check-in", Operation: "check-in"},
				{ID: "relearn", Operation: "relearn", After: after("check-in")},
				{ID: "restart", Operation: "restart", After: after("relearn")},
				{ID: "ride", Operation: "ride", After: after("restart")},
				{ID: "final", Operation: "final", After: after("ride")},
			}},
		},
		Calibrations: []queue.Calibration{
			{ID: "cal-a", Revision: 1, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026, Family: "k1", Fitment: "standard", Released: "2024-05-01"},
			{ID: "cal-b", Revision: 2, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026, Family: "k1", Fitment: "standard", Released: "2025-05-01"},
			{ID: "cal-x", Revision: 1, Make: "Mk", Model: "M1", YearFrom: 2020, YearTo: 2026, Family: "k1", Fitment: "open", Released: "2025-05-01"},
			{ID: "none", Revision: 1, Make: "Mk", Model: "M2", YearFrom: 2020, YearTo: 2026, Family: "k2", Fitment: "standard", NoneNeeded: true, ForCaller: "It learns by itself."},
		},
		Objective: queue.Objective{Late: 1, Flow: 0.05, Moved: 5, AcceptedMove: 20},
		Limits: queue.Limits{
			BatteryMinV: 12.4, ClockSkew: 5 * time.Minute, OverdueAfter: 10 * time.Minute,
			CallBefore: 2 * time.Minute, ShowroomMax: 30 * 24 * time.Hour, ReworkOp: "rework",
		},
	}
}

func three(on, off, again int, skill queue.Skill, wait time.Duration) []queue.Stretch {
	m := func(n int) time.Duration { return time.Duration(n) * time.Minute }
	return []queue.Stretch{
		{HandsOn: true, Duration: m(on), Skill: skill, Technicians: 1, MaxWait: -1},
		{Duration: m(off), MaxWait: wait},
		{HandsOn: true, Duration: m(again), Skill: skill, Technicians: 1, MaxWait: -1},
	}
}

// Machine is a machine that calibration cal-b is current for.
func Machine() queue.Machine {
	return queue.Machine{Frame: "LK2TR30A5S1000417", Make: "Mk", Model: "M1", Year: 2025, Family: "k1", Fitment: "standard"}
}

// Arrival is an arrival of such a machine on a route.
func Arrival(route queue.RouteID, promise time.Time) queue.UnitArrived {
	return queue.UnitArrived{Machine: Machine(), Ownership: queue.NewUnit, Route: route, Promise: promise, Weight: 5}
}
