package floor_test

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"golang.org/x/net/html"

	"tickover/queue"
	"tickover/queue/intake"
	"tickover/services/floor/locale"
)

// markedTag is a language in which every letter of every message is a wide one
// (Unicode's fullwidth forms), so that what is narrow on a page was said in no
// language.
const markedTag = "en-x-marked"

var formatVerb = regexp.MustCompile(`%(\[\d\])?[-+#0]*[0-9.]*[a-zA-Z%]`)

func wide(s string) string {
	out := func(s string) string {
		return strings.Map(func(r rune) rune {
			if r < unicode.MaxASCII && unicode.IsLetter(r) {
				return r - '!' + '！'
			}
			return r
		}, s)
	}
	var b strings.Builder
	for {
		at := formatVerb.FindStringIndex(s)
		if at == nil {
			return b.String() + out(s)
		}
		b.WriteString(out(s[:at[0]]) + s[at[0]:at[1]])
		s = s[at[1]:]
	}
}

// markedFile is the language file of all messages in use.
func markedFile(t *testing.T) []byte {
	t.Helper()
	ms, err := locale.Messages(os.DirFS("../../services"), os.DirFS("../../queue"), os.DirFS("../../scheduler"))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("msgid \"\"\nmsgstr \"\"\n\"Language: en\\n\"\n\"Language-Team: Marked\\n\"\n\"Plural-Forms: nplurals=2; plural=(n != 1);\\n\"\n")
	q := func(s string) string {
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(s) + `"`
	}
	for _, m := range ms {
		one, many := wide(m.Text), wide(m.Plural)
		if m.Context == "date" {
			one = m.Text // a layout
		}
		b.WriteString("\n")
		if m.Context != "" {
			fmt.Fprintf(&b, "msgctxt %s\n", q(m.Context))
		}
		fmt.Fprintf(&b, "msgid %s\n", q(m.Text))
		if m.Plural != "" {
			fmt.Fprintf(&b, "msgid_plural %s\nmsgstr[0] %s\nmsgstr[1] %s\n", q(m.Plural), q(one), q(many))
		} else {
			fmt.Fprintf(&b, "msgstr %s\n", q(one))
		}
	}
	return []byte(b.String())
}

// TestEveryTextIsInTheCatalogue shows every page of a shop in which a good deal
// goes on, and what refused forms say, in a language in which each message is
// marked. What is left unmarked must be data: names, ids, numbers, what people
// wrote. The list of offenders is what a reader of another language would see
// in English.
func TestEveryTextIsInTheCatalogue(t *testing.T) {
	forget := locale.Add(markedTag, markedFile(t))
	defer forget()
	w := newWorld(t)
	sites := grouped(t, w)
	w.withPeople()
	w.everyPage()
	w.calledBack()
	w.checkIn(url.Values{"name": {"Morwenna Tresk"}, "phone": {"01632 960 147"}})
	w.goingsOn()
	sites.share()
	pages := pagesOf(w)
	w.postForm("/prefs", url.Values{"language": {markedTag}, "clock": {"12"}, "distance": {"mi"}, "degrees": {"F"}, "back": {"/cautions"}})
	l := &listener{t: t, w: w, found: map[string]string{}}

	for i, more := range []string{
		"/owner", "/owner?span=month", "/owner/units?span=week", "/check-in?frame=1M8GDM9AXKP042788", "/units/LM-2", "/units/LM-3", "/units/LM-4",
		"/units/LM-1/steps/resets", "/units/LM-2/steps/check-in", "/units/LM-3/steps/flash", "/bench/p1", "/bench/c2", "/bench/l1", "/units?q=none", "/counter?q=Tresk", "/counter?q=nobody",
		"/board?day=2026-02-22", "/decide/LM-3", "/decide/LM-3/flash", "/decide/LM-2", "/calibrations?q=kb", "/units/NOBODY", "/units/LM-1/steps/none", "/labour?span=never",
		"/owner?from=x", "/bench/none", "/campaigns/none", "/people/none", "/machines/none", "/board?day=x", "/units/LM-1?asof=x",
	} {
		pages[fmt.Sprintf("more-%d", i)] = more
	}
	for _, person := range []string{"", "ruth", "tomas", "owner"} {
		if person != "" {
			w.be(person)
		}
		for _, name := range slices.Sorted(maps.Keys(pages)) {
			l.hear(pages[name], w.get(pages[name]))
		}
	}
	l.refusals()
	l.sites()

	for _, text := range slices.SortedFunc(maps.Keys(l.found), func(a, b string) int { return cmp.Or(cmp.Compare(l.found[a], l.found[b]), cmp.Compare(a, b)) }) {
		t.Errorf("%s says in English: %s", l.found[text], text)
	}
	if l.texts < 3000 {
		t.Errorf("only %d texts were heard: the test looks at the wrong place", l.texts)
	}
}

// goingsOn gives the planner, the sky and the benches something to say.
func (w *world) goingsOn() {
	w.arrive("LM-3", "reflash")
	w.arrive("LM-4", "set-up")
	w.arrive("LM-5", "reflash")
	for i := range 12 {
		w.arrive(queue.UnitID(fmt.Sprintf("LM-6%d", i)), "reflash")
	}
	now := w.clock.now()
	at := now.Add(20 * time.Minute)
	w.do("ruth", &queue.PinStep{Unit: "LM-3", Step: "flash", Pin: queue.Pin{Start: &at, Resources: []queue.ResourceID{"i2"}}})
	w.do("ruth", &queue.Close{Resource: "i2", From: now, Until: now.Add(5 * time.Hour), Reason: "no power"})
	w.do("ruth", &queue.Close{Technician: "kofi", From: now, Until: now.Add(48 * time.Hour), Reason: "broken leg"})
	soon := now.Add(30 * time.Minute)
	w.do("ruth", &queue.AmendUnit{Unit: "LM-4", Change: queue.UnitAmended{Held: new(true), Promise: &soon, Reason: "not paid"}})
	w.do("ruth", &queue.AmendUnit{Unit: "LM-5", Change: queue.UnitAmended{Promise: &soon, Parts: map[queue.StepID]time.Time{"flash": now.Add(3 * time.Hour)}}})
	w.clock.add(55 * time.Minute) // the flash is overdue
}

// listener collects what pages say in no language.
type listener struct {
	t     *testing.T
	w     *world
	texts int
	found map[string]string // text → where
}

// refusals sends forms that are refused.
func (l *listener) refusals() {
	l.w.be("ruth")
	post := func(path string, v url.Values) {
		v.Set("command_id", l.w.id())
		if v.Get("back") == "" {
			v.Set("back", "/units/LM-1")
		}
		l.hear("POST "+path+" "+v.Encode(), l.w.postForm(path, v))
	}
	for _, v := range []url.Values{
		{"unit": {"LM-3"}, "step": {"flash"}, "technician": {"tomas"}, "resource": {"b3", "i1", "c1"}},
		{"unit": {"LM-1"}, "step": {"relearn"}, "technician": {"ines"}, "resource": {"p1"}},
		{"unit": {"LM-1"}, "step": {"flash"}, "technician": {"ines"}, "resource": {"b3"}},
		{"unit": {"LM-2"}, "step": {"check-in"}, "technician": {"kofi"}},
		{"unit": {"none"}, "step": {"flash"}, "technician": {"ines"}},
		{"unit": {"LM-1"}, "step": {"none"}, "technician": {"ines"}},
		{"unit": {"LM-1"}, "step": {"resets"}, "technician": {"nobody"}},
	} {
		post("/do/start", v)
		post("/do/accept", v)
		post("/do/done", v)
		post("/do/advance", v)
		post("/do/pin", v)
		post("/do/skip", v)
		post("/do/reopen", v)
		post("/do/return", v)
		post("/do/problem", v)
	}
	post("/do/done", url.Values{"unit": {"LM-1"}, "step": {"flash"}, "technician": {"tomas"}, "ev_calibration": {"x"}, "ev_revision": {"y"}})
	post("/do/hand-over", url.Values{"unit": {"LM-1"}})
	post("/do/receive", url.Values{"frame": {"x"}, "promise": {"never"}, "back": {"/check-in"}})
	post("/do/amend", url.Values{"unit": {"LM-1"}, "promise": {"never"}})
	post("/do/close", url.Values{"what": {"resource:none"}, "until": {"never"}, "back": {"/decide"}})
	post("/do/nothing", url.Values{})
	post("/preview", url.Values{"action": {"pin"}, "unit": {"LM-3"}, "step": {"flash"}, "technician": {"kofi"}})
	post("/preview", url.Values{"action": {"nothing"}})
	post("/import", url.Values{"text": {"a,b\n1,2\n"}, "back": {"/import"}})
	post("/calibrations", url.Values{"text": {"a,b\n1,2\n"}, "back": {"/calibrations"}})
	l.hear("POST /do/start without a body", l.w.send(http.MethodPost, "/do/start", "text/plain", strings.NewReader("%")))
	l.hear("a form of another site", l.w.send(http.MethodPost, "/do/start", "application/x-www-form-urlencoded", strings.NewReader("a=b"), "Sec-Fetch-Site", "cross-site"))
}

var clockTime = regexp.MustCompile(`\b\d{1,2}:\d\d [ap]m\b`)

var hash = regexp.MustCompile(`\b[0-9a-f]{8}\b`)

var narrow = regexp.MustCompile(`[A-Za-z][A-Za-z'’]+`)

// ours are words that are the same in every language: units, formats, the
// program's name.
var ours = []string{"Tickover", "km", "mi", "rpm", "VIN", "CSV", "OpenAPI", "/events", "Last-Event-ID", "command_id", "Idempotency-Key", "application/problem+json", "expect", "JSON", "PNG", "SVG", "YAML", "iCalendar", "English", "Deutsch", "Marked", "United States"}

func (l *listener) hear(where string, r reply) {
	if !strings.HasPrefix(r.header.Get("Content-Type"), "text/") || strings.HasPrefix(r.header.Get("Content-Type"), "text/calendar") {
		return
	}
	d := l.w.parse(r)
	data := l.w.data()
	for _, text := range spoken(d.root) {
		l.texts++
		rest := hash.ReplaceAllString(clockTime.ReplaceAllString(text, "·"), "·")
		for _, s := range data {
			rest = without(rest, s)
		}
		if narrow.MatchString(rest) {
			if _, ok := l.found[text]; !ok {
				l.found[text] = where
			}
		}
	}
}

// typed is what the test wrote into forms and addresses, and how people who
// are no technicians are called: by their ids.
var typed = []string{"Morwenna Tresk", "Tresk", "Morwenna", "not paid", "nobody", "none", "NOBODY", "/nowhere", "nowhere", "nothing", "never", "Fellrigg Tarn 300", "Fellrigg", "LM",
	"Owner", "Run-up pad behind the", "Kestrow Brae 250: kb250-std", "a", "b",
	"Highfell Trail & Enduro", "Highfell", "highfell", "HF-7", "HF-8", "HF-9", "HF77", "HF 26 TRA", "HF", "Olive"}

// without takes a whole word or name out.
func without(text, s string) string {
	for from := 0; ; {
		i := strings.Index(text[from:], s)
		if i < 0 {
			return text
		}
		i += from
		end := i + len(s)
		letter := func(at int) bool { return at >= 0 && at < len(text) && narrow.MatchString("a"+text[at:at+1]) }
		if letter(i-1) || letter(end) {
			from = end
			continue
		}
		text = text[:i] + " · " + text[end:]
		from = i
	}
}

// data are all texts of the shop's state, the long ones first.
func (w *world) data() []string {
	seen := map[string]bool{}
	add := func(s string) {
		if narrow.MatchString(s) {
			seen[s] = true
		}
	}
	var walk func(v reflect.Value, depth int)
	walk = func(v reflect.Value, depth int) {
		if depth > 12 || !v.IsValid() {
			return
		}
		switch v.Kind() {
		case reflect.String:
			add(v.String())
		case reflect.Pointer, reflect.Interface:
			walk(v.Elem(), depth+1)
		case reflect.Slice, reflect.Array:
			for i := range v.Len() {
				walk(v.Index(i), depth+1)
			}
		case reflect.Map:
			for _, k := range v.MapKeys() {
				if v.Type().Key() != reflect.TypeFor[queue.EvidenceKey]() {
					walk(k, depth+1)
				}
				walk(v.MapIndex(k), depth+1)
			}
		case reflect.Struct:
			switch v.Type() {
			case reflect.TypeFor[time.Time]():
				return
			case reflect.TypeFor[queue.EvidenceField](): // its key is for programs
				add(v.FieldByName("Label").String())
				return
			}
			for i := range v.NumField() {
				if v.Type().Field(i).IsExported() {
					walk(v.Field(i), depth+1)
				}
			}
		}
	}
	st := w.l.View()
	walk(reflect.ValueOf(st.Shop), 0)
	walk(reflect.ValueOf(st.Units), 0)
	walk(reflect.ValueOf(st.Closures), 0)
	walk(reflect.ValueOf(st.Absences), 0)
	walk(reflect.ValueOf(st.Campaigns), 0)
	for _, op := range st.Shop.Operations { // a narrow block of the board has the first word
		first, _, _ := strings.Cut(op.Name, " ")
		add(first)
	}
	for _, list := range st.Catalogue().All() {
		walk(reflect.ValueOf(list), 0)
	}
	for i := range st.Shop.Technicians {
		first, _, _ := strings.Cut(st.Shop.Technicians[i].Name, " ")
		add(first)
	}
	for _, s := range slices.Concat(ours, typed, intake.CalibrationColumns(), intake.Columns()) {
		add(s)
	}
	out := slices.Collect(maps.Keys(seen))
	slices.SortFunc(out, func(a, b string) int { return cmp.Or(len(b)-len(a), cmp.Compare(a, b)) })
	return out
}

// spoken are the texts that somebody sees or hears, and those that scripts
// show.
func spoken(root *html.Node) []string {
	var out []string
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		switch n.Type {
		case html.TextNode:
			if s := strings.Join(strings.Fields(n.Data), " "); s != "" {
				out = append(out, s)
			}
		case html.ElementNode:
			if slices.Contains([]string{"script", "style", "code", "pre", "textarea"}, n.Data) || attr(n, "translate") == "no" {
				return
			}
			for _, a := range n.Attr {
				switch {
				case slices.Contains([]string{"title", "alt", "placeholder", "aria-label", "aria-description", "aria-valuetext"}, a.Key),
					n.Data == "input" && a.Key == "value" && slices.Contains([]string{"submit", "button"}, attr(n, "type")),
					strings.HasPrefix(a.Key, "data-") && strings.Contains(a.Val, " "):
					out = append(out, a.Val)
				}
			}
		}
		for c := range n.ChildNodes() {
			walk(c)
		}
	}
	walk(root)
	return out
}
