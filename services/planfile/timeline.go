package planfile

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/dispatch"
)

// Geometry of the drawing, in pixels. It is made to be read at its own width.
const (
	drawingWidth = 1200
	nameWidth    = 168
	margin       = 14
	rightMargin  = 26
	headHeight   = 72
	dayHead      = 40
	laneHeight   = 22
	laneGap      = 3
	groupGap     = 12
	footHeight   = 40
	// letterWidth is about what a letter of a box takes.
	letterWidth = 6.1
	boxPadding  = 4
)

// daysMax is how many days are drawn, one below the other.
const daysMax = 7

type drawing struct {
	Width, Height int
	GridX, GridW  int
	Title, Sub    string
	Desc          string
	Days          []day
	LegendY       int
	Legend        []legend
}

type legend struct {
	X           float64
	Class, Text string
}

type day struct {
	Y, Bottom int // of the grid
	Title     string
	Hours     []mark
	Lanes     []lane
}

type mark struct {
	X    float64
	Text string
}

type lane struct {
	Name   string
	Group  string // set on the first lane of a group
	Y, H   int
	Shades []box
	Boxes  []box
}

type box struct {
	X, W       float64
	Y, H       int
	Class      string
	Hue        int
	Text, Hint string
	TextX      float64
}

// painter draws one day.
type painter struct {
	r        *Result
	from, to time.Time
	scale    float64 // pixels a minute
	hue      map[queue.UnitID]int
}

// hues are how many colours units take in turn.
const hues = 8

// SVG draws the plan's days as a timeline, 1200 pixels wide: a lane for each
// bench, interface, charger, pad, loop and technician. Hands-on time is solid,
// hands-off time hatched, waiting that keeps things locked crossed in red, and
// what is shut, dark or off shaded. Each unit keeps its colour.
func (r *Result) SVG(w io.Writer) error {
	if len(r.Plan.Steps) == 0 {
		return fmt.Errorf("nothing is planned, so there is nothing to draw")
	}
	d := &drawing{Width: drawingWidth, GridX: nameWidth, GridW: drawingWidth - nameWidth - rightMargin, Title: r.Almanac.Shop().Name, Sub: r.summary()}
	d.Desc = "Timeline of the plan: a lane for each bench, interface, charger, pad, loop and technician, a panel for each day."
	hue := map[queue.UnitID]int{}
	for _, u := range r.Plan.Units {
		hue[u.Unit] = len(hue) % hues
	}
	y := headHeight
	days := r.days()
	for _, from := range days[:min(len(days), daysMax)] {
		p := painter{r: r, hue: hue}
		p.span(from)
		one := p.day(y)
		d.Days = append(d.Days, one)
		y = one.Bottom + groupGap
	}
	if rest := len(days) - daysMax; rest > 0 {
		d.Sub += fmt.Sprintf("; %d more days are not drawn", rest)
	}
	d.LegendY, d.Height = y+8, y+footHeight
	d.legends()
	return svg.Execute(w, d)
}

// summary is the line under the title.
func (r *Result) summary() string {
	late := 0
	for _, u := range r.Plan.Units {
		if u.LateMin > 0 || u.Ready.IsZero() {
			late++
		}
	}
	return fmt.Sprintf("%d units, %d of them late; interfaces wait %s with nobody at work; J %.0f weighted minutes, proved to be at least %.0f; planned at %s",
		len(r.Plan.Units), late, minutes(int64(r.locked()/time.Minute)), r.Plan.Cost.J, r.Plan.Cost.Bound, clock(r.Plan.Made, r.Almanac.Location()))
}

// locked is how long interfaces are held between stretches.
func (r *Result) locked() time.Duration {
	var sum time.Duration
	for i := range r.Plan.Steps {
		s := &r.Plan.Steps[i]
		for _, id := range s.Resources {
			if res := r.Almanac.Shop().Resource(id); res == nil || res.Kind != queue.Interface {
				continue
			}
			for k := 1; k < len(s.Stretches); k++ {
				sum += s.Stretches[k].Start.Sub(s.Stretches[k-1].End)
			}
		}
	}
	return sum
}

// days are the midnights of the days on which something runs.
func (r *Result) days() []time.Time {
	loc := r.Almanac.Location()
	var out []time.Time
	for i := range r.Plan.Steps {
		for _, x := range r.Plan.Steps[i].Stretches {
			t := x.Start.In(loc)
			midnight := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, loc)
			if !slices.ContainsFunc(out, midnight.Equal) {
				out = append(out, midnight)
			}
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

// span is what of a day is drawn: from half an hour before the shop opens to
// half an hour after it closes, or to the end of the work.
func (p *painter) span(midnight time.Time) {
	next := midnight.AddDate(0, 0, 1)
	p.from, p.to = midnight.Add(8*time.Hour), midnight.Add(18*time.Hour)
	if open := p.r.Almanac.Open(midnight, next); len(open) > 0 {
		p.from, p.to = open[0].Start, open[len(open)-1].End
	}
	for i := range p.r.Plan.Steps {
		for _, x := range p.r.Plan.Steps[i].Stretches {
			if !x.HandsOn {
				continue
			}
			if x.Start.After(midnight) && x.Start.Before(p.from) {
				p.from = x.Start
			}
			if x.End.Before(next) && x.End.After(p.to) {
				p.to = x.End
			}
		}
	}
	p.from, p.to = p.from.Add(-30*time.Minute), p.to.Add(30*time.Minute)
	p.scale = (drawingWidth - nameWidth - rightMargin) / p.to.Sub(p.from).Minutes()
}

func (p *painter) x(t time.Time) float64 { return nameWidth + t.Sub(p.from).Minutes()*p.scale }

func (p *painter) day(y int) day {
	loc := p.r.Almanac.Location()
	d := day{Y: y + dayHead, Title: p.from.In(loc).Format("Monday 2 January 2006")}
	at := d.Y
	shop := p.r.Almanac.Shop()
	for _, kind := range []queue.ResourceKind{queue.Bench, queue.Interface, queue.Charger, queue.Pad, queue.Loop} {
		first := true
		for i := range shop.Resources {
			if res := &shop.Resources[i]; res.Kind == kind {
				l := p.place(res, at)
				if first {
					l.Group = groupNames[kind]
				}
				first = false
				d.Lanes = append(d.Lanes, l)
				at += l.H + laneGap
			}
		}
		if !first {
			at += groupGap
		}
	}
	for i := range shop.Technicians {
		l := p.person(&shop.Technicians[i], at)
		if i == 0 {
			l.Group = "Technicians"
		}
		d.Lanes = append(d.Lanes, l)
		at += l.H + laneGap
	}
	d.Bottom = at
	for h := p.from.In(loc).Truncate(time.Hour); !h.After(p.to); h = h.Add(time.Hour) {
		if !h.Before(p.from) {
			d.Hours = append(d.Hours, mark{p.x(h), h.In(loc).Format("15:04")})
		}
	}
	return d
}

var groupNames = map[queue.ResourceKind]string{queue.Bench: "Benches", queue.Interface: "Interfaces",
	queue.Charger: "Chargers", queue.Pad: "Run-up pads", queue.Loop: "Test-ride loops"}

// place is the lane of a resource; steps at the same time lie one below the
// other.
func (p *painter) place(res *queue.Resource, y int) lane {
	l := lane{Name: nameOf(res.Name, string(res.ID)), Y: y}
	var ends []time.Time
	rows := map[int][]*dispatch.PlannedStep{}
	for i := range p.r.Plan.Steps {
		s := &p.r.Plan.Steps[i]
		if !slices.Contains(s.Resources, res.ID) || !s.Start.Before(p.to) || !s.End.After(p.from) {
			continue
		}
		row := slices.IndexFunc(ends, func(e time.Time) bool { return !e.After(s.Start) })
		if row < 0 {
			row = len(ends)
			ends = append(ends, time.Time{})
		}
		ends[row] = s.End
		rows[row] = append(rows[row], s)
	}
	l.H = max(1, len(ends)) * laneHeight
	for row := range len(ends) {
		for _, s := range rows[row] {
			p.step(&l, s, y+row*laneHeight)
		}
	}
	if res.Kind.Outdoors() {
		p.shade(&l, "dark", "no engine outdoors: too dark, or quiet hours", p.r.Almanac.Outdoor(p.from, p.to))
	}
	p.shade(&l, "shut", "the shop is shut", p.r.Almanac.Open(p.from, p.to))
	return l
}

// step draws a step where it is held: its work, its hands-off time, pauses,
// and waiting.
func (p *painter) step(l *lane, s *dispatch.PlannedStep, y int) {
	label := p.label(s)
	for i := range s.Stretches {
		x := &s.Stretches[i]
		if i > 0 {
			p.box(l, s, y, s.Stretches[i-1].End, x.Start, "wait", "waits, and keeps what it holds")
		}
		class, what := "off", "hands-off"
		if x.HandsOn {
			class, what = "on", "hands-on"
		}
		at := x.Start
		for _, part := range parts(x) {
			p.box(l, s, y, at, part.Start, "pause", "pauses")
			p.box(l, s, y, part.Start, part.End, class, what)
			at = part.End
		}
	}
	p.write(l, s, y, label)
}

// write puts the text over the longest of a step's boxes that were just drawn.
func (p *painter) write(l *lane, s *dispatch.PlannedStep, y int, texts []string) {
	from, to := p.clip(s.Start, s.End)
	if !from.Before(to) {
		return
	}
	best := -1
	for i := range l.Boxes {
		b := &l.Boxes[i]
		if b.Y == y && b.X >= p.x(from)-0.01 && b.X+b.W <= p.x(to)+0.01 && b.Class != "pause" && b.Class != "wait" && (best < 0 || b.W > l.Boxes[best].W) {
			best = i
		}
	}
	if best < 0 {
		return
	}
	b := &l.Boxes[best]
	b.Text, b.TextX = fitting(texts, b.W), b.X+boxPadding
}

// fitting is the longest of the texts that fits, longest first.
func fitting(texts []string, width float64) string {
	for _, t := range texts {
		if float64(len([]rune(t)))*letterWidth+2*boxPadding <= width {
			return t
		}
	}
	return ""
}

// label is what may be written into a step's box, the longest first.
func (p *painter) label(s *dispatch.PlannedStep) []string {
	name := string(s.Step)
	if op := p.r.Almanac.Shop().Operation(s.Operation); op != nil {
		name = op.Name
	}
	id := string(s.Unit)
	short := id
	if i := strings.LastIndexAny(id, "-/ "); i >= 0 && i+1 < len(id) {
		short = id[i+1:]
	}
	return []string{id + " " + name, id + " " + string(s.Step), id, short}
}

// person is the lane of a technician.
func (p *painter) person(t *queue.Technician, y int) lane {
	l := lane{Name: nameOf(t.Name, string(t.ID)), Y: y, H: laneHeight}
	for i := range p.r.Plan.Steps {
		s := &p.r.Plan.Steps[i]
		for k := range s.Stretches {
			x := &s.Stretches[k]
			if !slices.Contains(x.Technicians, t.ID) {
				continue
			}
			for _, part := range parts(x) {
				if b := p.box(&l, s, y, part.Start, part.End, "on", "works"); b != nil {
					b.Text, b.TextX = fitting(p.label(s), b.W), b.X+boxPadding
				}
			}
		}
	}
	at := p.r.Almanac.Shifts(t.ID, nil, p.from, p.to)
	p.shade(&l, "shut", "not at work", at)
	for _, iv := range p.r.Almanac.Breaks(t.ID, p.from, p.to).Intersect(at) {
		p.shadow(&l, iv.Start, iv.End, "break", "break")
	}
	return l
}

func nameOf(name, id string) string {
	const most = 24
	if name == "" {
		name = id
	}
	if r := []rune(name); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return name
}

func parts(x *dispatch.PlannedStretch) []dispatch.StretchPart {
	if len(x.Parts) > 0 {
		return x.Parts
	}
	return []dispatch.StretchPart{{Start: x.Start, End: x.End}}
}

func (p *painter) clip(start, end time.Time) (time.Time, time.Time) {
	if start.Before(p.from) {
		start = p.from
	}
	if end.After(p.to) {
		end = p.to
	}
	return start, end
}

func (p *painter) box(l *lane, s *dispatch.PlannedStep, y int, start, end time.Time, class, what string) *box {
	from, to := p.clip(start, end)
	if !from.Before(to) {
		return nil
	}
	loc := p.r.Almanac.Location()
	hint := fmt.Sprintf("%s, %s %s–%s", p.label(s)[0], what, start.In(loc).Format("15:04"), end.In(loc).Format("15:04"))
	if names := technicians(s); names != "" {
		hint += ", " + names
	}
	if s.Why != "" {
		hint += ": " + s.Why
	}
	l.Boxes = append(l.Boxes, box{X: p.x(from), W: p.x(to) - p.x(from), Y: y, H: laneHeight - 2, Class: class, Hue: p.hue[s.Unit], Hint: hint})
	return &l.Boxes[len(l.Boxes)-1]
}

// shade marks what of the day is not in open.
func (p *painter) shade(l *lane, class, hint string, open calendar.Set) {
	for _, iv := range (calendar.Set{{Start: p.from, End: p.to}}).Subtract(open) {
		p.shadow(l, iv.Start, iv.End, class, hint)
	}
}

func (p *painter) shadow(l *lane, start, end time.Time, class, hint string) {
	from, to := p.clip(start, end)
	if from.Before(to) {
		l.Shades = append(l.Shades, box{X: p.x(from), W: p.x(to) - p.x(from), Y: l.Y, H: l.H, Class: class, Hint: hint})
	}
}

func (d *drawing) legends() {
	x := float64(margin)
	for _, l := range []legend{
		{Class: "on", Text: "hands-on"}, {Class: "off", Text: "hands-off"}, {Class: "wait", Text: "waits, everything locked: waste"},
		{Class: "pause", Text: "pauses, place kept"}, {Class: "dark", Text: "no engine outdoors"}, {Class: "break", Text: "break"}, {Class: "shut", Text: "shut, or not at work"},
	} {
		l.X = x
		d.Legend = append(d.Legend, l)
		x += 44 + float64(len(l.Text))*letterWidth
	}
}
