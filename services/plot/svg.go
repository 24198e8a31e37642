package plot

import (
	"bufio"
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"
)

// Where says where an SVG is looked at.
type Where int

const (
	// File stands alone and brings its colours along.
	File Where = iota
	// Page lies within HTML that has the stylesheet plot.css, for light and
	// dark; its id is taken from Figure.Title's place in the page.
	Page
)

// The colours of tones, for light paper.
var colours = [...]string{
	"#2f6690", "#a0461f", "#2c7a55", "#7a4f9a", "#806010", "#5b6168", // series
	"#22272b", "#596066", "#dfe2e0", "#ffffff", // ink, muted, rule, paper
}

// light is a tone's filling when it is outlined.
var light = [...]string{"#d6e4ee", "#f5ddd2", "#d5eadf", "#e7dcf0", "#efe6c8", "#e3e5e6"}

// SVG writes the figure. On a page, several have to be told apart by id.
func (f *Figure) SVG(w io.Writer, where Where, id string) error {
	b := bufio.NewWriter(w)
	wide, high := f.size()
	id = html.EscapeString(id)
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" class="plot" width="%d" height="%d" viewBox="0 0 %d %d" role="img" aria-labelledby="%st %sd" font-family="system-ui, sans-serif" font-size="%d">`+"\n", wide, high, wide, high, id, id, fontSize)
	fmt.Fprintf(b, `<title id="%st">%s</title><desc id="%sd">%s</desc>`+"\n", id, html.EscapeString(f.Title), id, html.EscapeString(f.Desc))
	if where == File {
		b.WriteString("<style>")
		for i, c := range colours {
			fmt.Fprintf(b, ".f%d{fill:%s}.s%d{stroke:%s}", i, c, i, c)
		}
		for i, c := range light {
			fmt.Fprintf(b, ".l%d{fill:%s}", i, c)
		}
		b.WriteString("</style>\n")
	}
	f.draw(&svgPen{b})
	b.WriteString("</svg>\n")
	return b.Flush()
}

type svgPen struct{ *bufio.Writer }

// px is a length with one decimal.
func px(x float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(x, 'f', 1, 64), ".0")
}

func (s *svgPen) rect(x, y, w, h float64, t tone, outlined bool) {
	class := fmt.Sprintf("f%d", t)
	if outlined {
		class = fmt.Sprintf("l%d s%d", t, t)
		x, y, w, h = x+0.5, y+0.5, max(0, w-1), max(0, h-1)
	}
	fmt.Fprintf(s, `<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`+"\n", class, px(x), px(y), px(w), px(h))
}

func (s *svgPen) line(points []pt, t tone, width float64, dashed bool) {
	fmt.Fprintf(s, `<path class="s%d" fill="none" stroke-width="%s" d="`, t, px(width))
	for i, p := range points {
		c := "L"
		if i == 0 {
			c = "M"
		}
		fmt.Fprintf(s, "%s%s %s", c, px(p.x), px(p.y))
	}
	s.WriteString(`"`)
	if dashed {
		s.WriteString(` stroke-dasharray="6 4"`)
	}
	s.WriteString("/>\n")
}

// shapes of marks: circle, square, triangle, diamond.
func shapeOf(at pt, shape int) []pt {
	const r = 5
	switch shape % 4 {
	case 1:
		return []pt{{at.x - r + 1, at.y - r + 1}, {at.x + r - 1, at.y - r + 1}, {at.x + r - 1, at.y + r - 1}, {at.x - r + 1, at.y + r - 1}}
	case 2:
		return []pt{{at.x, at.y - r}, {at.x + r, at.y + r - 1}, {at.x - r, at.y + r - 1}}
	case 3:
		return []pt{{at.x, at.y - r - 1}, {at.x + r, at.y}, {at.x, at.y + r + 1}, {at.x - r, at.y}}
	}
	return nil
}

func (s *svgPen) mark(at pt, shape int, t tone) {
	points := shapeOf(at, shape)
	if points == nil {
		fmt.Fprintf(s, `<circle class="f%d" cx="%s" cy="%s" r="4.5"/>`+"\n", t, px(at.x), px(at.y))
		return
	}
	fmt.Fprintf(s, `<path class="f%d" d="`, t)
	for i, p := range points {
		c := "L"
		if i == 0 {
			c = "M"
		}
		fmt.Fprintf(s, "%s%s %s", c, px(p.x), px(p.y))
	}
	s.WriteString("Z\"/>\n")
}

func (s *svgPen) text(at pt, a anchor, text string, t tone, bold bool) {
	extra := ""
	if a != left {
		extra = fmt.Sprintf(` text-anchor="%s"`, [...]string{"start", "middle", "end"}[a])
	}
	if bold {
		extra += fmt.Sprintf(` font-size="%d" font-weight="600"`, titleSize)
	}
	fmt.Fprintf(s, `<text class="f%d" x="%s" y="%s"%s>%s</text>`+"\n", t, px(at.x), px(at.y), extra, html.EscapeString(text))
}
