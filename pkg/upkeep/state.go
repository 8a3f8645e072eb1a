package upkeep

import (
	"context"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// GetState tells how the hosted services are. What cannot be read is a check
// that failed, so that one broken store does not hide the others.
func (s *Server) GetState(ctx context.Context, _ *upkeepv1.GetStateRequest) (*upkeepv1.GetStateResponse, error) {
	answer := &upkeepv1.GetStateResponse{SoftwareVersion: s.version}
	for _, h := range s.hosted {
		answer.Services = append(answer.Services, h.state(ctx))
	}
	return answer, nil
}

func (h Hosted) state(ctx context.Context) *upkeepv1.ServiceState {
	st := &upkeepv1.ServiceState{Service: h.Name, Engine: string(h.Store.Engine())}
	var err error
	if st.OutboxEnd, st.OutboxUnpublished, st.Epoch, err = h.Outbox.State(ctx); err != nil {
		st.Checks = append(st.Checks, failed("outbox", err))
	}
	if h.Inbox != nil {
		if st.Applied, err = h.Inbox.Applied(h.Store.Reader(ctx)); err != nil {
			st.Checks = append(st.Checks, failed("inbox", err))
		}
		if st.Parked, st.Held, err = h.Inbox.Counts(ctx); err != nil {
			st.Checks = append(st.Checks, failed("parked events", err))
		}
	}
	if h.Checks == nil {
		return st
	}
	for _, c := range h.Checks(ctx) {
		st.Checks = append(st.Checks, &upkeepv1.Check{Name: c.Name, Ok: c.OK, Detail: c.Detail})
	}
	return st
}

// failed names what could not be read; the cause is the operator's to see.
func failed(name string, err error) *upkeepv1.Check {
	return &upkeepv1.Check{Name: name, Detail: "cannot be read: " + err.Error()}
}
