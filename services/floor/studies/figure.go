package studies

import (
	"slices"

	"tickover/queue"
	"tickover/services/floor/locale"
	"tickover/services/plot"
	"tickover/services/simulate"
)

// Measure is one of a result's figures.
type Measure string

// The measures.
const (
	Units Measure = "units"
	Kept  Measure = "kept"
	Stay  Measure = "stay"
	Full  Measure = "full"
)

// Measures lists them, the one that ranks first.
func Measures() []Measure { return []Measure{Full, Kept, Units, Stay} }

// Of is a measure of figures.
func (m Measure) Of(f simulate.Figures) simulate.Range {
	switch m {
	case Units:
		return f.Units
	case Kept:
		return f.Kept
	case Stay:
		return f.Stay
	}
	return f.Full
}

// Figure draws what each change brings, with its interval, the best at the top.
func Figure(l *locale.Language, shop *queue.Shop, r *simulate.Result, m Measure) *plot.Figure {
	f := &plot.Figure{}
	switch m {
	case Units:
		f.Title, f.X.Name = l.T("Units a week, of the work as it comes"), l.T("units a week more or fewer")
	case Kept:
		f.Title, f.X.Name = l.T("Promises kept"), l.T("points of percent more or fewer")
	case Stay:
		f.Title, f.X.Name = l.T("Time in the shop"), l.T("hours more or less")
	default:
		f.Title, f.X.Name = l.T("What could be done if there was always work"), l.T("units a week more or fewer")
	}
	list := slices.Clone(r.Scenarios)
	slices.SortStableFunc(list, func(a, b simulate.Outcome) int {
		x, y := m.Of(a.Diff).Mean, m.Of(b.Diff).Mean
		if m == Stay {
			x, y = y, x
		}
		switch {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	s := plot.Series{Name: l.T("difference from the shop as it is"), Kind: plot.Points}
	for i, x := range list {
		d := m.Of(x.Diff)
		f.Lanes = append(f.Lanes, Text(l, shop, x.Changes))
		s.Points = append(s.Points, plot.Point{X: d.Mean, Y: float64(i), Low: d.Mean - d.Half, High: d.Mean + d.Half, Name: x.Changes.String()})
	}
	f.Series = []plot.Series{s}
	f.Desc = l.T("One line for each change: the difference from the shop as it is, with its 95 %% interval, over %d pairs of runs. The table says the same.", r.Pairs)
	return f
}
