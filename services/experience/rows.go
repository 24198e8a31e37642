package experience

import (
	"time"

	"tickover/queue"
	"tickover/scheduler/estimate"
)

// Row is what is known of the length of one kind of work.
type Row struct {
	Key
	Name  string // of the operation
	Skill queue.Skill
	// Model is empty for all models together, Technician for all people.
	Model      string
	Technician queue.PersonID
	Listed     time.Duration
	Planned    time.Duration
	Median     time.Duration
	Low, High  time.Duration // hold the median with 95 %
	P80, P95   time.Duration
	N          int // observations of this row
	Open       int // of them known only as at least, or at most, so long
	Estimate   estimate.Estimate
	Counts     map[Why]int // of what does not count as recorded; all models only
	// Clear: what sets this row apart from all models, or all people, is beyond
	// chance (95 %).
	Clear bool
}

// Rows are all stretches of a shop's operations in its order: first all models
// together, then each model, then those technicians whom the data clearly set
// apart. Nobody is listed for a difference that may be chance.
func (l *Lengths) Rows(shop *queue.Shop, p float64) []Row {
	var out []Row
	for i := range shop.Operations {
		op := &shop.Operations[i]
		for k := range op.Stretches {
			key := KeyOf(op, k)
			row := l.row(op, k, "", "", p)
			if l == nil {
				out = append(out, row)
				continue
			}
			row.N, row.Open, row.Counts = row.Estimate.Operation, row.Estimate.Open, l.counts[key.String()]
			out = append(out, row)
			models, people := l.book.Effects(key.String())
			for _, m := range models {
				r := l.row(op, k, m.Name, "", p)
				r.N, r.Clear = m.N, m.Clear
				out = append(out, r)
			}
			for _, who := range people {
				if who.Clear {
					r := l.row(op, k, "", queue.PersonID(who.Name), p)
					r.N, r.Clear = who.N, true
					out = append(out, r)
				}
			}
		}
	}
	return out
}

func (l *Lengths) row(op *queue.Operation, k int, model string, who queue.PersonID, p float64) Row {
	planned := l.Planned(op, k, model, who, p)
	e := planned.Estimate
	r := Row{
		Key: KeyOf(op, k), Name: op.Name, Skill: op.Stretches[k].Skill, Model: model, Technician: who,
		Listed: planned.Listed, Planned: planned.Length, Median: e.Median(), P80: e.Quantile(.8), P95: e.Quantile(.95), Estimate: e,
	}
	r.Low, r.High = e.Limits()
	return r
}
