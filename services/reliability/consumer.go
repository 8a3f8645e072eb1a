package reliability

import (
	"fmt"
	"maps"
	"slices"
	"sync"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
)

// follower turns the events of intake and access into packed histories.
type follower struct {
	// wake tells readers of the change log that there is something new.
	wake func()

	mu sync.Mutex
	// known are the numbers of committed names, of one generation.
	known      map[named]number
	generation int64
}

// Entities lists what reliability folds.
func (f *follower) Entities() map[string][]string {
	return map[string][]string{
		"intake": {"customer", "spindle_model", "spindle", "work_order", "history_batch"},
		"access": {"shop"},
	}
}

// Apply adds a batch's facts to the spindles they are about. Each spindle is
// read once and written once, and only if something is new.
func (f *follower) Apply(tx *db.Tx, batch []events.Event) (map[int]string, error) {
	var t taken
	park := map[int]string{}
	for i, e := range batch {
		if reason := t.take(e); reason != "" {
			park[i] = reason
		}
	}
	if len(t.drafts) == 0 && len(t.entries) == 0 {
		return park, nil
	}
	// The row of state is locked first: versions are committed in their order.
	st, err := nextVersion(tx)
	if err != nil {
		return nil, err
	}
	n := &names{version: st.version, known: f.committed(st.generation), fresh: map[named]number{}}
	if err := t.number(tx, n); err != nil {
		return nil, err
	}
	if err := t.write(tx, st); err != nil {
		return nil, err
	}
	tx.AfterCommit(func() {
		f.commit(st.generation, n)
		f.wake()
	})
	return park, nil
}

// Reset drops every derived row.
func (f *follower) Reset(tx *db.Tx) error {
	if err := dropAll(tx); err != nil {
		return err
	}
	tx.AfterCommit(f.wake)
	return nil
}

// committed gives the names known of a generation.
func (f *follower) committed(generation int64) map[named]number {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.generation != generation {
		return nil
	}
	return f.known
}

func (f *follower) commit(generation int64, n *names) {
	if len(n.fresh) == 0 {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.generation == generation {
		// Another transaction may have committed since n began.
		n.known = f.known
	}
	f.known, f.generation = n.merged(), generation
}

// number replaces the ids and terms of the drafts by numbers.
func (t *taken) number(tx *db.Tx, n *names) error {
	for i := range t.drafts {
		for _, r := range t.drafts[i].names() {
			n.reference(r.kind, r.id)
		}
	}
	for _, e := range t.entries {
		n.reference(e.kind, e.id)
	}
	if err := n.resolve(tx); err != nil {
		return err
	}
	for i := range t.drafts {
		for _, r := range t.drafts[i].names() {
			*r.into = n.number(r.kind, r.id)
		}
	}
	return n.describe(tx, t.entries)
}

// write adds the drafts to their spindles and notes which changed.
func (t *taken) write(tx *db.Tx, st state) error {
	bySpindle := map[string][]*draft{}
	for i := range t.drafts {
		d := &t.drafts[i]
		bySpindle[d.spindle] = append(bySpindle[d.spindle], d)
	}
	ids := slices.Sorted(maps.Keys(bySpindle))
	stored, err := loadSpindles(tx, ids)
	if err != nil {
		return err
	}
	var changed []spindleRow
	for _, id := range ids {
		row, exists := stored[id]
		if !exists {
			row = spindleRow{ordinal: st.nextOrdinal, id: id}
			st.nextOrdinal++
		}
		differs, err := row.add(bySpindle[id])
		if err != nil {
			return fmt.Errorf("spindle %s: %w", id, err)
		}
		if differs {
			changed = append(changed, row)
		}
	}
	if err := storeSpindles(tx, changed); err != nil {
		return err
	}
	if err := storeOrders(tx, t.orders); err != nil {
		return err
	}
	return noteChange(tx, st, changed)
}

// add merges drafts into the row's facts; false when they were all there.
func (r *spindleRow) add(drafts []*draft) (differs bool, err error) {
	facts, err := unpackFacts(r.facts, make([]fact, 0, 16+len(drafts)))
	if err != nil {
		return false, err
	}
	for _, d := range drafts {
		if d.serial != "" && (r.serial == "" || d.serial < r.serial) {
			r.serial, differs = d.serial, true
		}
		at, there := slices.BinarySearchFunc(facts, d.fact, byName)
		switch {
		case !there:
			facts, differs = slices.Insert(facts, at, d.fact), true
		case instead(&facts[at], &d.fact):
			facts[at], differs = d.fact, true
		}
	}
	if differs {
		r.facts = packFacts(facts)
	}
	return differs, nil
}

// instead decides between two facts of one name. They are the same unless a
// source broke its promise; then the smaller one is kept, whichever came first.
func instead(have, got *fact) bool {
	return string(packFact(nil, got)) < string(packFact(nil, have))
}
