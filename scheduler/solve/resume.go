package solve

import "slices"

// resumption lets a decode begin where its genome departs from the one adopted
// last: serial generation places the same activities in the same way up to
// there. Layouts are kept at a few places of the list.
type resumption struct {
	valid    bool // there is an adopted genome
	usable   bool // the last decode could be adopted
	list     []int32
	opt      []int16
	bind     []int32
	after    []int32
	kept     []bool
	at, next [stages]stage
	from, to int // the stages of next that the last decode has filled
}

// stage is the state of a decode before the activity at stagePlace.
type stage struct {
	layout
	frontiers []frontier
	deferred  []int32
}

// stages is the number of layouts kept, the first one left out; shorter lists
// than listMin are not worth it.
const (
	stages  = 16
	listMin = 4 * stages
)

func stagePlace(i, n int) int { return i * n / stages }

// resumable says that nothing but list, options, bindings and what keeps its
// start decides what g becomes.
func (d *decoder) resumable(g *genome) bool {
	return d.resume != nil && len(g.list) >= listMin && g.floor == nil && g.floorAt == nil && g.like == nil && d.tr == nil
}

// restart puts the decoder where g departs from the adopted genome and returns
// the place in the list; 0 for the beginning.
func (r *resumption) restart(d *decoder, g *genome) int {
	r.from, r.usable = 1, true
	defer func() { r.to = r.from }()
	if !r.valid || len(r.list) != len(g.list) {
		return 0
	}
	i := r.departure(d, g) * stages / len(g.list)
	if i == 0 {
		return 0
	}
	s := &r.at[i]
	d.layout.set(&s.layout)
	copy(d.frontiers, s.frontiers)
	for k := range d.frontiers {
		d.frontiers[k].epoch = d.epoch
	}
	d.deferred = append(d.deferred[:0], s.deferred...)
	r.from = i + 1
	return stagePlace(i, len(g.list))
}

// departure is the first place at which g differs from the adopted genome.
func (r *resumption) departure(d *decoder, g *genome) int {
	for a := range r.after {
		if d.in.acts[a].ending != nil && g.putOff(int32(a)) != r.after[a] {
			return 0
		}
	}
	for k, a := range g.list {
		opt, bind := int16(-1), int32(-1)
		if g.opt != nil {
			opt = g.opt[a]
		}
		if g.bind != nil {
			bind = g.bind[a]
		}
		if a != r.list[k] || opt != r.opt[a] || bind != r.bind[a] || g.putOff(a) != r.after[a] || g.keeps(a) != r.kept[a] {
			return k
		}
	}
	return len(g.list) - 1
}

// keep stores the state before place k if it is the next stage.
func (r *resumption) keep(d *decoder, k, n int) {
	if r.to == stages || k != stagePlace(r.to, n) {
		return
	}
	s := &r.next[r.to]
	r.to++
	if s.state == nil {
		s.layout = newLayout(d.in)
		s.frontiers = make([]frontier, len(d.frontiers))
	}
	s.layout.set(&d.layout)
	for i := range d.frontiers {
		f := &s.frontiers[i]
		f.n = 0
		if d.frontiers[i].epoch == d.epoch {
			f.copy(&d.frontiers[i])
		}
	}
	s.deferred = append(s.deferred[:0], d.deferred...)
}

// adopt makes g, decoded last, the genome that the next ones are compared with.
func (d *decoder) adopt(g *genome) {
	r := d.resume
	if r == nil {
		return
	}
	if r.valid = r.usable && r.to == stages && d.resumable(g); !r.valid {
		return
	}
	for i := r.from; i < stages; i++ {
		r.at[i], r.next[i] = r.next[i], r.at[i]
	}
	r.usable = false
	r.list = append(r.list[:0], g.list...)
	r.opt = fill(r.opt, g.opt, len(d.in.acts))
	r.bind = fill(r.bind, g.bind, len(d.in.acts))
	r.after = fill(r.after, g.after, len(d.in.acts))
	if r.kept == nil {
		r.kept = make([]bool, len(d.in.acts))
	}
	for a := range r.kept {
		r.kept[a] = g.keeps(int32(a))
	}
}

// keeps says that a begins no earlier than planned.
func (g *genome) keeps(a int32) bool { return g.keep != nil && g.keep[a] }

// putOff is what the ending of a waits for, -1 for nothing.
func (g *genome) putOff(a int32) int32 {
	if g.after == nil {
		return -1
	}
	return g.after[a]
}

// fill copies from, or -1 throughout when it is nil.
func fill[T int16 | int32](to, from []T, n int) []T {
	if from != nil {
		return append(to[:0], from...)
	}
	to = slices.Grow(to[:0], n)[:n]
	for i := range to {
		to[i] = -1
	}
	return to
}
