package simulate

import (
	"cmp"
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"tickover/queue"
	"tickover/scheduler/calendar"
	"tickover/scheduler/model"
	"tickover/scheduler/tally"
	"tickover/scheduler/week"
	"tickover/services/almanac"
)

const minutesDay = 24 * 60

// horizon is the end of the measured weeks, warmed is their start.
func (s *study) horizon() week.Time {
	return s.warmed() + week.Time(7*minutesDay*s.o.Weeks)
}

func (s *study) warmed() week.Time { return week.Time(7 * minutesDay * s.o.WarmUp) }

// measured is what one run came to.
type measured struct {
	weeks     float64
	left      int
	kept, due int
	stay      tally.Sample // hours
	full      int
}

// values are the figures in the order of [Figures]; NaN: there is none.
func (m *measured) values() [4]float64 {
	v := [4]float64{float64(m.left) / m.weeks, math.NaN(), math.NaN(), float64(m.full) / m.weeks}
	if m.due > 0 {
		v[1] = 100 * float64(m.kept) / float64(m.due)
	}
	if m.stay.N() > 0 {
		v[2] = m.stay.Mean()
	}
	return v
}

// luckOf is the seed of a pair's draws.
func (s *study) luckOf(pair int) uint64 {
	return week.Scatter(s.o.Seed ^ week.Scatter(uint64(pair)))
}

// one runs a world once with the work as it comes and once at full load.
func (s *study) one(ctx context.Context, w *world, pair int) (*measured, error) {
	m := &measured{weeks: float64(s.o.Weeks)}
	if err := s.asItComes(ctx, w, pair, m); err != nil {
		return nil, err
	}
	return m, s.fullLoad(ctx, w, pair, m)
}

// simulation prepares a world's run.
func (s *study) simulation(w *world, pair int) (week.SimulationOptions, []int) {
	o := week.SimulationOptions{Shop: w.shop, Seed: s.luckOf(pair)}
	var back []int                     // its kinds in the world
	index := make([]int, len(w.kinds)) // of the simulation's kinds, which are never empty
	for i := range w.kinds {
		index[i] = -1
		if w.kinds[i].Activities != nil {
			index[i] = len(o.Kinds)
			o.Kinds, back = append(o.Kinds, w.kinds[i]), append(back, i)
		}
	}
	o.Length = func(luck *rand.Rand, kind, act, stretch int, st *model.Stretch) week.Time {
		return draw(luck, w.sigma[back[kind]][act][stretch], st)
	}
	return o, index
}

// draw is a stretch's length: log-normal about the median, no longer than what
// starts are judged by, and a hands-off time that somebody has to be back for
// by the clock.
func draw(luck *rand.Rand, sigma float64, st *model.Stretch) week.Time {
	if st.Workers == 0 && st.MaxWait == 0 {
		return st.Duration
	}
	z := min(max(luck.NormFloat64(), -deviations), deviations)
	return max(1, week.Time(math.Round(float64(st.Duration)*math.Exp(sigma*z))))
}

func (s *study) asItComes(ctx context.Context, w *world, pair int, m *measured) error {
	o, index := s.simulation(w, pair)
	from, to := s.warmed(), s.horizon()
	counts := func(due week.Time) bool { return from <= due && due < to }
	open := map[uint64]week.Time{} // what is due in the weeks, of the units in the shop
	src := s.days.arrivals(o.Seed, w.variant, from)
	var pending []week.Arrival
	o.Arrivals = func() (week.Arrival, bool) {
		for {
			for len(pending) == 0 {
				if src.n*minutesDay >= int(to) {
					return week.Arrival{}, false
				}
				pending = src.next()
			}
			a := pending[0]
			pending = pending[1:]
			if a.Kind = index[a.Kind]; a.Kind >= 0 {
				return a, true
			}
			if counts(a.Due) { // nobody here can do it any more
				m.due++
			}
		}
	}
	o.Observer = week.Observer{
		Came:   func(a *week.Arrival) { open[a.Key] = a.Due },
		Turned: func(a *week.Arrival) { m.due += one(counts(a.Due)) },
		Left: func(v *week.Visit) {
			delete(open, v.Key)
			if counts(v.Due) {
				m.due++
				m.kept += one(v.Left <= v.Due)
			}
			if counts(v.Left) {
				m.left++
				m.stay.Add(float64(v.Left-v.At) / 60)
			}
		},
	}
	sim, err := week.NewSimulation(o)
	if err != nil {
		return err
	}
	if err := sim.Run(ctx, to); err != nil {
		return err
	}
	for _, due := range open {
		m.due += one(counts(due))
	}
	return nil
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// fullLoad keeps the same number of units in the shop: whenever one leaves, the
// next one comes.
func (s *study) fullLoad(ctx context.Context, w *world, pair int, m *measured) error {
	o, index := s.simulation(w, pair)
	o.Rule = week.FirstCome
	from, to := s.warmed(), s.horizon()
	h := s.habits
	luck := rand.New(rand.NewPCG(o.Seed, 0xf0))
	var group []Visit
	n := uint64(0)
	next := func() week.Arrival {
		for {
			if len(group) == 0 {
				group = h.Groups[luck.IntN(len(h.Groups))].Units
			}
			v := &group[0]
			group = group[1:]
			n++
			if k := index[s.days.kinds[v.key()]]; k >= 0 {
				return week.Arrival{Key: 1<<63 | n, Kind: k, Due: model.Unlimited, Weight: 1}
			}
		}
	}
	level := uint64(s.level())
	o.Arrivals = func() (week.Arrival, bool) {
		if n >= level {
			return week.Arrival{}, false
		}
		return next(), true
	}
	o.Follow = func(*week.Visit) (week.Arrival, bool) { return next(), true }
	o.Observer.Left = func(v *week.Visit) { m.full += one(from <= v.Left && v.Left < to) }
	sim, err := week.NewSimulation(o)
	if err != nil {
		return err
	}
	return sim.Run(ctx, to)
}

// level is how many units are there at full load: four for each bench, which
// is far more than can be worked on.
func (s *study) level() int {
	benches := 0
	for i := range s.o.Shop.Resources {
		benches += one(s.o.Shop.Resources[i].Kind == queue.Bench)
	}
	n := max(20, 4*benches)
	if m := s.o.Shop.Limits.UnitsOpenMax; m > 0 {
		n = min(n, m)
	}
	return n
}

// days are the days of the shop as it is, by their number from the start, and
// what comes on them.
type days struct {
	almanac *almanac.Almanac
	origin  time.Time // the first midnight
	habits  *Habits
	kinds   map[visit]int
	steps   []map[queue.StepID]int // by kind: the activity of a step

	mu     sync.Mutex
	blocks map[int]*[blockDays]day
}

// day is one day of the shop.
type day struct {
	date    calendar.Date
	weekday time.Weekday
	open    bool
	hours   float64
	// opens is the first minute of opening, in minutes from the start.
	opens week.Time
}

// Days are worked out in blocks; so many are remembered.
const (
	blockDays = 64
	blocksMax = 64
)

// of is the n-th day.
func (d *days) of(n int) day {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := d.blocks[n/blockDays]
	if b == nil {
		b = d.work(n / blockDays)
		if d.blocks == nil || len(d.blocks) >= blocksMax {
			d.blocks = map[int]*[blockDays]day{}
		}
		d.blocks[n/blockDays] = b
	}
	return b[n%blockDays]
}

func (d *days) work(block int) *[blockDays]day {
	out := &[blockDays]day{}
	loc := d.almanac.Location()
	first := calendar.DateOf(d.origin, loc).AddDays(block * blockDays)
	for i := range out {
		x := &out[i]
		x.date = first.AddDays(i)
		from := x.date.At(0, loc)
		open := d.almanac.Open(from, x.date.AddDays(1).At(0, loc))
		x.weekday, x.open, x.hours = from.In(loc).Weekday(), len(open) > 0, open.Total().Hours()
		if x.open {
			x.opens = d.minute(open[0].Start)
		}
	}
	return out
}

func (d *days) minute(t time.Time) week.Time { return week.Time(t.Sub(d.origin) / time.Minute) }

// at is a time of day of a day.
func (d *days) at(x *day, m queue.Minute) week.Time {
	return d.minute(x.date.At(calendar.ClockTime(m), d.almanac.Location()))
}

// coming draws arrivals day by day, from the seed, the day and the change only:
// whoever comes anyhow comes in every scenario.
type coming struct {
	*days
	seed   uint64
	v      *variant
	n      int       // the next day
	crates week.Time // the start of the measured weeks
}

func (d *days) arrivals(seed uint64, v *variant, measured week.Time) *coming {
	return &coming{days: d, seed: seed, v: v, crates: measured}
}

// Streams of draws within a day.
const (
	usually = iota
	besides // what is more
	crates
	away // who stays away if less comes
)

// luck draws for a day and a stream.
func (c *coming) luck(n, stream int) *rand.Rand {
	return rand.New(rand.NewPCG(c.seed, week.Scatter(uint64(n)<<2|uint64(stream))))
}

// next is what comes on the next day, in the order of time.
func (c *coming) next() []week.Arrival {
	x := c.of(c.n)
	n := c.n
	c.n++
	if !x.open {
		return nil
	}
	var out []week.Arrival
	mean := c.habits.PerDay[x.weekday]
	groups := c.draw(n, usually, mean)
	kept := c.luck(n, away)
	for i, g := range groups {
		if mark := kept.Float64(); c.v.more < 0 && mark < float64(-c.v.more)/100 {
			continue
		}
		out = c.group(out, n, usually, i, g, c.at(&x, g.At))
	}
	if c.v.more > 0 {
		for i, g := range c.draw(n, besides, mean*float64(c.v.more)/100) {
			out = c.group(out, n, besides, i, g, c.at(&x, g.At))
		}
	}
	if c.v.crates > 0 && c.cratesOn(n) {
		out = c.lot(out, n, &x)
	}
	slices.SortStableFunc(out, func(a, b week.Arrival) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Key, b.Key)) })
	return out
}

// cratesOn reports the first Monday with opening hours of the measured weeks.
func (c *coming) cratesOn(n int) bool {
	first := int(c.crates / minutesDay)
	for d := first; d <= n && d < first+60; d++ {
		if x := c.of(d); x.open && x.weekday == time.Monday {
			return d == n
		}
	}
	return false
}

// draw draws a day's groups.
func (c *coming) draw(n, stream int, mean float64) []*Group {
	luck := c.luck(n, stream)
	count := poisson(luck, mean)
	out := make([]*Group, count)
	for i := range out {
		out[i] = &c.habits.Groups[luck.IntN(len(c.habits.Groups))]
	}
	return out
}

const poissonMax = 400

// poisson multiplies uniforms (Knuth, The Art of Computer Programming, vol. 2,
// 3.4.1), bounded.
func poisson(r *rand.Rand, mean float64) int {
	limit, p := math.Exp(-min(mean, 300)), 1.0
	for n := range poissonMax {
		if p *= r.Float64(); p <= limit {
			return n
		}
	}
	return poissonMax
}

func (c *coming) group(out []week.Arrival, n, stream, i int, g *Group, at week.Time) []week.Arrival {
	for k := range g.Units {
		out = append(out, c.unit(n, stream, i, k, &g.Units[k], at))
	}
	return out
}

func (c *coming) unit(n, stream, i, k int, v *Visit, at week.Time) week.Arrival {
	a := week.Arrival{
		Key:  uint64(n)<<24 | uint64(stream)<<22 | uint64(i&0x3fff)<<8 | uint64(k&0xff),
		Kind: c.kinds[v.key()], At: at, Due: model.Unlimited, Weight: int64(max(1, v.Weight)),
	}
	if !v.NoPromise {
		a.Due = c.due(n, v, at)
	}
	if steps := c.steps[a.Kind]; len(v.PartsAfter) > 0 {
		a.Parts = make([]week.Time, len(steps))
		for step, after := range v.PartsAfter {
			if k, ok := steps[step]; ok {
				a.Parts[k] = at + week.Time(after/time.Minute)
			}
		}
	}
	return a
}

// due is the promise of a unit that comes on the n-th day.
func (c *coming) due(n int, v *Visit, at week.Time) week.Time {
	x := c.of(n)
	for left := v.PromiseDays; left > 0 && n < math.MaxInt32; {
		n++
		if x = c.of(n); x.open {
			left--
		}
		if n > int(at/minutesDay)+10*promiseDays {
			break
		}
	}
	return max(c.at(&x, v.PromiseAt), at+60)
}

// lot is the crates: set-ups if the shop has any, out of what comes anyhow.
func (c *coming) lot(out []week.Arrival, n int, x *day) []week.Arrival {
	var pool []*Visit
	for _, owner := range []queue.Ownership{queue.NewUnit, queue.CustomerUnit, queue.TradeIn} {
		for i := range c.habits.Groups {
			for k := range c.habits.Groups[i].Units {
				if v := &c.habits.Groups[i].Units[k]; v.Ownership == owner {
					pool = append(pool, v)
				}
			}
		}
		if len(pool) > 0 {
			break
		}
	}
	luck := c.luck(n, crates)
	for i := range c.v.crates {
		if len(pool) > 0 {
			out = append(out, c.unit(n, crates, i, 0, pool[luck.IntN(len(pool))], x.opens+30))
		}
	}
	return out
}
