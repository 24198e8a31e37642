package week

import (
	"context"
	"fmt"
	"slices"

	"tickover/scheduler/model"
)

// status of a step.
type status int

const (
	todo status = iota
	running
	done
)

// progress is how far a step is.
type progress struct {
	status status
	// stretch is the one that runs, or, when waits, the next one.
	stretch int
	waits   bool
	// times are those of the stretches begun; the running one's End is the
	// true one, which nobody but the floor looks at.
	times []model.StretchTime
	held  []int
	// owner does the hands-on stretch, or did the last one.
	owner int
}

// floor is a shop as its week goes by. It lets nothing be begun that could
// break a rule.
type floor struct {
	w   *Week
	now Time
	// watches says that whoever starts a flash stays until it is signed off.
	watches bool

	state []progress
	runs  []int // activities that run, in the order of their start
	busy  []int // by worker: the activity, -1 for none
	taken []int64
	// known and actual are the workers' hours without the absences announced,
	// and without all.
	known, actual [][]model.Interval
	heard         []bool // by surprise
	arrived       int
	live          []int  // jobs that are there and not done, as they came
	undone        []int  // by job: activities not done
	left          int    // activities not done
	next          int    // of moments
	later         []Time // moments at which a lag is over
	// news says that something happened that no plan could foresee.
	news bool
	// ended, if set, is told of each activity that is done.
	ended func(a int)
}

// way decides what is begun.
type way interface {
	name() string
	// watches says that the technician stays through the hands-off time.
	watches() bool
	// decide begins what is to be begun now. It returns when it wants to
	// decide again at the latest, 0 for when something happens.
	decide(ctx context.Context, f *floor) (Time, error)
}

func newFloor(w *Week, watches bool) *floor {
	f := &floor{
		w: w, watches: watches, now: -1,
		state: make([]progress, len(w.acts)), busy: make([]int, len(w.work)), taken: make([]int64, len(w.shop.Resources)),
		known: slices.Clone(w.work), actual: slices.Clone(w.work), heard: make([]bool, len(w.surprises)), left: len(w.acts),
	}
	for _, list := range w.jobs {
		f.undone = append(f.undone, len(list))
	}
	for i := range f.busy {
		f.busy[i] = -1
	}
	for _, x := range w.surprises {
		if x.worker >= 0 {
			f.actual[x.worker] = without(f.actual[x.worker], x.Interval)
		}
	}
	return f
}

// momentsMax bounds the moments of a run for each activity.
const momentsMax = 2000

// run lets the week go by until all is done.
func (f *floor) run(ctx context.Context, y way) error {
	wake := Time(0)
	for n := 0; f.left > 0; n++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		t := f.nextMoment(wake)
		if t >= f.w.shop.Horizon || n > momentsMax*len(f.w.acts) {
			return fmt.Errorf("week %d of seed %d, %s: %d of %d steps are not done by minute %d", f.w.Number, f.w.Seed, y.name(), f.left, len(f.w.acts), f.now)
		}
		f.now = t
		f.hear()
		f.pass()
		var err error
		if wake, err = y.decide(ctx, f); err != nil {
			return err
		}
	}
	return nil
}

func (f *floor) nextMoment(wake Time) Time {
	t := model.Unlimited
	for f.next < len(f.w.moments) && f.w.moments[f.next] <= f.now {
		f.next++
	}
	if f.next < len(f.w.moments) {
		t = f.w.moments[f.next]
	}
	f.later = slices.DeleteFunc(f.later, func(x Time) bool { return x <= f.now })
	for _, x := range f.later {
		t = min(t, x)
	}
	for _, a := range f.runs {
		if s := &f.state[a]; !s.waits {
			t = min(t, s.times[s.stretch].End)
		}
	}
	if wake > f.now {
		t = min(t, wake)
	}
	return t
}

// hear takes arrivals and announcements in.
func (f *floor) hear() {
	for f.arrived < len(f.w.comes) && f.w.shop.Jobs[f.w.comes[f.arrived]].Release <= f.now {
		f.live = append(f.live, f.w.comes[f.arrived])
		f.arrived++
		f.news = true
	}
	for i, x := range f.w.surprises {
		if f.heard[i] || x.known > f.now {
			continue
		}
		f.heard[i], f.news = true, true
		if x.worker >= 0 {
			f.known[x.worker] = without(f.known[x.worker], x.Interval)
		}
	}
}

// pass ends what ends now: hands-on stretches first, so that whoever is
// expected elsewhere is free to go there.
func (f *floor) pass() {
	for _, handsOn := range []bool{true, false} {
		for _, a := range slices.Clone(f.runs) {
			s := &f.state[a]
			if !s.waits && s.times[s.stretch].End == f.now && (f.w.acts[a].stretch[s.stretch].Workers > 0) == handsOn {
				f.ends(a)
			}
		}
	}
	for _, a := range slices.Clone(f.runs) { // whoever stood by signs off
		if s := &f.state[a]; s.waits && f.busy[s.owner] == a && f.roomFor(a, s.owner) {
			f.work(a, s.owner)
		}
	}
}

// ends ends the running stretch and begins what follows by itself.
func (f *floor) ends(a int) {
	s, act := &f.state[a], &f.w.acts[a]
	stays := f.staysBy(a)
	if act.stretch[s.stretch].Workers > 0 && !stays {
		f.busy[s.owner] = -1
	}
	wait := act.stretch[s.stretch].MaxWait
	s.stretch++
	switch {
	case s.stretch == len(act.stretch):
		f.finish(a)
	case act.stretch[s.stretch].Workers == 0:
		s.times = append(s.times, model.StretchTime{Start: f.now, End: f.now + act.actual[s.stretch]})
	case wait == 0:
		f.work(a, s.owner)
	default:
		s.waits = true
	}
}

// staysBy says that the technician of a running step stays through the
// hands-off time that is left.
func (f *floor) staysBy(a int) bool {
	s, act := &f.state[a], &f.w.acts[a]
	return f.watches && act.src.Presence && slices.ContainsFunc(act.stretch[s.stretch:], func(st model.Stretch) bool { return st.Workers == 0 })
}

func (f *floor) finish(a int) {
	s := &f.state[a]
	s.status = done
	f.left--
	for _, r := range s.held {
		f.taken[r]--
	}
	f.runs = slices.DeleteFunc(f.runs, func(b int) bool { return a == b })
	j := f.w.acts[a].job
	for _, b := range f.w.jobs[j] {
		for _, x := range f.w.acts[b].before {
			if x.act == a && x.min > 0 {
				f.later = append(f.later, f.now+x.min)
			}
		}
	}
	if f.undone[j]--; f.undone[j] == 0 {
		f.live = slices.DeleteFunc(f.live, func(k int) bool { return k == j })
	}
	if f.ended != nil {
		f.ended(a)
	}
}

// work lets a worker begin the next stretch, which is hands-on.
func (f *floor) work(a, w int) {
	s, act := &f.state[a], &f.w.acts[a]
	if f.busy[s.owner] == a { // whoever stood by is relieved
		f.busy[s.owner] = -1
	}
	s.waits, s.owner = false, w
	f.busy[w] = a
	t := model.StretchTime{Start: f.now, End: f.now + act.actual[s.stretch], Workers: f.w.crews[w]}
	if act.stretch[s.stretch].Splittable {
		if parts := walk(f.actual[w], f.now, act.actual[s.stretch]); len(parts) > 1 {
			t.Parts, t.End = parts, parts[len(parts)-1].End
		}
	}
	s.times = append(s.times, t)
}

// start begins a step that mayStart.
func (f *floor) start(a, w int, held []int) {
	s := &f.state[a]
	s.status, s.held = running, held
	for _, r := range held {
		f.taken[r]++
	}
	f.runs = append(f.runs, a)
	f.work(a, w)
}

// ready says that a step has come up: its unit and parts are there, what comes
// before it is done, and the unit is nowhere else.
func (f *floor) ready(a int) bool {
	act := &f.w.acts[a]
	if f.state[a].status != todo || act.release > f.now || f.w.shop.Jobs[act.job].Release > f.now {
		return false
	}
	for _, b := range act.before {
		if s := &f.state[b.act]; s.status != done || b.min > 0 && s.times[len(s.times)-1].End+b.min > f.now {
			return false
		}
	}
	for _, b := range act.apart {
		if f.state[b].status == running {
			return false
		}
	}
	return true
}

// free says that a worker has the skills and nothing in his hands.
func (f *floor) free(a, w int) bool { return f.busy[w] < 0 && slices.Contains(f.w.acts[a].able, w) }

// open says that a resource is free, and neither down nor shut.
func (f *floor) spare(r int) bool {
	res := &f.w.shop.Resources[r]
	return f.taken[r] < res.Capacity && (!res.Within || openUntil(res.Open, f.now) > f.now) && f.closes(r) > f.now
}

// closes is when a resource goes down by what is known, at the earliest now.
func (f *floor) closes(r int) Time {
	t := model.Unlimited
	for i, x := range f.w.surprises {
		if f.heard[i] && x.resource == r && x.End > f.now {
			t = min(t, max(x.Start, f.now))
		}
	}
	return t
}

// mayContinue says that a worker who is free may begin the next stretch of a
// step that waits for somebody.
func (f *floor) mayContinue(a, w int) bool {
	s := &f.state[a]
	return s.waits && f.free(a, w) && (f.w.acts[a].src.Handover || s.owner == w) && f.roomFor(a, w)
}

// roomFor says that the worker has time for the next stretch of a, whatever
// else he is expected back for.
func (f *floor) roomFor(a, w int) bool {
	e := f.handsOnUntil(w, &f.w.acts[a], f.state[a].stretch)
	return e > f.now && f.keepsDuties(w, e, f.dutiesOf(w, a))
}

// handsOnUntil is when a hands-on stretch begun now is over for sure; now if
// the worker has no time for it.
func (f *floor) handsOnUntil(w int, act *act, k int) Time {
	until := openUntil(f.known[w], f.now)
	d := act.worst[k]
	switch {
	case until <= f.now:
		return f.now
	case f.now+d <= until:
		return f.now + d
	case act.stretch[k].Splittable:
		if parts := walk(f.known[w], f.now, d); parts != nil {
			return parts[len(parts)-1].End
		}
	}
	return f.now
}

// mayStart says that the step, which is ready, may be begun by the worker on
// these resources, all free: it ends in time even if it takes as long as ever,
// and nobody is missed elsewhere. Otherwise it says when to look again.
func (f *floor) mayStart(a, w int, held []int) (bool, Time) {
	act := &f.w.acts[a]
	e := f.handsOnUntil(w, act, 0)
	if e <= f.now {
		return false, max(f.now+1, openUntil(f.known[w], f.now))
	}
	duties := f.dutiesOf(w, -1)
	if !f.watches && !f.keepsDuties(w, e, duties) {
		return false, f.relieved(w)
	}
	end, d, ok := f.unfold(a, w, e)
	if !ok {
		return false, max(f.now+1, openUntil(f.known[w], f.now))
	}
	if act.src.Inside != "" && end > openUntil(f.w.open, f.now) {
		return false, max(f.now+1, openUntil(f.w.open, f.now))
	}
	if act.src.Presence && end > f.shiftEnd(w) {
		return false, max(f.now+1, f.shiftEnd(w))
	}
	for _, r := range held {
		limit := f.closes(r)
		if res := &f.w.shop.Resources[r]; res.Within {
			limit = min(limit, openUntil(res.Open, f.now))
		}
		if end > limit {
			return false, max(f.now+1, limit)
		}
	}
	if d.exact && slices.ContainsFunc(duties, func(o duty) bool { return o.exact }) {
		return false, f.relieved(w) // how long before the first is over is not known
	}
	if d.step >= 0 && !f.keepsDuties(w, e, append(duties, d)) {
		return false, f.relieved(w)
	}
	return true, 0
}

// relieved is when what the worker answers for is over if it takes as long as
// ever, at the earliest in a minute.
func (f *floor) relieved(w int) Time {
	t := f.now
	for _, d := range slices.SortedStableFunc(slices.Values(f.dutiesOf(w, -1)), byReady) {
		t = max(t, d.ready) + d.takes
	}
	return max(f.now+1, t)
}

// unfold lays a step out that takes as long as ever, its first stretch ending
// at e: its end, and what the worker is then expected back for.
func (f *floor) unfold(a, w int, e Time) (end Time, d duty, ok bool) {
	act := &f.w.acts[a]
	d.step = -1
	for k := 1; k < len(act.stretch); k++ {
		st := &act.stretch[k]
		need := act.worst[k]
		if st.Workers == 0 {
			e += need
			if st.Inside != "" && e > openUntil(f.w.open, f.now) {
				return 0, d, false
			}
			continue
		}
		s := e
		if wait := act.stretch[k-1].MaxWait; wait == 0 {
			// The same hours hold from the start to the end.
			if e+need > openUntil(f.known[w], f.now) {
				return 0, d, false
			}
			d = duty{step: a, ready: e, exact: true, takes: need}
		} else if act.src.Presence {
			if s = room(f.known[w], e, need); s >= model.Unlimited {
				return 0, d, false
			}
			d = duty{step: a, ready: e, takes: need, until: min(openUntil(f.w.open, f.now), f.shiftEnd(w))}
		}
		e = s + need
	}
	return e, d, true
}

// shiftEnd is when the shift ends that a worker is in.
func (f *floor) shiftEnd(w int) Time { return openUntil(f.w.shop.Workers[w].Shifts, f.now) }

// duty is a hands-off time that a worker is to be back after: at once when
// exact, else so that what is left is done before until.
type duty struct {
	step         int
	ready, takes Time
	exact        bool
	until        Time
}

// dutiesOf lists what the worker answers for, but for one step, by the time it
// is ready.
func (f *floor) dutiesOf(w, but int) []duty {
	var out []duty
	for _, a := range f.runs {
		s, act := &f.state[a], &f.w.acts[a]
		if a == but || s.owner != w || f.busy[w] == a || !act.src.Presence || s.stretch >= len(act.stretch) {
			continue
		}
		d := duty{step: a, ready: f.now, until: min(openUntil(f.w.open, f.now), f.shiftEnd(w))}
		k := s.stretch
		if !s.waits { // in hands-off time
			start := s.times[k].Start
			d.exact = act.stretch[k].MaxWait == 0
			d.ready = max(f.now, start+act.worst[k])
			k++
		}
		d.takes = act.worst[k]
		out = append(out, d)
	}
	return out
}

func byReady(a, b duty) int { return int(a.ready - b.ready) }

// keepsDuties says that the worker, busy until t, can be where he is expected.
func (f *floor) keepsDuties(w int, t Time, duties []duty) bool {
	slices.SortStableFunc(duties, byReady)
	for _, d := range duties {
		s := room(f.known[w], max(t, d.ready), d.takes)
		if d.exact && s > d.ready || !d.exact && s+d.takes > d.until {
			return false
		}
		t = s + d.takes
	}
	return true
}
