package events

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"spindlewright/pkg/db"
)

// MaxSize is the largest payload of an event, in bytes.
const MaxSize = 256 << 10

// Network is the tenant of what belongs to no shop.
const Network = "network"

//go:embed migrations
var migrations embed.FS

// OutboxMigrations creates the outbox of a service that records events.
var OutboxMigrations = db.Migrations{Name: "outbox", Files: sub("migrations/outbox")}

// InboxMigrations creates the tables of a service that follows events.
var InboxMigrations = db.Migrations{Name: "inbox", Files: sub("migrations/inbox")}

func sub(dir string) fs.FS {
	f, err := fs.Sub(migrations, dir)
	if err != nil {
		panic(err) // a folder that was embedded at build time
	}
	return f
}

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

// Subject is where the event is published.
func (e Event) Subject() string {
	return "spindlewright.v1." + e.Tenant + "." + e.Source + "." + e.EntityType + "." + e.Happened
}

// Unreadable says that a payload is not what its type promises. A Follower may
// return it from Apply; the event is then parked.
type Unreadable struct {
	EventID, Type string
	Cause         error
}

func (u *Unreadable) Error() string {
	return fmt.Sprintf("event %s: payload is not a readable %s: %v", u.EventID, u.Type, u.Cause)
}

// Unwrap gives the decoder's error.
func (u *Unreadable) Unwrap() error { return u.Cause }

// Decode reads the payload into a new message of the event's type.
func Decode(e Event) (proto.Message, error) {
	t, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName(e.Type))
	if err != nil {
		return nil, &Unreadable{EventID: e.ID, Type: e.Type, Cause: err}
	}
	m := t.New().Interface()
	if err := proto.Unmarshal(e.Payload, m); err != nil {
		return nil, &Unreadable{EventID: e.ID, Type: e.Type, Cause: err}
	}
	return m, nil
}

// registered reports whether this program knows the message.
func registered(name string) bool {
	_, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName(name))
	return err == nil
}

// checkToken refuses what cannot be one word of a subject.
func checkToken(what, s string) error {
	if s == "" || strings.ContainsAny(s, ".*> \t\r\n") {
		return fmt.Errorf("events: %s %q cannot be a word of a subject", what, s)
	}
	return nil
}
