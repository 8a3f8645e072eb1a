package events

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Parked is an event that could not be applied.
type Parked struct {
	Event    Event
	Reason   string
	ParkedAt time.Time
	Attempts int
}

// Cursor is where the next page of Inbox.Parked begins.
func (p Parked) Cursor() string {
	return strconv.FormatInt(clock.Micros(p.ParkedAt), 10) + "/" + p.Event.ID
}

// park keeps an event that cannot be applied. One that was parked or skipped
// before a replay stays so.
func park(tx *db.Tx, e Event, v verdict, now int64) error {
	packed, err := pack(e)
	if err != nil {
		return fmt.Errorf("park event %s: %w", e.ID, err)
	}
	_, err = tx.Exec(`INSERT INTO inbox_parked (event_id, source, entity_id, type, event, reason, unknown, attempts, parked_us)
		VALUES ($1, $2, $3, $4, $5, $6, $7, 1, $8)
		ON CONFLICT (event_id) DO UPDATE SET event = excluded.event, reason = excluded.reason, unknown = excluded.unknown`,
		e.ID, e.Source, e.EntityID, e.Type, packed, v.reason, v.unknown, now)
	if err != nil {
		return fmt.Errorf("park event %s: %w", e.ID, err)
	}
	return nil
}

// Parked lists events that could not be applied, oldest first, after the
// Cursor of the last one of the page before; "" is the first page.
func (i *Inbox) Parked(ctx context.Context, after string, limit int) ([]Parked, error) {
	us, id, err := parseCursor(after)
	if err != nil {
		return nil, err
	}
	rows, err := i.c.Store.Reader(ctx).Query(`SELECT event, reason, parked_us, attempts FROM inbox_parked
		WHERE skipped_us IS NULL AND (parked_us, event_id) > ($1, $2)
		ORDER BY parked_us, event_id LIMIT $3`, us, id, limit)
	if err != nil {
		return nil, fmt.Errorf("list parked events: %w", err)
	}
	defer rows.Close()
	var list []Parked
	for rows.Next() {
		var p Parked
		var packed []byte
		var at int64
		if err := rows.Scan(&packed, &p.Reason, &at, &p.Attempts); err != nil {
			return nil, fmt.Errorf("list parked events: %w", err)
		}
		if p.Event, err = unpack(packed); err != nil {
			return nil, fmt.Errorf("list parked events: %w", err)
		}
		p.ParkedAt = clock.FromMicros(at)
		list = append(list, p)
	}
	return list, rows.Err()
}

func parseCursor(s string) (us int64, id string, err error) {
	if s == "" {
		return -1 << 62, "", nil
	}
	at, id, ok := strings.Cut(s, "/")
	us, err = strconv.ParseInt(at, 10, 64)
	if !ok || err != nil {
		return 0, "", fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_BAD_PAGE_TOKEN,
			"the page token is not one of ours: give next_page_token of the last answer, or none")
	}
	return us, id, nil
}

// Retry applies a parked event again, for example after an upgrade.
func (i *Inbox) Retry(ctx context.Context, eventID string) (applied bool, reason string, err error) {
	source, err := i.parkedSource(ctx, eventID)
	if err != nil {
		return false, "", err
	}
	if err := i.gate.Acquire(ctx, 1); err != nil {
		return false, "", err
	}
	defer i.gate.Release(1)
	var position int64
	err = i.c.Store.Write(ctx, func(tx *db.Tx) (err error) {
		err = tx.QueryRow(`SELECT position FROM inbox_source WHERE source = $1`+tx.ForUpdate(), source).Scan(&position)
		if err != nil {
			return fmt.Errorf("lock source %s: %w", source, err)
		}
		reason, err = i.retry(tx, eventID)
		return err
	})
	if err != nil {
		return false, "", err
	}
	if reason != "" {
		return false, reason, nil
	}
	i.tell(source, position)
	return true, "", nil
}

func (i *Inbox) parkedSource(ctx context.Context, eventID string) (source string, err error) {
	err = i.c.Store.Reader(ctx).QueryRow(`SELECT source FROM inbox_parked WHERE event_id = $1 AND skipped_us IS NULL`, eventID).Scan(&source)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fault.NotFound("parked event", eventID)
	}
	if err != nil {
		return "", fmt.Errorf("find parked event %s: %w", eventID, err)
	}
	return source, nil
}

// retry gives a reason when the event stays parked.
func (i *Inbox) retry(tx *db.Tx, eventID string) (reason string, err error) {
	var packed []byte
	err = tx.QueryRow(`SELECT event FROM inbox_parked WHERE event_id = $1 AND skipped_us IS NULL`, eventID).Scan(&packed)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fault.NotFound("parked event", eventID)
	}
	if err != nil {
		return "", fmt.Errorf("read parked event %s: %w", eventID, err)
	}
	e, err := unpack(packed)
	if err != nil {
		return "", fmt.Errorf("read parked event %s: %w", eventID, err)
	}
	if reason, err = i.judge(tx, e); err != nil {
		return "", err
	}
	if reason != "" {
		_, err = tx.Exec(`UPDATE inbox_parked SET attempts = attempts + 1, reason = $1, unknown = $2 WHERE event_id = $3`,
			reason, !i.c.Known(e.Type), eventID)
		return reason, err
	}
	if _, err = tx.Exec(`DELETE FROM inbox_parked WHERE event_id = $1`, eventID); err != nil {
		return "", fmt.Errorf("release parked event %s: %w", eventID, err)
	}
	_, err = tx.Exec(`UPDATE inbox SET incomplete = EXISTS (SELECT 1 FROM inbox_parked p WHERE p.source = $1 AND p.entity_id = $2)
		WHERE source = $1 AND entity_id = $2`, e.Source, e.EntityID)
	return "", err
}

// judge applies one event and says why it cannot be.
func (i *Inbox) judge(tx *db.Tx, e Event) (reason string, err error) {
	if !i.c.Known(e.Type) {
		return unknownType(e.Type), nil
	}
	parks, err := applySafely(i.c.Follow, tx, []Event{e})
	var u *Unreadable
	if errors.As(err, &u) {
		return u.Error(), nil
	}
	if err != nil {
		return "", err
	}
	return parks[0], nil
}

// Skip gives a parked event up. Its entity stays incomplete, and a replay does
// not park it for the operator again.
func (i *Inbox) Skip(ctx context.Context, eventID, reason string) error {
	return i.c.Store.Write(ctx, func(tx *db.Tx) error { return i.SkipIn(tx, eventID, reason) })
}

// SkipIn is Skip within the transaction that records who decided it.
func (i *Inbox) SkipIn(tx *db.Tx, eventID, reason string) error {
	r, err := tx.Exec(`UPDATE inbox_parked SET skipped_us = $1, reason = $2 WHERE event_id = $3 AND skipped_us IS NULL`,
		clock.Micros(i.c.Clock.Now()), "given up: "+reason, eventID)
	if err != nil {
		return fmt.Errorf("skip parked event %s: %w", eventID, err)
	}
	n, err := r.RowsAffected()
	if err == nil && n == 0 {
		return fault.NotFound("parked event", eventID)
	}
	return err
}

// retryKnown applies events that were parked because their type was unknown
// and that this version knows.
func (i *Inbox) retryKnown(ctx context.Context) {
	rows, err := i.c.Store.Reader(ctx).Query(`SELECT event_id, type FROM inbox_parked
		WHERE unknown AND skipped_us IS NULL ORDER BY parked_us, event_id`)
	if err != nil {
		i.warn("parked events cannot be read", err)
		return
	}
	var ids []string
	for rows.Next() {
		var id, name string
		if err := rows.Scan(&id, &name); err == nil && i.c.Known(name) {
			ids = append(ids, id)
		}
	}
	rows.Close()
	if err := rows.Err(); err != nil {
		i.warn("parked events cannot be read to the end", err)
	}
	for _, id := range ids {
		if _, _, err := i.Retry(ctx, id); err != nil {
			i.warn("a parked event cannot be retried", err, "event", id)
		}
	}
}
