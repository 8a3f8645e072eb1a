package reliability

import (
	"math/bits"
	"runtime"
	"sync"
)

// scan is one pass over the rows of some pages.
type scan struct {
	side   side
	passes [statuses]uint8
	where  *condition
	by     []*field
	// limit on groups; the pass stops above it.
	limit int
}

// tally is what a scan found, by group.
type tally struct {
	groups *grouping
	of     []groupTally
	// customers has a bit for each customer's number, so many words a group.
	customers []uint64
	words     int
	// failuresOf counts failures by customer, all groups together.
	failuresOf []int64
	// allSpindles are those of all groups together.
	allSpindles int64
	over        bool // more groups than the limit
}

// groupTally is one group's part of a tally.
type groupTally struct {
	byStatus [statuses]int64
	exposure int64 // microhours
	spindles int64
	last     int64 // spindle counted last, its place plus one
}

// statusesOn are the statuses of failures that a side looks at.
var statusesOn = [...][statuses]uint8{
	ofFailures: {stUnobserved: 1, stFailure: 1, stFailureUnknown: 1},
	ofRates:    {stFailure: 1},
}

// pagesPerWorker is the least that is worth a goroutine of its own.
const pagesPerWorker = 128

// run makes the pass, on as many cores as there are and the pages are worth.
func (sc *scan) run(ps pages, c *catalog) *tally {
	return sc.split(ps, c, max(1, min(runtime.GOMAXPROCS(0), len(ps)/pagesPerWorker)))
}

// split makes the pass in so many parts at once.
func (sc *scan) split(ps pages, c *catalog, workers int) *tally {
	parts := make([]*tally, workers)
	var all sync.WaitGroup
	for w := range workers {
		from, to := len(ps)*w/workers, len(ps)*(w+1)/workers
		work := func() { parts[w] = sc.part(ps[from:to], from, c) }
		if w == workers-1 {
			work()
			continue
		}
		all.Go(work)
	}
	all.Wait()
	for _, p := range parts[1:] {
		parts[0].add(p, sc.limit)
	}
	return parts[0]
}

// part makes the pass over neighbouring pages, of which the first is page first
// of the snapshot. Every step goes over a column of a page at a time and without
// a branch on what the rows hold.
func (sc *scan) part(ps pages, first int, c *catalog) *tally {
	t := &tally{groups: newGrouping(c, sc.by, sc.side), words: (len(c.customers) + 63) / 64, failuresOf: make([]int64, len(c.customers))}
	var (
		spare  masks
		rows   []int32
		groups []int32
	)
	for at, p := range ps {
		if sc.side == ofStretches {
			p = p.sums
		}
		if p.rows() == 0 {
			continue
		}
		rows = sc.selected(p, rows, &spare)
		if len(rows) == 0 {
			continue
		}
		groups = t.groups.assign(p, rows, groups)
		if t.groups.len() > sc.limit {
			t.over = true
			return t
		}
		t.grow()
		if sc.side == ofStretches {
			t.stretches(p, rows, groups, int64(first+at)*pageSlots+1)
		} else {
			t.failures(p, rows, groups, sc.side)
		}
	}
	if sc.side != ofStretches && t.groups.customers >= 0 {
		t.groupCustomers()
	}
	return t
}

// add takes in the tally of other pages. No spindle is in both.
func (t *tally) add(o *tally, limit int) {
	t.over = t.over || o.over
	if t.over {
		return
	}
	for g, key := range o.groups.keys {
		into := t.groups.find(key)
		t.grow()
		sum, part := &t.of[into], &o.of[g]
		for s := range sum.byStatus {
			sum.byStatus[s] += part.byStatus[s]
		}
		sum.exposure += part.exposure
		sum.spindles += part.spindles
		union(t.customersOf(into), o.customersOf(g))
	}
	for c, n := range o.failuresOf {
		t.failuresOf[c] += n
	}
	t.allSpindles += o.allSpindles
	t.over = t.groups.len() > limit
}

// selected lists the rows that pass.
func (sc *scan) selected(p *page, rows []int32, spare *masks) []int32 {
	n := p.rows()
	if cap(rows) < n {
		rows = make([]int32, n+n/4)
	}
	rows = rows[:n]
	mask := spare.take(n)
	sc.mark(p, mask)
	sc.where.narrow(p, mask, spare)
	found := 0
	for i, m := range mask {
		rows[found] = int32(i)
		found += int(m)
	}
	spare.give(1)
	return rows[:found]
}

// mark marks the rows that the side looks at. In sums that is every row.
func (sc *scan) mark(p *page, mask []uint8) {
	if sc.side == ofStretches {
		for i := range mask {
			mask[i] = 1
		}
		return
	}
	passes := sc.passes
	for i, st := range p.status[:len(mask)] {
		mask[i] = passes[st&(statuses-1)]
	}
}

func (t *tally) grow() {
	g := t.groups.len()
	t.of = grown(t.of, g)
	t.customers = grown(t.customers, g*t.words)
}

func grown[T any](list []T, n int) []T {
	if n <= len(list) {
		return list
	}
	return append(list, make([]T, n-len(list))...)
}

// stretches adds sums of observed stretches: exposure, spindles and customers.
func (t *tally) stretches(p *page, rows, groups []int32, base int64) {
	exposure, slot, customer, counts := p.exposure, p.slot, p.cols[colCustomer], p.counts
	of, customers, failuresOf, words := t.of, t.customers, t.failuresOf, t.words
	groups = groups[:len(rows)]
	last, spindles := int64(0), int64(0)
	for k, r := range rows {
		g := int(groups[k])
		acc, count := &of[g], &counts[r]
		c, spindle := int(customer[r]), base+int64(slot[r])
		for st := range count {
			acc.byStatus[st] += int64(count[st])
		}
		acc.exposure += exposure[r]
		acc.spindles += notEqual(acc.last, spindle)
		acc.last = spindle
		spindles += notEqual(last, spindle)
		last = spindle
		customers[g*words+c>>6] |= 1 << (c & 63)
		failuresOf[c] += int64(count[stFailure])
	}
	t.allSpindles += spindles
}

// notEqual is 1 or 0, without a branch.
func notEqual(a, b int64) int64 {
	d := a ^ b
	return int64(uint64(d|-d) >> 63)
}

// failures adds failures, by who has them on the side.
func (t *tally) failures(p *page, rows, groups []int32, s side) {
	status, customer := p.status, p.cols[colFailedCustomer]
	if s == ofRates {
		customer = p.cols[colCustomer]
	}
	of, customers, failuresOf, words := t.of, t.customers, t.failuresOf, t.words
	groups = groups[:len(rows)]
	if t.groups.customers >= 0 {
		for k, r := range rows {
			of[groups[k]].byStatus[status[r]&(statuses-1)]++
		}
		return // see groupCustomers
	}
	for k, r := range rows {
		g, c := int(groups[k]), int(customer[r])
		of[g].byStatus[status[r]&(statuses-1)]++
		failuresOf[c]++
		customers[g*words+c>>6] |= 1 << (c & 63)
	}
}

// groupCustomers notes the customers of failures where each group has one.
func (t *tally) groupCustomers() {
	for g := range t.of {
		c := t.groups.customer(g)
		t.customers[g*t.words+int(c)>>6] |= 1 << (c & 63)
		t.failuresOf[c] += t.statusCount(g, stUnobserved, stFailure, stFailureUnknown)
	}
}

// statusCount adds the counts of a group over statuses.
func (t *tally) statusCount(g int, of ...status) int64 {
	n := int64(0)
	for _, s := range of {
		n += t.of[g].byStatus[s]
	}
	return n
}

// intervals counts the stretches of all groups.
func (t *tally) intervals() int64 {
	n := int64(0)
	for g := range t.of {
		for _, c := range t.of[g].byStatus {
			n += c
		}
	}
	return n
}

// customersOf is a group's set of customers.
func (t *tally) customersOf(g int) []uint64 { return t.customers[g*t.words : (g+1)*t.words] }

// distinct counts the customers of a set; number 0, "not known", is none.
func distinct(set []uint64) int64 {
	n := 0
	for _, w := range set {
		n += bits.OnesCount64(w)
	}
	if len(set) > 0 && set[0]&1 != 0 {
		n--
	}
	return int64(n)
}

func union(into, from []uint64) {
	for i := range from {
		into[i] |= from[i]
	}
}

const microhours = 1e6

func (t *tally) hours(g int) float64 { return float64(t.of[g].exposure) / microhours }
