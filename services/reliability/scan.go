package reliability

import "math/bits"

// scan is one pass over the rows of a snapshot.
type scan struct {
	side  side
	where *condition
	by    []*field
	// limit on groups; the pass stops above it.
	limit int
	// whole asks for exposure, spindles and customers of each group too.
	whole bool
}

// tally is what a scan found, by group.
type tally struct {
	groups *grouping
	// byStatus counts rows: group*statuses + status.
	byStatus []int64
	exposure []int64 // microhours
	spindles []int64
	// customers has a bit for each customer's number, so many words a group.
	customers []uint64
	words     int
	// failuresOf counts failures by customer, all groups together.
	failuresOf []int64
	// allSpindles and allRows are those of all groups together.
	allSpindles, allRows int64
	over                 bool // more groups than the limit
	last                 []int64
}

var statusesOn = [...][statuses]uint8{
	ofStretches: {stFailure: 1, stFailureUnknown: 1, stPreventive: 1, stPreventiveUnknown: 1, stWarranty: 1, stWarrantyUnknown: 1,
		stRunning: 1, stRunningSilent: 1, stRunningUnknown: 1, stScrapped: 1, stScrappedUnknown: 1, stRetired: 1, stRetiredUnknown: 1, stUnclear: 1},
	ofFailures: {stUnobserved: 1, stFailure: 1, stFailureUnknown: 1},
	ofRates:    {stFailure: 1},
}

var isFailure = statusesOn[ofRates]

// run makes the pass.
func (sc *scan) run(s *snapshot) *tally {
	t := &tally{groups: newGrouping(s.catalog, sc.by, sc.side), words: (len(s.catalog.customers) + 63) / 64,
		failuresOf: make([]int64, len(s.catalog.customers))}
	var (
		spare  masks
		rows   []int32
		keys   []uint64
		groups []int32
		passes = statusesOn[sc.side]
	)
	for at, p := range s.pages {
		n := p.rows()
		if n == 0 {
			continue
		}
		mask := spare.take(n)
		for i, st := range p.status {
			mask[i] = passes[st&(statuses-1)]
		}
		sc.where.narrow(p, mask, &spare)
		rows = selected(mask, rows)
		spare.give(1)
		if len(rows) == 0 {
			continue
		}
		keys, groups = t.groups.assign(p, rows, keys, groups)
		if t.groups.len() > sc.limit {
			t.over = true
			return t
		}
		t.grow()
		t.count(p, rows, groups, sc.side)
		if sc.whole {
			t.measure(p, rows, groups, int64(at)*pageSlots)
		}
	}
	return t
}

// selected lists the marked rows, without a branch.
func selected(mask []uint8, rows []int32) []int32 {
	if cap(rows) < len(mask) {
		rows = make([]int32, len(mask)+len(mask)/4)
	}
	rows = rows[:len(mask)]
	n := 0
	for i, m := range mask {
		rows[n] = int32(i)
		n += int(m)
		if n == len(rows) {
			break
		}
	}
	return rows[:n]
}

func (t *tally) grow() {
	g := t.groups.len()
	t.byStatus = grown(t.byStatus, g*statuses)
	t.exposure = grown(t.exposure, g)
	t.spindles = grown(t.spindles, g)
	t.last = grown(t.last, g)
	t.customers = grown(t.customers, g*t.words)
}

func grown[T any](list []T, n int) []T {
	if n <= len(list) {
		return list
	}
	return append(list, make([]T, n-len(list))...)
}

func (t *tally) count(p *page, rows, groups []int32, s side) {
	byStatus, failuresOf, status := t.byStatus, t.failuresOf, p.status
	customer := p.cols[colFailedCustomer]
	if s == ofStretches {
		customer = p.cols[colCustomer]
		for k, r := range rows {
			byStatus[int(groups[k])*statuses+int(status[r])]++
			failuresOf[customer[r]] += int64(isFailure[status[r]&(statuses-1)])
		}
		return
	}
	for k, r := range rows {
		g, c := int(groups[k]), int(customer[r])
		byStatus[g*statuses+int(status[r])]++
		failuresOf[c]++
		t.customers[g*t.words+c>>6] |= 1 << (c & 63)
	}
}

// measure adds exposure, spindles and customers.
func (t *tally) measure(p *page, rows, groups []int32, base int64) {
	exposure, customer, slot := p.exposure, p.cols[colCustomer], p.slot
	last, words := int64(-1), t.words
	for k, r := range rows {
		g := int(groups[k])
		t.exposure[g] += exposure[r]
		c := int(customer[r])
		t.customers[g*words+c>>6] |= 1 << (c & 63)
		spindle := base + int64(slot[r]) + 1
		if t.last[g] != spindle {
			t.last[g] = spindle
			t.spindles[g]++
		}
		if last != spindle {
			last = spindle
			t.allSpindles++
		}
	}
	t.allRows += int64(len(rows))
}

// statusCount adds the counts of a group over statuses.
func (t *tally) statusCount(g int, of ...status) int64 {
	n := int64(0)
	for _, s := range of {
		n += t.byStatus[g*statuses+int(s)]
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

func (t *tally) hours(g int) float64 { return float64(t.exposure[g]) / microhours }
