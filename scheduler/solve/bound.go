package solve

import "tickover/scheduler/model"

// earliestFinishes are lower limits on the jobs' finishes: each activity as
// early as release, lags, calendars and facts allow with every resource and
// worker to itself (a critical path over calendars).
func (in *instance) earliestFinishes(d *decoder) []Time {
	lone := newDecoder(in)
	lone.lone, lone.g = true, &genome{}
	lone.layout.set(&d.base)
	start, end := make([]Time, len(in.acts)), make([]Time, len(in.acts))
	for _, a := range in.forwards() {
		start[a], end[a] = lone.alone(a, start, end)
	}
	out := make([]Time, len(in.jobs))
	for i := range in.jobs {
		j := &in.jobs[i]
		out[i] = j.src.Release
		for k, a := range j.acts {
			if k == 0 {
				out[i] = end[a]
			}
			out[i] = max(out[i], end[a])
		}
	}
	return out
}

// alone is the least start and the least end of a, independently of each
// other.
func (d *decoder) alone(a int32, start, end []Time) (Time, Time) {
	act := &d.in.acts[a]
	if act.begun() {
		return d.start[a], d.end[a]
	}
	lim := limits{lo: act.release, hi: forever, loEnd: -forever, hiEnd: forever}
	for i := range act.before {
		l := &act.before[i]
		v := end[l.other]
		if l.fromStart {
			v = start[l.other]
		}
		if l.toEnd {
			lim.loEnd = max(lim.loEnd, v+l.min)
		} else {
			lim.lo = max(lim.lo, v+l.min)
		}
	}
	s, e := forever, forever
	for k := range act.opts {
		if d.fit(a, &act.opts[k], &lim, forever-1) {
			s, e = min(s, d.cur.start), min(e, d.cur.end)
		}
	}
	if e == forever { // no place at all: it counts as the horizon
		return lim.lo, max(d.in.horizon, lim.lo)
	}
	return s, e
}

// bound is a lower limit on the objective of any plan that places what d has
// placed: every job at its earliest finish, nothing moved.
func (in *instance) bound(d *decoder, earliest []Time) model.Cost {
	var c model.Cost
	w := &in.p.Weights
	latest := in.now
	for i, f := range earliest {
		j := &in.jobs[i]
		finish, placed := d.finishOf(j)
		if placed {
			finish = min(finish, f)
		}
		latest = max(latest, finish)
		if j.src.Due != model.Unlimited && finish > j.src.Due {
			c += w.Tardiness * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Due)
		}
		c += w.Flow * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Release)
	}
	return c + w.Makespan*model.Cost(latest-in.now)
}
