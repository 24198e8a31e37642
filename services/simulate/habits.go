package simulate

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/services/almanac"
)

// Habits are what comes to a shop, when, and what it is promised: drawn anew
// for each simulated day.
type Habits struct {
	// Groups came together: a lorry with crates, or one customer.
	Groups []Group
	// PerDay is how many groups come on a day of each weekday that is open.
	PerDay [7]float64
	// Seen is how many units this was learnt from; 0: it is the usual.
	Seen int
	// LoadPercent is, of the usual, how busy the scarcest of people, interfaces
	// and pads are.
	LoadPercent int
}

// Group is what came together.
type Group struct {
	At    queue.Minute // time of day
	Units []Visit
}

// Visit is one unit of a group.
type Visit struct {
	Route     queue.RouteID
	Options   []queue.StepID
	Family    queue.Family
	Ownership queue.Ownership
	Weight    int
	// The promise is at PromiseAt on the PromiseDays-th day with opening hours
	// after the arrival; NoPromise: none was given.
	NoPromise   bool
	PromiseDays int
	PromiseAt   queue.Minute
	// PartsAfter is how long after the arrival what a step needs is there.
	PartsAfter map[queue.StepID]time.Duration
}

func (v *Visit) key() visit {
	options := make([]string, len(v.Options))
	for i, o := range v.Options {
		options[i] = string(o)
	}
	slices.Sort(options)
	return visit{v.Route, strings.Join(options, ","), v.Family}
}

// Bounds of what is learnt.
const (
	groupsMax   = 5000
	visitsMax   = 150 // kinds of visits
	promiseDays = 60
	partsMax    = 60 * 24 * time.Hour
	groupMax    = 100
)

// trades are what routes are for, by the first operation kind that tells, with
// how often they come and how important they are (common practice, no source).
var trades = []struct {
	kind   queue.OperationKind
	share  float64
	owner  queue.Ownership
	weight int
	days   int // of the promise
	lot    int // come together
}{
	{queue.Assembly, 0.40, queue.NewUnit, 3, 2, 2},
	{queue.HoursCheck, 0.10, queue.TradeIn, 2, 1, 1},
	{queue.Flash, 0.30, queue.CustomerUnit, 6, 1, 1},
	{queue.Relearn, 0.08, queue.CustomerUnit, 6, 1, 1},
	{queue.Fitting, 0.10, queue.CustomerUnit, 5, 1, 1},
	{queue.General, 0.02, queue.CustomerUnit, 4, 2, 1},
}

// usualLoad is how busy a shop without a history is taken to be, in percent of
// the scarcest of people, interfaces and pads.
const usualLoad = 85

// usualHabits are those of a shop that has no log: each route with each
// controller family its interfaces speak to, so many that the scarcest thing
// is busy for usualLoad percent of its hours.
func usualHabits(shop *queue.Shop, a *almanac.Almanac, start time.Time) (*Habits, error) {
	h := &Habits{LoadPercent: usualLoad}
	families := familiesOf(shop)
	taken := map[queue.OperationKind]bool{}
	type weighted struct {
		Group
		share float64
	}
	var all []weighted
	for i := range trades {
		tr := &trades[i]
		routes := routesOf(shop, tr.kind, taken)
		taken[tr.kind] = true
		for _, r := range routes {
			for _, f := range families {
				for n, options := range optionsOf(r) {
					v := Visit{Route: r.ID, Options: options, Family: f, Ownership: tr.owner, Weight: tr.weight, PromiseDays: tr.days}
					share := tr.share / float64(len(routes)*len(families)*tr.lot)
					if len(optionsOf(r)) > 1 {
						share *= [...]float64{0.65, 0.35}[n]
					}
					g := Group{At: 0}
					for range tr.lot {
						g.Units = append(g.Units, v)
					}
					all = append(all, weighted{g, share})
				}
			}
		}
	}
	if len(all) == 0 {
		return nil, errNothing
	}
	const resolution = 400 // groups in all
	sum := 0.0
	for _, x := range all {
		sum += x.share
	}
	day := firstOpen(a, start)
	opens, closes := queue.Minute(0), queue.Minute(24*60)
	if len(day) > 0 {
		opens, closes = minuteOfDay(day[0].Start, a.Location()), minuteOfDay(day[len(day)-1].End, a.Location())
	}
	r := rand.New(rand.NewPCG(uint64(len(all)), 0x7e57)) // times of day only
	for _, x := range all {
		for range max(1, int(math.Round(resolution*x.share/sum))) {
			g := x.Group
			g.Units = slices.Clone(g.Units)
			g.At = opens + queue.Minute(r.IntN(max(1, int(closes-opens)-45)))
			if len(g.Units) > 1 || r.IntN(100) < 45 { // a lorry or an appointment
				g.At = opens + queue.Minute(10+r.IntN(60))
			}
			for k := range g.Units {
				g.Units[k].PromiseAt = closes - 30
			}
			h.Groups = append(h.Groups, g)
		}
	}
	return h, nil
}

func familiesOf(shop *queue.Shop) []queue.Family {
	var out []queue.Family
	for i := range shop.Resources {
		for _, f := range shop.Resources[i].Families {
			if !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	if len(out) == 0 {
		for i := range shop.Calibrations {
			if f := shop.Calibrations[i].Family; !slices.Contains(out, f) {
				out = append(out, f)
			}
		}
	}
	if len(out) == 0 {
		out = []queue.Family{"any"}
	}
	slices.Sort(out)
	return out[:min(len(out), 6)]
}

// routesOf are the routes that a kind of operation tells, and none before it.
func routesOf(shop *queue.Shop, kind queue.OperationKind, taken map[queue.OperationKind]bool) []*queue.Route {
	var out []*queue.Route
	for i := range shop.Routes {
		r := &shop.Routes[i]
		has, before := false, false
		for _, s := range r.Steps {
			if op := shop.Operation(s.Operation); op != nil {
				has = has || op.Kind == kind
				before = before || taken[op.Kind]
			}
		}
		if has && !before {
			out = append(out, r)
		}
	}
	return out
}

// optionsOf are no option, and the first one if there is any.
func optionsOf(r *queue.Route) [][]queue.StepID {
	for i := range r.Steps {
		if r.Steps[i].Optional {
			return [][]queue.StepID{nil, {r.Steps[i].ID}}
		}
	}
	return [][]queue.StepID{nil}
}

func firstOpen(a *almanac.Almanac, from time.Time) calendar.Set {
	day := calendar.DateOf(from, a.Location())
	for range 30 {
		if open := a.Open(day.At(0, a.Location()), day.AddDays(1).At(0, a.Location())); len(open) > 0 {
			return open
		}
		day = day.AddDays(1)
	}
	return nil
}

func minuteOfDay(t time.Time, loc *time.Location) queue.Minute {
	t = t.In(loc)
	return queue.Minute(60*t.Hour() + t.Minute())
}

// Learner learns habits from the entries of a site's log, in order.
type Learner struct {
	shop        *queue.Shop
	almanac     *almanac.Almanac
	groups      []Group
	perDay      [7]int
	seen        int
	first, last time.Time
}

// Entry takes an entry in. An entry that a shop file came with changes how
// later promises are understood.
func (l *Learner) Entry(en *queue.Entry) error {
	var g Group
	var at time.Time
	for i := range en.Events {
		switch d := en.Events[i].Data.(type) {
		case *queue.ShopConfigured:
			shop := d.Shop
			a, err := almanac.New(&shop)
			if err != nil {
				return err
			}
			l.shop, l.almanac = &shop, a
		case *queue.UnitArrived:
			if l.almanac == nil || len(g.Units) >= groupMax {
				continue
			}
			at = en.Events[i].When()
			g.Units = append(g.Units, l.visit(d, at))
		}
	}
	if len(g.Units) == 0 {
		return nil
	}
	if l.first.IsZero() {
		l.first = at
	}
	l.last = at
	g.At = minuteOfDay(at, l.almanac.Location())
	l.perDay[at.In(l.almanac.Location()).Weekday()]++
	l.seen += len(g.Units)
	l.groups = append(l.groups, g)
	if len(l.groups) > groupsMax { // the newest tell most
		l.groups = slices.Delete(l.groups, 0, len(l.groups)-groupsMax)
	}
	return nil
}

func (l *Learner) visit(d *queue.UnitArrived, at time.Time) Visit {
	v := Visit{Route: d.Route, Options: d.Options, Family: d.Machine.Family, Ownership: d.Ownership, Weight: d.Weight}
	if d.Promise.IsZero() || d.Promise.Before(at) {
		v.NoPromise = true
	} else {
		loc := l.almanac.Location()
		v.PromiseAt = minuteOfDay(d.Promise, loc)
		until := d.Promise
		if end := at.AddDate(0, 0, 2*promiseDays); until.After(end) {
			until = end
		}
		last := calendar.DateOf(at, loc)
		for _, iv := range l.almanac.Open(at, until) {
			if day := calendar.DateOf(iv.Start, loc); day != last {
				last = day
				v.PromiseDays++
			}
		}
		v.PromiseDays = min(v.PromiseDays, promiseDays)
	}
	for step, when := range d.Parts {
		if after := when.Sub(at); after > 0 {
			if v.PartsAfter == nil {
				v.PartsAfter = map[queue.StepID]time.Duration{}
			}
			v.PartsAfter[step] = min(after, partsMax)
		}
	}
	return v
}

// learnt are few arrivals or days less than which the usual is taken.
const (
	learntUnits = 20
	learntDays  = 7
)

// Habits are what was learnt; nil: too little was seen to go by.
func (l *Learner) Habits() *Habits {
	if l.seen < learntUnits || l.last.Sub(l.first) < learntDays*24*time.Hour {
		return nil
	}
	h := &Habits{Groups: slices.Clone(l.groups), Seen: l.seen}
	// Days with opening hours, by weekday, between the first and the last.
	var days [7]int
	loc := l.almanac.Location()
	until := l.last.Add(time.Minute)
	for from := l.first; from.Before(until); from = from.AddDate(0, 0, 30) {
		to := from.AddDate(0, 0, 30)
		if to.After(until) {
			to = until
		}
		seen := map[calendar.Date]bool{}
		for _, iv := range l.almanac.Open(from, to) {
			if day := calendar.DateOf(iv.Start, loc); !seen[day] {
				seen[day] = true
				days[iv.Start.In(loc).Weekday()]++
			}
		}
	}
	for wd := range days {
		if days[wd] > 0 {
			h.PerDay[wd] = float64(l.perDay[wd]) / float64(days[wd])
		}
	}
	return h
}

// visits are the kinds of visits, the most frequent first, bounded.
func (h *Habits) visits() []visit {
	count := map[visit]int{}
	for i := range h.Groups {
		for k := range h.Groups[i].Units {
			count[h.Groups[i].Units[k].key()]++
		}
	}
	var out []visit
	for v := range count {
		out = append(out, v)
	}
	slices.SortFunc(out, func(a, b visit) int {
		return cmp.Or(cmp.Compare(count[b], count[a]), cmp.Compare(a.route, b.route), cmp.Compare(a.options, b.options), cmp.Compare(a.family, b.family))
	})
	return out[:min(len(out), visitsMax)]
}
