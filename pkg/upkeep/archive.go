package upkeep

import (
	"context"

	"google.golang.org/grpc"

	"spindlewright/pkg/events"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ReadOutbox gives a part of a service's archive.
func (s *Server) ReadOutbox(ctx context.Context, req *upkeepv1.ReadOutboxRequest) (*upkeepv1.ReadOutboxResponse, error) {
	h, err := s.find(req.GetService())
	if err != nil {
		return nil, err
	}
	limit := int(req.GetLimit())
	if limit == 0 {
		limit = 500
	}
	list, end, epoch, err := h.Outbox.Read(ctx, req.GetAfterPosition(), limit)
	if err != nil {
		return nil, err
	}
	answer := &upkeepv1.ReadOutboxResponse{EndPosition: end, Epoch: epoch, Events: make([]*upkeepv1.Event, len(list))}
	for i, e := range list {
		answer.Events[i] = events.ToProto(e)
	}
	return answer, nil
}

// ArchiveOver reads archives by RPC; dial gives a connection to the process
// that hosts a service.
func ArchiveOver(dial func(service string) (grpc.ClientConnInterface, error)) events.Archive {
	return func(ctx context.Context, source string, after int64, limit int) ([]events.Event, int64, int64, error) {
		conn, err := dial(source)
		if err != nil {
			return nil, 0, 0, err
		}
		answer, err := upkeepv1.NewUpkeepServiceClient(conn).ReadOutbox(ctx, &upkeepv1.ReadOutboxRequest{
			Service: source, AfterPosition: after, Limit: int32(min(limit, 2000)),
		})
		if err != nil {
			return nil, 0, 0, err
		}
		list := make([]events.Event, len(answer.GetEvents()))
		for i, e := range answer.GetEvents() {
			list[i] = events.FromProto(e)
		}
		return list, answer.GetEndPosition(), answer.GetEpoch(), nil
	}
}
