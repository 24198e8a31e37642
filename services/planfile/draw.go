package planfile

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"text/template"
	"time"

	"tickover/queue"
	"tickover/services/dispatch"
)

// Table writes the plan as text: its steps by start, the units, what does not
// fit and why, and the objective.
func (r *Result) Table(w io.Writer) error {
	p, loc := r.Plan, r.Almanac.Location()
	tw := tabwriter.NewWriter(w, 0, 4, 2, ' ', 0)
	fmt.Fprintln(tw, "start\tend\tunit\tstep\twhere\ttechnician\twhy then")
	for i := range p.Steps {
		s := &p.Steps[i]
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", clock(s.Start, loc), clock(s.End, loc), s.Unit, s.Step, where(s), s.Technician, s.Why)
	}
	fmt.Fprintln(tw, "\t\t\t\t\t\t")
	fmt.Fprintln(tw, "unit\tready\tpromised\tlate\t\t\t")
	for _, u := range p.Units {
		ready, late := "not within the horizon", ""
		if !u.Ready.IsZero() {
			ready = clock(u.Ready, loc)
		}
		if u.LateMin > 0 {
			late = (time.Duration(u.LateMin) * time.Minute).String()
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t\t\t\n", u.Unit, ready, clock(u.Promise, loc), late)
	}
	for _, u := range p.Unplaced {
		fmt.Fprintf(tw, "%s\t%s\tdoes not fit\t%s\t%s\t\t\n", u.Unit, u.Step, u.Constraint, u.Why)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	c := p.Cost
	_, err := fmt.Fprintf(w, "\nJ %.2f weighted minutes: late %.2f, flow %.2f, moved %.2f, accepted moved %.2f; at least %.2f\n",
		c.J, c.Late, c.Flow, c.Moved, c.AcceptedMove, c.Bound)
	return err
}

func clock(t time.Time, loc *time.Location) string { return t.In(loc).Format("Mon 02 15:04") }

func where(s *dispatch.PlannedStep) string {
	names := make([]string, len(s.Resources))
	for i, r := range s.Resources {
		names[i] = string(r)
	}
	return strings.Join(names, " ")
}

// Geometry of the drawing, in pixels.
const (
	laneHeight  = 26
	laneGap     = 6
	nameWidth   = 160
	minuteWidth = 1.6
	headHeight  = 34
	// characterWidth is about what a letter of the drawing takes.
	characterWidth = 7
)

type drawing struct {
	Width, Height int
	Title         string
	Hours         []mark
	Lanes         []lane
}

type mark struct {
	X    float64
	Text string
}

type lane struct {
	Name  string
	Y     int
	Boxes []box
	Shut  []box
}

type box struct {
	X, W       float64
	Class      string
	Text, Hint string
}

// SVG draws the plan's first day as a timeline: a lane for each resource and
// technician; hands-on solid, hands-off hatched, waiting that keeps something
// locked crossed.
func (r *Result) SVG(w io.Writer) error {
	if len(r.Plan.Steps) == 0 {
		return fmt.Errorf("nothing is planned, so there is nothing to draw")
	}
	loc := r.Almanac.Location()
	first := r.Plan.Steps[0].Start.In(loc)
	day := time.Date(first.Year(), first.Month(), first.Day(), 0, 0, 0, 0, loc)
	open := r.Almanac.Open(day, day.AddDate(0, 0, 1))
	from, to := day.Add(7*time.Hour), day.Add(19*time.Hour)
	if len(open) > 0 {
		from, to = open[0].Start.Add(-30*time.Minute), open[len(open)-1].End.Add(30*time.Minute)
	}
	d := &drawing{Title: r.Almanac.Shop().Name + ", " + day.Format("Monday 2 January 2006")}
	x := func(t time.Time) float64 { return nameWidth + t.Sub(from).Minutes()*minuteWidth }
	for h := from.Truncate(time.Hour); !h.After(to); h = h.Add(time.Hour) {
		if !h.Before(from) {
			d.Hours = append(d.Hours, mark{x(h), h.In(loc).Format("15:04")})
		}
	}
	r.lanes(d, from, to, x)
	d.Width = int(x(to)) + 10
	d.Height = headHeight + len(d.Lanes)*(laneHeight+laneGap) + 10
	return svg.Execute(w, d)
}

func (r *Result) lanes(d *drawing, from, to time.Time, x func(time.Time) float64) {
	shop := r.Almanac.Shop()
	add := func(name string) *lane {
		d.Lanes = append(d.Lanes, lane{Name: name, Y: headHeight + len(d.Lanes)*(laneHeight+laneGap)})
		return &d.Lanes[len(d.Lanes)-1]
	}
	for i := range shop.Resources {
		res := &shop.Resources[i]
		l := add(res.Name)
		if res.Kind.Outdoors() {
			l.shade(from, to, x, r.Almanac.Outdoor(from, to).Contains)
		}
		for k := range r.Plan.Steps {
			if s := &r.Plan.Steps[k]; slices.Contains(s.Resources, res.ID) {
				l.step(s, from, to, x, "")
			}
		}
	}
	for i := range shop.Technicians {
		t := &shop.Technicians[i]
		l := add(t.Name)
		for k := range r.Plan.Steps {
			l.step(&r.Plan.Steps[k], from, to, x, t.ID)
		}
	}
}

// step draws a step's stretches; for a technician only the ones he works.
func (l *lane) step(s *dispatch.PlannedStep, from, to time.Time, x func(time.Time) float64, who queue.PersonID) {
	var end time.Time
	for _, st := range s.Stretches {
		mine := slices.Contains(st.Technicians, who)
		if who == "" && !end.IsZero() && st.Start.After(end) {
			l.box(s, end, st.Start, from, to, x, "wait")
		}
		class := "off"
		if st.HandsOn {
			class = "on"
		}
		if who == "" || mine {
			l.box(s, st.Start, st.End, from, to, x, class)
		}
		end = st.End
	}
}

func (l *lane) box(s *dispatch.PlannedStep, start, end, from, to time.Time, x func(time.Time) float64, class string) {
	if !start.Before(to) || !end.After(from) {
		return
	}
	if start.Before(from) {
		start = from
	}
	if end.After(to) {
		end = to
	}
	b := box{X: x(start), W: x(end) - x(start), Class: class, Hint: fmt.Sprintf("%s %s", s.Unit, s.Step)}
	if b.W > float64(characterWidth*len(b.Hint)) {
		b.Text = b.Hint
	}
	l.Boxes = append(l.Boxes, b)
}

// shade marks, minute by minute, when an outdoor place is shut.
func (l *lane) shade(from, to time.Time, x func(time.Time) float64, open func(time.Time) bool) {
	for t := from; t.Before(to); {
		end := t
		for end.Before(to) && !open(end) {
			end = end.Add(time.Minute)
		}
		if end.After(t) {
			l.Shut = append(l.Shut, box{X: x(t), W: x(end) - x(t), Class: "shut"})
		}
		for t = end; t.Before(to) && open(t); t = t.Add(time.Minute) {
		}
	}
}

var svg = template.Must(template.New("plan").Parse(`<svg xmlns="http://www.w3.org/2000/svg" width="{{.Width}}" height="{{.Height}}" viewBox="0 0 {{.Width}} {{.Height}}" font-family="sans-serif" font-size="11">
<style>.on{fill:#2f6f8f;stroke:#fff;stroke-width:.6}.off{fill:url(#off);stroke:#2f6f8f}.wait{fill:url(#wait);stroke:#b3541e}.shut{fill:#d9d9d2}.t{fill:#fff}.line{stroke:#c8c8c0}</style>
<defs><pattern id="off" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#e4eef2"/><circle cx="2" cy="2" r="1" fill="#2f6f8f"/></pattern>
<pattern id="wait" width="6" height="6" patternUnits="userSpaceOnUse"><rect width="6" height="6" fill="#fbe9dd"/><path d="M0 6L6 0" stroke="#b3541e"/></pattern></defs>
<rect width="{{.Width}}" height="{{.Height}}" fill="#fff"/>
<text x="4" y="14" font-weight="bold">{{html .Title}}</text>
{{range .Hours}}<line class="line" x1="{{printf "%.1f" .X}}" x2="{{printf "%.1f" .X}}" y1="30" y2="{{$.Height}}"/><text x="{{printf "%.1f" .X}}" y="28" text-anchor="middle">{{.Text}}</text>
{{end}}{{range .Lanes}}{{$y := .Y}}<text x="4" y="{{$y}}" dy="17">{{html .Name}}</text>
{{range .Shut}}<rect class="shut" x="{{printf "%.1f" .X}}" y="{{$y}}" width="{{printf "%.1f" .W}}" height="26"/>
{{end}}{{range .Boxes}}<g><title>{{html .Hint}}</title><rect class="{{.Class}}" x="{{printf "%.1f" .X}}" y="{{$y}}" width="{{printf "%.1f" .W}}" height="26"/>{{if .Text}}<text class="{{if eq .Class "on"}}t{{end}}" x="{{printf "%.1f" .X}}" y="{{$y}}" dx="4" dy="17">{{html .Text}}</text>{{end}}</g>
{{end}}{{end}}</svg>
`))
