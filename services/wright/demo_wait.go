package main

import (
	"context"
	"fmt"
	"time"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// caughtUpWithin bounds the wait for events; they take milliseconds.
const caughtUpWithin = 30 * time.Second

// caughtUp waits until one service has applied all that others have recorded.
func (d *demo) caughtUp(ctx context.Context, follower string, sources ...string) error {
	signed, err := d.as(ctx, d.operator)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(signed, caughtUpWithin)
	defer cancel()
	for {
		behind, err := d.behind(ctx, follower, sources)
		if err != nil {
			return err
		}
		if behind == "" {
			return nil
		}
		select {
		case <-time.After(10 * time.Millisecond):
		case <-ctx.Done():
			return fmt.Errorf("%s did not catch up: %s", follower, behind)
		}
	}
}

// behind says what the follower lacks, or nothing.
func (d *demo) behind(ctx context.Context, follower string, sources []string) (string, error) {
	own, err := d.state(ctx, follower)
	if err != nil {
		return "", err
	}
	if own.Parked > 0 {
		return "", fmt.Errorf("%s could not apply %d events; see wright parked list", follower, own.Parked)
	}
	for _, source := range sources {
		theirs, err := d.state(ctx, source)
		if err != nil {
			return "", err
		}
		if theirs.OutboxUnpublished > 0 || own.Applied[source] < theirs.OutboxEnd {
			return fmt.Sprintf("%s recorded %d events, applied are %d", source, theirs.OutboxEnd, own.Applied[source]), nil
		}
	}
	return "", nil
}

func (d *demo) state(ctx context.Context, service string) (*upkeepv1.ServiceState, error) {
	got, err := d.upkeep[service].GetState(ctx, &upkeepv1.GetStateRequest{})
	if err != nil {
		return nil, err
	}
	for _, s := range got.Services {
		if s.Service == service {
			return s, nil
		}
	}
	return nil, fmt.Errorf("%s does not run here", service)
}

// dataVersion is what the statistics must have applied to count everything.
func (d *demo) dataVersion(ctx context.Context) (map[string]int64, error) {
	signed, err := d.as(ctx, d.operator)
	if err != nil {
		return nil, err
	}
	version := map[string]int64{}
	for _, source := range []string{"access", "intake"} {
		s, err := d.state(signed, source)
		if err != nil {
			return nil, err
		}
		version[source] = s.OutboxEnd
	}
	return version, nil
}
