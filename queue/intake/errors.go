package intake

import (
	"fmt"
	"strings"

	"tickover/queue/said"
)

// RowError says why a line of the file can't be taken.
type RowError struct {
	Line   int    `json:"line"`             // from 1; 0: the whole file
	Column string `json:"column,omitempty"` // as the file's first line names it
	What   string `json:"what"`
	Do     string `json:"do,omitempty"`

	say, sayDo said.Text
}

// badRow is a mistake; do is a message, or a said.Text where that takes values.
func badRow(line int, column string, do any, format string, args ...any) RowError {
	e := RowError{Line: line, Column: column, say: said.Say(format, args...)}
	switch do := do.(type) {
	case string:
		e.sayDo = said.Text{Format: do}
	case said.Text:
		e.sayDo = do
	}
	e.What, e.Do = e.say.String(), e.sayDo.String()
	return e
}

// mark marks a message that is said by [badRow].
func mark(text string) string { return text }

// Said are What and Do as they are said in another language.
func (e RowError) Said() (what, do said.Text) {
	if e.say.IsZero() {
		return said.Say("%s", e.What), said.Say("%s", e.Do)
	}
	return e.say, e.sayDo
}

func (e RowError) Error() string {
	var b strings.Builder
	switch {
	case e.Line > 0 && e.Column != "":
		fmt.Fprintf(&b, "line %d, %s: ", e.Line, e.Column)
	case e.Line > 0:
		fmt.Fprintf(&b, "line %d: ", e.Line)
	}
	b.WriteString(e.What)
	if e.Do != "" {
		b.WriteString("; " + e.Do)
	}
	return b.String()
}

// Errors are the mistakes of a file, by line.
type Errors []RowError

// listMax is how many mistakes [Errors.Error] spells out.
const listMax = 20

func (e Errors) Error() string {
	var b strings.Builder
	for i, re := range e {
		if i == listMax {
			fmt.Fprintf(&b, "and %d more\n", len(e)-listMax)
			break
		}
		b.WriteString(re.Error() + "\n")
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// clip shortens what a file says for a message.
func clip(s string) string {
	const most = 40
	r := []rune(s)
	if len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
