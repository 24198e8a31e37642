package solve

import (
	"encoding/binary"

	"tickover/scheduler/model"
)

// classify numbers the classes of options that several activities have.
func (in *instance) classify() {
	o := in.outline
	type class struct {
		users int64
		opts  []*option
	}
	index := map[string]int{}
	var list []class
	add := func(opts []option, users int64) {
		for k := range opts {
			p := &opts[k]
			p.class = -1
			key, ok := o.needsKey(o.key[:0], p)
			if !ok {
				continue
			}
			o.key = o.classKey(key, p)
			c, ok := index[string(o.key)]
			if !ok {
				c = len(list)
				index[string(o.key)] = c
				list = append(list, class{})
			}
			list[c].users += users
			list[c].opts = append(list[c].opts, p)
		}
	}
	for _, c := range o.choices {
		add(c.opts, c.users)
	}
	for i := range in.acts {
		if a := &in.acts[i]; len(a.pins) > 0 {
			add(a.opts, 1)
		}
	}
	for i := range list {
		if list[i].users < 2 {
			continue
		}
		for _, p := range list[i].opts {
			p.class = int32(in.classes)
		}
		in.classes++
	}
}

// needsKey appends what an option holds. Options that hold a span have none.
func (o *outliner) needsKey(key []byte, p *option) ([]byte, bool) {
	key = binary.AppendVarint(key, int64(len(p.needs)))
	for i := range p.needs {
		n := &p.needs[i]
		if n.span >= 0 {
			return key, false
		}
		key = binary.AppendVarint(key, n.amount)
		key = appendList(key, n.cand)
	}
	return key, true
}

func appendList(key []byte, xs []int32) []byte {
	key = binary.AppendVarint(key, int64(len(xs)))
	for _, x := range xs {
		key = binary.AppendVarint(key, int64(x))
	}
	return key
}

// classKey appends to the key of its needs what else decides where p fits, the
// duration of a lone stretch excepted.
func (o *outliner) classKey(key []byte, p *option) []byte {
	number := func(x int64) { key = binary.AppendVarint(key, x) }
	number(o.number(p.window))
	for i := range p.st {
		st := &p.st[i]
		if len(p.st) > 1 {
			number(int64(st.d))
		}
		flags := int64(0)
		if st.split {
			flags |= 1
		}
		if st.handsOn {
			flags |= 2
		}
		number(flags)
		number(int64(st.maxWait))
		number(o.number(st.inside))
		for k := range st.crews {
			key = appendList(key, st.crews[k].workers)
			number(o.number(st.crews[k].open))
		}
	}
	return key
}

// number is one for each calendar.
func (o *outliner) number(h *hours) int64 {
	if h == nil {
		return 0
	}
	n, ok := o.numbers[h]
	if !ok {
		n = int64(len(o.numbers) + 1)
		o.numbers[h] = n
	}
	return n
}

// modesKey appends what decides the options of an activity without pins.
func (o *outliner) modesKey(key []byte, a *act) []byte {
	key = binary.AppendVarint(key, o.number(a.window))
	key = appendFlag(key, a.src.Handover)
	for m := range a.src.Modes {
		mode := &a.src.Modes[m]
		key = binary.AppendVarint(key, int64(len(mode.Stretches)))
		for i := range mode.Stretches {
			st := &mode.Stretches[i]
			key = binary.AppendVarint(key, int64(st.Duration))
			key = binary.AppendVarint(key, int64(st.Workers))
			key = binary.AppendVarint(key, int64(st.MaxWait))
			key = appendFlag(key, st.Splittable)
			key = appendText(key, st.Inside)
			key = appendTexts(key, st.Skills)
		}
		key = appendNeeds(key, mode)
	}
	return key
}

// appendNeeds appends what decides which resources a mode may hold.
func appendNeeds(key []byte, mode *model.Mode) []byte {
	key = binary.AppendVarint(key, int64(len(mode.Needs)))
	for i := range mode.Needs {
		n := &mode.Needs[i]
		key = binary.AppendVarint(key, n.Amount)
		key = appendText(key, n.Kind)
		key = appendText(key, n.Span)
		key = appendTexts(key, n.Tags)
		key = appendTexts(key, n.Resources)
	}
	return key
}

func appendFlag(key []byte, b bool) []byte {
	if b {
		return append(key, 1)
	}
	return append(key, 0)
}

func appendText[T ~string](key []byte, s T) []byte {
	return append(binary.AppendVarint(key, int64(len(s))), s...)
}

func appendTexts[T ~string](key []byte, list []T) []byte {
	key = binary.AppendVarint(key, int64(len(list)))
	for _, s := range list {
		key = appendText(key, s)
	}
	return key
}
