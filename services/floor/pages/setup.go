package pages

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"

	"tickover/queue"
	"tickover/queue/shopfile"
	"tickover/scheduler/calendar"
	"tickover/services/floor/answer"
	"tickover/services/floor/setup"
)

// setupMax bounds the form of the shop's setup in bytes; the file itself is
// bounded by package shopfile.
const setupMax = shopfile.SizeMax

// setupPage is the form of the shop file, with what it would change.
type setupPage struct {
	*Base
	F        *setup.Form
	Fresh    bool   // there is no shop yet
	File     string // the file's path; empty: none was given
	InLog    bool   // there is no file: the shop in effect is changed
	Was      queue.Hash
	Problems []setup.Problem
	named    *setup.Form // F with the ids that new rows get
	base     setup.Base
	// Broken: the file on disk can't be read, there is no form.
	Broken bool
	// Looked: Diff and Text are what would be written, with the hash Seen.
	Looked  bool
	Diff    []setup.Line
	Text    string
	Seen    queue.Hash
	Changed []string
	Notice  *answer.Problem
	Copy    bool // it can't be written from here
	Sun     string
}

// setupBase is base, also before there is a shop.
func (p *Pages) setupBase(r *http.Request) *Base {
	if p.o.Ledger != nil {
		if b, ok := p.base(r); ok {
			return b
		}
	}
	start := setup.Start("").Shop
	return &Base{Locale: localeOf(r), State: queue.NewState(start.Site), Shop: start, Bare: true, Now: p.o.Now().UTC(), Loc: time.UTC, Here: r.URL.RequestURI()}
}

// setupFile is the file that the form is of: the one on disk, else the shop
// that is in effect, else a new one.
func (p *Pages) setupFile(b *Base) (setup.Base, queue.Hash, error) {
	name := "shop.yaml"
	var text []byte
	var hash queue.Hash
	if p.o.ShopFile != nil {
		name = filepath.Base(p.o.ShopFile.Path())
		var err error
		if text, hash, err = p.o.ShopFile.Read(); err != nil {
			return setup.Base{}, "", err
		}
	}
	if text == nil && b.Bare {
		return setup.Start(name), "", nil
	}
	base := setup.Base{Name: name, Text: text, Used: setup.UsedBy(b.State)}
	if text == nil {
		var err error
		if base.Text, err = shopfile.Write(b.Shop); err != nil {
			return base, "", err
		}
		if p.o.ShopInLog {
			hash = b.State.ShopFile
		}
	}
	var err error
	base.Shop, _, err = shopfile.Parse(name, base.Text)
	return base, hash, err
}

// setupOf fills the page from the file, and from what was typed if there is
// something.
func (p *Pages) setupOf(r *http.Request, b *Base, typed *setup.Form) (*setupPage, error) {
	b.Title, b.Section = b.T("Setup of the shop"), "setup"
	page := &setupPage{Base: b, F: typed, Fresh: b.Bare, InLog: p.o.ShopInLog}
	if p.o.ShopFile != nil {
		page.File = p.o.ShopFile.Path()
	}
	var err error
	page.base, page.Was, err = p.setupFile(b)
	var list shopfile.Errors
	switch {
	case errors.As(err, &list):
		page.Broken = true
		for _, e := range list {
			page.Problems = append(page.Problems, setup.Problem{Line: e.Line, What: "%s", Args: []any{e.What}, Do: e.Suggestion})
		}
		return page, nil
	case err != nil:
		return nil, err
	}
	if typed == nil {
		if page.F = setup.Of(page.base.Shop); page.base.Fresh {
			page.F = setup.Blank()
		}
	}
	page.named = page.F
	return page, nil
}

// opens is shown while a shop starts that was just set up.
func (p *Pages) opens(w http.ResponseWriter, r *http.Request) {
	b := p.setupBase(r)
	b.Title = b.T("The shop opens")
	p.render(w, http.StatusServiceUnavailable, "opening", struct{ *Base }{b})
}

func (p *Pages) setupGet(w http.ResponseWriter, r *http.Request) {
	if p.opening.Load() {
		p.opens(w, r)
		return
	}
	b := p.setupBase(r)
	b.Said = takeSaid(w, r)
	page, err := p.setupOf(r, b, nil)
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	p.render(w, http.StatusOK, "setup", page)
}

// setupPost shows what would change, or writes it.
func (p *Pages) setupPost(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, setupMax)
	if err := r.ParseForm(); err != nil {
		p.unreadable(w, r)
		return
	}
	b := p.setupBase(r)
	if !b.Bare {
		b.says(w, r)
	}
	p.setupWriting.Lock()
	defer p.setupWriting.Unlock()
	if p.opening.Load() { // sent twice
		p.setupDone(w, r, b)
		return
	}
	page, err := p.setupOf(r, b, setup.Read(r.PostForm))
	if err != nil {
		p.fail(w, r, b, err)
		return
	}
	status := http.StatusUnprocessableEntity
	if !page.Broken {
		status = p.setupDo(w, r, page)
	}
	if status != http.StatusSeeOther {
		p.render(w, status, "setup", page)
	}
}

// setupDo looks at what was typed, and writes it if that was asked for and is
// what was seen. It answers itself when it went on to another page.
func (p *Pages) setupDo(w http.ResponseWriter, r *http.Request, page *setupPage) int {
	b := page.Base
	if r.PostFormValue("do") == "write" && page.Was != "" && r.PostFormValue("seen") == string(page.Was) {
		return p.setupDone(w, r, b) // sent twice: what was seen is on disk
	}
	res := setup.Write(page.base, page.F)
	page.named, page.Problems, page.Text = res.Form, res.Problems, string(res.Text)
	write := r.PostFormValue("do") == "write"
	if res.Shop == nil {
		return http.StatusUnprocessableEntity
	}
	page.Looked, page.Seen, page.Changed = true, res.Hash, res.Changed
	page.Sun = b.sunAt(res.Shop)
	old := page.base.Text
	if page.base.Fresh {
		old = nil
	}
	page.Diff = setup.Diff(old, res.Text)
	if was := queue.Hash(r.PostFormValue("was")); was != page.Was {
		page.notice(http.StatusConflict, queue.CodeStale, b.T("the shop file was changed by somebody else since you opened this page"),
			b.T("Below is what your form would change in the file as it is now. What the other person did shows as taken out where your form says otherwise: correct the form, then look again."))
		return http.StatusConflict
	}
	if !write {
		return http.StatusOK
	}
	if r.PostFormValue("seen") != string(res.Hash) {
		page.notice(http.StatusConflict, queue.CodeStale, b.T("the form has changed since you looked at the difference"), b.T("Look at it again, then write it."))
		return http.StatusConflict
	}
	return p.setupWrite(w, r, page, res)
}

// notice puts a sentence above everything.
func (p *setupPage) notice(status int, code queue.Code, what, do string) {
	p.Notice = answer.New(status, code, what, do)
}

// setupWrite writes the file and puts it into effect.
func (p *Pages) setupWrite(w http.ResponseWriter, r *http.Request, page *setupPage, res setup.Result) int {
	b := page.Base
	action := &queue.ConfigureShop{Shop: *res.Shop, FileHash: res.Hash}
	if page.InLog {
		action.Was = page.Was // the log is all that says so; a file says it by itself
	}
	cmd := queue.Command{ID: queue.CommandID(r.PostFormValue("command_id")), Actor: b.Me, At: b.Now, Action: action}
	refuse := func(err error) int {
		pr, known := answer.Of(err)
		if !known {
			pr.Instance = uuid.NewString()
			p.log.Error("setup failed", zap.String("instance", pr.Instance), zap.Error(err))
		}
		page.Notice = pr.In(b.Locale)
		return pr.Status
	}
	if !b.Bare {
		if !b.IAmForeman() {
			return refuse(answer.New(http.StatusForbidden, queue.CodeWrongPerson, b.T("only a foreman may change the shop file"), b.T("Ask the foreman, or say who you are.")))
		}
		if err := p.o.Ledger.Try(cmd); err != nil {
			return refuse(err)
		}
	}
	if page.InLog {
		if _, err := p.o.Ledger.Do(r.Context(), cmd); err != nil {
			return refuse(err)
		}
		say(w, b.T("The shop is changed, and in effect at every screen and for the planner: %s.", b.sections(res.Changed)))
		return p.setupDone(w, r, b)
	}
	if p.o.ShopFile == nil {
		page.Copy = true
		page.notice(http.StatusConflict, queue.CodeNotReady, b.T("this Tickover was started without a shop file of its own"), b.T("Copy the text below into a file, and start Tickover with --shop and that file."))
		return http.StatusConflict
	}
	if err := p.o.ShopFile.Write(res.Text, page.Was); err != nil {
		return p.setupUnwritten(page, err)
	}
	if b.Bare {
		p.opening.Store(true)
		p.o.Written()
		return p.setupDone(w, r, b)
	}
	if _, err := p.o.Ledger.Do(r.Context(), cmd); err != nil {
		old := []byte(nil)
		if page.Was != "" {
			old = page.base.Text
		}
		var refused *queue.Refusal
		if !errors.As(err, &refused) {
			return refuse(err) // it may be recorded: the file stays, and the next start puts it into effect
		}
		if uerr := p.o.ShopFile.Undo(res.Hash, old); uerr != nil {
			p.log.Error("the shop file was written, but is not in effect", zap.Error(uerr))
		}
		return refuse(err)
	}
	say(w, b.T("The shop file is written and in effect: %s. The file before is kept as %s.", b.sections(res.Changed), filepath.Base(p.o.ShopFile.Before())))
	return p.setupDone(w, r, b)
}

func (p *Pages) setupDone(w http.ResponseWriter, r *http.Request, b *Base) int {
	to := "/setup"
	if b.Bare {
		to = "/board"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return http.StatusSeeOther
}

// setupUnwritten says why the disk did not take the file.
func (p *Pages) setupUnwritten(page *setupPage, err error) int {
	b := page.Base
	page.Copy = true
	do := b.T("Nothing was changed. Copy the text below into the file by hand, or let this program write there, then send the form again.")
	switch {
	case errors.Is(err, setup.ErrChanged):
		page.Copy = false
		page.notice(http.StatusConflict, queue.CodeStale, b.T("the shop file was changed by somebody else since you opened this page"), b.T("Look at the difference again, then write it."))
		return http.StatusConflict
	case errors.Is(err, fs.ErrPermission):
		page.notice(http.StatusInternalServerError, answer.CodeStorage, b.T("Tickover may not write %s", page.File), do)
	default:
		p.log.Error("shop file not written", zap.Error(err))
		page.notice(http.StatusInternalServerError, answer.CodeStorage, b.T("%s could not be written: %s", page.File, cause(err)), do)
	}
	return http.StatusInternalServerError
}

// cause is what the system said, without the names of temporary files.
func cause(err error) string {
	var pe *fs.PathError
	var le *os.LinkError
	switch {
	case errors.As(err, &le):
		return le.Err.Error()
	case errors.As(err, &pe):
		return pe.Err.Error()
	}
	return err.Error()
}

// sections lists sections of the file as people call them.
func (b *Base) sections(keys []string) string {
	names := map[string]string{"site": b.T("site"), "name": b.T("name"), "place": b.T("place"), "hours": b.T("hours"), "days": b.T("single days"),
		"quiet": b.T("quiet hours"), "resources": b.T("benches and things"), "technicians": b.T("people"), "foremen": b.T("foremen"), "operations": b.T("kinds of work"), "routes": b.T("routes")}
	var out []string
	for _, k := range keys {
		out = append(out, names[k])
	}
	if len(out) == 0 {
		return b.T("nothing but its layout")
	}
	return strings.Join(out, ", ")
}

// sunAt tells the sun of the place, by which a wrong sign shows at once.
func (b *Base) sunAt(s *queue.Shop) string {
	loc := s.Location()
	today := b.Now.In(loc)
	d := calendar.SunEvents(calendar.Place{LatitudeDeg: s.LatitudeD, LongitudeDeg: s.LongitudeD, ElevationM: s.ElevationM, Location: loc}, calendar.SunriseToSunset, calendar.DateOf(today, loc))
	var rise, set string
	for _, e := range d.Events {
		if at := b.Locale.Clock(e.At.Round(time.Minute).In(loc)); e.Rise {
			rise = at
		} else {
			set = at
		}
	}
	switch {
	case rise != "" && set != "":
		return b.T("By this place the sun rises at %s and sets at %s today. If that is wrong, look at latitude, longitude and time zone.", rise, set)
	case d.AlwaysUp():
		return b.T("By this place the sun does not set today.")
	}
	return b.T("By this place the sun does not rise and set today.")
}

// blankRows are for adding.
const blankRows = 3

// Resources are the rows, with empty ones.
func (p *setupPage) Resources() []setup.Resource {
	out := slices.Clone(p.F.Resources)
	for range blankRows {
		out = append(out, setup.Resource{Kind: queue.Bench.String()})
	}
	return out
}

// Technicians are the rows, with empty ones.
func (p *setupPage) Technicians() []setup.Technician {
	return append(slices.Clone(p.F.Technicians), make([]setup.Technician, blankRows)...)
}

// Days are the rows, with empty ones.
func (p *setupPage) Days() []setup.Day {
	return append(slices.Clone(p.F.Days), make([]setup.Day, blankRows)...)
}

// Kinds are what a shop file lists.
func (p *setupPage) Kinds() []string {
	return slices.DeleteFunc(slices.Clone(queue.ResourceKinds()), func(k string) bool { return k == queue.Yard.String() })
}

// WeekDay is a day of the week with its hours.
type WeekDay struct{ Key, Name, Open, Quiet string }

// Week are the weekdays from Monday on.
func (p *setupPage) Week() []WeekDay {
	var out []WeekDay
	for _, d := range setup.Week {
		out = append(out, WeekDay{strings.ToLower(d.String()[:3]), p.C("day", d.String()), p.F.Hours[d], p.F.Quiet[d]})
	}
	return out
}

// Routes are those of the shop and of the template.
func (p *setupPage) Routes() []setup.RouteChoice { return setup.Choices(p.base, p.F) }

// Work is an operation with the lengths of its stretches.
type Work struct {
	ID, Name string
	Lengths  []Length
}

// Length is a stretch: its field, what it is and how many minutes it takes.
type Length struct{ Field, What, Minutes string }

// Work are the operations of the file.
func (p *setupPage) Work() []Work {
	var out []Work
	for i := range p.base.Shop.Operations {
		op := &p.base.Shop.Operations[i]
		w := Work{ID: string(op.ID), Name: op.Name}
		for k, s := range op.Stretches {
			l := Length{Field: fmt.Sprintf("op.%s.%d", op.ID, k), What: p.T("hands-off"), Minutes: fmt.Sprint(int(s.Duration / time.Minute))}
			if s.HandsOn {
				l.What = p.T("hands-on")
			}
			if m, ok := p.F.Minutes(string(op.ID), k); ok {
				l.Minutes = m
			}
			w.Lengths = append(w.Lengths, l)
		}
		out = append(out, w)
	}
	return out
}

// SetupProblem is a problem as the page shows it.
type SetupProblem struct {
	ID, Place, What, Do string
}

// Wrong are the problems of some sections.
func (p *setupPage) Wrong(sections ...string) []SetupProblem {
	var out []SetupProblem
	for i, q := range p.Problems {
		if slices.Contains(sections, q.Section) {
			out = append(out, p.shown(i))
		}
	}
	return out
}

// ToFix are the first problems that stand beside a field.
func (p *setupPage) ToFix() []SetupProblem {
	const most = 12
	var out []SetupProblem
	for i, q := range p.Problems {
		if len(out) < most && slices.Contains(formSections, q.Section) {
			out = append(out, p.shown(i))
		}
	}
	return out
}

// formSections are those that the form has fields for.
var formSections = []string{"site", "name", "place", "hours", "days", "quiet", "resources", "technicians", "foremen", "operations", "routes", "planning"}

// Others are the problems of no field of the form.
func (p *setupPage) Others() []SetupProblem {
	var out []SetupProblem
	for i, q := range p.Problems {
		if !slices.Contains(formSections, q.Section) {
			out = append(out, p.shown(i))
		}
	}
	return out
}

func (p *setupPage) shown(i int) SetupProblem {
	q := p.Problems[i]
	out := SetupProblem{ID: fmt.Sprintf("wrong-%d", i), What: p.T(q.What, q.Args...), Do: p.Word(q.Do)}
	if q.Line > 0 {
		out.Place = fmt.Sprintf("%s:%d", p.base.Name, q.Line)
	}
	return out
}

// WrongRow are the ids of the problems of a row, for aria-describedby.
func (p *setupPage) WrongRow(section string, row int) string {
	id := ""
	switch {
	case section == "resources" && row < len(p.named.Resources):
		id = p.named.Resources[row].ID
	case section == "technicians" && row < len(p.named.Technicians):
		id = p.named.Technicians[row].ID
	}
	return p.WrongItem(section, id)
}

// WrongItem are the ids of the problems of an item, for aria-describedby.
func (p *setupPage) WrongItem(section, item string) string {
	var out []string
	for i, q := range p.Problems {
		if item != "" && q.Section == section && q.Item == item {
			out = append(out, fmt.Sprintf("wrong-%d", i))
		}
	}
	return strings.Join(out, " ")
}

// Writes reports that there is something that can be written.
func (p *setupPage) Writes() bool { return p.File != "" || p.InLog }

// MayWrite: the person may, as far as is known before it is tried.
func (p *setupPage) MayWrite() bool { return p.Bare || p.IAmForeman() || p.Me == "" }
