package plot

import (
	"math"
	"slices"
)

// pen is what a figure is drawn with. Colours are tones: 0 … tones-1 of series,
// ink, muted, rule and paper.
type pen interface {
	rect(x, y, w, h float64, tone tone, light bool)
	line(points []pt, tone tone, width float64, dashed bool)
	mark(at pt, shape int, tone tone)
	text(at pt, anchor anchor, s string, tone tone, bold bool)
}

type pt struct{ x, y float64 }

type tone int

const (
	tones      = 6
	ink   tone = tones + iota - 1
	muted
	rule
	paper
)

type anchor int

const (
	left anchor = iota
	middle
	right
)

// Sizes in px.
const (
	fontSize         = 12
	titleSize        = 15
	lineHeight       = 18
	margin           = 14
	laneHeight       = 30
	laneHeightNarrow = 46 // with its name above
	narrowBelow      = 480
	widthUsual       = 760
	heightUsual      = 340
	labelMax         = 260
)

// size is the picture's.
func (f *Figure) size() (w, h int) {
	w, h = f.Width, f.Height
	if w == 0 {
		w = widthUsual
	}
	if h == 0 {
		h = heightUsual
		if f.Lanes != nil {
			lane := laneHeight
			if f.narrow() {
				lane = laneHeightNarrow
			}
			h = 77 + (titleSize+4)*len(wrapped(f.Title, titleSize, float64(w)-2*margin)) + lane*len(f.Lanes) + lineHeight*f.legendLines(float64(w))
		}
	}
	return w, h
}

// narrow is for a phone: the names of lanes stand above them.
func (f *Figure) narrow() bool { return f.Width > 0 && f.Width < narrowBelow }

// frame is where the plot lies.
type frame struct {
	x, y scale
	lane float64 // px a lane; 0: none
}

func (f *Figure) draw(p pen) {
	wide, high := f.size()
	w, h := float64(wide), float64(high)
	p.rect(0, 0, w, h, paper, false)
	top := float64(margin)
	for _, line := range wrapped(f.Title, titleSize, w-2*margin) {
		p.text(pt{margin, top + titleSize}, left, line, ink, true)
		top += titleSize + 4
	}
	if f.Title != "" {
		top += 6
	}
	top = f.legend(p, top, w)
	if f.Lanes == nil {
		top += lineHeight + 4
	}
	fr := f.frame(top+6, w, h)
	f.axes(p, &fr, top-4)
	bars, nth := f.count(Bars), 0
	mark := 0
	for i := range f.Series {
		s := &f.Series[i]
		t := tone(i % tones)
		switch s.Kind {
		case Bars:
			f.bars(p, &fr, s, t, nth, bars)
			nth++
		case Spans:
			for k := range s.Points {
				if q := &s.Points[k]; q.finite() {
					x := fr.x.at(q.X)
					y, h := fr.y.at(q.Y)-fr.lane*0.32, fr.lane*0.64
					if f.narrow() { // below the lane's name
						y, h = fr.y.at(q.Y)-3, fr.lane*0.4
					}
					p.rect(x, y, max(1, fr.x.at(q.To)-x), h, t, i%2 == 1)
				}
			}
		case Points:
			f.points(p, &fr, s, t, mark)
			mark++
		default:
			f.curve(p, &fr, s, t)
		}
	}
}

func (f *Figure) count(k Kind) int {
	n := 0
	for i := range f.Series {
		if f.Series[i].Kind == k {
			n++
		}
	}
	return n
}

// named are the series of the legend.
func (f *Figure) named() []int {
	var out []int
	for i := range f.Series {
		if f.Series[i].Name != "" && len(f.Series) > 1 {
			out = append(out, i)
		}
	}
	return out
}

const keyWidth, keyGap = 26.0, 18.0

// rowsOf breaks the legend into lines.
func (f *Figure) rowsOf(w float64) (rows [][]int) {
	x := w
	for _, i := range f.named() {
		need := keyWidth + keyGap + room(f.Series[i].Name)
		if x+need > w-2*margin {
			rows, x = append(rows, nil), 0
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], i)
		x += need
	}
	return rows
}

func (f *Figure) legendLines(w float64) int { return len(f.rowsOf(w)) }

func (f *Figure) legend(p pen, top, w float64) float64 {
	marks := map[int]int{}
	for i, n := 0, 0; i < len(f.Series); i++ {
		if f.Series[i].Kind == Points {
			marks[i] = n
			n++
		}
	}
	for _, row := range f.rowsOf(w) {
		x := float64(margin)
		for _, i := range row {
			s, t, y := &f.Series[i], tone(i%tones), top+lineHeight/2
			switch s.Kind {
			case Bars:
				p.rect(x, y-5, 18, 10, t, f.nthBars(i)%2 == 1)
			case Spans:
				p.rect(x, y-5, 18, 10, t, i%2 == 1)
			case Points:
				p.mark(pt{x + 9, y}, marks[i], t)
			default:
				p.line([]pt{{x, y}, {x + 18, y}}, t, 2, s.Kind == Dashed)
			}
			p.text(pt{x + keyWidth, y + 4}, left, s.Name, ink, false)
			x += keyWidth + keyGap + room(s.Name)
		}
		top += lineHeight
	}
	return top
}

func (f *Figure) nthBars(i int) int {
	n := 0
	for k := range i {
		if f.Series[k].Kind == Bars {
			n++
		}
	}
	return n
}

// frame lays the axes out.
func (f *Figure) frame(top, w, h float64) frame {
	var xs, ys []float64
	for i := range f.Series {
		for k := range f.Series[i].Points {
			q := &f.Series[i].Points[k]
			if !q.finite() {
				continue
			}
			xs, ys = append(xs, q.X), append(ys, q.Y)
			if f.Series[i].Kind == Spans {
				xs = append(xs, q.To)
			}
			if q.interval() && f.Lanes != nil {
				xs = append(xs, q.Low, q.High)
			} else if q.interval() {
				ys = append(ys, q.Low, q.High)
			}
		}
	}
	fr := frame{x: f.X.span(xs, ticksOf(w))}
	bottom := h - margin - lineHeight
	if f.X.Name != "" {
		bottom -= lineHeight
	}
	label := 0.0
	if f.Lanes != nil {
		fr.lane = (bottom - top) / float64(max(1, len(f.Lanes)))
		fr.y = scale{min: -0.5, max: float64(len(f.Lanes)) - 0.5, from: top, to: bottom}
		for _, l := range f.Lanes {
			label = max(label, room(l))
		}
		if f.narrow() {
			label = 0
		}
	} else {
		fr.y = f.Y.span(ys, 6)
		fr.y.from, fr.y.to = bottom, top
		for _, t := range fr.y.ticks {
			label = max(label, room(f.Y.text(t)))
		}
	}
	fr.x.from, fr.x.to = margin+min(label, labelMax)+8, w-margin-16
	if f.count(Bars) > 0 && f.Lanes == nil {
		if n := f.slots(); n > 0 { // bars stand on their middle
			fr.x.min, fr.x.max = fr.x.min-0.6*n, fr.x.max+0.6*n
		}
	}
	return fr
}

// ticksOf is how many values an axis of a width has room for.
func ticksOf(w float64) int { return min(8, max(3, int(w/90))) }

// slots is the least distance between bars.
func (f *Figure) slots() float64 {
	var xs []float64
	for i := range f.Series {
		if f.Series[i].Kind == Bars {
			for k := range f.Series[i].Points {
				xs = append(xs, f.Series[i].Points[k].X)
			}
		}
	}
	slices.Sort(xs)
	least := math.Inf(1)
	for i := 1; i < len(xs); i++ {
		if d := xs[i] - xs[i-1]; d > 0 {
			least = min(least, d)
		}
	}
	if math.IsInf(least, 1) {
		return 1
	}
	return least
}

func (f *Figure) axes(p pen, fr *frame, nameY float64) {
	top, bottom := min(fr.y.from, fr.y.to), max(fr.y.from, fr.y.to)
	last := math.Inf(-1)
	for _, t := range fr.x.ticks {
		x := fr.x.at(t)
		if x < fr.x.from-1 || x > fr.x.to+1 {
			continue
		}
		if f.count(Bars) == 0 {
			p.line([]pt{{x, top}, {x, bottom}}, rule, 1, false)
		}
		s := f.X.text(t)
		half := room(s) / 2
		if x-half > last+6 {
			p.text(pt{x, bottom + 15}, middle, s, muted, false)
			last = x + half
		}
	}
	if f.Lanes != nil && fr.x.min < 0 && fr.x.max > 0 {
		p.line([]pt{{fr.x.at(0), top}, {fr.x.at(0), bottom}}, ink, 1.5, false)
	}
	if f.Lanes != nil {
		for i, l := range f.Lanes {
			if f.narrow() {
				y := fr.y.at(float64(i)) - 10
				text := shorten(l, fr.x.to-fr.x.from)
				p.rect(fr.x.from, y-11, room(text), 15, paper, false)
				p.text(pt{fr.x.from, y}, left, text, ink, false)
				continue
			}
			p.text(pt{fr.x.from - 8, fr.y.at(float64(i)) + 4}, right, shorten(l, labelMax), ink, false)
		}
	} else {
		for _, t := range fr.y.ticks {
			y := fr.y.at(t)
			p.line([]pt{{fr.x.from, y}, {fr.x.to, y}}, rule, 1, false)
			p.text(pt{fr.x.from - 6, y + 4}, right, f.Y.text(t), muted, false)
		}
		if f.Y.Name != "" {
			p.text(pt{margin, nameY - 2}, left, f.Y.Name, muted, false)
		}
	}
	zero := bottom
	if f.Lanes == nil && fr.y.min < 0 && fr.y.max > 0 {
		zero = fr.y.at(0)
	}
	p.line([]pt{{fr.x.from, zero}, {fr.x.to, zero}}, muted, 1, false)
	if f.X.Name != "" {
		p.text(pt{(fr.x.from + fr.x.to) / 2, bottom + 15 + lineHeight}, middle, f.X.Name, muted, false)
	}
}

func (f *Figure) bars(p pen, fr *frame, s *Series, t tone, nth, of int) {
	slot := f.slots()
	whole := math.Abs(fr.x.at(fr.x.min+slot)-fr.x.at(fr.x.min)) * 0.8
	one := whole / float64(of)
	zero := fr.y.at(max(0, fr.y.min))
	for k := range s.Points {
		q := &s.Points[k]
		if !q.finite() {
			continue
		}
		x := fr.x.at(q.X) - whole/2 + float64(nth)*one
		y := fr.y.at(q.Y)
		p.rect(x, min(y, zero), max(1, one-1), math.Abs(zero-y), t, nth%2 == 1)
		if q.interval() {
			c := x + one/2
			p.line([]pt{{c, fr.y.at(q.Low)}, {c, fr.y.at(q.High)}}, ink, 1.5, false)
		}
	}
}

const whisker = 4

func (f *Figure) points(p pen, fr *frame, s *Series, t tone, shape int) {
	for k := range s.Points {
		q := &s.Points[k]
		if !q.finite() {
			continue
		}
		c := pt{fr.x.at(q.X), fr.y.at(q.Y)}
		if f.Lanes != nil && f.narrow() {
			c.y += 6
		}
		if q.interval() && f.Lanes != nil {
			a, b := fr.x.at(q.Low), fr.x.at(q.High)
			p.line([]pt{{a, c.y}, {b, c.y}}, t, 1.5, false)
			p.line([]pt{{a, c.y - whisker}, {a, c.y + whisker}}, t, 1.5, false)
			p.line([]pt{{b, c.y - whisker}, {b, c.y + whisker}}, t, 1.5, false)
		} else if q.interval() {
			a, b := fr.y.at(q.Low), fr.y.at(q.High)
			p.line([]pt{{c.x, a}, {c.x, b}}, t, 1.5, false)
			p.line([]pt{{c.x - whisker, a}, {c.x + whisker, a}}, t, 1.5, false)
			p.line([]pt{{c.x - whisker, b}, {c.x + whisker, b}}, t, 1.5, false)
		}
		p.mark(c, shape, t)
	}
}

func (f *Figure) curve(p pen, fr *frame, s *Series, t tone) {
	var at []pt
	flush := func() {
		if len(at) > 1 {
			p.line(at, t, 2, s.Kind == Dashed)
		} else if len(at) == 1 {
			p.mark(at[0], 0, t)
		}
		at = nil
	}
	for k := range s.Points {
		q := &s.Points[k]
		if !q.finite() {
			flush()
			continue
		}
		c := pt{fr.x.at(q.X), fr.y.at(q.Y)}
		if s.Kind == Steps && len(at) > 0 {
			at = append(at, pt{c.x, at[len(at)-1].y})
		}
		at = append(at, c)
	}
	flush()
}
