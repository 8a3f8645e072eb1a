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

// RejectWriter writes the rows that were refused, each as it was read, with its
// line, the column at fault and the reason behind it. A mended file of this
// kind can be imported as it is.
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
	fields = append(fields, strconv.FormatInt(e.Line, 10), e.Column, e.Reason)
	if err := r.out.Write(fields); err != nil {
		return err
	}
	r.out.Flush()
	return r.out.Error()
}
