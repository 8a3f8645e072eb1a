package history

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// RowError refuses one row; the rows after it can be read.
type RowError struct {
	Line int64
	// Column of the file, or empty when the row as a whole is wrong. When
	// several are, the first that was found.
	Column string
	// Reason says what is wrong and what would be right, for every column.
	Reason string
	// Raw is the row's fields in the order of Columns; when it could not be cut
	// into fields, the text of the line alone. Bytes that are not UTF-8 are
	// written as \x and two digits.
	Raw []string
}

func (e *RowError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d %s", e.Line, e.Reason)
	}
	return fmt.Sprintf("line %d, column %s: %s", e.Line, e.Column, e.Reason)
}

// HeaderError refuses a whole file.
type HeaderError struct{ Reason string }

func (e *HeaderError) Error() string { return "the file " + e.Reason }

// Reader reads a history file row by row. Its memory does not grow with the
// file.
type Reader struct {
	split *splitter
	// place holds, for each column of Columns, its position in the file.
	place [columnCount]int
	width int
}

// NewReader reads the header. An error is a *HeaderError when the file itself
// is the cause.
func NewReader(r io.Reader) (*Reader, error) {
	s := newSplitter(r)
	if err := checkEncoding(s); err != nil {
		return nil, err
	}
	head, err := s.next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, &HeaderError{"is empty; its first line must name the columns: " + strings.Join(columns[:], ",")}
	case err != nil:
		return nil, err
	case head.fault != nil:
		return nil, &HeaderError{fmt.Sprintf("has a header (line %d) that %v", head.line, head.fault)}
	}
	reader := &Reader{split: s, width: len(head.fields)}
	if err := reader.placeColumns(head.fields); err != nil {
		return nil, err
	}
	return reader, nil
}

// checkEncoding drops a byte order mark and names encodings that are not UTF-8.
func checkEncoding(s *splitter) error {
	start, err := s.in.Peek(3)
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	switch {
	case bytes.Equal(start, []byte("\xef\xbb\xbf")):
		_, err = s.in.Discard(3)
		return err
	case bytes.HasPrefix(start, []byte{0xff, 0xfe}), bytes.HasPrefix(start, []byte{0xfe, 0xff}):
		return &HeaderError{"is UTF-16 text; save it with UTF-8 encoding"}
	case bytes.HasPrefix(start, []byte{0x1f, 0x8b}), bytes.HasPrefix(start, []byte("PK")):
		return &HeaderError{"is compressed; unpack it first"}
	}
	return nil
}

func (r *Reader) placeColumns(names []string) error {
	for i := range r.place {
		r.place[i] = -1
	}
	for i, name := range names {
		name = strings.ToLower(strings.TrimSpace(name))
		known := slices.Index(columns[:], name)
		switch {
		case known < 0 && slices.Contains(rejectColumns[:], name):
		case known < 0 && len(names) == 1 && strings.ContainsAny(name, ";\t"):
			return &HeaderError{"separates its columns by semicolons or tabs; they must be separated by commas"}
		case known < 0:
			return &HeaderError{fmt.Sprintf("has a column %q; the columns are %s", name, strings.Join(columns[:], ","))}
		case r.place[known] >= 0:
			return &HeaderError{fmt.Sprintf("has the column %q twice", name)}
		default:
			r.place[known] = i
		}
	}
	for i, at := range r.place {
		if at < 0 {
			return &HeaderError{fmt.Sprintf("has no column %q; an unused column stays empty but must be there", columns[i])}
		}
	}
	return nil
}

// Next gives the next row, io.EOF at the end, a *RowError for a row that makes
// no sense (go on calling), or the error that ended the reading.
func (r *Reader) Next() (*Row, error) {
	rec, err := r.split.next()
	if err != nil {
		return nil, err
	}
	if rec.fault != nil {
		return nil, r.uncut(&rec, rec.fault.Error())
	}
	if len(rec.fields) != r.width {
		reason := fmt.Sprintf("has %d fields where the header has %d", len(rec.fields), r.width)
		if rec.last && len(rec.fields) < r.width {
			reason = fmt.Sprintf("is the last and ends after %d of %d fields; the file was cut off", len(rec.fields), r.width)
		}
		return nil, r.uncut(&rec, reason)
	}
	return parseRow(rec.line, r.inOrder(rec.fields))
}

// inOrder gives the fields in the order of Columns.
func (r *Reader) inOrder(fields []string) []string {
	raw := make([]string, columnCount)
	for i, at := range r.place {
		raw[i] = strings.TrimSpace(fields[at])
	}
	return raw
}

// uncut refuses a row as a whole. Fields that are only badly encoded keep their
// columns; otherwise the text of the line is all there is to mend.
func (r *Reader) uncut(rec *record, reason string) *RowError {
	e := &RowError{Line: rec.line, Reason: reason, Raw: []string{rec.raw}}
	if !rec.escaped {
		return e
	}
	e.Reason += `; bytes that are not are written here like \xE4`
	if !errors.Is(rec.fault, errNotUTF8) {
		e.Reason = reason + `; bytes that are not UTF-8 are written here like \xE4`
	} else if len(rec.fields) == r.width {
		e.Raw = r.inOrder(rec.fields)
		for i, field := range e.Raw {
			e.Raw[i] = printable([]byte(field))
		}
	}
	return e
}
