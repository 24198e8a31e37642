package chronicle

import (
	"slices"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/scheduler/calendar"
)

// free finds when each resource was full and when somebody with each skill was
// free, from all uses of the window.
func (v *view) free(uses []flow.Use) {
	capacity := map[string]int{}
	for i := range v.shop.Resources {
		capacity[string(v.shop.Resources[i].ID)] = max(1, v.shop.Resources[i].Capacity)
	}
	holds, busy := map[string][]calendar.Interval{}, map[string][]calendar.Interval{}
	for _, u := range uses {
		if u.State == flow.Down {
			continue
		}
		if capacity[u.Resource] > 0 {
			holds[u.Resource] = append(holds[u.Resource], calendar.Interval(u.Interval))
		} else {
			busy[u.Resource] = append(busy[u.Resource], calendar.Interval(u.Interval))
		}
	}
	v.full = map[queue.ResourceID]calendar.Set{}
	for id, n := range capacity {
		r := queue.ResourceID(id)
		v.full[r] = atLeast(holds[id], n).Union(v.down[r])
	}
	v.skilled = map[queue.Skill]calendar.Set{}
	for i := range v.shop.Technicians {
		t := &v.shop.Technicians[i]
		free := v.present[t.ID].Subtract(calendar.NewSet(busy[string(t.ID)]...))
		for _, s := range append(slices.Clip(t.Skills), "") {
			v.skilled[s] = append(v.skilled[s], free...)
		}
	}
	for s := range v.skilled {
		v.skilled[s] = calendar.NewSet(v.skilled[s]...)
	}
}

// atLeast is when n or more of the intervals overlap.
func atLeast(list []calendar.Interval, n int) calendar.Set {
	if n == 1 {
		return calendar.NewSet(list...)
	}
	type edge struct {
		at time.Time
		by int
	}
	var edges []edge
	for _, in := range list {
		edges = append(edges, edge{in.Start, 1}, edge{in.End, -1})
	}
	slices.SortFunc(edges, func(a, b edge) int { return a.at.Compare(b.at) })
	var out []calendar.Interval
	count := 0
	for i, e := range edges {
		count += e.by
		if count >= n && i+1 < len(edges) {
			out = append(out, calendar.Interval{Start: e.at, End: edges[i+1].at})
		}
	}
	return calendar.NewSet(out...)
}

// waits are the unit's waits in the window, by cause.
func (v *view) waits(u *unit) []flow.Wait {
	end := u.Ready
	if end.IsZero() || end.After(v.in.End) {
		end = v.in.End
	}
	stay := calendar.Interval{Start: later(u.Arrived, v.in.Start), End: earlier(end, v.in.End)}
	if stay.Empty() || !u.overlaps(v.in) {
		return nil
	}
	var worked, locked []calendar.Interval
	for _, p := range v.pieces[u] {
		if p.state == flow.Locked {
			locked = append(locked, calendar.Interval(p.Interval))
		} else {
			worked = append(worked, calendar.Interval(p.Interval))
		}
	}
	w := waiting{view: v, unit: u}
	idle := within(calendar.NewSet(stay).Subtract(calendar.NewSet(worked...)), stay)
	kept := idle.Intersect(calendar.NewSet(locked...))
	// What ran by itself is over: somebody has to come.
	w.take(&kept, flow.ForClosing, kept.Subtract(v.open))
	w.take(&kept, flow.ForTechnician, kept)
	for _, gap := range idle.Subtract(calendar.NewSet(locked...)) {
		w.gap(gap)
	}
	return w.out
}

// waiting gathers a unit's waits.
type waiting struct {
	*view
	unit *unit
	out  []flow.Wait
}

// take gives a part of what is left to a cause.
func (w *waiting) take(rest *calendar.Set, cause flow.Cause, part calendar.Set) {
	if len(part) == 0 {
		return
	}
	for _, in := range part {
		w.out = append(w.out, flow.Wait{Unit: w.unit.Unit, Cause: cause, Interval: flow.Interval(in)})
	}
	*rest = rest.Subtract(part)
}

// gap splits a time without work at the starts in it, and gives each piece to
// the limits of the step that came next.
func (w *waiting) gap(gap calendar.Interval) {
	from := gap.Start
	for _, s := range w.unit.starts {
		if !s.at.After(from) {
			continue
		}
		until := earlier(s.at, gap.End)
		w.before(s, calendar.Interval{Start: from, End: until})
		if from = until; !from.Before(gap.End) {
			return
		}
	}
	w.before(w.unit.pending(), calendar.Interval{Start: from, End: gap.End})
}

// pending is the step that comes next by the route; its operation is nil when
// none can be told.
func (u *unit) pending() start {
	for i := range u.steps {
		st := &u.steps[i]
		if st.status != queue.Todo {
			continue
		}
		open := slices.ContainsFunc(st.after, func(a queue.After) bool {
			before := u.step(a.Step)
			return before != nil && before.status != queue.Done && before.status != queue.Skipped
		})
		if !open {
			return start{step: st.id, op: st.op, notTill: u.notTill(st)}
		}
	}
	return start{}
}

// needOrder is the order in which a step's needs are blamed.
var needOrder = []struct {
	kind  queue.ResourceKind
	cause flow.Cause
}{
	{queue.Interface, flow.ForInterface}, {queue.Pad, flow.ForPad}, {queue.Loop, flow.ForLoop},
	{queue.Bench, flow.ForBench}, {queue.Charger, flow.ForCharger},
}

// before finds what stood in a step's way.
func (w *waiting) before(s start, in calendar.Interval) {
	if in.Empty() {
		return
	}
	rest := calendar.NewSet(in)
	open := within(w.open, in)
	op := s.op
	if op != nil && op.Kind == queue.Flash { // it has to end before closing
		open = shrink(within(w.open, calendar.Interval{Start: in.Start, End: in.End.Add(op.Duration())}), op.Duration())
	}
	w.take(&rest, flow.ForClosing, rest.Subtract(open))
	for _, h := range w.unit.held {
		until := h.Until
		if until.IsZero() {
			until = in.End
		}
		w.take(&rest, flow.Held, within(rest, calendar.Interval{Start: h.From, End: until}))
	}
	if part, ok := w.unit.parts[s.step]; ok {
		w.take(&rest, flow.ForParts, within(rest, calendar.Interval{Start: in.Start, End: part}))
	}
	if op == nil {
		w.take(&rest, flow.Unknown, rest)
		return
	}
	w.take(&rest, flow.ForRest, within(rest, calendar.Interval{Start: in.Start, End: s.notTill}))
	if op.Outdoors || op.Engine {
		w.take(&rest, flow.ForDaylight, rest.Subtract(shrink(within(w.outdoor, calendar.Interval{Start: in.Start, End: in.End.Add(op.Duration())}), op.Duration())))
	}
	for _, o := range needOrder {
		for _, need := range op.Needs {
			if need.Kind == o.kind {
				w.take(&rest, o.cause, w.allFull(need, rest))
			}
		}
	}
	for _, x := range op.Stretches {
		if x.HandsOn {
			w.take(&rest, flow.ForTechnician, rest.Subtract(between(w.skilled[x.Skill], rest)))
			break
		}
	}
	w.take(&rest, flow.Unknown, rest)
}

// shrink takes a length off each interval's end: a start later than that does
// not fit.
func shrink(s calendar.Set, by time.Duration) calendar.Set {
	var out calendar.Set
	for _, in := range s {
		if in.End = in.End.Add(-by); !in.Empty() {
			out = append(out, in)
		}
	}
	return out
}

// between is the part of the set from the first moment of rest to the last.
func between(s, rest calendar.Set) calendar.Set {
	if len(rest) == 0 {
		return nil
	}
	return within(s, calendar.Interval{Start: rest[0].Start, End: rest[len(rest)-1].End})
}

// allFull is when everything that satisfies the need was taken or down.
func (w *waiting) allFull(need queue.Need, rest calendar.Set) calendar.Set {
	for _, id := range eligible(w.shop, need, w.unit.family) {
		if len(rest) == 0 {
			return nil
		}
		rest = rest.Intersect(between(w.full[id], rest))
	}
	return rest
}
