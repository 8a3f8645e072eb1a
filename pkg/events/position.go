package events

import (
	"context"
	"fmt"

	"spindlewright/pkg/db"
)

// state is the row of outbox_state.
type state struct {
	epoch     int64
	next      int64 // the position that the next new row gets
	published int64 // every position up to this one is in the stream
}

func (s state) end() int64 { return s.next - 1 }

func readState(q db.Querier) (state, error) {
	var s state
	err := q.QueryRow(`SELECT epoch, next_position, published FROM outbox_state WHERE id = 1`).Scan(&s.epoch, &s.next, &s.published)
	if err != nil {
		return s, fmt.Errorf("read the state of the outbox: %w", err)
	}
	return s, nil
}

// advance notes in one transaction what is published and gives positions to at
// most limit rows that have none. Two relays that overlap meet at the lock on
// the state row, so positions stay gapless and unique. A published below 0
// leaves the mark as it is.
func (o *Outbox) advance(ctx context.Context, published int64, limit int) (st state, given int64, err error) {
	err = o.store.Write(ctx, func(tx *db.Tx) error {
		var err error
		st, given, err = advance(tx, published, limit)
		return err
	})
	return st, given, err
}

func advance(tx *db.Tx, published int64, limit int) (st state, given int64, err error) {
	err = tx.QueryRow(`UPDATE outbox_state SET published = CASE WHEN CAST($1 AS BIGINT) < 0 THEN published ELSE $1 END
		WHERE id = 1 RETURNING epoch, next_position, published`, published).Scan(&st.epoch, &st.next, &st.published)
	if err != nil {
		return st, 0, fmt.Errorf("lock the state of the outbox: %w", err)
	}
	// recorded_us rises with an entity's revision; nth keeps the order of one
	// process where its clock stands still.
	r, err := tx.Exec(`UPDATE outbox SET position = CAST($1 AS BIGINT) + f.n
		FROM (SELECT entity_id AS e, revision AS r,
				row_number() OVER (ORDER BY recorded_us, nth, entity_id, revision) - 1 AS n
			FROM outbox WHERE position IS NULL
			ORDER BY recorded_us, nth, entity_id, revision LIMIT $2) AS f
		WHERE outbox.entity_id = f.e AND outbox.revision = f.r`, st.next, limit)
	if err != nil {
		return st, 0, fmt.Errorf("give positions: %w", err)
	}
	if given, err = r.RowsAffected(); err != nil || given == 0 {
		return st, 0, err
	}
	st.next += given
	if _, err := tx.Exec(`UPDATE outbox_state SET next_position = $1 WHERE id = 1`, st.next); err != nil {
		return st, 0, fmt.Errorf("note the next position: %w", err)
	}
	return st, given, nil
}

// unpositioned reports whether a row waits for its position.
func unpositioned(q db.Querier) (bool, error) {
	var found bool
	err := q.QueryRow(`SELECT EXISTS (SELECT 1 FROM outbox WHERE position IS NULL)`).Scan(&found)
	if err != nil {
		return false, fmt.Errorf("look for new rows in the outbox: %w", err)
	}
	return found, nil
}

// State tells how far the archive reaches: its last position, how many of its
// events are not in the stream yet, and its epoch.
func (o *Outbox) State(ctx context.Context) (end, unpublished, epoch int64, err error) {
	q := o.store.Reader(ctx)
	st, err := readState(q)
	if err != nil {
		return 0, 0, 0, err
	}
	var waiting int64
	err = q.QueryRow(`SELECT count(*) FROM outbox WHERE position IS NULL`).Scan(&waiting)
	if err != nil {
		return 0, 0, 0, fmt.Errorf("count new rows in the outbox: %w", err)
	}
	return st.end(), st.end() - st.published + waiting, st.epoch, nil
}

// BeginEpoch raises the epoch, as needed after the store was restored from a
// backup: followers forget what they derived from this source and fold its
// archive again. It is called within the transaction that records why.
func (o *Outbox) BeginEpoch(tx *db.Tx) (epoch int64, err error) {
	return o.raiseEpoch(tx, 0)
}

// raiseEpoch goes to the next epoch, which also lies above `above`.
func (o *Outbox) raiseEpoch(tx *db.Tx, above int64) (epoch int64, err error) {
	err = tx.QueryRow(`UPDATE outbox_state SET epoch = CASE WHEN epoch > CAST($1 AS BIGINT) THEN epoch ELSE $1 END + 1, published = 0
		WHERE id = 1 RETURNING epoch`, above).Scan(&epoch)
	if err != nil {
		return 0, fmt.Errorf("raise the epoch: %w", err)
	}
	tx.AfterCommit(o.nudge)
	return epoch, nil
}
