package sheet_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tickover/queue/sheet"
)

func TestNoCellIsAFormula(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "a": "a", "it's": "it's", "'quoted'": "'quoted'", "=1+1": "'=1+1", "+44": "'+44", "-3": "'-3", "@SUM(A1)": "'@SUM(A1)",
		"\t=1": "'\t=1", "\r=1": "'\r=1", "'=1": "''=1", "a=1": "a=1",
	} {
		if got := sheet.Cell(in); got != want {
			t.Errorf("Cell(%q) = %q, want %q", in, got, want)
		}
	}
}

// TestTextTakesBack: whatever was written is read back, and no cell that is
// written begins like a formula.
func TestTextTakesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := rapid.SliceOfN(rapid.StringMatching(`['=+@\t-]{0,3}[a-z "',;\n]{0,6}`), 2, 6).Draw(t, "row")
		var b bytes.Buffer
		if err := sheet.Write(&b, [][]string{row}); err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(b.String(), "\r\n") {
			t.Fatalf("no CRLF: %q", b.String())
		}
		got, err := csv.NewReader(&b).Read()
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range got {
			if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
				t.Fatalf("%q is a formula", s)
			}
			if back := sheet.Text(s); back != row[i] {
				t.Fatalf("%q came back as %q", row[i], back)
			}
		}
	})
}
