package backtest

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Write tells a report in words and tables.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	if r.Made > 0 {
		fmt.Fprintf(&b, "Promised with %.0f %%: %d, kept %d (%.1f %%)\n", 100*Share, r.Made, r.Kept, 100*float64(r.Kept)/float64(r.Made))
	}
	fmt.Fprintf(&b, "Arrived %d; of %d no time could be named\n\n", r.Arrived, r.Unsaid)
	b.WriteString("  said     n   kept   (95 %)            the plan alone\n")
	for _, l := range r.Levels {
		n := float64(max(1, l.N))
		fmt.Fprintf(&b, "%5.0f %% %5d  %5.1f %%  (%5.1f to %5.1f)   %5.1f %%\n", 100*l.Share, l.N, 100*float64(l.Kept)/n, 100*l.Low, 100*l.High, 100*float64(l.Raw)/n)
	}
	fmt.Fprintf(&b, "\nSaid with %.0f %%, apart:\n", 100*Share)
	for _, list := range [][]Group{r.Routes, r.Leads} {
		for _, g := range list {
			fmt.Fprintf(&b, "%-16s %5d  kept %5.1f %%  said %5.1f h ahead, took %5.1f h\n", g.Name, g.N, 100*float64(g.Kept)/float64(g.N), g.AheadH, g.TookH)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// CSV writes the calibration curve.
func (r *Report) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	f := func(x float64) string { return strconv.FormatFloat(x, 'f', 4, 64) }
	rows := [][]string{{"said", "n", "kept", "kept_share", "low_95", "high_95", "plan_alone_share"}}
	for _, l := range r.Levels {
		n := float64(max(1, l.N))
		rows = append(rows, []string{f(l.Share), strconv.Itoa(l.N), strconv.Itoa(l.Kept), f(float64(l.Kept) / n), f(l.Low), f(l.High), f(float64(l.Raw) / n)})
	}
	return c.WriteAll(rows)
}

// SVG draws the calibration curve: said along, kept up, the band that holds it
// with 95 %, dotted the plan alone, dashed as it should be.
func (r *Report) SVG(w io.Writer) error {
	const left, top, side = 48.0, 16.0, 320.0
	x := func(v float64) string { return strconv.FormatFloat(left+side*v, 'f', 1, 64) }
	y := func(v float64) string { return strconv.FormatFloat(top+side*(1-v), 'f', 1, 64) }
	var line, raw, low, high []string
	for _, l := range r.Levels {
		n := float64(max(1, l.N))
		line = append(line, x(l.Share)+","+y(float64(l.Kept)/n))
		raw = append(raw, x(l.Share)+","+y(float64(l.Raw)/n))
		high = append(high, x(l.Share)+","+y(l.High))
		low = append([]string{x(l.Share) + "," + y(l.Low)}, low...)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 390" width="400" height="390" font-family="sans-serif" font-size="12"><title>Calibration: %d units</title><rect width="400" height="390" fill="#fff"/>`, r.Levels[0].N)
	fmt.Fprintf(&b, `<rect x="%v" y="%v" width="%v" height="%v" fill="none" stroke="#666"/>`, left, top, side, side)
	fmt.Fprintf(&b, `<polygon points="%s" fill="#9db7c4"/>`, strings.Join(append(high, low...), " "))
	fmt.Fprintf(&b, `<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#666" stroke-dasharray="8 4"/>`, x(0), y(0), x(1), y(1))
	fmt.Fprintf(&b, `<polyline points="%s" fill="none" stroke="#222" stroke-dasharray="2 4"/><polyline points="%s" fill="none" stroke="#0b6b57" stroke-width="2.5"/>`, strings.Join(raw, " "), strings.Join(line, " "))
	for _, v := range []float64{0, .25, .5, .75, 1} {
		fmt.Fprintf(&b, `<text x="%s" y="%s" text-anchor="middle" dy="16">%.0f</text><text x="%s" y="%s" text-anchor="end" dx="-6" dy="4">%.0f</text>`, x(v), y(0), 100*v, x(0), y(v), 100*v)
	}
	b.WriteString(`<text x="208" y="376" text-anchor="middle">said with (%)</text><text x="14" y="176" text-anchor="middle" transform="rotate(-90 14 176)">kept (%)</text></svg>`)
	_, err := io.WriteString(w, b.String())
	return err
}
