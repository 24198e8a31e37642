package locale_test

import (
	"testing"
	"time"

	"tickover/services/floor/locale"
)

func TestSaidLater(t *testing.T) {
	s := locale.Say("%s: %s", locale.Say("closed: %s", "rain"), 36*time.Hour)
	if got := s.String(); got != "closed: rain: 1 day" {
		t.Errorf("English: %q", got)
	}
	if got := locale.Find("de").Say(s); got != "gesperrt: rain: 1 Tag" {
		t.Errorf("German: %q", got)
	}
	if got := locale.English().Say(locale.Said{}); got != "" {
		t.Errorf("nothing is said as %q", got)
	}
}
