package oracle

import "tickover/scheduler/model"

// relations: the lags that still bind (C2) and the pairs of a job's activities
// that may not overlap (C13).
func (x *index) relations(d *data) {
	var from, to []int
	var least, most []model.Time
	var fromStart, toEnd, limited []bool
	for _, l := range x.p.Lags {
		if x.p.Activities[x.activity[l.To]-1].Progress != nil && !l.ToEnd {
			continue // its start is a fact
		}
		from, to = append(from, x.activity[l.From]), append(to, x.activity[l.To])
		least, most = append(least, l.Min), append(most, l.Max)
		fromStart, toEnd, limited = append(fromStart, l.FromPoint == model.Start), append(toEnd, l.ToEnd), append(limited, l.Limited)
	}
	d.set("lags", len(from))
	list(d, "lagFrom", from)
	list(d, "lagTo", to)
	list(d, "lagFromStart", fromStart)
	list(d, "lagToEnd", toEnd)
	list(d, "lagMin", least)
	list(d, "lagLimited", limited)
	list(d, "lagMax", most)

	var a, b []int
	for i := range x.p.Activities {
		for k := i + 1; k < len(x.p.Activities); k++ {
			if x.apart(&x.p.Activities[i], &x.p.Activities[k]) {
				a, b = append(a, i+1), append(b, k+1)
			}
		}
	}
	d.set("apart", len(a))
	list(d, "apartA", a)
	list(d, "apartB", b)
}

func (x *index) apart(a, b *model.Activity) bool {
	if a.Job != b.Job || !x.p.Jobs[x.job[a.Job]-1].OnePlace || a.Progress != nil && b.Progress != nil {
		return false
	}
	return !has(x.p.Parallel, model.Pair{A: a.ID, B: b.ID}) && !has(x.p.Parallel, model.Pair{A: b.ID, B: a.ID})
}

func (x *index) pins(d *data) {
	var of, resource, worker []int
	var hasStart []bool
	var start []model.Time
	for _, n := range x.p.Pins {
		of = append(of, x.activity[n.Activity])
		resource, worker = append(resource, x.resource[n.Resource]), append(worker, x.worker[n.Worker])
		hasStart, start = append(hasStart, n.HasStart), append(start, n.Start)
	}
	d.set("pins", len(of))
	list(d, "pinOf", of)
	list(d, "pinResource", resource)
	list(d, "pinWorker", worker)
	list(d, "pinHasStart", hasStart)
	list(d, "pinStart", start)
}

func (x *index) jobs(d *data) {
	var release, due []model.Time
	var hasDue []bool
	var weight []int64
	for i := range x.p.Jobs {
		j := &x.p.Jobs[i]
		release, hasDue, weight = append(release, j.Release), append(hasDue, j.Due != model.Unlimited), append(weight, j.Weight)
		due = append(due, min(j.Due, x.p.Horizon))
	}
	d.set("jobs", len(release))
	list(d, "jobRelease", release)
	list(d, "due", due)
	list(d, "hasDue", hasDue)
	list(d, "weight", weight)
}

// previous: which changes of the plan in force cost.
func (x *index) previous(d *data) {
	var of []int
	var start []model.Time
	var held, crew, moves, reassigns, comparable []bool
	w := x.p.Weights
	for _, q := range x.p.Previous {
		a := &x.p.Activities[x.activity[q.Activity]-1]
		if a.Progress != nil {
			continue
		}
		of, start = append(of, x.activity[q.Activity]), append(start, q.Start)
		for i := range x.p.Resources {
			held = append(held, has(q.Resources, x.p.Resources[i].ID))
		}
		for i := range x.p.Workers {
			crew = append(crew, has(q.Workers, x.p.Workers[i].ID))
		}
		moves = append(moves, q.Start >= x.p.Now && q.Start < x.p.Now+w.MoveWindow)
		reassigns = append(reassigns, q.Accepted)
		comparable = append(comparable, len(q.Resources) == len(a.Modes[0].Needs))
	}
	d.set("previous", len(of))
	list(d, "previousOf", of)
	list(d, "previousStart", start)
	table(d, "previousHeld", "previous", "resources", held)
	table(d, "previousCrew", "previous", "workers", crew)
	list(d, "moveCounts", moves)
	list(d, "reassignCounts", reassigns)
	list(d, "comparable", comparable)
	unit := Unit(x.p)
	d.set("priceTardiness", w.Tardiness/unit)
	d.set("priceFlow", w.Flow/unit)
	d.set("priceMakespan", w.Makespan/unit)
	d.set("priceMove", w.Move/unit)
	d.set("priceReassign", w.Reassign/unit)
}
