package plot

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// sharp is how many dots a px has.
const sharp = 2

// Bounds of a picture, in px.
const sideMax = 8000

// PNG writes the figure with two dots to a px.
func (f *Figure) PNG(w io.Writer) error {
	wide, high := f.size()
	if wide < 1 || high < 1 || wide > sideMax || high > sideMax {
		return fmt.Errorf("a picture of %d by %d px; 1 to %d are possible", wide, high, sideMax)
	}
	p := &pngPen{image: image.NewRGBA(image.Rect(0, 0, sharp*wide, sharp*high))}
	f.draw(p)
	return (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(w, p.image)
}

type pngPen struct{ image *image.RGBA }

func parsed(hex string) color.RGBA {
	var r, g, b uint8
	fmt.Sscanf(hex, "#%02x%02x%02x", &r, &g, &b)
	return color.RGBA{r, g, b, 255}
}

// fill paints a polygon, given in px.
func (p *pngPen) fill(points []pt, c color.RGBA) {
	var box struct{ x0, y0, x1, y1 float64 }
	box.x0, box.y0 = math.Inf(1), math.Inf(1)
	box.x1, box.y1 = math.Inf(-1), math.Inf(-1)
	for _, q := range points {
		box.x0, box.y0 = min(box.x0, q.x), min(box.y0, q.y)
		box.x1, box.y1 = max(box.x1, q.x), max(box.y1, q.y)
	}
	b := p.image.Bounds()
	area := image.Rect(int(math.Floor(box.x0*sharp)), int(math.Floor(box.y0*sharp)), int(math.Ceil(box.x1*sharp)), int(math.Ceil(box.y1*sharp))).Intersect(b)
	if area.Empty() {
		return
	}
	z := vector.NewRasterizer(area.Dx(), area.Dy())
	for i, q := range points {
		x, y := float32(q.x*sharp-float64(area.Min.X)), float32(q.y*sharp-float64(area.Min.Y))
		if i == 0 {
			z.MoveTo(x, y)
		} else {
			z.LineTo(x, y)
		}
	}
	z.ClosePath()
	z.Draw(p.image, area, image.NewUniform(c), image.Point{})
}

func box(x, y, w, h float64) []pt { return []pt{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}} }

func (p *pngPen) rect(x, y, w, h float64, t tone, outlined bool) {
	if !outlined {
		p.fill(box(x, y, w, h), parsed(colours[t]))
		return
	}
	p.fill(box(x, y, w, h), parsed(colours[t]))
	if w > 2 && h > 2 {
		p.fill(box(x+1, y+1, w-2, h-2), parsed(light[t]))
	}
}

func (p *pngPen) line(points []pt, t tone, width float64, dashed bool) {
	const on, off = 6.0, 4.0
	c := parsed(colours[t])
	walked := 0.0
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		length := math.Hypot(b.x-a.x, b.y-a.y)
		if length == 0 {
			continue
		}
		if !dashed {
			p.stroke(a, b, width, c)
			if i > 1 && width > 1 {
				p.circle(a, width/2, c)
			}
			continue
		}
		for s := 0.0; s < length; {
			phase := math.Mod(walked+s, on+off)
			step := on + off - phase
			if phase < on {
				step = on - phase
				p.stroke(along(a, b, s/length), along(a, b, min(1, (s+step)/length)), width, c)
			}
			s += step
		}
		walked += length
	}
}

func along(a, b pt, share float64) pt { return pt{a.x + (b.x-a.x)*share, a.y + (b.y-a.y)*share} }

func (p *pngPen) stroke(a, b pt, width float64, c color.RGBA) {
	length := math.Hypot(b.x-a.x, b.y-a.y)
	if length == 0 {
		return
	}
	nx, ny := -(b.y-a.y)/length*width/2, (b.x-a.x)/length*width/2
	p.fill([]pt{{a.x + nx, a.y + ny}, {b.x + nx, b.y + ny}, {b.x - nx, b.y - ny}, {a.x - nx, a.y - ny}}, c)
}

func (p *pngPen) circle(at pt, r float64, c color.RGBA) {
	const corners = 24
	points := make([]pt, corners)
	for i := range points {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / corners)
		points[i] = pt{at.x + r*cos, at.y + r*sin}
	}
	p.fill(points, c)
}

func (p *pngPen) mark(at pt, shape int, t tone) {
	c := parsed(colours[t])
	if points := shapeOf(at, shape); points != nil {
		p.fill(points, c)
		return
	}
	p.circle(at, 4.5, c)
}

func (p *pngPen) text(at pt, a anchor, s string, t tone, bold bool) {
	size := float64(fontSize)
	if bold {
		size = titleSize
	}
	switch a {
	case middle:
		at.x -= width(s, size, bold) / 2
	case right:
		at.x -= width(s, size, bold)
	}
	lock.Lock()
	defer lock.Unlock()
	d := font.Drawer{Dst: p.image, Src: image.NewUniform(parsed(colours[t])), Face: face(size*sharp, bold),
		Dot: fixed.Point26_6{X: fixed.Int26_6(at.x * sharp * 64), Y: fixed.Int26_6(at.y * sharp * 64)}}
	d.DrawString(s)
}

// Faces are not safe for concurrent use.
var (
	lock  sync.Mutex
	faces = map[struct {
		size float64
		bold bool
	}]font.Face{}
)

func face(size float64, bold bool) font.Face {
	key := struct {
		size float64
		bold bool
	}{size, bold}
	if f := faces[key]; f != nil {
		return f
	}
	ttf := goregular.TTF
	if bold {
		ttf = gobold.TTF
	}
	parsed, err := opentype.Parse(ttf)
	if err != nil {
		panic(err) // the font is part of the program
	}
	f, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		panic(err)
	}
	faces[key] = f
	return f
}

// width is a text's, in px.
func width(s string, size float64, bold bool) float64 {
	lock.Lock()
	defer lock.Unlock()
	return float64(font.MeasureString(face(size*sharp, bold), s)) / 64 / sharp
}

// room is what a text may need in another font: browsers draw an SVG with
// theirs, which may be wider.
func room(s string) float64 { return 1.2 * width(s, fontSize, false) }

// wrapped breaks a title into lines.
func wrapped(s string, size, most float64) []string {
	var lines []string
	for _, word := range strings.Fields(s) {
		n := len(lines)
		if n > 0 && 1.2*width(lines[n-1]+" "+word, size, true) <= most {
			lines[n-1] += " " + word
			continue
		}
		lines = append(lines, word)
	}
	return lines
}

// shorten cuts a text to a width.
func shorten(s string, most float64) string {
	if room(s) <= most {
		return s
	}
	r := []rune(s)
	for len(r) > 1 && room(string(r)+"…") > most {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}
