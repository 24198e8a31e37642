package gate

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"tickover/queue"
	"tickover/services/access"
)

// Rule says who may use a route.
type Rule struct {
	Public bool // also who is not signed in
	Roles  []access.Role
	// OwnBench names the path value in which a bench device has its own bench.
	OwnBench string
	// OwnPerson names the path value in which a technician, or a calendar's
	// link, has himself.
	OwnPerson string
	// Each names the path value that has rules of its own in the table.
	Each string
	// Stream: the answer goes on until the reader leaves.
	Stream bool
	// Note is what the table in the docs says beside the roles.
	Note string
}

// roles reports whether one of the roles is somebody's.
func (r *Rule) roles(w *access.Who) bool { return w.Is(r.Roles...) }

// lets reports whether somebody may send this request.
func (r *Rule) lets(q *http.Request, w *access.Who) bool {
	if w.Is(linkOnly) {
		return r.OwnPerson != "" && q.PathValue(r.OwnPerson) == string(w.Person)
	}
	if !r.roles(w) {
		return false
	}
	if r.OwnBench != "" && w.Is(access.Bench) && queue.ResourceID(q.PathValue(r.OwnBench)) != w.Bench {
		return false
	}
	if r.OwnPerson != "" && !w.Is(access.Foreman, access.Owner) && q.PathValue(r.OwnPerson) != string(w.Person) {
		return false
	}
	return true
}

// at is the rule of a request on a route that has one for each value.
func (r Rule) at(q *http.Request) Rule {
	if r.Each == "" {
		return r
	}
	_, path, _ := strings.Cut(q.Pattern, " ")
	return table[q.Method+" "+strings.Replace(path, "{"+r.Each+"}", q.PathValue(r.Each), 1)]
}

// ruleOf is the rule of a pattern; one that is not in the table is for nobody.
func ruleOf(pattern string) Rule { return table[pattern] }

// Groups of roles.
const (
	foreman, technician, owner = access.Foreman, access.Technician, access.Owner
	counter, bench, reader     = access.Counter, access.Bench, access.Reader
)

var (
	everyone = access.AllRoles()
	staff    = []access.Role{foreman, technician, owner, counter, reader} // everyone but a bench device
	people   = []access.Role{foreman, technician, owner, counter}         // who may see a customer's name
	desk     = []access.Role{foreman, owner, counter}                     // who deals with customers
	work     = []access.Role{foreman, technician, bench}
)

func to(roles ...access.Role) Rule { return Rule{Roles: roles} }

func (r Rule) note(s string) Rule { r.Note = s; return r }

// table is who may use which route. Whoever adds a route adds a line; a page
// with a customer's name is for people, one that changes something for who has
// that job. Then: go test ./services/floor/gate -update
var table = map[string]Rule{
	// Before somebody is known.
	"GET /static/":               {Public: true},
	"GET /sw.js":                 {Public: true},
	"GET /manifest.webmanifest":  {Public: true},
	"GET /icon-192.png":          {Public: true},
	"GET /icon-512.png":          {Public: true},
	"GET /offline":               {Public: true},
	"GET /readyz":                {Public: true},
	"GET /healthz":               {Public: true},
	"GET /trust":                 {Public: true, Note: "where the shop has a certificate authority of its own"},
	"GET /authority.crt":         {Public: true, Note: "as before"},
	"GET /sign-in":               {Public: true},
	"POST /sign-in":              {Public: true},
	"GET /sign-in/provider":      {Public: true, Note: "where the shop has an OpenID provider"},
	"GET /sign-in/provider/back": {Public: true, Note: "as before"},
	"GET /pair":                  {Public: true},
	"POST /pair":                 {Public: true},
	"GET /first-account":         {Public: true, Note: "only on this machine, with the secret of the console, while there is no account"},
	"POST /first-account":        {Public: true, Note: "as before"},
	"POST /prefs":                {Public: true, Note: "language and units of this device"},

	// About oneself.
	"POST /sign-out":          to(everyone...),
	"GET /me":                 to(everyone...),
	"POST /me":                to().note("only while nobody signs in"),
	"GET /account":            to(staff...),
	"POST /account/password":  to(staff...),
	"POST /account/sessions":  to(staff...),
	"POST /account/calendar":  to(technician, foreman),
	"GET /accounts":           to(owner, foreman).note("a foreman pairs devices only"),
	"POST /accounts":          to(owner),
	"POST /accounts/{id}":     to(owner),
	"POST /accounts/{id}/end": to(owner),
	"POST /accounts/pair":     to(owner, foreman).note("a foreman not for owners"),

	// What is going on.
	"GET /{$}":                     to(everyone...),
	"GET /":                        to(everyone...).note("there is no such page"),
	"GET /board":                   to(everyone...),
	"GET /events":                  {Roles: everyone, Stream: true},
	"GET /bench":                   to(everyone...),
	"GET /bench/{id}":              {Roles: everyone, OwnBench: "id", Note: "a bench device its own"},
	"GET /job":                     to(staff...),
	"GET /units":                   to(staff...),
	"GET /units/{id}":              to(staff...),
	"GET /units/{id}/steps/{step}": to(everyone...),
	"GET /units/{id}/meanwhile":    to(everyone...),
	"GET /photos/{hash}":           to(everyone...),
	"GET /find":                    to(staff...),
	"GET /group":                   to(staff...).note("of other sites what their own accounts let the person see"),
	"GET /scan":                    to(everyone...),
	"GET /look":                    to(everyone...),
	"GET /cautions":                to(everyone...),
	"GET /calibrations":            to(staff...),
	"GET /calibrations.csv":        to(staff...),
	"GET /campaigns":               to(staff...),
	"GET /audit":                   to(staff...),
	"GET /machines/{key}":          to(staff...),
	"GET /machines/{key}/trade-in": to(people...),
	"GET /technicians/{id}/day.ics": {Roles: []access.Role{technician, foreman, owner}, OwnPerson: "id",
		Note: "a technician his own; or by a link with a secret"},

	// Customers.
	"GET /counter":                  to(desk...),
	"GET /check-in":                 to(desk...),
	"GET /people/{id}":              to(desk...),
	"POST /people/{id}":             to(desk...),
	"GET /people/{id}/export":       to(desk...),
	"GET /units/{id}/ticket":        to(people...),
	"GET /campaigns/{id}":           to(desk...),
	"GET /campaigns/{id}/book":      to(desk...),
	"GET /campaigns/{id}/claim":     to(desk...),
	"GET /campaigns/{id}/claim.csv": to(desk...),
	"GET /import":                   to(foreman, counter),
	"GET /import/example.csv":       to(foreman, counter),
	"POST /import":                  to(foreman, counter),
	"POST /do/receive":              to(foreman, counter),
	"POST /do/amend":                to(foreman, counter),
	"POST /do/owner":                to(foreman, counter),
	"POST /do/hand-over":            to(foreman, counter),
	"POST /do/contact":              to(foreman, counter),

	// Work.
	"POST /do/{action}": {Each: "action"},
	"POST /do/accept":   to(work...).note("a technician for himself, a bench device at its own"),
	"POST /do/return":   to(work...).note("as before"),
	"POST /do/start":    to(work...).note("as before"),
	"POST /do/advance":  to(work...).note("as before"),
	"POST /do/done":     to(work...).note("as before"),
	"POST /do/failed":   to(work...).note("as before"),
	"POST /do/problem":  to(work...).note("as before"),

	// Decisions; to let an interlock pass is the foreman's on every route.
	"GET /decide":                   to(foreman),
	"GET /decide/{unit}":            to(foreman),
	"GET /decide/{unit}/{step}":     to(foreman),
	"POST /preview":                 to(foreman),
	"POST /calibrations":            to(foreman),
	"POST /do/hold":                 to(foreman),
	"POST /do/pin":                  to(foreman),
	"POST /do/unpin":                to(foreman),
	"POST /do/skip":                 to(foreman),
	"POST /do/reopen":               to(foreman),
	"POST /do/move":                 to(foreman),
	"POST /do/first":                to(foreman),
	"POST /do/undo":                 to(foreman),
	"POST /do/close":                to(foreman),
	"POST /do/open":                 to(foreman),
	"POST /do/sweep":                to(foreman),
	"POST /do/list-calibration":     to(foreman),
	"POST /do/withdraw-calibration": to(foreman),
	"POST /do/open-campaign":        to(foreman),
	"POST /do/close-campaign":       to(foreman),

	// The owner's.
	"GET /owner":                    to(owner),
	"GET /owner/units":              to(owner),
	"GET /owner/csv/{table}":        to(owner),
	"GET /owner/plot/{file}":        to(owner),
	"GET /labour":                   to(owner),
	"GET /labour/steps":             to(owner),
	"GET /labour/lines.csv":         to(owner),
	"GET /owner/lengths":            to(owner, foreman),
	"GET /owner/lengths.csv":        to(owner, foreman),
	"GET /owner/promises":           to(owner, foreman),
	"GET /owner/promises.csv":       to(owner, foreman),
	"GET /api/v1/lengths":           to(owner, foreman),
	"GET /owner/whatif":             to(owner, foreman),
	"GET /owner/whatif/{id}":        to(owner, foreman),
	"GET /owner/whatif/{id}/{file}": to(owner, foreman),
	"POST /owner/whatif":            to(owner, foreman),
	"POST /owner/whatif/{id}/stop":  to(owner, foreman),
	"GET /setup":                    to(owner, foreman),
	"POST /setup":                   to(owner, foreman).note("who writes is among the shop file's foremen"),
	"GET /metrics":                  to(owner, reader),

	// Programs.
	"GET /api":                                     to(staff...),
	"GET /api/v1/openapi.json":                     to(everyone...),
	"GET /api/v1/openapi.yaml":                     to(everyone...),
	"GET /api/v1/openapi-3.0.json":                 to(everyone...),
	"GET /api/v1/openapi-3.0.yaml":                 to(everyone...),
	"GET /api/v1/overview":                         to(everyone...),
	"GET /api/v1/shop":                             to(staff...),
	"GET /api/v1/alerts":                           to(everyone...),
	"GET /api/v1/units":                            to(staff...),
	"GET /api/v1/units/{unit}":                     to(staff...),
	"GET /api/v1/units/{unit}/history":             to(staff...),
	"GET /api/v1/plan":                             to(staff...),
	"GET /api/v1/technicians/{technician}/next":    to(staff...),
	"GET /api/v1/stations/{station}":               {Roles: everyone, OwnBench: "station", Note: "a bench device its own"},
	"GET /api/v1/calibration":                      to(staff...),
	"GET /api/v1/frame-number":                     to(staff...),
	"GET /api/v1/calibrations":                     to(staff...),
	"GET /api/v1/campaigns":                        to(staff...),
	"GET /api/v1/campaigns/{campaign}":             to(desk...),
	"GET /api/v1/campaigns/{campaign}/claim":       to(desk...),
	"GET /api/v1/campaigns/{campaign}/claim.csv":   to(desk...),
	"GET /api/v1/campaigns/{campaign}/times":       to(desk...),
	"GET /api/v1/labour":                           to(owner),
	"GET /api/v1/labour/lines":                     to(owner),
	"GET /api/v1/labour/lines.csv":                 to(owner),
	"GET /api/v1/machines/{machine}":               to(staff...),
	"GET /api/v1/machines/{machine}/trade-in":      to(people...),
	"GET /api/v1/simulations":                      to(owner, foreman),
	"GET /api/v1/simulations/{simulation}":         to(owner, foreman),
	"POST /api/v1/simulations":                     to(owner, foreman),
	"POST /api/v1/simulations/{simulation}/stop":   to(owner, foreman),
	"GET /api/v1/backup":                           {Roles: []access.Role{owner}, Note: "everything, people included"},
	"GET /api/v1/showroom/audit":                   to(staff...),
	"GET /api/v1/technicians/{technician}/day.ics": {Roles: []access.Role{technician, foreman, owner}, OwnPerson: "technician", Note: "a technician his own"},
	"GET /api/v1/people":                           to(desk...),
	"GET /api/v1/people/{person}":                  to(desk...),
	"GET /api/v1/people/{person}/export":           to(desk...),
	"POST /api/v1/people":                          to(desk...),
	"POST /api/v1/people/{person}/erase":           to(desk...),

	"POST /api/v1/units":                        to(foreman, counter),
	"POST /api/v1/units/batch":                  to(foreman, counter),
	"POST /api/v1/import":                       to(foreman, counter),
	"POST /api/v1/units/{unit}/amend":           to(foreman, counter),
	"POST /api/v1/units/{unit}/hand-over":       to(foreman, counter),
	"POST /api/v1/campaigns/{campaign}/contact": to(foreman, counter),

	"POST /api/v1/photos":                            to(foreman, technician, bench, counter),
	"POST /api/v1/units/{unit}/steps/{step}/accept":  to(work...).note("a technician for himself, a bench device at its own"),
	"POST /api/v1/units/{unit}/steps/{step}/return":  to(work...).note("as before"),
	"POST /api/v1/units/{unit}/steps/{step}/start":   to(work...).note("as before"),
	"POST /api/v1/units/{unit}/steps/{step}/advance": to(work...).note("as before"),
	"POST /api/v1/units/{unit}/steps/{step}/finish":  to(work...).note("as before"),
	"POST /api/v1/units/{unit}/steps/{step}/problem": to(work...).note("as before"),

	"POST /api/v1/units/{unit}/steps/{step}/pin":         to(foreman),
	"POST /api/v1/units/{unit}/steps/{step}/unpin":       to(foreman),
	"POST /api/v1/units/{unit}/steps/{step}/skip":        to(foreman),
	"POST /api/v1/units/{unit}/steps/{step}/reopen":      to(foreman),
	"POST /api/v1/units/{unit}/sweep":                    to(foreman),
	"POST /api/v1/resources/{resource}/close":            to(foreman),
	"POST /api/v1/resources/{resource}/open":             to(foreman),
	"POST /api/v1/technicians/{technician}/absent":       to(foreman),
	"POST /api/v1/technicians/{technician}/present":      to(foreman),
	"POST /api/v1/calibrations":                          to(foreman),
	"POST /api/v1/calibrations/import":                   to(foreman),
	"POST /api/v1/calibrations/{id}/{revision}/withdraw": to(foreman),
	"POST /api/v1/campaigns":                             to(foreman),
	"POST /api/v1/campaigns/{campaign}/close":            to(foreman),
}

// Line is a route in the table for people.
type Line struct {
	Route string
	Rule  Rule
}

// Table is who may use which route, by path.
func Table() []Line {
	var out []Line
	for route, rule := range table {
		if rule.Each == "" {
			out = append(out, Line{route, rule})
		}
	}
	slices.SortFunc(out, func(x, y Line) int {
		mx, px, _ := strings.Cut(x.Route, " ")
		my, py, _ := strings.Cut(y.Route, " ")
		return cmp.Or(strings.Compare(px, py), strings.Compare(mx, my))
	})
	return out
}

// Known reports whether the table has the route.
func Known(route string) bool { _, ok := table[route]; return ok }

// Markdown is the table for the docs.
func Markdown() string {
	var b strings.Builder
	b.WriteString("| route |")
	for _, r := range access.AllRoles() {
		fmt.Fprintf(&b, " %s |", r)
	}
	b.WriteString(" |\n| --- |" + strings.Repeat(" :-: |", len(access.AllRoles())) + " --- |\n")
	for _, l := range Table() {
		fmt.Fprintf(&b, "| `%s` |", l.Route)
		for _, r := range access.AllRoles() {
			mark := " "
			switch {
			case l.Rule.Public:
				mark = " ○ "
			case slices.Contains(l.Rule.Roles, r):
				mark = " ● "
			}
			b.WriteString(mark + "|")
		}
		b.WriteString(" " + l.Rule.Note + " |\n")
	}
	b.WriteString("\n● signed in with that role, ○ everybody, also signed out. A route that is not here is for nobody.\n")
	return b.String()
}
