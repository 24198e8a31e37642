// Package plot draws one description as SVG, as PNG and as a table.
//
//	f := plot.Figure{Title: "Units a week", Y: plot.Axis{Name: "units"}, Series: []plot.Series{{Name: "left", Kind: plot.Bars, Points: points}}}
//	err := f.SVG(w, plot.File)   // or f.PNG(w), f.Rows()
//
// The three say the same: what SVG and PNG draw goes through one layout, and
// [Figure.Rows] are the points as they were given. Nothing is told by colour
// alone: series differ in shape or dashes too, and carry names. Values that are
// not finite are left out. The same figure gives the same bytes.
//
// PNG is drawn with the rasteriser and the Go font of golang.org/x/image, which
// the photos need anyway.
package plot

import (
	"math"
	"strconv"
)

// Kind is how a series is drawn.
type Kind int

// The kinds.
const (
	Line   Kind = iota // from point to point
	Dashed             // the same, dashed
	Steps              // a level that changes at points
	Points             // marks, with intervals if there are any
	Bars               // from 0, beside the bars of other series
	Spans              // X to To on lane Y
)

// Figure is one picture. Texts come as they are to be read.
type Figure struct {
	Title string
	// Desc says in words what is to be seen, for who can't see it.
	Desc string
	X, Y Axis
	// Lanes, if set, name the places of whole Y from the top, 0 first; Y then
	// has no scale.
	Lanes  []string
	Series []Series
	// Width and Height in px; 0: 760 by 340, or as many lanes need.
	Width, Height int
}

// Axis is one direction.
type Axis struct {
	Name string
	// Min and Max are reached at least; both 0: what the points need, and 0.
	Min, Max float64
	// Tight: the axis need not begin at 0.
	Tight bool
	// Ticks are where values are written; nil: round numbers.
	Ticks []float64
	// Text writes a value; nil: as a number.
	Text func(float64) string
}

// Series is what belongs together.
type Series struct {
	Name   string
	Kind   Kind
	Points []Point
}

// Point is one value. Low and High, where they differ, are an interval around
// it: of X if there are lanes, else of Y. To is the end of a span.
type Point struct {
	X, Y      float64
	To        float64
	Low, High float64
	Name      string // of this point, in the table and beside bars' axis
}

func (p *Point) finite() bool {
	for _, x := range []float64{p.X, p.Y, p.To, p.Low, p.High} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

func (p *Point) interval() bool { return p.Low < p.High }

// Rows are the points as lines of a table, the header first.
func (f *Figure) Rows() [][]string {
	rows := [][]string{{"series", "name", or(f.X.Name, "x"), or(f.Y.Name, "y"), "to", "low", "high"}}
	for _, s := range f.Series {
		for i := range s.Points {
			p := &s.Points[i]
			row := []string{s.Name, p.Name, number(p.X), number(p.Y), "", "", ""}
			if f.Lanes != nil {
				row[3] = f.lane(p.Y)
			}
			if s.Kind == Spans {
				row[4] = number(p.To)
			}
			if p.interval() {
				row[5], row[6] = number(p.Low), number(p.High)
			}
			rows = append(rows, row)
		}
	}
	return rows
}

func (f *Figure) lane(y float64) string {
	if i := int(math.Round(y)); i >= 0 && i < len(f.Lanes) {
		return f.Lanes[i]
	}
	return number(y)
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func number(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', 8, 64)
}

// text writes a tick.
func (a *Axis) text(x float64) string {
	if a.Text != nil {
		return a.Text(x)
	}
	return strconv.FormatFloat(x, 'g', 6, 64)
}

// scale is an axis laid over pixels.
type scale struct {
	min, max float64
	from, to float64 // px
	ticks    []float64
}

func (s scale) at(x float64) float64 {
	if s.max == s.min {
		return s.from
	}
	return s.from + (x-s.min)/(s.max-s.min)*(s.to-s.from)
}

// span finds the values that an axis has to hold.
func (a *Axis) span(values []float64, ticks int) scale {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		lo, hi = min(lo, v), max(hi, v)
	}
	if lo > hi {
		lo, hi = 0, 1
	}
	if !a.Tight {
		lo, hi = min(lo, 0), max(hi, 0)
	}
	if a.Min != 0 || a.Max != 0 {
		lo, hi = min(lo, a.Min), max(hi, a.Max)
	}
	if hi-lo < 1e-9*max(1, math.Abs(hi)) {
		hi = lo + 1
	}
	s := scale{min: lo, max: hi, ticks: a.Ticks}
	if a.Ticks == nil {
		step := round((hi - lo) / float64(ticks))
		s.min = math.Floor(lo/step+1e-9) * step
		s.max = math.Ceil(hi/step-1e-9) * step
		for i := 0; ; i++ {
			x := s.min + float64(i)*step
			if x > s.max+step/2 || i > 40 {
				break
			}
			s.ticks = append(s.ticks, math.Round(x/step)*step)
		}
	}
	return s
}

// round is the next of 1, 2, 5, 10, … that is at least x.
func round(x float64) float64 {
	if x <= 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if x <= m*p*(1+1e-9) {
			return m * p
		}
	}
	return 10 * p
}
