package reliability

import "strings"

// field is something that a question can filter and group by.
type field struct {
	name string
	// kind is the dictionary that its values come from.
	kind string
	// value reads the field off a label.
	value func(l *label) string
	// begun is the column of who had the spindle when the stretch began, where
	// the field is known of every stretch; failed the column that tells it of a
	// failure.
	begun, failed column
	// ofFailure fields are known of failures only.
	ofFailure bool
}

func code(l *label) string { return l.text() }

// fields are in the order in which messages list them.
var fields = []field{
	{name: "customer", kind: kindCustomer, value: code, begun: colCustomer, failed: colFailedCustomer},
	{name: "model", kind: kindModel, value: code, begun: colModel, failed: colModel},
	{name: "maker", kind: kindModel, value: func(l *label) string { return l.maker }, begun: colModel, failed: colModel},
	{name: "shop", kind: kindShop, value: code, begun: colShop, failed: colFailedShop},
	{name: "mode", kind: kindMode, value: code, failed: colMode, ofFailure: true},
	{name: "mechanism", kind: kindMechanism, value: code, failed: colMechanism, ofFailure: true},
	{name: "cause", kind: kindCause, value: code, failed: colCause, ofFailure: true},
	{name: "component", kind: kindComponent, value: code, failed: colComponent, ofFailure: true},
	{name: "drive", kind: kindModel, value: func(l *label) string { return l.drive }, begun: colModel, failed: colModel},
	{name: "lubrication", kind: kindModel, value: func(l *label) string { return l.lubricated }, begun: colModel, failed: colModel},
	{name: "reason", kind: kindReason, value: code, failed: colReason, ofFailure: true},
}

func fieldNamed(name string) *field {
	for i := range fields {
		if fields[i].name == name {
			return &fields[i]
		}
	}
	return nil
}

func fieldNames() []string {
	names := make([]string, len(fields))
	for i := range fields {
		names[i] = fields[i].name
	}
	return names
}

// side is how rows are looked at.
type side uint8

const (
	// ofStretches: every observed stretch, by who had it when it began. Gives
	// the exposure.
	ofStretches side = iota
	// ofFailures: every failure, by who had the spindle when it failed. Gives
	// counts and shares.
	ofFailures
	// ofRates: failures that ended an observed stretch, by who had it when it
	// began. Gives the numerator of rates.
	ofRates
)

// column is where the field is found on a side; false where it is not known.
func (f *field) column(s side) (column, bool) {
	switch {
	case s == ofFailures || f.ofFailure && s == ofRates:
		return f.failed, true
	case f.ofFailure:
		return 0, false
	}
	return f.begun, true
}

// moves reports whether the field may differ between stretches and failures.
func (f *field) moves() bool { return !f.ofFailure && f.begun != f.failed }

// where marks the numbers whose value of the field passes.
func (f *field) where(c *catalog, pass func(value string) bool) []uint8 {
	list := *c.list(f.kind)
	marks := make([]uint8, len(list))
	for n := range list {
		if pass(f.value(&list[n])) {
			marks[n] = 1
		}
	}
	return marks
}

// listOf makes "customer, model, ..." of words.
func listOf(words []string) string { return strings.Join(words, ", ") }
