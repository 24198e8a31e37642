package chronicle

import (
	"slices"
	"sort"
	"strings"
	"time"

	"tickover/metrics/flow"
	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/almanac"
)

// Data is what happened in [from, to): all visits that are kept, and the uses,
// waits and calendars of that time. To must not lie after now. Resources and
// technicians go by their ids; pools by "<kind>/<tag>" or "skill/<skills>".
// Nobody may change what is returned: it is remembered for the next one who
// asks for the same.
func (c *Chronicle) Data(from, to time.Time) *flow.Data {
	c.mu.Lock()
	defer c.mu.Unlock()
	if l := &c.last; l.data != nil && l.seq == c.seq && l.from.Equal(from) && l.to.Equal(to) {
		return l.data
	}
	c.last = asked{c.seq, from, to, c.data(from, to)}
	return c.last.data
}

// asked is the last answer.
type asked struct {
	seq      uint64
	from, to time.Time
	data     *flow.Data
}

func (c *Chronicle) data(from, to time.Time) *flow.Data {
	d := &flow.Data{Open: []flow.Interval{}}
	shop := c.shop()
	if shop == nil || !from.Before(to) {
		return d
	}
	if longest := calendar.RangeMax - 2*ahead; to.Sub(from) > longest {
		from = to.Add(-longest)
	}
	v := c.newView(from, to)
	d.Open = intervals(v.open)
	for i := range shop.Resources {
		r := &shop.Resources[i]
		if r.Kind == queue.Yard {
			continue
		}
		hours := v.open
		if r.Kind.Outdoors() {
			hours = v.outdoor
		}
		d.Resources = append(d.Resources, flow.Resource{ID: string(r.ID), Capacity: max(1, r.Capacity), Open: intervals(hours)})
		d.Uses = append(d.Uses, downs(string(r.ID), v.down[r.ID])...)
	}
	for i := range shop.Technicians {
		t := shop.Technicians[i].ID
		d.Resources = append(d.Resources, flow.Resource{ID: string(t), Capacity: 1, Open: intervals(v.rostered[t])})
		d.Uses = append(d.Uses, downs(string(t), v.absent[t])...)
	}
	for _, u := range c.units {
		d.Visits = append(d.Visits, u.Visit)
		d.Uses = append(d.Uses, v.uses(u)...)
	}
	v.free(d.Uses)
	for _, u := range c.units {
		d.Waits = append(d.Waits, v.waits(u)...)
	}
	d.Pools = pools(shop)
	return d
}

func downs(id string, s calendar.Set) []flow.Use {
	var out []flow.Use
	for _, in := range s {
		out = append(out, flow.Use{Resource: id, State: flow.Down, Interval: flow.Interval(in)})
	}
	return out
}

func intervals(s calendar.Set) []flow.Interval {
	out := make([]flow.Interval, len(s))
	for i, v := range s {
		out[i] = flow.Interval(v)
	}
	return out
}

// view is a window with its calendars, and in the end who was free in it.
type view struct {
	in       calendar.Interval
	shop     *queue.Shop
	open     calendar.Set
	outdoor  calendar.Set
	rostered map[queue.PersonID]calendar.Set // shifts without breaks
	present  map[queue.PersonID]calendar.Set // and without absences
	down     map[queue.ResourceID]calendar.Set
	absent   map[queue.PersonID]calendar.Set

	pieces map[*unit][]span // the window's spans, pauses cut out

	full    map[queue.ResourceID]calendar.Set // nothing more could be put there
	skilled map[queue.Skill]calendar.Set      // somebody who can was free
}

// ahead is how far beyond a window its calendars reach, to tell what would
// still have fitted before closing or dusk.
const ahead = 36 * time.Hour

// newView expands the calendars of each shop file that was in effect.
func (c *Chronicle) newView(from, to time.Time) *view {
	v := &view{
		in: calendar.Interval{Start: from, End: to}, shop: c.shop(), pieces: map[*unit][]span{},
		rostered: map[queue.PersonID]calendar.Set{}, present: map[queue.PersonID]calendar.Set{},
		down: map[queue.ResourceID]calendar.Set{}, absent: map[queue.PersonID]calendar.Set{},
	}
	for i, e := range c.shops {
		a, b := from, to.Add(ahead)
		if i > 0 && e.from.After(a) {
			a = e.from
		}
		if i+1 < len(c.shops) && c.shops[i+1].from.Before(b) {
			b = c.shops[i+1].from
		}
		if !a.Before(b) {
			continue
		}
		v.open = append(v.open, e.almanac.Open(a, b)...)
		v.outdoor = append(v.outdoor, e.almanac.Outdoor(a, b)...)
		for k := range e.shop.Technicians {
			t := e.shop.Technicians[k].ID
			v.rostered[t] = append(v.rostered[t], e.almanac.Shifts(t, nil, a, b).Subtract(e.almanac.Breaks(t, a, b))...)
		}
	}
	v.open, v.outdoor = calendar.NewSet(v.open...), calendar.NewSet(v.outdoor...)
	for id, list := range c.closures {
		v.down[id] = almanac.Closed(list, from, to)
	}
	for t := range v.rostered {
		v.rostered[t] = calendar.NewSet(v.rostered[t]...)
		v.absent[t] = almanac.Closed(c.absences[t], from, to)
		v.present[t] = v.rostered[t].Subtract(v.absent[t])
	}
	return v
}

// uses are what the unit kept busy or held in the window.
func (v *view) uses(u *unit) []flow.Use {
	if !u.overlaps(v.in) {
		return nil
	}
	spans := u.spans
	for i := range u.steps {
		if st := &u.steps[i]; st.status == queue.Running {
			spans = st.spans(slices.Clip(spans), v.in.End)
		}
	}
	var out []flow.Use
	for _, s := range spans {
		if !s.Start.Before(v.in.End) || !s.End.After(v.in.Start) {
			continue
		}
		for _, p := range v.cutPauses(s) {
			v.pieces[u] = append(v.pieces[u], p)
			for _, r := range p.resources {
				out = append(out, flow.Use{Resource: string(r), Unit: u.Unit, State: p.state, Interval: p.Interval})
			}
			if p.state == flow.HandsOn && p.technician != "" {
				out = append(out, flow.Use{Resource: string(p.technician), Unit: u.Unit, State: flow.HandsOn, Interval: p.Interval})
			}
		}
	}
	return out
}

// overlaps reports whether the unit was in the shop in the window.
func (u *unit) overlaps(in calendar.Interval) bool {
	return u.Arrived.Before(in.End) && (u.Left.IsZero() || u.Left.After(in.Start))
}

// cutPauses splits a span that pauses into work and locked time.
func (v *view) cutPauses(s span) []span {
	whole := calendar.Interval{Start: later(s.Start, v.in.Start), End: earlier(s.End, v.in.End)}
	if !s.pauses {
		s.Interval = flow.Interval(whole)
		return []span{s}
	}
	work := within(v.present[s.technician], whole)
	var out []span
	add := func(set calendar.Set, state flow.State) {
		for _, in := range set {
			p := s
			p.Interval, p.state = flow.Interval(in), state
			out = append(out, p)
		}
	}
	add(work, flow.HandsOn)
	add(calendar.NewSet(whole).Subtract(work), flow.Locked)
	slices.SortFunc(out, func(a, b span) int { return a.Start.Compare(b.Start) })
	return out
}

// within is the part of the set in the interval; it looks at that part only.
func within(s calendar.Set, in calendar.Interval) calendar.Set {
	if in.Empty() {
		return nil
	}
	i := sort.Search(len(s), func(i int) bool { return s[i].End.After(in.Start) })
	var out calendar.Set
	for ; i < len(s) && s[i].Start.Before(in.End); i++ {
		out = append(out, calendar.Interval{Start: later(s[i].Start, in.Start), End: earlier(s[i].End, in.End)})
	}
	return out
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// pools are what steps ask for: a kind of resource with a tag, or a skill.
// Needs that the same members satisfy are one pool.
func pools(shop *queue.Shop) []flow.Pool {
	var out []flow.Pool
	add := func(kind, what string, members []string) {
		if len(members) == 0 {
			return
		}
		for i := range out {
			k, words, _ := strings.Cut(out[i].ID, "/")
			if k == kind && slices.Equal(out[i].Members, members) {
				if !slices.Contains(strings.Split(words, ","), what) {
					out[i].ID += "," + what
				}
				return
			}
		}
		out = append(out, flow.Pool{ID: kind + "/" + what, Members: members})
	}
	for i := range shop.Operations {
		for _, need := range shop.Operations[i].Needs {
			if need.Kind != queue.Yard {
				add(need.Kind.String(), need.Tag, names(eligible(shop, need, "")))
			}
		}
	}
	for i := range shop.Operations {
		for _, x := range shop.Operations[i].Stretches {
			if !x.HandsOn {
				continue
			}
			var who []string
			for k := range shop.Technicians {
				if shop.Technicians[k].Skilled(x.Skill) {
					who = append(who, string(shop.Technicians[k].ID))
				}
			}
			add("skill", string(x.Skill), who)
		}
	}
	return out
}

func names(ids []queue.ResourceID) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

// eligible are the resources that satisfy a need; an interface must speak to
// the family, if one is given.
func eligible(shop *queue.Shop, need queue.Need, family queue.Family) []queue.ResourceID {
	var out []queue.ResourceID
	for i := range shop.Resources {
		r := &shop.Resources[i]
		if r.Kind != need.Kind || (need.Tag != "" && !slices.Contains(r.Tags, need.Tag)) {
			continue
		}
		if r.Kind == queue.Interface && family != "" && len(r.Families) > 0 && !slices.Contains(r.Families, family) {
			continue
		}
		out = append(out, r.ID)
	}
	return out
}
