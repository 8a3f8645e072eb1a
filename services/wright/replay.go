package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"google.golang.org/grpc"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ReplayCommand rebuilds a read model.
type ReplayCommand struct {
	Service    string     `arg:"" help:"Service whose derived rows are dropped and folded again."`
	Connection Connection `embed:""`
}

// Run asks for the replay and waits for its end.
func (c *ReplayCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		_, _ = fmt.Fprintf(io.Err, "folding the archives for %s again ...\n", c.Service)
		got, err := upkeepv1.NewUpkeepServiceClient(cc).Replay(ctx, &upkeepv1.ReplayRequest{Service: c.Service})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(io.Out, "%s: %d events folded, applied up to %s\n", c.Service, got.Events, positions(got.Applied))
		return err
	})
}

// positions prints a position vector in a fixed order.
func positions(applied map[string]int64) string {
	if len(applied) == 0 {
		return "nothing"
	}
	var parts []string
	for _, source := range slices.Sorted(maps.Keys(applied)) {
		parts = append(parts, fmt.Sprintf("%s %d", source, applied[source]))
	}
	return strings.Join(parts, ", ")
}
