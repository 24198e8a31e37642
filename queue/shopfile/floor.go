package shopfile

import (
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
)

// itemsMax bounds each section of the shop file.
const itemsMax = 1000

// items walks a mapping of id to item.
func (r *reader) items(n *yaml.Node, what string, most int, item func(id string, key, value *yaml.Node)) {
	m := r.mapping(n, what)
	if len(m.keys) == 0 && !m.broken() {
		r.at(n, "name at least one", "%s is empty", what)
	}
	for i, k := range m.keys {
		if i == most {
			r.at(k, "", "%s has %d items, at most %d are allowed", what, len(m.keys), most)
			return
		}
		if id := r.id(k, "a name in "+what); id != "" {
			item(id, k, m.value[k.Value])
		}
	}
}

// resourceKinds are the kinds that a shop file lists; units that wait are
// counted by limits.yard_capacity.
func resourceKinds() []string {
	return slices.DeleteFunc(slices.Clone(queue.ResourceKinds()), func(k string) bool { return k == queue.Yard.String() })
}

func (r *reader) resources(n *yaml.Node, d *draft) {
	r.items(n, "resources", itemsMax, func(id string, key, value *yaml.Node) {
		m := r.mapping(value, "resource "+id)
		res := queue.Resource{ID: queue.ResourceID(id), Capacity: 1}
		res.Kind = choice[queue.ResourceKind](r, m.must("kind", "bench"), "kind of resource", resourceKinds())
		if res.Name = r.text(m.get("name"), "the name", nameMax); res.Name == "" {
			res.Name = id
		}
		res.Tags, _ = distinct[string](r, m.get("tags"), "tag", r.word)
		r.capacity(m, &res)
		r.families(m, &res)
		m.done()
		d.shop.Resources = append(d.shop.Resources, res)
		d.resourceAt = append(d.resourceAt, key)
	})
}

func (r *reader) capacity(m *mapping, res *queue.Resource) {
	n := m.get("capacity")
	if n == nil {
		return
	}
	most := 1
	if res.Kind == queue.Loop || res.Kind == 0 {
		most = 100
	}
	if most == 1 && n.Kind == yaml.ScalarNode && n.Value != "1" {
		r.at(n, "leave capacity out, or list another "+res.Kind.String(), "a %s takes one unit at a time, %s says %s", res.Kind, m.what, quote(n.Value))
		return
	}
	res.Capacity = r.whole(n, "capacity", 1, most, 1)
}

// anyFamily stands for an interface that speaks to every controller.
const anyFamily = "any"

func (r *reader) families(m *mapping, res *queue.Resource) {
	if res.Kind != queue.Interface {
		if n := m.get("families"); n != nil && res.Kind != 0 {
			r.at(n, "take it out", "%s is a %s, only an interface speaks to controller families", m.what, res.Kind)
		}
		return
	}
	n := m.must("families", "[…] with the controller families it speaks to, or any")
	if n == nil || n.Kind == yaml.ScalarNode && n.Value == anyFamily {
		return
	}
	res.Families, _ = distinct[queue.Family](r, n, "controller family", r.id)
	if len(res.Families) == 0 && n.Kind == yaml.SequenceNode && len(n.Content) == 0 {
		r.at(n, "name them, or write families: any", "%s speaks to no controller family", m.what)
	}
}

func (r *reader) technicians(n *yaml.Node, d *draft) {
	r.items(n, "technicians", itemsMax, func(id string, key, value *yaml.Node) {
		m := r.mapping(value, "technician "+id)
		t := queue.Technician{ID: queue.PersonID(id)}
		if t.Name = r.text(m.get("name"), "the name", nameMax); t.Name == "" {
			t.Name = id
		}
		t.Skills, _ = distinct[queue.Skill](r, m.get("skills"), "skill", r.word)
		if shifts := m.get("shifts"); shifts != nil {
			t.Shifts = r.week(shifts, "shifts")
		} else {
			for day, spans := range d.shop.Hours {
				t.Shifts[day] = slices.Clone(spans)
			}
		}
		t.Breaks = r.week(m.get("breaks"), "breaks")
		t.Away, _ = distinct[string](r, m.get("away"), "day", r.date)
		m.done()
		d.shop.Technicians = append(d.shop.Technicians, t)
		d.technicianAt = append(d.technicianAt, key)
	})
}

// foremen reads [ruth, {person: owner}].
func (r *reader) foremen(n *yaml.Node, d *draft) {
	for _, c := range r.nodes(n, listMax) {
		at, idNode := c, c
		if c.Kind == yaml.MappingNode {
			m := r.mapping(c, "a foreman")
			idNode, at = m.must("person", "an id"), nil
			m.done()
		}
		if idNode == nil {
			continue
		}
		id := queue.PersonID(r.id(idNode, "foreman"))
		if id == "" {
			continue
		}
		if slices.Contains(d.shop.Foremen, id) {
			r.at(idNode, "name it once", "the foreman %s stands twice", quote(string(id)))
			continue
		}
		d.shop.Foremen = append(d.shop.Foremen, id)
		d.foremanAt = append(d.foremanAt, at)
	}
	if n != nil && n.Kind == yaml.SequenceNode && len(n.Content) == 0 {
		r.at(n, "name at least one, else nobody can decide", "there is no foreman")
	}
}

// need reads "bench" or "bench (lift)".
func (r *reader) need(n *yaml.Node, what string) (queue.Need, bool) {
	s := r.text(n, what, 2*nameMax)
	if s == "" {
		return queue.Need{}, false
	}
	word, tag, tagged := strings.Cut(strings.TrimSuffix(s, ")"), "(")
	word = strings.TrimSpace(word)
	var need queue.Need
	if !slices.Contains(resourceKinds(), word) {
		r.at(n, r.didYouMean(word, resourceKinds()), "%s is no kind of resource to need", quote(word))
		return need, false
	}
	_ = need.Kind.UnmarshalText([]byte(word)) // one of the words, as just seen
	if tagged != strings.HasSuffix(s, ")") || tagged && !wordPattern.MatchString(strings.TrimSpace(tag)) {
		r.at(n, "write it like bench (lift)", "%s is no need", quote(s))
		return need, false
	}
	need.Tag = strings.TrimSpace(tag)
	return need, true
}
