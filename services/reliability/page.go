package reliability

import (
	"math"
	"slices"
)

// column is a dictionary-coded column of a page.
type column uint8

const (
	colCustomer column = iota
	colShop
	colModel
	colFailedCustomer
	colFailedShop
	colReason
	colComponent
	colMode
	colMechanism
	colCause
	columns
)

// status says what a row counts as. It fits four bits.
type status = uint8

const (
	// stUnobserved: a failure that ended no observed stretch.
	stUnobserved status = iota
	stFailure
	stFailureUnknown // hours not known
	stPreventive
	stPreventiveUnknown
	stWarranty
	stWarrantyUnknown
	stRunning
	stRunningSilent
	stRunningUnknown
	stScrapped
	stScrappedUnknown
	stRetired
	stRetiredUnknown
	stUnclear
	statuses = 16
)

// statusOf is the status of an interval's row.
func statusOf(i *interval) status {
	base := [...]status{endedFailure: stFailure, endedPreventive: stPreventive, endedWarranty: stWarranty,
		endedRunning: stRunning, endedScrapped: stScrapped, endedRetired: stRetired, endedUnclear: stUnclear}[i.ended]
	switch {
	case !i.observed:
		return stUnobserved
	case i.ended == endedRunning && i.silent:
		return stRunningSilent
	case i.ended == endedRunning && i.unknown:
		return stRunningUnknown
	case i.unknown && i.ended != endedUnclear:
		return base + 1
	}
	return base
}

// pageSlots is the number of spindles of a page. With the eight or so
// intervals of a spindle a page has about 1,000 rows: large enough that a pass
// spends its time on rows, small enough to be copied for one spindle's sake.
// Pages of 512 spindles made a swap three times as dear and no pass faster.
const pageSlots = 128

// page holds the intervals of neighbouring spindles, a row each, column by
// column: 31 bytes a row, and 50 for each row of sums. A page never changes once it is in a snapshot.
type page struct {
	// start[s] is the first row of slot s; one more entry closes the last.
	start  []uint32
	slot   []uint16
	status []status
	// exposure in microhours: whole numbers add up to the same sum in any order.
	exposure []int64
	cols     [columns][]number
	// moved has again the rows of failures in exposure that have another
	// customer or shop at the failure than at the start: few. nil for none.
	moved *page
	// sums has the observed stretches again, added up: a row for each run of
	// stretches of a spindle that began with the same customer and shop. It is
	// about a tenth as long, and all that exposure needs.
	sums *page
	// counts, in sums only, are the stretches of each status.
	counts [][statuses]uint16
}

func (p *page) rows() int { return len(p.slot) }

// emptyPage has no row in any slot.
func emptyPage() *page { return &page{start: make([]uint32, pageSlots+1), sums: &page{}} }

// withSlots gives a page in which the slots of lives, rising, have the rows of
// those lives and all others those of p.
func (p *page) withSlots(slots []int, lives []life) *page {
	n := p.rows()
	for i, s := range slots {
		n += len(lives[i].intervals) - int(p.start[s+1]-p.start[s])
	}
	out := &page{start: make([]uint32, pageSlots+1), slot: make([]uint16, 0, n), status: make([]status, 0, n), exposure: make([]int64, 0, n)}
	for c := range out.cols {
		out.cols[c] = make([]number, 0, n)
	}
	done := 0
	for i, s := range slots {
		out.copySlots(p, done, s)
		out.start[s] = uint32(out.rows())
		for k := range lives[i].intervals {
			out.append(s, lives[i].model, &lives[i].intervals[k])
		}
		out.start[s+1] = uint32(out.rows())
		done = s + 1
	}
	out.copySlots(p, done, pageSlots)
	out.noteMoved()
	out.addUp(p.sums.rows() + 2*len(slots))
	return out
}

// begunColumns are those of sums.
var begunColumns = [...]column{colCustomer, colShop, colModel}

// addUp makes the sums of a page, of about so many rows.
func (p *page) addUp(about int) {
	p.sums = &page{slot: make([]uint16, 0, about), exposure: make([]int64, 0, about), counts: make([][statuses]uint16, 0, about)}
	for _, c := range begunColumns {
		p.sums.cols[c] = make([]number, 0, about)
	}
	for i, st := range p.status {
		if st == stUnobserved {
			continue
		}
		s := p.sums
		last := len(s.counts) - 1
		if last < 0 || !s.takes(last, p, i) {
			s.slot, s.exposure, s.counts = append(s.slot, p.slot[i]), append(s.exposure, 0), append(s.counts, [statuses]uint16{})
			for _, c := range begunColumns {
				s.cols[c] = append(s.cols[c], p.cols[c][i])
			}
			last++
		}
		s.exposure[last] += p.exposure[i]
		s.counts[last][st]++
	}
}

// takes reports whether row i of p goes into row last of the sums.
func (p *page) takes(last int, rows *page, i int) bool {
	return p.slot[last] == rows.slot[i] && p.cols[colCustomer][last] == rows.cols[colCustomer][i] &&
		p.cols[colShop][last] == rows.cols[colShop][i] && p.counts[last][rows.status[i]] < math.MaxUint16
}

// noteMoved copies the rows whose failure falls to others than the stretch.
func (p *page) noteMoved() {
	for i, st := range p.status {
		if st != stFailure || p.cols[colCustomer][i] == p.cols[colFailedCustomer][i] && p.cols[colShop][i] == p.cols[colFailedShop][i] {
			continue
		}
		if p.moved == nil {
			p.moved = &page{}
		}
		p.moved.slot = append(p.moved.slot, p.slot[i])
		p.moved.status = append(p.moved.status, st)
		p.moved.exposure = append(p.moved.exposure, p.exposure[i])
		for c := range p.cols {
			p.moved.cols[c] = append(p.moved.cols[c], p.cols[c][i])
		}
	}
}

// moved are the pages of rows whose failure falls to others than the stretch.
func (ps pages) moved() pages {
	var out pages
	for _, p := range ps {
		if p.moved != nil {
			out = append(out, p.moved)
		}
	}
	return out
}

// copySlots appends the rows of p's slots from..to-1.
func (p *page) copySlots(old *page, from, to int) {
	a, b := old.start[from], old.start[to]
	shift := uint32(p.rows()) - a
	for s := from; s < to; s++ {
		p.start[s] = old.start[s] + shift
	}
	p.start[to] = b + shift
	p.slot = append(p.slot, old.slot[a:b]...)
	p.status = append(p.status, old.status[a:b]...)
	p.exposure = append(p.exposure, old.exposure[a:b]...)
	for c := range p.cols {
		p.cols[c] = append(p.cols[c], old.cols[c][a:b]...)
	}
}

func (p *page) append(slot int, model number, i *interval) {
	p.slot = append(p.slot, uint16(slot))
	p.status = append(p.status, statusOf(i))
	p.exposure = append(p.exposure, int64(math.Round(i.exposure*microhours)))
	for c, v := range [columns]number{
		colCustomer: i.customer, colShop: i.shop, colModel: model,
		colFailedCustomer: i.failedCustomer, colFailedShop: i.failedShop, colReason: i.reason,
		colComponent: i.component, colMode: i.mode, colMechanism: i.mechanism, colCause: i.cause,
	} {
		p.cols[c] = append(p.cols[c], v)
	}
}

// pages are the pages of all spindles: spindle o is slot o%pageSlots of page
// o/pageSlots.
type pages []*page

// with gives pages in which the spindles at the given places, rising, have new
// lives. Untouched pages are shared.
func (ps pages) with(ordinals []int64, lives []life) pages {
	out := slices.Clone(ps)
	for from := 0; from < len(ordinals); {
		at := int(ordinals[from] / pageSlots)
		to := from
		var slots []int
		for to < len(ordinals) && int(ordinals[to]/pageSlots) == at {
			slots = append(slots, int(ordinals[to]%pageSlots))
			to++
		}
		for len(out) <= at {
			out = append(out, emptyPage())
		}
		out[at] = out[at].withSlots(slots, lives[from:to])
		from = to
	}
	return out
}

func (ps pages) rows() int {
	n := 0
	for _, p := range ps {
		n += p.rows()
	}
	return n
}
