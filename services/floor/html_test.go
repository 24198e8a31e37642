package floor_test

import (
	"bytes"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// document is a parsed page.
type document struct {
	t    testing.TB
	root *html.Node
	r    reply
}

func (w *world) page(path string) document {
	w.t.Helper()
	return w.parse(w.get(path))
}

func (w *world) parse(r reply) document {
	w.t.Helper()
	root, err := html.Parse(bytes.NewReader(r.body))
	if err != nil {
		w.t.Fatal(err)
	}
	return document{w.t, root, r}
}

// all lists the elements below n that match.
func all(n *html.Node, match func(*html.Node) bool) []*html.Node {
	var out []*html.Node
	for c := range n.Descendants() {
		if c.Type == html.ElementNode && match(c) {
			out = append(out, c)
		}
	}
	return out
}

func tag(names ...string) func(*html.Node) bool {
	return func(n *html.Node) bool { return slices.Contains(names, n.Data) }
}

func class(name string) func(*html.Node) bool {
	return func(n *html.Node) bool { return slices.Contains(strings.Fields(attr(n, "class")), name) }
}

func attr(n *html.Node, name string) string {
	v, _ := has(n, name)
	return v
}

func has(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

// text is what an element says, with blanks joined.
func text(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func (d document) text() string { return text(d.root) }

func (d document) all(match func(*html.Node) bool) []*html.Node { return all(d.root, match) }

// refusal is the text of the refusal that the page shows, empty if none.
func (d document) refusal() string {
	if found := d.all(class("refusal")); len(found) > 0 {
		return text(found[0])
	}
	return ""
}

// said is what the page says of the last form.
func (d document) said() string {
	if found := d.all(class("said")); len(found) > 0 {
		return text(found[0])
	}
	return ""
}

// form is a form with what its fields hold.
type form struct {
	action string
	values url.Values
	node   *html.Node
}

// forms lists the forms to an action.
func (d document) forms(action string) []form {
	var out []form
	for _, n := range d.all(tag("form")) {
		if attr(n, "action") == action {
			out = append(out, form{action, valuesOf(n), n})
		}
	}
	return out
}

// form is the form to an action whose hidden fields are as given.
func (d document) form(action string, hidden ...string) form {
	d.t.Helper()
	for _, f := range d.forms(action) {
		match := true
		for i := 0; i+1 < len(hidden); i += 2 {
			match = match && f.values.Get(hidden[i]) == hidden[i+1]
		}
		if match {
			return f
		}
	}
	d.t.Fatalf("no form %s with %v on %s (%d):\n%s", action, hidden, d.r.path, d.r.status, d.text())
	return form{}
}

// valuesOf is what a browser would send for the form as it stands.
func valuesOf(n *html.Node) url.Values {
	v := url.Values{}
	for _, f := range all(n, tag("input", "select", "textarea")) {
		name := attr(f, "name")
		switch {
		case name == "":
		case f.Data == "textarea":
			v.Add(name, text(f))
		case f.Data == "select":
			v.Add(name, selected(f))
		case attr(f, "type") == "radio" || attr(f, "type") == "checkbox":
			if _, checked := has(f, "checked"); checked {
				v.Add(name, attr(f, "value"))
			}
		case attr(f, "type") != "file":
			v.Add(name, attr(f, "value"))
		}
	}
	return v
}

func selected(n *html.Node) string {
	options := all(n, tag("option"))
	for _, o := range options {
		if _, ok := has(o, "selected"); ok {
			return attr(o, "value")
		}
	}
	if len(options) == 0 {
		return ""
	}
	return attr(options[0], "value")
}

// resourceSeparator stands between the values of a field that is sent several
// times.
const resourceSeparator = "\x00"

// submit fills fields in and sends the form.
func (w *world) submit(f form, fill ...string) document {
	w.t.Helper()
	v := url.Values{}
	for name, list := range f.values {
		v[name] = slices.Clone(list)
	}
	for i := 0; i+1 < len(fill); i += 2 {
		v[fill[i]] = strings.Split(fill[i+1], resourceSeparator)
	}
	return w.parse(w.postForm(f.action, v))
}
