// Package simulate answers what a change of the shop would bring: a second
// interface, a technician who stays until seven, lamps at the pad, thirty
// crates on Monday.
//
//	s, err := simulate.ParseScenario(shop, "add=i1")
//	r, err := simulate.Run(ctx, simulate.Options{Shop: shop, Start: now, Scenarios: []simulate.Scenario{s}})
//	r.Scenarios[0].Diff.Units // units a week, more or less, ± its 95 % interval
//
// The shop is simulated for weeks as it is and with each change, in pairs: both
// get the same units at the same times with the same luck at every stretch
// (common random numbers), so that the difference is the change and little
// else. Each pair is independent of the others; the intervals are Student's of
// the paired differences. Two things are asked of each: how it goes with the
// work as it comes, and how much it could do if there was always work.
//
// What is done next is decided by a rule, not by the planner, which is a
// thousand times too slow for this: apparent tardiness cost, the best of the
// rules by hand in scheduler/week, and first come first served at full load, so
// that no kind of work is left lying there. The planner keeps more promises
// than either, so read the differences, not the levels.
//
// Guaranteed: the same options give the same result, whatever the number of
// threads; a result that was cut short holds the pairs that were finished, and
// says so; no figure is NaN. Memory does not grow with the weeks.
//
// Not in it: what the shop holds now, illness and breakdowns, rework, a
// technician's mistakes, the limit of the yard.
package simulate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
	"tickover/scheduler/tally"
	"tickover/scheduler/week"
	"tickover/services/almanac"
)

// Options say what is simulated. Zero values take the defaults.
type Options struct {
	Shop *queue.Shop
	// Start is the day from which on; it matters for daylight and days off.
	Start time.Time
	// Habits are what comes; nil: the usual of such a shop.
	Habits *Habits
	// Lengths are what was learnt of lengths; nil: standard times.
	Lengths Lengths
	// Scenarios are compared with the shop as it is. None: the shop as it is
	// alone.
	Scenarios []Scenario
	Weeks     int // measured; 0: 4
	WarmUp    int // weeks before, which are not; 0: 2
	Pairs     int // 0: 20
	Seed      uint64
	Threads   int // 0: 1
	// Progress, if set, is told of each simulated run, from one goroutine at a
	// time.
	Progress func(done, total int)
}

// Defaults and bounds.
const (
	weeksDefault  = 4
	WeeksMax      = 52
	warmUpDefault = 2
	pairsDefault  = 20
	PairsMax      = 400
	ScenariosMax  = 24
)

func (o *Options) defaults() error {
	if o.Shop == nil {
		return errors.New("simulate: no shop file")
	}
	if o.Start.IsZero() {
		return errors.New("simulate: no day to start on")
	}
	for _, x := range []struct {
		what          string
		value         *int
		otherwise     int
		least, atMost int
	}{
		{"weeks", &o.Weeks, weeksDefault, 1, WeeksMax}, {"weeks to warm up", &o.WarmUp, warmUpDefault, 1, WeeksMax},
		{"pairs of runs", &o.Pairs, pairsDefault, 2, PairsMax}, {"threads", &o.Threads, 1, 1, 256},
	} {
		if *x.value == 0 {
			*x.value = x.otherwise
		}
		if *x.value < x.least || *x.value > x.atMost {
			return fmt.Errorf("simulate: %d %s; %d to %d are possible", *x.value, x.what, x.least, x.atMost)
		}
	}
	if len(o.Scenarios) > ScenariosMax {
		return fmt.Errorf("simulate: %d scenarios; at most %d at once", len(o.Scenarios), ScenariosMax)
	}
	return nil
}

// Range is a mean over the pairs with its 95 % interval, Mean ± Half; Half
// means something from two Pairs on.
type Range struct {
	Mean  float64 `json:"mean"`
	Half  float64 `json:"half_width_95"`
	Pairs int     `json:"pairs"`
}

// Sure reports that the difference is beyond chance.
func (r Range) Sure() bool { return r.Pairs > 1 && math.Abs(r.Mean) > r.Half }

func rangeOf(s *tally.Sample) Range {
	r := Range{Mean: s.Mean(), Pairs: s.N()}
	if i := s.Interval(); i.Bounded() {
		r.Half = i.Half
	}
	return r
}

// Figures are how a shop does.
type Figures struct {
	// Units are those that were finished, a week, of the work as it comes.
	Units Range `json:"units_a_week"`
	// Kept are promises kept, in percent of those that fell due.
	Kept Range `json:"promises_kept_percent"`
	// Stay is the mean time in the shop of the units that were finished, nights
	// included.
	Stay Range `json:"time_in_shop_h"`
	// Full are the units a week that could be finished if there was always work.
	Full Range `json:"units_a_week_at_full_load"`
}

// Outcome is a scenario's figures, and its differences from the shop as it is.
type Outcome struct {
	Changes Scenario `json:"changes"`
	Figures
	Diff Figures `json:"difference"`
}

// Result is what was found.
type Result struct {
	Seed      uint64    `json:"seed"`
	Start     time.Time `json:"start"`
	Weeks     int       `json:"weeks"`
	WarmUp    int       `json:"warm_up_weeks"`
	Pairs     int       `json:"pairs"`       // finished
	PairsWant int       `json:"pairs_asked"` // more than Pairs: it was cut short
	AsItIs    Figures   `json:"as_it_is"`
	Scenarios []Outcome `json:"scenarios"`
	// Learnt is how many units of the log the habits come from; 0: the usual.
	Learnt int `json:"units_learnt_from"`
	// Notes are what is not as in the shop, in English.
	Notes []string `json:"notes,omitempty"`
}

// Cut reports that fewer pairs were finished than asked for.
func (r *Result) Cut() bool { return r.Pairs < r.PairsWant }

// Ranked are the scenarios, the one that brings most at full load first.
func (r *Result) Ranked() []Outcome {
	out := slices.Clone(r.Scenarios)
	slices.SortStableFunc(out, func(a, b Outcome) int {
		switch {
		case a.Diff.Full.Mean > b.Diff.Full.Mean:
			return -1
		case a.Diff.Full.Mean < b.Diff.Full.Mean:
			return 1
		}
		return 0
	})
	return out
}

// Run simulates. When ctx ends it gives what is done so far, with an error only
// if that is not a single pair.
func Run(ctx context.Context, o Options) (*Result, error) {
	s, err := newStudy(&o)
	if err != nil {
		return nil, err
	}
	if err := s.run(ctx); err != nil && (ctx.Err() == nil || s.finished() == 0) {
		return nil, err
	}
	return s.result(), nil
}

// study is one question with its worlds and what was measured.
type study struct {
	o      Options
	habits *Habits
	base   *world
	worlds []*world // the shop as it is, then the scenarios
	seen   [][]*measured
	days   *days

	mu   sync.Mutex
	done int
}

func newStudy(o *Options) (*study, error) {
	if err := o.defaults(); err != nil {
		return nil, err
	}
	a, err := almanac.New(o.Shop)
	if err != nil {
		return nil, err
	}
	origin := calendar.DateOf(o.Start, a.Location()).At(0, a.Location())
	s := &study{o: *o, habits: o.Habits, days: &days{almanac: a, origin: origin}}
	if s.habits == nil {
		if s.habits, err = usualHabits(o.Shop, a, origin); err != nil {
			return nil, err
		}
	}
	visits := s.habits.visits()
	for _, sc := range append([]Scenario{nil}, o.Scenarios...) {
		v, err := sc.apply(o.Shop)
		if err != nil {
			return nil, err
		}
		w, err := newWorld(v, visits, origin, o.Lengths)
		if err != nil {
			return nil, err
		}
		s.worlds = append(s.worlds, w)
	}
	s.base = s.worlds[0]
	s.seen = make([][]*measured, o.Pairs)
	for i := range s.seen {
		s.seen[i] = make([]*measured, len(s.worlds))
	}
	return s, s.settle(visits)
}

// settle leaves out what the shop as it is can't do, and finds how much comes.
func (s *study) settle(visits []visit) error {
	kinds := map[visit]int{}
	for i, v := range visits {
		if s.base.kinds[i].Activities != nil {
			kinds[v] = i
		}
	}
	h := *s.habits
	h.Groups = nil
	for _, g := range s.habits.Groups {
		g.Units = slices.DeleteFunc(slices.Clone(g.Units), func(v Visit) bool { _, ok := kinds[v.key()]; return !ok })
		if len(g.Units) > 0 {
			h.Groups = append(h.Groups, g)
		}
	}
	if len(h.Groups) == 0 {
		return errNothing
	}
	if h.LoadPercent > 0 {
		s.scale(&h, kinds)
	}
	s.habits = &h
	s.days.kinds, s.days.habits, s.days.steps = kinds, &h, s.base.steps
	return nil
}

// scale sets how many groups come a day, by the scarcest of people's hands,
// interfaces and pads in the simulated weeks.
func (s *study) scale(h *Habits, kinds map[visit]int) {
	w := s.base
	span := s.horizon()
	c := w.expand(w.at(0), w.at(span))
	var hands, faces, pads, could, open float64
	for _, g := range h.Groups {
		for k := range g.Units {
			for _, a := range w.kinds[kinds[g.Units[k].key()]].Activities {
				whole := 0.0
				for _, st := range a.Modes[0].Stretches {
					whole += float64(st.Duration)
					if st.Workers > 0 {
						hands += float64(st.Duration)
					}
				}
				for _, n := range a.Modes[0].Needs {
					switch n.Kind {
					case queue.Interface.String():
						faces += whole
					case queue.Pad.String():
						pads += whole
					}
				}
			}
		}
	}
	groups := float64(len(h.Groups))
	for i := range c.Work {
		could += total(c.Work[i], 0, span)
	}
	open = total(c.Open, 0, span)
	most := math.Inf(1)
	limit := func(need, have float64) {
		if need > 0 {
			most = min(most, have/(need/groups))
		}
	}
	limit(hands, could)
	var nFaces, padHours float64
	for i := range w.shop.Resources {
		switch r := &w.shop.Resources[i]; r.Kind {
		case queue.Interface.String():
			nFaces++
		case queue.Pad.String():
			padHours += total(c.Places[i], 0, span)
		}
	}
	limit(faces, nFaces*open)
	limit(pads, padHours)
	if math.IsInf(most, 1) {
		most = 0
	}
	// Spread over the days by how long each is open.
	var perWeekday, daysOf [7]float64
	for n := range int(span / minutesDay) {
		if d := s.days.of(n); d.open {
			perWeekday[d.weekday] += d.hours
			daysOf[d.weekday]++
		}
	}
	sum := 0.0
	for _, x := range perWeekday {
		sum += x
	}
	for wd := range h.PerDay {
		if daysOf[wd] > 0 && sum > 0 {
			h.PerDay[wd] = most * float64(h.LoadPercent) / 100 * perWeekday[wd] / sum / daysOf[wd]
		}
	}
}

// run does all runs, those of the first pairs first.
func (s *study) run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(s.o.Threads)
	for i := range s.seen {
		for k, w := range s.worlds {
			g.Go(func() error {
				m, err := s.one(ctx, w, i)
				if err != nil {
					return err
				}
				s.mu.Lock()
				defer s.mu.Unlock()
				s.seen[i][k] = m
				s.done++
				if s.o.Progress != nil {
					s.o.Progress(s.done, len(s.seen)*len(s.worlds))
				}
				return nil
			})
		}
	}
	return g.Wait()
}

// total is how much of [from, to) lies in the list, in minutes.
func total(list []model.Interval, from, to week.Time) float64 {
	sum := week.Time(0)
	for _, iv := range list {
		sum += max(0, min(iv.End, to)-max(iv.Start, from))
	}
	return float64(sum)
}

func whole(row []*measured) bool { return !slices.Contains(row, nil) }

func (s *study) finished() int {
	n := 0
	for _, row := range s.seen {
		if whole(row) {
			n++
		}
	}
	return n
}

func (s *study) result() *Result {
	r := &Result{Seed: s.o.Seed, Start: s.base.origin, Weeks: s.o.Weeks, WarmUp: s.o.WarmUp, Pairs: s.finished(), PairsWant: s.o.Pairs, Learnt: s.habits.Seen}
	r.AsItIs, _ = s.figures(0)
	for k := range s.o.Scenarios {
		out := Outcome{Changes: s.o.Scenarios[k]}
		out.Figures, out.Diff = s.figures(k + 1)
		r.Scenarios = append(r.Scenarios, out)
	}
	for _, w := range s.worlds {
		for _, n := range w.notes {
			if !slices.Contains(r.Notes, n) {
				r.Notes = append(r.Notes, n)
			}
		}
	}
	return r
}

// figures are those of a world, and its differences from the shop as it is.
func (s *study) figures(k int) (own, diff Figures) {
	var level, change [4]tally.Sample
	for _, row := range s.seen {
		if !whole(row) {
			continue
		}
		a, b := row[0].values(), row[k].values()
		for i := range b {
			level[i].Add(b[i])
			change[i].Add(b[i] - a[i])
		}
	}
	of := func(x *[4]tally.Sample) Figures {
		return Figures{rangeOf(&x[0]), rangeOf(&x[1]), rangeOf(&x[2]), rangeOf(&x[3])}
	}
	return of(&level), of(&change)
}
