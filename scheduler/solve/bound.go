package solve

import "tickover/scheduler/model"

// lowers are lower limits on when things finish.
type lowers struct {
	// finish of each job: each activity as early as release, lags, calendars
	// and facts allow with every resource and worker to itself (a critical
	// path over calendars).
	finish []Time
	// last is one on the last finish of a plan that places everything, beyond
	// those of finish; only when the makespan counts.
	last Time
	// more is by how much Σ weight·finish exceeds that of finish; only when
	// flow counts.
	more int64
}

func (in *instance) lowers(d *decoder) *lowers {
	lone := newDecoder(in)
	lone.lone, lone.g = true, &genome{}
	lone.layout.set(&d.base)
	lone.endAlone()
	start, end := make([]Time, len(in.acts)), make([]Time, len(in.acts))
	for _, a := range in.forwards() {
		start[a], end[a] = lone.alone(a, start, end)
	}
	out := &lowers{finish: make([]Time, len(in.jobs)), last: in.now}
	for i := range in.jobs {
		j := &in.jobs[i]
		out.finish[i] = j.src.Release
		for k, a := range j.acts {
			if k == 0 {
				out.finish[i] = end[a]
			}
			out.finish[i] = max(out.finish[i], end[a])
		}
	}
	if in.p.Weights.Flow > 0 && len(in.workers) > 0 {
		out.more = in.crowded(d, out, start)
	}
	if in.p.Weights.Makespan > 0 {
		out.last = in.lastByMachines(d, start)
	}
	return out
}

// endAlone gives the running activities that are open their least end.
func (d *decoder) endAlone() {
	for i := range d.open {
		o := &d.open[i]
		if d.fitEnding(o, d.in.acts[o.a].ending) {
			d.end[o.a] = d.cur.e[0]
		}
		d.eachHeld(o.a, func(r int32, amount int64) { d.res[r].take(d.end[o.a], o.hi, -amount) })
	}
	d.open = d.open[:0]
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
// placed: every job at its earliest finish, nothing moved, and the last finish
// no earlier than its resources allow.
func (in *instance) bound(d *decoder, low *lowers) model.Cost {
	var c model.Cost
	w := &in.p.Weights
	latest, all := in.now, true
	for i, f := range low.finish {
		j := &in.jobs[i]
		finish, placed := d.finishOf(j)
		if placed {
			finish = min(finish, f)
		}
		all = all && placed
		latest = max(latest, finish)
		if j.src.Due != model.Unlimited && finish > j.src.Due {
			c += w.Tardiness * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Due)
		}
		c += w.Flow * model.Cost(j.src.Weight) * model.Cost(finish-j.src.Release)
	}
	if all {
		c += w.Flow * model.Cost(low.more)
		latest = max(latest, min(low.last, in.horizon))
	}
	return c + w.Makespan*model.Cost(latest-in.now)
}
