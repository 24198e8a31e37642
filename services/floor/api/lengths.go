package api

import (
	"context"
	"time"

	"tickover/queue"
	"tickover/services/experience"
	"tickover/services/floor/record"
)

// Lengths are how long work takes, by stretch and model.
type Lengths struct {
	Until    *time.Time `json:"until,omitempty" doc:"What the queue had heard by then was learnt from; left out: nothing was learnt yet"`
	Quantile float64    `json:"quantile" doc:"Share of the work that takes no longer than it is planned with"`
	Rows     []Length   `json:"rows" nullable:"false"`
}

// Length is how long one stretch of an operation takes.
type Length struct {
	Operation queue.OperationID `json:"operation"`
	Stretch   int               `json:"stretch" doc:"From 1"`
	HandsOn   bool              `json:"hands_on"`
	Model     string            `json:"model,omitempty" doc:"Left out: all models together"`
	Seen      int               `json:"seen"`
	Open      int               `json:"open" doc:"Of them known only as at least, or at most, so long"`
	Median    float64           `json:"median_min"`
	Low       float64           `json:"median_low_min" doc:"With high, holds the median with 95 %"`
	High      float64           `json:"median_high_min"`
	P80       float64           `json:"p80_min"`
	P95       float64           `json:"p95_min"`
	Planned   float64           `json:"planned_min"`
	Listed    float64           `json:"listed_min"`
	Basis     string            `json:"basis"`
	FitBad    bool              `json:"fit_refused" doc:"The lengths are not log-normal: take the upper ones with care"`
	Drift     float64           `json:"drift_ratio" doc:"Newest quarter against the rest; 1: none was found"`
}

func (a *API) lengths(ctx context.Context, in *none) (Lengths, error) {
	st, err := a.shop(ctx)
	if err != nil {
		return Lengths{}, err
	}
	l := a.o.Lengths.Lengths()
	if in.AsOf != "" {
		if l, err = a.o.Record.Lengths(ctx, record.Moment{At: a.now(ctx), State: st}); err != nil {
			return Lengths{}, err
		}
	}
	out := Lengths{Quantile: st.Shop.PlanningQuantile(), Rows: []Length{}}
	if l != nil {
		out.Until = &l.Until
	}
	for _, r := range l.Rows(st.Shop, out.Quantile) {
		if r.Technician != "" {
			continue // figures of people are for the foreman's page
		}
		out.Rows = append(out.Rows, length(&r))
	}
	return out, nil
}

func length(r *experience.Row) Length {
	minutes := func(d time.Duration) float64 { return float64(d.Round(time.Second)) / float64(time.Minute) }
	x := Length{
		Operation: r.Operation, Stretch: r.Stretch + 1, HandsOn: r.HandsOn, Model: r.Model, Seen: r.N, Open: r.Open,
		Median: minutes(r.Median), Low: minutes(r.Low), High: minutes(r.High), P80: minutes(r.P80), P95: minutes(r.P95),
		Planned: minutes(r.Planned), Listed: minutes(r.Listed), Basis: r.Estimate.Basis.String(), FitBad: r.Estimate.Fit.Refused, Drift: 1,
	}
	if r.Estimate.Drift.Seen {
		x.Drift = r.Estimate.Drift.Ratio
	}
	return x
}
