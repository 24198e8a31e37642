package intake

import (
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/queue/spell"
)

// shopIndex is what the rows are read against.
type shopIndex struct {
	shop     *queue.Shop
	location *time.Location
	routes   map[string]*routeIndex // by folded id and name
	ids      []string               // of the routes
	families map[string]queue.Family
	fitments map[string]queue.Fitment
	spoken   []string // families that interfaces speak
	anySpeak bool     // an interface speaks to every family
	days     map[string]queue.DayException
	keep     map[string]string // texts that many rows share

	catalogue *queue.Catalogue // of the shop file
}

type routeIndex struct {
	*queue.Route
	steps    []string
	optional []string
	// interfaces are the steps that hold an interface.
	interfaces []queue.StepID
}

func indexShop(s *queue.Shop) *shopIndex {
	x := &shopIndex{
		shop: s, catalogue: queue.NewCatalogue(s.Calibrations...), location: s.Location(), routes: map[string]*routeIndex{}, keep: map[string]string{},
		families: map[string]queue.Family{}, fitments: map[string]queue.Fitment{}, days: map[string]queue.DayException{},
	}
	for i := range s.Routes {
		r := x.indexRoute(&s.Routes[i])
		x.ids = append(x.ids, string(r.ID))
		x.routes[spell.Fold(r.Name)] = r
	}
	for _, r := range x.routes { // an id wins over a name
		x.routes[spell.Fold(string(r.ID))] = r
	}
	for _, r := range s.Resources {
		if r.Kind != queue.Interface {
			continue
		}
		x.anySpeak = x.anySpeak || len(r.Families) == 0
		for _, f := range r.Families {
			x.families[spell.Fold(string(f))] = f
			x.spoken = append(x.spoken, string(f))
		}
	}
	slices.Sort(x.spoken)
	x.spoken = slices.Compact(x.spoken)
	for _, c := range s.Calibrations {
		x.families[spell.Fold(string(c.Family))] = c.Family
		x.fitments[spell.Fold(string(c.Fitment))] = c.Fitment
	}
	for _, d := range s.Days {
		x.days[d.Date] = d
	}
	return x
}

func (x *shopIndex) indexRoute(rt *queue.Route) *routeIndex {
	r := &routeIndex{Route: rt}
	for _, st := range rt.Steps {
		r.steps = append(r.steps, string(st.ID))
		if st.Optional {
			r.optional = append(r.optional, string(st.ID))
		}
		op := x.shop.Operation(st.Operation)
		if op != nil && slices.ContainsFunc(op.Needs, func(n queue.Need) bool { return n.Kind == queue.Interface }) {
			r.interfaces = append(r.interfaces, st.ID)
		}
	}
	return r
}

// usesInterface: a visit with these options holds an interface.
func (r *routeIndex) usesInterface(options []queue.StepID) bool {
	return slices.ContainsFunc(r.interfaces, func(s queue.StepID) bool {
		return !slices.Contains(r.optional, string(s)) || slices.Contains(options, s)
	})
}

// share returns one copy of a text that many rows have.
func (x *shopIndex) share(s string) string {
	if kept, ok := x.keep[s]; ok {
		return kept
	}
	if len(x.keep) < 10_000 {
		s = strings.Clone(s)
		x.keep[s] = s
	}
	return s
}

// closing is the end of the shop's hours on a day; false if it is shut.
func (x *shopIndex) closing(day time.Time) (time.Time, bool) {
	spans := x.shop.Hours[day.Weekday()]
	if e, ok := x.days[day.Format(time.DateOnly)]; ok {
		spans = e.Spans
	}
	last := queue.Minute(-1)
	for _, s := range spans {
		to := s.To
		if to <= s.From {
			to += 24 * 60
		}
		last = max(last, to)
	}
	if last < 0 {
		return time.Time{}, false
	}
	y, m, d := day.Date()
	return time.Date(y, m, d, 0, int(last), 0, 0, x.location), true
}
