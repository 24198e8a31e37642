package solve

import (
	"cmp"
	"slices"
	"strings"

	"tickover/scheduler/model"
)

// instance is a problem compiled for decoding: everything sorted by id, ids
// replaced by indices, calendars interned, the ways to do an activity spelled
// out as options.
type instance struct {
	p            *model.Problem
	now, horizon Time
	acts         []act
	jobs         []job
	res          []resource
	workers      []worker
	spans        []span
	present      *hours // somebody on shift; nil for always

	actOf    map[model.ActivityID]int32
	resOf    map[model.ResourceID]int32
	workerOf map[model.WorkerID]int32

	pins    []pin
	outline *outliner
	// boosted activities are decoded first; nil for none.
	boosted []bool

	// classes is the number of classes of options; see frontier.
	classes int

	needsMax, stretchesMax int
	// needOff and stretchOff are where an activity's needs and stretches lie
	// in the decoder's flat arrays.
	needOff, stretchOff []int32
}

// act is one activity that is not begun, or a fact.
type act struct {
	id  model.ActivityID
	src *model.Activity
	job int32
	// release is the latest of now, job, parts and hold.
	release Time
	// latest is where a pin keeps the start; forever without.
	latest Time
	held   *model.Hold // set for a hold without end
	// ending is what of a running activity may be put off; nil for none.
	ending *option
	// shelved activities stay unplaced for want of room to wait.
	shelved bool
	window  *hours // Inside ∩ presence; nil for always
	opts    []option
	// missing says why there are no options.
	missing model.Cause
	before  []lag // lags to it; other is From
	after   []lag // lags from it; other is To
	// peers are the activities of its OnePlace job that it must not overlap.
	peers []int32
	prev  *previous
	// pins are the indices of those that name it.
	pins []int32
	// minimum is the least duration over its options, tail the longest path of
	// minima to an end, both without calendars.
	minimum, tail Time
}

// begun says that it runs or is done.
func (a *act) begun() bool { return a.src.Progress != nil }

func (a *act) done() bool { return a.src.Progress != nil && a.src.Progress.Done }

type lag struct {
	other            int32
	min, max         Time // max is forever when not limited
	fromStart, toEnd bool
}

type previous struct {
	start    Time
	st       []model.StretchTime
	held     []int32
	crew     []int32
	accepted bool
	near     bool // counts as a move
}

// option is one mode with one choice of crew and of resource calendars.
type option struct {
	mode    int
	needs   []need
	st      []stretch
	minimum Time
	crew    []int32 // everybody in it, sorted
	rigid   int     // stretches before this one follow the first at fixed offsets
	plain   bool    // one unattended stretch, no calendar
	spread  int64   // how many activities could use what it binds: less is scarcer
	window  *hours  // of its activity
	class   int32   // see frontier; -1 for none
	given   bool    // each need is of one renewable resource
	ending  *option // what may be put off; nil for nothing
}

type need struct {
	amount int64
	span   int32 // -1 for none
	cand   []int32
}

type stretch struct {
	d       Time
	split   bool
	handsOn bool
	maxWait Time
	inside  *hours
	// crews are the alternatives: one unless handover is allowed. Hands-off
	// stretches have one with no workers, for the resources' calendars.
	crews []crew
}

type crew struct {
	workers []int32
	open    *hours
	own     bool // one worker, whose shifts are open
}

type job struct {
	id       model.JobID
	src      *model.Job
	acts     []int32
	onePlace bool
}

type resource struct {
	id   model.ResourceID
	src  *model.Resource
	base profile
	// open is the calendar at which work pauses; nil for always. Of a Within
	// resource the closed times are in base instead.
	open *hours
	// demand is the number of activities that could hold it.
	demand int64
}

type worker struct {
	id     model.WorkerID
	src    *model.Worker
	base   profile // 1 on shift
	open   *hours
	demand int64
}

// pin is a wish that stands until it is dropped, with the reason.
type pin struct {
	src     *model.Pin
	act     int32
	dropped bool
	why     model.Cause
}

type span struct {
	id      model.SpanID
	need    need
	members int32
}

// Bounds on spelling out options: beyond them the first by id are kept.
const (
	optionsMax = 96
	crewsMax   = 64
)

func compile(p *model.Problem) *instance {
	in := &instance{
		p: p, now: p.Now, horizon: p.Horizon,
		actOf:    make(map[model.ActivityID]int32, len(p.Activities)),
		resOf:    make(map[model.ResourceID]int32, len(p.Resources)),
		workerOf: make(map[model.WorkerID]int32, len(p.Workers)),
	}
	in.compileResources()
	in.compileWorkers()
	jobOf := in.compileJobs()
	in.compileActivities(jobOf)
	in.compileLags()
	in.compilePeers()
	in.compileWishes()
	in.compileOptions()
	in.measure()
	return in
}

// sortedPointers points at the elements of list in the order of their ids.
func sortedPointers[T any, K cmp.Ordered](list []T, id func(*T) K) []*T {
	out := make([]*T, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	slices.SortFunc(out, func(a, b *T) int { return cmp.Compare(id(a), id(b)) })
	return out
}

func (in *instance) compileResources() {
	for i, r := range sortedPointers(in.p.Resources, func(r *model.Resource) model.ResourceID { return r.ID }) {
		in.resOf[r.ID] = int32(i)
		c := resource{id: r.ID, src: r, base: newProfile(r.Capacity)}
		if r.Open != nil {
			open := newHours(r.Open)
			if r.Within {
				c.base = open.profile(r.Capacity)
			} else {
				c.open = open
			}
		}
		var down [][]model.Interval
		for _, cl := range r.Closures {
			down = append(down, []model.Interval{cl.Interval})
		}
		for _, iv := range union(down...).iv {
			c.base.take(iv.Start, iv.End, r.Capacity)
		}
		in.res = append(in.res, c)
	}
}

func (in *instance) compileWorkers() {
	lists := make([][]model.Interval, 0, len(in.p.Workers))
	always := false
	for i, w := range sortedPointers(in.p.Workers, func(w *model.Worker) model.WorkerID { return w.ID }) {
		in.workerOf[w.ID] = int32(i)
		c := worker{id: w.ID, src: w}
		if w.Shifts != nil {
			c.open = newHours(w.Shifts)
			lists = append(lists, w.Shifts)
		} else {
			always = true
		}
		c.open = without(c.open, w.Breaks)
		c.base = newProfile(1)
		if c.open != nil {
			c.base = c.open.profile(1)
		}
		in.workers = append(in.workers, c)
	}
	if !always {
		in.present = union(lists...)
	}
}

func (in *instance) compileJobs() map[model.JobID]int32 {
	jobOf := make(map[model.JobID]int32, len(in.p.Jobs))
	for i, j := range sortedPointers(in.p.Jobs, func(j *model.Job) model.JobID { return j.ID }) {
		jobOf[j.ID] = int32(i)
		in.jobs = append(in.jobs, job{id: j.ID, src: j, onePlace: j.OnePlace})
	}
	return jobOf
}

func (in *instance) compileActivities(jobOf map[model.JobID]int32) {
	calendars := map[model.CalendarID]*hours{}
	for i := range in.p.Calendars {
		calendars[in.p.Calendars[i].ID] = newHours(in.p.Calendars[i].Open)
	}
	windows := map[model.CalendarID]*hours{} // with presence
	in.acts = make([]act, len(in.p.Activities))
	for i, a := range sortedPointers(in.p.Activities, func(a *model.Activity) model.ActivityID { return a.ID }) {
		j := jobOf[a.Job]
		in.actOf[a.ID] = int32(i)
		in.jobs[j].acts = append(in.jobs[j].acts, int32(i))
		c := act{id: a.ID, src: a, job: j, latest: forever, release: max(in.now, in.jobs[j].src.Release, a.Release)}
		c.window = calendars[a.Inside]
		if a.Presence {
			w, ok := windows[a.Inside]
			if !ok {
				w = both(c.window, in.present)
				windows[a.Inside] = w
			}
			c.window = w
		}
		in.acts[i] = c
	}
	for _, s := range sortedPointers(in.p.Spans, func(s *model.Span) model.SpanID { return s.ID }) {
		in.spans = append(in.spans, span{id: s.ID})
	}
}

func (in *instance) compileLags() {
	counts := make([][2]int32, len(in.acts)) // before, after
	ends := make([][2]int32, len(in.p.Lags))
	for i := range in.p.Lags {
		from, to := in.actOf[in.p.Lags[i].From], in.actOf[in.p.Lags[i].To]
		ends[i] = [2]int32{from, to}
		counts[to][0]++
		counts[from][1]++
	}
	room := make([]lag, 2*len(in.p.Lags))
	for i := range in.acts {
		in.acts[i].before, room = carve(room, int(counts[i][0]))
		in.acts[i].after, room = carve(room, int(counts[i][1]))
	}
	for i := range in.p.Lags {
		l := &in.p.Lags[i]
		from, to := ends[i][0], ends[i][1]
		c := lag{min: l.Min, max: forever, fromStart: l.FromPoint == model.Start, toEnd: l.ToEnd}
		if l.Limited {
			c.max = l.Max
		}
		c.other = to
		in.acts[from].after = append(in.acts[from].after, c)
		c.other = from
		in.acts[to].before = append(in.acts[to].before, c)
	}
	byOther := func(a, b lag) int {
		return cmp.Or(cmp.Compare(a.other, b.other), cmp.Compare(a.min, b.min), cmp.Compare(a.max, b.max),
			compareBool(a.fromStart, b.fromStart), compareBool(a.toEnd, b.toEnd))
	}
	for i := range in.acts {
		slices.SortFunc(in.acts[i].before, byOther)
		slices.SortFunc(in.acts[i].after, byOther)
	}
}

// carve is an empty slice with room for n, taken off the front of room, and
// what is left.
func carve[T any](room []T, n int) ([]T, []T) { return room[:0:n], room[n:] }

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

func (in *instance) compilePeers() {
	parallel := make(map[[2]int32]bool, len(in.p.Parallel))
	for _, q := range in.p.Parallel {
		a, b := in.actOf[q.A], in.actOf[q.B]
		parallel[[2]int32{a, b}], parallel[[2]int32{b, a}] = true, true
	}
	sum := 0
	for i := range in.jobs {
		if n := len(in.jobs[i].acts); in.jobs[i].onePlace {
			sum += n * n
		}
	}
	room := make([]int32, sum)
	for _, j := range in.jobs {
		if !j.onePlace {
			continue
		}
		for _, a := range j.acts {
			in.acts[a].peers, room = carve(room, len(j.acts))
			for _, b := range j.acts {
				if a != b && !parallel[[2]int32{a, b}] {
					in.acts[a].peers = append(in.acts[a].peers, b)
				}
			}
		}
	}
}

// compileWishes brings in pins, holds and the previous plan.
func (in *instance) compileWishes() {
	for _, n := range sortedPointers(in.p.Pins, func(n *model.Pin) model.PinID { return n.ID }) {
		a := in.actOf[n.Activity]
		in.acts[a].pins = append(in.acts[a].pins, int32(len(in.pins)))
		in.pins = append(in.pins, pin{src: n, act: a})
	}
	for i := range in.p.Holds {
		h := &in.p.Holds[i]
		a := &in.acts[in.actOf[h.Activity]]
		if h.Until == model.Unlimited {
			if a.held == nil || h.Reason < a.held.Reason {
				a.held = h
			}
			continue
		}
		a.release = max(a.release, h.Until)
	}
	sum := 0
	for i := range in.p.Previous {
		sum += len(in.p.Previous[i].Resources) + len(in.p.Previous[i].Workers)
	}
	list, room := make([]previous, len(in.p.Previous)), make([]int32, sum)
	for i := range in.p.Previous {
		q := &in.p.Previous[i]
		a := &in.acts[in.actOf[q.Activity]]
		v := &list[i]
		*v = previous{start: q.Start, st: q.Stretches, accepted: q.Accepted}
		v.held, room = carve(room, len(q.Resources))
		v.crew, room = carve(room, len(q.Workers))
		v.near = q.Start >= in.now && q.Start < in.now+in.p.Weights.MoveWindow
		for _, r := range q.Resources {
			v.held = append(v.held, in.resOf[r])
		}
		for _, w := range q.Workers {
			v.crew = append(v.crew, in.workerOf[w])
		}
		slices.Sort(v.held)
		slices.Sort(v.crew)
		a.prev = v
	}
}

// soon marks the activities that are planned to start so soon that moving them
// has a price; nil for none.
func (in *instance) soon() []bool {
	var out []bool
	for i := range in.acts {
		if a := &in.acts[i]; a.prev != nil && a.prev.near && !a.begun() && in.p.Weights.Move > 0 {
			if out == nil {
				out = make([]bool, len(in.acts))
			}
			out[i] = true
		}
	}
	return out
}

// measure fills minima, tails and offsets.
func (in *instance) measure() {
	in.needOff = make([]int32, len(in.acts)+1)
	in.stretchOff = make([]int32, len(in.acts)+1)
	for i := range in.acts {
		a := &in.acts[i]
		needs, stretches := 0, 0
		for _, m := range a.src.Modes {
			needs, stretches = max(needs, len(m.Needs)), max(stretches, len(m.Stretches))
		}
		in.needsMax, in.stretchesMax = max(in.needsMax, needs), max(in.stretchesMax, stretches)
		in.needOff[i+1] = in.needOff[i] + int32(needs)
		in.stretchOff[i+1] = in.stretchOff[i] + int32(stretches)
		a.minimum = 0
		for k := range a.opts {
			if k == 0 || a.opts[k].minimum < a.minimum {
				a.minimum = a.opts[k].minimum
			}
		}
	}
	for _, i := range in.backwards() {
		a := &in.acts[i]
		a.tail = a.minimum
		for _, l := range a.after {
			b := &in.acts[l.other]
			t := b.tail + l.min
			if l.toEnd {
				t -= b.minimum
			}
			if !l.fromStart {
				t += a.minimum
			}
			a.tail = max(a.tail, t)
		}
	}
}

// forwards lists the activities so that each comes after all it waits for,
// ties by id.
func (in *instance) forwards() []int32 {
	waits := make([]int32, len(in.acts))
	order := make([]int32, 0, len(in.acts))
	for i := range in.acts {
		waits[i] = int32(len(in.acts[i].before))
		if waits[i] == 0 {
			order = append(order, int32(i))
		}
	}
	for k := 0; k < len(order); k++ {
		for _, l := range in.acts[order[k]].after {
			if waits[l.other]--; waits[l.other] == 0 {
				order = append(order, l.other)
			}
		}
	}
	return order
}

func (in *instance) backwards() []int32 {
	order := in.forwards()
	slices.Reverse(order)
	return order
}

// carries says that r serves the need.
func carries(n *model.Need, r *model.Resource) bool {
	if len(n.Resources) > 0 {
		if !slices.Contains(n.Resources, r.ID) {
			return false
		}
	} else if n.Kind != r.Kind {
		return false
	}
	return hasAll(r.Tags, n.Tags)
}

func hasAll(have, want []string) bool {
	for _, w := range want {
		if !slices.Contains(have, w) {
			return false
		}
	}
	return true
}

// wanted is a need in words, for a cause.
func wanted(n *model.Need) string {
	what := n.Kind
	if what == "" {
		names := make([]string, len(n.Resources))
		for i, r := range n.Resources {
			names[i] = string(r)
		}
		slices.Sort(names)
		what = strings.Join(names, " or ")
	}
	if len(n.Tags) > 0 {
		tags := slices.Clone(n.Tags)
		slices.Sort(tags)
		what += " with " + strings.Join(tags, ", ")
	}
	return what
}
