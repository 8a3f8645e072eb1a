package fault

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"net"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Of gives the fault that err is or stands for: itself, an ended context, a
// store or service that does not answer, a refusal of another service, or else
// an INTERNAL whose text says nothing and whose cause is err. nil stays nil.
func Of(err error) *Error {
	if err == nil {
		return nil
	}
	var own *Error
	if errors.As(err, &own) {
		return own
	}
	if e := ended(err); e != nil {
		return e
	}
	if away(err) {
		return Unavailable("the store of this service does not answer; try again").WithCause(err)
	}
	if s, ok := status.FromError(err); ok {
		return ofStatus(err, s)
	}
	return internal(err)
}

// Unavailable says that something which should answer does not.
func Unavailable(message string) *Error {
	return Newf(codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, "%s", message)
}

func internal(cause error) *Error {
	return Newf(codes.Internal, faultv1.Reason_REASON_INTERNAL, "something broke here that you cannot mend").WithCause(cause)
}

func ended(err error) *Error {
	switch {
	case errors.Is(err, context.Canceled):
		return Newf(codes.Canceled, faultv1.Reason_REASON_UNSPECIFIED, "the caller ended the call").WithCause(err)
	case errors.Is(err, context.DeadlineExceeded):
		return Newf(codes.DeadlineExceeded, faultv1.Reason_REASON_UNAVAILABLE,
			"the call took longer than its deadline allowed; repeat it with the same request_id").WithCause(err)
	}
	return nil
}

// contextStatus turns a bare context error into the status gRPC would give.
func contextStatus(err error) error {
	if _, ok := status.FromError(err); ok {
		return err
	}
	if e := ended(err); e != nil {
		return e.Status().Err()
	}
	return err
}

// ofStatus passes on what another service refused in our own words, and what
// only says that it does not answer. Any other status was made by a library
// and its text is not for callers.
func ofStatus(err error, s *status.Status) *Error {
	e := FromStatus(err)
	for _, d := range s.Details() {
		if info, ok := d.(interface{ GetDomain() string }); ok && info.GetDomain() == Domain {
			return e
		}
	}
	switch s.Code() {
	case codes.Unimplemented:
		return e
	case codes.Canceled:
		return ended(context.Canceled).WithCause(err)
	case codes.DeadlineExceeded:
		return ended(context.DeadlineExceeded).WithCause(err)
	case codes.Unavailable:
		return Unavailable("another service does not answer; try again").WithCause(err)
	case codes.ResourceExhausted:
		return Newf(s.Code(), faultv1.Reason_REASON_TOO_MUCH, "more than one message may carry; ask for less at once").WithCause(err)
	}
	return internal(err)
}

// away reports whether err says that a database cannot be reached or is going
// down: classes 08 (connection exception) and 57P (operator intervention) and
// 53300 (too many connections) of PostgreSQL's appendix A, a broken
// connection of database/sql, or a network error.
func away(err error) bool {
	var state interface{ SQLState() string }
	if errors.As(err, &state) {
		s := state.SQLState()
		return strings.HasPrefix(s, "08") || strings.HasPrefix(s, "57P") || s == "53300"
	}
	var network *net.OpError
	return errors.As(err, &network) || errors.Is(err, driver.ErrBadConn) || errors.Is(err, sql.ErrConnDone)
}
