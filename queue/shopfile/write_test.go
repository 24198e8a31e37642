package shopfile

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tickover/queue"
	"tickover/testdata"
)

// Write refuses a shop that no file can describe, rather than writing another.
func TestWriteRefusesWhatCanNotBeReadBack(t *testing.T) {
	for name, spoil := range map[string]func(*queue.Shop){
		"name with a line break": func(s *queue.Shop) { s.Name = "a\nb" },
		"operation that is gone": func(s *queue.Shop) { s.Operations = s.Operations[1:] },
		"seconds in a stretch":   func(s *queue.Shop) { s.Operations[0].Stretches[0].Duration += 1e9 },
		"yard":                   func(s *queue.Shop) { s.Resources[0].Kind = queue.Yard },
		"evidence of other unit": func(s *queue.Shop) { s.Operations[0].Evidence[1].Unit = "miles" },
		"weight too small":       func(s *queue.Shop) { s.Objective.Late = 1e-20 },
	} {
		t.Run(name, func(t *testing.T) {
			shop, _, err := Parse(testdata.LarkmoorName, testdata.Larkmoor)
			if err != nil {
				t.Fatal(err)
			}
			spoil(shop)
			if out, err := Write(shop); err == nil {
				t.Errorf("written all the same:\n%.400s", out)
			}
		})
	}
}

// Texts survive whatever they are made of.
func TestTextsRoundTrip(t *testing.T) {
	shop, _, err := Parse(testdata.LarkmoorName, testdata.Larkmoor)
	if err != nil {
		t.Fatal(err)
	}
	piece := rapid.SampledFrom([]string{"a", "7", ":", "#", "-", "'", `"`, "{", "]", ",", "&", "*", "!", "|", ">", "%", "@", "`", "ü", "日", "~", "null", "yes", " ", "\\", "?", "=", "0x1F", "1e3"})
	rapid.Check(t, func(t *rapid.T) {
		name := "x"
		for i := range rapid.IntRange(1, 8).Draw(t, "n") {
			name += piece.Draw(t, string(rune('a'+i)))
		}
		// Texts don't begin or end with a blank.
		name = strings.TrimSpace(name[rapid.IntRange(0, 1).Draw(t, "cut"):] + "a"[rapid.IntRange(0, 1).Draw(t, "end"):])
		if name == "" {
			name = "x"
		}
		shop.Name, shop.Resources[0].Name, shop.Calibrations[0].ForCaller = name, name, name
		if out, err := Write(shop); err != nil { // Write reads back what it wrote
			t.Fatalf("%q: %v\n%.200s", name, err, out)
		}
	})
}
