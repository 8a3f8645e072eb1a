package events

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"go.opentelemetry.io/otel/propagation"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

const (
	// inlineLimit is the largest payload that lies in the outbox row itself.
	inlineLimit = 4 << 10
	// readBytes is how much payload one Read gives at most (beyond its first event).
	readBytes = 2 << 20
	// readEvents is how many events one Read gives at most.
	readEvents = 2000
)

// Outbox is the archive of one service's events in its own store.
type Outbox struct {
	// Log tells of the relay; nil is silent.
	Log *slog.Logger
	// Replicas of the stream when the relay has to create it; 0 is 1.
	Replicas int

	store   *db.DB
	service string
	ids     clock.IDs
	nth     atomic.Int64
	wake    chan struct{}
	lag     atomic.Int64
	meters  *meters
}

// NewOutbox serves the outbox of a service.
func NewOutbox(store *db.DB, service string, ids clock.IDs) *Outbox {
	o := &Outbox{store: store, service: service, ids: ids, wake: make(chan struct{}, 1)}
	o.meters = newMeters(service)
	return o
}

// Append records an event in the running transaction, wakes the relay after
// commit, and returns the event (without position). A payload above MaxSize is
// refused with EVENT_TOO_LARGE.
func (o *Outbox) Append(tx *db.Tx, d Draft) (Event, error) {
	e, err := o.draft(tx.Context(), d)
	if err != nil {
		return Event{}, err
	}
	inline := e.Payload
	if len(e.Payload) > inlineLimit {
		inline = nil
	}
	_, err = tx.Exec(`INSERT INTO outbox (event_id, tenant, entity_type, entity_id, revision, type, happened,
		occurred_us, recorded_us, nth, traceparent, replaces, payload)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		e.ID, e.Tenant, e.EntityType, e.EntityID, e.Revision, e.Type, e.Happened,
		clock.Micros(e.OccurredAt), clock.Micros(e.RecordedAt), o.nth.Add(1), e.Traceparent, e.Replaces, inline)
	if err != nil {
		return Event{}, fmt.Errorf("record %s of %s %s, revision %d: %w", e.Happened, e.EntityType, e.EntityID, e.Revision, err)
	}
	if inline == nil {
		if _, err := tx.Exec(`INSERT INTO outbox_body (event_id, payload) VALUES ($1, $2)`, e.ID, e.Payload); err != nil {
			return Event{}, fmt.Errorf("record the payload of event %s: %w", e.ID, err)
		}
	}
	tx.AfterCommit(o.nudge)
	return e, nil
}

// draft turns a draft into an event, or says what is wrong with it.
func (o *Outbox) draft(ctx context.Context, d Draft) (Event, error) {
	err := errors.Join(checkToken("tenant", d.Tenant), checkToken("entity type", d.EntityType), checkToken("happened", d.Happened))
	switch {
	case err != nil:
		return Event{}, err
	case d.Body == nil:
		return Event{}, fmt.Errorf("events: %s of %s %s has no body", d.Happened, d.EntityType, d.EntityID)
	case d.EntityID == "" || d.Revision < 1:
		return Event{}, fmt.Errorf("events: %s of %s needs an entity id and a revision from 1, not %q and %d", d.Happened, d.EntityType, d.EntityID, d.Revision)
	case d.OccurredAt.IsZero() || d.RecordedAt.IsZero():
		return Event{}, fmt.Errorf("events: %s of %s %s needs both its times", d.Happened, d.EntityType, d.EntityID)
	}
	// The inline limit tells a body that lies apart by NULL, so an empty
	// payload must not be one.
	payload, err := proto.MarshalOptions{Deterministic: true}.MarshalAppend([]byte{}, d.Body)
	if err != nil {
		return Event{}, fmt.Errorf("events: encode %s of %s %s: %w", d.Happened, d.EntityType, d.EntityID, err)
	}
	if len(payload) > MaxSize {
		return Event{}, tooLarge(d, len(payload))
	}
	return Event{
		ID: o.ids.New(), Source: o.service, Tenant: d.Tenant,
		EntityType: d.EntityType, EntityID: d.EntityID, Revision: d.Revision,
		Type: string(d.Body.ProtoReflect().Descriptor().FullName()), Happened: d.Happened,
		OccurredAt: cut(d.OccurredAt), RecordedAt: cut(d.RecordedAt),
		Payload: payload, Traceparent: traceparent(ctx), Replaces: d.Replaces,
	}, nil
}

func tooLarge(d Draft, size int) error {
	return fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_EVENT_TOO_LARGE,
		"what would be recorded as %s of this %s has %d bytes; the limit is %d bytes: shorten its texts or send fewer rows at once",
		d.Happened, d.EntityType, size, MaxSize)
}

// cut gives the resolution that both engines keep.
func cut(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// traceparent is the W3C trace context of ctx, or empty.
func traceparent(ctx context.Context) string {
	if ctx == nil {
		return ""
	}
	c := propagation.MapCarrier{}
	propagation.TraceContext{}.Inject(ctx, c)
	return c["traceparent"]
}

func (o *Outbox) nudge() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

const eventColumns = `o.event_id, o.tenant, o.entity_type, o.entity_id, o.revision, o.type, o.happened,
	o.occurred_us, o.recorded_us, o.traceparent, o.replaces, o.position,
	COALESCE(o.payload, (SELECT b.payload FROM outbox_body b WHERE b.event_id = o.event_id))`

// Read gives events after a position, in order, at most 2 MiB of payload at
// once, with the archive's last position and its epoch. No events: there are
// none yet.
func (o *Outbox) Read(ctx context.Context, after int64, limit int) (events []Event, end, epoch int64, err error) {
	q := o.store.Reader(ctx)
	st, err := readState(q)
	if err != nil {
		return nil, 0, 0, err
	}
	if limit <= 0 || limit > readEvents {
		limit = readEvents
	}
	events, err = o.after(q, after, st, limit, readBytes)
	return events, st.end(), st.epoch, err
}

// after gives positioned events up to the end that st knows.
func (o *Outbox) after(q db.Querier, after int64, st state, limit, maxBytes int) ([]Event, error) {
	rows, err := q.Query(`SELECT `+eventColumns+` FROM outbox o
		WHERE o.position > $1 AND o.position < $2 ORDER BY o.position LIMIT $3`, after, st.next, limit)
	if err != nil {
		return nil, fmt.Errorf("read the outbox after %d: %w", after, err)
	}
	return o.scan(rows, st.epoch, maxBytes)
}

// OfEntity gives an entity's events in order of revision, after a revision.
// Events that were just recorded have no position yet.
func (o *Outbox) OfEntity(q db.Querier, entityID string, after int64, limit int) ([]Event, error) {
	st, err := readState(q)
	if err != nil {
		return nil, err
	}
	rows, err := q.Query(`SELECT `+eventColumns+` FROM outbox o
		WHERE o.entity_id = $1 AND o.revision > $2 ORDER BY o.revision LIMIT $3`, entityID, after, limit)
	if err != nil {
		return nil, fmt.Errorf("read the events of %s: %w", entityID, err)
	}
	return o.scan(rows, st.epoch, 0)
}

// scan reads rows until their payloads reach maxBytes (0: all of them).
func (o *Outbox) scan(rows *sql.Rows, epoch int64, maxBytes int) ([]Event, error) {
	defer rows.Close()
	var list []Event
	for size := 0; (maxBytes == 0 || size < maxBytes) && rows.Next(); {
		e := Event{Source: o.service, Epoch: epoch}
		var occurred, recorded int64
		var position sql.NullInt64
		err := rows.Scan(&e.ID, &e.Tenant, &e.EntityType, &e.EntityID, &e.Revision, &e.Type, &e.Happened,
			&occurred, &recorded, &e.Traceparent, &e.Replaces, &position, &e.Payload)
		if err != nil {
			return nil, fmt.Errorf("read an outbox row: %w", err)
		}
		e.OccurredAt, e.RecordedAt = clock.FromMicros(occurred), clock.FromMicros(recorded)
		e.Position = position.Int64
		size += len(e.Payload)
		list = append(list, e)
	}
	return list, rows.Err()
}
