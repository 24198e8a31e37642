// Package charts draws what happened in a shop: what came and left, how many
// were there, how long they stayed, where the bottleneck was, and where the
// shop lies between the best and the practical worst case. Each chart is a
// plot.Figure: for pages, for files, and as a table.
package charts

import (
	"fmt"
	"math"
	"slices"
	"time"

	"tickover/metrics/flow"
	"tickover/services/floor/locale"
	"tickover/services/plot"
	"tickover/services/promise"
)

// Input is what is drawn.
type Input struct {
	*locale.Locale
	Data   *flow.Data
	Window flow.Window
	Loc    *time.Location
	// Report is that of the window; nil: it is made when it is needed.
	Report *flow.Report
	// Pool names a pool; nil: by its id.
	Pool func(id string) string
}

func (in *Input) report() *flow.Report {
	if in.Report == nil {
		r := flow.Measure(in.Data, in.Window)
		in.Report = &r
	}
	return in.Report
}

// Charts are all charts by name, in order.
var Charts = []struct {
	Name string
	Draw func(*Input) *plot.Figure
}{
	{"throughput", Throughput}, {"wip", InProcess}, {"stay", Stay}, {"bottleneck", Bottleneck}, {"position", Position},
}

// Draw draws a chart by its name; nil: there is none of that name.
func Draw(name string, in *Input) *plot.Figure {
	for _, c := range Charts {
		if c.Name == name {
			return c.Draw(in)
		}
	}
	return nil
}

// daysCharted is up to how many days there is a bar for each; else for weeks.
const daysCharted = 35

// long reports a window that is drawn by weeks.
func (in *Input) long() bool { return in.Window.End.Sub(in.Window.Start) > daysCharted*24*time.Hour }

// buckets cut the window at midnights, or at Mondays if it is long.
func (in *Input) buckets() []flow.Interval {
	step := 1
	if in.long() {
		step = 7
	}
	var out []flow.Interval
	for from := in.Window.Start.In(in.Loc); from.Before(in.Window.End); {
		y, m, d := from.Date()
		days := step
		if step == 7 {
			days = 7 - (int(from.Weekday())+6)%7
		}
		to := time.Date(y, m, d+days, 0, 0, 0, 0, in.Loc)
		if to.After(in.Window.End) {
			to = in.Window.End
		}
		out = append(out, flow.Interval{Start: from, End: to})
		from = to
	}
	return out
}

// Throughput is what arrived and left, by day or week.
func Throughput(in *Input) *plot.Figure {
	f := &plot.Figure{Title: in.T("Arrived and left"), Y: plot.Axis{Name: in.T("units")}}
	came := plot.Series{Name: in.T("arrived"), Kind: plot.Bars}
	left := plot.Series{Name: in.T("left"), Kind: plot.Bars}
	counts := flow.Count(in.Data.Visits, in.buckets())
	sumCame, sumLeft := 0, 0
	for i, c := range counts {
		name := in.Date(c.Start.In(in.Loc), "2 Jan")
		came.Points = append(came.Points, plot.Point{X: float64(i), Y: float64(c.Arrived), Name: name})
		left.Points = append(left.Points, plot.Point{X: float64(i), Y: float64(c.Left), Name: name})
		f.X.Ticks = append(f.X.Ticks, float64(i))
		sumCame, sumLeft = sumCame+c.Arrived, sumLeft+c.Left
	}
	f.X.Text = func(x float64) string {
		if i := int(math.Round(x)); i >= 0 && i < len(counts) {
			return in.Date(counts[i].Start.In(in.Loc), "2 Jan")
		}
		return ""
	}
	f.Series = []plot.Series{came, left}
	f.Desc = in.T("%d units arrived and %d left.", sumCame, sumLeft)
	return f
}

// days is a moment in days since the window's first midnight, and text its date.
func (in *Input) days(t time.Time) float64 { return t.Sub(in.Window.Start).Hours() / 24 }

func (in *Input) timeAxis() plot.Axis {
	end := in.days(in.Window.End)
	step := math.Max(1, math.Ceil(end/8))
	a := plot.Axis{Max: math.Max(end, 1), Text: func(x float64) string {
		return in.Date(in.Window.Start.Add(time.Duration(x*24*float64(time.Hour))).In(in.Loc), "2 Jan")
	}}
	for x := 0.0; x <= end; x += step {
		a.Ticks = append(a.Ticks, x)
	}
	return a
}

// InProcess is how many units were in the shop at each moment.
func InProcess(in *Input) *plot.Figure {
	type change struct {
		at time.Time
		by int
	}
	var all []change
	now := 0
	for i := range in.Data.Visits {
		v := &in.Data.Visits[i]
		for _, c := range []change{{v.Arrived, 1}, {v.Left, -1}} {
			switch {
			case c.at.IsZero() || !c.at.Before(in.Window.End):
			case c.at.Before(in.Window.Start):
				now += c.by
			default:
				all = append(all, c)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b change) int { return a.at.Compare(b.at) })
	s := plot.Series{Kind: plot.Steps, Points: []plot.Point{{X: 0, Y: float64(now)}}}
	most := now
	day := 0.0
	for _, c := range all {
		now += c.by
		most = max(most, now)
		if in.long() { // once a day is enough to see
			if in.days(c.at) < day {
				continue
			}
			day = in.days(c.at) + 1
		}
		s.Points = append(s.Points, plot.Point{X: in.days(c.at), Y: float64(now), Name: c.at.In(in.Loc).Format("2006-01-02 15:04")})
	}
	s.Points = append(s.Points, plot.Point{X: in.days(in.Window.End), Y: float64(now)})
	return &plot.Figure{Title: in.T("Units in the shop"), X: in.timeAxis(), Y: plot.Axis{Name: in.T("units")}, Series: []plot.Series{s},
		Desc: in.T("At most %d units were in the shop, and %d in the end.", most, now)}
}

// Stay is how long each unit that left had been there.
func Stay(in *Input) *plot.Figure {
	s := plot.Series{Kind: plot.Points}
	if in.long() {
		return in.stayByWeek()
	}
	for i := range in.Data.Visits {
		v := &in.Data.Visits[i]
		if !v.Left.IsZero() && !v.Left.Before(in.Window.Start) && v.Left.Before(in.Window.End) {
			s.Points = append(s.Points, plot.Point{X: in.days(v.Left), Y: v.Left.Sub(v.Arrived).Hours(), Name: v.Unit})
		}
	}
	r := in.report()
	f := &plot.Figure{Title: in.T("Time in the shop, by when each unit left"), X: in.timeAxis(), Y: plot.Axis{Name: in.T("hours")}, Series: []plot.Series{s},
		Desc: in.T("%d units left; the middle one had been there %s hours, nine of ten at most %s.", r.Stay.Units, in.Number(r.Stay.Median.Hours(), 1), in.Number(r.Stay.P90.Hours(), 1))}
	if n := len(s.Points); n > 0 {
		f.Series[0].Name = in.T("a unit")
		f.Series = append(f.Series, plot.Series{Name: in.T("the middle one"), Kind: plot.Dashed, Points: []plot.Point{
			{X: 0, Y: r.Stay.Median.Hours()}, {X: in.days(in.Window.End), Y: r.Stay.Median.Hours()}}})
	}
	return f
}

// stayByWeek is the middle unit of each week, and up to which time nine of ten
// had left.
func (in *Input) stayByWeek() *plot.Figure {
	middle := plot.Series{Name: in.T("the middle one of a week"), Kind: plot.Points}
	most := plot.Series{Name: in.T("nine of ten at most"), Kind: plot.Dashed}
	for _, b := range in.buckets() {
		var stays []float64 // hours
		for i := range in.Data.Visits {
			if v := &in.Data.Visits[i]; !v.Left.IsZero() && !v.Left.Before(b.Start) && v.Left.Before(b.End) {
				stays = append(stays, v.Left.Sub(v.Arrived).Hours())
			}
		}
		if n := float64(len(stays)); n > 0 {
			slices.Sort(stays)
			x, name := in.days(b.Start), in.Date(b.Start.In(in.Loc), "2 Jan 2006")
			middle.Points = append(middle.Points, plot.Point{X: x, Y: stays[int(math.Ceil(0.5*n))-1], Name: name})
			most.Points = append(most.Points, plot.Point{X: x, Y: stays[int(math.Ceil(0.9*n))-1], Name: name})
		}
	}
	return &plot.Figure{Title: in.T("Time in the shop, by week"), X: in.timeAxis(), Y: plot.Axis{Name: in.T("hours")}, Series: []plot.Series{middle, most},
		Desc: in.T("How long the middle unit that left in a week had been there, and nine of ten at most.")}
}

// lanesMax bounds the pools that are drawn.
const lanesMax = 8

// Bottleneck is which pool held up the rest, from moment to moment of opening
// time (Roser, Nakano and Tanaka 2002).
func Bottleneck(in *Input) *plot.Figure {
	b := in.report().Bottleneck
	f := &plot.Figure{Title: in.T("The bottleneck over time"), X: plot.Axis{Name: in.T("hours of opening time")}, Lanes: []string{}}
	share := map[string]float64{}
	for _, a := range b.Pools {
		share[a.Pool] = a.Sole + a.Shifting
	}
	pools := slices.Clone(b.Pools)
	slices.SortStableFunc(pools, func(x, y flow.Active) int {
		switch {
		case share[x.Pool] > share[y.Pool]:
			return -1
		case share[x.Pool] < share[y.Pool]:
			return 1
		}
		return 0
	})
	lane := map[string]int{}
	for _, a := range pools {
		if share[a.Pool] > 0 && len(f.Lanes) < lanesMax {
			lane[a.Pool] = len(f.Lanes)
			name := a.Pool
			if in.Pool != nil {
				name = in.Pool(a.Pool)
			}
			f.Lanes = append(f.Lanes, name)
		}
	}
	s := plot.Series{Kind: plot.Spans}
	for _, m := range b.Shift {
		if y, ok := lane[m.Pool]; ok {
			s.Points = append(s.Points, plot.Point{X: m.From.Hours(), To: m.To.Hours(), Y: float64(y), Name: m.Pool})
		}
	}
	f.Series = []plot.Series{s}
	f.Desc = in.T("Nothing was ever busy with no other free.")
	if len(f.Lanes) > 0 {
		f.Desc = in.T("Most often the bottleneck: %s.", f.Lanes[0])
	}
	return f
}

// Position is where the shop lies between the best, the worst and the
// practical worst case (Hopp and Spearman, Factory Physics, chapter 7).
func Position(in *Input) *plot.Figure {
	f := &plot.Figure{Title: in.T("Where the shop lies"), X: plot.Axis{Name: in.T("units in the shop on average")}, Y: plot.Axis{Name: in.T("units in eight opening hours")}}
	p, ok := flow.Where(in.Data, in.Window)
	if !ok {
		f.Desc = in.T("Too few units left to tell.")
		return f
	}
	const day = 8
	most := math.Ceil(1.5 * math.Max(p.W, p.Critical()))
	curve := func(name string, kind plot.Kind, of func(float64) float64) {
		s := plot.Series{Name: name, Kind: kind}
		for i := range 41 {
			w := most * float64(i) / 40
			s.Points = append(s.Points, plot.Point{X: w, Y: day * of(w)})
		}
		f.Series = append(f.Series, s)
	}
	curve(in.T("best case"), plot.Line, p.Best)
	curve(in.T("practical worst case"), plot.Dashed, p.Practical)
	curve(in.T("worst case"), plot.Line, func(w float64) float64 { return math.Min(p.Worst(w), p.Best(w)) })
	f.Series = append(f.Series, plot.Series{Name: in.T("this shop"), Kind: plot.Points, Points: []plot.Point{{X: p.W, Y: day * p.PerH, Name: fmt.Sprint(p.Units)}}})
	f.Desc = in.T("With %s units in the shop on average, %s left in eight opening hours; at best it could be %s, in the practical worst case %s.",
		in.Number(p.W, 1), in.Number(day*p.PerH, 1), in.Number(day*p.Best(p.W), 1), in.Number(day*p.Practical(p.W), 1))
	return f
}

// Promises is the calibration curve: with what share times were said when units
// came, and what share of them was kept, of n units.
func Promises(l *locale.Locale, rows []promise.Worth, n int) *plot.Figure {
	percent := func(x float64) string { return l.Number(x, 0) }
	f := &plot.Figure{
		Title: l.T("Said and kept"), Width: 480, Height: 440,
		X: plot.Axis{Name: l.T("said with, in percent"), Max: 100, Text: percent},
		Y: plot.Axis{Name: l.T("kept, in percent"), Max: 100, Text: percent},
	}
	said := plot.Series{Name: l.T("as said, with its range"), Kind: plot.Points}
	line := plot.Series{Name: l.T("as said"), Kind: plot.Line}
	raw := plot.Series{Name: l.T("the plan alone"), Kind: plot.Steps}
	ideal := plot.Series{Name: l.T("as it should be"), Kind: plot.Dashed, Points: []plot.Point{{X: 0, Y: 0}, {X: 100, Y: 100}}}
	for _, r := range rows {
		if r.Share == .8 {
			f.Desc = l.N("Of %d unit, %s of what was said with %s were kept.", "Of %d units, %s of what was said with %s were kept.", n, n, l.Percent(r.Value, 0), l.Percent(r.Share, 0))
		}
		x := 100 * r.Share
		said.Points = append(said.Points, plot.Point{X: x, Y: 100 * r.Value, Low: 100 * r.Low, High: 100 * r.High})
		line.Points = append(line.Points, plot.Point{X: x, Y: 100 * r.Value})
		raw.Points = append(raw.Points, plot.Point{X: x, Y: 100 * r.Raw})
	}
	f.Series = []plot.Series{ideal, raw, line, said}
	return f
}
