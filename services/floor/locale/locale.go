// Package locale says things in a person's language, clock and units.
//
// The English text in the code and the templates is the key of a message, as
// in GNU gettext: another language is one file, text/<tag>.po, and nothing
// else. [Messages] collects every message in use; a test compares each file
// with them.
//
// It guarantees that a message without a translation is said in English, never
// left out. It does not guess: what a person did not choose follows the
// browser's languages, and the shop's habits where those say nothing.
package locale

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/leonelquinteros/gotext"
	"golang.org/x/text/language"
)

//go:embed text/*.po
var files embed.FS

// Language is one language with its messages. It is safe for concurrent use.
type Language struct {
	Tag  string // BCP 47
	Name string // in the language itself
	po   *gotext.Po
	// Defaults of people who chose nothing.
	defaults Prefs
}

// Prefs are what a person chose; empty fields were not chosen.
type Prefs struct {
	Language string // BCP 47 tag of a [Language]
	Clock    string // "24" or "12"
	Distance string // "km" or "mi"
	Degrees  string // "C" or "F"
}

var (
	languages = load()
	matcher   = match()
)

func load() []*Language {
	out := []*Language{{Tag: "en", Name: "English", defaults: Prefs{Clock: "24", Distance: "km", Degrees: "C"}}}
	names, err := fs.Glob(files, "text/*.po")
	if err != nil {
		panic(err)
	}
	for _, name := range names {
		text, err := files.ReadFile(name)
		if err != nil {
			panic(err)
		}
		po := gotext.NewPo()
		po.Parse(text)
		h := po.GetDomain().Headers
		out = append(out, &Language{
			Tag: strings.TrimSuffix(path.Base(name), ".po"), Name: h.Get("Language-Team"), po: po,
			defaults: Prefs{Clock: h.Get("X-Clock"), Distance: h.Get("X-Distance"), Degrees: h.Get("X-Degrees")},
		})
	}
	return out
}

func match() language.Matcher {
	tags := make([]language.Tag, len(languages))
	for i, l := range languages {
		tags[i] = language.MustParse(l.Tag)
	}
	return language.NewMatcher(tags)
}

// Languages are all that Tickover speaks, English first.
func Languages() []*Language { return slices.Clone(languages) }

// English is the language of the keys.
func English() *Language { return languages[0] }

// Find is the language of a tag; nil: none has it.
func Find(tag string) *Language {
	i := slices.IndexFunc(languages, func(l *Language) bool { return l.Tag == tag })
	if i < 0 {
		return nil
	}
	return languages[i]
}

// Choose settles what a person did not choose. Accept is the header
// Accept-Language of RFC 9110; a malformed one counts as none.
func Choose(chosen Prefs, accept string) *Locale {
	l := Find(chosen.Language)
	if l == nil {
		tags, _, err := language.ParseAcceptLanguage(accept)
		if err != nil || len(tags) == 0 {
			l = English()
		} else {
			_, i, _ := matcher.Match(tags...)
			l = languages[i]
		}
	}
	p := Prefs{Language: l.Tag}
	p.Clock = oneOf(chosen.Clock, l.defaults.Clock, "24", "12")
	p.Distance = oneOf(chosen.Distance, l.defaults.Distance, "km", "mi")
	p.Degrees = oneOf(chosen.Degrees, l.defaults.Degrees, "C", "F")
	return &Locale{Language: l, Prefs: p}
}

func oneOf(chosen, otherwise string, values ...string) string {
	switch {
	case slices.Contains(values, chosen):
		return chosen
	case slices.Contains(values, otherwise):
		return otherwise
	}
	return values[0]
}

// T says a message; args as in fmt.Sprintf.
func (l *Language) T(text string, args ...any) string {
	if l.po == nil {
		return sprintf(text, args)
	}
	return l.po.Get(text, args...)
}

// C says a message whose meaning depends on where it stands: "Start", the
// button or the time.
func (l *Language) C(context, text string, args ...any) string {
	if l.po == nil {
		return sprintf(text, args)
	}
	return l.po.GetC(text, context, args...)
}

// Word says a message that [Mark] marks elsewhere.
func (l *Language) Word(text string) string {
	if l.po == nil || text == "" {
		return text
	}
	return l.po.Get(text, []any{}...) // no arguments: it is no format
}

// Mark marks a text as a message that is said later, by [Language.Word].
func Mark(text string) string { return text }

// N says one of two or more forms for a number. Args follow the format of
// every form; most begin with n itself.
func (l *Language) N(one, many string, n int, args ...any) string {
	switch {
	case l.po != nil:
		return l.po.GetN(one, many, n, args...)
	case n == 1:
		return sprintf(one, args)
	}
	return sprintf(many, args)
}

func sprintf(format string, args []any) string {
	if len(args) == 0 {
		return format
	}
	return fmt.Sprintf(format, args...)
}

// Locale is a language with a person's clock and units.
type Locale struct {
	*Language
	Prefs Prefs // complete
	// Now is when it is read, in the shop's zone, for times as people say
	// them; zero: times come with their date, in their own zone.
	Now time.Time
}

// Clock is a time of day, in the time's own zone.
func (l *Locale) Clock(t time.Time) string {
	if l.Prefs.Clock == "12" {
		return t.Format("3:04 pm")
	}
	return t.Format("15:04")
}

// Hour is a full hour for an axis.
func (l *Locale) Hour(t time.Time) string {
	if l.Prefs.Clock == "12" {
		return t.Format("3 pm")
	}
	return t.Format("15:04")
}

// When is a time as people say it: the clock today, else with its day. Both
// are taken in the zone of now.
func (l *Locale) When(t, now time.Time) string {
	t = t.In(now.Location())
	clock := l.Clock(t)
	switch days := dayNumber(t) - dayNumber(now); {
	case days == 0:
		return clock
	case days == 1:
		return l.T("tomorrow %s", clock)
	case days == -1:
		return l.T("yesterday %s", clock)
	case days > 1 && days < 7:
		return l.T("%s %s", l.Date(t, "Mon"), clock)
	case t.Year() == now.Year():
		return l.T("%s %s", l.Date(t, "Mon 2 Jan"), clock)
	}
	return l.T("%s %s", l.Date(t, "2 Jan 2006"), clock)
}

func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// Layouts of dates, to be used with [Locale.Date]: each is a message, so that
// a language puts day, month and year in its own order.
var layouts = []string{"Mon", "Monday", "Mon 2 Jan", "2 Jan", "2 Jan 2006", "Mon 2 Jan 2006", "Mon 2 January 2006", "Monday 2 January", "January 2006"}

// Date writes a date by one of the layouts above.
func (l *Locale) Date(t time.Time, layout string) string {
	layout = l.C("date", layout)
	var b strings.Builder
	for layout != "" {
		switch {
		case strings.HasPrefix(layout, "Monday"):
			b.WriteString(l.C("day", t.Weekday().String()))
			layout = layout[6:]
		case strings.HasPrefix(layout, "Mon"):
			b.WriteString(l.C("short day", t.Weekday().String()[:3]))
			layout = layout[3:]
		case strings.HasPrefix(layout, "January"):
			b.WriteString(l.C("month", t.Month().String()))
			layout = layout[7:]
		case strings.HasPrefix(layout, "Jan"):
			b.WriteString(l.C("short month", t.Month().String()[:3]))
			layout = layout[3:]
		case strings.HasPrefix(layout, "2006"):
			b.WriteString(strconv.Itoa(t.Year()))
			layout = layout[4:]
		case strings.HasPrefix(layout, "2"):
			b.WriteString(strconv.Itoa(t.Day()))
			layout = layout[1:]
		default:
			b.WriteByte(layout[0])
			layout = layout[1:]
		}
	}
	return b.String()
}

// Minutes is a duration in minutes, hours or days, rounded to the minute.
func (l *Language) Minutes(d time.Duration) string {
	m := int(d.Round(time.Minute) / time.Minute)
	switch {
	case m < 0:
		return "−" + l.Minutes(-d)
	case m < 60:
		return l.T("%d min", m)
	case m < 24*60 && m%60 == 0:
		return l.T("%d h", m/60)
	case m < 24*60:
		return l.T("%d h %d min", m/60, m%60)
	}
	days := m / (24 * 60)
	return l.N("%d day", "%d days", days, days)
}

// kilometresPerMile is exact: the international mile.
const kilometresPerMile = 1.609344

// Distance is a way in the person's unit, with as many decimals as asked.
func (l *Locale) Distance(km float64, decimals int) string {
	if l.Prefs.Distance == "mi" {
		return l.Number(km/kilometresPerMile, decimals) + " mi"
	}
	return l.Number(km, decimals) + " km"
}

// Miles and Kilometres turn one into the other.
func (l *Locale) Miles(km float64) float64      { return km / kilometresPerMile }
func (l *Locale) Kilometres(mi float64) float64 { return mi * kilometresPerMile }

// Temperature is a temperature in the person's unit.
func (l *Locale) Temperature(celsius float64, decimals int) string {
	if l.Prefs.Degrees == "F" {
		return l.Number(celsius*9/5+32, decimals) + " °F"
	}
	return l.Number(celsius, decimals) + " °C"
}

// Number writes a number with the language's decimal sign.
func (l *Locale) Number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if point := l.C("decimal sign", "."); point != "." {
		s = strings.Replace(s, ".", point, 1)
	}
	return s
}

// Percent writes a share, 0 to 1. No line ends before its sign.
func (l *Locale) Percent(share float64, decimals int) string {
	return strings.ReplaceAll(l.T("%s %%", l.Number(100*share, decimals)), " ", "\u00a0")
}
