package pages

import (
	"bytes"
	"slices"
	"strings"

	"golang.org/x/net/html"
)

// freeze makes a page of the past of a page: what changes something is left
// out, and so are the scripts, which would keep it fresh; links and searches
// stay at the moment. A page that can't be read is left as it is: whatever it
// sends is refused anyway, because its address carries the moment.
func freeze(page []byte, asof string) []byte {
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		return page
	}
	f := freezer{asof: asof}
	f.node(root, false)
	prune(root)
	var out bytes.Buffer
	if err := html.Render(&out, root); err != nil {
		return page
	}
	return out.Bytes()
}

type freezer struct{ asof string }

// node changes what is below a node; asking is whether it lies in a search.
func (f *freezer) node(n *html.Node, asking bool) {
	for c := n.FirstChild; c != nil; {
		next := c.NextSibling
		if c.Type == html.ElementNode {
			switch {
			case f.changes(c, asking):
				if c.Data == "a" && n.Data != "footer" && !strings.Contains(attribute(c, "class"), "button") {
					plain(c) // its words stay
					f.node(c, asking)
					break
				}
				n.RemoveChild(c)
			default:
				f.link(c)
				f.node(c, asking || c.Data == "form")
			}
		}
		c = next
	}
}

// changes reports an element that changes something, or a script.
func (f *freezer) changes(n *html.Node, asking bool) bool {
	switch n.Data {
	case "script", "template":
		return true
	case "form":
		return strings.EqualFold(attribute(n, "method"), "post")
	case "details": // the help of what can be moved
		for d := range n.Descendants() {
			if d.Data == "kbd" {
				return true
			}
		}
	case "button", "input", "select", "textarea":
		return !asking
	case "a":
		return onlyPresent(strings.SplitN(attribute(n, "href"), "?", 2)[0]) && !strings.HasPrefix(attribute(n, "href"), "/me")
	}
	return false
}

// plain makes a text of a link, or a group of a picture's.
func plain(n *html.Node) {
	n.Data, n.DataAtom = "span", 0
	if n.Namespace == "svg" {
		n.Data = "g"
	}
	n.Attr = slices.DeleteFunc(n.Attr, func(a html.Attribute) bool { return a.Key != "class" })
}

// link keeps a link or a search at the moment.
func (f *freezer) link(n *html.Node) {
	switch n.Data {
	case "body":
		n.Attr = slices.DeleteFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "data-live-page" || a.Key == "data-now" })
	case "time":
		n.Attr = slices.DeleteFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "data-clock" })
	case "a":
		for i := range n.Attr {
			if a := &n.Attr[i]; a.Key == "href" && stays(n, a.Val) {
				a.Val = staying(a.Val, f.asof)
			}
		}
	case "form":
		if attribute(n, "class") != "look-back" {
			n.InsertBefore(&html.Node{Type: html.ElementNode, Data: "input", Attr: []html.Attribute{
				{Key: "type", Val: "hidden"}, {Key: "name", Val: asofParam}, {Key: "value", Val: f.asof},
			}}, n.FirstChild)
		}
	}
}

// timeless pages are the same at any moment, and the way back to now is not of
// the past.
var timeless = []string{"/me", "/cautions", "/api", "/static", "/photos", "/healthz"}

func stays(n *html.Node, to string) bool {
	if attribute(n, "data-present") != "" || !strings.HasPrefix(to, "/") {
		return false
	}
	path := strings.FieldsFunc(to, func(r rune) bool { return r == '?' || r == '#' })
	return len(path) == 0 || !slices.ContainsFunc(timeless, func(p string) bool { return path[0] == p || strings.HasPrefix(path[0], p+"/") })
}

// prune removes what has nothing but a heading left.
func prune(root *html.Node) {
	for pruned(root) {
	}
}

func pruned(n *html.Node) bool {
	removed := false
	for c := n.FirstChild; c != nil; {
		next := c.NextSibling
		if c.Type == html.ElementNode {
			removed = pruned(c) || removed
			if hollow(c) {
				n.RemoveChild(c)
				removed = true
			}
		}
		c = next
	}
	return removed
}

// hollow is a fold or a panel that has only its name left.
func hollow(n *html.Node) bool {
	panel := n.Data == "section" && strings.Contains(attribute(n, "class"), "panel")
	if n.Data != "details" && !panel {
		return false
	}
	return empty(n, n)
}

func empty(n, root *html.Node) bool {
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		switch {
		case c.Type == html.TextNode && strings.TrimSpace(c.Data) != "":
			return false
		case c.Type != html.ElementNode:
		case n == root && slices.Contains([]string{"summary", "h2", "h3"}, c.Data):
		case slices.Contains([]string{"img", "svg", "input", "a"}, c.Data), !empty(c, root):
			return false
		}
	}
	return true
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}
