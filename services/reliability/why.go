package reliability

import "strings"

// why collects the reasons that an interval is as it is.
type why uint16

const (
	whyNoMeter why = 1 << iota
	whyBackwards
	whyLateEntry
	whySilent
	whyMeterGoesOn
	whyOtherFault
	whyBeforeFollowUp
	whyNotReturned
	whyReturnedTwice
)

var whySentences = []struct {
	bit  why
	text string
}{
	{whyBeforeFollowUp, "a removal before the first return to service: counts among the failure modes, but nothing is known of the hours before it"},
	{whyNotReturned, "removed while no record says that it was in service: counts among the failure modes, not in the rates"},
	{whyReturnedTwice, "returned to service again without a removal on record: the hours are left out"},
	{whyNoMeter, "a meter reading is missing: the failure, if any, counts among the modes; the hours and the rate leave it out"},
	{whyBackwards, "the meter ran backwards: the hours and the rate leave it out"},
	{whyLateEntry, "the meter was not read at the removal before: the hours count from the first reading after it"},
	{whySilent, "no reading since it was shipped: no hours count"},
	{whyMeterGoesOn, "the meter was not read at the warranty return: hours after the last reading count in the stretch that goes on"},
	{whyOtherFault, "back under warranty with another failure mode: a new failure"},
}

var endingSentences = [...]string{
	endedFailure:    "removed for a failure",
	endedPreventive: "removed before a failure: the life is cut off here",
	endedWarranty:   "back under warranty with the same fault: not a new failure, the life goes on",
	endedRunning:    "not removed: cut off at the last proof that it ran",
	endedScrapped:   "scrapped",
	endedRetired:    "retired",
	endedUnclear:    "the end is not on record",
}

var endingWords = [...]string{
	endedFailure: "failure", endedPreventive: "preventive", endedWarranty: "warranty", endedRunning: "running",
	endedScrapped: "scrapped", endedRetired: "retired", endedUnclear: "unclear",
}

// reasonText says in a sentence why the interval is as it is.
func (i *interval) reasonText() string {
	parts := []string{}
	if i.observed && i.why&whyReturnedTwice == 0 {
		parts = append(parts, endingSentences[i.ended])
	}
	for _, s := range whySentences {
		if i.why&s.bit != 0 {
			parts = append(parts, s.text)
		}
	}
	return strings.Join(parts, "; ")
}
