package history

import (
	"cmp"
	"slices"
	"testing"

	"spindlewright/pkg/lifetime"
)

// sighting is a row after corrections, as the simplest possible follow-up of a
// spindle needs it.
type sighting struct {
	day Date
	row *Row
}

// standing drops the rows in whose place a later one stands.
func standing(h *History) map[string][]sighting {
	replaced := map[string]bool{}
	var all []Row
	for row := range h.Rows() {
		all = append(all, row)
		if row.Corrects != "" {
			replaced[row.Shop+row.Corrects] = true
		}
	}
	spindles := map[string][]sighting{}
	for i := range all {
		row := &all[i]
		if replaced[row.Shop+row.Record] {
			continue
		}
		day := row.SeenOn
		if row.Kind == KindRepair {
			day = row.RemovedOn
		}
		spindles[row.Customer+" "+row.Model+" "+row.Serial] = append(spindles[row.Customer+" "+row.Model+" "+row.Serial], sighting{day, row})
	}
	for _, list := range spindles {
		slices.SortStableFunc(list, func(a, b sighting) int { return cmp.Compare(a.day, b.day) })
	}
	return spindles
}

// estimate counts failures and hours between a shipment and what follows, where
// both meters were read.
func estimate(list []sighting) (failures int64, hours float64) {
	var start, last float64
	open, known, pending := false, false, false
	for _, s := range list {
		if s.row.Kind == KindSeen {
			if open && !known {
				start, known = *s.row.Hours, true
			}
			if open {
				last, pending = *s.row.Hours, true
			}
			continue
		}
		if open && known && s.row.Hours != nil {
			hours += *s.row.Hours - start
			if s.row.Reason != "preventive" && s.row.WarrantyOf == "" {
				failures++
			}
		}
		open, pending = s.row.ShippedOn != 0 && s.row.Outcome == "repaired", false
		if known = s.row.Hours != nil; known {
			start = *s.row.Hours
		}
	}
	if open && known && pending {
		hours += last - start
	}
	return failures, hours
}

// What can be estimated from the rows holds the truth where meters are read,
// and comes out too low where nobody reads them.
func TestRowsLeadToTheTruthWhereMetersAreRead(t *testing.T) {
	held, asked, low, silent := 0, 0, 0, 0
	for number := range uint64(8) {
		h := Honest(number, 1)
		failures, hours := map[string]int64{}, map[string]float64{}
		for _, list := range standing(h) {
			n, t := estimate(list)
			failures[list[0].row.Customer] += n
			hours[list[0].row.Customer] += t
		}
		for _, c := range Customers() {
			truth := h.Truth.ByCustomer[c.Code]
			limits, err := lifetime.MTBR(failures[c.Code], hours[c.Code], 0.95)
			if err != nil || truth.Expected < 20 {
				continue
			}
			if !c.Reports {
				silent++
				if *limits.High < truth.MTBR() {
					low++
				}
				continue
			}
			asked++
			if limits.Low <= truth.MTBR() && truth.MTBR() <= *limits.High {
				held++
			}
		}
	}
	t.Logf("meters read: %d of %d intervals hold the truth; silent: %d of %d lie wholly below it", held, asked, low, silent)
	// 95 % of about 55, less four standard errors; silence must show.
	if asked < 40 || float64(held) < 0.83*float64(asked) {
		t.Errorf("meters read: %d of %d intervals hold the truth", held, asked)
	}
	if silent < 20 || 2*low < silent {
		t.Errorf("silent customers: %d of %d intervals lie below the truth", low, silent)
	}
}
