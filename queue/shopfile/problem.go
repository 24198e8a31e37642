package shopfile

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"tickover/queue/spell"
)

// Problem is one mistake of a shop file.
type Problem struct {
	File       string `json:"file"`
	Line       int    `json:"line"`   // from 1
	Column     int    `json:"column"` // from 1, in characters
	What       string `json:"what"`
	Suggestion string `json:"suggestion,omitempty"`
	Excerpt    string `json:"excerpt,omitempty"` // the line as written
}

// String is "file:line:column: what", the line with a caret below the place,
// and what to do.
func (p Problem) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: %s", p.File, p.Line, p.Column, p.What)
	if p.Excerpt != "" {
		line, caret := clipLine(p.Excerpt, p.Column)
		fmt.Fprintf(&b, "\n%6d | %s\n       | %s^", p.Line, line, caret)
	}
	if p.Suggestion != "" {
		fmt.Fprintf(&b, "\n         %s", p.Suggestion)
	}
	return b.String()
}

// excerptMax is how many characters of a line are shown.
const excerptMax = 100

// clipLine cuts a long line around the column and returns what stands before
// the caret, tabs kept so that both lines align.
func clipLine(line string, column int) (shown, before string) {
	runes := []rune(line)
	at := min(max(column-1, 0), len(runes))
	from := 0
	if len(runes) > excerptMax && at > excerptMax*3/4 {
		from = at - excerptMax/2
	}
	to := min(from+excerptMax, len(runes))
	lead := ""
	if from > 0 {
		lead = "…"
	}
	shown = lead + string(runes[from:to])
	if to < len(runes) {
		shown += "…"
	}
	pad := strings.Map(func(r rune) rune {
		if r == '\t' {
			return r
		}
		return ' '
	}, lead+string(runes[from:at]))
	return shown, pad
}

// Errors are all mistakes of a shop file, in the order of the file.
type Errors []Problem

// Error renders every problem and their number.
func (e Errors) Error() string {
	var b strings.Builder
	for _, p := range e {
		b.WriteString(p.String())
		b.WriteString("\n")
	}
	file := "shop file"
	if len(e) > 0 {
		file = e[0].File
	}
	if len(e) == 1 {
		fmt.Fprintf(&b, "%s: 1 problem", file)
	} else {
		fmt.Fprintf(&b, "%s: %d problems", file, len(e))
	}
	return b.String()
}

// problemsMax bounds the list; nobody reads more in one go.
const problemsMax = 200

// collector gathers problems.
type collector struct {
	file  string
	lines []string
	list  []Problem
	more  int
}

func (c *collector) full() bool { return len(c.list) == problemsMax }

// count is how many problems were found so far.
func (c *collector) count() int { return len(c.list) + c.more }

func (c *collector) add(line, column int, suggestion, format string, args ...any) {
	if c.full() {
		c.more++
		return
	}
	p := Problem{File: c.file, Line: max(line, 1), Column: max(column, 1),
		What: fmt.Sprintf(format, args...), Suggestion: suggestion}
	if p.Line <= len(c.lines) {
		p.Excerpt = strings.Map(visible, strings.TrimRight(c.lines[p.Line-1], " \t\r"))
	}
	if !slices.Contains(c.list, p) {
		c.list = append(c.list, p)
	}
}

// visible replaces what a terminal would act on.
func visible(r rune) rune {
	if r != '\t' && isControl(r) {
		return utf8.RuneError
	}
	return r
}

// err returns the problems sorted by place, nil if there are none.
func (c *collector) err() error {
	if len(c.list) == 0 {
		return nil
	}
	slices.SortStableFunc(c.list, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if c.more > 0 {
		last := &c.list[len(c.list)-1]
		last.Suggestion = strings.TrimSpace(last.Suggestion + fmt.Sprintf(" (and %d more problems)", c.more))
	}
	return Errors(c.list)
}

// didYouMean proposes the nearest of the allowed words, or lists them. It costs
// nothing once no more problems are kept.
func (c *collector) didYouMean(word string, allowed []string) string {
	if c.full() {
		return ""
	}
	return spell.Suggest(word, allowed)
}

// words turns names of any string type into sorted, distinct words.
func words[T ~string](list []T) []string {
	out := make([]string, 0, len(list))
	for _, w := range list {
		out = append(out, string(w))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// quote shortens what a file says for a message.
func quote(s string) string {
	const most = 40
	if utf8.RuneCountInString(s) > most {
		s = string([]rune(s)[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
