package main

import (
	"context"
	"fmt"

	"google.golang.org/grpc"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// EpochCommand begins a new epoch.
type EpochCommand struct {
	Service    string     `arg:"" help:"Service whose store was restored from a backup."`
	Reason     string     `name:"reason" required:"" help:"Why; kept in the audit."`
	Connection Connection `embed:""`
}

// Run begins it and says what comes next.
func (c *EpochCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		got, err := upkeepv1.NewUpkeepServiceClient(cc).BeginEpoch(ctx,
			&upkeepv1.BeginEpochRequest{Service: c.Service, Reason: c.Reason})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(io.Out, "%s is in epoch %d; now replay each service that follows it: wright replay reliability\n", c.Service, got.Epoch)
		return err
	})
}
