package reliability

import (
	"slices"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// mtbr answers QueryMtbr.
func (q *question) mtbr() (*reliabilityv1.QueryMtbrResponse, error) {
	e, err := q.pass(ofStretches, q.by, mostGroups)
	if err != nil {
		return nil, err
	}
	repairs, failed, err := q.repairs(e)
	if err != nil {
		return nil, err
	}
	begun := map[groupKey]int{}
	for i := range e.groups.len() {
		begun[keyOf(e.groups.values(i))] = i
	}
	out := &reliabilityv1.QueryMtbrResponse{Basis: q.basis(e)}
	total := int64(0)
	for _, r := range repairs {
		row := &reliabilityv1.MtbrRow{Key: r.values, Repairs: r.count}
		if i, found := begun[q.begun(r.values)]; found {
			describe(row, e, i)
		}
		row.MtbrHours = q.estimator.mtbr(r.count, row.ExposureHours)
		total += r.count
		out.Rows = append(out.Rows, row)
	}
	out.Basis.Remarks = q.mtbrRemarks(e, failed, total)
	return out, nil
}

// repairCount is one group of an answer about MTBR.
type repairCount struct {
	values []string
	count  int64
}

// repairs counts repairs by group, in order of key: every group with hours, or,
// where groups are told apart by what failed, every group with a repair. It also
// gives the pass that counted them.
func (q *question) repairs(e *tally) ([]repairCount, *tally, error) {
	counts := map[groupKey]*repairCount{}
	add := func(values []string, n int64) {
		k := keyOf(values)
		if counts[k] == nil {
			counts[k] = &repairCount{values: values}
		}
		counts[k].count += n
	}
	if !anyOf(q.by, func(f *field) bool { return f.ofFailure }) {
		for i := range e.groups.len() {
			add(e.groups.values(i), 0)
		}
	}
	if len(q.by) == 0 {
		add([]string{}, 0)
	}
	rates := e
	if q.ofFailure() {
		var err error
		if rates, err = q.pass(ofRates, q.by, mostGroups); err != nil {
			return nil, nil, err
		}
	}
	for i := range rates.groups.len() {
		add(rates.groups.values(i), rates.statusCount(i, stFailure))
	}
	if len(counts) > mostGroups {
		return nil, nil, tooMuch()
	}
	out := make([]repairCount, 0, len(counts))
	for _, c := range counts {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b repairCount) int { return slices.Compare(a.values, b.values) })
	return out, rates, nil
}

// describe fills in what the stretches of a group say.
func describe(row *reliabilityv1.MtbrRow, e *tally, i int) {
	row.ExposureHours = e.hours(i)
	row.Silent = e.statusCount(i, stRunningSilent)
	row.StillRunning = row.Silent + e.statusCount(i, stRunning, stRunningUnknown)
	row.HoursUnknown = e.statusCount(i, stFailureUnknown, stPreventiveUnknown, stWarrantyUnknown, stRunningUnknown,
		stScrappedUnknown, stRetiredUnknown, stUnclear)
	row.Spindles = e.of[i].spindles
	row.Customers = distinct(e.customersOf(i))
}
