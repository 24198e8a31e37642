package simulate

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tickover/queue"
	"tickover/queue/spell"
	"tickover/services/floor/locale"
)

// Op is what a change does.
type Op string

// The changes.
const (
	Add     Op = "add"     // one more like a resource or a technician
	Without Op = "without" // one resource or technician less
	Till    Op = "till"    // a technician stays, and the shop with him, until a time of day
	Lit     Op = "lit"     // lamps at a pad: engines run there after dark too
	Crates  Op = "crates"  // so many units on the first Monday
	More    Op = "more"    // so many percent more of everything that comes
)

// Change is one difference from the shop as it is.
type Change struct {
	Op Op     `json:"op"`
	ID string `json:"id,omitempty"` // of Add, Without, Till and Lit
	// Till is a time of day.
	Till queue.Minute `json:"till_min,omitempty"`
	// N is a number of units, or percent.
	N int `json:"n,omitempty"`
}

// String is the change as [ParseScenario] reads it.
func (c Change) String() string {
	switch c.Op {
	case Till:
		return fmt.Sprintf("%s=%s@%s", c.Op, c.ID, c.Till)
	case Crates, More:
		return fmt.Sprintf("%s=%d", c.Op, c.N)
	}
	return fmt.Sprintf("%s=%s", c.Op, c.ID)
}

// Scenario is changes made together; none is the shop as it is.
type Scenario []Change

func (s Scenario) String() string {
	parts := make([]string, len(s))
	for i, c := range s {
		parts[i] = c.String()
	}
	return strings.Join(parts, ",")
}

// Bounds of changes.
const (
	ChangesMax   = 8
	cratesMax    = 300
	morePercent  = 300
	fewerPercent = -90
)

// ParseScenario reads changes as "add=i1,till=kofi@19:00,lit=p1,crates=30,
// more=20,without=c3". The ids are the shop file's.
func ParseScenario(shop *queue.Shop, text string) (Scenario, error) {
	var out Scenario
	for _, part := range strings.Split(text, ",") {
		c, err := parse(strings.TrimSpace(part))
		if err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, out.Check(shop)
}

func parse(part string) (Change, error) {
	op, arg, ok := strings.Cut(part, "=")
	c := Change{Op: Op(op)}
	wrong := func(format string, args ...any) (Change, error) {
		return c, fmt.Errorf("change %q: %s", part, fmt.Sprintf(format, args...))
	}
	names := []string{string(Add), string(Without), string(Till), string(Lit), string(Crates), string(More)}
	if !slices.Contains(names, op) || !ok {
		hint := ""
		if near := spell.Nearest(op, names); near != "" {
			hint = fmt.Sprintf(" Did you mean %q?", near)
		}
		return wrong("write add=ID, without=ID, till=TECHNICIAN@19:00, lit=PAD, crates=30 or more=20.%s", hint)
	}
	switch c.Op {
	case Till:
		id, clock, ok := strings.Cut(arg, "@")
		m, err := minuteOf(clock)
		if !ok || err != nil {
			return wrong("write the time as till=%s@19:00", id)
		}
		c.ID, c.Till = id, m
	case Crates, More:
		n, err := strconv.Atoi(strings.TrimSuffix(arg, "%"))
		if err != nil {
			return wrong("%q is no whole number", arg)
		}
		c.N = n
	default:
		c.ID = arg
	}
	return c, nil
}

func minuteOf(s string) (queue.Minute, error) {
	h, m, ok := strings.Cut(s, ":")
	hours, err := strconv.Atoi(h)
	minutes, err2 := strconv.Atoi(m)
	if !ok || err != nil || err2 != nil || hours < 0 || hours > 24 || minutes < 0 || minutes > 59 || hours == 24 && minutes > 0 {
		return 0, fmt.Errorf("%q is no time of day", s)
	}
	return queue.Minute(60*hours + minutes), nil
}

// WrongChange is a change that the shop can't make.
type WrongChange struct {
	Change Change
	What   locale.Said
	Near   string // an id that may have been meant
}

func (w *WrongChange) Error() string {
	hint := ""
	if w.Near != "" {
		hint = fmt.Sprintf(". Did you mean %q?", w.Near)
	}
	return fmt.Sprintf("change %q: %s%s", w.Change, w.What, hint)
}

// Check says what is wrong with the changes: *WrongChange.
func (s Scenario) Check(shop *queue.Shop) error {
	if len(s) > ChangesMax {
		return fmt.Errorf("%d changes together; at most %d", len(s), ChangesMax)
	}
	_, err := s.apply(shop)
	return err
}

// variant is a shop after changes, with what no shop file can say.
type variant struct {
	shop   *queue.Shop
	lit    map[queue.ResourceID]bool
	crates int
	more   int // percent
}

// apply makes the changes on a copy.
func (s Scenario) apply(shop *queue.Shop) (*variant, error) {
	next := *shop
	next.Resources, next.Technicians, next.Days = slices.Clone(shop.Resources), slices.Clone(shop.Technicians), slices.Clone(shop.Days)
	v := &variant{shop: &next, lit: map[queue.ResourceID]bool{}}
	for _, c := range s {
		if err := v.change(c); err != nil {
			return nil, err
		}
	}
	return v, nil
}

func (v *variant) change(c Change) error {
	wrong := func(s locale.Said) error { return &WrongChange{Change: c, What: s} }
	unknown := func(s locale.Said) error { return &WrongChange{c, s, v.near(c.ID)} }
	r, t := v.shop.Resource(queue.ResourceID(c.ID)), v.shop.Technician(queue.PersonID(c.ID))
	switch c.Op {
	case Add, Without:
		if r == nil && t == nil {
			return unknown(locale.Say("the shop file has neither a resource nor a technician %q", c.ID))
		}
		if r != nil && r.Kind == queue.Yard {
			return wrong(locale.Say("the yard is not simulated; choose a bench, an interface, a charger, a pad, a loop or a technician"))
		}
		if c.Op == Add {
			v.add(r, t)
			return nil
		}
		v.shop.Resources = slices.DeleteFunc(v.shop.Resources, func(x queue.Resource) bool { return string(x.ID) == c.ID })
		v.shop.Technicians = slices.DeleteFunc(v.shop.Technicians, func(x queue.Technician) bool { return string(x.ID) == c.ID })
	case Till:
		if t == nil {
			return unknown(locale.Say("the shop file has no technician %q", c.ID))
		}
		if !v.till(t, c.Till) {
			return wrong(locale.Say("%s works until %s or later already, or on no weekday", t.Name, c.Till.String()))
		}
	case Lit:
		if r == nil || r.Kind != queue.Pad {
			return unknown(locale.Say("the shop file has no pad %q", c.ID))
		}
		v.lit[r.ID] = true
	case Crates:
		if c.N < 1 || c.N > cratesMax {
			return wrong(locale.Say("1 to %d crates can come", cratesMax))
		}
		v.crates += c.N
	case More:
		if c.N < fewerPercent || c.N > morePercent || c.N == 0 {
			return wrong(locale.Say("%d to %d percent are possible, and not 0", fewerPercent, morePercent))
		}
		v.more += c.N
	default:
		return wrong(locale.Say("there is no such change"))
	}
	return nil
}

// near is an id that may have been meant.
func (v *variant) near(id string) string {
	var ids []string
	for i := range v.shop.Resources {
		ids = append(ids, string(v.shop.Resources[i].ID))
	}
	for i := range v.shop.Technicians {
		ids = append(ids, string(v.shop.Technicians[i].ID))
	}
	return spell.Nearest(id, ids)
}

// add puts a copy beside: of a loop, which takes several at once, one place.
func (v *variant) add(r *queue.Resource, t *queue.Technician) {
	fresh := func(id string) string {
		for n := 2; ; n++ {
			next := fmt.Sprintf("%s+%d", id, n)
			if v.shop.Resource(queue.ResourceID(next)) == nil && v.shop.Technician(queue.PersonID(next)) == nil {
				return next
			}
		}
	}
	if r != nil {
		c := *r
		c.ID, c.Capacity = queue.ResourceID(fresh(string(r.ID))), 1
		v.lit[c.ID] = v.lit[r.ID]
		v.shop.Resources = append(v.shop.Resources, c)
		return
	}
	c := *t
	c.ID = queue.PersonID(fresh(string(t.ID)))
	v.shop.Technicians = append(v.shop.Technicians, c)
}

// till lets a technician's last shift of each day, and the shop's hours, end at
// a time of day; false: it changes nothing.
func (v *variant) till(t *queue.Technician, till queue.Minute) bool {
	changed := false
	longer := func(spans []queue.Span) []queue.Span {
		spans = slices.Clone(spans)
		if n := len(spans); n > 0 && spans[n-1].From < spans[n-1].To && spans[n-1].To < till {
			spans[n-1].To = till
		}
		return spans
	}
	var shifts queue.Week
	for day := range t.Shifts {
		shifts[day] = t.Shifts[day]
		n := len(t.Shifts[day])
		if n == 0 || len(v.shop.Hours[day]) == 0 || day == 6 || day == 0 {
			continue // a short weekend day stays as it is
		}
		last := t.Shifts[day][n-1]
		if last.From < last.To && last.To < till {
			shifts[day], changed = longer(t.Shifts[day]), true
			v.shop.Hours[day] = longer(v.shop.Hours[day])
		}
	}
	t.Shifts = shifts
	return changed
}

// OneMore are the scenarios with one more of each thing and each kind of
// technician that the shop has, those that are alike once.
func OneMore(shop *queue.Shop) []Scenario {
	var out []Scenario
	var seen []string
	add := func(id, alike string) {
		if !slices.Contains(seen, alike) {
			seen = append(seen, alike)
			out = append(out, Scenario{{Op: Add, ID: id}})
		}
	}
	for i := range shop.Resources {
		r := &shop.Resources[i]
		if r.Kind != queue.Yard {
			add(string(r.ID), fmt.Sprint(r.Kind, r.Tags, r.Families))
		}
	}
	for i := range shop.Technicians {
		t := &shop.Technicians[i]
		skills := slices.Clone(t.Skills)
		slices.Sort(skills)
		add(string(t.ID), fmt.Sprint(skills))
	}
	return out
}

// errNothing: nothing can be simulated.
var errNothing = errors.New("the shop file has no route that anybody could do from start to end")
