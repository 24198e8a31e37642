package instances

import (
	"encoding/json"
	"fmt"
	"io"

	"tickover/scheduler/model"
)

// CalendarShop reads the small shop problems with calendars in JSON: work in
// open minutes of one shared calendar by technicians, unattended holds, a bench
// that a unit keeps from its first to its last activity that needs one, and
// weighted tardiness.
func CalendarShop(name string, r io.Reader) (*model.Problem, error) {
	var in struct {
		H, N, NU  int
		Techs     int      `json:"techs"`
		Benches   int      `json:"benches"`
		Work      []int64  `json:"work"`
		Hold      []int64  `json:"hold"`
		Unit      []int    `json:"unit"`
		NeedBench []bool   `json:"needbench"`
		Prec      [][2]int `json:"prec"`
		Due       []int64  `json:"due"`
		Weight    []int64  `json:"wgt"`
		Release   []int64  `json:"rel"`
		Open      []int    `json:"open"`
	}
	if err := json.NewDecoder(io.LimitReader(r, 16<<20)).Decode(&in); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	for what, got := range map[string][2]int{
		"work": {len(in.Work), in.N}, "hold": {len(in.Hold), in.N}, "unit": {len(in.Unit), in.N}, "needbench": {len(in.NeedBench), in.N},
		"due": {len(in.Due), in.NU}, "wgt": {len(in.Weight), in.NU}, "rel": {len(in.Release), in.NU},
	} {
		if got[0] != got[1] {
			return nil, fmt.Errorf("%s: %q has %d entries; want %d", name, what, got[0], got[1])
		}
	}
	p := &model.Problem{Horizon: model.Time(in.H), Weights: model.Weights{Tardiness: 1000}}
	open := []model.Interval{}
	for t, v := range in.Open {
		if v == 0 {
			continue
		}
		if k := len(open); k > 0 && open[k-1].End == model.Time(t) {
			open[k-1].End++
			continue
		}
		open = append(open, model.Interval{Start: model.Time(t), End: model.Time(t + 1)})
	}
	for i := range in.Benches {
		p.Resources = append(p.Resources, model.Resource{ID: model.ResourceID(fmt.Sprintf("bench%d", i+1)), Kind: "bench", Capacity: 1})
	}
	for i := range in.Techs {
		p.Workers = append(p.Workers, model.Worker{ID: model.WorkerID(fmt.Sprintf("tech%d", i+1)), Shifts: open})
	}
	for u := range in.NU {
		p.Jobs = append(p.Jobs, model.Job{ID: model.JobID(fmt.Sprintf("u%02d", u+1)), Release: model.Time(in.Release[u]), Due: model.Time(in.Due[u]), Weight: in.Weight[u]})
		p.Spans = append(p.Spans, model.Span{ID: model.SpanID(fmt.Sprintf("u%02d", u+1)), Need: model.Need{Kind: "bench"}})
	}
	id := func(i int) model.ActivityID { return model.ActivityID(fmt.Sprintf("a%03d", i)) }
	for i := range in.N {
		u := in.Unit[i]
		if u < 1 || u > in.NU {
			return nil, fmt.Errorf("%s: activity %d belongs to unit %d of %d", name, i+1, u, in.NU)
		}
		m := model.Mode{Stretches: []model.Stretch{{Duration: model.Time(in.Hold[i])}}}
		if in.Work[i] > 0 {
			m.Stretches[0] = model.Stretch{Duration: model.Time(in.Work[i]), Workers: 1, Splittable: true}
		}
		if in.NeedBench[i] {
			m.Needs = []model.Need{{Span: p.Spans[u-1].ID}}
		}
		p.Activities = append(p.Activities, model.Activity{ID: id(i + 1), Job: p.Jobs[u-1].ID, Modes: []model.Mode{m}})
	}
	for _, l := range in.Prec {
		p.Lags = append(p.Lags, model.Lag{From: id(l[0]), To: id(l[1])})
	}
	return p, nil
}
