package solve

import (
	"container/heap"
	mathbits "math/bits"
	"slices"
)

// load is the work that a job needs of all workers together: units ticks, not
// before head, at most rate of them at once.
type load struct {
	job    int
	weight int64
	head   Time
	units  int64
	rate   int64
	// ends is the sum of the ends of its units in the relaxed schedule, from
	// now on.
	ends int64
	left int64
}

// crowded is by how much Σ weight·finish of the jobs exceeds that of each job
// alone, at least: there are only so many workers.
//
// Every hands-on tick of a job takes a tick of one worker on shift. Let these
// be free to go to any worker, in any order and pieces, not before the job can
// start. A job of P ticks, at most r of them at once, finishes no earlier than
// the mean of their ends plus Σ k·(ticks from the last) / P, which is least
// when they lie together: P·C ≥ Σ ends + r·n(n−1)/2 + (P − rn)·n with
// n = ⌊P/r⌋. Σ (weight/P)·Σ ends is least when at every tick the jobs with the
// most weight for their work go first (exchange two units: the dearer one
// earlier costs less, and its head allows it): the mean-busy-time relaxation of
// Goemans (SODA 1997) with a capacity that varies.
//
// The jobs that are better served by their own earliest finish are left out of
// the relaxation, which only loosens it, and counted by that.
func (in *instance) crowded(d *decoder, low *lowers, start []Time) (more int64) {
	loads := in.loads(low, start)
	var units int64
	for i := range loads {
		units += loads[i].units
	}
	if units > 1<<24 || in.horizon-in.now > 1<<30 { // sums stay within 62 bits
		return 0
	}
	levels := d.staff()
	for range 3 {
		if len(loads) < 2 {
			break
		}
		relax(loads, levels, in.now)
		var sum int64
		var keep []load
		for _, l := range loads {
			own, by := l.weight*int64(low.finish[l.job]-in.now), l.least()
			sum += by - own
			if by > own {
				l.ends = 0
				keep = append(keep, l)
			}
		}
		more = max(more, sum)
		if len(keep) == len(loads) {
			break
		}
		loads = keep
	}
	return more
}

// least is the weighted finish that the relaxed schedule proves, rounded down.
func (l *load) least() int64 {
	n := l.units / l.rate
	total := l.ends + l.rate*n*(n-1)/2 + (l.units-l.rate*n)*n
	hi, lo := mathbits.Mul64(uint64(l.weight), uint64(total))
	if hi >= uint64(l.units) {
		return 0 // out of range: claim nothing
	}
	q, _ := mathbits.Div64(hi, lo, uint64(l.units))
	return int64(q)
}

func (in *instance) loads(low *lowers, start []Time) []load {
	var out []load
	for i := range in.jobs {
		j := &in.jobs[i]
		l := load{job: i, weight: j.src.Weight, head: forever, rate: 1}
		if !j.onePlace || slices.ContainsFunc(j.acts, func(a int32) bool { return len(in.acts[a].peers) < len(j.acts)-1 }) {
			l.rate = int64(max(1, len(in.workers)))
		}
		for _, a := range j.acts {
			act := &in.acts[a]
			if act.begun() || len(act.opts) == 0 {
				continue
			}
			units, rate := act.handsOn()
			if units == 0 {
				continue
			}
			l.units += units
			l.rate = max(l.rate, rate)
			l.head = min(l.head, start[a])
		}
		if l.units > 0 && l.weight > 0 {
			out = append(out, l)
		}
	}
	return out
}

// handsOn are the least worker ticks of an activity, and its largest crew.
func (a *act) handsOn() (units, rate int64) {
	for k := range a.opts {
		var sum int64
		src := a.src.Modes[a.opts[k].mode].Stretches
		for i := range src {
			sum += int64(src[i].Duration) * int64(src[i].Workers)
			rate = max(rate, int64(src[i].Workers))
		}
		if k == 0 || sum < units {
			units = sum
		}
	}
	return units, rate
}

// level is how many workers are free over [from, to).
type level struct {
	from, to Time
	workers  int64
}

// staff is how many workers are on shift and not at what runs, over time.
func (d *decoder) staff() []level {
	var cuts []Time
	for i := range d.base.busy {
		cuts = append(cuts, d.base.busy[i].at...)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	var out []level
	for i, from := range cuts {
		to := forever
		if i+1 < len(cuts) {
			to = cuts[i+1]
		}
		l := level{from: max(from, d.in.now), to: to}
		for k := range d.base.busy {
			f := &d.base.busy[k]
			if f.free[f.seg(from)] > 0 {
				l.workers++
			}
		}
		if l.from < l.to && l.workers > 0 {
			out = append(out, l)
		}
	}
	return out
}

// dearest is a heap of loads by weight for their work, the dearest first.
type dearest []*load

func (h dearest) Len() int { return len(h) }
func (h dearest) Less(i, j int) bool {
	return h[i].weight*h[j].units > h[j].weight*h[i].units
}
func (h dearest) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *dearest) Push(x any)   { *h = append(*h, x.(*load)) }
func (h *dearest) Pop() any {
	x := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return x
}

// relax works off the loads, the dearest first, and sums up their ends. What
// is never done is not counted.
func relax(loads []load, levels []level, now Time) {
	slices.SortStableFunc(loads, func(a, b load) int { return int(a.head - b.head) })
	var ready dearest
	next := 0
	for i := range loads {
		loads[i].left = loads[i].units
	}
	for _, lv := range levels {
		t := lv.from
		for t < lv.to {
			for next < len(loads) && loads[next].head <= t {
				heap.Push(&ready, &loads[next])
				next++
			}
			until := lv.to
			if next < len(loads) {
				until = min(until, max(loads[next].head, t))
			}
			if len(ready) == 0 {
				if next == len(loads) {
					return
				}
				t = until
				continue
			}
			// the dearest takes the whole crew for as many full ticks as it can,
			// or what is left of it within one tick
			free := lv.workers
			full := min(int64(until-t), ready[0].left/free)
			if full > 0 {
				l := ready[0]
				// free units end at each of t+1 … t+full
				l.ends += free * (full*int64(t-now) + full*(full+1)/2)
				if l.left -= free * full; l.left == 0 {
					heap.Pop(&ready)
				}
				t += Time(full)
				continue
			}
			for free > 0 && len(ready) > 0 {
				l := ready[0]
				n := min(free, l.left)
				l.ends += n * int64(t+1-now)
				free -= n
				if l.left -= n; l.left == 0 {
					heap.Pop(&ready)
				}
			}
			t++
		}
	}
}
