package reliability

import (
	"fmt"
	"maps"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

const (
	// methodVersion changes whenever the same facts would give other figures.
	methodVersion = "fold 1; share: Wilson; rate: exact Poisson; MTBR: chi-square, time-truncated"
	hoursClock    = "spindle-on hours"
	countingUnit  = "one primary failure a repair"
)

// basis says what an answer rests on.
func (q *question) basis(e *tally) *reliabilityv1.Basis {
	b := q.snapshot.basis()
	b.Filter, b.Confidence = q.text, q.confidence
	b.Spindles, b.Intervals = e.allSpindles, e.intervals()
	b.IncompleteSpindles = q.incomplete()
	return b
}

func (s *snapshot) basis() *reliabilityv1.Basis {
	return &reliabilityv1.Basis{DataVersion: maps.Clone(s.positions), MethodVersion: methodVersion, Clock: hoursClock, CountingUnit: countingUnit}
}

// incomplete counts spindles that could not be folded whole, among those with
// a row that passes the filter.
func (q *question) incomplete() int64 {
	n := int64(0)
	stretches, failures := q.filter.conditionOn(ofStretches), q.filter.conditionOn(ofFailures)
	for _, o := range q.snapshot.incomplete {
		at := o / pageSlots
		if at >= int64(len(q.snapshot.pages)) {
			continue
		}
		p, s := q.snapshot.pages[at], o%pageSlots
		if passesAny(p, p.start[s], p.start[s+1], stretches, failures) {
			n++
		}
	}
	return n
}

func passesAny(p *page, from, to uint32, conditions ...*condition) bool {
	mask := make([]uint8, p.rows())
	for _, c := range conditions {
		clear(mask)
		for i := from; i < to; i++ {
			mask[i] = 1
		}
		c.narrow(p, mask, &masks{})
		for i := from; i < to; i++ {
			if mask[i] != 0 {
				return true
			}
		}
	}
	return false
}

// remarks collects sentences.
type remarks []string

func (r *remarks) add(when bool, format string, args ...any) {
	if when {
		*r = append(*r, fmt.Sprintf(format, args...))
	}
}

func percent(part, whole int64) float64 { return 100 * float64(part) / float64(whole) }

func (q *question) modeRemarks(e, f *tally, total modeCount, unknown int64) []string {
	var r remarks
	r.add(total.all > 0 && unknown*5 > total.all,
		"the failure mode is unknown in %.0f %% of the failures: above 20 %% the shares say little", percent(unknown, max(total.all, 1)))
	q.dominant(&r, f.failuresOf, total.all)
	r.add(total.all < indicativeBelow, "indicative: fewer than %d failures in all", indicativeBelow)
	r.add(total.all > total.inExposure,
		"%d of %d failures ended no observed stretch of running hours, or one whose meter readings are missing: they count in shares, not in rates",
		total.all-total.inExposure, total.all)
	q.common(&r, e)
	return r
}

func (q *question) mtbrRemarks(e, failed *tally, repairs int64) []string {
	r := remarks{"MTBR is exposure over repairs: the current rate of this mix of ages, not a mean life"}
	r.add(repairs < indicativeBelow, "indicative: fewer than %d repairs in all", indicativeBelow)
	q.dominant(&r, failed.failuresOf, repairs)
	q.common(&r, e)
	return r
}

// dominant names a customer with more than half of the failures, among others.
func (q *question) dominant(r *remarks, failuresOf []int64, total int64) {
	for n, count := range failuresOf {
		if n != 0 && count*2 > total && count < total && total > 0 {
			r.add(true, "customer %s has %d of %d failures: the figures are mostly theirs", q.snapshot.catalog.customers[n].text(), count, total)
		}
	}
}

// common are remarks that belong to both answers.
func (q *question) common(r *remarks, e *tally) {
	var silent, running, warranty int64
	for g := range e.groups.len() {
		silent += e.statusCount(g, stRunningSilent)
		running += e.statusCount(g, stRunning, stRunningSilent, stRunningUnknown)
		warranty += e.statusCount(g, stWarranty, stWarrantyUnknown)
	}
	r.add(silent > 0, "%.0f %% of the spindles still running (%d of %d) have no reading since they were shipped: they add no hours",
		percent(silent, max(running, 1)), silent, running)
	r.add(warranty > 0, "%d warranty returns with the same fault are counted apart: no new failure, the life goes on", warranty)
	ofFailure := func(f *field) bool { return f.ofFailure }
	r.add(q.filter.uses(ofFailure) || anyOf(q.by, ofFailure),
		"told apart by what failed: the running hours are those of all spindles in the question, so this is the rate of that failure and no life")
	r.add(q.moves(), "shop and customer: failures by who received them, hours and rates by who had the spindle when the stretch began")
	r.add(q.snapshot.unplaced > 0, "%d records that this version cannot read are left out", q.snapshot.unplaced)
}
