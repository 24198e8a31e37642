package flow

import (
	"cmp"
	"math"
	"slices"
	"sort"
	"time"
)

// Bottleneck is where the window was narrowest.
type Bottleneck struct {
	// Pools are all pools that were active, the longest average active period
	// first: the first one is the bottleneck of the window (2001).
	Pools []Active
	// Sure: the first one's mean lies above the second one's beyond chance, 95 %.
	Sure bool
	// Now is the pool whose active period, under way at the window's end, has
	// lasted longest (2002); empty: none is active. Since how long, in open time.
	Now    string
	NowFor time.Duration
	// Shift tells the momentary bottleneck over the window.
	Shift []Moment
}

// Active is what was found of one pool. Times are open time.
type Active struct {
	Pool    string
	Periods int
	Mean    time.Duration // of its uninterrupted active periods
	Error   time.Duration // standard error of Mean; 0: fewer than two periods
	Share   float64       // of the window's open time that it was active
	// Sole and Shifting are the shares of the window in which it was the only
	// momentary bottleneck, and in which the bottleneck moved to or from it.
	Sole, Shifting float64
}

// Moment is a time in which one pool was the momentary bottleneck, as open time
// since the window's start.
type Moment struct {
	Pool     string
	From, To time.Duration
}

// period is one active period of a pool.
type period struct {
	pool int
	span
}

// bottleneck looks at the pools of the window.
func (t *timelines) bottleneck(d *Data, join time.Duration) Bottleneck {
	c := newClock(nil)
	total := t.win
	if d.Open != nil {
		open := setOf(d.Open, t.win)
		if open == nil {
			open = set{}
		}
		c = newClock(open)
		total = span{0, open.length()}
	}
	if total.empty() {
		return Bottleneck{}
	}
	var all []period
	actives := make([]Active, len(d.Pools))
	for i, p := range d.Pools {
		periods := bridge(c.on(t.active(p)), join.Milliseconds())
		actives[i] = describe(p.ID, periods, total)
		for _, s := range periods {
			all = append(all, period{i, s})
		}
	}
	out := Bottleneck{}
	chain := momentary(all)
	shares(chain, actives, total)
	for _, m := range chain {
		out.Shift = append(out.Shift, Moment{d.Pools[m.pool].ID, millis(m.from - total.from), millis(m.to - total.from)})
	}
	out.Now, out.NowFor = current(all, d.Pools, total.to)
	out.Pools = slices.DeleteFunc(actives, func(a Active) bool { return a.Periods == 0 })
	slices.SortStableFunc(out.Pools, func(a, b Active) int { return cmp.Compare(b.Mean, a.Mean) })
	out.Sure = apart(out.Pools)
	return out
}

// active is when no member of the pool that is open is free.
func (t *timelines) active(p Pool) set {
	var open, free set
	for _, id := range p.Members {
		if i, ok := t.index[id]; ok {
			open = append(open, t.lines[i].open...)
			free = append(free, t.free(i)...)
		}
	}
	return newSet(open).minus(newSet(free))
}

// describe finds mean and standard error by Welford's recurrence.
func describe(pool string, periods set, total span) Active {
	mean, squares := 0.0, 0.0
	for i, p := range periods {
		x := float64(p.length())
		d := x - mean
		mean += d / float64(i+1)
		squares += d * (x - mean)
	}
	a := Active{Pool: pool, Periods: len(periods), Mean: millis(int64(math.Round(mean))), Share: float64(periods.length()) / float64(total.length())}
	if n := float64(len(periods)); n > 1 {
		a.Error = millis(int64(math.Round(math.Sqrt(squares / (n - 1) / n))))
	}
	return a
}

func apart(pools []Active) bool {
	switch {
	case len(pools) == 0:
		return false
	case len(pools) == 1:
		return true
	}
	a, b := pools[0], pools[1]
	if a.Periods < 2 || b.Periods < 2 {
		return false
	}
	return float64(a.Mean-b.Mean) > normal975*math.Hypot(float64(a.Error), float64(b.Error))
}

// momentary is the chain of momentary bottlenecks: at each moment the active
// pool with the longest period holds the place until its period ends. Each is
// returned with the time in which it held the place.
func momentary(all []period) []moment {
	sort.Slice(all, func(i, j int) bool {
		a, b := all[i], all[j]
		if a.from != b.from {
			return a.from < b.from
		}
		return a.pool < b.pool
	})
	var chain []moment
	var running []period // that began, and may have ended
	at, next := int64(math.MinInt64), 0
	for next < len(all) || len(running) > 0 {
		for next < len(all) && all[next].from <= at {
			running = append(running, all[next])
			next++
		}
		running = slices.DeleteFunc(running, func(p period) bool { return p.to <= at })
		if len(running) == 0 {
			if next == len(all) {
				break
			}
			at = all[next].from
			continue
		}
		best := slices.MaxFunc(running, func(a, b period) int {
			return cmp.Or(cmp.Compare(a.length(), b.length()), cmp.Compare(b.pool, a.pool))
		})
		chain = append(chain, moment{best.pool, span{at, best.to}, best.span})
		at = best.to
	}
	return chain
}

// moment is a place in the chain: when it was held, and the whole period.
type moment struct {
	pool int
	span
	period span
}

// shares splits the chain into sole and shifting time: where the periods of
// successive bottlenecks overlap, the bottleneck shifts.
func shares(chain []moment, actives []Active, total span) {
	shifting := make([][]span, len(actives))
	sole := make([]int64, len(actives))
	for i, m := range chain {
		own := m.period
		if i > 0 {
			own.from = max(own.from, chain[i-1].period.to)
		}
		if i+1 < len(chain) {
			after := chain[i+1].period
			own.to = min(own.to, max(own.from, after.from))
			if both := m.period.cut(after); !both.empty() {
				shifting[m.pool] = append(shifting[m.pool], both)
				shifting[chain[i+1].pool] = append(shifting[chain[i+1].pool], both)
			}
		}
		sole[m.pool] += own.length()
	}
	for i := range actives {
		actives[i].Sole = float64(sole[i]) / float64(total.length())
		actives[i].Shifting = float64(newSet(shifting[i]).length()) / float64(total.length())
	}
}

// current is the longest period that is under way at the end.
func current(all []period, pools []Pool, end int64) (string, time.Duration) {
	best := period{pool: -1}
	for _, p := range all {
		if p.to == end && (best.pool < 0 || p.length() > best.length()) {
			best = p
		}
	}
	if best.pool < 0 {
		return "", 0
	}
	return pools[best.pool].ID, millis(best.length())
}
