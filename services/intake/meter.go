package intake

import (
	"fmt"
	"strconv"
)

// contradicts says how a reading disagrees with the one before and the one
// after it, or nothing. Readings of the same instant are not compared: which
// came first is not known.
func contradicts(at int64, hours float64, before, after *reading) string {
	switch {
	case before != nil && hours < before.hours:
		return fmt.Sprintf("is %s h, below the %s h read on %s; a meter never runs back: give at least %s h, or correct the earlier reading",
			plainHours(hours), plainHours(before.hours), day(before.at), plainHours(before.hours))
	case after != nil && hours > after.hours:
		return fmt.Sprintf("is %s h, above the %s h read later, on %s; a meter never runs back: give at most %s h, or correct the later reading",
			plainHours(hours), plainHours(after.hours), day(after.at), plainHours(after.hours))
	case before != nil && tooFast(*before, reading{at, hours}):
		return fmt.Sprintf("is %s h, %s h more than on %s; a day has 24 h: look at the digits and at the date",
			plainHours(hours), plainHours(hours-before.hours), day(before.at))
	case after != nil && tooFast(reading{at, hours}, *after):
		return fmt.Sprintf("is %s h, %s h less than on %s; a day has 24 h: look at the digits and at the date",
			plainHours(hours), plainHours(after.hours-hours), day(after.at))
	}
	return ""
}

// slackHours allows for dates without a time of day at both ends.
const slackHours = 48

// tooFast: a spindle cannot run more hours than passed.
func tooFast(from, to reading) bool {
	passed := float64(to.at-from.at) / 3.6e9
	return to.hours-from.hours > passed+slackHours
}

func plainHours(h float64) string { return strconv.FormatFloat(h, 'f', -1, 64) }
