package history

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// maxRecord is the longest row that is read, in bytes, line ends included.
const maxRecord = 64 << 10

// splitter cuts a stream into rows of fields after RFC 4180. It looks at most
// maxRecord bytes ahead, so a quote that never closes costs one line, not the
// rest of the file.
type splitter struct {
	in *bufio.Reader
	// line is the number of the next physical line.
	line int64
}

func newSplitter(r io.Reader) *splitter {
	return &splitter{in: bufio.NewReaderSize(r, 8*maxRecord), line: 1}
}

// record is one row as cut.
type record struct {
	line   int64
	fields []string
	// raw is the text of the row without its line end; escaped tells whether
	// bytes had to be rewritten to make it UTF-8.
	raw     string
	escaped bool
	// fault says why the fields cannot be had; then raw alone counts.
	fault error
	// last: the file ends with this row and without a line end.
	last bool
}

// next gives the next row that is not empty, or io.EOF. Any other error ends
// the reading.
func (s *splitter) next() (record, error) {
	for {
		window, err := s.in.Peek(maxRecord)
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
			return record{}, err
		}
		if len(window) == 0 {
			return record{}, io.EOF
		}
		r, size := cut(window, errors.Is(err, io.EOF))
		r.line = s.line
		if size < 0 {
			if err := s.skipLine(); err != nil {
				return record{}, err
			}
			return r, nil
		}
		s.line += int64(bytes.Count(window[:size], []byte{'\n'}))
		if _, err := s.in.Discard(size); err != nil {
			return record{}, err
		}
		if r.raw != "" {
			return r, nil
		}
	}
}

// skipLine drops the rest of a line that is longer than any row may be.
func (s *splitter) skipLine() error {
	for {
		_, err := s.in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		s.line++
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	}
}

// cut takes the first row off window and tells how many bytes it used; size is
// -1 when the row's first line alone is too long. atEnd: nothing follows.
func cut(window []byte, atEnd bool) (r record, size int) {
	fields, size, fault := cutFields(window, atEnd)
	if fault != nil {
		// Only the first physical line is given up.
		end := bytes.IndexByte(window, '\n')
		switch {
		case end >= 0:
			size = end + 1
		case atEnd:
			size = len(window)
		default:
			start := window[:80]
			return record{raw: printable(start) + "...", escaped: !utf8.Valid(start),
				fault: fmt.Errorf("is longer than %d bytes; only its beginning is kept", maxRecord)}, -1
		}
	}
	raw := trimLineEnd(window[:size])
	r = record{fields: fields, fault: fault, raw: printable(raw), last: atEnd && size == len(window) && len(raw) == size}
	if r.escaped = !utf8.Valid(raw); r.escaped && fault == nil {
		r.fault = errNotUTF8
	}
	return r, size
}

var (
	errNotUTF8   = errors.New("is not UTF-8 text; save the file with UTF-8 encoding")
	errOpenQuote = errors.New(`opens a quote that never closes; end the field with " or write "" for a quote inside`)
	errAfterEnd  = errors.New(`goes on after a closing quote; put a comma there, or write "" for a quote inside`)
	errBareQuote = errors.New(`has a quote inside a field that does not begin with one; quote the whole field and write "" inside`)
)

func cutFields(window []byte, atEnd bool) (fields []string, size int, fault error) {
	at := 0
	for {
		var field string
		var err error
		if at < len(window) && window[at] == '"' {
			field, at, err = cutQuoted(window, at+1)
		} else {
			field, at, err = cutPlain(window, at)
		}
		if err != nil {
			return nil, 0, err
		}
		fields = append(fields, field)
		switch {
		case at == len(window):
			if !atEnd {
				return nil, 0, fmt.Errorf("is longer than %d bytes", maxRecord)
			}
			return fields, at, nil
		case window[at] == ',':
			at++
		case window[at] == '\n':
			return fields, at + 1, nil
		case window[at] == '\r' && at+1 < len(window) && window[at+1] == '\n':
			return fields, at + 2, nil
		case window[at] == '\r' && at+1 == len(window) && atEnd:
			return fields, at + 1, nil
		default:
			return nil, 0, errAfterEnd
		}
	}
}

// cutPlain reads an unquoted field from at and gives the place of what ends it.
func cutPlain(window []byte, at int) (string, int, error) {
	end := bytes.IndexAny(window[at:], ",\n\"")
	if end < 0 {
		end = len(window) - at
	}
	stop := at + end
	if stop < len(window) && window[stop] == '"' {
		return "", 0, errBareQuote
	}
	text := window[at:stop]
	if n := len(text); n > 0 && text[n-1] == '\r' && (stop == len(window) || window[stop] == '\n') {
		text, stop = text[:n-1], stop-1
	}
	return string(text), stop, nil
}

// cutQuoted reads a quoted field whose text begins at at.
func cutQuoted(window []byte, at int) (string, int, error) {
	var text []byte
	for {
		end := bytes.IndexByte(window[at:], '"')
		if end < 0 {
			return "", 0, errOpenQuote
		}
		text = append(text, window[at:at+end]...)
		at += end + 1
		if at == len(window) || window[at] != '"' {
			return string(text), at, nil
		}
		text, at = append(text, '"'), at+1
	}
}

func trimLineEnd(b []byte) []byte {
	b = bytes.TrimSuffix(b, []byte{'\n'})
	return bytes.TrimSuffix(b, []byte{'\r'})
}

// printable makes text that can stand in a UTF-8 file; bytes that are not UTF-8
// are written like \xE4, so that whoever mends it sees what they were.
func printable(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	var text strings.Builder
	for len(b) > 0 {
		r, size := utf8.DecodeRune(b)
		if r == utf8.RuneError && size == 1 {
			fmt.Fprintf(&text, `\x%02X`, b[0])
		} else {
			text.WriteRune(r)
		}
		b = b[size:]
	}
	return text.String()
}
