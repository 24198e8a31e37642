package model

import (
	"fmt"
	"slices"
)

// componentMax bounds the activities among which a contradiction is looked
// for; what larger sets of lags allow is left to the planner to find out.
const componentMax = 2000

// Contradiction finds lags that no schedule can keep, whatever the resources:
// a cycle of minimum lags and least durations that takes longer than the
// maximum lags on it allow. It returns the activities on the cycle, in its
// order from the least id on, and the excess; nil when there is none, or when
// more than 2,000 activities hang together. What has begun is a fact and not
// looked at. The problem must be valid otherwise.
func Contradiction(p *Problem) (cycle []ActivityID, excess Time) {
	n := network{index: map[ActivityID]int{}}
	limited := slices.ContainsFunc(p.Lags, func(l Lag) bool { return l.Limited })
	if !limited {
		return nil, 0
	}
	for i := range p.Activities {
		if a := &p.Activities[i]; a.Progress == nil {
			n.index[a.ID] = len(n.acts)
			n.acts = append(n.acts, a)
		}
	}
	n.union()
	for _, l := range p.Lags {
		n.lag(&l)
	}
	for _, part := range n.parts() {
		if cycle, excess := n.cycle(part); cycle != nil {
			return cycle, excess
		}
	}
	return nil, 0
}

// network has two nodes an activity, its start 2i and its end 2i+1. An edge
// says that to is at least d after from.
type network struct {
	acts  []*Activity
	index map[ActivityID]int
	edges []edge
	// root joins activities that lags relate; bound ones have a maximum lag
	// among them.
	root  []int
	bound map[int]bool
	// at and by are how late a node is, and the edge that made it so.
	at []Time
	by []edge
}

type edge struct {
	from, to int
	d        Time
}

func (n *network) union() {
	n.root, n.bound = make([]int, len(n.acts)), map[int]bool{}
	n.at, n.by = make([]Time, 2*len(n.acts)), make([]edge, 2*len(n.acts))
	for i := range n.root {
		n.root[i] = i
	}
}

func (n *network) find(i int) int {
	for n.root[i] != i {
		n.root[i] = n.root[n.root[i]]
		i = n.root[i]
	}
	return i
}

func (n *network) lag(l *Lag) {
	from, ok := n.index[l.From]
	to, ok2 := n.index[l.To]
	if !ok || !ok2 {
		return
	}
	a, b := n.find(from), n.find(to)
	n.root[a] = b
	n.bound[b] = n.bound[a] || n.bound[b] || l.Limited
	u, v := 2*from+1, 2*to
	if l.FromPoint == Start {
		u--
	}
	if l.ToEnd {
		v++
	}
	n.edges = append(n.edges, edge{u, v, l.Min})
	if l.Limited {
		n.edges = append(n.edges, edge{v, u, -l.Max})
	}
}

// part is a set of activities that hang together, with its edges.
type part struct {
	acts  []int
	edges []edge
}

// parts are those with a maximum lag, in the order of their first activity.
func (n *network) parts() []*part {
	of, list := map[int]*part{}, []*part(nil)
	for i := range n.acts {
		r := n.find(i)
		if !n.bound[r] {
			continue
		}
		if of[r] == nil {
			of[r] = &part{}
			list = append(list, of[r])
		}
		of[r].acts = append(of[r].acts, i)
		least, most := lengths(n.acts[i])
		of[r].edges = append(of[r].edges, edge{2 * i, 2*i + 1, least})
		if most < Unlimited {
			of[r].edges = append(of[r].edges, edge{2*i + 1, 2 * i, -most})
		}
	}
	for _, e := range n.edges {
		if c := of[n.find(e.from/2)]; c != nil {
			c.edges = append(c.edges, e)
		}
	}
	return list
}

// lengths are the least and the greatest time from the start to the end of an
// activity; Unlimited when work may pause or wait without limit.
func lengths(a *Activity) (least, most Time) {
	least = Unlimited
	for _, m := range a.Modes {
		var sum, wait Time
		for i, s := range m.Stretches {
			sum += s.Duration
			switch {
			case s.Splittable:
				wait = Unlimited
			case i+1 < len(m.Stretches) && m.Stretches[i+1].Workers > 0:
				wait = min(Unlimited, wait+s.MaxWait)
			}
		}
		least, most = min(least, sum), max(most, min(Unlimited, sum+wait))
	}
	return least, most
}

// cycle is a cycle of positive length among the edges (Bellman and Ford).
func (n *network) cycle(c *part) ([]ActivityID, Time) {
	if len(c.acts) > componentMax {
		return nil, 0
	}
	at, by := n.at, n.by // parts share no node
	last := -1
	for range 2*len(c.acts) + 1 {
		last = -1
		for _, e := range c.edges {
			if t := at[e.from] + e.d; t > at[e.to] {
				at[e.to], by[e.to], last = t, e, e.to
			}
		}
		if last < 0 {
			return nil, 0
		}
	}
	for range 2*len(c.acts) + 1 { // into the cycle
		last = by[last].from
	}
	var ids []ActivityID
	var excess Time
	for v := last; ; {
		e := by[v]
		excess += e.d
		if id := n.acts[e.to/2].ID; len(ids) == 0 || ids[len(ids)-1] != id {
			ids = append(ids, id)
		}
		if v = e.from; v == last {
			break
		}
	}
	if len(ids) > 1 && ids[0] == ids[len(ids)-1] {
		ids = ids[:len(ids)-1]
	}
	slices.Reverse(ids)
	k := slices.Index(ids, slices.Min(ids))
	return append(ids[k:len(ids):len(ids)], ids[:k]...), excess
}

func (v *validator) contradiction() {
	cycle, excess := Contradiction(v.p)
	if cycle == nil {
		return
	}
	text := ""
	for i, id := range cycle {
		if i == 10 {
			text += " → …"
			break
		}
		text += fmt.Sprintf(" → %q", id)
	}
	v.fault(named("activity", string(cycle[0])), "its lags contradict each other:%s → %q need %d more than a maximum lag allows", text[len(" →"):], cycle[0], excess)
}
