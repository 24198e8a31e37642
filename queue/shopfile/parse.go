package shopfile

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // a file is judged alike on every machine
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
	"go.yaml.in/yaml/v4/plugin/loaderlimits"

	"tickover/queue"
)

// SizeMax bounds a shop file in bytes, depthMax the nesting in it.
const (
	SizeMax  = 1 << 20
	depthMax = 16
)

// Parse reads a shop file. name stands in messages, usually the file's path.
// It returns the shop and the hash of src, or [Errors] with every mistake.
func Parse(name string, src []byte) (*queue.Shop, queue.Hash, error) {
	r := &reader{collector{file: name, lines: strings.Split(strings.TrimPrefix(string(src), "\uFEFF"), "\n")}}
	sections := r.load(src)
	if sections == nil {
		return nil, "", r.err()
	}
	d := r.shop(sections)
	d.check(r)
	if err := r.err(); err != nil {
		return nil, "", err
	}
	return &d.shop, queue.HashOf(src), nil
}

// sections is the top level of a shop file.
type sections struct {
	*mapping
	// torn are the sections that could not be read as YAML; references to
	// what they hold are not judged.
	torn map[string]bool
}

// load reads the bytes as one YAML mapping without anchors, aliases and tags.
// It returns nil if nothing can be said of the content.
func (r *reader) load(src []byte) *sections {
	if len(src) > SizeMax {
		r.add(1, 1, "split off what is no shop file", "the file has %d bytes, at most %d are allowed", len(src), SizeMax)
		return nil
	}
	for i, line := range r.lines {
		if !utf8.ValidString(line) {
			r.add(i+1, 1+badColumn(line), "save the file as UTF-8", "these bytes are no UTF-8 text")
		}
	}
	if len(r.list) > 0 {
		return nil
	}
	node, err := compose(src)
	if err != nil {
		return r.salvage(err)
	}
	if node.Kind == 0 || len(node.Content) == 0 || isNull(node.Content[0]) {
		r.add(1, 1, "start from the demo shop's file", "the file is empty")
		return nil
	}
	s := &sections{mapping: r.mapping(node.Content[0], "the shop file"), torn: map[string]bool{}}
	if !r.plain(node) || s.broken() {
		return nil
	}
	return s
}

func badColumn(line string) int {
	n := 0
	for i, c := range line {
		if _, size := utf8.DecodeRuneInString(line[i:]); c == utf8.RuneError && size == 1 {
			break
		}
		n++
	}
	return n
}

func compose(src []byte) (*yaml.Node, error) {
	var node yaml.Node
	err := yaml.Load(src, &node, yaml.WithUniqueKeys(false),
		yaml.WithPlugin(loaderlimits.New(loaderlimits.DepthValue(depthMax), loaderlimits.AliasValue(0))))
	var le *yaml.LoadError
	switch {
	case err == nil:
		return &node, nil
	case errors.As(err, &le) && le.Mark.Line > 0:
		return nil, le
	case node.Kind != 0:
		return nil, errors.New("the file holds several documents; take the line --- out")
	case len(bytes.TrimSpace(src)) == 0 || strings.Contains(err.Error(), "no documents"):
		return &node, nil
	}
	return nil, err
}

// sectionsMax bounds what salvage looks at; a shop file has 14 sections.
const sectionsMax = 100

var sectionPattern = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_-]*[ \t]*:`)

// salvage reads the sections of a file that is no YAML as a whole one by one,
// so that the other mistakes are told as well.
func (r *reader) salvage(whole error) *sections {
	top := &yaml.Node{Kind: yaml.MappingNode, Line: 1, Column: 1}
	torn := map[string]bool{}
	var starts []int
	for i, line := range r.lines {
		if sectionPattern.MatchString(line) && len(starts) < sectionsMax {
			starts = append(starts, i)
		}
	}
	for k, from := range starts {
		to := len(r.lines)
		if k+1 < len(starts) {
			to = starts[k+1]
		}
		if m := r.section(from, to); m != nil {
			top.Content = append(top.Content, m.Content...)
			continue
		}
		name, _, _ := strings.Cut(r.lines[from], ":")
		torn[strings.TrimSpace(name)] = true
	}
	if len(torn) == 0 {
		r.syntax(whole, 0) // the sections are sound, what is between them is not
	}
	if len(top.Content) == 0 {
		return nil
	}
	s := &sections{mapping: r.mapping(top, "the shop file"), torn: torn}
	for name := range torn {
		s.known = append(s.known, name)
	}
	return s
}

// section reads the lines [from, to) as a mapping of its own; nil if they are
// none, which it notes.
func (r *reader) section(from, to int) *yaml.Node {
	node, err := compose([]byte(strings.Join(r.lines[from:to], "\n") + "\n"))
	if err != nil {
		r.syntax(err, from)
		return nil
	}
	shift(node, from)
	if len(node.Content) != 1 || node.Content[0].Kind != yaml.MappingNode {
		r.add(from+1, strings.Index(r.lines[from], ":")+1, "write a blank after the colon", "not readable as YAML: no key: value")
		return nil
	}
	if !r.plain(node) {
		return nil
	}
	return node.Content[0]
}

// shift moves a node by so many lines down.
func shift(n *yaml.Node, lines int) {
	n.Line += lines
	for _, c := range n.Content {
		shift(c, lines)
	}
}

// syntax notes an error of the YAML library in text that begins after so many
// lines.
func (r *reader) syntax(err error, lines int) {
	var le *yaml.LoadError
	if !errors.As(err, &le) {
		r.add(1, 1, "", "%v", err)
		return
	}
	line, column, what := le.Mark.Line, le.Mark.Column, le.Message
	if le.ContextMark.Line > 0 && le.ContextMsg != "" {
		line, column = le.ContextMark.Line, le.ContextMark.Column
		what = fmt.Sprintf("%s: %s", le.ContextMsg, what)
	}
	hint := "look for a missing quote, bracket, colon or blank, or a wrong indentation, here or in the line before"
	switch {
	case strings.Contains(what, "cannot start any token") && lines+line <= len(r.lines) && strings.Contains(r.lines[lines+line-1], "\t"):
		hint = "indent with blanks, not with tabs"
	case strings.Contains(what, "anchor"):
		hint = "write the value again instead of *name"
	}
	r.add(lines+line, column, hint, "not readable as YAML: %s", what)
}

// plain notes anchors, aliases and tags: a shop file says what it means in
// place, so that a small file can't stand for a huge one.
func (r *reader) plain(n *yaml.Node) bool {
	ok := true
	note := func(suggestion, format string, args ...any) {
		r.at(n, suggestion, format, args...)
		ok = false
	}
	switch {
	case n.Kind == yaml.AliasNode:
		note("write the value again", "the alias *%.40s", n.Value)
		return false
	case n.Anchor != "":
		note("take it out and write the value again where it is needed", "the anchor &%.40s", n.Anchor)
	case n.Style&yaml.TaggedStyle != 0:
		note("take it out", "the tag %.40s", n.Tag)
	}
	for _, c := range n.Content {
		if !r.plain(c) {
			ok = false
		}
	}
	return ok
}

// draft is a shop with the places in the file that its cross-checks speak of.
type draft struct {
	shop queue.Shop
	torn map[string]bool

	zoneAt, longitudeAt *yaml.Node
	resourceAt          []*yaml.Node
	technicianAt        []*yaml.Node
	foremanAt           []*yaml.Node // nil for a person who is no technician
	operations          []operationDraft
	operationNames      []string
	kinds               map[queue.OperationID]queue.OperationKind
	routes              []routeDraft
	calibrationAt       []calibrationDraft
	reworkAt            *yaml.Node
	routesAt            *yaml.Node
	limitsAt            *yaml.Node
}

// shop reads all sections.
func (r *reader) shop(s *sections) *draft {
	d := &draft{shop: Defaults(), torn: s.torn}
	must := func(key, example string) *yaml.Node {
		if s.torn[key] {
			s.get(key)
			return nil
		}
		n := s.must(key, example)
		if n == nil { // one message is enough
			d.torn[key] = true
		}
		return n
	}
	d.shop.Site = queue.SiteID(r.site(must("site", "a short name of the shop, such as larkmoor")))
	d.shop.Name = r.text(must("name", "the shop's name"), "name", nameMax)
	if n := must("place", "{time_zone: …, latitude: …, longitude: …}"); n != nil {
		r.place(n, d)
	}
	before := r.count()
	d.shop.Hours = r.week(must("hours", `{mon-fri: "08:00-17:30"}`), "hours")
	if n := s.value["hours"]; n != nil && emptyWeek(d.shop.Hours) && r.count() == before {
		r.at(n, `name the days, for example {mon-fri: "08:00-17:30"}`, "the shop is never open")
	}
	d.shop.Days = r.days(s.get("days"))
	d.shop.Quiet = r.week(s.get("quiet"), "quiet")
	d.shop.Daylight = r.daylight(s.get("daylight"))
	if n := must("resources", "at least one bench"); n != nil {
		r.resources(n, d)
	}
	if n := must("technicians", "at least one"); n != nil {
		r.technicians(n, d)
	}
	r.foremen(must("foremen", "who may override, for example [ruth]"), d)
	if n := must("operations", "the kinds of work"); n != nil {
		r.operations(n, d)
	}
	if n := must("routes", "what a visit needs"); n != nil {
		d.routesAt = n
		r.routes(n, d)
	}
	r.calibrations(s.get("calibrations"), d)
	r.objective(s.get("objective"), d)
	r.planning(s.get("planning"), d)
	r.limits(s.get("limits"), d)
	s.done()
	return d
}

func (r *reader) site(n *yaml.Node) string {
	s := r.text(n, "site", 4*nameMax)
	if s == "" || sitePattern.MatchString(s) {
		return s
	}
	r.at(n, "use lower-case letters, digits and '-', at most 40", "%s is no site", quote(s))
	return ""
}

func (r *reader) place(n *yaml.Node, d *draft) {
	m := r.mapping(n, "place")
	d.zoneAt = m.must("time_zone", "Europe/London")
	d.shop.TimeZone = r.zone(d.zoneAt)
	d.shop.LatitudeD = r.number(m.must("latitude", "55.6"), "latitude", -90, 90, 0)
	d.longitudeAt = m.must("longitude", "-2.8")
	d.shop.LongitudeD = r.number(d.longitudeAt, "longitude", -180, 180, math.NaN())
	d.shop.ElevationM = r.number(m.get("elevation_m"), "elevation_m", -430, 9000, 0)
	m.done()
}

func (r *reader) zone(n *yaml.Node) string {
	s := r.text(n, "time_zone", nameMax)
	if s == "" {
		return ""
	}
	if _, err := time.LoadLocation(s); err != nil || s == "Local" {
		r.at(n, "write a name of the IANA time zone database, such as Europe/London or America/Denver", "%s is no time zone", quote(s))
		return ""
	}
	return s
}

func (r *reader) daylight(n *yaml.Node) (rule queue.DaylightRule) {
	if n == nil {
		return rule
	}
	m := r.mapping(n, "daylight")
	if from := m.get("from"); from != nil {
		switch {
		case from.Kind == yaml.ScalarNode && from.Value == sunrise:
		case from.Kind == yaml.ScalarNode && from.Value == civilTwilight:
			rule.CivilTwilight = true
		default:
			r.at(from, r.didYouMean(from.Value, []string{sunrise, civilTwilight}), "%s is no start of the daylight", valueOf(from))
		}
	}
	rule.AfterDawn = r.duration(m.get("after"), "after", 0, 6*time.Hour, time.Minute, 0)
	rule.BeforeDusk = r.duration(m.get("before"), "before", 0, 6*time.Hour, time.Minute, 0)
	m.done()
	return rule
}

const (
	sunrise       = "sunrise"
	civilTwilight = "civil-twilight"
)

func (r *reader) objective(n *yaml.Node, d *draft) {
	if n == nil {
		return
	}
	m := r.mapping(n, "objective")
	o := &d.shop.Objective
	for _, w := range []struct {
		key string
		v   *float64
	}{{"late", &o.Late}, {"flow", &o.Flow}, {"moved", &o.Moved}, {"accepted_move", &o.AcceptedMove}} {
		*w.v = r.number(m.get(w.key), "the weight "+w.key, 0, weightMax, *w.v)
	}
	m.done()
}

// Bounds of the quantile that lengths are planned with.
const quantileMin, quantileMax = 0.3, 0.95

func (r *reader) planning(n *yaml.Node, d *draft) {
	if n == nil {
		return
	}
	m := r.mapping(n, "planning")
	if at := m.get("quantile"); at != nil {
		v, err := strconv.ParseFloat(at.Value, 64)
		if err == nil && v >= quantileMin && v <= quantileMax && numberPattern.MatchString(at.Value) {
			d.shop.Planning.Quantile = v
		} else {
			r.at(at, "write a share with a point, from 0.3 to 0.95; 0.6 is usual", "quantile is %s", valueOf(at))
		}
	}
	m.done()
}

// weightMax bounds a weight of the objective.
const weightMax = 10_000

func (r *reader) limits(n *yaml.Node, d *draft) {
	d.limitsAt = n
	if n == nil {
		return
	}
	m := r.mapping(n, "limits")
	l := &d.shop.Limits
	l.BatteryMinV = r.number(m.get("battery_min_v"), "battery_min_v", 5, 60, l.BatteryMinV)
	l.ClockSkew = r.duration(m.get("clock_skew"), "clock_skew", time.Second, time.Hour, time.Second, l.ClockSkew)
	l.OverdueAfter = r.duration(m.get("overdue_after"), "overdue_after", 0, 24*time.Hour, time.Second, l.OverdueAfter)
	l.CallBefore = r.duration(m.get("call_before"), "call_before", 0, time.Hour, time.Second, l.CallBefore)
	l.ShowroomMax = r.duration(m.get("showroom_max"), "showroom_max", time.Hour, 3650*24*time.Hour, time.Minute, l.ShowroomMax)
	l.YardCapacity = r.whole(m.get("yard_capacity"), "yard_capacity", 0, 100_000, l.YardCapacity)
	l.UnitsOpenMax = r.whole(m.get("units_open_max"), "units_open_max", 0, 100_000, l.UnitsOpenMax)
	d.reworkAt = m.get("rework_operation")
	l.ReworkOp = queue.OperationID(r.id(d.reworkAt, "rework_operation"))
	m.done()
}
