// Package sheet writes tables for spreadsheets: CSV by RFC 4180 with CRLF, and
// no text that a spreadsheet would run as a formula.
//
// A text that begins with = + - @, a tab or a carriage return, perhaps behind
// apostrophes, gets an apostrophe in front (OWASP, "CSV Injection"). Text takes
// it away again, so that what was written is read back as it was.
package sheet

import (
	"encoding/csv"
	"io"
	"strings"
)

// starts are the characters that a spreadsheet takes for the start of a
// formula.
const starts = "=+-@\t\r"

// Cell is a text that no spreadsheet runs.
func Cell(s string) string {
	if formula(s) {
		return "'" + s
	}
	return s
}

// Text is what Cell was given.
func Text(s string) string {
	if strings.HasPrefix(s, "'") && formula(s) {
		return s[1:]
	}
	return s
}

func formula(s string) bool {
	s = strings.TrimLeft(s, "'")
	return s != "" && strings.IndexByte(starts, s[0]) >= 0
}

// Write writes rows, the header first; every cell goes through Cell.
func Write(w io.Writer, rows [][]string) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	safe := []string{}
	for _, row := range rows {
		safe = safe[:0]
		for _, s := range row {
			safe = append(safe, Cell(s))
		}
		if err := out.Write(safe); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
