package setup

import (
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/queue"
)

// Form is what the page asks of a shop, each value as a person writes it.
type Form struct {
	Site, Name                string
	Zone, Latitude, Longitude string
	Elevation                 string
	Quantile                  string    // of learnt lengths that is planned with; empty: the default
	Hours, Quiet              [7]string // by time.Weekday; "08:00-12:00, 13:00-17:30", empty: shut
	Days                      []Day
	Resources                 []Resource
	Technicians               []Technician
	Foremen                   string   // who are no technicians, ids
	Routes                    []string // ids of those that are chosen
	Operations                []Operation
}

// Day is a single day that differs.
type Day struct{ Date, Spans, Reason string }

// Resource is a row of the form. Was is its id in the file, empty for a new one.
type Resource struct{ Was, ID, Kind, Name, Tags, Families, Capacity string }

// Technician is a row of the form. Shifts and breaks are weeks like
// "mon-fri: 08:00-17:00; sat: 08:30-13:00"; empty shifts are the shop's hours.
type Technician struct {
	Was, ID, Name, Skills, Shifts, Breaks, Away string
	Foreman                                     bool
}

// Operation is the length of each stretch of an operation, in minutes.
type Operation struct {
	ID      string
	Minutes []string
}

// Week is the order in which the form shows the days.
var Week = [7]time.Weekday{1, 2, 3, 4, 5, 6, 0}

var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// Of fills the form from a shop.
func Of(s *queue.Shop) *Form {
	f := &Form{Site: string(s.Site), Name: s.Name, Zone: s.TimeZone, Latitude: number(s.LatitudeD), Longitude: number(s.LongitudeD), Quantile: number(s.PlanningQuantile())}
	if s.ElevationM != 0 {
		f.Elevation = number(s.ElevationM)
	}
	for d := range f.Hours {
		f.Hours[d], f.Quiet[d] = spansText(s.Hours[d]), spansText(s.Quiet[d])
	}
	for _, d := range s.Days {
		f.Days = append(f.Days, Day{d.Date, spansText(d.Spans), d.Reason})
	}
	for i := range s.Resources {
		f.Resources = append(f.Resources, resourceOf(&s.Resources[i]))
	}
	for i := range s.Technicians {
		f.Technicians = append(f.Technicians, technicianOf(s, &s.Technicians[i]))
	}
	var others []string
	for _, id := range s.Foremen {
		if s.Technician(id) == nil {
			others = append(others, string(id))
		}
	}
	f.Foremen = strings.Join(others, ", ")
	for i := range s.Routes {
		f.Routes = append(f.Routes, string(s.Routes[i].ID))
	}
	for i := range s.Operations {
		f.Operations = append(f.Operations, operationOf(&s.Operations[i]))
	}
	return f
}

func resourceOf(r *queue.Resource) Resource {
	out := Resource{Was: string(r.ID), ID: string(r.ID), Kind: r.Kind.String(), Name: r.Name, Tags: strings.Join(r.Tags, ", ")}
	if r.Capacity != 1 {
		out.Capacity = strconv.Itoa(r.Capacity)
	}
	if r.Kind == queue.Interface {
		out.Families = anyFamily
		if len(r.Families) > 0 {
			out.Families = joined(r.Families)
		}
	}
	return out
}

func technicianOf(s *queue.Shop, t *queue.Technician) Technician {
	out := Technician{Was: string(t.ID), ID: string(t.ID), Name: t.Name, Skills: joined(t.Skills), Breaks: weekText(t.Breaks),
		Away: strings.Join(t.Away, ", "), Foreman: s.Foreman(t.ID)}
	if !slices.EqualFunc(t.Shifts[:], s.Hours[:], slices.Equal[[]queue.Span]) {
		if out.Shifts = weekText(t.Shifts); out.Shifts == "" {
			out.Shifts = "daily: " + closed
		}
	}
	return out
}

func operationOf(o *queue.Operation) Operation {
	out := Operation{ID: string(o.ID)}
	for _, s := range o.Stretches {
		out.Minutes = append(out.Minutes, strconv.Itoa(int(s.Duration/time.Minute)))
	}
	return out
}

// Fields are the values of the form for a shop.
func Fields(s *queue.Shop) url.Values { return Of(s).Values() }

// Values are the form's fields by name, as [Read] reads them.
func (f *Form) Values() url.Values {
	v := url.Values{}
	put := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	for name, s := range map[string]string{"site": f.Site, "name": f.Name, "time_zone": f.Zone, "latitude": f.Latitude,
		"longitude": f.Longitude, "elevation_m": f.Elevation, "foremen": f.Foremen, "quantile": f.Quantile} {
		put(name, s)
	}
	for d, name := range dayNames {
		put("hours."+name, f.Hours[d])
		put("quiet."+name, f.Quiet[d])
	}
	for i, d := range f.Days {
		put(field("day", i, "date"), d.Date)
		put(field("day", i, "spans"), d.Spans)
		put(field("day", i, "reason"), d.Reason)
	}
	for i, r := range f.Resources {
		for name, s := range map[string]string{"was": r.Was, "id": r.ID, "kind": r.Kind, "name": r.Name, "tags": r.Tags, "families": r.Families, "capacity": r.Capacity} {
			put(field("res", i, name), s)
		}
	}
	for i, t := range f.Technicians {
		for name, s := range map[string]string{"was": t.Was, "id": t.ID, "name": t.Name, "skills": t.Skills, "shifts": t.Shifts, "breaks": t.Breaks, "away": t.Away} {
			put(field("tech", i, name), s)
		}
		if t.Foreman {
			v.Set(field("tech", i, "foreman"), "yes")
		}
	}
	for _, id := range f.Routes {
		v.Add("route", id)
	}
	for _, o := range f.Operations {
		for i, m := range o.Minutes {
			put(field("op."+o.ID, i, ""), m)
		}
	}
	return v
}

func field(group string, i int, name string) string {
	s := group + "." + strconv.Itoa(i)
	if name != "" {
		s += "." + name
	}
	return s
}

// Read reads the form's fields. Blanks around a value don't count; bytes that
// are no text are replaced. Rows in which nothing is typed are dropped.
func Read(v url.Values) *Form {
	get := func(name string) string { return clean(v.Get(name)) }
	f := &Form{Site: get("site"), Name: get("name"), Zone: get("time_zone"), Latitude: get("latitude"), Longitude: get("longitude"),
		Elevation: get("elevation_m"), Quantile: get("quantile"), Foremen: listText(get("foremen"))}
	for d, name := range dayNames {
		f.Hours[d], f.Quiet[d] = listText(get("hours."+name)), listText(get("quiet."+name))
	}
	for _, i := range rows(v, "day") {
		at := func(name string) string { return get(field("day", i, name)) }
		if d := (Day{at("date"), listText(at("spans")), at("reason")}); d != (Day{}) {
			f.Days = append(f.Days, d)
		}
	}
	for _, i := range rows(v, "res") {
		at := func(name string) string { return get(field("res", i, name)) }
		r := Resource{at("was"), at("id"), at("kind"), at("name"), listText(at("tags")), listText(at("families")), at("capacity")}
		if r.Was != "" {
			r.ID = r.Was
		}
		if kind := r.Kind; r.Was != "" || r != (Resource{Kind: kind}) {
			f.Resources = append(f.Resources, r)
		}
	}
	for _, i := range rows(v, "tech") {
		at := func(name string) string { return get(field("tech", i, name)) }
		t := Technician{at("was"), at("id"), at("name"), listText(at("skills")), weekNorm(at("shifts")), weekNorm(at("breaks")), listText(at("away")), at("foreman") != ""}
		if t.Was != "" {
			t.ID = t.Was
		}
		if t != (Technician{}) {
			f.Technicians = append(f.Technicians, t)
		}
	}
	for _, id := range v["route"] {
		if id = clean(id); id != "" && !slices.Contains(f.Routes, id) {
			f.Routes = append(f.Routes, id)
		}
	}
	f.readOperations(v)
	return f
}

func (f *Form) readOperations(v url.Values) {
	at := map[string]map[int]string{}
	for name := range v {
		rest, ok := strings.CutPrefix(name, "op.")
		dot := strings.LastIndexByte(rest, '.')
		if !ok || dot < 1 {
			continue
		}
		i, err := strconv.Atoi(rest[dot+1:])
		if err != nil || i < 0 || i >= stretchesMax {
			continue
		}
		if at[rest[:dot]] == nil {
			at[rest[:dot]] = map[int]string{}
		}
		at[rest[:dot]][i] = clean(v.Get(name))
	}
	for _, id := range slices.Sorted(maps.Keys(at)) {
		o := Operation{ID: id}
		for i := range stretchesMax {
			m, ok := at[id][i]
			if !ok {
				break
			}
			o.Minutes = append(o.Minutes, m)
		}
		f.Operations = append(f.Operations, o)
	}
}

// stretchesMax is how many stretches an operation may have in a shop file.
const stretchesMax = 20

// Minutes is the typed length of a stretch.
func (f *Form) Minutes(operation string, stretch int) (string, bool) {
	for _, o := range f.Operations {
		if o.ID == operation && stretch < len(o.Minutes) {
			return o.Minutes[stretch], true
		}
	}
	return "", false
}

// rows are the numbers of a group's rows, in order.
func rows(v url.Values, group string) []int {
	seen := map[int]bool{}
	for name := range v {
		rest, ok := strings.CutPrefix(name, group+".")
		if !ok {
			continue
		}
		n, _, _ := strings.Cut(rest, ".")
		if i, err := strconv.Atoi(n); err == nil && i >= 0 {
			seen[i] = true
		}
	}
	return slices.Sorted(maps.Keys(seen))
}

func clean(s string) string { return strings.TrimSpace(strings.ToValidUTF8(s, "\uFFFD")) }

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func joined[T ~string](list []T) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = string(s)
	}
	return strings.Join(out, ", ")
}

// parts are the items of a list with commas.
func parts(s string) []string {
	var out []string
	for p := range strings.SplitSeq(s, ",") {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// listText is a list as the form shows it.
func listText(s string) string { return strings.Join(parts(s), ", ") }

func spansText(spans []queue.Span) string {
	out := make([]string, len(spans))
	for i, s := range spans {
		out[i] = s.From.String() + "-" + s.To.String()
	}
	return strings.Join(out, ", ")
}

// closed and daily are words of the shop file.
const (
	closed    = "closed"
	daily     = "daily"
	anyFamily = "any"
)

// groups joins the days from Monday to Sunday that follow each other and are
// alike; days without a value are left out.
func groups(at func(time.Weekday) string, put func(days, value string)) {
	for i := 0; i < len(Week); {
		j := i
		for j+1 < len(Week) && at(Week[i]) == at(Week[j+1]) {
			j++
		}
		name := dayNames[Week[i]]
		switch {
		case i == 0 && j == len(Week)-1:
			name = daily
		case j > i:
			name += "-" + dayNames[Week[j]]
		}
		if s := at(Week[i]); s != "" {
			put(name, s)
		}
		i = j + 1
	}
}

func weekText(w queue.Week) string {
	var out []string
	groups(func(d time.Weekday) string { return spansText(w[d]) }, func(days, spans string) { out = append(out, days+": "+spans) })
	return strings.Join(out, "; ")
}

// weekNorm is a typed week with its blanks in order.
func weekNorm(s string) string {
	var out []string
	for p := range strings.SplitSeq(s, ";") {
		if days, spans := weekPart(p); days != "" {
			out = append(out, days+": "+spans)
		} else if spans != "" {
			out = append(out, spans)
		}
	}
	return strings.Join(out, "; ")
}

// weekPart is one "mon-fri: 08:00-17:00"; without days, they are empty.
func weekPart(s string) (days, spans string) {
	s = strings.TrimSpace(s)
	if s == "" || s[0] >= '0' && s[0] <= '9' {
		return "", listText(s)
	}
	days, spans, ok := strings.Cut(s, ":")
	if !ok {
		return "", s
	}
	return strings.TrimSpace(days), listText(spans)
}
