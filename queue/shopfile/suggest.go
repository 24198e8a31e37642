package shopfile

import (
	"fmt"
	"slices"
	"strings"
)

// didYouMean proposes the nearest of the allowed words, or lists them. It costs
// nothing once no more problems are kept.
func (c *collector) didYouMean(word string, allowed []string) string {
	if c.full() {
		return ""
	}
	if best := nearest(word, allowed); best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return oneOf(allowed)
}

// oneOf lists the allowed words.
func oneOf(allowed []string) string {
	const most = 24
	switch {
	case len(allowed) == 0:
		return ""
	case len(allowed) == 1:
		return "allowed is: " + allowed[0]
	case len(allowed) > most:
		return fmt.Sprintf("allowed are: %s and %d more", strings.Join(allowed[:most], ", "), len(allowed)-most)
	}
	return "allowed are: " + strings.Join(allowed, ", ")
}

// nearest returns the allowed word that is a typing mistake away from word,
// empty if none is. Ties go to the first.
func nearest(word string, allowed []string) string {
	w := fold(word)
	if w == "" || len(w) > 64 {
		return ""
	}
	best, bestDistance := "", max(1, len(w)/3)+1
	for _, a := range allowed {
		if len(a) > 64 {
			continue
		}
		if d := distance(w, fold(a)); d < bestDistance {
			best, bestDistance = a, d
		}
	}
	return best
}

// fold takes out what people mix up: case, '-', '_' and blanks.
func fold(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || r == ' ' {
			return -1
		}
		return r
	}, strings.ToLower(s))
}

// distance is the number of insertions, deletions, substitutions and swaps of
// neighbours between two words (optimal string alignment; Damerau 1964,
// Levenshtein 1966).
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

// words turns names of any string type into sorted, distinct words.
func words[T ~string](list []T) []string {
	out := make([]string, 0, len(list))
	for _, w := range list {
		out = append(out, string(w))
	}
	slices.Sort(out)
	return slices.Compact(out)
}
