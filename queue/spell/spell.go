// Package spell proposes the word that a person meant: for messages about the
// hand-written files. It knows nothing of languages; it counts typing mistakes.
package spell

import (
	"strings"

	"tickover/queue/said"
)

// Suggest answers "did you mean …?" with the nearest of the allowed words, or
// lists them if none is near.
func Suggest(word string, allowed []string) string { return SaySuggest(word, allowed).String() }

// SaySuggest is Suggest for any language.
func SaySuggest(word string, allowed []string) said.Text {
	if best := Nearest(word, allowed); best != "" {
		return said.Say("did you mean %q?", best)
	}
	return SayOneOf(allowed)
}

// listMax bounds how many words a message lists.
const listMax = 24

// OneOf lists the allowed words; empty for none.
func OneOf(allowed []string) string { return SayOneOf(allowed).String() }

// SayOneOf is OneOf for any language.
func SayOneOf(allowed []string) said.Text {
	switch {
	case len(allowed) == 0:
		return said.Text{}
	case len(allowed) == 1:
		return said.Say("allowed is: %s", allowed[0])
	case len(allowed) > listMax:
		return said.Say("allowed are: %s and %d more", strings.Join(allowed[:listMax], ", "), len(allowed)-listMax)
	}
	return said.Say("allowed are: %s", strings.Join(allowed, ", "))
}

// wordMax bounds the words that are compared, in bytes.
const wordMax = 64

// Nearest returns the allowed word that is at most one typing mistake in three
// letters away from word, empty if none is. Case, '-', '_' and blanks don't
// count. Ties go to the first.
func Nearest(word string, allowed []string) string {
	w := Fold(word)
	if w == "" || len(w) > wordMax {
		return ""
	}
	best, bestDistance := "", max(1, len(w)/3)+1
	for _, a := range allowed {
		if len(a) > wordMax {
			continue
		}
		if d := distance(w, Fold(a)); d < bestDistance {
			best, bestDistance = a, d
		}
	}
	return best
}

// Fold takes out what people mix up: case, '-', '_' and blanks.
func Fold(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || r == ' ' {
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// distance is the number of insertions, deletions, substitutions and swaps of
// neighbours between two words, each letter touched once: optimal string
// alignment, the restricted form of the distance of F. J. Damerau, "A technique
// for computer detection and correction of spelling errors", Communications of
// the ACM 7 (1964).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	rows := [3][]int{make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)}
	for j := range rows[1] {
		rows[1][j] = j
	}
	for i := 1; i <= len(x); i++ {
		before, last, row := rows[0], rows[1], rows[2]
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		rows[0], rows[1], rows[2] = last, row, before
	}
	return rows[1][len(y)]
}
