package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// QuerySpindleCommand shows the evidence behind the figures for one spindle.
type QuerySpindleCommand struct {
	Spindle    string     `arg:"" help:"Id of the spindle, or MAKER/MODEL/SERIAL as on its name plate."`
	JSON       bool       `name:"json" help:"Print the answer as JSON."`
	Connection Connection `embed:""`
}

// Run asks and prints.
func (c *QuerySpindleCommand) Run(ctx context.Context, out IO) error {
	return c.Connection.asking(func(cc *grpc.ClientConn) error {
		id, err := c.find(ctx, cc)
		if err != nil {
			return err
		}
		got, err := reliabilityv1.NewReliabilityServiceClient(cc).GetSpindleHistory(ctx, &reliabilityv1.GetSpindleHistoryRequest{SpindleId: id})
		switch {
		case err != nil:
			return err
		case c.JSON:
			return printJSON(out.Out, got)
		}
		return printSpindle(out.Out, got)
	})
}

// find turns a name plate into an id.
func (c *QuerySpindleCommand) find(ctx context.Context, cc *grpc.ClientConn) (string, error) {
	plate := strings.Split(c.Spindle, "/")
	switch len(plate) {
	case 1:
		if uuid.Validate(c.Spindle) == nil {
			return c.Spindle, nil
		}
	case 3:
		s, err := intakev1.NewIntakeServiceClient(cc).FindSpindle(ctx, &intakev1.FindSpindleRequest{
			Maker: plate[0], Designation: plate[1], Serial: plate[2]})
		return s.GetSpindleId(), err
	}
	return "", usagef("the spindle is %q, must be an id or MAKER/MODEL/SERIAL as on the name plate, for example %s", c.Spindle, `"Corvane/CV 8/77-10"`)
}

func printSpindle(w io.Writer, h *reliabilityv1.SpindleHistory) error {
	if _, err := fmt.Fprintf(w, "%s, serial %s\n\nwhat was recorded\n", h.Model, h.Serial); err != nil {
		return err
	}
	facts := &table{columns: []column{
		{head: "happened", words: true}, {head: "recorded", words: true}, {head: "what", words: true}, {head: "meter", unit: "h"},
		{head: "failure mode", words: true}, {head: "shop", words: true},
	}}
	for _, f := range h.Facts {
		what := f.What
		if f.Replaced {
			what += facts.notes.mark("replaced by a later record")
		}
		facts.add(day(f.OccurredAt), day(f.RecordedAt), what, optionalHours(f.RunningHours), f.Mode, f.Shop)
	}
	intervals := &table{columns: []column{
		{head: "from", words: true}, {head: "to", words: true}, {head: "exposure", unit: "h"}, {head: "ended by", words: true},
		{head: "failure mode", words: true}, {head: "customer", words: true}, {head: "why", words: true},
	}}
	for _, i := range h.Intervals {
		intervals.add(day(i.From), day(i.To), optionalHours(i.ExposureHours), i.EndedBy, i.Mode, i.Customer, i.Reason)
	}
	if err := facts.print(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintln(w, "\nwhat it means"); err != nil {
		return err
	}
	if err := intervals.print(w); err != nil {
		return err
	}
	if h.Incomplete {
		if _, err := fmt.Fprintln(w, "this history holds events that this version could not fold"); err != nil {
			return err
		}
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	return printBasis(w, h.Basis)
}

func day(t *timestamppb.Timestamp) string {
	if t == nil {
		return "-"
	}
	return t.AsTime().Format(time.DateOnly)
}

func optionalHours(v *float64) string {
	if v == nil {
		return "-"
	}
	return whole(*v)
}
