package upkeep

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// usualPage is the size of a page when none is asked for.
const usualPage = 100

func pageSize(asked int32) int {
	if asked <= 0 {
		return usualPage
	}
	return int(min(asked, 1000))
}

// ListParkedEvents lists what a service could not apply, oldest first.
func (s *Server) ListParkedEvents(ctx context.Context, req *upkeepv1.ListParkedEventsRequest) (*upkeepv1.ListParkedEventsResponse, error) {
	h, err := s.findFollower(req.GetService())
	if err != nil {
		return nil, err
	}
	size := pageSize(req.GetPageSize())
	list, err := h.Inbox.Parked(ctx, req.GetPageToken(), size)
	if err != nil {
		return nil, err
	}
	list, cut := withinAnswer(list)
	answer := &upkeepv1.ListParkedEventsResponse{}
	for _, p := range list {
		answer.Events = append(answer.Events, &upkeepv1.ParkedEvent{
			Event: events.ToProto(p.Event), Reason: p.Reason,
			ParkedAt: timestamppb.New(p.ParkedAt), Attempts: int32(min(p.Attempts, 1<<30)),
		})
	}
	if cut || len(list) == size {
		answer.NextPageToken = list[len(list)-1].Cursor()
	}
	return answer, nil
}

// withinAnswer cuts a page once its payloads reach 2 MiB: gRPC refuses more
// than 4 MiB by default.
func withinAnswer(list []events.Parked) (page []events.Parked, cut bool) {
	size := 0
	for n, p := range list {
		if size += len(p.Event.Payload); size >= 2<<20 && n+1 < len(list) {
			return list[:n+1], true
		}
	}
	return list, false
}

// RetryParkedEvent applies a parked event again.
func (s *Server) RetryParkedEvent(ctx context.Context, req *upkeepv1.RetryParkedEventRequest) (*upkeepv1.RetryParkedEventResponse, error) {
	h, err := s.findFollower(req.GetService())
	if err != nil {
		return nil, err
	}
	applied, reason, err := h.Inbox.Retry(ctx, req.GetEventId())
	if err != nil {
		return nil, err
	}
	detail := "applied"
	if !applied {
		detail = "still parked: " + reason
	}
	e := s.entry(ctx, "parked event retried", upkeepv1.UpkeepService_RetryParkedEvent_FullMethodName, req.GetEventId(), detail)
	if err := h.record(ctx, e); err != nil {
		return nil, err
	}
	return &upkeepv1.RetryParkedEventResponse{Applied: applied, Reason: reason}, nil
}

// SkipParkedEvent gives a parked event up, in one transaction with its audit entry.
func (s *Server) SkipParkedEvent(ctx context.Context, req *upkeepv1.SkipParkedEventRequest) (*upkeepv1.SkipParkedEventResponse, error) {
	h, err := s.findFollower(req.GetService())
	if err != nil {
		return nil, err
	}
	e := s.entry(ctx, "parked event skipped", upkeepv1.UpkeepService_SkipParkedEvent_FullMethodName, req.GetEventId(), req.GetReason())
	err = h.Store.Write(ctx, func(tx *db.Tx) error {
		if err := h.Inbox.SkipIn(tx, req.GetEventId(), req.GetReason()); err != nil {
			return err
		}
		return h.Audit.Record(tx, e)
	})
	if err != nil {
		return nil, err
	}
	return &upkeepv1.SkipParkedEventResponse{}, nil
}
