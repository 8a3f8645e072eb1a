package events

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ToProto gives the event as UpkeepService sends it.
func ToProto(e Event) *upkeepv1.Event {
	return &upkeepv1.Event{
		EventId: e.ID, Source: e.Source, Tenant: e.Tenant,
		EntityType: e.EntityType, EntityId: e.EntityID, Revision: e.Revision,
		Type: e.Type, Happened: e.Happened,
		OccurredAt: stamp(e.OccurredAt), RecordedAt: stamp(e.RecordedAt),
		Payload: e.Payload, Traceparent: e.Traceparent,
		Epoch: e.Epoch, Position: e.Position, Replaces: e.Replaces,
	}
}

// FromProto is the inverse of ToProto.
func FromProto(p *upkeepv1.Event) Event {
	return Event{
		ID: p.GetEventId(), Source: p.GetSource(), Tenant: p.GetTenant(),
		EntityType: p.GetEntityType(), EntityID: p.GetEntityId(), Revision: p.GetRevision(),
		Type: p.GetType(), Happened: p.GetHappened(),
		OccurredAt: moment(p.GetOccurredAt()), RecordedAt: moment(p.GetRecordedAt()),
		Payload: p.GetPayload(), Traceparent: p.GetTraceparent(),
		Epoch: p.GetEpoch(), Position: p.GetPosition(), Replaces: p.GetReplaces(),
	}
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func moment(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

// pack and unpack keep a whole event in a column.
func pack(e Event) ([]byte, error) { return proto.Marshal(ToProto(e)) }

func unpack(b []byte) (Event, error) {
	var p upkeepv1.Event
	if err := proto.Unmarshal(b, &p); err != nil {
		return Event{}, err
	}
	return FromProto(&p), nil
}
