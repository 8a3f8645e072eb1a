package reliability

import (
	"cmp"
	"slices"
	"strings"
)

// happening is what a moment means for a spindle.
type happening uint8

const (
	wentOut happening = iota + 1
	cameBack
	wasSeen
	wasScrapped
	wasRetired
	// leftUnrepaired: it left the shop, but not to work.
	leftUnrepaired
)

// moment is one step of a spindle's life.
type moment struct {
	at int64
	// place of the fact among those of the same time: (entity, revision, step).
	// A fact that stands in for another takes its place.
	entity   string
	revision int64
	step     int
	what     happening
	job      *job
	fact     *fact
}

// byTime orders moments. Many records know days only, so equal times are
// common; there the meaning decides before any name does.
func byTime(a, b moment) int {
	if a.at != b.at {
		return cmp.Compare(a.at, b.at)
	}
	if c := cmp.Compare(a.turn(), b.turn()); c != 0 {
		return c
	}
	switch {
	case a.what == wasSeen && a.fact.hours != b.fact.hours:
		return cmp.Compare(a.fact.hours, b.fact.hours)
	case a.entity != b.entity:
		return strings.Compare(a.entity, b.entity)
	case a.revision != b.revision:
		return cmp.Compare(a.revision, b.revision)
	}
	return cmp.Compare(a.step, b.step)
}

// turn is a moment's place among those of the same time: a spindle comes back
// before it is seen to run and before it is removed again; only a stay that
// begins and ends at once comes back after its own removal.
func (m moment) turn() int {
	switch {
	case m.what == cameBack && (m.job == nil || m.job.removed != m.at):
		return 0
	case m.what == wasSeen:
		return 1
	case m.what == wentOut:
		return 2
	case m.what == cameBack:
		return 3
	}
	return 4
}

// job is one stay in a shop: an order, or an imported repair, as it stands
// after every correction.
type job struct {
	removed                           int64
	shop, customer, model             number
	hours                             float64
	hasHours                          bool
	preventive                        bool
	reason                            number
	warrantyOf                        string
	component, mode, mechanism, cause number
}

// history is a spindle's facts put in order.
type history struct {
	facts []fact // by name, each once
	// replaced marks facts in whose place another stands.
	replaced []bool
	moments  []moment
	jobs     map[string]*job
	// alias leads from the key of an imported row to the key of the row that
	// it corrects in the end, under which its job is found.
	alias map[string]string
}

// arrange applies the corrections and puts what is left in order of time.
func arrange(facts []fact) *history {
	h := &history{facts: each(facts), jobs: map[string]*job{}}
	h.replaced = make([]bool, len(h.facts))
	h.moments = make([]moment, 0, len(h.facts)+4)
	h.correctRows()
	for from := 0; from < len(h.facts); {
		to := from + 1
		for to < len(h.facts) && h.facts[to].entity == h.facts[from].entity {
			to++
		}
		h.entity(from, to)
		from = to
	}
	slices.SortFunc(h.moments, byTime)
	return h
}

// each gives the facts by name, every one once.
func each(facts []fact) []fact {
	strictly := func(a, b fact) int {
		if c := byName(a, b); c != 0 {
			return c
		}
		return -1 // twice is not sorted either
	}
	if slices.IsSortedFunc(facts, strictly) {
		return facts
	}
	out := slices.Clone(facts)
	slices.SortStableFunc(out, byName)
	return slices.CompactFunc(out, func(a, b fact) bool { return byName(a, b) == 0 })
}

// entity arranges the facts of one order, imported row or spindle.
func (h *history) entity(from, to int) {
	var order *job
	first := int64(0)
	for i := from; i < to; i++ {
		f := &h.facts[i]
		if f.kind == received || f.kind == finding || f.kind == shipped {
			if order == nil {
				order = &job{}
				h.jobs[f.entity] = order
			}
			if f.kind == received && first == 0 {
				first = f.revision
			}
		}
	}
	if order != nil {
		h.order(order, first, from, to)
		return
	}
	for i := from; i < to; i++ {
		if !h.replaced[i] {
			h.single(&h.facts[i])
		}
	}
}

// order arranges an order: the last receipt counts, in the place of the first;
// the last primary finding that none replaces says what failed.
func (h *history) order(j *job, first int64, from, to int) {
	receipt := -1
	mended := h.mendedFindings(from, to)
	for i := from; i < to; i++ {
		switch f := &h.facts[i]; f.kind {
		case received:
			if receipt >= 0 {
				h.replaced[receipt] = true
			}
			receipt = i
		case finding:
			h.replaced[i] = mended[f.findingID]
			if f.primary && !h.replaced[i] {
				j.component, j.mode, j.mechanism, j.cause = f.component, f.mode, f.mechanism, f.cause
			}
		case shipped:
			h.left(j, f, f.at, 0)
		}
	}
	if receipt >= 0 {
		f := &h.facts[receipt]
		j.receive(f)
		h.moments = append(h.moments, moment{at: f.at, entity: f.entity, revision: first, what: wentOut, job: j, fact: f})
	}
}

// mendedFindings are those of an order that another stands in for.
func (h *history) mendedFindings(from, to int) map[string]bool {
	var out map[string]bool
	for i := from; i < to; i++ {
		if f := &h.facts[i]; f.kind == finding && f.replaces != "" && f.replaces != f.findingID {
			if out == nil {
				out = map[string]bool{}
			}
			out[f.replaces] = true
		}
	}
	return out
}

func (j *job) receive(f *fact) {
	j.removed = f.at
	j.shop, j.customer, j.model = f.shop, f.customer, f.model
	j.hours, j.hasHours = f.hours, f.hasHours
	j.preventive, j.reason, j.warrantyOf = f.preventive, f.reason, f.warrantyOf
}

// single arranges a fact that stands for itself.
func (h *history) single(f *fact) {
	m := moment{at: f.at, entity: h.root(f.entity), revision: f.revision, fact: f}
	switch f.kind {
	case repaired:
		j := &job{component: f.component, mode: f.mode, mechanism: f.mechanism, cause: f.cause}
		j.receive(f)
		h.jobs[m.entity] = j
		m.what, m.job = wentOut, j
		h.moments = append(h.moments, m)
		if f.outcome != outcomeOpen && f.left != 0 {
			h.left(j, f, f.left, 1)
		}
	case seen:
		if f.hasHours {
			m.what = wasSeen
			h.moments = append(h.moments, m)
		}
	case retired:
		m.what = wasRetired
		h.moments = append(h.moments, m)
	}
}

// left notes how the spindle left the shop.
func (h *history) left(j *job, f *fact, at int64, step int) {
	m := moment{at: at, entity: h.root(f.entity), revision: f.revision, step: step, job: j, fact: f}
	switch f.outcome {
	case outcomeRepaired:
		m.what = cameBack
	case outcomeScrapped:
		m.what = wasScrapped
	default:
		m.what = leftUnrepaired
	}
	h.moments = append(h.moments, m)
}

// sameFault reports whether a job is a warranty return that is not known to
// have another failure mode than the job it returns from.
func (h *history) sameFault(j *job) bool {
	if j.warrantyOf == "" {
		return false
	}
	earlier := h.jobs[h.root(j.warrantyOf)]
	return earlier == nil || j.mode == 0 || earlier.mode == 0 || j.mode == earlier.mode
}

// model is the model on the latest record that names one.
func (h *history) model() number {
	at, best := int64(0), number(0)
	for i := range h.facts {
		f := &h.facts[i]
		if f.model != 0 && !h.replaced[i] && (best == 0 || f.at >= at) {
			at, best = f.at, f.model
		}
	}
	return best
}

// correctRows finds which imported rows others stand in for. Rows that correct
// one another in a chain are one record; of those that none corrects, the last
// recorded counts.
func (h *history) correctRows() {
	target := map[string]string{}
	for i := range h.facts {
		if f := &h.facts[i]; f.replaces != "" && f.kind != finding {
			target[f.entity] = f.replaces
		}
	}
	if len(target) == 0 {
		return
	}
	h.alias = map[string]string{}
	corrected := map[string]bool{}
	for from, to := range target {
		corrected[to] = true
		h.findRoots(target, from)
	}
	counts := map[string]int{} // record -> the row that counts
	for i := range h.facts {
		f := &h.facts[i]
		if f.kind == received || f.kind == finding || f.kind == shipped {
			continue
		}
		record := h.root(f.entity)
		other, two := counts[record]
		if !two {
			counts[record] = i
			continue
		}
		if laterRow(f, &h.facts[other], corrected) {
			i, counts[record] = other, i
		}
		h.replaced[i] = true
	}
}

// laterRow reports whether a counts rather than b.
func laterRow(a, b *fact, corrected map[string]bool) bool {
	if corrected[a.entity] != corrected[b.entity] {
		return corrected[b.entity]
	}
	if a.recorded != b.recorded {
		return a.recorded > b.recorded
	}
	return a.entity > b.entity
}

// findRoots follows corrections from a key to the row that corrects none; in a
// circle, to its smallest key. What it passes on the way has the same root.
func (h *history) findRoots(target map[string]string, key string) {
	var path []string
	on := map[string]int{}
	for {
		if root, known := h.alias[key]; known {
			h.lead(path, root)
			return
		}
		if at, again := on[key]; again {
			h.lead(path, slices.Min(path[at:]))
			return
		}
		next, more := target[key]
		if !more {
			h.lead(path, key)
			return
		}
		on[key] = len(path)
		path = append(path, key)
		key = next
	}
}

func (h *history) lead(path []string, root string) {
	for _, key := range path {
		h.alias[key] = root
	}
}

func (h *history) root(entity string) string {
	if r, corrects := h.alias[entity]; corrects {
		return r
	}
	return entity
}
