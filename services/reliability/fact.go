package reliability

import (
	"cmp"
	"strings"
)

// kind says what was recorded about a spindle.
type kind uint8

const (
	// registered: the spindle's model, serial and customer became known.
	registered kind = iota + 1
	// seen: the meter was read, which proves that it ran.
	seen
	// retired: it went out of use for good.
	retired
	// received: an order says when and why the spindle was removed. A
	// correction of the receipt is the same fact with a higher revision.
	received
	// finding: an order says what had failed.
	finding
	// shipped: an order ended.
	shipped
	// repaired: an imported row tells a whole repair.
	repaired
)

// number stands for an id or a term in packed facts and in columns; the
// dictionary says which. 0 is "not known" in every dictionary.
type number = uint16

// maxNumber bounds every dictionary.
const maxNumber = 1<<16 - 1

// outcome is how an order ended.
type outcome uint8

const (
	// outcomeOpen: it has not ended.
	outcomeOpen outcome = iota
	// outcomeRepaired: the spindle went back to work.
	outcomeRepaired
	// outcomeScrapped: it will not run again.
	outcomeScrapped
	// outcomeAway: it left without a repair, or another went in its place.
	// Nothing says that it ran after that.
	outcomeAway
)

// fact is one thing recorded about one spindle, in plain values. (entity,
// revision) names it: a fact that comes twice is one fact.
type fact struct {
	kind kind
	// entity is the id of the order or spindle, or the key of an imported row.
	entity   string
	revision int64
	// at is when it happened, recorded when the source noted it: microseconds.
	at, recorded int64
	// hours is the meter reading.
	hours    float64
	hasHours bool
	shop     number
	customer number
	model    number
	// Of a removal.
	preventive bool
	reason     number
	warrantyOf string
	// Of a finding, and of an imported repair.
	primary                           bool
	component, mode, mechanism, cause number
	findingID                         string
	// replaces is the finding, or the key of the imported row, that this fact
	// stands in for.
	replaces string
	// How the order or the imported repair ended, and when the latter did.
	outcome outcome
	left    int64
}

// byName orders facts by what names them: the order in which they are stored,
// which so does not depend on the order of arrival.
func byName(a, b fact) int {
	if c := strings.Compare(a.entity, b.entity); c != 0 {
		return c
	}
	return cmp.Compare(a.revision, b.revision)
}
