package floor_test

import (
	"bytes"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"tickover/services/access"
	"tickover/services/floor/gate"
)

// crawlMax is how many pages of one route with the same parameters are opened,
// by each role.
const crawlMax = 3

// TestNobodyIsOfferedWhatIsNotHis: from page to page, as far as each role gets,
// every link is answered, and no link leads to and no form sends what its role
// may not.
func TestNobodyIsOfferedWhatIsNotHis(t *testing.T) {
	w := closedWorld(t)
	w.listNewer()
	paths := append(w.everyPage(), "/owner", "/labour", "/setup", "/counter", "/counter?q=LM", "/campaigns", "/calibrations", "/audit", "/account", "/accounts")
	routes := http.NewServeMux()
	rules := map[string]gate.Rule{}
	for _, line := range gate.Table() {
		rules[line.Route] = line.Rule
		routes.HandleFunc(line.Route, func(http.ResponseWriter, *http.Request) {})
	}
	for role, account := range roleAccounts {
		o := w.as(account.ID)
		c := crawl{t: t, routes: routes, rules: rules, account: account, role: role, opened: map[string]int{}, from: map[string]string{}, seen: map[string]bool{}, said: map[string]bool{}}
		for _, path := range paths {
			c.queue(path, "this test")
		}
		for len(c.todo) > 0 {
			path := c.todo[0]
			c.todo = c.todo[1:]
			r := o.get(path)
			if r.status != http.StatusOK {
				t.Errorf("%v: %s, which %s leads to: %d %.300s", role, path, c.from[path], r.status, r.body)
			}
			if strings.HasPrefix(r.header.Get("Content-Type"), "text/html") {
				c.page(path, r.body)
			}
		}
		page := string(o.get("/units/LM-1").body)
		for id, route := range map[string]string{`id="decide"`: "POST /do/amend", `id="hand-over"`: "POST /do/hand-over"} {
			if got, want := strings.Contains(page, id), slices.Contains(rules[route].Roles, role); got != want {
				t.Errorf("the unit's page has %s for %v: %v, want %v", id, role, got, want)
			}
		}
		if len(c.seen) < 12 {
			t.Errorf("%v came to %d pages only: %v", role, len(c.seen), c.seen)
		}
	}
}

type crawl struct {
	t       *testing.T
	routes  *http.ServeMux
	rules   map[string]gate.Rule
	account access.Account
	role    access.Role
	todo    []string
	opened  map[string]int    // by route and names of parameters
	from    map[string]string // the page with the link
	seen    map[string]bool
	said    map[string]bool
}

// lets reports whether the role may send a request, and its route.
func (c *crawl) lets(method, to string) (string, bool) {
	r, err := http.NewRequest(method, to, nil)
	if err != nil {
		c.t.Fatal(err)
	}
	_, route := c.routes.Handler(r)
	rule := c.rules[route]
	own := rule.OwnBench == "" || c.role != access.Bench || strings.HasPrefix(r.URL.Path, "/bench/"+string(c.account.Bench))
	return route, rule.Public || slices.Contains(rule.Roles, c.role) && own
}

// queue keeps a page to be opened, if it is one that the role may see.
func (c *crawl) queue(path, from string) {
	path, _, _ = strings.Cut(path, "#")
	route, ok := c.lets(http.MethodGet, path)
	kind := route
	if u, err := url.Parse(path); err == nil {
		kind += fmt.Sprint(slices.Sorted(maps.Keys(u.Query())))
	}
	if !ok || c.seen[path] || c.opened[kind] == crawlMax || route == "GET /static/" || route == "GET /events" {
		return
	}
	c.seen[path], c.from[path] = true, from
	c.opened[kind]++
	c.todo = append(c.todo, path)
}

// page holds what one page offers against the table.
func (c *crawl) page(path string, body []byte) {
	root, err := html.Parse(bytes.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	at, err := url.Parse(path)
	if err != nil {
		c.t.Fatal(err)
	}
	for n := range root.Descendants() {
		switch {
		case n.Type != html.ElementNode:
		case n.Data == "a" && attr(n, "href") != "":
			c.offer(at, http.MethodGet, attr(n, "href"))
		case n.Data == "form":
			method := strings.ToUpper(attr(n, "method"))
			if method == "" {
				method = http.MethodGet
			}
			c.offer(at, method, attr(n, "action"))
		case n.Data == "button" && attr(n, "formaction") != "":
			c.offer(at, http.MethodPost, attr(n, "formaction"))
		}
	}
}

func (c *crawl) offer(at *url.URL, method, to string) {
	ref, err := url.Parse(to)
	if err != nil {
		c.t.Errorf("%v: %s leads to %q: %v", c.role, at, to, err)
		return
	}
	ref = at.ResolveReference(ref)
	if ref.Host != "" || ref.Scheme != "" { // tel:, mailto:
		return
	}
	route, ok := c.lets(method, ref.RequestURI())
	if ok && method == http.MethodGet {
		c.queue(ref.RequestURI(), at.String())
	}
	if what := fmt.Sprintf("%v is offered %s, which is not his", c.role, route); !ok && !c.said[what] {
		c.said[what] = true
		c.t.Errorf("%s: on %s, %s %s", what, at, method, to)
	}
}
