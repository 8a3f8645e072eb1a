package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	reliabilityv1 "spindlewright/pkg/gen/spindlewright/reliability/v1"
)

// QueryCommand asks for failure modes, MTBR, or one spindle's history.
type QueryCommand struct {
	Modes   QueryModesCommand   `cmd:"" help:"What fails: counts, shares and rates by failure mode."`
	MTBR    QueryMTBRCommand    `cmd:"" name:"mtbr" help:"How often: mean time between repair."`
	Spindle QuerySpindleCommand `cmd:"" help:"What one spindle did, interval by interval."`
}

// questionFlags narrow and group.
type questionFlags struct {
	Filter     string   `name:"filter" placeholder:"TEXT" help:"Which repairs, for example: customer = \"harrow-mills\" AND drive = \"belt\". Fields: customer, model, maker, shop, mode, mechanism, cause, component, drive, lubrication, reason."`
	By         []string `name:"by" placeholder:"FIELD,..." help:"Group by up to three of the same fields."`
	Confidence float64  `name:"confidence" default:"0.95" help:"Confidence of the limits, above 0 and below 1."`
	JSON       bool     `name:"json" help:"Print the answer as JSON."`
}

func (f *questionFlags) question() (*reliabilityv1.Question, error) {
	if !(f.Confidence > 0 && f.Confidence < 1) {
		return nil, usagef("--confidence is %v, must be above 0 and below 1, for example 0.95", f.Confidence)
	}
	return &reliabilityv1.Question{Filter: f.Filter, GroupBy: f.By, Confidence: f.Confidence}, nil
}

// asking runs one question on a connection. Without a token it says who may ask
// instead of letting the site refuse.
func (c *Connection) asking(question func(cc *grpc.ClientConn) error) error {
	token, err := c.token()
	switch {
	case err != nil:
		return err
	case token == "":
		return usagef("a question needs a token: give --token-file or --token.\n  " +
			"An operator makes one with wright token issue PERSON_ID, for a person with the role\n  " +
			whoMayAsk + ".\n  " +
			"Shops see their own repairs and integrators their own customer's; the others see the network")
	}
	return c.with(question)
}

// whoMayAsk are the roles that the questions allow.
const whoMayAsk = "technician, quality, lead, steward, engineer or integrator"

// QueryModesCommand asks what fails.
type QueryModesCommand struct {
	questionFlags `embed:""`
	Connection    Connection `embed:""`
}

// Run asks and prints.
func (c *QueryModesCommand) Run(ctx context.Context, out IO) error {
	q, err := c.question()
	if err != nil {
		return err
	}
	return c.Connection.asking(func(cc *grpc.ClientConn) error {
		got, err := reliabilityv1.NewReliabilityServiceClient(cc).QueryFailureModes(ctx, &reliabilityv1.QueryFailureModesRequest{Question: q})
		switch {
		case err != nil:
			return err
		case c.JSON:
			return printJSON(out.Out, got)
		}
		return printModes(out.Out, got, c.By)
	})
}

// QueryMTBRCommand asks how often.
type QueryMTBRCommand struct {
	questionFlags `embed:""`
	Connection    Connection `embed:""`
}

// Run asks and prints.
func (c *QueryMTBRCommand) Run(ctx context.Context, out IO) error {
	q, err := c.question()
	if err != nil {
		return err
	}
	return c.Connection.asking(func(cc *grpc.ClientConn) error {
		got, err := reliabilityv1.NewReliabilityServiceClient(cc).QueryMtbr(ctx, &reliabilityv1.QueryMtbrRequest{Question: q})
		switch {
		case err != nil:
			return err
		case c.JSON:
			return printJSON(out.Out, got)
		}
		return printMTBR(out.Out, got, c.By)
	})
}

// printJSON prints a message in the JSON form of protobuf, laid out the same
// every time, which protojson alone does not promise.
func printJSON(w io.Writer, m proto.Message) error {
	text, err := protojson.MarshalOptions{EmitUnpopulated: true}.Marshal(m)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := json.Indent(&out, text, "", "  "); err != nil {
		return err
	}
	out.WriteByte('\n')
	_, err = out.WriteTo(w)
	return err
}
