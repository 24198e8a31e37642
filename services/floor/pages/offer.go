package pages

import (
	"bytes"
	"html"
	"iter"
	"net/http"
	"net/url"
	"strings"

	markup "golang.org/x/net/html"

	"tickover/services/floor/gate"
)

// offered leaves out of a finished page the forms and the links that the gate
// would refuse to its reader, and what is nothing but their heading then. So no
// template has to know each role; most pages have nothing to leave out and stay
// as they are.
func offered(page []byte, data any) []byte {
	b, ok := data.(interface {
		lets(method, path string) bool
	})
	if !ok {
		return page
	}
	answers := map[string]bool{} // by method and path
	lets := func(method, to string) bool {
		path, ours := pathOf(to)
		if !ours {
			return true
		}
		key := method + " " + path
		is, asked := answers[key]
		if !asked {
			is = b.lets(method, path)
			answers[key] = is
		}
		return is
	}
	seen := map[string]bool{} // by attribute and address: most stand many times
	for attribute, to := range addresses(page) {
		key := attribute + " " + string(to)
		if seen[key] {
			continue
		}
		seen[key] = true
		// A form may ask or send; which is looked at when the page is read.
		if at := html.UnescapeString(string(to)); !lets(http.MethodGet, at) || attribute != "href" && !lets(http.MethodPost, at) {
			return without(page, lets)
		}
	}
	return page
}

// addresses are the attributes of a page that lead to one of our own, as they
// stand there. Pages are large and renewed often: this looks at what matters
// only, and need not understand the rest.
func addresses(page []byte) iter.Seq2[string, []byte] {
	begin := []byte(`="/`)
	return func(yield func(string, []byte) bool) {
		for {
			i := bytes.Index(page, begin)
			if i < 0 {
				return
			}
			name := i
			for name > 0 && page[name-1] >= 'a' && page[name-1] <= 'z' {
				name--
			}
			attribute := ""
			switch string(page[name:i]) {
			case "href":
				attribute = "href"
			case "action":
				attribute = "action"
			case "formaction":
				attribute = "formaction"
			}
			page = page[i+2:]
			end := bytes.IndexByte(page, '"')
			if end < 0 {
				return
			}
			if attribute != "" && !yield(attribute, page[:end]) {
				return
			}
			page = page[end:]
		}
	}
}

// pathOf is the path of an address, if it is one of ours.
func pathOf(to string) (string, bool) {
	if !strings.HasPrefix(to, "/") {
		return "", false
	}
	u, err := url.Parse(to)
	return u.Path, err == nil && u.Host == ""
}

// lets reports whether who looks may go to or send to an address. Who is not
// signed in is sent to do so wherever he goes.
func (b *Base) lets(method, path string) bool {
	return b.ctx == nil || b.Who == nil || gate.Lets(b.ctx, method, path)
}

// without takes out what lets refuses. A page that can't be read is left as it
// is: the gate refuses what it sends.
func without(page []byte, lets func(method, to string) bool) []byte {
	root, err := markup.Parse(bytes.NewReader(page))
	if err != nil {
		return page
	}
	leaveOut(root, lets)
	prune(root)
	var out bytes.Buffer
	if err := markup.Render(&out, root); err != nil {
		return page
	}
	return out.Bytes()
}

func leaveOut(n *markup.Node, lets func(method, to string) bool) {
	for c := n.FirstChild; c != nil; {
		next := c.NextSibling
		if c.Type == markup.ElementNode {
			switch {
			case lets(sends(c)):
				leaveOut(c, lets)
			case c.Data != "a":
				n.RemoveChild(c)
			case entry(c):
				if n.Data == "li" && n.Parent != nil {
					n.Parent.RemoveChild(n)
					return
				}
				n.RemoveChild(c)
			default:
				plain(c) // its words stay
				leaveOut(c, lets)
			}
		}
		c = next
	}
}

// sends is where an element leads to; empty: nowhere.
func sends(n *markup.Node) (method, to string) {
	switch n.Data {
	case "a":
		return http.MethodGet, attribute(n, "href")
	case "form":
		if strings.EqualFold(attribute(n, "method"), "post") {
			return http.MethodPost, attribute(n, "action")
		}
		return http.MethodGet, attribute(n, "action")
	case "button":
		return http.MethodPost, attribute(n, "formaction")
	}
	return http.MethodGet, ""
}

// entry is a link that is there only to lead somewhere: in the navigation, a
// list of doors, the foot, an alert, or as a button.
func entry(n *markup.Node) bool {
	if strings.Contains(attribute(n, "class"), "button") || strings.HasPrefix(attribute(n.Parent, "class"), "alert") {
		return true
	}
	for p := n.Parent; p != nil; p = p.Parent {
		if p.Data == "nav" || p.Data == "footer" || p.Data == "ul" && strings.Contains(attribute(p, "class"), "doors") {
			return true
		}
	}
	return false
}
