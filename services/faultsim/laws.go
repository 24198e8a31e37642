package faultsim

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/queue"
)

// laws judges the entries of a site by the events alone: it shares no code with
// queue.Decide, queue.State or the almanac.
type laws struct {
	shop   *queue.Shop
	loc    *time.Location
	runs   map[key]*run
	held   map[queue.ResourceID][]key
	closed map[queue.ResourceID][]queue.ResourceClosed
	left   map[string]bool
	say    func(string, ...any)
}

type key struct {
	unit string
	step queue.StepID
}

// run is a step that runs.
type run struct {
	kind      string
	resources []queue.ResourceID
}

func newLaws(say func(string, ...any)) *laws {
	return &laws{runs: map[key]*run{}, held: map[queue.ResourceID][]key{}, closed: map[queue.ResourceID][]queue.ResourceClosed{}, left: map[string]bool{}, say: say}
}

func (w *laws) entry(en *queue.Entry) {
	for i := range en.Events {
		w.event(&en.Events[i])
	}
}

func (w *laws) event(e *queue.Event) {
	at := e.Time
	if e.ClockSuspect {
		at = e.Received // what the queue counts
	}
	unit, _ := e.Subject.Unit()
	kind, _, _ := strings.Cut(string(e.Type), ".")
	u := string(unit)
	switch d := e.Data.(type) {
	case *queue.ShopConfigured:
		w.shop = &d.Shop
		w.loc, _ = time.LoadLocation(d.Shop.TimeZone)
	case *queue.StepStarted:
		w.started(e, key{u, d.Step}, kind, d, at)
	case *queue.StepAdvanced:
		w.runsOn(e, key{u, d.Step}, kind)
	case *queue.StepDone:
		w.ended(e, key{u, d.Step}, kind, d.Technician)
	case *queue.StepFailed:
		w.ended(e, key{u, d.Step}, kind, d.Technician)
	case *queue.StepVoided:
		w.idle(e, key{u, d.Step})
	case *queue.StepReopened:
		w.idle(e, key{u, d.Step})
	case *queue.StepSkipped:
		w.idle(e, key{u, d.Step})
	case *queue.UnitLeft:
		for k := range w.runs {
			if k.unit == u {
				w.say("%s: unit %s leaves while %s runs", e.ID, u, k.step)
			}
		}
		w.left[u] = true
	case *queue.ResourceClosed:
		if d.Resource != "" {
			w.closed[d.Resource] = append(w.closed[d.Resource], *d)
		}
	case *queue.ResourceOpened:
		if d.Resource != "" && d.Only == nil {
			delete(w.closed, d.Resource)
		}
	}
}

func (w *laws) started(e *queue.Event, k key, kind string, d *queue.StepStarted, at time.Time) {
	if w.left[k.unit] {
		w.say("%s: %s of unit %s starts after it left", e.ID, k.step, k.unit)
	}
	if w.runs[k] != nil {
		w.say("%s: %s of unit %s starts while it runs", e.ID, k.step, k.unit)
	}
	for o, r := range w.runs {
		if o.unit == k.unit && (r.kind == "flash" || kind == "flash") {
			w.say("%s: I2: %s starts on unit %s while %s runs", e.ID, k.step, k.unit, o.step)
		}
	}
	for _, id := range d.Resources {
		r := w.resource(id)
		if r == nil {
			w.say("%s: %s is not in the shop file", e.ID, id)
			continue
		}
		if n := len(w.held[id]); n >= max(1, r.Capacity) {
			w.say("%s: I1: %s takes %s, which %v holds", e.ID, k.unit, id, w.held[id])
		}
		w.held[id] = append(w.held[id], k)
		for _, c := range w.closed[id] {
			if !at.Before(c.From) && at.Before(c.Until) {
				w.say("%s: %s is closed at %s", e.ID, id, at.Format(time.RFC3339))
			}
		}
	}
	w.runs[k] = &run{kind, d.Resources}
	op := w.operation(kind)
	if op == nil {
		w.say("%s: the shop does no %s", e.ID, kind)
		return
	}
	passed := func(i queue.Interlock) bool {
		return slices.ContainsFunc(d.Overrides, func(o queue.Override) bool { return o.Interlock == i })
	}
	if op.Engine && !slices.ContainsFunc(d.Resources, func(id queue.ResourceID) bool {
		r := w.resource(id)
		return r != nil && (r.Kind == queue.Pad || r.Kind == queue.Loop)
	}) {
		w.say("%s: I7: an engine runs indoors", e.ID)
	}
	if (op.Engine || op.Outdoors) && !passed(queue.I8) {
		for _, t := range []time.Time{at, at.Add(time.Duration(d.ExpectedS) * time.Second)} {
			if why := w.noEngine(t); why != "" {
				w.say("%s: I8: %s from %s: %s", e.ID, kind, at.In(w.loc).Format(time.RFC3339), why)
			}
		}
	}
	if kind == "flash" && !passed(queue.I5) {
		if end := at.Add(time.Duration(d.ExpectedS) * time.Second); !w.openThrough(at, end) {
			w.say("%s: I5: a flash from %s to %s, the shop is shut", e.ID, at.In(w.loc).Format(time.RFC3339), end.In(w.loc).Format("15:04"))
		}
	}
}

// runsOn: the step runs.
func (w *laws) runsOn(e *queue.Event, k key, kind string) {
	if r := w.runs[k]; r == nil || r.kind != kind {
		w.say("%s: %s of unit %s goes on and does not run", e.ID, k.step, k.unit)
	}
}

// idle: it doesn't.
func (w *laws) idle(e *queue.Event, k key) {
	if w.runs[k] != nil {
		w.say("%s: %s of unit %s runs and is set aside", e.ID, k.step, k.unit)
	}
}

// ended: a person recorded the end, which alone frees what it held.
func (w *laws) ended(e *queue.Event, k key, kind string, who queue.PersonID) {
	w.runsOn(e, k, kind)
	if !slices.ContainsFunc(w.shop.Technicians, func(t queue.Technician) bool { return t.ID == who }) {
		w.say("%s: %s of unit %s is ended by nobody", e.ID, k.step, k.unit)
	}
	if r := w.runs[k]; r != nil {
		for _, id := range r.resources {
			w.held[id] = slices.DeleteFunc(w.held[id], func(o key) bool { return o == k })
		}
	}
	delete(w.runs, k)
}

func (w *laws) resource(id queue.ResourceID) *queue.Resource {
	for i := range w.shop.Resources {
		if w.shop.Resources[i].ID == id {
			return &w.shop.Resources[i]
		}
	}
	return nil
}

func (w *laws) operation(kind string) *queue.Operation {
	for i := range w.shop.Operations {
		if w.shop.Operations[i].Kind.String() == kind {
			return &w.shop.Operations[i]
		}
	}
	return nil
}

// noEngine says why no engine may run outdoors at a moment.
func (w *laws) noEngine(at time.Time) string {
	local := at.In(w.loc)
	minute := queue.Minute(local.Hour()*60 + local.Minute())
	for _, q := range w.shop.Quiet[local.Weekday()] {
		if q.From <= minute && minute < q.To && !(minute == q.From && local.Second() == 0) {
			return "quiet hours"
		}
	}
	// The shop's margins after sunrise and before sunset are worth more than
	// what the formulas below are off by.
	if h := elevation(w.shop.LatitudeD, w.shop.LongitudeD, at); h < -0.833 && !w.shop.Daylight.CivilTwilight {
		return fmt.Sprintf("the sun stands at %.1f°", h)
	}
	return ""
}

// openThrough: the shop is open from one moment to another.
func (w *laws) openThrough(from, to time.Time) bool {
	local := from.In(w.loc)
	spans := w.shop.Hours[local.Weekday()]
	for i := range w.shop.Days {
		if w.shop.Days[i].Date == local.Format(time.DateOnly) {
			spans = w.shop.Days[i].Spans
		}
	}
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, w.loc)
	for _, s := range spans {
		a := time.Date(local.Year(), local.Month(), local.Day(), int(s.From)/60, int(s.From)%60, 0, 0, w.loc)
		b := time.Date(local.Year(), local.Month(), local.Day(), int(s.To)/60, int(s.To)%60, 0, 0, w.loc)
		if s.To > s.From && !from.Before(a) && !to.After(b) && !from.Before(midnight) {
			return true
		}
	}
	return false
}

// elevation of the sun in degrees: declination after Cooper (1969) and the
// equation of time as textbooks of solar energy have it (both from memory);
// good to about a degree.
func elevation(latitude, longitude float64, at time.Time) float64 {
	const rad = math.Pi / 180
	at = at.UTC()
	n := float64(at.YearDay())
	decl := 23.45 * math.Sin(2*math.Pi*(284+n)/365)
	b := 2 * math.Pi * (n - 81) / 364
	eot := 9.87*math.Sin(2*b) - 7.53*math.Cos(b) - 1.5*math.Sin(b) // minutes
	solar := float64(at.Hour()*60+at.Minute()) + eot + 4*longitude
	hour := (solar/60 - 12) * 15
	return math.Asin(math.Sin(latitude*rad)*math.Sin(decl*rad)+math.Cos(latitude*rad)*math.Cos(decl*rad)*math.Cos(hour*rad)) / rad
}
