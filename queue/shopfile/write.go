package shopfile

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
)

// Write writes a shop as a shop file, which [Parse] reads back as the same
// shop. A shop that no shop file can describe is an error.
func Write(s *queue.Shop) ([]byte, error) {
	top := block()
	top.put("site", text(s.Site))
	top.put("name", text(s.Name))
	top.put("place", flow().put("time_zone", text(s.TimeZone)).put("latitude", number(s.LatitudeD)).
		put("longitude", number(s.LongitudeD)).put("elevation_m", number(s.ElevationM)).node())
	top.put("hours", writeWeek(s.Hours))
	if len(s.Days) > 0 {
		top.put("days", writeDays(s.Days))
	}
	if !emptyWeek(s.Quiet) {
		top.put("quiet", writeWeek(s.Quiet))
	}
	top.put("daylight", writeDaylight(s.Daylight))
	top.put("resources", writeResources(s.Resources))
	top.put("technicians", writeTechnicians(s))
	top.put("foremen", writeForemen(s))
	operations, routes := block(), block()
	for i := range s.Operations {
		operations.put(string(s.Operations[i].ID), writeOperation(&s.Operations[i]))
	}
	for i := range s.Routes {
		routes.put(string(s.Routes[i].ID), writeRoute(&s.Routes[i]))
	}
	top.put("operations", operations.node())
	top.put("routes", routes.node())
	if len(s.Calibrations) > 0 {
		top.put("calibrations", writeCalibrations(s.Calibrations))
	}
	top.put("objective", flow().put("late", number(s.Objective.Late)).put("flow", number(s.Objective.Flow)).
		put("moved", number(s.Objective.Moved)).put("accepted_move", number(s.Objective.AcceptedMove)).node())
	top.put("planning", flow().put("quantile", number(s.Planning.Quantile)).node())
	top.put("limits", writeLimits(&s.Limits))

	out, err := yaml.Dump(top.node(), yaml.WithLineWidth(-1))
	if err != nil {
		return nil, fmt.Errorf("write shop file: %w", err)
	}
	return out, verify(s, out)
}

// verify reads what was written: it has to be the same shop.
func verify(s *queue.Shop, out []byte) error {
	back, _, err := Parse("shop", out)
	if err != nil {
		return fmt.Errorf("this shop can't be written as a shop file: %w", err)
	}
	a, b := reflect.ValueOf(*s), reflect.ValueOf(*back)
	for i := range a.NumField() {
		f := a.Type().Field(i)
		if f.IsExported() && !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()) {
			return fmt.Errorf("this shop can't be written as a shop file: %s would be read back otherwise", f.Name)
		}
	}
	return nil
}

// group builds a mapping, in the order of put.
type group struct{ n *yaml.Node }

func block() group { return group{&yaml.Node{Kind: yaml.MappingNode}} }
func flow() group  { return group{&yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}} }

func (g group) node() *yaml.Node { return g.n }

func (g group) put(key string, v *yaml.Node) group {
	g.n.Content = append(g.n.Content, text(key), v)
	return g
}

// putText puts a text that is not empty and not what it would be anyway.
func (g group) putText(key, s, otherwise string) group {
	if s != otherwise && s != "" {
		g.put(key, text(s))
	}
	return g
}

// putTrue puts a flag that is set.
func (g group) putTrue(key string, v bool) group {
	if v {
		g.put(key, plain("true"))
	}
	return g
}

func text[T ~string](s T) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: string(s)}
}

// plain is a scalar that is written without quotes.
func plain(s string) *yaml.Node { return &yaml.Node{Kind: yaml.ScalarNode, Value: s} }

func number(v float64) *yaml.Node { return plain(format(v)) }

func length(d time.Duration) *yaml.Node { return plain(writeDuration(d)) }

func list[T ~string](items []T) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	for _, s := range items {
		n.Content = append(n.Content, text(s))
	}
	return n
}

// writeDuration writes 1h30m; the inverse of parseDuration.
func writeDuration(d time.Duration) string {
	var b strings.Builder
	for _, u := range []struct {
		unit time.Duration
		name string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "m"}, {time.Second, "s"}} {
		if u.unit == 24*time.Hour && d%u.unit != 0 {
			continue // days only when they are whole
		}
		if n := d / u.unit; n > 0 {
			b.WriteString(strconv.FormatInt(int64(n), 10) + u.name)
			d -= n * u.unit
		}
	}
	if b.Len() == 0 {
		return "0m"
	}
	return b.String()
}

func writeSpans(spans []queue.Span) *yaml.Node {
	var out []string
	for _, s := range spans {
		out = append(out, s.From.String()+"-"+s.To.String())
	}
	switch len(out) {
	case 0:
		return plain(closed)
	case 1:
		return text(out[0])
	}
	return list(out)
}

func emptyWeek(w queue.Week) bool {
	return !slices.ContainsFunc(w[:], func(spans []queue.Span) bool { return len(spans) > 0 })
}

// writeWeek groups the days that follow each other and are alike.
func writeWeek(w queue.Week) *yaml.Node {
	order := []time.Weekday{1, 2, 3, 4, 5, 6, 0}
	g := flow()
	for i := 0; i < len(order); {
		j := i
		for j+1 < len(order) && slices.Equal(w[order[i]], w[order[j+1]]) {
			j++
		}
		name := dayNames[order[i]]
		switch {
		case i == 0 && j == len(order)-1:
			name = daily
		case j > i:
			name += "-" + dayNames[order[j]]
		}
		if spans := w[order[i]]; len(spans) > 0 {
			g.put(name, writeSpans(spans))
		}
		i = j + 1
	}
	return g.node()
}

func writeDays(days []queue.DayException) *yaml.Node {
	g := block()
	for _, d := range days {
		switch {
		case len(d.Spans) > 0:
			g.put(d.Date, flow().put("open", writeSpans(d.Spans)).putText("reason", d.Reason, "").node())
		case d.Reason != "":
			g.put(d.Date, flow().put(closed, text(d.Reason)).node())
		default:
			g.put(d.Date, plain(closed))
		}
	}
	return g.node()
}

func writeDaylight(rule queue.DaylightRule) *yaml.Node {
	from := sunrise
	if rule.CivilTwilight {
		from = civilTwilight
	}
	return flow().put("from", plain(from)).put("after", length(rule.AfterDawn)).put("before", length(rule.BeforeDusk)).node()
}

func writeResources(resources []queue.Resource) *yaml.Node {
	all := block()
	for _, res := range resources {
		g := flow().put("kind", plain(res.Kind.String())).putText("name", res.Name, string(res.ID))
		if len(res.Tags) > 0 {
			g.put("tags", list(res.Tags))
		}
		if res.Capacity != 1 {
			g.put("capacity", plain(strconv.Itoa(res.Capacity)))
		}
		switch {
		case len(res.Families) > 0:
			g.put("families", list(res.Families))
		case res.Kind == queue.Interface:
			g.put("families", plain(anyFamily))
		}
		all.put(string(res.ID), g.node())
	}
	return all.node()
}

func writeTechnicians(s *queue.Shop) *yaml.Node {
	all := block()
	for _, t := range s.Technicians {
		g := block().putText("name", t.Name, string(t.ID))
		g.put("skills", list(t.Skills))
		if !slices.EqualFunc(t.Shifts[:], s.Hours[:], slices.Equal[[]queue.Span]) {
			g.put("shifts", writeWeek(t.Shifts))
		}
		if !emptyWeek(t.Breaks) {
			g.put("breaks", writeWeek(t.Breaks))
		}
		if len(t.Away) > 0 {
			g.put("away", list(t.Away))
		}
		all.put(string(t.ID), g.node())
	}
	return all.node()
}

func writeForemen(s *queue.Shop) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	for _, f := range s.Foremen {
		item := text(f)
		if s.Technician(f) == nil {
			item = flow().put("person", item).node()
		}
		n.Content = append(n.Content, item)
	}
	return n
}

func needText(n queue.Need) string {
	if n.Tag == "" {
		return n.Kind.String()
	}
	return n.Kind.String() + " (" + n.Tag + ")"
}

func writeOperation(op *queue.Operation) *yaml.Node {
	g := block().putText("name", op.Name, string(op.ID)).put("kind", plain(op.Kind.String()))
	if len(op.Needs) > 0 {
		var needs []string
		for _, n := range op.Needs {
			needs = append(needs, needText(n))
		}
		g.put("needs", list(needs))
	}
	if op.Engine != OperationDefaults(op.Kind).Engine {
		g.put("engine", plain(strconv.FormatBool(op.Engine)))
	}
	stretches := &yaml.Node{Kind: yaml.SequenceNode}
	for i, s := range op.Stretches {
		stretches.Content = append(stretches.Content, writeStretch(op, s, i == len(op.Stretches)-1))
	}
	g.put("stretches", stretches)
	g.putTrue("overnight", op.Overnight).putTrue("handover", op.Handover)
	if len(op.Evidence) > 0 {
		evidence := block()
		for _, f := range op.Evidence {
			evidence.put(string(f.Key), writeField(f))
		}
		g.put("evidence", evidence.node())
	}
	if len(op.Cautions) > 0 {
		var names []string
		for _, c := range op.Cautions {
			names = append(names, c.String())
		}
		g.put("cautions", list(names))
	}
	return g.node()
}

func writeStretch(op *queue.Operation, s queue.Stretch, last bool) *yaml.Node {
	key := "hands-off"
	if s.HandsOn {
		key = "hands-on"
	}
	g := block().put(key, length(s.Duration)).putText("skill", string(s.Skill), "")
	if s.Technicians > 1 {
		g.put("technicians", plain(strconv.Itoa(s.Technicians)))
	}
	g.putTrue("splittable", s.Splittable)
	switch {
	case s.MaxWait == maxWaitDefault(op, s) || last:
	case s.MaxWait < 0:
		g.put("max_wait", plain("any"))
	default:
		g.put("max_wait", length(s.MaxWait))
	}
	return g.node()
}

func writeField(f queue.EvidenceField) *yaml.Node {
	g := flow().putText("label", f.Label, string(f.Key))
	fixed, isKnown := fixedEvidence[f.Key]
	if !isKnown {
		g.put("type", plain(f.Type.String()))
	}
	g.putText("unit", f.Unit, fixed.Unit)
	if f.Min != nil {
		g.put("min", number(*f.Min))
	}
	if f.Max != nil {
		g.put("max", number(*f.Max))
	}
	if !f.Required {
		g.put("required", plain("false"))
	}
	return g.putTrue("at_start", f.AtStart).node()
}

func writeRoute(rt *queue.Route) *yaml.Node {
	steps := block()
	for _, s := range rt.Steps {
		g := flow().putText("operation", string(s.Operation), string(s.ID))
		if len(s.After) > 0 {
			after := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
			for _, a := range s.After {
				after.Content = append(after.Content, writeAfter(a))
			}
			g.put("after", after)
		}
		g.putTrue("optional", s.Optional)
		if len(s.Parallel) > 0 {
			g.put("parallel", list(s.Parallel))
		}
		steps.put(string(s.ID), g.node())
	}
	return block().putText("name", rt.Name, string(rt.ID)).put("steps", steps.node()).node()
}

func writeAfter(a queue.After) *yaml.Node {
	if a.Min == 0 && a.Max < 0 {
		return text(a.Step)
	}
	g := flow().put("step", text(a.Step))
	if a.Min > 0 {
		g.put("min", length(a.Min))
	}
	if a.Max >= 0 {
		g.put("max", length(a.Max))
	}
	return g.node()
}

func writeCalibrations(cals []queue.Calibration) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode}
	for _, c := range cals {
		years := strconv.Itoa(c.YearFrom)
		if c.YearTo != c.YearFrom {
			years += "-" + strconv.Itoa(c.YearTo)
		}
		n.Content = append(n.Content, flow().put("id", text(c.ID)).put("revision", plain(strconv.Itoa(c.Revision))).
			putTrue("none_needed", c.NoneNeeded).
			put("make", text(c.Make)).put("model", text(c.Model)).put("years", text(years)).
			put("family", text(c.Family)).putText("fitment", string(c.Fitment), string(fitmentDefault)).
			put("released", text(c.Released)).putText("for_caller", c.ForCaller, "").node())
	}
	return n
}

func writeLimits(l *queue.Limits) *yaml.Node {
	return block().put("battery_min_v", number(l.BatteryMinV)).put("clock_skew", length(l.ClockSkew)).
		put("call_before", length(l.CallBefore)).put("overdue_after", length(l.OverdueAfter)).
		put("showroom_max", length(l.ShowroomMax)).put("yard_capacity", plain(strconv.Itoa(l.YardCapacity))).
		put("units_open_max", plain(strconv.Itoa(l.UnitsOpenMax))).putText("rework_operation", string(l.ReworkOp), "").node()
}
