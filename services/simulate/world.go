package simulate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
	"tickover/scheduler/week"
	"tickover/services/almanac"
	"tickover/services/dispatch"
)

// world is a shop in the scheduler's words: what it has, the kinds of visits,
// and its calendars by minutes since origin.
type world struct {
	variant *variant
	almanac *almanac.Almanac
	origin  time.Time
	shop    week.Shop
	kinds   []week.Kind
	steps   []map[queue.StepID]int // by kind: the activity of a step
	sigma   [][][]float64          // by kind, activity and stretch
	notes   []string
	sky     int // the place that stands for an engine outdoors anywhere; -1: none

	mu   sync.Mutex
	memo map[week.Time]week.Calendars // by from
}

// minute is a tick.
func (w *world) minute(t time.Time) week.Time {
	return week.Time(math.Floor(float64(t.Unix()-w.origin.Unix()) / 60))
}

func (w *world) at(t week.Time) time.Time { return w.origin.Add(time.Duration(t) * time.Minute) }

// visit is what makes two visits alike.
type visit struct {
	route   queue.RouteID
	options string // sorted, by commas
	family  queue.Family
}

// newWorld translates a variant. The kinds come in the order of visits; those
// that the shop can't do from start to end have no activity.
func newWorld(v *variant, visits []visit, origin time.Time, lengths Lengths) (*world, error) {
	a, err := almanac.New(v.shop)
	if err != nil {
		return nil, err
	}
	w := &world{variant: v, almanac: a, origin: origin, sky: -1, memo: map[week.Time]week.Calendars{}}
	p, err := w.snapshot(visits)
	if err != nil {
		return nil, err
	}
	w.means(p)
	for i := range visits {
		w.kind(p, i, visits[i], lengths)
	}
	w.shop.Calendars = w.calendars
	w.shop.RoomMax = v.shop.Limits.UnitsOpenMax
	return w, nil
}

func templateID(i int) queue.UnitID { return queue.UnitID(fmt.Sprintf("visit-%03d", i)) }

// snapshot is the problem of a shop in which one unit of each kind stands: the
// dispatcher's own translation, so that a simulated step is a planned one.
func (w *world) snapshot(visits []visit) (*model.Problem, error) {
	shop := *w.variant.shop
	shop.Limits.UnitsOpenMax, shop.Limits.YardCapacity = 0, 0
	st := queue.NewState(shop.Site)
	do := func(id string, action queue.Action) error {
		out, err := queue.Decide(st, w.almanac.Conditions(st, w.origin, w.origin), queue.Command{ID: queue.CommandID(id), At: w.origin, Action: action})
		if err != nil {
			return err
		}
		en := out.Entry(st)
		if _, err := en.Encode(); err != nil {
			return err
		}
		_, err = st.Apply(en)
		return err
	}
	if err := do("shop", &queue.ConfigureShop{Shop: shop}); err != nil {
		return nil, err
	}
	for i, x := range visits {
		u := queue.UnitArrived{
			Machine:   queue.Machine{Frame: fmt.Sprintf("SIMULATED%04d", i), Make: "any", Model: "any", Year: w.origin.Year(), Family: x.family, Fitment: "standard"},
			Ownership: queue.NewUnit, Route: x.route, Promise: w.origin.Add(1000 * time.Hour), Weight: 1,
		}
		for _, o := range strings.FieldsFunc(x.options, func(r rune) bool { return r == ',' }) {
			u.Options = append(u.Options, queue.StepID(o))
		}
		err := do(string(templateID(i)), &queue.ReceiveUnit{Unit: templateID(i), Arrival: u})
		var refused *queue.Refusal
		if errors.As(err, &refused) {
			w.note(fmt.Sprintf("Route %s is left out: %s", x.route, refused.What))
		} else if err != nil {
			return nil, err
		}
	}
	return dispatch.Snapshot(st, w.almanac, w.origin, nil, dispatch.SnapshotOptions{HorizonDays: 1})
}

func (w *world) note(text string) {
	if !slices.Contains(w.notes, text) {
		w.notes = append(w.notes, text)
	}
}

const skyKind = "outdoors"

// means are the resources and people, without hours of their own.
func (w *world) means(p *model.Problem) {
	for _, r := range p.Resources {
		r.Open, r.Closures = nil, nil
		w.shop.Resources = append(w.shop.Resources, r)
	}
	if slices.ContainsFunc(p.Activities, func(a model.Activity) bool { return outdoors(p, &a) }) {
		w.sky = len(w.shop.Resources)
		w.shop.Resources = append(w.shop.Resources, model.Resource{ID: skyKind, Kind: skyKind, Capacity: 1 << 20, Within: true})
	}
	for _, x := range p.Workers {
		w.shop.Workers = append(w.shop.Workers, model.Worker{ID: x.ID, Skills: x.Skills})
	}
}

// outdoors reports an activity outdoors that holds no place there: it lies in
// the second calendar, that of the sky.
func outdoors(p *model.Problem, a *model.Activity) bool {
	return a.Inside != "" && len(p.Calendars) > 1 && a.Inside == p.Calendars[1].ID
}

// kind adds the i-th visit.
func (w *world) kind(p *model.Problem, i int, v visit, lengths Lengths) {
	k := week.Kind{Name: string(v.route)}
	var sigmas [][]float64
	steps := map[queue.StepID]int{}
	unit := string(templateID(i))
	prefix := unit + "/"
	mine := func(id model.ActivityID) bool { return strings.HasPrefix(string(id), prefix) }
	for _, a := range p.Activities {
		if !mine(a.ID) {
			continue
		}
		step := queue.StepID(strings.TrimPrefix(string(a.ID), prefix))
		steps[step] = len(k.Activities)
		if outdoors(p, &a) {
			a.Inside = p.Calendars[0].ID
			a.Modes = slices.Clone(a.Modes)
			a.Modes[0].Needs = append(slices.Clone(a.Modes[0].Needs), model.Need{Kind: skyKind})
		}
		a.Release = 0
		worst, sigma := w.lengthsOf(v, step, &a, lengths)
		k.Worst, sigmas = append(k.Worst, worst), append(sigmas, sigma)
		k.Activities = append(k.Activities, a)
		if !w.possible(&a) {
			w.note(fmt.Sprintf("Visits by route %s with a machine of family %s are left out: nobody and nothing can do step %s.", v.route, v.family, step))
			k.Activities = nil
			break
		}
	}
	for _, l := range p.Lags {
		if mine(l.From) && mine(l.To) && k.Activities != nil {
			if l.Limited {
				w.note("That a step comes at most so long after another is not kept by the rule: such steps may come later here.")
			}
			k.Lags = append(k.Lags, l)
		}
	}
	for _, q := range p.Parallel {
		if mine(q.A) && k.Activities != nil {
			k.Parallel = append(k.Parallel, q)
		}
	}
	w.kinds, w.steps, w.sigma = append(w.kinds, k), append(w.steps, steps), append(w.sigma, sigmas)
}

// lengthsOf puts what was learnt in the place of standard times, and gives the
// longest that starts are judged by with the spreads.
func (w *world) lengthsOf(v visit, step queue.StepID, a *model.Activity, lengths Lengths) (longest []week.Time, sigmas []float64) {
	m := &a.Modes[0]
	m.Stretches = slices.Clone(m.Stretches)
	op := w.operation(v.route, step)
	for n := range m.Stretches {
		st := &m.Stretches[n]
		if st.Workers > 1 {
			w.note("Steps that need two technicians at once are simulated with one.")
			st.Workers = 1
		}
		l := usualLength(st)
		if lengths != nil && op != "" {
			if got, ok := lengths(op, n); ok {
				l = got
				st.Duration = max(1, week.Time(math.Round(l.Median.Minutes())))
			}
		}
		longest, sigmas = append(longest, l.worst(st)), append(sigmas, l.Sigma)
	}
	return longest, sigmas
}

func (w *world) operation(route queue.RouteID, step queue.StepID) queue.OperationID {
	r := w.variant.shop.Route(route)
	if r == nil {
		return ""
	}
	for i := range r.Steps {
		if r.Steps[i].ID == step {
			return r.Steps[i].Operation
		}
	}
	return ""
}

// possible reports that somebody has the skills and every need is met by
// something.
func (w *world) possible(a *model.Activity) bool {
	m := &a.Modes[0]
	if len(m.Stretches) == 0 || m.Stretches[0].Workers == 0 {
		return false
	}
	for _, n := range m.Needs {
		if !slices.ContainsFunc(w.shop.Resources, func(r model.Resource) bool { return r.Kind == n.Kind && all(n.Tags, r.Tags) }) {
			return false
		}
	}
	return slices.ContainsFunc(w.shop.Workers, func(x model.Worker) bool {
		return !slices.ContainsFunc(m.Stretches, func(st model.Stretch) bool { return !all(st.Skills, x.Skills) })
	})
}

func all(want, have []string) bool {
	return !slices.ContainsFunc(want, func(s string) bool { return !slices.Contains(have, s) })
}

// memoMax bounds the calendars that are remembered.
const memoMax = 16

// calendars are those from the midnight before from on, to the midnight after
// to: the same window for all runs, so that it is worked out once.
func (w *world) calendars(from, to week.Time) week.Calendars {
	const day = 24 * 60
	from = from/day*day - day
	to = (to/day + 1) * day
	w.mu.Lock()
	defer w.mu.Unlock()
	if c, ok := w.memo[from]; ok {
		return c
	}
	c := w.expand(w.at(from), w.at(to))
	if len(w.memo) >= memoMax {
		clear(w.memo)
	}
	w.memo[from] = c
	return c
}

func (w *world) expand(from, to time.Time) week.Calendars {
	a := w.almanac
	open := a.Open(from, to)
	c := week.Calendars{Open: w.windows(open)}
	outdoor := w.windows(a.Outdoor(from, to))
	lit := w.windows(open.Subtract(a.Quiet(from, to)))
	for i := range w.shop.Resources {
		switch r := &w.shop.Resources[i]; {
		case !r.Within:
			c.Places = append(c.Places, nil)
		case w.variant.lit[queue.ResourceID(r.ID)]:
			c.Places = append(c.Places, lit)
		default:
			c.Places = append(c.Places, outdoor)
		}
	}
	for i := range w.shop.Workers {
		t := queue.PersonID(w.shop.Workers[i].ID)
		shifts := a.Shifts(t, nil, from, to)
		c.Shifts = append(c.Shifts, w.windows(shifts))
		c.Work = append(c.Work, w.windows(shifts.Subtract(a.Breaks(t, from, to))))
	}
	return c
}

// windows are the whole minutes inside a set.
func (w *world) windows(set calendar.Set) []model.Interval {
	out := make([]model.Interval, 0, len(set))
	for _, iv := range set {
		in := model.Interval{Start: w.minute(iv.Start.Add(time.Minute - 1)), End: w.minute(iv.End)}
		if n := len(out); n > 0 && in.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, in.End)
		} else if in.Start < in.End {
			out = append(out, in)
		}
	}
	return out
}

// Length is how long a stretch takes: log-normal about its median.
type Length struct {
	Median time.Duration
	Sigma  float64 // of the logarithm
}

// Lengths answers for an operation's stretch; false: the standard time with the
// usual spread.
type Lengths func(op queue.OperationID, stretch int) (Length, bool)

// The usual spread (common practice, no source), and how many deviations above
// the median starts are judged by; nothing is drawn longer than that.
const (
	sigmaOn    = 0.25
	sigmaOff   = 0.05
	deviations = 1.645 // 95 % of the normal distribution
)

func usualLength(st *model.Stretch) Length {
	l := Length{time.Duration(st.Duration) * time.Minute, sigmaOn}
	if st.Workers == 0 {
		l.Sigma = sigmaOff
	}
	return l
}

func (l Length) worst(st *model.Stretch) week.Time {
	if st.Workers == 0 && st.MaxWait == 0 {
		return st.Duration // goes by the clock: somebody has to be back
	}
	return max(1, week.Time(math.Ceil(float64(st.Duration)*math.Exp(deviations*l.Sigma))))
}
