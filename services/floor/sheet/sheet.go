// Package sheet writes tables for spreadsheets: CSV by RFC 4180, in UTF-8, with
// CRLF at the end of each line, and the headers that go with them. What keeps a
// text from running as a formula is in tickover/queue/sheet.
package sheet

import (
	"fmt"
	"io"
	"net/http"

	"tickover/queue/sheet"
)

// Harmless keeps a spreadsheet from running a text as a formula.
func Harmless(s string) string { return sheet.Cell(s) }

// Write writes the rows, the header first.
func Write(w io.Writer, rows [][]string) error { return sheet.Write(w, rows) }

// Headers names the file that a browser keeps.
func Headers(h http.Header, name string) {
	h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s.csv"`, name))
}
