package history

import (
	"encoding/csv"
	"io"
	"iter"
	"strconv"
)

// Write writes a history file and tells how many rows it has.
func Write(w io.Writer, rows iter.Seq[Row]) (int64, error) {
	out := csv.NewWriter(w)
	if err := out.Write(columns[:]); err != nil {
		return 0, err
	}
	var n int64
	for row := range rows {
		if err := out.Write(row.Fields()); err != nil {
			return n, err
		}
		n++
	}
	out.Flush()
	return n, out.Error()
}

// RejectWriter writes the rows that were refused, each once and as it was read,
// with its line, the first column at fault, and behind it what is wrong with all
// columns. A line that could not be cut into fields stands in the first column
// as a whole. A mended file of this kind can be imported as it is.
type RejectWriter struct {
	out    *csv.Writer
	headed bool
}

// NewRejectWriter writes to w; the header comes with the first row.
func NewRejectWriter(w io.Writer) *RejectWriter { return &RejectWriter{out: csv.NewWriter(w)} }

// Write adds one refused row and hands it to the underlying writer at once, so
// that an interrupted run leaves what it knew.
func (r *RejectWriter) Write(e *RowError) error {
	if !r.headed {
		r.headed = true
		if err := r.out.Write(append(Columns(), rejectColumns[:]...)); err != nil {
			return err
		}
	}
	fields := make([]string, columnCount, columnCount+len(rejectColumns))
	copy(fields, e.Raw)
	reason := e.Reason
	if len(e.Raw) == 1 {
		reason += "; the line as it was stands in column " + columns[0] + ", put its fields where they belong"
	}
	fields = append(fields, strconv.FormatInt(e.Line, 10), e.Column, reason)
	if err := r.out.Write(fields); err != nil {
		return err
	}
	r.out.Flush()
	return r.out.Error()
}
