package flow

import (
	"cmp"
	"slices"
	"time"
)

// Of says which number the units are asked for.
type Of int

// The numbers that units stand behind.
const (
	Arrived Of = iota + 1
	Left
	Present // at any moment of the window
	AtEnd
	Due // promise in the window
	Kept
	Missed
	FirstDue
	FirstKept
	Using   // Query.Resource in Query.State; 0: by hand or by itself
	Waiting // for Query.Cause
)

var ofNames = []string{"", "arrived", "left", "present", "at-end", "due", "kept", "missed", "first-due", "first-kept", "using", "waiting"}

func (o Of) String() string { return name(ofNames, int(o)) }

// ParseOf is the inverse of String; 0: there is no such number.
func ParseOf(s string) Of { return Of(max(0, slices.Index(ofNames, s))) }

// Query is a number of a report.
type Query struct {
	Of       Of
	Resource string // or a pool: all its members
	State    State
	Cause    Cause
}

// Item is a unit behind a number. Time is its part: of its stay that lies in
// the window, of its use or wait; its whole stay for [Left].
type Item struct {
	Visit
	Time time.Duration
}

// Select lists the units behind a number, by arrival. A use counts where the
// resource is open.
func Select(d *Data, w Window, q Query) []Item {
	win := clipOf(w.Interval)
	if win.empty() {
		return nil
	}
	var out []Item
	times := q.times(d, win)
	for _, v := range d.Visits {
		in := win.cut(span{ms(v.Arrived), leftMS(v)})
		item := Item{v, millis(in.length())}
		if q.Of == Left {
			item.Time = millis(leftMS(v) - ms(v.Arrived))
		}
		if times != nil {
			item.Time = millis(times[v.Unit])
			if times[v.Unit] == 0 {
				continue
			}
		} else if !q.takes(&v, win) {
			continue
		}
		out = append(out, item)
	}
	slices.SortStableFunc(out, func(a, b Item) int {
		return cmp.Or(a.Arrived.Compare(b.Arrived), cmp.Compare(a.Unit, b.Unit))
	})
	return out
}

func (q *Query) takes(v *Visit, win span) bool {
	came, went := ms(v.Arrived), leftMS(*v)
	due := func(p time.Time) bool { return !p.IsZero() && win.has(ms(p)) }
	switch q.Of {
	case Arrived:
		return win.has(came)
	case Left:
		return win.has(went)
	case Present:
		return !win.cut(span{came, went}).empty()
	case AtEnd:
		return came < win.to && went >= win.to
	case Due:
		return due(v.Promise)
	case Kept:
		return due(v.Promise) && v.keeps(v.Promise)
	case Missed:
		return due(v.Promise) && !v.keeps(v.Promise)
	case FirstDue:
		return due(v.First)
	case FirstKept:
		return due(v.First) && v.keeps(v.First)
	}
	return false
}

// times are the milliseconds of each unit for a query of time; nil for others.
func (q *Query) times(d *Data, win span) map[string]int64 {
	out := map[string]int64{}
	switch q.Of {
	case Waiting:
		for _, w := range d.Waits {
			if w.Cause == q.Cause {
				out[w.Unit] += win.cut(clipOf(w.Interval)).length()
			}
		}
		return out
	case Using:
		open := q.open(d, win)
		for _, u := range d.Uses {
			if q.state(u.State) {
				out[u.Unit] += open[u.Resource].cut(clipOf(u.Interval)).length()
			}
		}
		return out
	}
	return nil
}

func (q *Query) state(s State) bool {
	return s == q.State || (q.State == 0 && (s == HandsOn || s == HandsOff))
}

// open is when the resources that are asked for were open.
func (q *Query) open(d *Data, win span) map[string]set {
	out := map[string]set{}
	for i := range d.Resources {
		r := &d.Resources[i]
		member := func(p Pool) bool { return p.ID == q.Resource && slices.Contains(p.Members, r.ID) }
		if r.ID == q.Resource || slices.ContainsFunc(d.Pools, member) {
			out[r.ID] = setOf(r.Open, win)
		}
	}
	return out
}
