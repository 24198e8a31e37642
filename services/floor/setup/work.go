package setup

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
)

// work writes operations and routes.
func (w *writer) work() {
	start := template()
	var routes, operations []item
	addedRoutes := false
	needed := map[string]bool{}
	old := w.entries("routes")
	for i := range w.base.Shop.Routes {
		rt := &w.base.Shop.Routes[i]
		if !slices.Contains(w.form.Routes, string(rt.ID)) {
			addedRoutes = true
			continue
		}
		routes = append(routes, item{old: old[string(rt.ID)], key: string(rt.ID)})
		need(needed, rt)
	}
	added := map[string]bool{}
	for i := range start.shop.Routes {
		rt := &start.shop.Routes[i]
		if w.base.Shop.Route(rt.ID) != nil || !slices.Contains(w.form.Routes, string(rt.ID)) {
			continue
		}
		addedRoutes = true
		routes = append(routes, start.item("routes", string(rt.ID)))
		need(added, rt)
	}
	if addedRoutes {
		w.items("routes", routes)
		w.note("routes")
	}

	old = w.entries("operations")
	differ, whole := w.minutes(old)
	for i := range w.base.Shop.Operations {
		id := w.base.Shop.Operations[i].ID
		if w.base.Fresh && !needed[string(id)] && id != w.base.Shop.Limits.ReworkOp {
			differ = true
			continue
		}
		it := item{old: old[string(id)], key: string(id)}
		if whole[string(id)] {
			it.node = it.old.value
		}
		operations = append(operations, it)
	}
	for i := range start.shop.Operations {
		id := start.shop.Operations[i].ID
		if added[string(id)] && w.base.Shop.Operation(id) == nil {
			differ = true
			operations = append(operations, start.item("operations", string(id)))
		}
	}
	if differ {
		w.items("operations", operations)
		w.note("operations")
	}
}

func need(set map[string]bool, rt *queue.Route) {
	for _, s := range rt.Steps {
		set[string(s.Operation)] = true
	}
}

var plainDuration = regexp.MustCompile(`^[0-9dhms]{1,20}$`)

// minutes puts the typed lengths of stretches in place. It reports whether
// there were any, and the operations that have to be written from their nodes.
func (w *writer) minutes(old map[string]*part) (differ bool, whole map[string]bool) {
	type change struct {
		operation, typed string
		at               *yaml.Node
	}
	var changes []change
	for _, o := range w.was.Operations {
		for i, was := range o.Minutes {
			now, typed := w.form.Minutes(o.ID, i)
			if n := lengthOf(old[o.ID], i); typed && now != was && n != nil {
				changes = append(changes, change{o.ID, now, n})
			}
		}
	}
	whole = map[string]bool{}
	for _, c := range slices.Backward(changes) { // what stands before in the line keeps its column
		if !w.length(c.at, c.typed) {
			whole[c.operation] = true
		}
	}
	return len(changes) > 0, whole
}

// lengthOf is the scalar that holds the length of a stretch.
func lengthOf(p *part, stretch int) *yaml.Node {
	if p == nil {
		return nil
	}
	n := child(p.value, "stretches")
	switch {
	case n == nil:
		return nil
	case n.Kind == yaml.SequenceNode && stretch < len(n.Content):
		n = n.Content[stretch]
	case n.Kind != yaml.MappingNode || stretch > 0:
		return nil
	}
	if on := child(n, "hands-on"); on != nil {
		return on
	}
	return child(n, "hands-off")
}

func child(m *yaml.Node, key string) *yaml.Node {
	if m.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i+1]
		}
	}
	return nil
}

// length writes a length into its line and its node; false if it was not found
// in the line.
func (w *writer) length(n *yaml.Node, typed string) bool {
	if plainNumber.MatchString(typed) {
		typed += "m"
	}
	was := n.Value
	n.Value, n.Tag = typed, "!!str"
	shown := typed
	if !plainDuration.MatchString(typed) {
		b, _ := json.Marshal(typed) // a text always has a form in JSON, which is YAML as well
		shown = string(b)
	}
	line := []rune(w.lines[n.Line-1])
	from := n.Column - 1
	to := from + len([]rune(was))
	if n.Style != 0 { // quoted
		to += 2
	}
	if from < 0 || to > len(line) || strings.Trim(string(line[from:to]), `"'`) != was {
		return false
	}
	w.lines[n.Line-1] = string(line[:from]) + shown + string(line[to:])
	return true
}
