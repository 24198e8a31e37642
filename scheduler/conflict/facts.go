package conflict

import (
	"cmp"
	"slices"

	"tickover/scheduler/model"
)

// factsMax bounds the facts of one question; what is beyond stays in force
// without being told, and the conflict is then not exact.
const factsMax = 200

func (q *question) fact(f Fact) int {
	if len(q.facts) == factsMax {
		q.exact = false
		return -1
	}
	q.facts = append(q.facts, f)
	return len(q.facts) - 1
}

// collect lists the facts that bear on the question. asked is the pin in
// question, nil for a due date; with orders, the lags among own count as facts.
func (q *question) collect(asked *model.Pin, orders bool) {
	q.collectPins(asked)
	for _, n := range q.own {
		q.collectWishes(n)
		for i := range n.before {
			if l := &n.before[i]; orders && l.run < 0 {
				l.fact = q.fact(Fact{Kind: OrderFact, Activity: l.lag.From, Takes: leastOf(q.acts[l.lag.From])})
			}
		}
	}
	q.collectWorkers()
	q.collectResources()
	q.collectCalendars()
	q.collectRunning()
	q.collectSkills()
	q.exact = q.exact && q.p.Buffer == nil
}

func (q *question) collectPins(asked *model.Pin) {
	pins := make([]*model.Pin, 0, len(q.p.Pins))
	for i := range q.p.Pins {
		if n := &q.p.Pins[i]; n != asked && !q.failed[n.ID] {
			pins = append(pins, n)
		}
	}
	slices.SortFunc(pins, func(a, b *model.Pin) int { return cmp.Compare(a.ID, b.ID) })
	for _, pin := range pins {
		a := q.acts[pin.Activity]
		if a.Progress != nil {
			continue
		}
		k := slices.IndexFunc(q.own, func(n *node) bool { return n.a == a })
		switch {
		case k >= 0:
			q.ownPin(q.own[k], pin)
		case pin.HasStart && q.bothers(a):
			q.otherPin(a, pin)
		}
	}
}

func factOf(pin *model.Pin) Fact {
	return Fact{Kind: PinFact, Pin: pin.ID, Activity: pin.Activity, Resource: pin.Resource, Worker: pin.Worker, HasStart: pin.HasStart, From: pin.Start}
}

func (q *question) ownPin(n *node, pin *model.Pin) {
	f := q.fact(factOf(pin))
	if f < 0 {
		return
	}
	n.pinned = append(n.pinned, f)
	if pin.HasStart {
		n.starts = append(n.starts, dated{pin.Start, f})
	}
}

// otherPin adds an activity of another job that is pinned to a start. Its
// pins to a resource or worker go with it.
func (q *question) otherPin(a *model.Activity, pin *model.Pin) {
	q.exact = q.exact && q.certain(a)
	k := slices.IndexFunc(q.others, func(n *node) bool { return n.a == a })
	if k < 0 {
		k = len(q.others)
		q.others = append(q.others, &node{a: a, least: leastOf(a), foreign: true})
	}
	if f := q.fact(factOf(pin)); f >= 0 {
		q.others[k].starts = append(q.others[k].starts, dated{pin.Start, f})
	}
}

// certain says that the search knows when a pinned activity keeps its workers.
func (q *question) certain(a *model.Activity) bool {
	handsOn := 0
	for _, m := range a.Modes {
		for _, s := range m.Stretches {
			if s.Workers > 0 {
				handsOn++
			}
			if s.Splittable {
				return false
			}
		}
	}
	return handsOn == 0 || handsOn == len(a.Modes) && !a.Handover
}

// bothers says that a may want what one of own wants.
func (q *question) bothers(a *model.Activity) bool {
	return slices.ContainsFunc(q.own, func(n *node) bool { return q.share(a, n.a) })
}

func (q *question) collectWishes(n *node) {
	low := func(f Fact) {
		f.From = -forever
		k := slices.IndexFunc(q.facts, func(g Fact) bool { return f.Kind == ReleaseFact && g.Kind == f.Kind && g.Activity == f.Activity })
		if k < 0 {
			k = q.fact(f)
		}
		n.lows = append(n.lows, dated{f.Until, k})
	}
	for i := range q.p.Holds {
		if h := &q.p.Holds[i]; h.Activity == n.a.ID && h.Until > q.p.Now {
			low(Fact{Kind: HoldFact, Activity: h.Activity, Until: h.Until, Reason: h.Reason})
		}
	}
	if n.a.Release > q.p.Now && n.a.Release > q.job.Release {
		low(Fact{Kind: ReleaseFact, Job: q.job.ID, Activity: n.a.ID, Until: n.a.Release})
	}
	if q.job.Release > q.p.Now {
		low(Fact{Kind: ReleaseFact, Job: q.job.ID, Until: q.job.Release})
	}
}

// nodes are own and others.
func (q *question) nodes() []*node { return slices.Concat(q.own, q.others) }

func (q *question) eachStretch(f func(a *model.Activity, s *model.Stretch)) {
	for _, n := range q.nodes() {
		for m := range n.a.Modes {
			for i := range n.a.Modes[m].Stretches {
				f(n.a, &n.a.Modes[m].Stretches[i])
			}
		}
	}
}

func (q *question) collectWorkers() {
	handsOn := false
	q.eachStretch(func(a *model.Activity, s *model.Stretch) {
		handsOn = handsOn || s.Workers > 0
		q.present = q.present || a.Presence
	})
	list := make([]*model.Worker, len(q.p.Workers))
	for i := range q.p.Workers {
		list[i] = &q.p.Workers[i]
	}
	slices.SortFunc(list, func(a, b *model.Worker) int { return cmp.Compare(a.ID, b.ID) })
	for _, src := range list {
		w := worker{src: src, shift: -1, pause: -1}
		shifts := joined(src.Shifts)
		w.hours = [2][2]hours{{nil, hours(nil).without(src.Breaks)}, {shifts, shifts.without(src.Breaks)}}
		if src.Shifts != nil && (handsOn || q.present) {
			w.shift = q.fact(Fact{Kind: ShiftFact, Worker: src.ID})
		}
		if len(src.Breaks) > 0 && handsOn {
			w.pause = q.fact(Fact{Kind: BreakFact, Worker: src.ID})
		}
		q.workers = append(q.workers, w)
	}
}

func (q *question) collectResources() {
	list := make([]*model.Resource, len(q.p.Resources))
	for i := range q.p.Resources {
		list[i] = &q.p.Resources[i]
	}
	slices.SortFunc(list, func(a, b *model.Resource) int { return cmp.Compare(a.ID, b.ID) })
	for _, src := range list {
		r := resource{src: src, hours: -1, open: joined(src.Open), closures: make([]int, len(src.Closures))}
		for i := range r.closures {
			r.closures[i] = -1
		}
		r.used = slices.ContainsFunc(q.nodes(), func(n *node) bool { return q.wants(n.a, src) })
		if r.used {
			q.exact = q.exact && !src.Consumable
			if src.Open != nil {
				r.hours = q.fact(Fact{Kind: HoursFact, Resource: src.ID})
			}
			for i := range src.Closures {
				if c := &src.Closures[i]; c.End > q.p.Now {
					r.closures[i] = q.fact(Fact{Kind: ClosureFact, Resource: src.ID, From: c.Start, Until: c.End, Reason: c.Reason})
				}
			}
		}
		q.resources = append(q.resources, r)
	}
}

// wants says that a names r, whatever tags it carries.
func (q *question) wants(a *model.Activity, r *model.Resource) bool {
	for m := range a.Modes {
		for i := range a.Modes[m].Needs {
			if n := &a.Modes[m].Needs[i]; named(q.need(n), r) {
				q.exact = q.exact && n.Span == ""
				return true
			}
		}
	}
	return false
}

func (q *question) collectCalendars() {
	used := map[model.CalendarID]bool{}
	q.eachStretch(func(a *model.Activity, s *model.Stretch) { used[a.Inside], used[s.Inside] = true, true })
	list := make([]*model.Calendar, len(q.p.Calendars))
	for i := range q.p.Calendars {
		list[i] = &q.p.Calendars[i]
	}
	slices.SortFunc(list, func(a, b *model.Calendar) int { return cmp.Compare(a.ID, b.ID) })
	for _, c := range list {
		k := calendar{open: joined(c.Open), fact: -1}
		if k.open == nil {
			k.open = hours{}
		}
		if used[c.ID] {
			k.fact = q.fact(Fact{Kind: CalendarFact, Calendar: c.ID})
		}
		q.calendars[c.ID] = k
	}
}

// collectRunning lists what runs and is in the way, by activity.
func (q *question) collectRunning() {
	var ids []model.ActivityID
	for i := range q.plan.Assignments {
		if as := &q.plan.Assignments[i]; as.Running && q.assigned[as.Activity] == as {
			ids = append(ids, as.Activity)
		}
	}
	slices.Sort(ids)
	for _, id := range ids {
		a := q.acts[id]
		if k := slices.IndexFunc(q.running, func(r *run) bool { return r.a == a }); k >= 0 {
			continue
		}
		if a.Job == q.job.ID || q.inTheWay(q.assigned[id]) {
			q.runOf(a)
		}
	}
	for _, r := range q.running {
		f := Fact{Kind: RunningFact, Activity: r.a.ID, From: r.as.Start, Until: r.as.End}
		if !r.own {
			f.Resource, f.Worker = q.whatItKeeps(r.as)
		}
		r.fact = q.fact(f)
	}
}

func (q *question) inTheWay(as *model.Assignment) bool {
	r, w := q.whatItKeeps(as)
	return r != "" || w != ""
}

// whatItKeeps is the resource that own may want and has the least choice of,
// or else a worker.
func (q *question) whatItKeeps(as *model.Assignment) (kept model.ResourceID, who model.WorkerID) {
	fewest := len(q.resources) + 1
	for _, id := range as.Held {
		k := slices.IndexFunc(q.resources, func(r resource) bool { return r.src.ID == id })
		if k < 0 || !q.resources[k].used {
			continue
		}
		if n := q.choice(q.resources[k].src); n < fewest {
			kept, fewest = id, n
		}
	}
	if kept != "" {
		return kept, ""
	}
	for _, s := range as.Stretches {
		if s.End <= q.p.Now {
			continue
		}
		for _, id := range s.Workers {
			for i := range q.p.Workers {
				w := &q.p.Workers[i]
				if w.ID == id && slices.ContainsFunc(q.own, func(n *node) bool { return q.mayWork(n.a, w) }) {
					return "", id
				}
			}
		}
	}
	return "", ""
}

// choice is how many resources serve the need of own that r serves, the least
// of all such needs.
func (q *question) choice(r *model.Resource) int {
	least := len(q.resources)
	for _, n := range q.own {
		for m := range n.a.Modes {
			for i := range n.a.Modes[m].Needs {
				need := q.need(&n.a.Modes[m].Needs[i])
				if !carries(need, r) {
					continue
				}
				count := 0
				for k := range q.resources {
					if carries(need, q.resources[k].src) {
						count++
					}
				}
				least = min(least, count)
			}
		}
	}
	return least
}

func (q *question) collectSkills() {
	q.eachStretch(func(_ *model.Activity, s *model.Stretch) {
		if s.Workers == 0 {
			return
		}
		for _, skill := range s.Skills {
			if _, ok := q.skills[skill]; !ok {
				q.skills[skill] = q.skillFact(skill)
			}
		}
	})
	for _, n := range q.nodes() {
		for m := range n.a.Modes {
			for i := range n.a.Modes[m].Needs {
				q.tagFacts(q.need(&n.a.Modes[m].Needs[i]))
			}
		}
	}
}

func (q *question) skillFact(skill string) int {
	f := Fact{Kind: SkillFact, Skill: skill}
	for i := range q.workers {
		if slices.Contains(q.workers[i].src.Skills, skill) {
			f.Workers = append(f.Workers, q.workers[i].src.ID)
		}
	}
	if len(f.Workers) == len(q.workers) {
		return -1
	}
	return q.fact(f)
}

// tagFacts are for needs of a kind: needs that name resources mean these.
func (q *question) tagFacts(n *model.Need) {
	if len(n.Resources) > 0 {
		return
	}
	for _, tag := range n.Tags {
		key := [2]string{n.Kind, tag}
		if _, ok := q.tags[key]; ok {
			continue
		}
		f, all := Fact{Kind: TagFact, ResourceKind: n.Kind, Skill: tag}, true
		for i := range q.resources {
			switch r := q.resources[i].src; {
			case r.Kind != n.Kind:
			case slices.Contains(r.Tags, tag):
				f.Resources = append(f.Resources, r.ID)
			default:
				all = false
			}
		}
		q.tags[key] = -1
		if !all {
			q.tags[key] = q.fact(f)
		}
	}
}
