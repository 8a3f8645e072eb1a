package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Exit codes; doc.go and the help say the same.
const (
	exitDone        = 0
	exitFailed      = 1
	exitUsage       = 2
	exitRefused     = 3
	exitNoAnswer    = 4
	exitInterrupted = 130
)

// usageError is a command line that parsed but makes no sense.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

func exitCode(ctx context.Context, err error) int {
	var usage usageError
	var stopped interrupted
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &usage):
		return exitUsage
	case errors.As(context.Cause(ctx), &stopped):
		return exitInterrupted
	}
	s, ok := answered(err)
	if !ok {
		return exitFailed
	}
	switch s.Code() {
	case codes.Unavailable, codes.DeadlineExceeded:
		return exitNoAnswer
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return exitFailed
	default:
		return exitRefused
	}
}

// complain prints an error: what is wrong, which field, what would be right.
func complain(io IO, err error) {
	s, ok := answered(err)
	if !ok {
		_, _ = fmt.Fprintf(io.Err, "wright: %v\n", err)
		return
	}
	_, _ = fmt.Fprint(io.Err, "wright: "+wording(s))
}

// answered finds the status of a call in err, without the words that were put
// around it.
func answered(err error) (*status.Status, bool) {
	var call interface{ GRPCStatus() *status.Status }
	if errors.As(err, &call) {
		return call.GRPCStatus(), true
	}
	return nil, false
}

func wording(s *status.Status) string {
	var b strings.Builder
	b.WriteString(s.Message())
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			fmt.Fprintf(&b, " (%s)", d.Reason)
		case *errdetails.BadRequest:
			for _, v := range d.FieldViolations {
				// The message of a refused field is that field and its problem.
				if s.Message() != v.Field+" "+v.Description {
					fmt.Fprintf(&b, "\n  field %s: %s", v.Field, v.Description)
				}
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.Violations {
				fmt.Fprintf(&b, "\n  missing %s %s: %s", strings.ToLower(v.Type), v.Subject, v.Description)
			}
		}
	}
	b.WriteByte('\n')
	if s.Code() == codes.Unavailable {
		b.WriteString("  is the site running, and is --to its gRPC address?\n")
	}
	if s.Code() == codes.Unauthenticated {
		b.WriteString("  give --token or --token-file; wright token first says where the first operator's token is\n")
	}
	return b.String()
}
