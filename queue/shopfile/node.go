package shopfile

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"tickover/queue/spell"
)

// reader turns YAML nodes into values. A mistake is noted and reading goes on
// with a value that causes no second message.
type reader struct{ collector }

func (r *reader) at(n *yaml.Node, suggestion, format string, args ...any) {
	r.add(n.Line, n.Column, suggestion, format, args...)
}

// mapping is a YAML mapping with its keys checked for repeats.
type mapping struct {
	r     *reader
	what  string // "resource b1", for messages
	node  *yaml.Node
	keys  []*yaml.Node
	value map[string]*yaml.Node
	known []string // keys that somebody asked for
}

// mapping reads n as a mapping. It returns an empty one after a mistake.
func (r *reader) mapping(n *yaml.Node, what string) *mapping {
	m := &mapping{r: r, what: what, node: n, value: map[string]*yaml.Node{}}
	switch {
	case n.Kind == yaml.MappingNode:
	case isNull(n):
		r.at(n, "write its keys below it, indented", "%s is empty", what)
		return m
	default:
		r.at(n, "write key: value pairs", "%s is %s, it should be a group of key: value pairs", what, kindOf(n))
		return m
	}
	first := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if k.Kind != yaml.ScalarNode || isNull(k) {
			r.at(k, "write a plain word before the colon", "a key of %s is %s", what, kindOf(k))
			continue
		}
		if line, ok := first[k.Value]; ok {
			r.at(k, "keep one of the two", "%s stands twice in %s, first in line %d", quote(k.Value), what, line)
			continue
		}
		first[k.Value] = k.Line
		m.keys = append(m.keys, k)
		m.value[k.Value] = v
	}
	return m
}

// get returns the value of a key, nil if it is not there. A key with an empty
// value is noted and taken as not there.
func (m *mapping) get(key string) *yaml.Node {
	m.known = append(m.known, key)
	v := m.value[key]
	if v != nil && isNull(v) {
		m.r.at(v, "write a value, or leave the key out", "%s of %s has no value", key, m.what)
		return nil
	}
	return v
}

// must is get for a key that has to be there.
func (m *mapping) must(key, example string) *yaml.Node {
	if v := m.get(key); v != nil {
		return v
	}
	if _, there := m.value[key]; !there && !m.broken() {
		m.r.at(m.node, "add "+key+": "+example, "%s lacks %s", m.what, key)
	}
	return nil
}

// broken: the node was no mapping, so nothing more is said of it.
func (m *mapping) broken() bool { return m.node.Kind != yaml.MappingNode }

// done notes the keys that nobody asked for.
func (m *mapping) done() {
	for _, k := range m.keys {
		if !slices.Contains(m.known, k.Value) {
			m.r.at(k, m.r.didYouMean(k.Value, m.known), "unknown key %s in %s", quote(k.Value), m.what)
		}
	}
}

// listMax bounds a list inside an item: tags, needs, steps before.
const listMax = 100

// nodes reads a sequence; a single value stands for a list of one.
func (r *reader) nodes(n *yaml.Node, most int) []*yaml.Node {
	switch {
	case n == nil || isNull(n):
		return nil
	case n.Kind != yaml.SequenceNode:
		return []*yaml.Node{n}
	case len(n.Content) > most:
		r.at(n.Content[most], "", "this list has %d items, at most %d are allowed", len(n.Content), most)
		return n.Content[:most]
	}
	return n.Content
}

// textMax bounds a text in bytes, nameMax a name.
const (
	textMax = 500
	nameMax = 80
)

// text reads a scalar as it is written: 007 stays 007.
func (r *reader) text(n *yaml.Node, what string, most int) string {
	switch {
	case n == nil:
		return ""
	case n.Kind != yaml.ScalarNode || isNull(n):
		r.at(n, "write one value", "%s is %s, it should be a text", what, kindOf(n))
		return ""
	case strings.TrimSpace(n.Value) != n.Value || n.Value == "":
		r.at(n, "take the blanks out, and leave the key out if there is nothing to say", "%s is empty or begins or ends with a blank", what)
		return ""
	case len(n.Value) > most:
		r.at(n, "shorten it", "%s has %d bytes, at most %d are allowed", what, len(n.Value), most)
		return ""
	case strings.ContainsFunc(n.Value, isControl) || !utf8.ValidString(n.Value):
		r.at(n, "write it in one line of plain text", "%s contains a line break or a control character", what)
		return ""
	}
	return n.Value
}

func isControl(r rune) bool {
	return unicode.IsControl(r) || r == '\uFEFF' || r == '\u2028' || r == '\u2029'
}

// Patterns of ids.
var (
	idPattern   = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$`)
	sitePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	keyPattern  = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)
	wordPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
)

// id reads an id.
func (r *reader) id(n *yaml.Node, what string) string {
	s := r.text(n, what, 4*nameMax)
	if s == "" || idPattern.MatchString(s) {
		return s
	}
	r.at(n, "use letters, digits, '-', '_' and '.', at most 40, beginning with a letter or digit", "%s is no id: %s", quote(s), what)
	return ""
}

// word reads a lower-case word: a tag or a skill.
func (r *reader) word(n *yaml.Node, what string) string {
	s := r.text(n, what, 4*nameMax)
	if s == "" || wordPattern.MatchString(s) {
		return s
	}
	r.at(n, "use lower-case letters, digits and '-', at most 40", "%s is no %s", quote(s), what)
	return ""
}

// distinct reads a list of texts, each by read, and notes repeats.
func distinct[T ~string](r *reader, n *yaml.Node, what string, read func(*yaml.Node, string) string) ([]T, []*yaml.Node) {
	var out []T
	var at []*yaml.Node
	for _, c := range r.nodes(n, listMax) {
		s := T(read(c, what))
		if s == "" {
			continue
		}
		if slices.Contains(out, s) {
			r.at(c, "name it once", "%s %s stands twice", what, quote(string(s)))
			continue
		}
		out, at = append(out, s), append(at, c)
	}
	return out, at
}

// yesNo reads true or false.
func (r *reader) yesNo(n *yaml.Node, what string, otherwise bool) bool {
	if n == nil {
		return otherwise
	}
	if n.Kind == yaml.ScalarNode {
		switch n.Value {
		case "true":
			return true
		case "false":
			return false
		}
	}
	r.at(n, spell.OneOf([]string{"true", "false"}), "%s is %s, it should be true or false", what, valueOf(n))
	return otherwise
}

// number reads a plain decimal number in [least, most].
func (r *reader) number(n *yaml.Node, what string, least, most, otherwise float64) float64 {
	if n == nil {
		return otherwise
	}
	if n.Kind == yaml.ScalarNode && numberPattern.MatchString(n.Value) {
		v, err := strconv.ParseFloat(n.Value, 64)
		if err == nil && !math.IsInf(v, 0) {
			if v < least || v > most {
				r.at(n, "write a number from "+format(least)+" to "+format(most), "%s is %s", what, quote(n.Value))
				return otherwise
			}
			return v + 0 // no negative zero
		}
	}
	r.at(n, "write a number with a point, for example 12.5", "%s is %s, it should be a number", what, valueOf(n))
	return otherwise
}

var numberPattern = regexp.MustCompile(`^[+-]?[0-9]{1,12}(\.[0-9]{1,12})?$`)

func format(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// whole reads a whole number in [least, most].
func (r *reader) whole(n *yaml.Node, what string, least, most, otherwise int) int {
	if n == nil {
		return otherwise
	}
	if n.Kind == yaml.ScalarNode {
		if v, err := strconv.Atoi(n.Value); err == nil {
			if v < least || v > most {
				r.at(n, "write a whole number from "+strconv.Itoa(least)+" to "+strconv.Itoa(most), "%s is %s", what, quote(n.Value))
				return otherwise
			}
			return v
		}
	}
	r.at(n, "write a whole number, for example "+strconv.Itoa(max(least, 1)), "%s is %s, it should be a whole number", what, valueOf(n))
	return otherwise
}

var durationPattern = regexp.MustCompile(`^(?:([0-9]{1,4})d)?(?:([0-9]{1,5})h)?(?:([0-9]{1,6})m)?(?:([0-9]{1,6})s)?$`)

// parseDuration reads 28m, 1h30m, 90s or 60d; a day is 24 hours.
func parseDuration(s string) (time.Duration, bool) {
	m := durationPattern.FindStringSubmatch(s)
	if m == nil || s == "" {
		return 0, false
	}
	var d time.Duration
	for i, unit := range []time.Duration{24 * time.Hour, time.Hour, time.Minute, time.Second} {
		if m[i+1] != "" {
			n, _ := strconv.Atoi(m[i+1]) // digits only, by the pattern
			d += time.Duration(n) * unit
		}
	}
	return d, true
}

// duration reads a duration in [least, most]; grain is what it must be a whole
// number of.
func (r *reader) duration(n *yaml.Node, what string, least, most, grain, otherwise time.Duration) time.Duration {
	if n == nil {
		return otherwise
	}
	d, ok := time.Duration(0), false
	if n.Kind == yaml.ScalarNode {
		d, ok = parseDuration(n.Value)
	}
	switch {
	case !ok:
		r.at(n, "write it like 28m, 1h30m or 60d", "%s is %s, it should be a duration", what, valueOf(n))
	case d%grain != 0:
		r.at(n, "the plan counts whole minutes", "%s is %s", what, quote(n.Value))
	case d < least || d > most:
		r.at(n, "write a duration from "+writeDuration(least)+" to "+writeDuration(most), "%s is %s", what, quote(n.Value))
	default:
		return d
	}
	return otherwise
}

func isNull(n *yaml.Node) bool {
	return n.Kind == yaml.ScalarNode && n.Tag == "!!null"
}

func kindOf(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a group of key: value pairs"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case isNull(n):
		return "empty"
	}
	return "the single value " + quote(n.Value)
}

func valueOf(n *yaml.Node) string {
	if n.Kind == yaml.ScalarNode && !isNull(n) {
		return quote(n.Value)
	}
	return kindOf(n)
}

// choice reads one of an enumeration's words.
func choice[T any, P interface {
	*T
	UnmarshalText([]byte) error
}](r *reader, n *yaml.Node, what string, allowed []string) T {
	var v T
	if n == nil {
		return v
	}
	if n.Kind == yaml.ScalarNode && slices.Contains(allowed, n.Value) && P(&v).UnmarshalText([]byte(n.Value)) == nil {
		return v
	}
	word := ""
	if n.Kind == yaml.ScalarNode {
		word = n.Value
	}
	r.at(n, r.didYouMean(word, allowed), "%s is no %s", valueOf(n), what)
	return v
}
