package record

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
)

// Machine is a machine's record over its visits.
type Machine struct {
	queue.MachineRecord
	Readings []Reading // by time
	Flashes  []Flash   // the oldest first
	Faults   []Fault
	LetPass  []LetPass
	Photos   []string // hashes
	SetUp    []Part
	// Current is the calibration that the machine should have; nil: WhyNone.
	Current   *queue.Calibration
	WhyNone   *queue.Refusal
	Campaigns []*queue.Campaign // open ones
	OdoKM     *Reading          // the last ones; nil: none
	EngineH   *Reading
	// HoursAYear is the last reading divided by the time since the model year
	// began; 0: not known.
	HoursAYear float64
	Backwards  int // readings that ran backwards
}

// Quantity is what a reading measures.
type Quantity string

// Quantities with their units.
const (
	OdometerKM Quantity = "odometer_km"
	EngineH    Quantity = "engine_h"
	IdleRPM    Quantity = "idle_rpm"
	BatteryV   Quantity = "battery_v"
)

var quantities = map[queue.EvidenceKey]Quantity{
	queue.EvidenceOdometer: OdometerKM, queue.EvidenceEngineHours: EngineH, queue.EvidenceIdle: IdleRPM, queue.EvidenceBattery: BatteryV,
}

// Reading is a number that was read from the machine.
type Reading struct {
	At    time.Time
	Unit  queue.UnitID
	Step  queue.StepID
	Of    Quantity
	Value float64
	// Back: it is less than one that was read before.
	Back bool
}

// Flash is a calibration that was written, with its evidence.
type Flash struct {
	At         time.Time
	Unit       queue.UnitID
	By         queue.PersonID
	Begun      *queue.CalibrationRef
	ReadBack   string // calibration and revision, as read; empty: not read
	Programmed string // the date read back, as read
	Flags      []queue.Flag
	BatteryV   *float64 // at rest before
	OdoKM      *float64
	EngineH    *float64
	IdleRPM    *float64         // after the relearn of the same visit
	Resets     []queue.Evidence // what was reset after it
	ResetStep  queue.StepID
	Photos     []string
}

// Fault is what was found wrong.
type Fault struct {
	At    time.Time
	Unit  queue.UnitID
	Step  queue.StepID
	By    queue.PersonID
	What  string       // as it was written
	Event *queue.Event // that says so
	// Found: a check or the check-in found it; else a step failed, or somebody
	// reported a problem.
	Found bool
}

// LetPass is what was left out or let pass, and by whose decision.
type LetPass struct {
	At        time.Time
	Unit      queue.UnitID
	Step      queue.StepID    // empty: at arrival or on leaving
	Interlock queue.Interlock // 0: the step was left out
	By        queue.PersonID
	Reason    string
	Leaving   bool
}

// Part is a part of the set-up and how it stands, by the latest visit that had
// it.
type Part struct {
	Kind  queue.OperationKind
	Unit  queue.UnitID
	Step  *queue.Step // nil: none is recorded here
	Since time.Time   // the visit's arrival
}

// setUp are the kinds of work that make a set-up, beside the calibration.
var setUp = []queue.OperationKind{queue.Reset, queue.Relearn, queue.RestartCheck, queue.TestRide, queue.FinalCheck}

// Machine reads a machine's record from the log. each, if not nil, is called
// with every event of its visits, the oldest visit first.
func (r *Record) Machine(ctx context.Context, m Moment, of queue.MachineRecord, each func(*queue.Unit, *queue.Event)) (*Machine, error) {
	x := &Machine{MachineRecord: of}
	for _, u := range of.Visits {
		err := r.o.History.Events(ctx, u, func(e *queue.Event) error {
			x.event(u, e)
			if each != nil {
				each(u, e)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	x.judgeReadings()
	x.Campaigns = m.State.OpenFor(x.Latest(), m.At)
	x.Current, x.WhyNone = m.State.CalibrationFor(&x.Latest().Machine, m.At)
	if x.WhyNone != nil {
		x.Current = nil
	}
	for _, k := range setUp {
		x.SetUp = append(x.SetUp, x.partOf(k))
	}
	x.hoursAYear(m.State.Shop)
	return x, nil
}

// Newer reports that another calibration is current than the one flashed last.
func (x *Machine) Newer() bool {
	return x.Current != nil && x.Flashed != nil && *x.Flashed != x.Current.Ref()
}

// event takes an event's readings and what it says of a calibration.
func (x *Machine) event(u *queue.Unit, e *queue.Event) {
	x.LetPass = append(x.LetPass, LetPassOf(u, e)...)
	var ev queue.Evidence
	switch d := e.Data.(type) {
	case *queue.StepStarted:
		ev = d.Evidence
		if d.Calibration != nil {
			x.Flashes = append(x.Flashes, Flash{Unit: u.ID, Begun: d.Calibration, BatteryV: number(ev, queue.EvidenceBattery)})
		}
	case *queue.StepDone:
		ev = d.Evidence
		x.stepDone(u, e, d)
		for _, key := range []queue.EvidenceKey{"faults", "damage"} {
			if v := strings.TrimSpace(ev[key]); v != "" {
				x.Faults = append(x.Faults, Fault{At: e.When(), Unit: u.ID, Step: d.Step, By: e.Actor, What: v, Event: e, Found: true})
			}
		}
	case *queue.StepFailed:
		ev = d.Evidence
		if f := x.flash(u); f != nil && f.At.IsZero() && kindOf(u, d.Step) == queue.Flash {
			x.Flashes = x.Flashes[:len(x.Flashes)-1] // nothing was written for sure
		}
		x.Faults = append(x.Faults, Fault{At: e.When(), Unit: u.ID, Step: d.Step, By: e.Actor, What: d.Reason, Event: e})
	case *queue.ProblemReported:
		ev = d.Evidence
		x.Faults = append(x.Faults, Fault{At: e.When(), Unit: u.ID, Step: d.Step, By: e.Actor, What: d.Reason, Event: e})
	case *queue.ReworkOpened:
		x.Faults = append(x.Faults, Fault{At: e.When(), Unit: u.ID, Step: d.Before, By: e.Actor, What: d.Reason, Event: e})
	}
	for _, key := range []queue.EvidenceKey{queue.EvidenceOdometer, queue.EvidenceEngineHours, queue.EvidenceIdle, queue.EvidenceBattery} {
		if v := number(ev, key); v != nil {
			x.Readings = append(x.Readings, Reading{At: e.When(), Unit: u.ID, Of: quantities[key], Value: *v, Step: e.StepOf()})
		}
	}
	x.Photos = append(x.Photos, photosOf(ev)...)
}

func photosOf(ev queue.Evidence) []string {
	var out []string
	for _, v := range ev {
		if list, ok := queue.Photos(v); ok {
			out = append(out, list...)
		}
	}
	slices.Sort(out)
	return out
}

// stepDone completes what is known of the visit's last flash.
func (x *Machine) stepDone(u *queue.Unit, e *queue.Event, d *queue.StepDone) {
	f := x.flash(u)
	if f == nil {
		return
	}
	switch kindOf(u, d.Step) {
	case queue.Flash:
		f.At, f.By, f.Flags = e.When(), d.Technician, d.Flags
		f.ReadBack = strings.TrimSpace(d.Evidence[queue.EvidenceCalibration] + " " + d.Evidence[queue.EvidenceRevision])
		f.Programmed = d.Evidence[queue.EvidenceProgrammed]
		if v := number(d.Evidence, queue.EvidenceBattery); v != nil && f.BatteryV == nil {
			f.BatteryV = v
		}
		f.OdoKM, f.EngineH, f.Photos = x.last(OdometerKM), x.last(EngineH), photosOf(d.Evidence)
	case queue.Reset:
		f.Resets, f.ResetStep = append(f.Resets, d.Evidence), d.Step
	case queue.Relearn, queue.RestartCheck:
		if v := number(d.Evidence, queue.EvidenceIdle); v != nil {
			f.IdleRPM = v
		}
	}
}

// flash is the visit's last flash that was begun.
func (x *Machine) flash(u *queue.Unit) *Flash {
	if n := len(x.Flashes); n > 0 && x.Flashes[n-1].Unit == u.ID {
		return &x.Flashes[n-1]
	}
	return nil
}

func (x *Machine) last(of Quantity) *float64 {
	for _, r := range slices.Backward(x.Readings) {
		if r.Of == of {
			return &r.Value
		}
	}
	return nil
}

func kindOf(u *queue.Unit, id queue.StepID) queue.OperationKind {
	if st := u.Step(id); st != nil {
		return st.Kind
	}
	return 0
}

func number(ev queue.Evidence, key queue.EvidenceKey) *float64 {
	v, err := strconv.ParseFloat(ev[key], 64)
	if err != nil || ev[key] == "" || v != v {
		return nil
	}
	return &v
}

// judgeReadings puts the readings in the order of time and marks those that
// are less than an earlier one: within a visit I12 refuses them, over visits
// they show that something was exchanged, or misread.
func (x *Machine) judgeReadings() {
	x.Flashes = slices.DeleteFunc(x.Flashes, func(f Flash) bool { return f.At.IsZero() })
	slices.SortStableFunc(x.Readings, func(a, b Reading) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Of, b.Of))
	})
	most := map[Quantity]float64{}
	for i := range x.Readings {
		r := &x.Readings[i]
		if r.Of != OdometerKM && r.Of != EngineH {
			continue
		}
		if top, ok := most[r.Of]; ok && r.Value < top {
			r.Back = true
			x.Backwards++
		} else {
			most[r.Of] = r.Value
		}
		if r.Of == OdometerKM {
			x.OdoKM = r
		} else {
			x.EngineH = r
		}
	}
}

func (x *Machine) hoursAYear(shop *queue.Shop) {
	year := x.Latest().Machine.Year
	if x.EngineH == nil || year == 0 || shop == nil {
		return
	}
	began := time.Date(year, 1, 1, 0, 0, 0, 0, shop.Location())
	if years := x.EngineH.At.Sub(began).Hours() / (24 * 365.25); years > 0.08 { // a month
		x.HoursAYear = x.EngineH.Value / years
	}
}

func (x *Machine) partOf(k queue.OperationKind) Part {
	for _, u := range slices.Backward(x.Visits) {
		for i := range u.Steps {
			if u.Steps[i].Kind == k {
				return Part{k, u.ID, &u.Steps[i], u.Arrived}
			}
		}
	}
	return Part{Kind: k}
}

// LetPassOf is what an event leaves out or lets pass.
func LetPassOf(u *queue.Unit, e *queue.Event) []LetPass {
	over := func(list []queue.Override, p LetPass) []LetPass {
		var out []LetPass
		for _, o := range list {
			p.At, p.Unit, p.Interlock, p.By, p.Reason = e.When(), u.ID, o.Interlock, o.By, o.Reason
			out = append(out, p)
		}
		return out
	}
	switch d := e.Data.(type) {
	case *queue.StepSkipped:
		return []LetPass{{At: e.When(), Unit: u.ID, Step: d.Step, By: e.Actor, Reason: d.Reason}}
	case *queue.UnitArrived:
		return over(d.Overrides, LetPass{})
	case *queue.StepStarted:
		return over(d.Overrides, LetPass{Step: d.Step})
	case *queue.StepDone:
		return over(d.Overrides, LetPass{Step: d.Step})
	case *queue.UnitLeft:
		return over(d.Overrides, LetPass{Leaving: true})
	case *queue.UnitSold:
		return over(d.Overrides, LetPass{Leaving: true})
	}
	return nil
}
