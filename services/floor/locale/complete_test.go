package locale_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/leonelquinteros/gotext"

	"tickover/services/floor/locale"
)

var update = flag.Bool("update", false, "write new messages into the language files, without translation")

// inUse are all messages of the program.
func inUse(t *testing.T) []locale.Message {
	t.Helper()
	ms, err := locale.Messages(os.DirFS("../../../services"), os.DirFS("../../../queue"), os.DirFS("../../../scheduler"))
	if err != nil {
		t.Fatal(err)
	}
	if len(ms) < 200 {
		t.Fatalf("only %d messages found: the search is broken", len(ms))
	}
	return ms
}

// TestLanguagesAreComplete compares each language file with the messages in
// use: all there, none left over, the same values in each.
func TestLanguagesAreComplete(t *testing.T) {
	ms := inUse(t)
	files, err := filepath.Glob("text/*.po")
	if err != nil || len(files) < 2 {
		t.Fatalf("language files: %v %v", files, err)
	}
	for _, name := range files {
		po := gotext.NewPo()
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if twice := repeated(string(text)); len(twice) > 0 {
			t.Errorf("%s: more than once: %s", name, strings.Join(twice, ", "))
		}
		po.Parse(text)
		d := po.GetDomain()
		known := func(m locale.Message) bool {
			if m.Context != "" {
				return po.IsTranslatedC(m.Text, m.Context)
			}
			return po.IsTranslated(m.Text)
		}
		partial := d.Headers.Get("X-Partial") == "yes"
		var missing []locale.Message
		for _, m := range ms {
			if !partial && !known(m) {
				missing = append(missing, m)
			}
		}
		if *update && len(missing) > 0 {
			if err := add(name, missing); err != nil {
				t.Fatal(err)
			}
		}
		for _, m := range missing {
			t.Errorf("%s: no translation of %q%s (%s); run: go test ./services/floor/locale -update, and fill it in", name, m.Text, inContext(m), m.Where)
		}
		leftOver(t, name, d, ms)
	}
}

// repeated are the messages that a file has more than once: gettext's own tools
// refuse it then.
func repeated(text string) (twice []string) {
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^(?:msgctxt .*\n)?msgid .*\n(?:".*\n)*`).FindAllString(text, -1) {
		if seen[m] {
			twice = append(twice, strings.TrimSpace(m))
		}
		seen[m] = true
	}
	return twice
}

func inContext(m locale.Message) string {
	if m.Context == "" {
		return ""
	}
	return fmt.Sprintf(" in the context %q", m.Context)
}

func leftOver(t *testing.T, name string, d *gotext.Domain, ms []locale.Message) {
	t.Helper()
	check := func(context, id string, tr *gotext.Translation) {
		if id == "" {
			return // the head of the file
		}
		i := slices.IndexFunc(ms, func(m locale.Message) bool { return m.Context == context && m.Text == id })
		if i < 0 {
			t.Errorf("%s: %q is not in use any more; take it out", name, id)
			return
		}
		for form, said := range tr.Trs {
			key := id
			if form > 0 {
				key = tr.PluralID
			}
			if said != "" && !slices.Equal(verbs(key), verbs(said)) {
				t.Errorf("%s: %q has other values than %q", name, said, key)
			}
		}
	}
	for id, tr := range d.GetTranslations() {
		if id != "" {
			check("", id, tr)
		}
	}
	for context, all := range d.GetCtxTranslations() {
		for id, tr := range all {
			check(context, id, tr)
		}
	}
}

var verb = regexp.MustCompile(`%(\[\d\])?[-+#0]*[0-9.]*[a-zA-Z]`)

func verbs(s string) []string {
	out := verb.FindAllString(strings.ReplaceAll(s, "%%", ""), -1)
	for i, v := range out {
		if out[i] = v; v[1] == '[' { // %[2]s: in another order
			out[i] = "%" + v[strings.IndexByte(v, ']')+1:]
		}
	}
	slices.Sort(out)
	return out
}

func add(name string, ms []locale.Message) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	q := func(s string) string {
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(s) + `"`
	}
	for _, m := range ms {
		fmt.Fprintf(f, "\n")
		if m.Context != "" {
			fmt.Fprintf(f, "msgctxt %s\n", q(m.Context))
		}
		fmt.Fprintf(f, "msgid %s\n", q(m.Text))
		if m.Plural != "" {
			fmt.Fprintf(f, "msgid_plural %s\nmsgstr[0] \"\"\nmsgstr[1] \"\"\n", q(m.Plural))
		} else {
			fmt.Fprintf(f, "msgstr \"\"\n")
		}
	}
	return nil
}
