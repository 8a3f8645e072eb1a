package intake

import (
	"fmt"
	"strconv"
)

// contradicts says how a reading disagrees with the one before and the one
// after it, or nothing. Readings of the same instant are not compared: which
// came first is not known.
func contradicts(hours float64, before, after *reading) string {
	switch {
	case before != nil && hours < before.hours:
		return fmt.Sprintf("is %s h, below the %s h read on %s; a meter never runs back: give at least %s h, or correct the earlier reading",
			plainHours(hours), plainHours(before.hours), day(before.at), plainHours(before.hours))
	case after != nil && hours > after.hours:
		return fmt.Sprintf("is %s h, above the %s h read later, on %s; a meter never runs back: give at most %s h, or correct the later reading",
			plainHours(hours), plainHours(after.hours), day(after.at), plainHours(after.hours))
	}
	return ""
}

func plainHours(h float64) string { return strconv.FormatFloat(h, 'f', -1, 64) }
