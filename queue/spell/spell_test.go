package spell

import (
	"testing"

	"pgregory.net/rapid"
)

// Distances from textbooks: kitten/sitting is 3 and saturday/sunday 3 in
// Levenshtein's distance, as neither has a swap; ca/abc is 3 in optimal string
// alignment, where each letter is touched once (from memory).
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3}, {"saturday", "sunday", 3}, {"ca", "abc", 3},
		{"flash", "flahs", 1}, {"", "abc", 3}, {"über", "uber", 1}, {"same", "same", 0},
	} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("distance(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func TestDistanceIsSymmetricAndBounded(t *testing.T) {
	word := rapid.StringOfN(rapid.RuneFrom([]rune("abc")), 0, 8, -1)
	rapid.Check(t, func(t *rapid.T) {
		a, b := word.Draw(t, "a"), word.Draw(t, "b")
		d := distance(a, b)
		if d != distance(b, a) || d > max(len(a), len(b)) || d < len(a)-len(b) || (d == 0) != (a == b) {
			t.Fatalf("distance(%q, %q) = %d", a, b, d)
		}
	})
}

func TestSuggest(t *testing.T) {
	words := []string{"interface", "charger", "bench", "pad"}
	for word, want := range map[string]string{
		"interfce":  `did you mean "interface"?`,
		"Bench":     `did you mean "bench"?`,
		"chragers":  `did you mean "charger"?`,
		"excavator": "allowed are: interface, charger, bench, pad",
		"":          "allowed are: interface, charger, bench, pad",
	} {
		if got := Suggest(word, words); got != want {
			t.Errorf("Suggest(%q) = %s, want %s", word, got, want)
		}
	}
}
