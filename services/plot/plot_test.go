package plot_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tickover/services/plot"
)

// examples are a figure of each kind, some of whose values and texts nobody
// should have to expect.
func examples() map[string]*plot.Figure {
	week := []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}
	bars := func(name string, ys ...float64) plot.Series {
		s := plot.Series{Name: name, Kind: plot.Bars}
		for i, y := range ys {
			s.Points = append(s.Points, plot.Point{X: float64(i), Y: y, Name: week[i]})
		}
		return s
	}
	return map[string]*plot.Figure{
		"bars": {Title: "Units by day", Desc: "Six days.", Y: plot.Axis{Name: "units"},
			X:      plot.Axis{Ticks: []float64{0, 1, 2, 3, 4, 5}, Text: func(x float64) string { return week[int(x)] }},
			Series: []plot.Series{bars("arrived", 12, 9, 14, 3, 0, 7), bars("left", 8, 10, 12, 9, 6, 2)}},
		"curves": {Title: "Where the shop lies", Desc: "Three curves and a point.", X: plot.Axis{Name: "units in the shop"}, Y: plot.Axis{Name: "units in eight hours"},
			Series: []plot.Series{
				{Name: "best", Kind: plot.Line, Points: []plot.Point{{X: 0, Y: 0}, {X: 10, Y: 12}, {X: 40, Y: 12}}},
				{Name: "practical worst case", Kind: plot.Dashed, Points: []plot.Point{{X: 0, Y: 0}, {X: 10, Y: 6}, {X: 20, Y: 8}, {X: 40, Y: 9.5}}},
				{Name: "worst", Kind: plot.Steps, Points: []plot.Point{{X: 0, Y: 1}, {X: 20, Y: 2}, {X: 40, Y: 1.5}}},
				{Name: "this shop", Kind: plot.Points, Points: []plot.Point{{X: 22, Y: 9, Low: 8, High: 10}, {X: math.NaN(), Y: 3}}},
			}},
		"lanes": {Title: "What a change brings", Desc: "Differences with intervals.", X: plot.Axis{Name: "units a week more"}, Lanes: []string{"one more like <Interface 1> & Co", "Kofi till seven", "a very long name of something that nobody would ever write into a shop file, and yet here it is"},
			Series: []plot.Series{{Name: "at full load", Kind: plot.Points, Points: []plot.Point{{X: 4, Y: 0, Low: 3, High: 5}, {X: -1, Y: 1, Low: -2.5, High: 0.5}, {X: 0.2, Y: 2, Low: 0.1, High: 0.4}}},
				{Name: "spans", Kind: plot.Spans, Points: []plot.Point{{X: 1, To: 3, Y: 1}}}}},
		"nothing": {Title: "Nothing", Desc: "Nothing happened.", Series: []plot.Series{{Name: "x", Kind: plot.Line}}},
	}
}

func TestFigures(t *testing.T) {
	for name, f := range examples() {
		t.Run(name, func(t *testing.T) {
			var svg, again, picture bytes.Buffer
			if err := errors.Join(f.SVG(&svg, plot.File, "a"), f.SVG(&again, plot.File, "a"), f.PNG(&picture)); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(svg.Bytes(), again.Bytes()) {
				t.Error("the same figure gives another SVG")
			}
			wellFormed(t, svg.Bytes())
			for _, bad := range []string{"NaN", "Inf", "<Interface"} {
				if strings.Contains(svg.String(), bad) {
					t.Errorf("%s in the SVG", bad)
				}
			}
			for _, s := range f.Series {
				if len(f.Series) > 1 && !strings.Contains(svg.String(), ">"+s.Name+"<") {
					t.Errorf("series %s is not named", s.Name)
				}
			}
			img, err := png.Decode(&picture)
			if err != nil {
				t.Fatal(err)
			}
			var w, h int
			if _, err := fmt.Sscanf(svg.String()[strings.Index(svg.String(), "width="):], `width="%d" height="%d"`, &w, &h); err != nil {
				t.Fatal(err)
			}
			if b := img.Bounds(); b.Dx() != 2*w || b.Dy() != 2*h {
				t.Errorf("the PNG has %v, the SVG %d by %d", b, w, h)
			}
			if dir := os.Getenv("TICKOVER_PICTURES"); dir != "" {
				var b bytes.Buffer
				if err := errors.Join(f.PNG(&b), os.WriteFile(filepath.Join(dir, "plot-"+name+".png"), b.Bytes(), 0o600),
					os.WriteFile(filepath.Join(dir, "plot-"+name+".svg"), svg.Bytes(), 0o600)); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

func wellFormed(t *testing.T, b []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(b))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// TestBothPicturesShowTheSame: where the SVG has a bar, the PNG has its colour.
func TestBothPicturesShowTheSame(t *testing.T) {
	f := examples()["bars"]
	var svg, picture bytes.Buffer
	if err := errors.Join(f.SVG(&svg, plot.File, "a"), f.PNG(&picture)); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&picture)
	if err != nil {
		t.Fatal(err)
	}
	var heights []float64
	for _, line := range strings.Split(svg.String(), "\n") {
		var x, y, w, h float64
		if n, _ := fmt.Sscanf(line, `<rect class="f0" x="%g" y="%g" width="%g" height="%g"/>`, &x, &y, &w, &h); n != 4 || h < 10.5 {
			continue
		}
		heights = append(heights, h)
		got := color.RGBAModel.Convert(img.At(int(2*(x+w/2)), int(2*(y+h/2)))).(color.RGBA)
		if want := (color.RGBA{0x2f, 0x66, 0x90, 255}); got != want {
			t.Errorf("at %g, %g the PNG is %v", x, y, got)
		}
	}
	// 12, 9, 14, 3, nothing, 7: as high as the numbers are large.
	if len(heights) != 5 || math.Abs(heights[2]/heights[0]-14.0/12) > 0.02 || slices.Max(heights) != heights[2] {
		t.Errorf("heights %v", heights)
	}
}

func TestRows(t *testing.T) {
	rows := examples()["lanes"].Rows()
	if len(rows) != 5 || rows[1][3] != "one more like <Interface 1> & Co" || rows[1][5] != "3" || rows[4][4] != "3" {
		t.Errorf("%q", rows)
	}
	if rows := examples()["curves"].Rows(); rows[len(rows)-1][2] != "" {
		t.Errorf("%q", rows[len(rows)-1])
	}
}

func TestTooLarge(t *testing.T) {
	if err := (&plot.Figure{Width: 90_000}).PNG(io.Discard); err == nil {
		t.Error("90,000 px are drawn")
	}
}
