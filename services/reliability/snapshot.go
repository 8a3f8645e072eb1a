package reliability

import (
	"context"
	"fmt"
	"slices"

	"spindlewright/pkg/db"
)

// snapshot is one state of everything that questions are answered from. It
// never changes: a new one takes its place.
type snapshot struct {
	generation, version int64
	// positions is how far each source has been applied.
	positions map[string]int64
	pages     pages
	catalog   *catalog
	// incomplete are the places of spindles with events that could not be
	// folded, rising; unplaced counts parked entities of no known spindle.
	incomplete []int64
	unplaced   int
}

// vectors tells how far the inbox is and what it parked; events.Inbox does.
type vectors interface {
	Applied(q db.Querier) (map[string]int64, error)
	Incomplete(q db.Querier) (map[string][]string, error)
}

// refresh gives the snapshot of the store as it is now, made from s with as
// little work as possible, and the number of spindles it folded.
func (s *snapshot) refresh(ctx context.Context, store *db.DB, inbox vectors) (next *snapshot, folded int, err error) {
	err = store.View(ctx, func(q db.Querier) (err error) {
		next, folded, err = s.refreshFrom(q, inbox)
		return err
	})
	return next, folded, err
}

func (s *snapshot) refreshFrom(q db.Querier, inbox vectors) (*snapshot, int, error) {
	st, err := readState(q)
	if err != nil {
		return nil, 0, err
	}
	next := &snapshot{generation: st.generation, version: st.version}
	if next.positions, err = inbox.Applied(q); err != nil {
		return nil, 0, err
	}
	if err := next.readIncomplete(q, inbox); err != nil {
		return nil, 0, err
	}
	if s.generation == st.generation && s.version == st.version {
		next.pages, next.catalog = s.pages, s.catalog
		return next, 0, nil
	}
	base, ordinals, err := s.base(q, st)
	if err != nil {
		return nil, 0, err
	}
	if next.catalog, err = base.catalog.refresh(q, base.version); err != nil {
		return nil, 0, err
	}
	var n int
	next.pages, n, err = foldPages(q, base.pages, ordinals)
	return next, n, err
}

// base is what the next snapshot starts from, and which spindles to fold again:
// all, in an empty one, when the change log does not reach back to s.
func (s *snapshot) base(q db.Querier, st state) (*snapshot, []int64, error) {
	if s.generation == st.generation && s.version > 0 {
		ordinals, reaches, err := changesSince(q, s.version, st)
		if err != nil || reaches {
			if ordinals == nil {
				ordinals = []int64{}
			}
			return s, ordinals, err
		}
	}
	return emptySnapshot(), nil, nil
}

func emptySnapshot() *snapshot { return &snapshot{catalog: emptyCatalog()} }

// foldPages folds the spindles at the given places (nil: all) into pages. It
// holds the facts of one spindle and the lives of one page at a time.
func foldPages(q db.Querier, ps pages, ordinals []int64) (out pages, n int, err error) {
	if ordinals != nil && len(ordinals) == 0 {
		return ps, 0, nil
	}
	var (
		facts   []fact
		places  []int64
		lives   []life
		flushed = ps
	)
	flush := func() {
		flushed = flushed.with(places, lives)
		places, lives = places[:0], lives[:0]
	}
	err = readFacts(q, ordinals, func(ordinal int64, packed []byte) error {
		if len(places) > 0 && places[0]/pageSlots != ordinal/pageSlots {
			flush()
		}
		if facts, err = unpackFacts(packed, facts[:0]); err != nil {
			return fmt.Errorf("spindle at place %d: %w", ordinal, err)
		}
		places, lives = append(places, ordinal), append(lives, fold(facts))
		n++
		return nil
	})
	if err != nil {
		return nil, 0, err
	}
	flush()
	return flushed, n, nil
}

func (s *snapshot) readIncomplete(q db.Querier, inbox vectors) error {
	bySource, err := inbox.Incomplete(q)
	if err != nil {
		return err
	}
	entities := bySource["intake"]
	if len(entities) == 0 {
		return nil
	}
	if s.incomplete, err = spindlesOf(q, entities); err != nil {
		return err
	}
	s.unplaced, err = unplaced(q, entities)
	return err
}

func (s *snapshot) isIncomplete(ordinal int64) bool {
	_, found := slices.BinarySearch(s.incomplete, ordinal)
	return found
}
