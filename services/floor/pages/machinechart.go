package pages

import (
	"fmt"
	"strings"
	"time"

	"tickover/services/floor/record"
)

// chart is one quantity over time, drawn on a plane of 360 by 130.
type chart struct {
	Name    string
	Lines   []string // points of the curve, in pieces
	Back    []string // the same where it runs backwards
	Dots    []chartDot
	Flashes []string // x of each flash
	From    string
	To      string
	Says    string // the same in a sentence
}

type chartDot struct {
	X, Y, TextX, TextY, Text, Anchor string
	Back                             bool
}

const (
	chartLeft, chartRight = 12.0, 348.0
	chartTop, chartBase   = 30.0, 100.0
	dotsNamed             = 6 // of the readings that say their number
)

// charts draws hours and distance over the same time.
func (m *machinePage) charts() {
	from, to := m.MachineRecord.Visits[0].Arrived, m.Now
	for _, of := range []record.Quantity{record.OdometerKM, record.EngineH} {
		var rs []record.Reading
		for _, r := range m.Readings {
			if r.Of == of {
				rs = append(rs, r)
			}
		}
		if len(rs) > 1 {
			m.Charts = append(m.Charts, m.chart(of, rs, from, to))
		}
	}
}

func (m *machinePage) chart(of record.Quantity, rs []record.Reading, from, to time.Time) chart {
	c := chart{Name: m.QuantityName(of), From: m.Date(from.In(m.Loc), "2 Jan 2006"), To: m.Date(to.In(m.Loc), "2 Jan 2006")}
	low, high := rs[0].Value, rs[0].Value
	for _, r := range rs {
		low, high = min(low, r.Value), max(high, r.Value)
	}
	x := func(t time.Time) float64 {
		if span := to.Sub(from); span > 0 {
			return chartLeft + (chartRight-chartLeft)*float64(t.Sub(from))/float64(span)
		}
		return chartLeft
	}
	y := func(v float64) float64 {
		if high > low {
			return chartBase - (chartBase-chartTop)*(v-low)/(high-low)
		}
		return (chartBase + chartTop) / 2
	}
	var line []string
	begin := func() {
		if len(line) > 1 {
			c.Lines = append(c.Lines, strings.Join(line, " "))
		}
		line = nil
	}
	lastNamed := -100.0
	for i, r := range rs {
		px, py := x(r.At), y(r.Value)
		if r.Back {
			begin()
			c.Back = append(c.Back, at(x(rs[i-1].At))+","+at(y(rs[i-1].Value))+" "+at(px)+","+at(py))
		}
		line = append(line, at(px)+","+at(py))
		d := chartDot{X: at(px), Y: at(py), TextX: at(px), TextY: at(py - 9), Back: r.Back, Anchor: anchor(px)}
		if r.Back && py < chartBase-15 {
			d.TextY = at(py + 20)
		}
		if i == len(rs)-1 || (px-lastNamed > (chartRight-chartLeft)/dotsNamed && px < chartRight-70) || r.Back {
			d.Text, lastNamed = m.Amount(r), px
		}
		c.Dots = append(c.Dots, d)
	}
	begin()
	for _, f := range m.Flashes {
		c.Flashes = append(c.Flashes, at(x(f.At)))
	}
	c.Says = m.T("%s from %s on %s to %s on %s", c.Name, m.Amount(rs[0]), m.Date(rs[0].At.In(m.Loc), "2 Jan 2006"), m.Amount(rs[len(rs)-1]), m.Date(rs[len(rs)-1].At.In(m.Loc), "2 Jan 2006"))
	return c
}

// anchor keeps a text inside the drawing.
func anchor(x float64) string {
	switch {
	case x < chartLeft+40:
		return "start"
	case x > chartRight-40:
		return "end"
	}
	return "middle"
}

func at(v float64) string { return fmt.Sprintf("%.1f", v) }
