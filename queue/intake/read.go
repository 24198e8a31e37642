package intake

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"iter"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"tickover/queue"
	"tickover/queue/said"
	"tickover/queue/spell"
)

// Bounds of a file.
const (
	SizeMax   = 64 << 20  // bytes of the file
	RowsMax   = 200_000   // rows
	RecordMax = 64 << 10  // bytes of a row
	headMax   = RecordMax // bytes of the line that names the columns
	nameMax   = 60        // bytes of a column's name in a message
)

// Row is a line of the file that can be taken.
type Row struct {
	Line int // where it begins, from 1
	Unit queue.ReceiveUnit
}

// Read reads rows one by one. Each is a Row or the mistakes of one line; after
// a mistake that concerns the whole file it ends.
func Read(r io.Reader, shop *queue.Shop) iter.Seq2[Row, Errors] {
	return func(yield func(Row, Errors) bool) {
		f, err := open(r, columns, indexShop(shop))
		if err != nil {
			yield(Row{}, err)
			return
		}
		for rows := 0; ; {
			record, errs, done := f.next()
			if done {
				return
			}
			if record == nil && errs == nil {
				continue // an empty line
			}
			if rows++; rows > RowsMax {
				yield(Row{}, Errors{badRow(f.line, "", "split it", "the file has more than %d rows", RowsMax)})
				return
			}
			row := Row{Line: f.line}
			if errs == nil {
				row.Unit, errs = f.unit(record)
			}
			if len(errs) > 0 {
				row = Row{}
			}
			if !yield(row, errs) || f.broken {
				return
			}
		}
	}
}

// file is a CSV file being read.
type file struct {
	csv    *csv.Reader
	size   *sizeReader
	offset int // lines before the one that names the columns
	line   int // where the current row begins
	header []string
	column map[string]int // column name to place
	broken bool           // nothing more can be read
	end    int64          // where the last row ended
	table  table
	shop   *shopIndex // nil for calibrations
}

// sizeReader counts bytes and stops at [SizeMax].
type sizeReader struct {
	r    io.Reader
	n    int64
	over bool
}

func (s *sizeReader) Read(p []byte) (int, error) {
	if s.n >= SizeMax {
		s.over = true
		return 0, io.EOF
	}
	n, err := s.r.Read(p[:min(int64(len(p)), SizeMax+1-s.n)])
	s.n += int64(n)
	return n, err
}

// open reads the line that names the columns.
func open(r io.Reader, t table, shop *shopIndex) (*file, Errors) {
	f := &file{size: &sizeReader{r: r}, table: t, shop: shop, column: map[string]int{}}
	b := bufio.NewReaderSize(f.size, headMax)
	head, err := b.Peek(headMax)
	switch {
	case err != nil && err != io.EOF && err != bufio.ErrBufferFull:
		return nil, Errors{badRow(0, "", "", "the file can't be read: %s", err.Error())}
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}) || bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		return nil, Errors{badRow(1, "", "save it as “CSV UTF-8”", "the file is UTF-16")}
	}
	if bytes.HasPrefix(head, []byte("\uFEFF")) {
		_, _ = b.Discard(3) // three bytes that were peeked at
		head = head[3:]
	}
	comma := separator(head)
	if n := sepLine(head); n > 0 { // "sep=;", as spreadsheets write it
		comma = rune(head[4])
		_, _ = b.Discard(n) // peeked at
		f.offset = 1
	}
	f.csv = csv.NewReader(b)
	f.csv.Comma, f.csv.FieldsPerRecord, f.csv.ReuseRecord = comma, -1, true
	if errs := f.readHeader(); len(errs) > 0 {
		return nil, errs
	}
	return f, nil
}

// sepLine is the length of a leading line "sep=;", 0 if there is none.
func sepLine(head []byte) int {
	if len(head) < 6 || !bytes.EqualFold(head[:4], []byte("sep=")) || !strings.ContainsRune(",;\t", rune(head[4])) {
		return 0
	}
	switch {
	case head[5] == '\n':
		return 6
	case len(head) > 6 && head[5] == '\r' && head[6] == '\n':
		return 7
	}
	return 0
}

// separator is the most frequent of comma, semicolon and tab outside quotes in
// the first line that is not empty.
func separator(head []byte) rune {
	counts := map[byte]int{}
	quoted, begun := false, false
	for _, c := range head {
		if c == '\n' && !quoted {
			if begun {
				break
			}
			continue
		}
		switch {
		case c == '"':
			quoted = !quoted
		case !quoted:
			counts[c]++
		}
		begun = begun || c != '\r'
	}
	best := byte(',')
	for _, c := range []byte{';', '\t'} {
		if counts[c] > counts[best] {
			best = c
		}
	}
	return rune(best)
}

// readHeader finds the columns; every unknown, repeated and missing one is
// told.
func (f *file) readHeader() Errors {
	record, errs, done := f.next()
	for ; !done && record == nil && errs == nil; record, errs, done = f.next() {
	}
	switch {
	case done:
		return Errors{badRow(1, "", said.Say("the first line names the columns: %s", strings.Join(f.table.needed(), ", ")), "the file is empty")}
	case errs != nil:
		return errs
	}
	for i, name := range record {
		name = strings.TrimSpace(name)
		shown := strings.Clone(name)
		if len(name) > nameMax || strings.ContainsFunc(name, unicode.IsControl) {
			shown = clip(name)
		}
		f.header = append(f.header, shown)
		if name == "" {
			continue // a column without a name has to be empty, see next
		}
		key, found := f.table.named(name)
		if !found {
			errs = append(errs, badRow(f.line, shown, spell.SaySuggest(name, f.table.names()), "there is no column %s", clip(name)))
			continue
		}
		if k, twice := f.column[key]; twice {
			errs = append(errs, badRow(f.line, shown, "take one of them out", "column %s stands twice, as number %d and %d", key, k+1, i+1))
			continue
		}
		f.column[key] = i
	}
	for _, key := range f.table.needed() {
		if _, found := f.column[key]; !found {
			errs = append(errs, badRow(f.line, key, said.Say("add it; needed are: %s", strings.Join(f.table.needed(), ", ")), "the column %s is missing", key))
		}
	}
	return errs
}

// next returns the next record, valid until the call after; neither a record
// nor errors for a line without content; done at the end.
func (f *file) next() (record []string, errs Errors, done bool) {
	record, err := f.csv.Read()
	var pe *csv.ParseError
	switch {
	case f.size.over:
		f.broken = true
		return nil, Errors{badRow(0, "", "split it", "the file has more than %d bytes", SizeMax)}, false
	case err == io.EOF:
		return nil, nil, true
	case errors.As(err, &pe):
		f.line, f.end = pe.StartLine+f.offset, f.csv.InputOffset()
		return nil, Errors{quoteError(pe, f.offset)}, false
	case err != nil:
		f.broken = true
		return nil, Errors{badRow(0, "", "", "the file can't be read: %s", err.Error())}, false
	}
	line, _ := f.csv.FieldPos(0)
	f.line = line + f.offset
	length := f.csv.InputOffset() - f.end
	f.end = f.csv.InputOffset()
	if length > RecordMax {
		return nil, Errors{badRow(f.line, "", "look for a quote that is not closed", "the row has %d bytes, at most %d are allowed", length, RecordMax)}, false
	}
	if !slices.ContainsFunc(record, func(s string) bool { return s != "" }) {
		return nil, nil, false
	}
	return f.sound(record)
}

// sound checks a record's cells as text and their number.
func (f *file) sound(record []string) ([]string, Errors, bool) {
	var errs Errors
	for i, cell := range record {
		name := ""
		if i < len(f.header) {
			name = f.header[i]
		}
		if !utf8.ValidString(cell) {
			line, _ := f.csv.FieldPos(i)
			errs = append(errs, badRow(line+f.offset+newlinesBeforeBroken(cell), name, "save the file as “CSV UTF-8”", "these bytes are no UTF-8 text: %s", clip(strings.ToValidUTF8(cell, "\uFFFD"))))
		}
		if f.header != nil && name == "" && cell != "" {
			errs = append(errs, badRow(f.line, "", "look for a separator too many, or put the cell with it in quotes", "cell %d holds %s, its column has no name", i+1, clip(strings.ToValidUTF8(cell, "\uFFFD"))))
		}
	}
	if n := len(record); f.header != nil && n < len(f.header) {
		errs = append(errs, badRow(f.line, "", "look for a missing separator", "the row has %d cells, the first line names %d columns", n, len(f.header)))
	}
	if errs != nil {
		return nil, errs, false
	}
	return record, nil, false
}

func newlinesBeforeBroken(s string) int {
	lines := 0
	for i, c := range s {
		if _, size := utf8.DecodeRuneInString(s[i:]); c == utf8.RuneError && size == 1 {
			break
		}
		if c == '\n' {
			lines++
		}
	}
	return lines
}

func quoteError(pe *csv.ParseError, offset int) RowError {
	at := pe.StartLine + offset
	switch {
	case errors.Is(pe.Err, csv.ErrBareQuote):
		return badRow(at, "", `put the cell in quotes and double the quote in it: "4"" pipe"`, "a quote stands in a cell without quotes (line %d, byte %d)", pe.Line+offset, pe.Column)
	case errors.Is(pe.Err, csv.ErrQuote):
		return badRow(at, "", `close the quotes, and double a quote inside: "4"" pipe"`, "a cell in quotes does not end where it should (line %d, byte %d)", pe.Line+offset, pe.Column)
	}
	return badRow(at, "", "look at the line", "%s", pe.Err.Error())
}
