package history

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

var header = strings.Join(columns[:], ",") + "\n"

const (
	seenLine   = "seen,S1,,2024-03-02,RIV,harrow-mills,Corvane,CV 8,77-10,mill 3,1234.5,,,,,,,,,,,2024-03-01,meter\n"
	repairLine = "repair,R1,,2024-05-20,RIV,harrow-mills,Corvane,CV 8,77-10,mill 3,1500,2024-04-01,2024-04-03,2024-05-10," +
		"noise,front_bearing_set,noise,surface_fatigue,wear_expected,,repaired,,\n"
)

// readAll gives every row and every refusal of a file.
func readAll(t testing.TB, text string) (rows []*Row, refused []*RowError) {
	t.Helper()
	r, err := NewReader(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	for {
		row, err := r.Next()
		var rowErr *RowError
		switch {
		case errors.Is(err, io.EOF):
			return rows, refused
		case errors.As(err, &rowErr):
			refused = append(refused, rowErr)
		case err != nil:
			t.Fatal(err)
		default:
			rows = append(rows, row)
		}
	}
}

func TestReaderTakesWhatSpreadsheetsWrite(t *testing.T) {
	for name, text := range map[string]string{
		"plain":              header + seenLine + repairLine,
		"byte order mark":    "\xef\xbb\xbf" + header + seenLine + repairLine,
		"CRLF":               strings.ReplaceAll(header+seenLine+repairLine, "\n", "\r\n"),
		"no last line end":   strings.TrimSuffix(header+seenLine+repairLine, "\n"),
		"CR at the very end": strings.TrimSuffix(header+seenLine+repairLine, "\n") + "\r",
		"all quoted":         quoted(header + seenLine + repairLine),
		"empty lines":        "\n" + header + "\n\n" + seenLine + "\n" + repairLine + "\n\n",
		"spaces":             header + strings.ReplaceAll(seenLine, ",", " ,") + strings.ReplaceAll(repairLine, ",", ", "),
		"other order":        reversed(header + seenLine + repairLine),
		"header in capitals": strings.ToUpper(header) + seenLine + repairLine,
	} {
		t.Run(name, func(t *testing.T) {
			rows, refused := readAll(t, text)
			if len(refused) > 0 || len(rows) != 2 {
				t.Fatalf("%d rows, refused %v", len(rows), refused)
			}
			seen, repair := rows[0], rows[1]
			if seen.Kind != KindSeen || *seen.Hours != 1234.5 || seen.SeenOn.String() != "2024-03-01" || seen.Source != "meter" {
				t.Errorf("seen is %+v", seen)
			}
			if repair.Model != "CV 8" || repair.ShippedOn.String() != "2024-05-10" || repair.Outcome != "repaired" || repair.SeenOn != 0 {
				t.Errorf("repair is %+v", repair)
			}
		})
	}
}

func TestReaderRefusesRowsByLineAndColumn(t *testing.T) {
	change := func(line, old, replacement string) string {
		if !strings.Contains(line, old) {
			t.Fatalf("%q is not in %q", old, line)
		}
		return strings.Replace(line, old, replacement, 1)
	}
	for _, c := range []struct{ name, line, column, reason string }{
		{"unknown kind", change(seenLine, "seen", "look"), "kind", `is "look", must be "repair" or "seen"`},
		{"no record", change(seenLine, "S1", ""), "record", "is empty"},
		{"impossible day", change(seenLine, "2024-03-01", "2024-02-30"), "seen_on", "must be a day of the calendar as YYYY-MM-DD"},
		{"day first", change(seenLine, "2024-03-01", "01.03.2024"), "seen_on", "YYYY-MM-DD"},
		{"short year", change(seenLine, "2024-03-01", "24-03-01"), "seen_on", "YYYY-MM-DD"},
		{"before machines had meters", change(seenLine, "2024-03-01", "0024-03-01"), "seen_on", "since 1950-01-01"},
		{"decimal comma", change(seenLine, "1234.5", `"1234,5"`), "hours", `is "1234,5", must be a plain decimal`},
		{"negative hours", change(seenLine, "1234.5", "-1"), "hours", "plain decimal of 0 to 1000000"},
		{"exponent", change(seenLine, "1234.5", "1e3"), "hours", "plain decimal"},
		{"not a number", change(seenLine, "1234.5", "NaN"), "hours", "plain decimal"},
		{"hexadecimal", change(seenLine, "1234.5", "0x10"), "hours", "plain decimal"},
		{"too many hours", change(seenLine, "1234.5", "1000001"), "hours", "0 to 1000000"},
		{"a reading without hours", change(seenLine, "1234.5", ""), "hours", "a reading needs it"},
		{"a reading with a mode", change(seenLine, ",,2024-03-01", ",repaired,2024-03-01"), "outcome", "must be empty in a reading"},
		{"a repair without removal", change(repairLine, "2024-04-01", ""), "removed_on", "a repair needs it"},
		{"a repair with a source", change(repairLine, "repaired,,", "repaired,,meter"), "source", "must be empty in a repair"},
		{"a line break inside", change(seenLine, "mill 3", "\"mill\n3\""), "machine", "a line break or another control character at byte 5"},
		{"a field without end", change(seenLine, "mill 3", strings.Repeat("m", 201)), "machine", "has 201 bytes, may have at most 200"},
		{"too few fields", change(seenLine, ",meter", ""), "", "has 22 fields where the header has 23"},
		{"too many fields", change(seenLine, "mill 3", "mill,3"), "", "has 24 fields where the header has 23"},
		{"Latin-1", change(seenLine, "mill 3", "fr\xe4s 3"), "", "is not UTF-8 text"},
		{"open quote", change(seenLine, "mill 3", `"mill 3`), "", "opens a quote that never closes"},
		{"bare quote", change(seenLine, "mill 3", `3" mill`), "", "has a quote inside a field"},
		{"after the quote", change(seenLine, "mill 3", `"mill" 3`), "", "goes on after a closing quote"},
		{"endless line", strings.Repeat("x", 3*maxRecord) + "\n", "", "is longer than 65536 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rows, refused := readAll(t, header+seenLine+c.line+repairLine)
			if len(rows) != 2 || len(refused) != 1 {
				t.Fatalf("%d rows, refused %v", len(rows), refused)
			}
			e := refused[0]
			if e.Line != 3 || e.Column != c.column || !strings.Contains(e.Error(), c.reason) {
				t.Errorf("says %q (column %q), want %q (column %q)", e, e.Column, c.reason, c.column)
			}
			if want := 3 + int64(strings.Count(c.line, "\n")); rows[1].Line != want {
				t.Errorf("the row after it is at line %d, want %d", rows[1].Line, want)
			}
		})
	}
}

func TestReaderRefusesFiles(t *testing.T) {
	for _, c := range []struct{ name, text, reason string }{
		{"empty", "", "is empty; its first line must name the columns"},
		{"only blank lines", "\n\n\n", "is empty"},
		{"UTF-16", "\xff\xfek\x00i\x00", "is UTF-16 text"},
		{"packed", "PK\x03\x04", "is compressed"},
		{"semicolons", strings.ReplaceAll(header, ",", ";"), "separated by commas"},
		{"missing column", strings.Replace(header, ",hours", "", 1), `has no column "hours"`},
		{"unknown column", strings.Replace(header, "hours", "odometer", 1), `has a column "odometer"`},
		{"twice", strings.Replace(header, "machine", "serial", 1), `has the column "serial" twice`},
		{"Latin-1 header", "art\xe4,", "has a header (line 1) that is not UTF-8"},
		{"broken quote", `"kind`, "has a header (line 1) that opens a quote"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewReader(strings.NewReader(c.text))
			var e *HeaderError
			if !errors.As(err, &e) || !strings.Contains(err.Error(), c.reason) {
				t.Errorf("error is %v, want %q", err, c.reason)
			}
		})
	}
}

func TestReaderNamesTheCutOfATruncatedFile(t *testing.T) {
	whole := header + seenLine + repairLine
	for cut := len(header) + len(seenLine) + 1; cut < len(whole)-3; cut++ {
		rows, refused := readAll(t, whole[:cut])
		if len(rows) != 1 || len(refused) != 1 || refused[0].Line != 3 {
			t.Fatalf("cut at %d: %d rows, refused %v", cut, len(rows), refused)
		}
		if !strings.Contains(refused[0].Reason, "the file was cut off") {
			t.Fatalf("cut at %d: %v", cut, refused[0])
		}
	}
}

func TestReaderPassesOnReadErrors(t *testing.T) {
	broken := errors.New("disk gone")
	in := io.MultiReader(strings.NewReader(header+seenLine), &failing{broken})
	r, err := NewReader(in)
	if err == nil {
		_, err = r.Next()
	}
	if !errors.Is(err, broken) {
		t.Errorf("error is %v", err)
	}
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

// endless gives the same text again and again, n times.
type endless struct {
	text []byte
	at   int
	n    int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.n == 0 {
		return 0, io.EOF
	}
	k := copy(p, e.text[e.at:])
	if e.at += k; e.at == len(e.text) {
		e.at, e.n = 0, e.n-1
	}
	return k, nil
}

func TestReaderMemoryDoesNotGrow(t *testing.T) {
	for name, line := range map[string]string{"rows": seenLine, "open quotes": "\"seen,S1\n"} {
		t.Run(name, func(t *testing.T) {
			const n = 20_000
			r, err := NewReader(io.MultiReader(strings.NewReader(header), &endless{text: []byte(line), n: n}))
			if err != nil {
				t.Fatal(err)
			}
			before, after := heap(), uint64(0)
			count := 0
			for {
				_, err := r.Next()
				if errors.Is(err, io.EOF) {
					break
				}
				if count++; count == n/2 {
					after = heap()
				}
			}
			if count != n {
				t.Errorf("%d rows", count)
			}
			// 4 MiB is far below the file and above the allocator's noise.
			if after > before+4<<20 {
				t.Errorf("heap grew from %d to %d bytes", before, after)
			}
		})
	}
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

func TestRejectsFileCanBeMendedAndRead(t *testing.T) {
	bad := strings.Replace(seenLine, "1234.5", "lots", 1)
	_, refused := readAll(t, header+bad+"\"oops\n")
	var out bytes.Buffer
	w := NewRejectWriter(&out)
	for _, e := range refused {
		if err := w.Write(e); err != nil {
			t.Fatal(err)
		}
	}
	text := out.String()
	if !strings.Contains(text, `lots,,,,,,,,,,,2024-03-01,meter,2,hours,"is ""lots"", must be`) {
		t.Errorf("rejects file is\n%s", text)
	}
	rows, refused := readAll(t, strings.Replace(text, "lots", "1234", 1))
	if len(rows) != 1 || *rows[0].Hours != 1234 || len(refused) != 1 {
		t.Errorf("%d rows, refused %v", len(rows), refused)
	}
}

func TestReaderNamesEveryWrongColumn(t *testing.T) {
	bad := strings.NewReplacer("1234.5", "lots", "2024-03-01", "March", "77-10", "").Replace(seenLine)
	_, refused := readAll(t, header+bad)
	if len(refused) != 1 || refused[0].Column != "hours" {
		t.Fatalf("refused %v", refused)
	}
	const want = `is "lots", must be a plain decimal of 0 to 1000000 such as 12345 or 12345.5; ` +
		`seen_on is "March", must be a day of the calendar as YYYY-MM-DD; serial is empty, but every row needs it`
	if refused[0].Reason != want {
		t.Errorf("says %s\nwant %s", refused[0].Reason, want)
	}
}

// What is not UTF-8 or cannot be cut comes out as UTF-8 that shows what was
// there.
func TestRejectsFileShowsWhatCouldNotBeRead(t *testing.T) {
	latin := strings.Replace(seenLine, "mill 3", "fr\xe4s 3", 1)
	for _, c := range []struct{ name, line, first, machine, because string }{
		{"Latin-1 keeps its columns", latin, "seen", `fr\xE4s 3`,
			`is not UTF-8 text; save the file with UTF-8 encoding; bytes that are not are written here like \xE4`},
		{"too many fields", strings.Replace(seenLine, "1234.5", "1234,5", 1), strings.TrimSpace(strings.Replace(seenLine, "1234.5", "1234,5", 1)), "",
			`has 24 fields where the header has 23; the line as it was stands in column kind, put its fields where they belong`},
		{"neither", "\"\xe4\n", `"\xE4`, "",
			`opens a quote that never closes; end the field with " or write "" for a quote inside; bytes that are not UTF-8 are written here like \xE4; ` +
				`the line as it was stands in column kind, put its fields where they belong`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, refused := readAll(t, header+c.line)
			var out bytes.Buffer
			if err := NewRejectWriter(&out).Write(refused[0]); err != nil {
				t.Fatal(err)
			}
			if !utf8.Valid(out.Bytes()) {
				t.Errorf("the rejects file is not UTF-8: %q", out.Bytes())
			}
			rows, err := csv.NewReader(&out).ReadAll()
			if err != nil || len(rows) != 2 {
				t.Fatalf("%d rows, %v", len(rows), err)
			}
			got := rows[1]
			if got[colKind] != c.first || got[colMachine] != c.machine || got[len(got)-1] != c.because {
				t.Errorf("the row is %q", got)
			}
		})
	}
}

func quoted(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		fields := strings.Split(strings.TrimSuffix(line, "\n"), ",")
		fmt.Fprintf(&out, "\"%s\"\n", strings.Join(fields, `","`))
	}
	return out.String()
}

func reversed(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		fields := strings.Split(strings.TrimSuffix(line, "\n"), ",")
		slices.Reverse(fields)
		out.WriteString(strings.Join(fields, ",") + "\n")
	}
	return out.String()
}

// Whatever the bytes, reading ends, lines are counted right, and a file that
// the standard library can read gives the same fields.
func FuzzReader(f *testing.F) {
	for _, s := range []string{seenLine, repairLine, quoted(repairLine), "\"\n", "a\"b,\r\n", "\r", "\"a\"\"b\",\xff\n", ",,,\n\n,"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, body string) {
		s := newSplitter(strings.NewReader(body))
		var got [][]string
		clean, last := true, int64(0)
		for {
			rec, err := s.next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if rec.line <= last {
				t.Fatalf("line %d after line %d", rec.line, last)
			}
			last = rec.line
			clean = clean && rec.fault == nil
			got = append(got, rec.fields)
		}
		if last > int64(strings.Count(body, "\n")+1) {
			t.Fatalf("line %d of %d", last, strings.Count(body, "\n")+1)
		}
		// The standard reader changes CRLF inside quotes and takes a lone CR
		// for a line end at the end of a file; those are left out.
		if !clean || strings.Contains(body, "\r") {
			return
		}
		std := csv.NewReader(strings.NewReader(body))
		std.FieldsPerRecord = -1
		want, err := std.ReadAll()
		if err != nil || !slices.EqualFunc(got, want, slices.Equal) {
			t.Fatalf("got %q, the standard library %q, %v", got, want, err)
		}
	})
}

func BenchmarkReader(b *testing.B) {
	r, err := NewReader(io.MultiReader(strings.NewReader(header), &endless{text: []byte(repairLine), n: b.N + 1}))
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(repairLine)))
	for range b.N {
		if _, err := r.Next(); err != nil {
			b.Fatal(err)
		}
	}
}
