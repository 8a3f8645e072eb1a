package main

import (
	"context"
	"fmt"
	"strings"
	"text/tabwriter"

	"google.golang.org/grpc"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// AuditCommand shows a service's audit.
type AuditCommand struct {
	Service    string     `arg:"" help:"Service whose audit is shown."`
	Limit      int        `name:"limit" default:"50" help:"How many entries at most, newest first."`
	Connection Connection `embed:""`
}

// Run prints entries until the limit.
func (c *AuditCommand) Run(ctx context.Context, io IO) error {
	return c.Connection.with(func(cc *grpc.ClientConn) error {
		api := upkeepv1.NewUpkeepServiceClient(cc)
		w := tabwriter.NewWriter(io.Out, 0, 4, 2, ' ', 0)
		_, _ = fmt.Fprintln(w, "AT\tWHAT\tWHO\tTENANT\tMETHOD\tSUBJECT\tDETAIL")
		ask := &upkeepv1.ListAuditRequest{Service: c.Service}
		for left := c.Limit; left > 0; {
			ask.PageSize = int32(min(left, 200))
			page, err := api.ListAudit(ctx, ask)
			if err != nil {
				return err
			}
			for _, e := range page.Entries {
				_, _ = fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", e.At.AsTime().Format(timeLayout),
					e.What, orDash(e.PrincipalId), orDash(e.Tenant), orDash(methodName(e.Method)), orDash(e.Subject), orDash(e.Detail))
			}
			left -= len(page.Entries)
			if ask.PageToken = page.NextPageToken; ask.PageToken == "" {
				break
			}
		}
		return w.Flush()
	})
}

// methodName is the last part of "/package.Service/Method".
func methodName(method string) string { return method[strings.LastIndex(method, "/")+1:] }
