package week

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"text/tabwriter"
)

// figure is a column of the table.
type figure struct {
	head, format string
	of           func(*Outcome) float64
}

func percent(of func(*Outcome) float64) func(*Outcome) float64 {
	return func(o *Outcome) float64 { return 100 * of(o) }
}

var figures = []figure{
	{"J", "%.0f", (*Outcome).J},
	{"late", "%.0f", (*Outcome).Late},
	{"flow", "%.0f", (*Outcome).Flow},
	{"moved", "%.0f", (*Outcome).Moved},
	{"kept %", "%.1f", percent(func(o *Outcome) float64 { return o.Kept })},
	{"units/day", "%.2f", func(o *Outcome) float64 { return o.PerDay }},
	{"flow h", "%.1f", func(o *Outcome) float64 { return o.FlowHours }},
	{"if. busy %", "%.1f", percent(func(o *Outcome) float64 { return o.InterfaceBusy })},
	{"waits %", "%.1f", percent(func(o *Outcome) float64 { return o.InterfaceWaits })},
	{"idle %", "%.1f", percent(func(o *Outcome) float64 { return 1 - o.InterfaceBusy - o.InterfaceWaits })},
	{"pad %", "%.1f", percent(func(o *Outcome) float64 { return o.Pad })},
	{"hands-on %", "%.1f", percent(func(o *Outcome) float64 { return o.HandsOn })},
	{"watching %", "%.1f", percent(func(o *Outcome) float64 { return o.Watching })},
}

// Write prints the means of all weeks, a row a way, and the paired
// differences.
func (s *Series) Write(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	often := ""
	if n := len(s.Weeks[0]); n > 1 {
		often = fmt.Sprintf(", each %d times", n)
	}
	fmt.Fprintf(tw, "means of %d weeks%s (seed %d)\t", len(s.Weeks), often, s.Seed)
	for _, f := range figures {
		fmt.Fprintf(tw, "%s\t", f.head)
	}
	fmt.Fprintln(tw)
	for k, way := range s.Ways {
		fmt.Fprintf(tw, "%s\t", way)
		for _, f := range figures {
			fmt.Fprintf(tw, f.format+"\t", s.mean(k, f.of))
		}
		fmt.Fprintln(tw)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "\n%s against\n", s.Ways[0])
	fmt.Fprintf(tw, "\tJ: mean difference\tJ lower by %%, mean of weeks\tof the sum\tkept, points\tweeks worse\t\n")
	for _, p := range s.Pairs() {
		fmt.Fprintf(tw, "%s\t%.0f ± %.0f\t%.1f ± %.1f\t%.1f\t%+.1f ± %.1f\t%d of %d\t\n",
			p.Way, p.J.Mean, p.J.Half, p.Lower.Mean, p.Lower.Half, p.LowerTotal, p.Kept.Mean, p.Kept.Half, len(p.Worse), len(s.Weeks))
	}
	b := s.Best()
	fmt.Fprintf(tw, "%s\t%.0f ± %.0f\t%.1f ± %.1f\t%.1f\t\t%d of %d\t\n",
		b.Way, b.J.Mean, b.J.Half, b.Lower.Mean, b.Lower.Half, b.LowerTotal, len(b.Worse), len(s.Weeks))
	if err := tw.Flush(); err != nil {
		return err
	}
	for _, x := range b.Worse {
		fmt.Fprintf(w, "week %d: J is %s %% above that of its best way\n", x.Number, around(x.Higher))
	}
	_, err := fmt.Fprintln(w, "\nJ, late, flow and moved in weighted minutes a week; moved is the price of steps that the planner moved\n"+
		"within 30 minutes of their start, 0 by hand, where nothing is planned. Shares are of the days of arrivals;\n"+
		"J, kept and flow h count every unit, finished later too. ± are 95 % intervals of the mean: over the weeks,\n"+
		"each of which is the mean over its luck, or, of a single week, over its luck.")
	return err
}

// around is mean ± half, or the mean alone where nothing bounds it.
func around(i Interval) string {
	if math.IsInf(i.Half, 1) {
		return fmt.Sprintf("%.1f", i.Mean)
	}
	return fmt.Sprintf("%.1f ± %.1f", i.Mean, i.Half)
}

// WriteCSV writes a row a week and way.
func (s *Series) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	head := []string{"seed", "week", "luck", "way", "benches", "interfaces", "chargers", "pads", "technicians", "winter", "load_pct", "units",
		"j", "late", "flow", "moved", "kept_pct", "units_a_day", "flow_h", "interface_busy_pct", "interface_waits_pct", "interface_idle_pct",
		"pad_pct", "hands_on_pct", "watching_pct", "plans", "schedules", "violations"}
	if err := c.Write(head); err != nil {
		return err
	}
	for _, o := range slices.Concat(slices.Concat(s.Weeks...)...) {
		if err := c.Write(o.row()); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func (o *Outcome) row() []string {
	w := o.Week
	row := []string{strconv.FormatUint(w.Seed, 10), strconv.Itoa(w.Number), strconv.Itoa(w.Luck), o.Way}
	for _, n := range []int{w.Benches, w.Interfaces, w.Chargers, w.Pads, w.Technicians} {
		row = append(row, strconv.Itoa(n))
	}
	row = append(row, strconv.FormatBool(w.Winter), strconv.Itoa(w.LoadPercent), strconv.Itoa(w.Units))
	for _, f := range figures {
		row = append(row, strconv.FormatFloat(f.of(o), 'f', 3, 64))
	}
	return append(row, strconv.Itoa(o.Plans), strconv.Itoa(o.Schedules), strconv.Itoa(len(o.Violations)))
}
