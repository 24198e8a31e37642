package studies

import (
	"tickover/queue"
	"tickover/services/floor/locale"
	"tickover/services/simulate"
)

// Say says a change as people would: "one more interface like Interface 1".
func Say(shop *queue.Shop, c simulate.Change) locale.Said {
	r, t := shop.Resource(queue.ResourceID(c.ID)), shop.Technician(queue.PersonID(c.ID))
	switch {
	case c.Op == simulate.Add && t != nil:
		return locale.Say("one more technician like %s", t.Name)
	case c.Op == simulate.Add && r != nil && r.Kind == queue.Loop:
		return locale.Say("one more place on %s", name(r))
	case c.Op == simulate.Add && r != nil:
		return locale.Say("one more like %s", name(r))
	case c.Op == simulate.Without && t != nil:
		return locale.Say("without %s", t.Name)
	case c.Op == simulate.Without && r != nil:
		return locale.Say("without %s", name(r))
	case c.Op == simulate.Till && t != nil:
		return locale.Say("%s works until %s", t.Name, c.Till.String())
	case c.Op == simulate.Lit && r != nil:
		return locale.Say("lamps at %s", name(r))
	case c.Op == simulate.Crates:
		return locale.Say("%d crates on the first Monday", c.N)
	case c.Op == simulate.More && c.N > 0:
		return locale.Say("%d %% more work", c.N)
	case c.Op == simulate.More:
		return locale.Say("%d %% less work", -c.N)
	}
	return locale.Say("%s", c.String())
}

func name(r *queue.Resource) string {
	if r.Name != "" {
		return r.Name
	}
	return string(r.ID)
}

// Text is a scenario in a language; none is the shop as it is.
func Text(l *locale.Language, shop *queue.Shop, s simulate.Scenario) string {
	if len(s) == 0 {
		return l.T("as it is")
	}
	out := ""
	for i, c := range s {
		if i > 0 {
			out += ", "
		}
		out += l.Say(Say(shop, c))
	}
	return out
}

// Cautions are what has to be settled before a change is made, beside its
// figures; common practice, no source: local rules decide.
func Cautions(s simulate.Scenario) []locale.Said {
	var out []locale.Said
	for _, c := range s {
		switch c.Op {
		case simulate.Lit:
			out = append(out, locale.Say("Running engines after dark: first ask what local rules say about noise and light. Quiet hours stay as they are. Light the whole pad, keep people and exhausts apart, and never run an engine indoors instead."))
		case simulate.Till:
			out = append(out, locale.Say("Somebody who works late: nobody alone with running engines, lifts or batteries on charge, and mind the rules on working hours."))
		}
	}
	return out
}
