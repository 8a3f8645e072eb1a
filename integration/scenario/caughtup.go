package scenario

import (
	"context"
	"errors"
	"fmt"
	"time"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// CaughtUp waits until reliability has applied everything that intake and
// access recorded, with nothing parked and nothing held, and gives the
// positions, for questions that must not be answered from less.
func (s Site) CaughtUp(ctx context.Context) (map[string]int64, error) {
	ctx, cancel := context.WithTimeout(As(ctx, s.OperatorToken), 60*time.Second)
	defer cancel()
	var last string
	for {
		ends, missing := s.behind(ctx)
		if missing == "" {
			return ends, nil
		}
		last = missing
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("reliability did not catch up: %s", last)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// shopsKnown waits until intake has heard of the shops that access opened: it
// learns of them by events.
func (s Site) shopsKnown(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(As(ctx, s.OperatorToken), 30*time.Second)
	defer cancel()
	for {
		source, err := s.state(ctx, "access")
		follower, err2 := s.state(ctx, "intake")
		if err == nil && err2 == nil && follower.Applied["access"] == source.OutboxEnd {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("intake did not hear of the shops: %w", errors.Join(err, err2, ctx.Err()))
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// behind says what is missing, or nothing and the positions applied.
func (s Site) behind(ctx context.Context) (ends map[string]int64, missing string) {
	ends = map[string]int64{}
	follower, err := s.state(ctx, "reliability")
	if err != nil {
		return nil, err.Error()
	}
	if follower.Parked+follower.Held > 0 {
		return nil, fmt.Sprintf("%d events parked, %d held", follower.Parked, follower.Held)
	}
	for _, source := range []string{"intake", "access"} {
		st, err := s.state(ctx, source)
		if err != nil {
			return nil, err.Error()
		}
		if st.OutboxUnpublished > 0 || follower.Applied[source] != st.OutboxEnd {
			return nil, fmt.Sprintf("%s recorded %d (%d unpublished), applied %d", source, st.OutboxEnd, st.OutboxUnpublished, follower.Applied[source])
		}
		ends[source] = st.OutboxEnd
	}
	return ends, ""
}

func (s Site) state(ctx context.Context, service string) (*upkeepv1.ServiceState, error) {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	got, err := upkeepv1.NewUpkeepServiceClient(s.Conn(service)).GetState(ctx, &upkeepv1.GetStateRequest{})
	if err != nil {
		return nil, err
	}
	for _, st := range got.Services {
		if st.Service == service {
			return st, nil
		}
	}
	return nil, fmt.Errorf("%s is not hosted there", service)
}
