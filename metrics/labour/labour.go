// Package labour measures hands-on work against the standard time: by
// technician, kind of work and unit, with the three ratios that the trade
// knows.
//
//	r := labour.Measure(pieces, available, labour.Window{Start: monday, End: sunday})
//
// The formulas, with the guide values that the source gives:
//
//	productivity = hours worked / hours available            (85 to 87.5 %)
//	efficiency   = standard hours produced / hours worked    (125 % by factory times)
//	proficiency  = standard hours produced / hours available (100 to 120 %)
//
// so that proficiency = productivity × efficiency. Source: the bulletin
// "Measuring Technician Performance" of the Washington Area New Auto Dealers
// Association (wanada.org), quoting NADA. Other definitions exist, so whoever
// shows a ratio names its formula.
//
// A piece of work is a hands-on stretch of a step. What it produced is the
// stretch's standard time, in the moment in which its step is done; a step that
// failed produced nothing. A piece that was probably never signed off is shown
// and counts for nothing, neither as worked nor as produced.
//
// The package is pure: no clock, no log; all values are handed in.
package labour

import (
	"cmp"
	"slices"
	"time"
)

// Window is the time that is measured, [Start, End).
type Window struct{ Start, End time.Time }

// Interval is a time, [Start, End).
type Interval struct{ Start, End time.Time }

// Piece is one hands-on stretch.
type Piece struct {
	Unit, Step, Operation, Technician string
	Run, Stretch                      int
	Start, End                        time.Time // End: now, while it runs
	// Worked are the times in it that were worked: the whole of it, or what
	// breaks and nights leave of one that may pause.
	Worked   []Interval
	Standard time.Duration
	// Done is when its step was done; zero: it runs, or it failed.
	Done    time.Time
	Running bool
	Doubt   Doubt
}

// Doubt is why a piece is not counted.
type Doubt int

// The doubts.
const (
	Sure      Doubt = iota
	TooLong         // far longer than the standard time
	OverClose       // it ran on when the shop was shut
)

// Bounds of what is believed: common practice, no source.
const (
	longFactor = 4                // times the standard
	longMin    = 30 * time.Minute // and at least that
)

// Time is what was worked in the piece.
func (p *Piece) Time() time.Duration {
	var sum time.Duration
	for _, in := range p.Worked {
		sum += in.End.Sub(in.Start)
	}
	return sum
}

// Judge says whether the piece is believed; shut are the times in it when the
// shop was shut, for one that may not pause.
func (p *Piece) Judge(shut []Interval) Doubt {
	switch worked := p.Time(); {
	case worked > longFactor*p.Standard && worked > longMin:
		return TooLong
	case len(shut) > 0 && worked > 2*p.Standard:
		return OverClose
	}
	return Sure
}

// In is the part of the piece's work that lies in the window.
func (p *Piece) In(w Window) time.Duration {
	var sum time.Duration
	for _, in := range p.Worked {
		start, end := in.Start, in.End
		if start.Before(w.Start) {
			start = w.Start
		}
		if end.After(w.End) {
			end = w.End
		}
		if start.Before(end) {
			sum += end.Sub(start)
		}
	}
	return sum
}

// Produced is the standard time that the piece earned in the window.
func (p *Piece) Produced(w Window) time.Duration {
	if p.Done.IsZero() || p.Done.Before(w.Start) || !p.Done.Before(w.End) {
		return 0
	}
	return p.Standard
}

// Touches reports whether the piece counts in the window in any way.
func (p *Piece) Touches(w Window) bool { return p.In(w) > 0 || p.Produced(w) > 0 }

// Sum is work against its standard.
type Sum struct {
	ID        string        // of the technician, operation or unit
	Available time.Duration // of a technician only
	Worked    time.Duration
	Produced  time.Duration
	Pieces    int
	Doubted   int           // pieces that are not counted
	Doubtful  time.Duration // and their time
}

// Ratio is a part of a whole; ok is false when there is no whole.
type Ratio struct {
	Value float64
	OK    bool
}

func ratio(a, b time.Duration) Ratio {
	if b <= 0 {
		return Ratio{}
	}
	return Ratio{float64(a) / float64(b), true}
}

// Productivity is worked / available.
func (s Sum) Productivity() Ratio { return ratio(s.Worked, s.Available) }

// Efficiency is produced / worked.
func (s Sum) Efficiency() Ratio { return ratio(s.Produced, s.Worked) }

// Proficiency is produced / available.
func (s Sum) Proficiency() Ratio { return ratio(s.Produced, s.Available) }

func (s *Sum) add(p *Piece, w Window) {
	if !p.Touches(w) {
		return
	}
	if p.Doubt != Sure {
		s.Doubted++
		s.Doubtful += p.In(w)
		return
	}
	s.Pieces++
	s.Worked += p.In(w)
	s.Produced += p.Produced(w)
}

// Report is the work of a window.
type Report struct {
	Window
	All         Sum
	Technicians []Sum // by id; those who were available or worked
	Operations  []Sum // the most time first
	Units       []Sum // the most time first
}

// Measure sums the pieces up. Available is how long each technician was there
// in the window: his shift without breaks and absences.
func Measure(pieces []Piece, available map[string]time.Duration, w Window) Report {
	r := Report{Window: w, All: Sum{}}
	people, operations, units := map[string]*Sum{}, map[string]*Sum{}, map[string]*Sum{}
	of := func(m map[string]*Sum, id string) *Sum {
		if m[id] == nil {
			m[id] = &Sum{ID: id}
		}
		return m[id]
	}
	for id, d := range available {
		if d > 0 {
			of(people, id).Available = d
			r.All.Available += d
		}
	}
	for i := range pieces {
		p := &pieces[i]
		if !p.Touches(w) {
			continue
		}
		for _, s := range []*Sum{&r.All, of(people, p.Technician), of(operations, p.Operation), of(units, p.Unit)} {
			s.add(p, w)
		}
	}
	r.Technicians = sums(people, func(a, b Sum) int { return cmp.Compare(a.ID, b.ID) })
	most := func(a, b Sum) int { return cmp.Or(cmp.Compare(b.Worked, a.Worked), cmp.Compare(a.ID, b.ID)) }
	r.Operations, r.Units = sums(operations, most), sums(units, most)
	return r
}

func sums(m map[string]*Sum, by func(a, b Sum) int) []Sum {
	out := make([]Sum, 0, len(m))
	for _, s := range m {
		out = append(out, *s)
	}
	slices.SortFunc(out, by)
	return out
}
