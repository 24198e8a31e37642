package setup

import (
	"bytes"
	"errors"
	"reflect"
	"slices"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/services/almanac"
)

// Base is the file that a form is written into.
type Base struct {
	Name string // for messages
	Text []byte
	Shop *queue.Shop // what Text says
	// Fresh: there is no file yet, Text is [Start]. Operations that no chosen
	// route needs are left out.
	Fresh bool
	// Used is what can't be taken out.
	Used Used
}

// Result is a form as a shop file.
type Result struct {
	Text    []byte
	Hash    queue.Hash
	Shop    *queue.Shop // nil if there are problems
	Changed []string    // sections
	Form    *Form       // what was typed, with the ids that new rows get
	// Problems are all that is wrong, in the order of the file.
	Problems []Problem
}

// Problem is one thing that is wrong with what was typed.
type Problem struct {
	Section string // empty: of no section of the form
	Item    string // id of a resource, a technician, an operation or a route
	Line    int    // of the new file; 0: none
	// What and Do are for people; What is a format for Args.
	What, Do string
	Args     []any
}

// wrong is a problem of our own.
func wrong(section, what, do string, args ...any) Problem {
	return Problem{Section: section, What: what, Do: do, Args: args}
}

// Write writes the form into the file. A resource or technician that the form
// has no row for stays; one whose name was emptied is taken out.
func Write(b Base, f *Form) Result {
	doc, err := open(b.Text)
	if err != nil {
		return Result{Text: b.Text, Form: f, Problems: []Problem{wrong("", "The shop file is written in a form that can't be edited here: %s.", "Edit it by hand, or write each section on a line of its own.", err.Error())}}
	}
	w := writer{file: doc, base: b, was: Of(b.Shop), form: f.withIDs(b.Shop)}
	w.all()
	r := Result{Text: doc.text(), Changed: w.changed, Form: w.form}
	if len(w.changed) == 0 {
		r.Text = bytes.Clone(b.Text)
	}
	r.Problems = w.problems
	shop, hash, err := shopfile.Parse(b.Name, r.Text)
	r.Hash = queue.HashOf(r.Text)
	var list shopfile.Errors
	switch {
	case errors.As(err, &list):
		r.Problems = append(r.Problems, placed(r.Text, list, w.form.missing())...)
	case err != nil:
		r.Problems = append(r.Problems, wrong("", "The shop file would not be readable: %s.", "Change what you typed last.", err.Error()))
	default:
		if _, err := almanac.New(shop); err != nil {
			r.Problems = append(r.Problems, wrong("hours", "These hours make no sense: %s.", "Correct the hours.", err.Error()))
		} else if section := otherwise(b.Shop, shop, w.changed); section != "" {
			r.Problems = append(r.Problems, wrong(section, "The section %s would be read otherwise, although nothing was changed in it.", "Edit the file by hand.", section))
		}
		r.Hash = hash
	}
	if len(r.Problems) == 0 {
		r.Shop = shop
	}
	return r
}

// missing is what has to be said and was left empty, by section and item, in
// the form's own words.
func (f *Form) missing() map[[2]string]Problem {
	out := map[[2]string]Problem{}
	say := func(is bool, item string, p Problem) {
		if is {
			out[[2]string{p.Section, item}] = p
		}
	}
	say(f.Name == "", "", wrong("name", "The shop has no name yet.", "Write what people call it."))
	say(f.Site == "", "", wrong("site", "The shop has no short name yet.", "Write its name, or a short one in lower-case letters."))
	say(f.Zone == "", "time_zone", wrong("place", "The time zone is missing.", "Write it like Europe/London or America/Denver."))
	say(f.Latitude == "", "latitude", wrong("place", "The latitude is missing.", "Write degrees with a point, such as 54.5; south of the equator with a minus."))
	say(f.Longitude == "", "longitude", wrong("place", "The longitude is missing.", "Write degrees with a point, such as -3.1; west of Greenwich with a minus."))
	people := slices.ContainsFunc(f.Technicians, func(t Technician) bool { return t.Name != "" })
	say(!people, "", wrong("technicians", "Nobody works here yet.", "Write the name of at least one person."))
	foreman := parts(f.Foremen) != nil || slices.ContainsFunc(f.Technicians, func(t Technician) bool { return t.Name != "" && t.Foreman })
	say(!foreman, "", wrong("foremen", "Nobody is foreman yet.", "Tick foreman beside a person, else nobody can decide."))
	say(len(f.Routes) == 0, "", wrong("routes", "No route is chosen.", "Choose at least one."))
	return out
}

// placed tells the problems of a shop file by section and item.
func placed(text []byte, list shopfile.Errors, missing map[[2]string]Problem) []Problem {
	doc, err := open(text)
	var out []Problem
	for _, p := range list {
		q := Problem{Line: p.Line, What: "%s", Args: []any{p.What}, Do: p.Suggestion}
		if err == nil {
			q.Section, q.Item = doc.at(p.Line - 1)
		}
		if m, ok := missing[[2]string{q.Section, q.Item}]; ok {
			q.What, q.Do, q.Args = m.What, m.Do, nil
		}
		out = append(out, q)
	}
	return out
}

// at is the section and the item that a line is of.
func (f *file) at(line int) (section, item string) {
	for _, p := range f.sections {
		if line < p.from || line >= p.to {
			continue
		}
		section = p.key.Value
		for key, e := range f.entries(section) {
			if line >= e.from && line < e.to {
				item = key
			}
		}
	}
	return section, item
}

// otherwise finds a section that differs although it was not changed.
func otherwise(was, now *queue.Shop, changed []string) string {
	same := func(a, b any) bool { return reflect.DeepEqual(a, b) }
	is := func(s string) bool { return slices.Contains(changed, s) }
	for _, c := range []struct {
		section string
		skip    bool
		a, b    any
	}{
		{"site", false, was.Site, now.Site}, {"name", false, was.Name, now.Name},
		{"place", false, []any{was.TimeZone, was.LatitudeD, was.LongitudeD, was.ElevationM}, []any{now.TimeZone, now.LatitudeD, now.LongitudeD, now.ElevationM}},
		{"hours", false, was.Hours, now.Hours}, {"days", false, was.Days, now.Days}, {"quiet", false, was.Quiet, now.Quiet},
		{"daylight", false, was.Daylight, now.Daylight}, {"resources", false, was.Resources, now.Resources},
		{"technicians", is("hours"), was.Technicians, now.Technicians}, // who has no shifts works the shop's hours
		{"foremen", false, was.Foremen, now.Foremen}, {"operations", false, was.Operations, now.Operations},
		{"routes", false, was.Routes, now.Routes}, {"calibrations", false, was.Calibrations, now.Calibrations},
		{"objective", false, was.Objective, now.Objective}, {"planning", false, was.Planning, now.Planning}, {"limits", false, was.Limits, now.Limits},
	} {
		if !c.skip && !is(c.section) && !same(c.a, c.b) {
			return c.section
		}
	}
	return ""
}

// writer edits the sections whose fields differ.
type writer struct {
	*file
	base      Base
	was, form *Form
	changed   []string
	problems  []Problem
}

func (w *writer) all() {
	w.scalar("site", w.was.Site, w.form.Site)
	w.scalar("name", w.was.Name, w.form.Name)
	w.place()
	w.week("hours", w.was.Hours, w.form.Hours)
	w.days()
	w.week("quiet", w.was.Quiet, w.form.Quiet)
	w.resources()
	w.technicians()
	w.foremen()
	w.work()
	w.planning()
}

func (w *writer) note(section string) { w.changed = append(w.changed, section) }

func (w *writer) scalar(key, was, now string) {
	if was != now {
		w.set(key, text(now))
		w.note(key)
	}
}

func (w *writer) place() {
	was, now := w.was, w.form
	old := w.entries("place")
	var want []item
	differ := false
	for _, c := range []struct {
		key, was, now string
		optional      bool
	}{{"time_zone", was.Zone, now.Zone, false}, {"latitude", was.Latitude, now.Latitude, false}, {"longitude", was.Longitude, now.Longitude, false}, {"elevation_m", was.Elevation, now.Elevation, true}} {
		it := item{old: old[c.key], key: c.key}
		switch {
		case c.was == c.now && it.old == nil:
			continue
		case c.was != c.now:
			differ = true
			if c.optional && c.now == "" {
				continue
			}
			it.node = value(c.now)
		}
		want = append(want, it)
	}
	if differ {
		w.items("place", want)
		w.note("place")
	}
}

// planning writes the one key of its section; an emptied field takes the section
// out, and the default holds.
func (w *writer) planning() {
	switch was, now := w.was.Quantile, w.form.Quantile; {
	case was == now:
		return
	case now == "" && w.section("planning") == nil:
		return
	case now == "":
		w.drop("planning")
	default:
		m := flow()
		put(m, "quantile", value(now))
		w.set("planning", m)
	}
	w.note("planning")
}

func (w *writer) week(section string, was, now [7]string) {
	if was == now {
		return
	}
	w.note(section)
	m := block()
	groups(func(d time.Weekday) string { return now[d] }, func(days, spans string) { put(m, days, spansNode(spans)) })
	switch {
	case len(m.Content) > 0:
		w.set(section, m)
	case section == "quiet":
		w.drop(section)
	default:
		w.set(section, flow())
	}
}

func (w *writer) days() {
	if slices.Equal(w.was.Days, w.form.Days) {
		return
	}
	w.note("days")
	old := w.entries("days")
	var want []item
	for _, d := range w.form.Days {
		it := item{key: d.Date}
		if i := slices.IndexFunc(w.was.Days, func(o Day) bool { return o.Date == d.Date }); i >= 0 && old[d.Date] != nil {
			it.old = old[d.Date]
			delete(old, d.Date) // the same date again is a new one, which is refused
			if w.was.Days[i] == d {
				want = append(want, it)
				continue
			}
		}
		it.node = dayNode(d)
		want = append(want, it)
	}
	if len(want) == 0 {
		w.drop("days")
		return
	}
	w.items("days", want)
}

func dayNode(d Day) *yaml.Node {
	m := flow()
	switch {
	case d.Spans != "" && d.Spans != closed:
		put(m, "open", spansNode(d.Spans))
		if d.Reason != "" {
			put(m, "reason", text(d.Reason))
		}
	case d.Reason != "":
		put(m, closed, text(d.Reason))
	default:
		return text(closed)
	}
	return m
}

func (w *writer) resources() {
	old := w.entries("resources")
	was := byID(w.was.Resources, func(r Resource) string { return r.ID })
	var want []item
	differ := false
	stays, told := map[string]bool{}, map[string]bool{}
	for _, r := range w.form.Resources {
		o, known := was[r.Was]
		told[r.Was] = true
		if r.Name == "" && (known || r.Families+r.Tags+r.ID == "") {
			continue
		}
		it := item{key: r.ID}
		if known && !stays[r.Was] {
			stays[r.Was], it.old = true, old[r.Was]
			if r.Was = o.Was; r == o {
				want = append(want, it)
				continue
			}
		}
		differ, it.node = true, resourceNode(r)
		want = append(want, it)
	}
	for _, r := range w.was.Resources {
		if stays[r.ID] {
			continue
		}
		if !told[r.ID] && !w.base.Fresh { // somebody else's, since the form was made
			want = append(want, item{old: old[r.ID]})
			continue
		}
		differ = true
		if u, ok := w.base.Used.Resources[queue.ResourceID(r.ID)]; ok {
			p := wrong("resources", "%s can't be taken out: unit %s still uses it.", "Put its name back; take it out once the unit has moved on.", r.Name, string(u))
			p.Item = r.ID
			w.problems = append(w.problems, p)
		}
	}
	if differ {
		w.items("resources", want)
		w.note("resources")
	}
}

func resourceNode(r Resource) *yaml.Node {
	m := flow()
	put(m, "kind", text(r.Kind))
	if r.Name != r.ID || r.Name == "" {
		put(m, "name", text(r.Name))
	}
	if r.Tags != "" {
		put(m, "tags", list(parts(r.Tags)))
	}
	if r.Capacity != "" {
		put(m, "capacity", value(r.Capacity))
	}
	switch {
	case r.Families == anyFamily:
		put(m, "families", text(anyFamily))
	case r.Families != "":
		put(m, "families", list(parts(r.Families)))
	}
	return m
}

func (w *writer) technicians() {
	old := w.entries("technicians")
	was := byID(w.was.Technicians, func(t Technician) string { return t.ID })
	var want []item
	differ := false
	stays, told := map[string]bool{}, map[string]bool{}
	for _, t := range w.form.Technicians {
		o, known := was[t.Was]
		told[t.Was] = true
		if t.Name == "" && (known || t.ID == "") {
			continue
		}
		it := item{key: t.ID}
		if known && !stays[t.Was] {
			stays[t.Was], it.old = true, old[t.Was]
			o.Foreman = t.Foreman // told by the section foremen
			if t == o && !w.hidesShifts(it.old, t) {
				want = append(want, it)
				continue
			}
		}
		differ, it.node = true, technicianNode(t)
		want = append(want, it)
	}
	for _, t := range w.was.Technicians {
		if stays[t.ID] {
			continue
		}
		if !told[t.ID] && !w.base.Fresh { // somebody else's, since the form was made
			want = append(want, item{old: old[t.ID]})
			continue
		}
		differ = true
		if u, ok := w.base.Used.People[queue.PersonID(t.ID)]; ok {
			p := wrong("technicians", "%s can't be taken out: unit %s has a step that is that person's.", "Put the name back; take it out once the step is done or given to somebody else.", t.Name, string(u))
			p.Item = t.ID
			w.problems = append(w.problems, p)
		}
	}
	if differ {
		w.items("technicians", want)
		w.note("technicians")
	}
}

// hidesShifts: the file names shifts that were the shop's hours, so that the
// form showed none, and the shop's hours change.
func (w *writer) hidesShifts(p *part, t Technician) bool {
	if t.Shifts != "" || w.was.Hours == w.form.Hours || p == nil {
		return false
	}
	for i := 0; i+1 < len(p.value.Content); i += 2 {
		if p.value.Content[i].Value == "shifts" {
			return true
		}
	}
	return false
}

func technicianNode(t Technician) *yaml.Node {
	m := block()
	if t.Name != t.ID || t.Name == "" {
		put(m, "name", text(t.Name))
	}
	put(m, "skills", list(parts(t.Skills)))
	if t.Shifts != "" {
		put(m, "shifts", weekNode(t.Shifts))
	}
	if t.Breaks != "" {
		put(m, "breaks", weekNode(t.Breaks))
	}
	if t.Away != "" {
		put(m, "away", list(parts(t.Away)))
	}
	return m
}

// foremen keeps the order of the file and adds who is new.
func (w *writer) foremen() {
	technicians := func(f *Form) (out []string) {
		for _, t := range f.Technicians {
			if t.Foreman && t.Name != "" {
				out = append(out, t.ID)
			}
		}
		return out
	}
	tech, others := technicians(w.form), parts(w.form.Foremen)
	for _, t := range w.was.Technicians {
		told := slices.ContainsFunc(w.form.Technicians, func(f Technician) bool { return f.Was == t.ID })
		if t.Foreman && !told && !w.base.Fresh {
			tech = append(tech, t.ID)
		}
	}
	if sameSet(technicians(w.was), tech) && w.was.Foremen == w.form.Foremen {
		return
	}
	w.note("foremen")
	n := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	add := func(id string, works bool) {
		item := text(id)
		if !works {
			item = flow()
			put(item, "person", text(id))
		}
		n.Content = append(n.Content, item)
	}
	for _, f := range w.base.Shop.Foremen {
		if i := slices.Index(tech, string(f)); i >= 0 {
			add(tech[i], true)
			tech = slices.Delete(tech, i, i+1)
		} else if i := slices.Index(others, string(f)); i >= 0 {
			add(others[i], false)
			others = slices.Delete(others, i, i+1)
		}
	}
	for _, id := range tech {
		add(id, true)
	}
	for _, id := range others {
		add(id, false)
	}
	w.set("foremen", n)
}

func sameSet(a, b []string) bool {
	return slices.Equal(slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b)))
}

func byID[T any](list []T, id func(T) string) map[string]T {
	out := map[string]T{}
	for _, v := range list {
		out[id(v)] = v
	}
	return out
}
