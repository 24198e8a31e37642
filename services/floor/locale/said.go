package locale

import "time"

// Said is a message with what goes into it, made where nobody knows yet who
// will read it. The zero value says nothing.
type Said struct {
	Format string
	Args   []any // as of fmt.Sprintf; a Said is said, a time.Duration is told by Minutes
}

// Say makes a message that is said later, by [Language.Say].
func Say(format string, args ...any) Said { return Said{format, args} }

// IsZero reports that there is nothing to say.
func (s Said) IsZero() bool { return s.Format == "" }

// String says it in English.
func (s Said) String() string { return English().Say(s) }

// Say says it in the language.
func (l *Language) Say(s Said) string {
	args := make([]any, len(s.Args))
	for i, a := range s.Args {
		switch a := a.(type) {
		case Said:
			args[i] = l.Say(a)
		case time.Duration:
			args[i] = l.Minutes(a)
		default:
			args[i] = a
		}
	}
	if s.IsZero() {
		return ""
	}
	return l.T(s.Format, args...)
}
