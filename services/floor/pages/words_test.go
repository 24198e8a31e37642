package pages

import (
	"strings"
	"testing"
	"unicode/utf8"

	"tickover/queue"
	"tickover/services/floor/board"
	"tickover/services/floor/job"
	"tickover/services/floor/locale"
)

func english() *Base {
	return &Base{Locale: locale.Choose(locale.Prefs{}, ""), Shop: &queue.Shop{Technicians: []queue.Technician{{ID: "a", Name: "Änne Voss"}, {ID: "b", Name: " "}}}}
}

// TestInitials: a letter of any alphabet, and no page fails for somebody
// without a name.
func TestInitials(t *testing.T) {
	b := english()
	for id, want := range map[queue.PersonID]string{"a": "Ä", "b": "", "somebody": "S"} {
		if got := b.Initial(id); got != want {
			t.Errorf("%s: %q, want %q", id, got, want)
		}
	}
}

// TestBlocksKeepTheirTexts: the lower line of a block ends before its edge. A
// board is at least 1,000 pixels wide; a letter of 11.5 pixels is about 6 wide.
func TestBlocksKeepTheirTexts(t *testing.T) {
	p := &boardPage{Base: english()}
	seen := map[string]bool{}
	for w := board.Percent(labelFull); w < 40; w += 0.1 {
		for _, wait := range []int{0, 5, 125} {
			l := p.Label(board.Block{Unit: "LM-1042", Operation: "Flash the calibration", W: w, X: 10, WaitMin: wait})
			seen[l.Bottom] = true
			if n := utf8.RuneCountInString(l.Bottom); float64(n)*6+9 > float64(w)*10 {
				t.Fatalf("%d letters, %q, on %.1f %%", n, l.Bottom, float64(w))
			}
		}
	}
	for _, want := range []string{"Flash", "Flash the calibration", "Flash the calibration, waits 5 min"} {
		if !seen[want] {
			t.Errorf("nowhere %q in %v", want, seen)
		}
	}
}

// TestHintsAreNumbers: large ones too.
func TestHintsAreNumbers(t *testing.T) {
	most := 2e6
	c := Card{Base: english(), Sheet: job.Sheet{Unit: &queue.Unit{}, Step: &queue.Step{}}}
	if got := c.Hint(queue.EvidenceField{Key: "x", Max: &most}); !strings.Contains(got, "2000000") {
		t.Errorf("hint %q", got)
	}
}
