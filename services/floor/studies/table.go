package studies

import (
	"strconv"

	"tickover/queue"
	"tickover/services/floor/locale"
	"tickover/services/simulate"
)

// Table is a result as lines, the header first: levels and differences with
// the half widths of their 95 % intervals.
func Table(l *locale.Language, shop *queue.Shop, r *simulate.Result) [][]string {
	head := []string{l.T("Change"), l.T("In words"), l.T("Pairs")}
	for _, what := range []string{l.T("Units a week"), l.T("Promises kept (percent)"), l.T("Time in the shop (h)"), l.T("Units a week at full load")} {
		head = append(head, what, l.T("%s, ±", what), l.T("%s, difference", what), l.T("%s, difference ±", what))
	}
	rows := [][]string{head}
	add := func(s simulate.Scenario, f, d simulate.Figures) {
		row := []string{s.String(), Text(l, shop, s), strconv.Itoa(r.Pairs)}
		for _, x := range [][2]simulate.Range{{f.Units, d.Units}, {f.Kept, d.Kept}, {f.Stay, d.Stay}, {f.Full, d.Full}} {
			row = append(row, number(x[0].Mean), number(x[0].Half), number(x[1].Mean), number(x[1].Half))
		}
		rows = append(rows, row)
	}
	add(nil, r.AsItIs, simulate.Figures{})
	for _, x := range r.Scenarios {
		add(x.Changes, x.Figures, x.Diff)
	}
	return rows
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', 3, 64) }
