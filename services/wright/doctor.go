package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
	"spindlewright/pkg/telemetry"
	"spindlewright/services/run"
)

// DoctorCommand looks over a data folder and the site that runs on it.
type DoctorCommand struct {
	Settings   run.Settings `embed:""`
	Connection Connection   `embed:""`
}

// Run prints one line a finding; one that is not ok makes the exit code 1.
func (c *DoctorCommand) Run(ctx context.Context, io IO) error {
	findings := append(run.Examine(ctx, c.Settings), c.site(ctx)...)
	bad := 0
	for _, f := range findings {
		mark := "ok    "
		if !f.OK {
			mark = "not ok"
			bad++
		}
		if _, err := fmt.Fprintf(io.Out, "%s  %-40s %s\n", mark, f.Name, f.Detail); err != nil {
			return err
		}
	}
	verdict := fmt.Sprintf("%d checks, %d not ok", len(findings), bad)
	if bad > 0 {
		return errors.New(verdict)
	}
	_, err := fmt.Fprintln(io.Out, verdict)
	return err
}

// site asks the running site, with the first operator's token when no other
// is given.
func (c *DoctorCommand) site(ctx context.Context) []run.Finding {
	connection := c.Connection
	if own := run.OperatorTokenPath(c.Settings.Data); connection.Token == "" && connection.TokenFile == "" {
		if _, err := os.Stat(own); err == nil {
			connection.TokenFile = own
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	var state *upkeepv1.GetStateResponse
	err := connection.with(func(cc *grpc.ClientConn) error {
		var err error
		state, err = upkeepv1.NewUpkeepServiceClient(cc).GetState(ctx, &upkeepv1.GetStateRequest{})
		return err
	})
	switch status.Code(err) {
	case codes.OK:
		return siteFindings(state)
	case codes.Unavailable:
		detail := "none answers at " + connection.To + "; only the folder was examined"
		if connection.To != usualAddress { // somebody named it, so something should be there
			return []run.Finding{{Name: "running site", Detail: detail + "; start the site, or give its gRPC address with --to"}}
		}
		return []run.Finding{{OK: true, Name: "running site", Detail: detail}}
	case codes.Unauthenticated, codes.PermissionDenied:
		return []run.Finding{{Name: "running site", Detail: status.Convert(err).Message() + "; give an operator's token with --token-file"}}
	default:
		return []run.Finding{{Name: "running site", Detail: err.Error()}}
	}
}

func siteFindings(state *upkeepv1.GetStateResponse) []run.Finding {
	own := telemetry.ReadBuild().Version
	version := run.Finding{OK: state.SoftwareVersion == own, Name: "software", Detail: "site and this program are " + own}
	if !version.OK {
		version.Detail = fmt.Sprintf("the site runs %s, this program is %s; use the program that the site runs", state.SoftwareVersion, own)
	}
	list := []run.Finding{version}
	for _, s := range state.Services {
		list = append(list, run.Finding{OK: s.Parked == 0, Name: s.Service + " parked events", Detail: parkedDetail(s)},
			run.Finding{OK: true, Name: s.Service + " events", Detail: fmt.Sprintf("recorded %d, unpublished %d, epoch %d, held %d, applied %s",
				s.OutboxEnd, s.OutboxUnpublished, s.Epoch, s.Held, positions(s.Applied))})
		for _, c := range s.Checks {
			list = append(list, run.Finding{OK: c.Ok, Name: s.Service + ": " + c.Name, Detail: c.Detail})
		}
	}
	return list
}

func parkedDetail(s *upkeepv1.ServiceState) string {
	if s.Parked == 0 {
		return "none"
	}
	return fmt.Sprintf("%d; see: wright parked list %s", s.Parked, s.Service)
}
