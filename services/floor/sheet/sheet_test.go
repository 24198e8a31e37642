package sheet_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tickover/services/floor/sheet"
)

// TestRoundTrip: whatever a text holds, it is read back, and no field is a
// formula (the first characters are those of OWASP's "CSV Injection").
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		field := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"=1+1", "+1", "-1", "@x", "\tx", "\rx", "a,b", "a\"b", "a\nb", ""}))
		rows := [][]string{rapid.SliceOfN(field, 2, 4).Draw(t, "row")}
		var b bytes.Buffer
		if err := sheet.Write(&b, rows); err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(b.String(), "\r\n") {
			t.Fatalf("no CRLF: %q", b.String())
		}
		got, err := csv.NewReader(&b).Read()
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range got {
			want := rows[0][i]
			if strings.IndexAny(strings.TrimLeft(want, "'"), "=+-@\t\r") == 0 {
				want = "'" + want
			}
			// A line break in a text is written as CRLF and read as LF; a lone
			// carriage return is dropped.
			if v != strings.ReplaceAll(want, "\r", "") {
				t.Fatalf("%q came back as %q", rows[0][i], v)
			}
			if v != "" && strings.ContainsRune("=+-@\t\r", rune(v[0])) {
				t.Fatalf("%q is a formula", v)
			}
		}
	})
}
