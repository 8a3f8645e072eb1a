package reliability

import (
	"fmt"
	"strings"

	"spindlewright/pkg/access"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

func historyOf(spindle string) *reliabilityv1.GetSpindleHistoryRequest {
	return &reliabilityv1.GetSpindleHistoryRequest{SpindleId: id(spindle)}
}

func isNotFound(err error) bool { return fault.Is(err, faultv1.Reason_REASON_NOT_FOUND) }

// history is a spindle's history in short lines.
func (d *desk) history(p access.Principal, spindle string) (facts, intervals string) {
	d.t.Helper()
	h, err := d.GetSpindleHistory(as(p), historyOf(spindle))
	if err != nil {
		d.t.Fatal(err)
	}
	var fs, is []string
	for _, f := range h.Facts {
		words := []string{f.What}
		if f.RunningHours != nil {
			words = append(words, fmt.Sprint(*f.RunningHours))
		}
		words = append(words, f.Mode, f.Shop)
		if f.Replaced {
			words = append(words, "(replaced)")
		}
		fs = append(fs, strings.Join(strings.Fields(strings.Join(words, " ")), " "))
	}
	for _, i := range h.Intervals {
		hours := "-"
		if i.ExposureHours != nil {
			hours = fmt.Sprint(*i.ExposureHours)
		}
		if i.Reason == "" {
			d.t.Errorf("interval %v has no reason", i)
		}
		is = append(is, strings.Join(strings.Fields(strings.Join([]string{i.EndedBy, hours, i.Mode, i.Customer, i.Shop}, " ")), " "))
	}
	return strings.Join(fs, "; "), strings.Join(is, "; ")
}
