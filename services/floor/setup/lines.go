package setup

import (
	"cmp"
	"errors"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"
)

// order is the usual order of a shop file's sections.
var order = []string{"site", "name", "place", "hours", "days", "quiet", "daylight", "resources", "technicians", "foremen",
	"operations", "routes", "calibrations", "objective", "planning", "limits"}

// file is a shop file taken apart by lines, so that what does not change keeps
// its bytes.
type file struct {
	lines    []string // as they are, but for the \n
	end      string   // what a generated line ends with before its \n
	sections []*part
	edits    []edit
}

// part is a key with its value: the lines [from, to), without the comments and
// blank lines around it.
type part struct {
	key, value *yaml.Node
	from, to   int
}

// edit replaces the lines [from, to).
type edit struct {
	from, to int
	lines    []string
}

// errForm: the file is sound, but written in a way that can't be edited by lines.
var errForm = errors.New("the sections do not begin at the start of a line")

func open(text []byte) (*file, error) {
	var n yaml.Node
	if err := yaml.Load(text, &n, yaml.WithUniqueKeys(false)); err != nil {
		return nil, err
	}
	f := &file{lines: strings.Split(string(text), "\n")}
	if strings.HasSuffix(f.lines[0], "\r") {
		f.end = "\r"
	}
	if len(n.Content) != 1 {
		return nil, errForm
	}
	var ok bool
	if f.sections, ok = f.parts(n.Content[0], 0, len(f.lines)); !ok || n.Content[0].Column != 1 {
		return nil, errForm
	}
	return f, nil
}

// parts takes a mapping apart that fills the lines [from, to); false if its
// keys do not have a line each.
func (f *file) parts(m *yaml.Node, from, to int) ([]*part, bool) {
	if m.Kind != yaml.MappingNode || m.Style&yaml.FlowStyle != 0 || len(m.Content) == 0 {
		return nil, false
	}
	var out []*part
	indent := m.Content[0].Column - 1
	for i := 0; i+1 < len(m.Content); i += 2 {
		k := m.Content[i]
		at := k.Line - 1
		if at < from || at >= to || k.Column-1 != indent || len(out) > 0 && at <= out[len(out)-1].from || !f.begins(at, indent) {
			return nil, false
		}
		out = append(out, &part{key: k, value: m.Content[i+1], from: at})
	}
	for i, p := range out {
		p.to = to
		if i+1 < len(out) {
			p.to = out[i+1].from
		}
		p.to = f.trim(p.from, p.to, indent)
	}
	return out, true
}

// begins: nothing but blanks stands before the column.
func (f *file) begins(line, indent int) bool {
	s := strings.TrimPrefix(f.lines[line], "\uFEFF")
	return len(s) >= indent && strings.Trim(s[:indent], " ") == "" && len(s) > indent && s[indent] != '?'
}

// trim moves to back over blank lines and over comments that are not deeper
// than the key.
func (f *file) trim(from, to, indent int) int {
	for to > from+1 {
		line := f.lines[to-1]
		s := strings.TrimSpace(line)
		deep := len(line) - len(strings.TrimLeft(line, " "))
		if s != "" && s != "..." && (s[0] != '#' || deep > indent) {
			break
		}
		to--
	}
	return to
}

func (f *file) section(key string) *part {
	for _, p := range f.sections {
		if p.key.Value == key {
			return p
		}
	}
	return nil
}

// lead is where the comments begin that stand right above a part.
func (f *file) lead(p *part) int {
	at := p.from
	for at > 0 && strings.HasPrefix(f.lines[at-1], "#") {
		at--
	}
	return at
}

// text is the file with its edits.
func (f *file) text() []byte {
	slices.SortStableFunc(f.edits, func(a, b edit) int { return cmp.Or(a.from-b.from, a.to-b.to) })
	var out []string
	at := 0
	for _, e := range f.edits {
		out = append(out, f.lines[at:e.from]...)
		for _, l := range e.lines {
			out = append(out, l+f.end)
		}
		at = e.to
	}
	out = append(out, f.lines[at:]...)
	return []byte(strings.Join(out, "\n"))
}

// set writes a section, in its place or where it usually stands.
func (f *file) set(key string, value *yaml.Node) {
	lines := dump(key, value, 0)
	if p := f.section(key); p != nil {
		f.edits = append(f.edits, edit{p.from, p.to, f.keepComment(p, lines)})
		return
	}
	rank := slices.Index(order, key)
	for _, p := range f.sections {
		if slices.Index(order, p.key.Value) > rank {
			at := f.lead(p)
			f.edits = append(f.edits, edit{at, at, append(lines, "")})
			return
		}
	}
	last := f.sections[len(f.sections)-1]
	f.edits = append(f.edits, edit{last.to, last.to, append([]string{""}, lines...)})
}

// drop takes a section out, with the comment above it and one blank line.
func (f *file) drop(key string) {
	p := f.section(key)
	if p == nil {
		return
	}
	from, to := f.lead(p), p.to
	if to < len(f.lines)-1 && strings.TrimSpace(f.lines[to]) == "" {
		to++
	}
	f.edits = append(f.edits, edit{from, to, nil})
}

// item is an entry of a section as it is to be.
type item struct {
	old  *part      // nil: a new one
	key  string     // of a new one
	node *yaml.Node // nil: as it stands
	raw  []string   // of a new one: its lines, without indentation; nil: from node
}

// items writes a section of entries: those that stay keep their lines.
func (f *file) items(section string, want []item) {
	p := f.section(section)
	if p == nil || len(want) == 0 {
		f.set(section, mappingOf(want))
		return
	}
	old, ok := f.parts(p.value, p.from+1, p.to)
	if !ok {
		f.set(section, mappingOf(want))
		return
	}
	indent := old[0].key.Column - 1
	last := old[len(old)-1]
	var added []string
	stays := map[int]bool{}
	for _, w := range want {
		switch {
		case w.old == nil && w.raw != nil:
			added = append(added, indented(w.raw, indent)...)
		case w.old == nil:
			added = append(added, dump(w.key, w.node, indent)...)
		default:
			stays[w.old.from] = true
			if w.node != nil {
				f.edits = append(f.edits, edit{w.old.from, w.old.to, f.keepComment(w.old, dump(w.old.key.Value, w.node, indent))})
			}
		}
	}
	for _, o := range old {
		if !stays[o.from] {
			to := o.to
			if to < len(f.lines) && o != last && strings.TrimSpace(f.lines[to]) == "" {
				to++
			}
			f.edits = append(f.edits, edit{o.from, to, nil})
		}
	}
	if len(added) > 0 {
		f.edits = append(f.edits, edit{last.to, last.to, added})
	}
}

// entries are the items of a section by key, however it is written.
func (f *file) entries(section string) map[string]*part {
	out := map[string]*part{}
	p := f.section(section)
	if p == nil || p.value.Kind != yaml.MappingNode {
		return out
	}
	if list, ok := f.parts(p.value, p.from+1, p.to); ok {
		for _, e := range list {
			out[e.key.Value] = e
		}
		return out
	}
	for i := 0; i+1 < len(p.value.Content); i += 2 {
		k := p.value.Content[i]
		out[k.Value] = &part{key: k, value: p.value.Content[i+1], from: -1 - i}
	}
	return out
}

func mappingOf(want []item) *yaml.Node {
	m := &yaml.Node{Kind: yaml.MappingNode}
	if len(want) == 0 {
		m.Style = yaml.FlowStyle
	}
	for _, w := range want {
		key, node := text(w.key), w.node
		if w.old != nil {
			key = text(w.old.key.Value)
			if node == nil {
				node = w.old.value
			}
		}
		m.Content = append(m.Content, key, node)
	}
	return m
}

// keepComment puts the comment of a part's first line back behind the lines
// that replace it.
func (f *file) keepComment(p *part, lines []string) []string {
	comment := p.key.LineComment
	if comment == "" && p.to == p.from+1 {
		comment = p.value.LineComment
	}
	single := len(lines) == 1 || strings.HasSuffix(lines[0], ":")
	if comment == "" || strings.ContainsAny(comment, "\r\n") || !single {
		return lines
	}
	column := strings.LastIndex(f.lines[p.from], comment)
	pad := max(column-len(lines[0]), 2)
	return append([]string{lines[0] + strings.Repeat(" ", pad) + comment}, lines[1:]...)
}

// dump writes key: value.
func dump(key string, value *yaml.Node, indent int) []string {
	m := &yaml.Node{Kind: yaml.MappingNode, Content: []*yaml.Node{text(key), value}}
	b, err := yaml.Dump(m, yaml.WithLineWidth(-1))
	if err != nil { // a tree of texts that are UTF-8 has no way to fail
		panic("setup: " + err.Error())
	}
	return indented(strings.Split(strings.TrimSuffix(string(b), "\n"), "\n"), indent)
}

func indented(lines []string, by int) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		if out[i] = l; l != "" {
			out[i] = strings.Repeat(" ", by) + l
		}
	}
	return out
}

var oddText = regexp.MustCompile(`[\p{Cc}\x{2028}\x{2029}\x{FEFF}\x{85}]`)

// text is a scalar that is read back as this text.
func text(s string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s}
	if oddText.MatchString(s) {
		n.Style = yaml.DoubleQuotedStyle
	}
	return n
}

func flow() *yaml.Node { return &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle} }

func block() *yaml.Node { return &yaml.Node{Kind: yaml.MappingNode} }

func put(m *yaml.Node, key string, v *yaml.Node) { m.Content = append(m.Content, text(key), v) }

var plainNumber = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)

// value is a number without quotes if it is one, else a text.
func value(s string) *yaml.Node {
	if plainNumber.MatchString(s) {
		return &yaml.Node{Kind: yaml.ScalarNode, Value: s}
	}
	return text(s)
}

func list(items []string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.SequenceNode, Style: yaml.FlowStyle}
	for _, s := range items {
		n.Content = append(n.Content, text(s))
	}
	return n
}

func spansNode(s string) *yaml.Node {
	p := parts(s)
	if len(p) == 1 {
		return text(p[0])
	}
	return list(p)
}

// weekNode is a week that was typed as one line.
func weekNode(s string) *yaml.Node {
	if days, _ := weekPart(s); days == "" && !strings.Contains(s, ";") {
		return spansNode(s)
	}
	m := flow()
	for p := range strings.SplitSeq(s, ";") {
		days, spans := weekPart(p)
		put(m, days, spansNode(spans))
	}
	return m
}
