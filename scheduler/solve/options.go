package solve

import (
	"cmp"
	"encoding/binary"
	"slices"

	"tickover/scheduler/model"
)

// outliner spells out the options of activities.
type outliner struct {
	in        *instance
	calendars map[model.CalendarID]*hours
	joint     map[[2]*hours]*hours
	interned  []*hours
	// classes caches the candidates of a need.
	classes map[string][]class
	// shared are the options of activities without pins, by what decides them;
	// choices are the same in the order of the first activity.
	shared  map[string]*choice
	choices []*choice
	key     []byte
	list    []byte // a key of crewLists or needLists
	numbers map[*hours]int64
	// crewLists and needLists are the choices without wishes, by what decides
	// them.
	crewLists map[string][][][][]int32
	needLists map[string][]held
	// sorted are candidates by demand, by the first of the list sorted.
	sorted map[*int32][]int32
}

// class is the candidates of a need that share a calendar.
type class struct {
	open *hours
	cand []int32
}

func newOutliner(in *instance) *outliner {
	o := &outliner{in: in, calendars: map[model.CalendarID]*hours{}, joint: map[[2]*hours]*hours{}, classes: map[string][]class{}, shared: map[string]*choice{}, numbers: map[*hours]int64{},
		crewLists: map[string][][][][]int32{}, needLists: map[string][]held{}, sorted: map[*int32][]int32{}}
	for i := range in.p.Calendars {
		o.calendars[in.p.Calendars[i].ID] = newHours(in.p.Calendars[i].Open)
	}
	return o
}

// intern makes equal calendars one pointer.
func (o *outliner) intern(h *hours) *hours {
	if h == nil {
		return nil
	}
	for _, k := range o.interned {
		if slices.Equal(k.iv, h.iv) {
			return k
		}
	}
	o.interned = append(o.interned, h)
	return h
}

func (o *outliner) both(a, b *hours) *hours {
	if a == nil || b == nil || a == b {
		return both(a, b)
	}
	key := [2]*hours{a, b}
	h, ok := o.joint[key]
	if !ok {
		h = o.intern(both(a, b))
		o.joint[key] = h
	}
	return h
}

func (in *instance) compileOptions() {
	o := newOutliner(in)
	for i := range in.res {
		in.res[i].open = o.intern(in.res[i].open)
	}
	for i := range in.workers {
		in.workers[i].open = o.intern(in.workers[i].open)
	}
	for i := range in.spans {
		src := sortedPointers(in.p.Spans, func(s *model.Span) model.SpanID { return s.ID })[i]
		n := need{amount: max(src.Need.Amount, 1), span: -1}
		for r := range in.res {
			if carries(&src.Need, in.res[r].src) {
				n.cand = append(n.cand, int32(r))
			}
		}
		in.spans[i].need = n
	}
	in.outline = o
	for i := range in.acts {
		if !in.acts[i].begun() {
			in.respell(int32(i))
		}
	}
	in.demands()
	for _, c := range o.choices {
		o.rank(c.opts)
	}
	for i := range in.acts {
		if a := &in.acts[i]; len(a.pins) > 0 {
			o.rank(a.opts)
		}
	}
	in.classify()
	in.countSpans()
}

// choice is the options that activities with equal modes share.
type choice struct {
	opts    []option
	missing model.Cause
	users   int64
}

// rank puts the options and candidates first that bind what is least asked
// for.
func (o *outliner) rank(opts []option) {
	for k := range opts {
		o.order(&opts[k])
	}
	slices.SortStableFunc(opts, func(x, y option) int { return cmp.Compare(x.spread, y.spread) })
}

func (in *instance) countSpans() {
	for i := range in.acts {
		a := &in.acts[i]
		seen := map[model.SpanID]bool{}
		for _, m := range a.src.Modes {
			for _, n := range m.Needs {
				if n.Span != "" && !seen[n.Span] && !a.done() {
					seen[n.Span] = true
					in.spans[in.spanIndex(n.Span)].members++
				}
			}
		}
	}
}

func (in *instance) spanIndex(id model.SpanID) int32 {
	i, _ := slices.BinarySearchFunc(in.spans, id, func(s span, id model.SpanID) int { return cmp.Compare(s.id, id) })
	return int32(i)
}

// demands counts who could do or hold what, so that ties go to the scarcest.
func (in *instance) demands() {
	res, workers := make([]int, len(in.res)), make([]int, len(in.workers))
	round := 0
	add := func(opts []option, users int64) {
		round++
		for k := range opts {
			for i := range opts[k].needs {
				for _, r := range opts[k].needs[i].cand {
					if res[r] != round {
						res[r] = round
						in.res[r].demand += users
					}
				}
			}
			for _, w := range opts[k].crew {
				if workers[w] != round {
					workers[w] = round
					in.workers[w].demand += users
				}
			}
		}
	}
	for _, c := range in.outline.choices {
		add(c.opts, c.users)
	}
	for i := range in.acts {
		if a := &in.acts[i]; len(a.pins) > 0 {
			add(a.opts, 1)
		}
	}
}

// order puts the least demanded candidates first and sums up the crew.
func (o *outliner) order(p *option) {
	for i := range p.needs {
		cand := p.needs[i].cand
		if len(cand) < 2 {
			continue
		}
		list, ok := o.sorted[&cand[0]]
		if !ok {
			list = slices.Clone(cand)
			slices.SortStableFunc(list, func(a, b int32) int {
				return cmp.Or(cmp.Compare(o.in.res[a].demand, o.in.res[b].demand), cmp.Compare(a, b))
			})
			o.sorted[&cand[0]] = list
		}
		p.needs[i].cand = list
	}
	p.spread = 0
	for _, w := range p.crew {
		p.spread += o.in.workers[w].demand
	}
}

// respell makes the options of an activity not begun anew, under the pins that
// stand. Activities with equal modes and no pins share theirs.
func (in *instance) respell(i int32) {
	a := &in.acts[i]
	o := in.outline
	a.opts, a.missing, a.latest = nil, model.Cause{}, forever
	if len(a.pins) == 0 {
		o.key = o.modesKey(o.key[:0], a)
		if c, ok := o.shared[string(o.key)]; ok {
			c.users++
			a.opts, a.missing = c.opts, c.missing
			return
		}
	}
	w := wishes{}
	for _, k := range a.pins {
		if pin := &in.pins[k]; !pin.dropped {
			w.add(in, pin.src)
			if pin.src.HasStart {
				a.latest = min(a.latest, pin.src.Start)
			}
		}
	}
	for m := range a.src.Modes {
		o.mode(a, m, &w, 0, nil)
	}
	if len(a.opts) > 0 {
		a.missing = model.Cause{}
	}
	if len(a.pins) == 0 {
		c := &choice{opts: a.opts, missing: a.missing, users: 1}
		o.shared[string(o.key)] = c
		o.choices = append(o.choices, c)
	}
}

// wishes are the pins of one activity.
type wishes struct {
	resources []int32
	workers   []int32
}

func (w *wishes) add(in *instance, pin *model.Pin) {
	if pin.Resource != "" {
		w.resources = append(w.resources, in.resOf[pin.Resource])
	}
	if pin.Worker != "" {
		w.workers = append(w.workers, in.workerOf[pin.Worker])
	}
}

// mode appends the options of mode m from stretch first on. base, when not
// nil, are workers that belong to the crew already.
func (o *outliner) mode(a *act, m int, w *wishes, first int, base []int32) {
	src := &a.src.Modes[m]
	needs, ok := o.needsOf(a, src, w)
	if !ok {
		return
	}
	crews, ok := o.crewsOf(a, src, w, first, base)
	if !ok {
		return
	}
	a.opts = slices.Grow(a.opts, min(len(needs)*len(crews), optionsMax-len(a.opts)))
	for _, n := range needs {
		for _, c := range crews {
			if len(a.opts) == optionsMax {
				return
			}
			a.opts = append(a.opts, o.option(a, m, first, n, c))
		}
	}
}

// needsOf is needs, worked out once for all activities without wishes.
func (o *outliner) needsOf(a *act, src *model.Mode, w *wishes) ([]held, bool) {
	if len(w.resources) > 0 {
		return o.needs(a, src, w)
	}
	key := appendNeeds(o.list[:0], src)
	o.list = key
	if list, ok := o.needLists[string(key)]; ok {
		return list, true
	}
	list, ok := o.needs(a, src, w)
	if ok {
		o.needLists[string(key)] = list
	}
	return list, ok
}

// crewsOf is crews, worked out once for all activities without wishes.
func (o *outliner) crewsOf(a *act, src *model.Mode, w *wishes, first int, base []int32) ([][][][]int32, bool) {
	if len(w.workers) > 0 || first > 0 || base != nil {
		return o.crews(a, src, w, first, base)
	}
	key := appendFlag(o.list[:0], a.src.Handover)
	for i := range src.Stretches {
		key = binary.AppendVarint(key, int64(src.Stretches[i].Workers))
		key = appendTexts(key, src.Stretches[i].Skills)
	}
	o.list = key
	if list, ok := o.crewLists[string(key)]; ok {
		return list, true
	}
	list, ok := o.crews(a, src, w, first, base)
	if ok {
		o.crewLists[string(key)] = list
	}
	return list, ok
}

// held is one choice of a calendar class for each need.
type held struct {
	needs []need
	open  *hours
}

func (o *outliner) needs(a *act, src *model.Mode, w *wishes) ([]held, bool) {
	out := []held{{}}
	wanted := slices.Clone(w.resources)
	for i := range src.Needs {
		list, n := o.candidates(&src.Needs[i])
		if len(list) == 0 {
			a.missing = model.Cause{Constraint: model.C7, Kind: model.CauseNoCandidate, Skill: o.words(&src.Needs[i])}
			return nil, false
		}
		list, wanted = restrict(list, wanted)
		var next []held
		for _, h := range out {
			for _, c := range list {
				if len(next) == optionsMax {
					break
				}
				n.cand = c.cand
				next = append(next, held{needs: append(slices.Clone(h.needs), n), open: o.both(h.open, c.open)})
			}
		}
		out = next
	}
	if len(wanted) > 0 {
		a.missing = model.Cause{Constraint: model.C7, Kind: model.CauseNoCandidate, Resource: o.in.res[wanted[0]].id}
		return nil, false
	}
	return out, true
}

func (o *outliner) words(n *model.Need) string {
	if n.Span != "" {
		return string(n.Span)
	}
	return wanted(n)
}

// restrict keeps only a wanted resource when one is among the classes, and
// takes it off the list of wanted ones.
func restrict(list []class, wanted []int32) ([]class, []int32) {
	for k, r := range wanted {
		for _, c := range list {
			if slices.Contains(c.cand, r) {
				return []class{{open: c.open, cand: []int32{r}}}, slices.Delete(slices.Clone(wanted), k, k+1)
			}
		}
	}
	return list, wanted
}

// candidates are those of a need by calendar.
func (o *outliner) candidates(src *model.Need) ([]class, need) {
	n := need{amount: max(src.Amount, 1), span: -1}
	if src.Span != "" {
		n.span = o.in.spanIndex(src.Span)
		n.amount = o.in.spans[n.span].need.amount
		return o.byCalendar(o.in.spans[n.span].need.cand), n
	}
	var key []byte
	key = append(key, src.Kind...)
	for _, t := range src.Tags {
		key = append(append(key, 0), t...)
	}
	for _, r := range src.Resources {
		key = append(append(key, 1), r...)
	}
	list, ok := o.classes[string(key)]
	if !ok {
		var cand []int32
		for r := range o.in.res {
			if carries(src, o.in.res[r].src) {
				cand = append(cand, int32(r))
			}
		}
		list = o.byCalendar(cand)
		o.classes[string(key)] = list
	}
	return list, n
}

func (o *outliner) byCalendar(cand []int32) []class {
	var out []class
	for _, r := range cand {
		open := o.in.res[r].open
		k := slices.IndexFunc(out, func(c class) bool { return c.open == open })
		if k < 0 {
			k = len(out)
			out = append(out, class{open: open})
		}
		out[k].cand = append(out[k].cand, r)
	}
	return out
}

// crews are the choices of workers: for each stretch its alternatives. Without
// handover each choice has one alternative a stretch.
func (o *outliner) crews(a *act, src *model.Mode, w *wishes, first int, base []int32) ([][][][]int32, bool) {
	eligible := make([][]int32, len(src.Stretches))
	size := len(base)
	for i := first; i < len(src.Stretches); i++ {
		s := &src.Stretches[i]
		if s.Workers == 0 {
			continue
		}
		size = max(size, s.Workers)
		for k := range o.in.workers {
			if hasAll(o.in.workers[k].src.Skills, s.Skills) {
				eligible[i] = append(eligible[i], int32(k))
			}
		}
		if len(eligible[i]) < s.Workers {
			a.missing = model.Cause{Constraint: model.C7, Kind: model.CauseNoCandidate, Skill: skillWords(s.Skills)}
			return nil, false
		}
	}
	if a.src.Handover {
		return o.handover(a, src, w, first, eligible)
	}
	var out [][][][]int32
	o.bases(src, first, eligible, base, size, func(crew []int32) bool {
		out = o.split(out, src, w, first, eligible, crew, nil)
		return len(out) < crewsMax
	})
	if len(out) == 0 {
		a.missing = o.noCrew(w, src, first)
		return nil, false
	}
	return out, true
}

func (o *outliner) noCrew(w *wishes, src *model.Mode, first int) model.Cause {
	c := model.Cause{Constraint: model.C7, Kind: model.CauseNoCandidate}
	var skills []string
	for i := first; i < len(src.Stretches); i++ {
		skills = append(skills, src.Stretches[i].Skills...)
	}
	c.Skill = skillWords(skills)
	if len(w.workers) > 0 {
		c.Worker = o.in.workers[w.workers[0]].id
	}
	return c
}

func skillWords(skills []string) string {
	if len(skills) == 0 {
		return "any skill"
	}
	skills = slices.Clone(skills)
	slices.Sort(skills)
	out := ""
	for i, s := range slices.Compact(skills) {
		if i > 0 {
			out += ", "
		}
		out += s
	}
	return out
}

func (o *outliner) handover(a *act, src *model.Mode, w *wishes, first int, eligible [][]int32) ([][][][]int32, bool) {
	choice := make([][][]int32, len(src.Stretches))
	for i := first; i < len(src.Stretches); i++ {
		n := src.Stretches[i].Workers
		if n == 0 {
			choice[i] = [][]int32{nil}
			continue
		}
		combine(eligible[i], n, func(crew []int32) bool {
			if containsAll(crew, w.workers) {
				choice[i] = append(choice[i], slices.Clone(crew))
			}
			return len(choice[i]) < crewsMax
		})
		if len(choice[i]) == 0 {
			a.missing = o.noCrew(w, src, i)
			return nil, false
		}
	}
	return [][][][]int32{choice}, true
}

// bases yields the crews of the given size that contain base, out of those who
// are eligible for some stretch.
func (o *outliner) bases(src *model.Mode, first int, eligible [][]int32, base []int32, size int, yield func([]int32) bool) {
	var pool []int32
	for i := first; i < len(src.Stretches); i++ {
		if src.Stretches[i].Workers == size || size == len(base) {
			pool = append(pool, eligible[i]...)
		}
	}
	slices.Sort(pool)
	pool = slices.DeleteFunc(slices.Compact(pool), func(k int32) bool { return slices.Contains(base, k) })
	combine(pool, size-len(base), func(more []int32) bool {
		crew := append(slices.Clone(base), more...)
		slices.Sort(crew)
		return yield(crew)
	})
}

// split appends the ways in which crew does the stretches from first on.
func (o *outliner) split(out [][][][]int32, src *model.Mode, w *wishes, first int, eligible [][]int32, crew []int32, done [][][]int32) [][][][]int32 {
	i := len(done)
	if i == len(src.Stretches) {
		return append(out, slices.Clone(done))
	}
	n := src.Stretches[i].Workers
	if i < first || n == 0 {
		return o.split(out, src, w, first, eligible, crew, append(done, [][]int32{nil}))
	}
	var able []int32
	for _, k := range crew {
		if slices.Contains(eligible[i], k) {
			able = append(able, k)
		}
	}
	combine(able, n, func(sub []int32) bool {
		if containsAll(sub, w.workers) {
			out = o.split(out, src, w, first, eligible, crew, append(slices.Clone(done), [][]int32{slices.Clone(sub)}))
		}
		return len(out) < crewsMax
	})
	return out
}

func containsAll(have, want []int32) bool {
	for _, w := range want {
		if !slices.Contains(have, w) {
			return false
		}
	}
	return true
}

// combine yields the n-subsets of sorted pool in lexical order until yield
// says stop. The slice is reused.
func combine(pool []int32, n int, yield func([]int32) bool) {
	pick := make([]int32, 0, n)
	var rec func(from int) bool
	rec = func(from int) bool {
		if len(pick) == n {
			return yield(pick)
		}
		for i := from; i <= len(pool)-(n-len(pick)); i++ {
			pick = append(pick, pool[i])
			more := rec(i + 1)
			pick = pick[:len(pick)-1]
			if !more {
				return false
			}
		}
		return true
	}
	rec(0)
}

// given says that nothing is to be chosen among the needs.
func given(needs []need, in *instance) bool {
	for i := range needs {
		n := &needs[i]
		if len(n.cand) != 1 || n.span >= 0 || in.res[n.cand[0]].src.Consumable {
			return false
		}
		for k := range i {
			if needs[k].cand[0] == n.cand[0] {
				return false
			}
		}
	}
	return true
}

// option puts one together.
func (o *outliner) option(a *act, m, first int, h held, crews [][][]int32) option {
	src := &a.src.Modes[m]
	p := option{mode: m, class: -1, window: a.window, needs: slices.Clone(h.needs), given: given(h.needs, o.in)}
	alternatives := 0
	for i := range crews {
		alternatives += len(crews[i])
	}
	room := make([]crew, alternatives)
	p.st = make([]stretch, 0, len(src.Stretches))
	for i := range src.Stretches {
		s := &src.Stretches[i]
		st := stretch{d: s.Duration, split: s.Splittable, handsOn: s.Workers > 0, maxWait: s.MaxWait}
		if s.MaxWait == model.Unlimited {
			st.maxWait = forever
		}
		if s.Inside != "" {
			st.inside = o.calendars[s.Inside]
		}
		st.crews, room = carve(room, len(crews[i]))
		for _, ws := range crews[i] {
			c := crew{workers: ws, open: h.open}
			for _, k := range ws {
				c.open = o.both(c.open, o.in.workers[k].open)
				if !slices.Contains(p.crew, k) {
					p.crew = append(p.crew, k)
				}
			}
			c.own = len(ws) == 1 && c.open == o.in.workers[ws[0]].open
			st.crews = append(st.crews, c)
		}
		if i >= first {
			p.minimum += s.Duration
		}
		if p.rigid == i && !s.Splittable && (i == 0 || s.Workers == 0) {
			p.rigid = i + 1
		}
		p.st = append(p.st, st)
	}
	slices.Sort(p.crew)
	if cut := p.cutOf(); cut > 0 && !slices.ContainsFunc(p.needs, func(n need) bool { return n.span >= 0 || o.consumes(n.cand) }) {
		p.ending = p.from(cut)
	}
	p.plain = len(p.st) == 1 && !p.st[0].handsOn && h.open == nil && p.st[0].inside == nil && a.window == nil
	return p
}

func (o *outliner) consumes(cand []int32) bool {
	return slices.ContainsFunc(cand, func(r int32) bool { return o.in.res[r].src.Consumable })
}
