package shopfile

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/queue"
)

// Names of weekdays, by time.Weekday.
var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

const (
	daily  = "daily"
	closed = "closed"
)

// week reads {mon-fri: 08:00-17:30, sat: [..]}; a value without days holds
// for every day. A day that is not named has no spans.
func (r *reader) week(n *yaml.Node, what string) (w queue.Week) {
	if n == nil {
		return w
	}
	if n.Kind != yaml.MappingNode {
		spans := r.spans(n, what)
		for d := range w {
			w[d] = slices.Clone(spans)
		}
		return w
	}
	m := r.mapping(n, what)
	named := map[time.Weekday]string{}
	for _, k := range m.keys {
		days, ok := parseDays(k.Value)
		if !ok {
			r.at(k, "write mon … sun, a range like mon-fri, or daily", "%s in %s is no day of the week", quote(k.Value), what)
			continue
		}
		spans := r.spans(m.value[k.Value], what+" "+k.Value)
		for _, d := range days {
			if before, ok := named[d]; ok {
				r.at(k, "name each day once, for example mon-tue, wed, thu-fri", "%s in %s names %s, which %s has named already", quote(k.Value), what, dayNames[d], quote(before))
				break
			}
			named[d] = k.Value
			w[d] = slices.Clone(spans)
		}
	}
	return w
}

// parseDays reads mon, mon-fri, sat-sun, "mon, wed" or daily.
func parseDays(s string) (days []time.Weekday, ok bool) {
	if s == daily {
		s = "mon-sun"
	}
	for _, part := range strings.Split(s, ",") {
		from, to, ranged := strings.Cut(strings.TrimSpace(part), "-")
		a, b := slices.Index(dayNames[:], from), slices.Index(dayNames[:], to)
		if !ranged {
			b = a
		}
		if a < 0 || b < 0 {
			return nil, false
		}
		for d := a; ; d = (d + 1) % 7 {
			if slices.Contains(days, time.Weekday(d)) {
				return nil, false
			}
			days = append(days, time.Weekday(d))
			if d == b {
				break
			}
		}
	}
	return days, len(days) > 0
}

// spansMax bounds the spans of one day.
const spansMax = 12

// spans reads one span or a list of them, or closed.
func (r *reader) spans(n *yaml.Node, what string) []queue.Span {
	if isNull(n) {
		r.at(n, `write hours like "08:00-17:30", or closed`, "%s has no value", what)
		return nil
	}
	if n.Kind == yaml.ScalarNode && n.Value == closed {
		return nil
	}
	var out []queue.Span
	for _, c := range r.nodes(n, spansMax) {
		if c.Kind != yaml.ScalarNode {
			r.at(c, `write hours like "08:00-17:30"`, "%s is %s, it should be from-to", what, kindOf(c))
			continue
		}
		s, problem := parseSpan(c.Value)
		if problem != "" {
			r.at(c, `write hours like "08:00-17:30", in 24-hour time`, "%s in %s: %s", quote(c.Value), what, problem)
			continue
		}
		for _, o := range out {
			if spansOverlap(s, o) {
				r.at(c, "join the two, or separate them", "%s overlaps %s-%s in %s", quote(c.Value), o.From, o.To, what)
				break
			}
		}
		out = append(out, s)
	}
	return out
}

var spanPattern = regexp.MustCompile(`^([0-9]{1,2}):([0-9]{2}) ?[-–] ?([0-9]{1,2}):([0-9]{2})$`)

func parseSpan(s string) (queue.Span, string) {
	m := spanPattern.FindStringSubmatch(s)
	if m == nil {
		return queue.Span{}, "not of the form hh:mm-hh:mm"
	}
	from, ok1 := clock(m[1], m[2])
	to, ok2 := clock(m[3], m[4])
	switch {
	case !ok1 || from == 24*60:
		return queue.Span{}, "no time of day: " + m[1] + ":" + m[2]
	case !ok2:
		return queue.Span{}, "no time of day: " + m[3] + ":" + m[4]
	case from == to:
		return queue.Span{}, "it begins and ends at the same time; the whole day is 00:00-24:00"
	}
	return queue.Span{From: from, To: to}, ""
}

func clock(hh, mm string) (queue.Minute, bool) {
	h, _ := strconv.Atoi(hh) // digits only, by the pattern
	m, _ := strconv.Atoi(mm)
	t := queue.Minute(60*h + m)
	return t, m < 60 && t <= 24*60
}

// end is the span's end counted from the midnight before it.
func end(s queue.Span) queue.Minute {
	if s.To <= s.From {
		return s.To + 24*60
	}
	return s.To
}

func spansOverlap(a, b queue.Span) bool { return a.From < end(b) && b.From < end(a) }

// parseDate reads YYYY-MM-DD of this age.
func parseDate(s string) bool {
	t, err := time.Parse(time.DateOnly, s)
	return err == nil && t.Year() >= 1970 && t.Year() <= 2200
}

func (r *reader) date(n *yaml.Node, what string) string {
	if n == nil {
		return ""
	}
	if n.Kind == yaml.ScalarNode && parseDate(n.Value) {
		return n.Value
	}
	r.at(n, "write it like 2026-02-17", "%s is %s, it should be a date", what, valueOf(n))
	return ""
}

// days reads {2026-12-25: {closed: Christmas Day}, …}.
func (r *reader) days(n *yaml.Node) []queue.DayException {
	if n == nil {
		return nil
	}
	var out []queue.DayException
	m := r.mapping(n, "days")
	for _, k := range m.keys {
		if !parseDate(k.Value) {
			r.at(k, "write it like 2026-12-25", "%s in days is no date", quote(k.Value))
			continue
		}
		e := queue.DayException{Date: k.Value}
		if v := m.value[k.Value]; v.Kind == yaml.ScalarNode && v.Value == closed {
			out = append(out, e)
			continue
		}
		d := r.mapping(m.value[k.Value], "the day "+k.Value)
		shut, open := d.get(closed), d.get("open")
		switch {
		case shut != nil && open != nil:
			r.at(open, "keep one of the two", "the day %s is both open and closed", k.Value)
		case shut != nil:
			e.Reason = r.text(shut, "the reason", nameMax)
		case open != nil:
			if e.Spans = r.spans(open, "the day "+k.Value); len(e.Spans) == 0 && open.Value == closed {
				r.at(open, "write closed: and the reason", "the day %s is open: closed", k.Value)
			}
			e.Reason = r.text(d.get("reason"), "the reason", nameMax)
		default:
			if !d.broken() {
				r.at(k, `write {closed: reason} or {open: "08:00-12:00", reason: …}`, "the day %s is neither open nor closed", k.Value)
			}
		}
		d.known = append(d.known, "reason")
		if rs := d.value["reason"]; shut != nil && rs != nil {
			r.at(rs, "write the reason after closed:", "the day %s has two reasons", k.Value)
		}
		d.done()
		out = append(out, e)
	}
	return out
}
