package fault

import (
	"errors"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Domain stands in the ErrorInfo of every refusal.
const Domain = "spindlewright"

const (
	reasonPrefix = "REASON_"
	referenceKey = "reference"
)

// Status is the error as gRPC carries it. The cause is left behind.
func (e *Error) Status() *status.Status {
	s := status.New(e.Code, text(e.Message))
	info := &errdetails.ErrorInfo{Reason: e.Word(), Domain: Domain}
	if e.Reference != "" {
		info.Metadata = map[string]string{referenceKey: e.Reference}
	}
	details := []protoadapt.MessageV1{info}
	if len(e.Fields) > 0 {
		details = append(details, badRequest(e.Fields))
	}
	if len(e.Missing) > 0 {
		details = append(details, preconditions(e.Missing))
	}
	with, err := s.WithDetails(details...)
	if err != nil { // only for code OK
		return s
	}
	return with
}

// text is s as protobuf takes it: what a caller sent may not be UTF-8, and it
// may be quoted in a message.
func text(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// GRPCStatus lets gRPC send an *Error that a handler returns directly.
func (e *Error) GRPCStatus() *status.Status { return e.Status() }

// Word is the reason as it travels: "STAGE_MOVED".
func (e *Error) Word() string { return strings.TrimPrefix(e.Reason.String(), reasonPrefix) }

func reasonOf(word string) faultv1.Reason {
	return faultv1.Reason(faultv1.Reason_value[reasonPrefix+word])
}

func badRequest(fields []Field) *errdetails.BadRequest {
	out := &errdetails.BadRequest{}
	for _, f := range fields {
		out.FieldViolations = append(out.FieldViolations,
			&errdetails.BadRequest_FieldViolation{Field: text(f.Path), Description: text(f.Problem)})
	}
	return out
}

func preconditions(missing []Missing) *errdetails.PreconditionFailure {
	out := &errdetails.PreconditionFailure{}
	for _, m := range missing {
		out.Violations = append(out.Violations,
			&errdetails.PreconditionFailure_Violation{Type: text(m.Kind), Subject: text(m.Subject), Description: text(m.Text)})
	}
	return out
}

// FromStatus reads the answer of a call back into an *Error; nil for success.
// A status that no fault wrote (an unreachable server, say) keeps its code and
// text under the reason that fits best.
func FromStatus(err error) *Error {
	if err == nil {
		return nil
	}
	var own *Error
	if errors.As(err, &own) {
		return own
	}
	s := status.Convert(contextStatus(err))
	e := &Error{Code: s.Code(), Message: s.Message(), Reason: reasonByCode(s.Code())}
	for _, d := range s.Details() {
		e.take(d)
	}
	return e
}

func (e *Error) take(detail any) {
	switch d := detail.(type) {
	case *errdetails.ErrorInfo:
		if d.Domain == Domain {
			e.Reason = reasonOf(d.Reason)
			e.Reference = d.Metadata[referenceKey]
		}
	case *errdetails.BadRequest:
		for _, v := range d.FieldViolations {
			e.Fields = append(e.Fields, Field{v.Field, v.Description})
		}
	case *errdetails.PreconditionFailure:
		for _, v := range d.Violations {
			e.Missing = append(e.Missing, Missing{v.Type, v.Subject, v.Description})
		}
	}
}

// reasonByCode is the reason of a status that carries none of ours.
func reasonByCode(c codes.Code) faultv1.Reason {
	switch c {
	case codes.InvalidArgument, codes.OutOfRange:
		return faultv1.Reason_REASON_INVALID_FIELD
	case codes.NotFound, codes.Unimplemented:
		return faultv1.Reason_REASON_NOT_FOUND
	case codes.AlreadyExists:
		return faultv1.Reason_REASON_ALREADY_EXISTS
	case codes.Unauthenticated:
		return faultv1.Reason_REASON_NOT_SIGNED_IN
	case codes.PermissionDenied:
		return faultv1.Reason_REASON_ROLE_NOT_ALLOWED
	case codes.ResourceExhausted:
		return faultv1.Reason_REASON_TOO_MUCH
	case codes.Unavailable:
		return faultv1.Reason_REASON_UNAVAILABLE
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return faultv1.Reason_REASON_INTERNAL
	}
	return faultv1.Reason_REASON_UNSPECIFIED
}
