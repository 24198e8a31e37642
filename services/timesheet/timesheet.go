// Package timesheet folds a site's log into hands-on work: who worked on which
// step from when to when, against the standard time of the shop file that was
// in effect, and how long each technician was there.
//
//	s := timesheet.New(log, "larkmoor")
//	err := s.CatchUp(ctx)             // reads what is new in the log
//	pieces := s.Pieces(from, to)
//	report := labour.Measure(pieces, s.Available(from, to), labour.Window{…})
//
// What counts:
//
//   - A hands-on stretch is worked from its start to the start of the next one,
//     or the step's end. One that may pause is worked while its technician is on
//     shift, not in breaks, at night, or while he is marked absent; the log does
//     not tell pauses.
//   - A stretch counts for whoever began it; a step that needs several people
//     counts for the one who signs.
//   - A stretch that took far longer than its standard, or ran on while the shop
//     was shut, was probably never signed off: it is doubted, see [labour.Doubt].
//   - A step that is done again earns its standard again.
//
// Times are the floor's own. Work older than [Keep] is dropped, unless the sheet
// was made by [Whole].
package timesheet

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tickover/metrics/labour"
	"tickover/queue"
	"tickover/queue/log"
	"tickover/scheduler/calendar"
	"tickover/services/almanac"
)

// Keep is how long work is kept: thirteen months, and some days.
const Keep = 400 * 24 * time.Hour

const tidyEvery = 4096 // entries

// Sheet is a site's work. All methods may be called concurrently.
type Sheet struct {
	log  log.Log
	site queue.SiteID
	all  bool // nothing is dropped

	mu       sync.Mutex
	seq      uint64
	entries  int
	newest   time.Time
	eras     []era
	runs     []*run // by start in the log
	open     map[queue.Hold]*run
	steps    map[queue.Hold]queue.OperationID // of the units in the shop
	models   map[queue.UnitID]string          // of the units in the shop
	counts   map[queue.Hold]int               // their runs
	absences map[queue.PersonID][]queue.Closure
}

// era is the time from which a shop file was in effect.
type era struct {
	from    time.Time
	shop    *queue.Shop
	almanac *almanac.Almanac
}

// run is one run of a step.
type run struct {
	unit  queue.UnitID
	step  queue.StepID
	model string
	op    *queue.Operation
	n     int
	marks []mark
	end   time.Time // zero: it runs
	done  bool
	// heard is when the queue heard of the end, doubted that it did not believe
	// the clock that told it.
	heard       time.Time
	doubted     bool
	airC, warmC *float64 // read at its end
}

// mark is the start of a stretch.
type mark struct {
	stretch int
	at      time.Time
	who     queue.PersonID
	heard   time.Time
	doubted bool
}

// New returns a sheet that has read nothing yet.
func New(l log.Log, site queue.SiteID) *Sheet {
	return &Sheet{log: l, site: site, open: map[queue.Hold]*run{}, steps: map[queue.Hold]queue.OperationID{}, models: map[queue.UnitID]string{}, counts: map[queue.Hold]int{}, absences: map[queue.PersonID][]queue.Closure{}}
}

// Whole is a sheet that drops nothing, for claims about old work.
func Whole(l log.Log, site queue.SiteID) *Sheet {
	s := New(l, site)
	s.all = true
	return s
}

// Since is the moment from which on nothing was dropped; zero: from the start.
func (s *Sheet) Since() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all || s.entries < tidyEvery {
		return time.Time{}
	}
	return s.newest.Add(-Keep)
}

// CatchUp folds what the log has that was not read yet.
func (s *Sheet) CatchUp(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.Read(ctx, s.site, s.seq, s.fold)
}

func (s *Sheet) fold(en *queue.Entry) error {
	if en.Seq <= s.seq {
		return nil
	}
	for i := range en.Events {
		e := &en.Events[i]
		if e.When().After(s.newest) {
			s.newest = e.When()
		}
		if err := s.event(e); err != nil {
			return err
		}
	}
	s.seq, s.entries = en.Seq, s.entries+1
	if s.entries%tidyEvery == 0 && !s.all {
		s.tidy()
	}
	return nil
}

// tidy drops what ended too long ago.
func (s *Sheet) tidy() {
	horizon := s.newest.Add(-Keep)
	s.runs = slices.DeleteFunc(s.runs, func(r *run) bool { return !r.end.IsZero() && r.end.Before(horizon) })
	for len(s.eras) > 1 && s.eras[1].from.Before(horizon) {
		s.eras = s.eras[1:]
	}
	for who, list := range s.absences {
		s.absences[who] = slices.DeleteFunc(slices.Clone(list), func(c queue.Closure) bool { return c.Until.Before(horizon) })
	}
}

// shop is the shop file in effect.
func (s *Sheet) shop() *queue.Shop {
	if len(s.eras) == 0 {
		return nil
	}
	return s.eras[len(s.eras)-1].shop
}

// ShopAt is the shop file that was in effect at a moment, the first one before
// there was any; nil: none was read.
func (s *Sheet) ShopAt(at time.Time) *queue.Shop {
	s.mu.Lock()
	defer s.mu.Unlock()
	var shop *queue.Shop
	for i, e := range s.eras {
		if i == 0 || e.from.Before(at) {
			shop = e.shop
		}
	}
	return shop
}

func (s *Sheet) event(e *queue.Event) error {
	switch d := e.Data.(type) {
	case *queue.ShopConfigured:
		shop := d.Shop
		a, err := almanac.New(&shop)
		if err != nil {
			return err
		}
		s.eras = append(s.eras, era{e.When(), &shop, a})
		return nil
	case *queue.ResourceClosed:
		if d.Technician != "" {
			s.absences[d.Technician] = append(slices.Clip(s.absences[d.Technician]), queue.Closure{From: d.From, Until: d.Until, Reason: d.Reason})
		}
		return nil
	case *queue.ResourceOpened:
		s.back(e.When(), d)
		return nil
	}
	if id, ok := e.Subject.Unit(); ok && s.shop() != nil {
		s.unitEvent(id, e)
	}
	return nil
}

// back ends absences: what was of them before stays.
func (s *Sheet) back(at time.Time, d *queue.ResourceOpened) {
	if d.Technician == "" {
		return
	}
	var kept []queue.Closure
	for _, c := range s.absences[d.Technician] {
		one := d.Only == nil || d.Only.From.Equal(c.From) && d.Only.Until.Equal(c.Until) && d.Only.Reason == c.Reason
		if one && at.Before(c.Until) {
			c.Until = at
		}
		if c.From.Before(c.Until) {
			kept = append(kept, c)
		}
	}
	s.absences[d.Technician] = kept
}

func (s *Sheet) unitEvent(id queue.UnitID, e *queue.Event) {
	key := queue.Hold{Unit: id, Step: e.StepOf()}
	switch d := e.Data.(type) {
	case *queue.UnitArrived:
		s.models[id] = ModelOf(&d.Machine)
		for _, st := range s.shop().StepsOf(d.Route, d.Options) {
			s.steps[queue.Hold{Unit: id, Step: st.ID}] = st.Operation
		}
	case *queue.ReworkOpened:
		s.steps[queue.Hold{Unit: id, Step: d.Step}] = d.Operation
	case *queue.StepsAdded:
		for _, st := range d.Steps {
			s.steps[queue.Hold{Unit: id, Step: st.ID}] = st.Operation
		}
	case *queue.StepStarted:
		op := s.shop().Operation(s.steps[key])
		if op == nil {
			return
		}
		s.counts[key]++
		r := &run{unit: id, step: key.Step, model: s.models[id], op: op, n: s.counts[key], marks: []mark{{0, e.When(), d.Technician, e.Received, e.ClockSuspect}}}
		s.open[key] = r
		s.runs = append(s.runs, r)
	case *queue.StepAdvanced:
		if r := s.open[key]; r != nil {
			who := d.Technician
			if who == "" {
				who = r.marks[len(r.marks)-1].who
			}
			r.marks = append(r.marks, mark{d.Stretch, e.When(), who, e.Received, e.ClockSuspect})
		}
	case *queue.StepDone:
		if r := s.close(key, e); r != nil {
			r.done = true
			r.airC, r.warmC = number(d.Evidence[queue.EvidenceAir]), number(d.Evidence[queue.EvidenceCoolant])
		}
	case *queue.StepFailed, *queue.StepSkipped:
		s.close(key, e)
	case *queue.UnitLeft:
		delete(s.models, id)
		for k := range s.steps {
			if k.Unit == id {
				delete(s.steps, k)
				delete(s.counts, k)
			}
		}
	}
}

func (s *Sheet) close(key queue.Hold, e *queue.Event) *run {
	r := s.open[key]
	if r != nil {
		r.end, r.heard, r.doubted = e.When(), e.Received, e.ClockSuspect
		delete(s.open, key)
	}
	return r
}

// number reads a reading; nil: there is none.
func number(text string) *float64 {
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

// ModelOf is what lengths of work are kept by.
func ModelOf(m *queue.Machine) string { return strings.TrimSpace(m.Make + " " + m.Model) }

// Pieces are the hands-on stretches that lie in [from, to), by start. What runs
// ends at to, which must not lie after now.
func (s *Sheet) Pieces(from, to time.Time) []labour.Piece {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []labour.Piece
	for _, r := range s.runs {
		if !r.end.IsZero() && r.end.Before(from) || !r.marks[0].at.Before(to) {
			continue
		}
		out = append(out, s.pieces(r, to)...)
	}
	slices.SortStableFunc(out, func(a, b labour.Piece) int { return a.Start.Compare(b.Start) })
	return out
}

// Of are the hands-on stretches of one visit that are over, by start.
func (s *Sheet) Of(unit queue.UnitID) []labour.Piece {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []labour.Piece
	for _, r := range s.runs {
		if r.unit == unit && !r.end.IsZero() {
			out = append(out, s.pieces(r, r.end)...)
		}
	}
	slices.SortStableFunc(out, func(a, b labour.Piece) int { return a.Start.Compare(b.Start) })
	return out
}

// pieces are a run's hands-on stretches up to a moment.
func (s *Sheet) pieces(r *run, to time.Time) []labour.Piece {
	var out []labour.Piece
	for i, m := range r.marks {
		if m.stretch >= len(r.op.Stretches) || !r.op.Stretches[m.stretch].HandsOn {
			continue
		}
		x := &r.op.Stretches[m.stretch]
		p := labour.Piece{
			Unit: string(r.unit), Step: string(r.step), Operation: string(r.op.ID), Technician: string(m.who), Run: r.n, Stretch: m.stretch,
			Start: m.at, End: r.end, Standard: x.Duration,
		}
		if r.done {
			p.Done = r.end
		}
		switch {
		case i+1 < len(r.marks):
			p.End = r.marks[i+1].at
		case r.end.IsZero():
			p.End, p.Running = to, true
		}
		if p.End.Before(p.Start) {
			p.End = p.Start
		}
		s.work(&p, x.Splittable)
		out = append(out, p)
	}
	return out
}

// work finds the times that were worked in a piece, and judges it.
func (s *Sheet) work(p *labour.Piece, pauses bool) {
	whole := calendar.Interval{Start: p.Start, End: p.End}
	if whole.Empty() {
		return
	}
	set := calendar.NewSet(whole)
	var shut calendar.Set
	if pauses {
		set = set.Intersect(s.present(queue.PersonID(p.Technician), p.Start, p.End))
	} else {
		shut = set.Subtract(s.span(p.Start, p.End, func(e era, a, b time.Time) calendar.Set { return e.almanac.Open(a, b) }))
	}
	p.Worked = intervals(set)
	p.Doubt = p.Judge(intervals(shut))
}

// span gathers calendars of the shop files that were in effect.
func (s *Sheet) span(from, to time.Time, of func(e era, from, to time.Time) calendar.Set) calendar.Set {
	var out calendar.Set
	for i, e := range s.eras {
		a, b := from, to
		if i > 0 && e.from.After(a) {
			a = e.from
		}
		if i+1 < len(s.eras) && s.eras[i+1].from.Before(b) {
			b = s.eras[i+1].from
		}
		if a.Before(b) {
			out = append(out, within(of(e, a, b), a, b)...)
		}
	}
	return calendar.NewSet(out...)
}

// within cuts a set at a window: a calendar may answer in whole days.
func within(s calendar.Set, from, to time.Time) calendar.Set {
	return s.Intersect(calendar.NewSet(calendar.Interval{Start: from, End: to}))
}

// present is when a technician was there.
func (s *Sheet) present(who queue.PersonID, from, to time.Time) calendar.Set {
	if longest := calendar.RangeMax / 2; to.Sub(from) > longest {
		to = from.Add(longest) // a stretch that nobody ended for years is doubted anyway
	}
	return s.span(from, to, func(e era, a, b time.Time) calendar.Set {
		if e.shop.Technician(who) == nil {
			return nil
		}
		return e.almanac.Shifts(who, nil, a, b).Subtract(e.almanac.Breaks(who, a, b)).Subtract(almanac.Closed(s.absences[who], a, b))
	})
}

// Available is how long each technician was there in [from, to): on shift, less
// breaks and absences. What was before the first shop file took effect does not
// count: nothing could be recorded then.
func (s *Sheet) Available(from, to time.Time) map[string]time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]time.Duration{}
	if len(s.eras) > 0 && s.eras[0].from.After(from) {
		from = s.eras[0].from
	}
	if !from.Before(to) {
		return out
	}
	for _, e := range s.eras {
		for i := range e.shop.Technicians {
			who := e.shop.Technicians[i].ID
			if _, ok := out[string(who)]; ok {
				continue
			}
			var sum time.Duration
			for _, in := range s.present(who, from, to) {
				sum += in.End.Sub(in.Start)
			}
			out[string(who)] = sum
		}
	}
	return out
}

func intervals(s calendar.Set) []labour.Interval {
	out := make([]labour.Interval, len(s))
	for i, in := range s {
		out[i] = labour.Interval{Start: in.Start, End: in.End}
	}
	return out
}
