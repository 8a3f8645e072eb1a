package history

import (
	"slices"
	"strings"
)

// Faults gathers what is wrong with one row, at most one fault a column.
type Faults struct {
	columns []string
	reasons []string
}

// Add keeps a fault, unless its column has one already.
func (f *Faults) Add(column, reason string) {
	if !slices.Contains(f.columns, column) {
		f.columns, f.reasons = append(f.columns, column), append(f.reasons, reason)
	}
}

// RowError refuses the row at the column of the first fault; its reason says
// the others too, each behind the name of its column. It is nil without faults.
func (f *Faults) RowError(line int64, raw []string) *RowError {
	if len(f.columns) == 0 {
		return nil
	}
	reasons := slices.Clone(f.reasons)
	for i := 1; i < len(reasons); i++ {
		if f.columns[i] != "" {
			reasons[i] = f.columns[i] + " " + reasons[i]
		}
	}
	return &RowError{Line: line, Column: f.columns[0], Reason: strings.Join(reasons, "; "), Raw: raw}
}
