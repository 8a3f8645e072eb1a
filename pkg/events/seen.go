package events

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"spindlewright/pkg/db"
)

// seen is what the inbox knows of the entities in a batch.
type seen struct{ entities map[string]*entitySeen }

type entitySeen struct {
	last       int64 // revision up to which everything was applied or parked
	incomplete bool
	moved      bool            // last differs from the store
	held       map[int64]Event // revisions above last+1
	stored     map[int64]bool  // those of them that are in the store
}

func (s *seen) entity(id string) *entitySeen {
	e := s.entities[id]
	if e == nil {
		e = &entitySeen{held: map[int64]Event{}, stored: map[int64]bool{}}
		s.entities[id] = e
	}
	return e
}

// chunk bounds the parameters of one statement, far below what either engine
// takes (32766 in SQLite).
const chunk = 500

// loadSeen reads the revisions of the batch's entities, and what is held of them.
func loadSeen(tx *db.Tx, source string, batch []Event) (*seen, error) {
	s := &seen{entities: map[string]*entitySeen{}}
	for _, e := range batch {
		s.entity(e.EntityID)
	}
	var held []string
	for ids := range slices.Chunk(slices.Sorted(maps.Keys(s.entities)), chunk) {
		more, err := s.loadRevisions(tx, source, ids)
		if err != nil {
			return nil, err
		}
		held = append(held, more...)
	}
	for ids := range slices.Chunk(held, chunk) {
		if err := s.loadHeld(tx, source, ids); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// loadRevisions gives back those entities of which events are held.
func (s *seen) loadRevisions(tx *db.Tx, source string, ids []string) (held []string, err error) {
	rows, err := tx.Query(`SELECT i.entity_id, i.revision, EXISTS (SELECT 1 FROM inbox_held h
			WHERE h.source = i.source AND h.entity_id = i.entity_id)
		FROM inbox i WHERE i.source = $1 AND i.entity_id IN `+db.Placeholders(1, len(ids), 2), with(source, ids)...)
	if err != nil {
		return nil, fmt.Errorf("read the revisions of %s: %w", source, err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var revision int64
		var some bool
		if err := rows.Scan(&id, &revision, &some); err != nil {
			return nil, fmt.Errorf("read the revisions of %s: %w", source, err)
		}
		s.entity(id).last = revision
		if some {
			held = append(held, id)
		}
	}
	return held, rows.Err()
}

func (s *seen) loadHeld(tx *db.Tx, source string, ids []string) error {
	rows, err := tx.Query(`SELECT entity_id, revision, event FROM inbox_held
		WHERE source = $1 AND entity_id IN `+db.Placeholders(1, len(ids), 2), with(source, ids)...)
	if err != nil {
		return fmt.Errorf("read held events of %s: %w", source, err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var revision int64
		var packed []byte
		if err := rows.Scan(&id, &revision, &packed); err != nil {
			return fmt.Errorf("read held events of %s: %w", source, err)
		}
		e, err := unpack(packed)
		if err != nil {
			return fmt.Errorf("read held event %s/%d of %s: %w", id, revision, source, err)
		}
		s.entity(id).held[revision], s.entity(id).stored[revision] = e, true
	}
	return rows.Err()
}

func with(source string, ids []string) []any {
	args := make([]any, 0, len(ids)+1)
	args = append(args, source)
	for _, id := range ids {
		args = append(args, id)
	}
	return args
}

// order gives the events whose turn it is, each entity's in order of revision.
// What was applied before is dropped, what comes too early is held.
func (s *seen) order(batch []Event) (ready []Event, dropped int) {
	for _, e := range batch {
		entity := s.entity(e.EntityID)
		switch {
		case e.Revision <= entity.last:
			dropped++
			continue
		case e.Revision > entity.last+1:
			if _, again := entity.held[e.Revision]; again {
				dropped++
			}
			entity.held[e.Revision] = e
			continue
		}
		ready = append(ready, e)
		entity.last, entity.moved = e.Revision, true
		for {
			next, ok := entity.held[entity.last+1]
			if !ok {
				break
			}
			delete(entity.held, next.Revision)
			ready = append(ready, next)
			entity.last = next.Revision
		}
	}
	return ready, dropped
}

func (s *seen) newlyHeld() int {
	n := 0
	for _, e := range s.entities {
		for revision := range e.held {
			if !e.stored[revision] {
				n++
			}
		}
	}
	return n
}

// store writes what has changed.
func (s *seen) store(tx *db.Tx, source string) error {
	var changed []string
	for _, id := range slices.Sorted(maps.Keys(s.entities)) {
		if e := s.entities[id]; e.moved || len(e.held) > 0 {
			changed = append(changed, id)
		}
	}
	for ids := range slices.Chunk(changed, chunk) {
		if err := s.storeRevisions(tx, source, ids); err != nil {
			return err
		}
	}
	for _, id := range changed {
		if err := s.entities[id].storeHeld(tx, source, id); err != nil {
			return err
		}
	}
	return nil
}

func (s *seen) storeRevisions(tx *db.Tx, source string, ids []string) error {
	args := make([]any, 0, 4*len(ids))
	for _, id := range ids {
		e := s.entities[id]
		args = append(args, source, id, e.last, e.incomplete)
	}
	var b strings.Builder
	b.WriteString(`INSERT INTO inbox (source, entity_id, revision, incomplete) VALUES `)
	b.WriteString(db.Placeholders(len(ids), 4, 1))
	b.WriteString(` ON CONFLICT (source, entity_id) DO UPDATE SET revision = excluded.revision,
		incomplete = inbox.incomplete OR excluded.incomplete`)
	if _, err := tx.Exec(b.String(), args...); err != nil {
		return fmt.Errorf("note revisions of %s: %w", source, err)
	}
	return nil
}

func (e *entitySeen) storeHeld(tx *db.Tx, source, id string) error {
	for revision := range e.stored {
		if _, still := e.held[revision]; still {
			continue
		}
		if _, err := tx.Exec(`DELETE FROM inbox_held WHERE source = $1 AND entity_id = $2 AND revision = $3`, source, id, revision); err != nil {
			return fmt.Errorf("release a held event of %s: %w", source, err)
		}
	}
	for revision, event := range e.held {
		if e.stored[revision] {
			continue
		}
		packed, err := pack(event)
		if err != nil {
			return fmt.Errorf("hold event %s: %w", event.ID, err)
		}
		if _, err := tx.Exec(`INSERT INTO inbox_held (source, entity_id, revision, event) VALUES ($1, $2, $3, $4)`,
			source, id, revision, packed); err != nil {
			return fmt.Errorf("hold event %s: %w", event.ID, err)
		}
	}
	return nil
}
