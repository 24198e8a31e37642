package setup

import (
	"strings"

	"github.com/rogpeppe/go-internal/diff"
)

// Line is a line of a difference: Sign is '+', '-', ' ', or '@' where lines
// are left out; then Text is the number of the next line in the new file.
type Line struct {
	Sign rune
	Text string
}

// Diff is what differs between two files, with the lines around it.
func Diff(old, now []byte) []Line {
	var out []Line
	text := strings.TrimSuffix(string(diff.Diff("a", old, "b", now)), "\n")
	if text == "" {
		return nil
	}
	for i, l := range strings.Split(text, "\n") {
		if i < 3 || l == "" { // the names of the files
			continue
		}
		out = append(out, Line{rune(l[0]), strings.TrimSuffix(l[1:], "\r")})
		if l[0] == '@' { // @@ -32,6 +33,7 @@
			_, at, _ := strings.Cut(l, "+")
			out[len(out)-1].Text, _, _ = strings.Cut(at, ",")
		}
	}
	return out
}
