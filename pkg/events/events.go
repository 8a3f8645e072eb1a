// Package events carries facts from the service that owns them to the services
// that follow them. (Signatures first; see the plan. Bodies follow.)
package events

import (
	"context"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

// MaxSize is the largest payload of an event, in bytes.
const MaxSize = 256 << 10

// Network is the tenant of what belongs to no shop.
const Network = "network"

// OutboxMigrations creates outbox and outbox_state (epoch, next position).
var OutboxMigrations db.Migrations

// InboxMigrations creates the tables of a consumer.
var InboxMigrations db.Migrations

// Event is one recorded fact.
type Event struct {
	ID, Source, Tenant     string
	EntityType, EntityID   string
	Revision               int64
	Type                   string // full name of the payload message
	Happened               string // last word of the subject
	OccurredAt, RecordedAt time.Time
	Payload                []byte
	Traceparent            string
	Epoch, Position        int64
	Replaces               string
}

// Draft is an event about to be recorded. The caller has updated (hence
// locked) the entity's row in the same transaction and took Revision from it.
type Draft struct {
	Tenant, EntityType, EntityID string
	Revision                     int64
	Happened                     string
	OccurredAt, RecordedAt       time.Time
	Body                         proto.Message
	Replaces                     string
}

// Outbox is the archive of one service's events in its own store.
type Outbox struct{}

// NewOutbox serves the outbox of a service.
func NewOutbox(store *db.DB, service string, ids clock.IDs) *Outbox { panic("stub") }

// Append records an event in the running transaction, wakes the relay after
// commit, and returns the event (without position). A payload above MaxSize is
// refused with EVENT_TOO_LARGE.
func (o *Outbox) Append(tx *db.Tx, d Draft) (Event, error) { panic("stub") }

// Read gives events after a position, in order; used by UpkeepService.
func (o *Outbox) Read(ctx context.Context, after int64, limit int) (events []Event, end, epoch int64, err error) {
	panic("stub")
}

// OfEntity gives an entity's events in order of revision, after a revision.
func (o *Outbox) OfEntity(q db.Querier, entityID string, after int64, limit int) ([]Event, error) {
	panic("stub")
}

// Relay publishes the outbox to JetStream until ctx ends. Only the holder of
// the store's "relay" lease works; others wait for it.
func (o *Outbox) Relay(ctx context.Context, nc *nats.Conn) error { panic("stub") }

// Archive reads another service's outbox, over gRPC.
type Archive func(ctx context.Context, source string, after int64, limit int) (events []Event, end, epoch int64, err error)

// Follower is what a service derives from others' events.
type Follower interface {
	// Entities lists source -> entity types it follows. It gets every event of
	// those entities, in order of revision per entity.
	Entities() map[string][]string
	// Apply folds events into derived rows, in the given transaction, which
	// also notes them in the inbox. An event that can never apply is answered
	// in the returned map (index -> reason) and is parked; the error is for
	// faults of the store only.
	Apply(tx *db.Tx, batch []Event) (park map[int]string, err error)
	// Reset drops every derived row, for a replay.
	Reset(tx *db.Tx) error
}

// Inbox applies events of other services to a Follower.
type Inbox struct{}

// InboxConfig is what an Inbox needs.
type InboxConfig struct {
	Store   *db.DB
	Service string
	Clock   clock.Clock
	Archive Archive
	Follow  Follower
	// Applied is told after each commit, with the position vector.
	Applied func(map[string]int64)
}

// NewInbox prepares an inbox; Run works it.
func NewInbox(c InboxConfig) *Inbox { panic("stub") }

// Run applies events until ctx ends; only the holder of the store's "inbox" lease works.
func (i *Inbox) Run(ctx context.Context, nc *nats.Conn) error { panic("stub") }

// Replay drops what was derived and folds the archives of all sources again.
func (i *Inbox) Replay(ctx context.Context) (events int64, err error) { panic("stub") }

// Applied is the position vector in the store.
func (i *Inbox) Applied(q db.Querier) (map[string]int64, error) { panic("stub") }

// Parked lists events that could not be applied, oldest first.
func (i *Inbox) Parked(ctx context.Context, afterID string, limit int) ([]Parked, error) {
	panic("stub")
}

// Retry applies a parked event again.
func (i *Inbox) Retry(ctx context.Context, eventID string) (applied bool, reason string, err error) {
	panic("stub")
}

// Skip gives a parked event up.
func (i *Inbox) Skip(ctx context.Context, eventID, reason string) error { panic("stub") }

// Parked is an event that could not be applied.
type Parked struct {
	Event    Event
	Reason   string
	ParkedAt time.Time
	Attempts int
}
