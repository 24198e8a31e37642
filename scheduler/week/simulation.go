package week

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"tickover/scheduler/model"
)

// Shop is one shop over a long time: what it has, and how its calendars go on.
type Shop struct {
	// Resources have no hours of their own here; Within says that what holds
	// them lies in one of their windows.
	Resources []model.Resource
	Workers   []model.Worker
	// Calendars gives those of [from, to); nil: everything is always open.
	Calendars func(from, to Time) Calendars
	// RoomMax is how many units are there at once; who comes when it is full is
	// turned away. 0: no limit.
	RoomMax int
}

// Calendars are a shop's hours in a window, sorted and disjoint.
type Calendars struct {
	Open []model.Interval
	// Shifts and Work are by worker: on site, and on site without breaks.
	Shifts, Work [][]model.Interval
	// Places are by resource; only those that are Within have any.
	Places [][]model.Interval
}

// Kind is what a unit may come for: the activities of one visit, each in one
// mode that begins with hands-on work by one worker.
type Kind struct {
	Name       string
	Activities []model.Activity
	Lags       []model.Lag
	Parallel   []model.Pair
	// Worst is the longest that starts are judged by, by activity and stretch;
	// nil: 1.4 times the standard time, 1.1 times for hands-off time.
	Worst [][]Time
}

// Arrival is a unit that comes.
type Arrival struct {
	// Key names the unit in every draw: the same key, the same luck, whatever
	// else happens.
	Key     uint64
	Kind    int
	At, Due Time // Due: model.Unlimited for none
	Weight  int64
	// Parts are when what some activities need is there, by activity; nil: with
	// the unit.
	Parts []Time
}

// Visit is a unit that has left.
type Visit struct {
	Arrival
	Left Time
}

// Hold is a time in which a unit kept a resource or a worker; the other is -1.
type Hold struct {
	Key              uint64
	Resource, Worker int
	State            HoldState
	model.Interval
}

// HoldState is what the time was spent on.
type HoldState int

// The states.
const (
	HandsOn HoldState = iota + 1
	HandsOff
	// Locked: it is held, and nothing happens.
	Locked
)

// Observer is told what happens, in the order of time; nil fields are not.
type Observer struct {
	Came, Turned func(*Arrival)
	Left         func(*Visit)
	Held         func(Hold) // at the end of the activity
}

// SimulationOptions say what is simulated.
type SimulationOptions struct {
	Shop  Shop
	Kinds []Kind
	// Arrivals gives the next one; their times never decrease. Nil, or false:
	// nobody comes any more.
	Arrivals func() (Arrival, bool)
	// Follow, if set, gives who comes because a unit has left, not before that.
	Follow func(*Visit) (Arrival, bool)
	// Rule is what is done next; 0: ApparentTardiness.
	Rule Rule
	Seed uint64
	// Length draws how long a stretch takes; nil: as in a drawn week.
	Length   func(luck *rand.Rand, kind, act, stretch int, st *model.Stretch) Time
	Observer Observer
}

// Simulation is a shop that goes on without an end. It keeps what is in the
// shop and nothing else: its memory does not grow with time. It may be used by
// one goroutine at a time.
type Simulation struct {
	o   SimulationOptions
	f   *floor
	way way
	// kinds are their activities, with what and who could do each.
	kinds [][]act
	// next is who comes next by itself, after is who comes because of a leaving.
	next  *Arrival
	after []Arrival
	// units are the arrivals by job, free the jobs not in use by kind.
	units []Arrival
	free  [][]int
	wake  Time
	until Time // the calendars' end
	luck  *rand.Rand
	pcg   rand.PCG
}

// Calendars are expanded for spanAhead; aheadLeast are left when they are
// expanded again, so that starts and promises see far enough.
const (
	spanAhead  = 56 * day
	aheadLeast = 28 * day
	spanBehind = 2 * day
	always     = model.Unlimited / 2
	unitsMax   = 1 << 20
)

// NewSimulation sets a shop up at time 0, empty.
func NewSimulation(o SimulationOptions) (*Simulation, error) {
	if o.Rule == 0 {
		o.Rule = ApparentTardiness
	}
	w := &Week{Seed: o.Seed}
	w.shop.Resources, w.shop.Workers = slices.Clone(o.Shop.Resources), slices.Clone(o.Shop.Workers)
	for i := range w.shop.Workers {
		w.crews = append(w.crews, []model.WorkerID{w.shop.Workers[i].ID})
	}
	s := &Simulation{o: o, free: make([][]int, len(o.Kinds))}
	s.luck = rand.New(&s.pcg)
	for i := range o.Kinds {
		p, err := s.compile(w, &o.Kinds[i])
		if err != nil {
			return nil, err
		}
		s.kinds = append(s.kinds, p)
	}
	w.work = make([][]model.Interval, len(w.shop.Workers))
	s.f = newFloor(w, false)
	s.f.now = 0
	s.f.ended = s.ended
	s.expand()
	s.way = ByHand(o.Rule, false).begin(w)
	s.pull()
	return s, nil
}

// compile looks up what a kind's activities refer to.
func (s *Simulation) compile(w *Week, k *Kind) ([]act, error) {
	index := map[model.ActivityID]int{}
	for i := range k.Activities {
		index[k.Activities[i].ID] = i
	}
	p := make([]act, len(k.Activities))
	if len(p) == 0 {
		return p, fmt.Errorf("kind %q has no activity", k.Name)
	}
	for i := range k.Activities {
		src := &k.Activities[i]
		if len(src.Modes) != 1 || len(src.Modes[0].Stretches) == 0 || src.Modes[0].Stretches[0].Workers != 1 {
			return p, fmt.Errorf("kind %q, activity %q: it has to begin with hands-on work by one worker, in one mode", k.Name, src.ID)
		}
		a := &p[i]
		*a = act{src: src, stretch: src.Modes[0].Stretches, needs: src.Modes[0].Needs}
		var skills []string
		for n := range a.stretch {
			if k.Worst != nil {
				a.worst = append(a.worst, k.Worst[i][n])
			} else {
				a.worst = append(a.worst, worst(&a.stretch[n]))
			}
			skills = append(skills, a.stretch[n].Skills...)
		}
		a.actual = make([]Time, len(a.stretch))
		w.means(a, skills)
		if slices.ContainsFunc(a.fits, func(f []int) bool { return len(f) == 0 }) || len(a.able) == 0 {
			return p, fmt.Errorf("kind %q, activity %q: nothing or nobody can do it", k.Name, src.ID)
		}
	}
	for _, l := range k.Lags {
		from, ok := index[l.From]
		to, ok2 := index[l.To]
		if !ok || !ok2 {
			return p, fmt.Errorf("kind %q: a lag from %q to %q, one of which is none of its activities", k.Name, l.From, l.To)
		}
		p[to].before = append(p[to].before, before{from, l.Min})
	}
	for i := range p {
		for j := range p {
			beside := slices.ContainsFunc(k.Parallel, func(q model.Pair) bool {
				return index[q.A] == i && index[q.B] == j || index[q.A] == j && index[q.B] == i
			})
			if i != j && !beside {
				p[i].apart = append(p[i].apart, j)
			}
		}
	}
	return p, nil
}

// Now is how far the simulation is.
func (s *Simulation) Now() Time { return s.f.now }

// Present is the number of units in the shop.
func (s *Simulation) Present() int { return len(s.f.live) }

// Run goes on until a time, or until ctx ends.
func (s *Simulation) Run(ctx context.Context, until Time) error {
	f := s.f
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if s.until-f.now < aheadLeast {
			s.expand()
		}
		t := f.nextMoment(s.wake)
		if s.next != nil {
			t = min(t, s.next.At)
		}
		for i := range s.after {
			t = min(t, max(f.now, s.after[i].At))
		}
		if t > until || t >= always {
			f.now = max(f.now, until)
			return nil
		}
		f.now = t
		f.pass()
		if err := s.comes(); err != nil {
			return err
		}
		var err error
		if s.wake, err = s.way.decide(ctx, f); err != nil {
			return err
		}
	}
}

// comes takes in who is there now.
func (s *Simulation) comes() error {
	for s.next != nil && s.next.At <= s.f.now {
		if err := s.adopt(*s.next); err != nil {
			return err
		}
		s.pull()
	}
	for i := 0; i < len(s.after); {
		if s.after[i].At > s.f.now {
			i++
			continue
		}
		if err := s.adopt(s.after[i]); err != nil {
			return err
		}
		s.after = slices.Delete(s.after, i, i+1)
	}
	return nil
}

func (s *Simulation) pull() {
	s.next = nil
	if s.o.Arrivals != nil {
		if a, ok := s.o.Arrivals(); ok {
			s.next = &a
		}
	}
}

// adopt gives a unit its place; one that left a place free hands it on.
func (s *Simulation) adopt(a Arrival) error {
	if a.Kind < 0 || a.Kind >= len(s.kinds) {
		return fmt.Errorf("unit %d: there is no kind %d", a.Key, a.Kind)
	}
	f := s.f
	if m := s.o.Shop.RoomMax; m > 0 && len(f.live) >= m {
		if s.o.Observer.Turned != nil {
			s.o.Observer.Turned(&a)
		}
		return nil
	}
	if len(f.live) >= unitsMax {
		return errors.New("more units come than can ever be done")
	}
	j := s.place(a.Kind)
	f.w.shop.Jobs[j] = model.Job{Release: a.At, Due: a.Due, Weight: a.Weight, OnePlace: true}
	s.units[j] = a
	for k, i := range f.w.jobs[j] {
		x := &f.w.acts[i]
		x.release = a.At
		if k < len(a.Parts) {
			x.release = max(x.release, a.Parts[k])
			if x.release > f.now {
				f.later = append(f.later, x.release)
			}
		}
		f.state[i] = progress{times: f.state[i].times[:0], held: nil}
		for n := range x.stretch {
			x.actual[n] = s.length(&a, k, n, &x.stretch[n])
		}
	}
	f.undone[j] = len(f.w.jobs[j])
	f.live = append(f.live, j)
	if s.o.Observer.Came != nil {
		s.o.Observer.Came(&a)
	}
	return nil
}

// place is a job of a kind that is not in use.
func (s *Simulation) place(kind int) int {
	if n := len(s.free[kind]); n > 0 {
		j := s.free[kind][n-1]
		s.free[kind] = s.free[kind][:n-1]
		return j
	}
	w, f := s.f.w, s.f
	j, base := len(w.shop.Jobs), len(w.acts)
	w.shop.Jobs = append(w.shop.Jobs, model.Job{})
	w.jobs = append(w.jobs, nil)
	s.units, f.undone = append(s.units, Arrival{}), append(f.undone, 0)
	for i := range s.kinds[kind] {
		x := s.kinds[kind][i]
		x.job, x.actual = j, make([]Time, len(x.stretch))
		x.before, x.apart = slices.Clone(x.before), slices.Clone(x.apart)
		for n := range x.before {
			x.before[n].act += base
		}
		for n := range x.apart {
			x.apart[n] += base
		}
		w.acts, f.state = append(w.acts, x), append(f.state, progress{})
		w.jobs[j] = append(w.jobs[j], base+i)
	}
	return j
}

// length draws a stretch's length: from the seed, the unit, the activity and
// the stretch, never from the order of events.
func (s *Simulation) length(a *Arrival, act, stretch int, st *model.Stretch) Time {
	s.pcg.Seed(s.o.Seed^Scatter(a.Key), Scatter(uint64(act)<<8|uint64(stretch)))
	if s.o.Length != nil {
		return max(0, s.o.Length(s.luck, a.Kind, act, stretch, st))
	}
	return usual(s.luck, st)
}

// Scatter spreads the bits of a key (Steele, Lea and Flood, "Fast splittable
// pseudorandom number generators", OOPSLA 2014; constants from memory).
func Scatter(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// ended reports what an activity used, and the unit if it was the last one.
func (s *Simulation) ended(a int) {
	f := s.f
	j := f.w.acts[a].job
	if s.o.Observer.Held != nil {
		s.uses(a)
	}
	if f.undone[j] > 0 {
		return
	}
	v := Visit{s.units[j], f.now}
	s.free[v.Kind] = append(s.free[v.Kind], j)
	if s.o.Observer.Left != nil {
		s.o.Observer.Left(&v)
	}
	if s.o.Follow != nil {
		if next, ok := s.o.Follow(&v); ok {
			next.At = max(next.At, f.now)
			s.after = append(s.after, next)
		}
	}
}

func (s *Simulation) uses(a int) {
	st, act := &s.f.state[a], &s.f.w.acts[a]
	key := s.units[act.job].Key
	tell := func(state HoldState, from, to Time, worker bool, who int) {
		if from >= to {
			return
		}
		u := Hold{Key: key, Resource: -1, Worker: -1, State: state, Interval: model.Interval{Start: from, End: to}}
		for _, r := range st.held {
			u.Resource = r
			s.o.Observer.Held(u)
		}
		if worker {
			u.Resource, u.Worker = -1, who
			s.o.Observer.Held(u)
		}
	}
	at := st.times[0].Start
	for k := range st.times {
		t := &st.times[k]
		state, who := HandsOff, -1
		if len(t.Workers) > 0 {
			state, who = HandsOn, s.workerOf(t.Workers[0])
		}
		parts := t.Parts
		if parts == nil {
			parts = []model.Interval{{Start: t.Start, End: t.End}}
		}
		for _, p := range parts {
			tell(Locked, at, p.Start, false, -1)
			tell(state, p.Start, p.End, who >= 0, who)
			at = p.End
		}
	}
}

func (s *Simulation) workerOf(id model.WorkerID) int {
	return slices.IndexFunc(s.f.w.shop.Workers, func(w model.Worker) bool { return w.ID == id })
}

// expand writes the calendars out from shortly before now on.
func (s *Simulation) expand() {
	f, w := s.f, s.f.w
	c := Calendars{}
	if s.o.Shop.Calendars == nil {
		open := []model.Interval{{Start: math.MinInt32, End: always}}
		c.Open = open
		for range w.shop.Workers {
			c.Shifts, c.Work = append(c.Shifts, open), append(c.Work, open)
		}
		for range w.shop.Resources {
			c.Places = append(c.Places, open)
		}
		s.until = always
	} else {
		s.until = f.now + spanAhead
		c = s.o.Shop.Calendars(f.now-spanBehind, s.until)
	}
	w.open, w.work = c.Open, c.Work
	f.known, f.actual = c.Work, c.Work
	for i := range w.shop.Workers {
		w.shop.Workers[i].Shifts = c.Shifts[i]
	}
	for i := range w.shop.Resources {
		if w.shop.Resources[i].Within {
			w.shop.Resources[i].Open = c.Places[i]
		}
	}
	w.moments = w.moments[:0]
	if s.o.Shop.Calendars == nil {
		return
	}
	edges := func(list []model.Interval) {
		for _, iv := range list {
			if iv.End > f.now {
				w.moments = append(w.moments, iv.Start, iv.End)
			}
		}
	}
	edges(c.Open)
	for i := range c.Work {
		edges(c.Work[i])
	}
	for i := range c.Places {
		if w.shop.Resources[i].Within {
			edges(c.Places[i])
		}
	}
	slices.Sort(w.moments)
	w.moments, f.next = slices.Compact(w.moments), 0
}
