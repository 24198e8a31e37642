package locale_test

import (
	"slices"
	"testing"

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
