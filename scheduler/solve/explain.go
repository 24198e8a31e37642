package solve

import (
	"slices"

	"tickover/scheduler/model"
)

// tracer records why an activity could not start earlier. It is set only for
// the last decode, the one that becomes the plan.
type tracer struct {
	on    bool
	notes []note
	why   [][]model.Cause
	room  []model.Cause // for more of them
	runs  []running
	// byWorker and byResource are who does and holds what, as it is placed.
	byWorker, byResource [][]int32
	// pinned says why a pinned start could not be kept.
	pinned model.Cause
}

// note is one reason for which a start moved: until is when it lifts, at the
// start that was tried.
type note struct {
	kind      noteKind
	x         int32
	until, at Time
	crew      *crew
	wait      bool
}

type noteKind uint8

const (
	noteShift noteKind = iota + 1
	noteWorker
	noteInside
	noteWindow
	noteJob
	noteNeed
)

func (d *decoder) note(kind noteKind, x int32, until, at Time) {
	if d.tr != nil && d.tr.on {
		d.tr.notes = append(d.tr.notes, note{kind: kind, x: x, until: until, at: at})
	}
}

func (d *decoder) noteShift(c *crew, until, at Time) {
	if d.tr != nil && d.tr.on {
		d.tr.notes = append(d.tr.notes, note{kind: noteShift, until: until, at: at, crew: c})
	}
}

func (d *decoder) mark() int {
	if d.tr == nil {
		return 0
	}
	return len(d.tr.notes)
}

func (d *decoder) reset(mark int) {
	if d.tr != nil {
		d.tr.notes = d.tr.notes[:mark]
	}
}

// noteWait turns what a later stretch waited for into a reason for the start.
func (d *decoder) noteWait(mark int, until Time) {
	if d.tr == nil || len(d.tr.notes) == mark {
		return
	}
	n := d.tr.notes[len(d.tr.notes)-1]
	n.wait, n.until = true, until
	d.tr.notes = append(d.tr.notes[:mark], n)
}

// Bounds on what is listed for one activity, and on the reasons looked at to
// find it: the latest limits are what count.
const (
	causesMax = 3
	notesMin  = 8
)

func newTracer(in *instance, runs []running) *tracer {
	return &tracer{why: make([][]model.Cause, len(in.acts)), runs: runs,
		byWorker: make([][]int32, len(in.workers)), byResource: make([][]int32, len(in.res))}
}

// keep notes the reasons of a.
func (t *tracer) keep(a int32, causes []model.Cause) {
	if len(t.room) < len(causes) {
		t.room = make([]model.Cause, max(len(causes), roomOnce))
	}
	t.why[a], t.room = carve(t.room, len(causes))
	t.why[a] = append(t.why[a], causes...)
}

// roomOnce is how many reasons are allocated at once.
const roomOnce = 256

// clear forgets what was placed.
func (t *tracer) clear() {
	for i := range t.byWorker {
		t.byWorker[i] = t.byWorker[i][:0]
	}
	for i := range t.byResource {
		t.byResource[i] = t.byResource[i][:0]
	}
}

// placed files an activity under its workers and resources.
func (t *tracer) placed(d *decoder, a int32, p *option, f *fitting) {
	for i := range p.needs {
		t.byResource[f.held[i]] = append(t.byResource[f.held[i]], a)
	}
	for i := range p.st {
		for _, w := range p.st[i].crews[f.crew[i]].workers {
			if n := len(t.byWorker[w]); n == 0 || t.byWorker[w][n-1] != a {
				t.byWorker[w] = append(t.byWorker[w], a)
			}
		}
	}
}

// ended files an activity under those who end it.
func (t *tracer) ended(d *decoder, o *opening, p *option) {
	if d.in.acts[o.a].begun() {
		d.sync(t.runs)
		return
	}
	for i := range p.st {
		for _, w := range p.st[i].crews[d.crew[d.in.stretchOff[o.a]+o.cut+int32(i)]].workers {
			t.byWorker[w] = append(t.byWorker[w], o.a)
		}
	}
}

// retrace is trace for a schedule that is in the layout already: activities are
// put where they are, in the order in which they got there, and nothing is
// looked for but the reasons. It says false where more than that order decides
// what came about, the ends of running activities for one; then the layout is
// of no use.
func (s *search) retrace() bool {
	d, g := s.d, &s.genome
	if !s.shown || g.after != nil || len(s.in.pins) > 0 || s.in.boosted != nil {
		return false
	}
	left := len(d.order)
	for i := range s.in.acts {
		if s.in.acts[i].begun() {
			continue
		}
		if left--; left < 0 || d.state[i] != placedState {
			return false
		}
	}
	if left != 0 {
		return false
	}
	var was layout
	was.see(&d.layout)
	d.tr = newTracer(s.in, s.runs)
	d.epoch++
	d.growing, d.puts, d.g = true, false, g
	defer func() { d.growing = false }()
	d.layout.set(&d.base)
	if !d.reopen(g) { // the schedule came about without the endings' floors
		return false
	}
	f := &d.top
	for _, a := range d.order {
		lim, _ := d.limits(a, g)
		k := int(was.opt[a])
		p := &s.in.acts[a].opts[k]
		start := forever
		if d.soonest[a] {
			start = was.start[a]
		}
		d.explain(a, k, &lim, start)
		f.read(&was, s.in, a, p)
		d.commit(a, k, f)
	}
	return !slices.ContainsFunc(s.runs, func(r running) bool {
		from := s.in.stretchOff[r.act]
		to := from + int32(len(r.st))
		return !slices.Equal(d.s[from:to], was.s[from:to]) || !slices.Equal(d.e[from:to], was.e[from:to]) || !slices.Equal(d.crew[from:to], was.crew[from:to])
	})
}

// watch fits a once more with the reasons noted. It looks at the time before
// the start, further and further back until there are some. The start is
// forever where it isn't known.
func (d *decoder) watch(a int32, p *option, lim *limits, start Time) bool {
	if start == forever && !d.fit(a, p, lim, forever) {
		d.tr.on, d.tr.notes = true, d.tr.notes[:0]
		fits := d.fit(a, p, lim, forever)
		d.tr.on = false
		return fits
	}
	if start == forever {
		start = d.cur.start
	}
	for back := Time(64); ; back *= 8 {
		late := *lim
		late.lo = max(lim.lo, start-back)
		d.tr.on, d.tr.notes = true, d.tr.notes[:0]
		fits := d.fit(a, p, &late, forever)
		d.tr.on = false
		if late.lo == lim.lo || len(d.tr.notes) >= notesMin {
			return fits
		}
	}
}

// explain finds what a waits for in the layout as it is before a is placed by
// option k, -1 when it can't be. Its earliest start without the genome's floors
// is given if it is known, else forever.
func (d *decoder) explain(a int32, k int, lim *limits, soonest Time) {
	act := &d.in.acts[a]
	free := *lim
	free.lo = d.loose
	p := &act.opts[max(k, 0)]
	fits := d.watch(a, p, &free, soonest)
	start := d.cur.start
	var few [causesMax + 1]model.Cause
	causes := few[:0]
	if fits && start < lim.lo {
		causes = append(causes, model.Cause{Kind: model.CauseKept, Constraint: model.C1, Until: lim.lo})
	}
	for i := len(d.tr.notes) - 1; i >= 0 && len(causes) < causesMax; i-- {
		if fits && d.tr.notes[i].until > start {
			continue // of a crew that it did not wait for
		}
		c := d.cause(a, p, &d.tr.notes[i])
		if !slices.ContainsFunc(causes, func(o model.Cause) bool { return same(&o, &c) }) {
			causes = append(causes, c)
		}
	}
	if len(causes) < causesMax && (len(causes) == 0 || free.lo > d.in.now) {
		causes = append(causes, d.causeOfLimit(a, &free))
	}
	if !fits {
		causes = slices.Insert(causes, 0, d.causeOfFailure(a, lim, causes))
	}
	d.tr.keep(a, causes)
}

func same(a, b *model.Cause) bool {
	return a.Kind == b.Kind && a.Activity == b.Activity && a.Resource == b.Resource && a.Worker == b.Worker && a.Calendar == b.Calendar
}

// causeOfLimit says what sets the earliest start.
func (d *decoder) causeOfLimit(a int32, lim *limits) model.Cause {
	act := &d.in.acts[a]
	c := model.Cause{Kind: model.CauseNow, Constraint: model.C1, Until: lim.lo}
	if lim.lo <= d.in.now {
		return c
	}
	if d.raise[a] == lim.lo {
		c.Kind, c.Constraint, c.Activity = model.CauseMaxLag, model.C2, d.in.acts[d.raiseBy[a]].id
		return c
	}
	for i := range act.before {
		l := &act.before[i]
		v := d.end[l.other]
		if l.fromStart {
			v = d.start[l.other]
		}
		if !l.toEnd && v+l.min == lim.lo {
			c.Kind, c.Constraint, c.Activity = model.CauseLag, model.C2, d.in.acts[l.other].id
			return c
		}
	}
	c.Kind = model.CauseRelease
	for i := range d.in.p.Holds {
		if h := &d.in.p.Holds[i]; h.Activity == act.id && h.Until == lim.lo {
			c.Kind, c.Constraint, c.Reason = model.CauseHold, model.C11, h.Reason
		}
	}
	return c
}

// causeOfFailure says what stops an activity that does not fit.
func (d *decoder) causeOfFailure(a int32, lim *limits, causes []model.Cause) model.Cause {
	act := &d.in.acts[a]
	if lim.hi < forever || lim.hiEnd < d.in.horizon {
		for i := range act.before {
			if l := &act.before[i]; l.max < forever {
				return model.Cause{Kind: model.CauseMaxLag, Constraint: model.C2, Activity: d.in.acts[l.other].id}
			}
		}
	}
	if lim.lo+act.minimum > d.in.horizon {
		return model.Cause{Kind: model.CauseHorizon, Constraint: model.C1, Until: d.in.horizon}
	}
	if len(causes) > 0 && causes[0].Kind != model.CauseNow && causes[0].Kind != model.CauseRelease {
		c := causes[0]
		c.Until = min(c.Until, d.in.horizon)
		return c
	}
	return model.Cause{Kind: model.CauseHorizon, Constraint: model.C1, Until: d.in.horizon}
}

// cause turns a note into the model's words.
func (d *decoder) cause(a int32, p *option, n *note) model.Cause {
	act := &d.in.acts[a]
	c := model.Cause{Until: n.until}
	switch n.kind {
	case noteJob:
		c.Kind, c.Constraint, c.Activity = model.CauseJobBusy, model.C13, d.in.acts[n.x].id
	case noteWorker:
		c.Kind, c.Constraint, c.Worker = model.CauseWorker, model.C5, d.in.workers[n.x].id
		c.Activity = d.busyWith(n.x, n.at, n.until)
	case noteShift:
		d.causeOfShift(&c, p, n)
	case noteInside:
		c.Kind, c.Constraint = model.CauseCalendar, model.C9
		for _, s := range act.src.Modes[p.mode].Stretches {
			if s.Inside != "" {
				c.Calendar = s.Inside
			}
		}
	case noteWindow:
		c.Kind, c.Constraint, c.Calendar = model.CauseCalendar, model.C9, act.src.Inside
		h := d.in.outline.calendars[act.src.Inside]
		if h == nil || act.src.Presence && held1(h, n.until-1, n.until) {
			c.Kind, c.Calendar = model.CausePresence, ""
		}
	case noteNeed:
		d.causeOfNeed(&c, p, n)
	}
	if n.wait {
		c.Kind, c.Constraint = model.CauseWait, model.C3
	}
	return c
}

func (d *decoder) causeOfShift(c *model.Cause, p *option, n *note) {
	c.Kind, c.Constraint = model.CauseShift, model.C5
	for _, w := range n.crew.workers {
		if h := d.in.workers[w].open; h != nil && !held1(h, n.at, n.at+1) {
			c.Worker = d.in.workers[w].id
			return
		}
	}
	for i := range p.needs {
		for _, r := range p.needs[i].cand {
			if h := d.in.res[r].open; h != nil && !held1(h, n.at, n.at+1) {
				c.Kind, c.Constraint, c.Resource = model.CauseClosed, model.C8, d.in.res[r].id
				return
			}
		}
	}
	if len(n.crew.workers) > 0 {
		c.Worker = d.in.workers[n.crew.workers[0]].id
	}
}

func (d *decoder) causeOfNeed(c *model.Cause, p *option, n *note) {
	need := &p.needs[n.x]
	best := int32(-1)
	until := forever + 1
	for _, r := range need.cand {
		if u := d.until(need, r, n.at, n.at+max(p.minimum, 1)); u < until {
			best, until = r, u
		}
	}
	r := &d.in.res[best]
	c.Resource = r.id
	if r.src.Consumable {
		c.Kind, c.Constraint = model.CauseStock, model.C4
		return
	}
	last := min(n.until, d.in.horizon) - 1 // the tick before it frees
	for _, cl := range r.src.Closures {
		if cl.Start <= last && last < cl.End {
			c.Kind, c.Constraint, c.Reason = model.CauseClosure, model.C12, cl.Reason
			return
		}
	}
	if r.src.Within && r.src.Open != nil && !held1(newHours(r.src.Open), last, last+1) {
		c.Kind, c.Constraint = model.CauseClosed, model.C8
		return
	}
	c.Kind, c.Constraint, c.Activity = model.CauseResource, model.C4, d.holderOf(best, n.at, last)
}

// holderOf is an activity that holds r between two times, the last to end.
func (d *decoder) holderOf(r int32, from, to Time) model.ActivityID {
	best := int32(-1)
	look := func(a int32) {
		if d.start[a] <= to && d.end[a] > from && (best < 0 || d.end[a] > d.end[best]) {
			best = a
		}
	}
	for i := range d.tr.runs {
		if run := &d.tr.runs[i]; slices.Contains(d.in.acts[run.act].src.Progress.Held, d.in.res[r].id) {
			look(run.act)
		}
	}
	for _, a := range d.tr.byResource[r] {
		look(a)
	}
	if best < 0 {
		return ""
	}
	return d.in.acts[best].id
}

// busyWith is what keeps worker w between two times, the last to end.
func (d *decoder) busyWith(w int32, from, to Time) model.ActivityID {
	best, end := int32(-1), -forever
	for i := range d.tr.runs {
		run := &d.tr.runs[i]
		for _, s := range run.st {
			if s.Start < to && s.End > from && s.End > end && slices.Contains(s.Workers, d.in.workers[w].id) {
				best, end = run.act, s.End
			}
		}
	}
	for _, a := range d.tr.byWorker[w] {
		if d.start[a] >= to || d.end[a] <= from || d.end[a] <= end {
			continue
		}
		p, off := &d.in.acts[a].opts[d.opt[a]], d.in.stretchOff[a]
		for i := range p.st {
			o := off + int32(i)
			if p.st[i].handsOn && d.s[o] < to && d.e[o] > from && d.e[o] > end && contains(p.st[i].crews[d.crew[o]].workers, w) {
				best, end = a, d.e[o]
			}
		}
	}
	if best < 0 {
		return ""
	}
	return d.in.acts[best].id
}

// explainPin says what is in the way of pin k at its start.
func (d *decoder) explainPin(k int) {
	n := &d.in.pins[k]
	a := &d.in.acts[n.act]
	t := n.src.Start
	switch {
	case a.held != nil:
		d.tr.pinned = model.Cause{Kind: model.CauseHold, Constraint: model.C11, Reason: a.held.Reason, Until: model.Unlimited}
		return
	case a.latest != t:
		d.tr.pinned = model.Cause{Kind: model.CausePin, Constraint: model.C11, Activity: a.id, Until: a.latest}
		return
	case t < d.in.now:
		d.tr.pinned = model.Cause{Kind: model.CauseNow, Constraint: model.C1, Until: d.in.now}
		return
	case t < a.release:
		d.tr.pinned = model.Cause{Kind: model.CauseRelease, Constraint: model.C1, Until: a.release}
		return
	case len(a.opts) == 0:
		d.tr.pinned = a.missing
		return
	}
	for i := range a.before {
		l := &a.before[i]
		if d.state[l.other] == placedState && !l.fromStart && !l.toEnd && d.end[l.other]+l.min > t {
			d.tr.pinned = model.Cause{Kind: model.CauseLag, Constraint: model.C2, Activity: d.in.acts[l.other].id, Until: d.end[l.other] + l.min}
			return
		}
	}
	lim := limits{lo: t, hi: forever, loEnd: -forever, hiEnd: d.in.horizon}
	d.tr.on, d.tr.notes = true, d.tr.notes[:0]
	d.fit(n.act, &a.opts[0], &lim, forever)
	d.tr.on = false
	d.tr.pinned = model.Cause{Kind: model.CauseHorizon, Constraint: model.C1, Until: d.in.horizon}
	if len(d.tr.notes) > 0 {
		d.tr.pinned = d.cause(n.act, &a.opts[0], &d.tr.notes[0])
	}
}
