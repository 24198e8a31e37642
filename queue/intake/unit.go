package intake

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/queue/spell"
)

// fitmentDefault is the exhaust and intake of a row that names none.
const fitmentDefault queue.Fitment = "standard"

// weightDefault is the weight of a row that names none.
const weightDefault = 1

// line reads the cells of one row and gathers its mistakes.
type line struct {
	f     *file
	cells []string
	errs  Errors
}

// unit reads a row.
func (f *file) unit(record []string) (queue.ReceiveUnit, Errors) {
	l := &line{f: f, cells: record}
	var u queue.ReceiveUnit
	u.Unit = queue.UnitID(l.pattern(colTicket, ticketPattern, mark("%s is no ticket"), mark("use letters, digits, '-', '_' and '.', at most 40")))
	a := &u.Arrival
	a.Machine = queue.Machine{
		Frame: l.text(colFrame, 64), Make: f.shop.share(l.must(colMake, 80)), Model: f.shop.share(l.must(colModel, 80)),
		Year: l.whole(colYear, 1900, 2100, 0, mark("four digits, for example 2026")), Plate: l.text(colPlate, 20),
		Family: l.family(), Fitment: l.fitment(),
	}
	if word := l.must(colOwnership, 80); word != "" {
		if err := a.Ownership.UnmarshalText([]byte(nearestFold(word, queue.Ownerships()))); err != nil {
			l.bad(colOwnership, spell.SaySuggest(word, queue.Ownerships()), "%s is no ownership", clip(word))
		}
	}
	a.Promise = l.when(colPromise, l.must(colPromise, 80))
	a.Weight = l.whole(colWeight, 1, 10, weightDefault, mark("1 to 10"))
	a.Contact = queue.ContactID(l.contact())
	a.Note = l.lines(colNote)
	u.Once, u.Beside = true, queue.UnitID(l.text(colBeside, 40))
	l.visit(a)
	return u, l.errs
}

func (l *line) bad(column string, do any, format string, args ...any) {
	name := column
	if i, ok := l.f.column[column]; ok {
		name = l.f.header[i]
	}
	l.errs = append(l.errs, badRow(l.f.line, name, do, format, args...))
}

// cell is the trimmed text of a column, empty if the file has no such column.
func (l *line) cell(column string) string {
	if i, ok := l.f.column[column]; ok {
		return strings.TrimSpace(l.cells[i])
	}
	return ""
}

// text reads an optional text of at most so many bytes in one line.
func (l *line) text(column string, most int) string {
	s := l.cell(column)
	switch {
	case len(s) > most:
		l.bad(column, "shorten it", "the text has %d bytes, at most %d are allowed", len(s), most)
	case strings.ContainsFunc(s, unicode.IsControl):
		l.bad(column, "write it in one line", "%s holds a line break or a control character", clip(s))
	default:
		return s
	}
	return ""
}

// must reads a text that has to be there.
func (l *line) must(column string, most int) string {
	if l.cell(column) == "" {
		l.bad(column, "fill it in", "the cell is empty")
		return ""
	}
	return l.text(column, most)
}

const noteMax = 2000

var (
	ticketPattern  = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$`)
	contactPattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)
	phonePattern   = regexp.MustCompile(`^[0-9]{9,}$`)
	yearPattern    = regexp.MustCompile(`^[0-9]{1,4}$`)
)

func (l *line) pattern(column string, p *regexp.Regexp, what, do string) string {
	s := l.must(column, 200)
	if s == "" || p.MatchString(s) {
		return s
	}
	l.bad(column, do, what, clip(s))
	return ""
}

// contact refuses what looks like a person's data: it must not reach the log.
func (l *line) contact() string {
	s := l.text(colContact, 200)
	if s == "" || contactPattern.MatchString(s) && !phonePattern.MatchString(s) {
		return s
	}
	l.bad(colContact, "write the contact's id; names, numbers and addresses are kept apart", "this is no id of a contact")
	return ""
}

func (l *line) whole(column string, least, most, otherwise int, do string) int {
	s := l.cell(column)
	if s == "" && otherwise != 0 {
		return otherwise
	}
	if s == "" {
		l.bad(column, "fill it in", "the cell is empty")
		return otherwise
	}
	if n, err := strconv.Atoi(s); err == nil && yearPattern.MatchString(s) && n >= least && n <= most {
		return n
	}
	l.bad(column, said.Say("write %s", said.Text{Format: do}), "%s is no number from %d to %d", clip(s), least, most)
	return otherwise
}

func (l *line) family() queue.Family {
	s := l.text(colFamily, 60)
	if f, known := l.f.shop.families[spell.Fold(s)]; known {
		return f
	}
	return queue.Family(s)
}

func (l *line) fitment() queue.Fitment {
	s := l.text(colFitment, 60)
	if s == "" {
		return fitmentDefault
	}
	if f, known := l.f.shop.fitments[spell.Fold(s)]; known {
		return f
	}
	return queue.Fitment(s)
}

// nearestFold is the allowed word that differs in nothing that counts.
func nearestFold(word string, allowed []string) string {
	for _, a := range allowed {
		if spell.Fold(a) == spell.Fold(word) {
			return a
		}
	}
	return word
}

// visit reads the route and what depends on it.
func (l *line) visit(a *queue.UnitArrived) {
	word := l.must(colRoute, 80)
	if word == "" {
		return
	}
	r := l.f.shop.routes[spell.Fold(word)]
	if r == nil {
		l.bad(colRoute, spell.SaySuggest(word, l.f.shop.ids), "there is no route %s", clip(word))
		return
	}
	a.Route = r.ID
	for _, o := range strings.FieldsFunc(l.text(colOptions, 400), func(c rune) bool { return strings.ContainsRune("|,;+ ", c) }) {
		o = nearestFold(o, r.optional)
		switch {
		case !slices.Contains(r.optional, o):
			l.bad(colOptions, orNone(spell.SaySuggest(o, r.optional)), "route %s has no optional step %s", r.ID, clip(o))
		case slices.Contains(a.Options, queue.StepID(o)):
			l.bad(colOptions, "name it once", "%s stands twice", o)
		default:
			a.Options = append(a.Options, queue.StepID(o))
		}
	}
	l.parts(a, r)
	l.speaks(a, r)
}

func orNone(hint said.Text) said.Text {
	if hint.IsZero() {
		return said.Say("leave it empty: the route has no optional steps")
	}
	return hint
}

// parts reads "fitting=2026-02-18 10:00|assembly=2026-02-19".
func (l *line) parts(a *queue.UnitArrived, r *routeIndex) {
	for _, p := range strings.Split(l.text(colParts, 400), "|") {
		if strings.TrimSpace(p) == "" {
			continue
		}
		step, when, found := strings.Cut(p, "=")
		if !found {
			l.bad(colParts, "write it like fitting=2026-02-18 10:00|assembly=2026-02-19", "%s is no step and time", clip(p))
			continue
		}
		step = nearestFold(strings.TrimSpace(step), r.steps)
		if !slices.Contains(r.steps, step) {
			l.bad(colParts, spell.SaySuggest(step, r.steps), "route %s has no step %s", r.ID, clip(step))
			continue
		}
		if t := l.when(colParts, strings.TrimSpace(when)); !t.IsZero() {
			if a.Parts == nil {
				a.Parts = map[queue.StepID]time.Time{}
			}
			a.Parts[queue.StepID(step)] = t
		}
	}
}

// speaks makes sure that an interface of the shop can talk to the unit, if the
// visit needs one.
func (l *line) speaks(a *queue.UnitArrived, r *routeIndex) {
	x := l.f.shop
	if !r.usesInterface(a.Options) {
		return
	}
	family := string(a.Machine.Family)
	var listed []string
	if family == "" {
		listed = x.catalogue.Families(&a.Machine, "")
	}
	switch {
	case family == "" && len(listed) > 0:
		l.bad(colFamily, said.Say("the shop file lists %s for this machine", strings.Join(listed, ", ")), "route %s uses an interface, but the controller family is missing", r.ID)
	case family == "":
		l.bad(colFamily, spell.SayOneOf(x.spoken), "route %s uses an interface, but the controller family is missing", r.ID)
	case !x.anySpeak && !slices.Contains(x.spoken, family):
		l.bad(colFamily, spell.SaySuggest(family, x.spoken), "no interface of the shop speaks to the controller family %s", clip(family))
	}
}

// Forms of a time. Those without a zone are read in the shop's.
var (
	localForms = []string{"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05"}
	zonedForms = []string{"2006-01-02T15:04Z07:00", "2006-01-02 15:04Z07:00", time.RFC3339, "2006-01-02 15:04:05Z07:00"}
)

var timeHint = mark("write it like 2026-02-17 16:30, in the shop's time, or 2026-02-17T16:30Z")

// when reads a time; it answers in UTC.
func (l *line) when(column, s string) time.Time {
	if s == "" {
		return time.Time{}
	}
	t, problem := l.f.shop.parseTime(s)
	if problem != "" {
		l.bad(column, timeHint, problem, clip(s))
		return time.Time{}
	}
	return t.UTC()
}

func (x *shopIndex) parseTime(s string) (t time.Time, problem string) {
	defer func() {
		if problem == "" && (t.Year() < 2000 || t.Year() > 2100) {
			problem = mark("%s lies outside the years 2000 to 2100")
		}
	}()
	if day, err := time.Parse(time.DateOnly, s); err == nil {
		t, open := x.closing(day)
		if !open {
			return t, mark("%s is a day on which the shop is shut; add a time")
		}
		return t, ""
	}
	for _, form := range localForms {
		want, err := time.Parse(form, s)
		if err != nil {
			continue
		}
		t, err := time.ParseInLocation(form, s, x.location)
		if err != nil || t.Format(form) != want.Format(form) {
			return t, mark("%s is skipped by the clock change of that day")
		}
		return t, ""
	}
	for _, form := range zonedForms {
		if t, err := time.Parse(form, s); err == nil {
			return t, ""
		}
	}
	return t, mark("%s is no time that can be read without guessing")
}
