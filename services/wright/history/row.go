package history

import "strconv"

// Kinds of rows.
const (
	KindRepair = "repair"
	KindSeen   = "seen"
)

// Columns of a history file, in the order in which they are written.
var columns = [...]string{
	"kind", "record", "corrects", "recorded_on", "shop", "customer", "maker", "model", "serial", "machine", "hours",
	"removed_on", "received_on", "shipped_on", "reason", "component", "mode", "mechanism", "cause", "warranty_of",
	"outcome", "seen_on", "source",
}

// Positions in columns.
const (
	colKind = iota
	colRecord
	colCorrects
	colRecordedOn
	colShop
	colCustomer
	colMaker
	colModel
	colSerial
	colMachine
	colHours
	colRemovedOn
	colReceivedOn
	colShippedOn
	colReason
	colComponent
	colMode
	colMechanism
	colCause
	colWarrantyOf
	colOutcome
	colSeenOn
	colSource
	columnCount
)

// rejectColumns follow in a rejects file. "column" and "reason" alone would be
// mistaken for columns of the row. A file that carries them is
// read with them ignored, so that a mended rejects file can be imported.
var rejectColumns = [...]string{"line", "refused_column", "refused_because"}

// Columns names the columns of a history file, in the order of writing.
func Columns() []string { return append([]string(nil), columns[:]...) }

// Row is one fact of a history file.
type Row struct {
	// Line of the file it was read from; the header is line 1.
	Line                              int64
	Kind                              string
	Record, Corrects                  string
	RecordedOn                        Date
	Shop, Customer                    string
	Maker, Model, Serial              string
	Machine                           string
	Hours                             *float64
	RemovedOn, ReceivedOn, ShippedOn  Date
	Reason                            string
	Component, Mode, Mechanism, Cause string
	WarrantyOf, Outcome               string
	SeenOn                            Date
	Source                            string
	// Raw is the row's fields as read, in the order of Columns.
	Raw []string
}

// Fields gives the row as text, in the order of Columns.
func (r *Row) Fields() []string {
	hours := ""
	if r.Hours != nil {
		hours = strconv.FormatFloat(*r.Hours, 'f', -1, 64)
	}
	return []string{
		r.Kind, r.Record, r.Corrects, r.RecordedOn.String(), r.Shop, r.Customer, r.Maker, r.Model, r.Serial, r.Machine,
		hours, r.RemovedOn.String(), r.ReceivedOn.String(), r.ShippedOn.String(), r.Reason, r.Component, r.Mode,
		r.Mechanism, r.Cause, r.WarrantyOf, r.Outcome, r.SeenOn.String(), r.Source,
	}
}
