package locale_test

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"tickover/services/floor/locale"
)

// FuzzChoose: whatever a browser says of languages, and whatever its cookie
// has, the answer is one of our languages and units.
func FuzzChoose(f *testing.F) {
	f.Add("de-CH,de;q=0.9,en;q=0.8", "", "", "")
	f.Add("*;q=0,x-klingon", "de", "12", "mi")
	f.Add("en-US-u-hc-h12-x-"+string(make([]byte, 50)), "\xff", "25", "furlong")
	f.Fuzz(func(t *testing.T, accept, tag, clock, distance string) {
		l := locale.Choose(locale.Prefs{Language: tag, Clock: clock, Distance: distance}, accept)
		if !slices.Contains(locale.Languages(), l.Language) {
			t.Errorf("language %v", l.Language)
		}
		_ = l.T("%d of %d", 1, 2)
		_ = l.Distance(12.5, 1)
	})
}

// FuzzCatalogue: whatever a language's file has, the language says something:
// no panic, and what it does not know it says in English.
func FuzzCatalogue(f *testing.F) {
	head := "msgid \"\"\nmsgstr \"\"\n\"Language-Team: X\\n\"\n\"Plural-Forms: nplurals=2; plural=n != 1;\\n\"\n\n"
	f.Add([]byte(head + "msgid \"%d unit\"\nmsgid_plural \"%d units\"\nmsgstr[0] \"%d Maschine\"\nmsgstr[1] \"%d Maschinen\"\n"))
	f.Add([]byte(head + "msgctxt \"button\"\nmsgid \"Start\"\nmsgstr \"%[9]s%!\"\n"))
	f.Add([]byte("msgid \"\"\nmsgstr \"Plural-Forms: nplurals=0; plural=n%0;\\n\"\nmsgid \"a\"\nmsgid_plural \"b\"\nmsgstr[7] \"c\"\n"))
	f.Add([]byte("msgid \"\\\nmsgstr[-1] \"\n#~ |msgid"))
	f.Fuzz(func(t *testing.T, file []byte) {
		forget := locale.Add("xx", file)
		defer forget()
		l := locale.Find("xx")
		for n := range 3 {
			_ = l.N("%d unit", "%d units", n, n)
		}
		_ = l.T("%d of %d", 1, 2)
		_ = l.C("button", "Start")
		_ = l.Minutes(90 * time.Minute)
		const unknown = "nobody has translated this sentence"
		if got := l.Word(unknown); got != unknown && !bytes.Contains(file, []byte("nobody has")) {
			t.Errorf("%q is said %q", unknown, got)
		}
	})
}
