// Package board lays the plan and what happened out on a day: lanes of benches,
// interfaces, chargers, pads, loops and technicians along time. It is pure: a
// layout for the page's own drawing, in percent of the day's width.
//
// On a lane hands-on time, hands-off time and waiting that keeps something
// locked are told apart; closed, dark and quiet hours, breaks and closures are
// shaded with their reasons.
package board

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/almanac"
	"tickover/services/dispatch"
	"tickover/services/floor/job"
	"tickover/services/floor/locale"
)

// Board is one day's layout. Positions are percent of [From, To).
type Board struct {
	Day      time.Time // midnight, local
	From, To time.Time
	Shut     locale.Said // why the shop is shut all day; nothing: it opens
	Now      *Percent
	Ticks    []Tick
	Sky      []Shade // daylight, dark and quiet hours, for the strip on top
	Groups   []Group
}

// Percent is a position or a width along the day.
type Percent float64

// String writes it for an SVG attribute.
func (p Percent) String() string { return fmt.Sprintf("%.3f%%", float64(p)) }

// Tick is an hour on the axis.
type Tick struct {
	At   Percent
	Time time.Time
	Text string // 24 hours
}

// Group is the lanes of one kind.
type Group struct {
	Name  string
	Lanes []Lane
}

// Lane is one resource or technician.
type Lane struct {
	ID         string
	Name       string
	Kind       string // of resource, or "technician"
	Technician bool
	Rows       int // units at once
	Shades     []Shade
	Blocks     []Block
}

// Shade is time in which a lane is not available, or a piece of the sky.
type Shade struct {
	X, W       Percent
	Class      string // closed, dark, quiet, day, break, away, down
	Text       locale.Said
	Start, End time.Time
}

// Block is one step on a lane; on a technician's, one piece of it.
type Block struct {
	X, W       Percent
	Row        int
	Unit       queue.UnitID
	Step       queue.StepID
	Kind       queue.OperationKind
	Operation  string
	Technician queue.PersonID
	Start, End time.Time
	Begins     time.Time // of the whole step
	Piece      int       // of a technician's: which one of the step, from 1
	Parts      []Part    // in percent of the block's width
	State      State
	Accepted   bool
	Pinned     bool
	Problem    bool
	Late       bool // the unit misses its promise
	WaitMin    int  // minutes that it waits and keeps what it holds
	Why        locale.Said
}

// State is where a block stands.
type State string

// The states of a block.
const (
	Planned State = "planned"
	Running State = "running"
	Done    State = "done"
)

// Part is a piece of a block.
type Part struct {
	X, W  Percent
	Class Class
}

// Class is what sort of time a part is.
type Class string

// The classes of parts.
const (
	HandsOn  Class = "on"
	HandsOff Class = "off"
	Waiting  Class = "wait" // keeps what it holds, and nothing happens
)

// Input is what a board is built from.
type Input struct {
	State   *queue.State
	Almanac *almanac.Almanac
	Plan    *dispatch.Plan // nil: only what runs and what is done
	Now     time.Time
	Day     time.Time // any instant of the day

	book *job.Book // of state and plan, if there is one already
}

const (
	margin   = 30 * time.Minute // shown before opening and after closing
	ticksMax = 14               // hours with a text each; every second one beyond
)

// Build lays the day out.
func Build(in Input) Board {
	loc := in.Almanac.Location()
	y, m, d := in.Day.In(loc).Date()
	b := Board{Day: time.Date(y, m, d, 0, 0, 0, 0, loc)}
	next := time.Date(y, m, d+1, 0, 0, 0, 0, loc)
	open := in.Almanac.Open(b.Day, next)
	if len(open) > 0 {
		b.From, b.To = open[0].Start.Add(-margin), open[len(open)-1].End.Add(margin)
	} else {
		b.From, b.To = time.Date(y, m, d, 8, 0, 0, 0, loc), time.Date(y, m, d, 18, 0, 0, 0, loc)
		b.Shut = locale.Say("The shop is shut.")
		for _, e := range in.State.Shop.Days {
			if e.Date == b.Day.Format(time.DateOnly) && e.Reason != "" {
				b.Shut = locale.Say("The shop is shut: %s.", e.Reason)
			}
		}
	}
	if !in.Now.Before(b.From) && in.Now.Before(b.To) {
		x := b.at(in.Now)
		b.Now = &x
	}
	b.ticks()
	b.Sky = b.sky(in.Almanac)
	b.lanes(&in)
	return b
}

func (b *Board) at(t time.Time) Percent {
	return Percent(100 * float64(t.Sub(b.From)) / float64(b.To.Sub(b.From)))
}

func (b *Board) ticks() {
	t := b.From.Truncate(time.Hour)
	if t.Before(b.From) {
		t = t.Add(time.Hour)
	}
	step := time.Hour
	if b.To.Sub(b.From) > ticksMax*time.Hour {
		step = 2 * time.Hour
	}
	for ; t.Before(b.To); t = t.Add(step) {
		b.Ticks = append(b.Ticks, Tick{b.at(t), t, t.In(b.Day.Location()).Format("15:04")})
	}
}

// shades draws a set of intervals.
func (b *Board) shades(s calendar.Set, class string, text func(calendar.Interval) locale.Said) []Shade {
	var out []Shade
	for _, v := range s.Clip(b.From, b.To) {
		out = append(out, Shade{b.at(v.Start), b.at(v.End) - b.at(v.Start), class, text(v), v.Start, v.End})
	}
	return out
}

func always(text string, args ...any) func(calendar.Interval) locale.Said {
	return func(calendar.Interval) locale.Said { return locale.Say(text, args...) }
}

func (b *Board) whole() calendar.Set {
	return calendar.NewSet(calendar.Interval{Start: b.From, End: b.To})
}

func (b *Board) sky(a *almanac.Almanac) []Shade {
	light := a.Daylight(b.From, b.To)
	out := b.shades(light, "day", always("light enough"))
	out = append(out, b.shades(b.whole().Subtract(light), "dark", always("too dark for engines"))...)
	return append(out, b.shades(a.Quiet(b.From, b.To), "quiet", always("quiet hours"))...)
}

var groups = []struct {
	name  string
	kinds []queue.ResourceKind
}{
	{"Benches", []queue.ResourceKind{queue.Bench}},
	{"Interfaces", []queue.ResourceKind{queue.Interface}},
	{"Chargers", []queue.ResourceKind{queue.Charger}},
	{"Outdoors", []queue.ResourceKind{queue.Pad, queue.Loop}},
}

func (b *Board) lanes(in *Input) {
	pieces := b.pieces(in)
	shop := in.State.Shop
	for _, g := range groups {
		var lanes []Lane
		for _, kind := range g.kinds {
			for i := range shop.Resources {
				if r := &shop.Resources[i]; r.Kind == kind {
					lanes = append(lanes, b.resource(in, r, pieces))
				}
			}
		}
		if len(lanes) > 0 {
			b.Groups = append(b.Groups, Group{g.name, lanes})
		}
	}
	var people []Lane
	for i := range shop.Technicians {
		people = append(people, b.technician(in, &shop.Technicians[i], pieces))
	}
	b.Groups = append(b.Groups, Group{"Technicians", people})
}

func (b *Board) resource(in *Input, r *queue.Resource, pieces []piece) Lane {
	l := Lane{ID: string(r.ID), Name: r.Name, Kind: r.Kind.String(), Rows: max(1, r.Capacity)}
	l.Shades = b.closed(in)
	if r.Kind.Outdoors() {
		open := in.Almanac.Open(b.From, b.To)
		quiet := in.Almanac.Quiet(b.From, b.To).Intersect(open)
		dark := open.Subtract(in.Almanac.Daylight(b.From, b.To))
		l.Shades = append(l.Shades, b.shades(dark, "dark", always("too dark"))...)
		l.Shades = append(l.Shades, b.shades(quiet.Subtract(dark), "quiet", always("quiet hours"))...)
	}
	l.Shades = append(l.Shades, b.down(in.State.Closures[r.ID], "down")...)
	for _, p := range pieces {
		if slices.Contains(p.resources, r.ID) {
			l.Blocks = append(l.Blocks, p.block)
		}
	}
	l.stack()
	return l
}

func (b *Board) closed(in *Input) []Shade {
	return b.shades(b.whole().Subtract(in.Almanac.Open(b.From, b.To)), "closed", always("shop shut"))
}

func (b *Board) down(cs []queue.Closure, class string) []Shade {
	var out []Shade
	for _, c := range cs {
		until := c.Until
		if until.IsZero() {
			until = b.To
		}
		out = append(out, b.shades(calendar.NewSet(calendar.Interval{Start: c.From, End: until}), class, always("%s", c.Reason))...)
	}
	return out
}

func (b *Board) technician(in *Input, t *queue.Technician, pieces []piece) Lane {
	l := Lane{ID: string(t.ID), Name: t.Name, Kind: "technician", Technician: true, Rows: 1}
	on := in.Almanac.Shifts(t.ID, nil, b.From, b.To)
	open := in.Almanac.Open(b.From, b.To)
	l.Shades = append(b.closed(in), b.shades(open.Subtract(on), "away", always("off shift"))...)
	l.Shades = append(l.Shades, b.shades(in.Almanac.Breaks(t.ID, b.From, b.To).Intersect(on), "break", always("break"))...)
	l.Shades = append(l.Shades, b.down(in.State.Absences[t.ID], "down")...)
	for _, p := range pieces {
		for i, w := range p.work {
			if slices.Contains(w.who, t.ID) {
				blk := p.alone(b, w)
				blk.Piece = i + 1
				l.Blocks = b.add(l.Blocks, blk)
			}
		}
	}
	l.stack()
	return l
}

// stack puts blocks that overlap below each other; a lane with one place shows
// them on top of each other only when the plan is wrong.
func (l *Lane) stack() {
	slices.SortStableFunc(l.Blocks, func(a, c Block) int { return cmp.Or(a.Start.Compare(c.Start), a.End.Compare(c.End)) })
	ends := make([]time.Time, l.Rows)
	for i := range l.Blocks {
		blk := &l.Blocks[i]
		for row := range ends {
			if !blk.Start.Before(ends[row]) {
				blk.Row, ends[row] = row, blk.End
				break
			}
		}
	}
}

// piece is one step with where it is and who works when.
type piece struct {
	block     Block
	resources []queue.ResourceID
	work      []work
}

// work is one hands-on stretch, or any other part.
type work struct {
	start, end time.Time
	class      Class
	who        []queue.PersonID
}

// alone is the block of one stretch, for a technician's lane.
func (p *piece) alone(b *Board, w work) Block {
	blk := p.block
	blk.Start, blk.End, blk.WaitMin = w.start, w.end, 0
	blk.X, blk.W = b.at(w.start), b.at(w.end)-b.at(w.start)
	blk.Parts = []Part{{0, 100, w.class}}
	return blk
}

// add appends a block that lies in the day.
func (b *Board) add(blocks []Block, blk Block) []Block {
	if blk.End.After(b.From) && blk.Start.Before(b.To) {
		blocks = append(blocks, blk)
	}
	return blocks
}

// pieces are all steps of the day: done ones, running ones as the state tells
// them, and planned ones.
func (b *Board) pieces(in *Input) []piece {
	late := map[queue.UnitID]bool{}
	planned := map[queue.Hold]bool{}
	book := in.book
	if book == nil {
		book = job.NewBook(in.State, in.Plan)
	}
	var out []piece
	if in.Plan != nil {
		for _, f := range in.Plan.Units {
			late[f.Unit] = f.LateMin > 0 || f.Ready.IsZero()
		}
		for i := range in.Plan.Steps {
			ps := &in.Plan.Steps[i]
			s := book.Of(ps.Unit, ps.Step)
			if s != nil && s.Step.Status == queue.Todo && !planned[queue.Hold{Unit: ps.Unit, Step: ps.Step}] {
				planned[queue.Hold{Unit: ps.Unit, Step: ps.Step}] = true
				out = b.keep(out, plannedPiece(s, late[ps.Unit]))
			}
		}
	}
	for _, u := range in.State.Units {
		for i := range u.Steps {
			s := book.Of(u.ID, u.Steps[i].ID)
			switch {
			case s == nil:
			case s.Step.Status == queue.Running:
				out = b.keep(out, runningPiece(s, in, late[u.ID]))
			case s.Step.Status == queue.Done && s.Step.Ended.After(b.From) && s.Step.Started.Before(b.To):
				out = b.keep(out, donePiece(s))
			}
		}
	}
	slices.SortFunc(out, func(x, y piece) int {
		return cmp.Or(x.block.Start.Compare(y.block.Start), cmp.Compare(x.block.Unit, y.block.Unit), cmp.Compare(x.block.Step, y.block.Step))
	})
	return out
}

// keep places the piece on the day and keeps it if any of it is visible.
func (b *Board) keep(out []piece, p piece) []piece {
	blk := &p.block
	if !blk.End.After(b.From) || !blk.Start.Before(b.To) || !blk.End.After(blk.Start) {
		return out
	}
	blk.X, blk.W, blk.Begins = b.at(blk.Start), b.at(blk.End)-b.at(blk.Start), blk.Start
	length := float64(blk.End.Sub(blk.Start))
	for _, w := range p.work {
		blk.Parts = append(blk.Parts, Part{Percent(100 * float64(w.start.Sub(blk.Start)) / length), Percent(100 * float64(w.end.Sub(w.start)) / length), w.class})
		if w.class == Waiting {
			blk.WaitMin += int(w.end.Sub(w.start) / time.Minute)
		}
	}
	return append(out, p)
}

func newPiece(s *job.Sheet, state State, late bool) piece {
	return piece{
		block: Block{
			Unit: s.Unit.ID, Step: s.Step.ID, Kind: s.Op.Kind, Operation: s.Op.Name, Technician: s.Technician(), State: state,
			Accepted: s.Step.Accepted != nil, Pinned: s.Step.Pin != nil, Problem: s.Step.Problem != "", Late: late,
		},
		resources: s.Resources(),
	}
}

func plannedPiece(s *job.Sheet, late bool) piece {
	p := newPiece(s, Planned, late)
	p.block.Start, p.block.End, p.block.Why = s.Planned.Start, s.Planned.End, s.Planned.Reason()
	p.resources = s.Planned.Resources
	at := s.Planned.Start
	for _, x := range s.Planned.Stretches {
		if x.Start.After(at) {
			p.work = append(p.work, work{at, x.Start, Waiting, nil})
		}
		p.work = append(p.work, work{x.Start, x.End, classOf(x.HandsOn), x.Technicians})
		at = x.End
	}
	return p
}

// runningPiece draws what is known of a running step: the stretches that are
// over by their usual length, the one that runs, the wait if it is over its
// time, and what is left.
func runningPiece(s *job.Sheet, in *Input, late bool) piece {
	p := newPiece(s, Running, late)
	st := s.Step
	who := []queue.PersonID{st.Technician}
	at := st.Started
	add := func(end time.Time, c Class) {
		if end.After(at) {
			w := work{start: at, end: end, class: c}
			if c == HandsOn {
				w.who = who
			}
			p.work = append(p.work, w)
			at = end
		}
	}
	for i, x := range s.Op.Stretches {
		switch {
		case i < st.Stretch:
			end := at.Add(x.Duration)
			if end.After(st.StretchStarted) {
				end = st.StretchStarted
			}
			add(end, classOf(x.HandsOn))
		case i == st.Stretch:
			add(st.StretchStarted, Waiting)
			add(s.StretchEnds(), classOf(x.HandsOn))
			add(in.Now, overtime(x.HandsOn))
		default:
			add(at.Add(x.Duration), classOf(x.HandsOn))
		}
	}
	p.block.Start, p.block.End = st.Started, at
	return p
}

// overtime: somebody who works longer than usual still works; a machine that is
// done waits.
func overtime(handsOn bool) Class {
	if handsOn {
		return HandsOn
	}
	return Waiting
}

func donePiece(s *job.Sheet) piece {
	p := newPiece(s, Done, false)
	p.block.Technician = s.Step.Technician
	p.block.Start, p.block.End = s.Step.Started, s.Step.Ended
	p.resources = s.Step.Resources
	p.work = doneWork(s.Step.Started, s.Step.Ended, s.Op, []queue.PersonID{s.Step.Technician})
	return p
}

// doneWork: of a step that is over only start and end are known; its first and
// last stretches are drawn with their usual length.
func doneWork(start, end time.Time, op *queue.Operation, who []queue.PersonID) []work {
	n := len(op.Stretches)
	if n > 1 {
		in, out := start.Add(op.Stretches[0].Duration), end.Add(-op.Stretches[n-1].Duration)
		if in.Before(out) && op.Stretches[0].HandsOn && op.Stretches[n-1].HandsOn {
			return []work{{start, in, HandsOn, who}, {in, out, HandsOff, nil}, {out, end, HandsOn, who}}
		}
	}
	return []work{{start, end, HandsOn, who}}
}

func classOf(handsOn bool) Class {
	if handsOn {
		return HandsOn
	}
	return HandsOff
}
