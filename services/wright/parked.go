package main

import (
	"context"
	"fmt"
	"text/tabwriter"

	"google.golang.org/grpc"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// ParkedCommand looks after events that could not be applied.
type ParkedCommand struct {
	List  ParkedListCommand  `cmd:"" help:"List them, oldest first."`
	Retry ParkedRetryCommand `cmd:"" help:"Apply one again, for example after an upgrade."`
	Skip  ParkedSkipCommand  `cmd:"" help:"Give one up, on record."`
}

// ParkedListCommand lists.
type ParkedListCommand struct {
	Service    string     `arg:"" help:"Service that could not apply them."`
	Connection Connection `embed:""`
}

// Run lists all pages.
func (c *ParkedListCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		api := upkeepv1.NewUpkeepServiceClient(cc)
		w := tabwriter.NewWriter(io.Out, 0, 4, 2, ' ', 0)
		_, _ = fmt.Fprintln(w, "EVENT\tPARKED\tSOURCE\tENTITY\tREV\tTYPE\tTRIES\tREASON")
		ask := &upkeepv1.ListParkedEventsRequest{Service: c.Service, PageSize: 200}
		for {
			page, err := api.ListParkedEvents(ctx, ask)
			if err != nil {
				return err
			}
			for _, p := range page.Events {
				e := p.Event
				_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s/%s\t%d\t%s\t%d\t%s\n", e.EventId, p.ParkedAt.AsTime().Format(timeLayout),
					e.Source, e.EntityType, e.EntityId, e.Revision, e.Type, p.Attempts, p.Reason)
			}
			if ask.PageToken = page.NextPageToken; ask.PageToken == "" {
				return w.Flush()
			}
		}
	})
}

// timeLayout is how commands print times: UTC, to the second.
const timeLayout = "2006-01-02T15:04:05Z"

// ParkedRetryCommand retries.
type ParkedRetryCommand struct {
	Service    string     `arg:"" help:"Service that could not apply it."`
	Event      string     `arg:"" help:"Id of the event, from the list."`
	Connection Connection `embed:""`
}

// Run retries one event; one that stays parked is a failure.
func (c *ParkedRetryCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		got, err := upkeepv1.NewUpkeepServiceClient(cc).RetryParkedEvent(ctx,
			&upkeepv1.RetryParkedEventRequest{Service: c.Service, EventId: c.Event})
		if err != nil {
			return err
		}
		if !got.Applied {
			return fmt.Errorf("still parked: %s", got.Reason)
		}
		_, err = fmt.Fprintln(io.Out, "applied")
		return err
	})
}

// ParkedSkipCommand skips.
type ParkedSkipCommand struct {
	Service    string     `arg:"" help:"Service that could not apply it."`
	Event      string     `arg:"" help:"Id of the event, from the list."`
	Reason     string     `name:"reason" required:"" help:"Why it is given up; kept in the audit."`
	Connection Connection `embed:""`
}

// Run gives one event up.
func (c *ParkedSkipCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		_, err := upkeepv1.NewUpkeepServiceClient(cc).SkipParkedEvent(ctx,
			&upkeepv1.SkipParkedEventRequest{Service: c.Service, EventId: c.Event, Reason: c.Reason})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(io.Out, "skipped")
		return err
	})
}
