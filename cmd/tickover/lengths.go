package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"

	"tickover/services/floor/api"
)

// lengthsCmd prints how long work takes, as it was learnt: CSV, or the API's
// answer.
type lengthsCmd struct {
	shopFlags
	JSON bool `name:"json" help:"Print the API's answer."`
}

func (c *lengthsCmd) Run(ctx context.Context, out streams) error {
	text, err := c.raw(ctx, out, request{method: http.MethodGet, path: "/lengths"})
	if err != nil {
		return err
	}
	if c.JSON {
		_, err = out.out.Write(text)
		return err
	}
	var l api.Lengths
	if err := json.Unmarshal(text, &l); err != nil {
		return fmt.Errorf("the shop answers something that can't be read: %w", err)
	}
	w := csv.NewWriter(out.out)
	rows := [][]string{{"operation", "stretch", "hands_on", "model", "seen", "open", "median_min", "median_low_min", "median_high_min", "p80_min", "p95_min", "planned_min", "listed_min", "basis", "fit_refused", "drift_ratio"}}
	f := func(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) }
	for _, r := range l.Rows {
		rows = append(rows, []string{
			string(r.Operation), strconv.Itoa(r.Stretch), strconv.FormatBool(r.HandsOn), r.Model, strconv.Itoa(r.Seen), strconv.Itoa(r.Open),
			f(r.Median), f(r.Low), f(r.High), f(r.P80), f(r.P95), f(r.Planned), f(r.Listed), r.Basis, strconv.FormatBool(r.FitBad), f(r.Drift),
		})
	}
	return w.WriteAll(rows)
}
