package flow

import "time"

// Line is a flow line as W. Hopp and M. Spearman describe it (Factory Physics,
// chapter 7): RatePerH is the rate of its bottleneck, Raw the time that a unit
// takes when it never waits.
type Line struct {
	RatePerH float64
	Raw      time.Duration
}

// Critical is the work in process at which the line would reach the
// bottleneck's rate without anything waiting, if nothing ever varied: W0.
func (l Line) Critical() float64 { return l.RatePerH * l.Raw.Hours() }

// Best, Worst and Practical are throughputs an hour with w units in process:
// when nothing varies; when all move as one batch; and when all is as random as
// a balanced line of single stations with exponential times.
func (l Line) Best(w float64) float64 {
	if l.Raw <= 0 {
		return l.RatePerH
	}
	return min(w/l.Raw.Hours(), l.RatePerH)
}

func (l Line) Worst(float64) float64 {
	if l.Raw <= 0 {
		return l.RatePerH
	}
	return min(1/l.Raw.Hours(), l.RatePerH)
}

func (l Line) Practical(w float64) float64 {
	if w <= 0 {
		return 0
	}
	return w / max(l.Critical()+w-1, w) * l.RatePerH
}

// Position is where a shop lies between those.
type Position struct {
	Line
	Pool string // the bottleneck: the pool that could serve the fewest units
	// W is the mean number in the shop and PerH the units that left, both by
	// the hour that the shop was open.
	W, PerH float64
	Units   int // that left
}

// positionLeast is how many units say something.
const positionLeast = 5

// Where finds a shop's position in a window; false: too few units left. The
// clock runs while the shop is open. The bottleneck's rate is that of the pool
// which would serve the fewest units an hour with the work that a unit brought
// it, hands-off and locked time included, since it holds the pool; Raw is the
// time that somebody or something worked on a unit, once where several did. A
// shop is no line: routes differ and steps overlap, so the position is a
// comparison over time, not a measure to the point.
func Where(d *Data, w Window) (Position, bool) {
	win := clipOf(w.Interval)
	var p Position
	open := setOf(d.Open, win)
	if d.Open == nil {
		open = set{win}
	}
	hours := millis(open.length()).Hours()
	if win.empty() || hours <= 0 {
		return p, false
	}
	left := map[string]bool{}
	for _, v := range d.Visits {
		came, went := ms(v.Arrived), leftMS(v)
		p.W += millis(set{span{came, went}.cut(win)}.within(open)).Hours() / hours
		if win.has(went) {
			left[v.Unit] = true
			p.Units++
		}
	}
	if p.Units < positionLeast {
		return p, false
	}
	p.PerH = float64(p.Units) / hours
	work := map[string][]span{}
	held := map[string]int64{}
	for _, u := range d.Uses {
		at := clipOf(u.Interval)
		if u.Unit == "" || u.State == Down {
			continue
		}
		if u.State != Locked && left[u.Unit] {
			work[u.Unit] = append(work[u.Unit], at)
		}
		held[u.Resource] += at.cut(win).length()
	}
	var raw int64
	for _, spans := range work {
		raw += newSet(spans).within(open)
	}
	p.Raw = millis(raw / int64(p.Units))
	capacity := map[string]int64{}
	for _, r := range d.Resources {
		hours := set{win}
		if r.Open != nil {
			hours = setOf(r.Open, win)
		}
		capacity[r.ID] = hours.length() * int64(max(r.Capacity, 1))
	}
	for _, pool := range d.Pools {
		var used, could int64
		for _, m := range pool.Members {
			used += held[m]
			could += capacity[m]
		}
		if used == 0 || could == 0 {
			continue
		}
		if rate := p.PerH * float64(could) / float64(used); p.Pool == "" || rate < p.RatePerH {
			p.Pool, p.RatePerH = pool.ID, rate
		}
	}
	return p, p.Pool != "" && p.Raw > 0
}

// within is how much of a set lies in another.
func (s set) within(o set) int64 { return s.length() - s.minus(o).length() }
