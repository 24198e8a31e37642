// Package sheet writes tables for spreadsheets: CSV by RFC 4180, in UTF-8, with
// CRLF at the end of each line. A text that a spreadsheet would take for a
// formula gets an apostrophe before it.
package sheet

import (
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"strings"
)

// Harmless keeps a spreadsheet from running a text as a formula: one that
// begins with = + - @, a tab or a carriage return gets an apostrophe.
func Harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// Write writes the rows, the header first.
func Write(w io.Writer, rows [][]string) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	for _, row := range rows {
		safe := make([]string, len(row))
		for i, v := range row {
			safe[i] = Harmless(v)
		}
		if err := out.Write(safe); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// Headers names the file that a browser keeps.
func Headers(h http.Header, name string) {
	h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s.csv"`, name))
}
