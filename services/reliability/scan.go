package reliability

import "math/bits"

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
	// allSpindles and allRows are those of all groups together.
	allSpindles, allRows int64
	over                 bool // more groups than the limit
}

// groupTally is one group's part of a tally.
type groupTally struct {
	byStatus [statuses]int64
	exposure int64 // microhours
	spindles int64
	last     int64 // spindle counted last, its place plus one
}

var statusesOn = [...][statuses]uint8{
	ofStretches: {stFailure: 1, stFailureUnknown: 1, stPreventive: 1, stPreventiveUnknown: 1, stWarranty: 1, stWarrantyUnknown: 1,
		stRunning: 1, stRunningSilent: 1, stRunningUnknown: 1, stScrapped: 1, stScrappedUnknown: 1, stRetired: 1, stRetiredUnknown: 1, stUnclear: 1},
	ofFailures: {stUnobserved: 1, stFailure: 1, stFailureUnknown: 1},
	ofRates:    {stFailure: 1},
}

// run makes the pass. Every step goes over a column of a page at a time and
// without a branch on what the rows hold.
func (sc *scan) run(ps pages, c *catalog) *tally {
	t := &tally{groups: newGrouping(c, sc.by, sc.side), words: (len(c.customers) + 63) / 64, failuresOf: make([]int64, len(c.customers))}
	var (
		spare  masks
		rows   []int32
		groups []int32
	)
	for at, p := range ps {
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
			t.stretches(p, rows, groups, int64(at)*pageSlots+1)
		} else {
			t.failures(p, rows, groups, sc.side)
		}
		t.allRows += int64(len(rows))
	}
	return t
}

// selected lists the rows that pass.
func (sc *scan) selected(p *page, rows []int32, spare *masks) []int32 {
	n := p.rows()
	if cap(rows) < n {
		rows = make([]int32, n+n/4)
	}
	rows = rows[:n]
	found := 0
	if sc.where.op == opTrue {
		for i, st := range p.status {
			rows[found] = int32(i)
			found += int(sc.passes[st&(statuses-1)])
		}
		return rows[:found]
	}
	mask := spare.take(n)
	for i, st := range p.status {
		mask[i] = sc.passes[st&(statuses-1)]
	}
	sc.where.narrow(p, mask, spare)
	for i, m := range mask {
		rows[found] = int32(i)
		found += int(m)
	}
	spare.give(1)
	return rows[:found]
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

// stretches adds observed stretches: exposure, spindles and customers.
func (t *tally) stretches(p *page, rows, groups []int32, base int64) {
	status, exposure, slot, customer := p.status, p.exposure, p.slot, p.cols[colCustomer]
	of, customers, failuresOf, words := t.of, t.customers, t.failuresOf, t.words
	groups = groups[:len(rows)]
	last, spindles := int64(0), int64(0)
	for k, r := range rows {
		g := int(groups[k])
		acc := &of[g]
		st, c, spindle := status[r]&(statuses-1), int(customer[r]), base+int64(slot[r])
		acc.byStatus[st]++
		acc.exposure += exposure[r]
		acc.spindles += notEqual(acc.last, spindle)
		acc.last = spindle
		spindles += notEqual(last, spindle)
		last = spindle
		customers[g*words+c>>6] |= 1 << (c & 63)
		failuresOf[c] += int64(statusesOn[ofRates][st])
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
	for k, r := range rows {
		g, c := int(groups[k]), int(customer[r])
		of[g].byStatus[status[r]&(statuses-1)]++
		failuresOf[c]++
		customers[g*words+c>>6] |= 1 << (c & 63)
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
