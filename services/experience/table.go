package experience

import (
	"strconv"
	"time"
)

// Table is rows for a spreadsheet, the header with the units first. Lengths are
// minutes.
func Table(rows []Row) [][]string {
	out := [][]string{{
		"operation", "name", "stretch", "hands_on", "model", "technician", "seen", "open", "median_min", "median_low_min", "median_high_min",
		"p80_min", "p95_min", "planned_min", "listed_min", "sigma_log", "basis", "fit_seen", "fit_statistic", "fit_refused",
		"drift_ratio", "drift_seen", "clock_wrong", "not_signed_off", "stopped", "far_out", "waited_out",
	}}
	minutes := func(d time.Duration) string { return strconv.FormatFloat(d.Minutes(), 'f', 2, 64) }
	number := func(f float64) string { return strconv.FormatFloat(f, 'f', 3, 64) }
	count := func(r *Row, w Why) string {
		if r.Model != "" || r.Technician != "" {
			return ""
		}
		return strconv.Itoa(r.Counts[w])
	}
	for i := range rows {
		r := &rows[i]
		e := &r.Estimate
		out = append(out, []string{
			string(r.Operation), r.Name, strconv.Itoa(r.Stretch + 1), strconv.FormatBool(r.HandsOn), r.Model, string(r.Technician),
			strconv.Itoa(r.N), strconv.Itoa(r.Open), minutes(r.Median), minutes(r.Low), minutes(r.High), minutes(r.P80), minutes(r.P95),
			minutes(r.Planned), minutes(r.Listed), number(e.Sigma()), e.Basis.String(), strconv.Itoa(e.Fit.N), number(e.Fit.Statistic),
			strconv.FormatBool(e.Fit.Refused), number(e.Drift.Ratio), strconv.FormatBool(e.Drift.Seen),
			count(r, Clock), count(r, NotSigned), count(r, Stopped), count(r, FarOut), count(r, WaitedOut),
		})
	}
	return out
}
