package locale

import (
	"fmt"
	"time"

	"tickover/queue/said"
)

// Said is a message with what goes into it, made where nobody knows yet who
// will read it. The zero value says nothing.
type Said = said.Text

// Say makes a message that is said later, by [Locale.Say].
func Say(format string, args ...any) Said { return said.Say(format, args...) }

// Say says it in the language, with times by the person's clock.
func (l *Locale) Say(s Said) string { return l.say(s.Words()) }

// say puts a message together: what it carries is said in the language too.
func (l *Locale) say(format string, args []any) string {
	if format == "" {
		return ""
	}
	if len(args) == 0 {
		return l.Word(format)
	}
	out := make([]any, len(args))
	for i, a := range args {
		out[i] = l.value(a)
	}
	return l.T(format, out...)
}

func (l *Locale) value(a any) any {
	switch a := a.(type) {
	case interface{ Words() (string, []any) }:
		return l.say(a.Words())
	case said.Moment:
		if l.Now.IsZero() {
			return l.T("%s %s", l.Date(a.At, "Mon 2 Jan"), l.Clock(a.At))
		}
		return l.When(a.At, l.Now)
	case said.Length:
		return l.Minutes(time.Duration(a))
	case time.Duration:
		return l.Minutes(a)
	case fmt.Stringer: // a word of an enumeration
		return l.Word(a.String())
	}
	return a
}

// Say says it in the language, with the clock of those who chose none.
func (l *Language) Say(s Said) string { return (&Locale{Language: l, Prefs: l.defaults}).Say(s) }
