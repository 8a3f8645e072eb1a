package fault

import (
	"errors"
	"fmt"

	"google.golang.org/grpc/codes"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// Error is a refusal with everything a caller needs to mend it. The cause is
// private: it is logged, never sent.
type Error struct {
	Code   codes.Code
	Reason faultv1.Reason
	// Message is the public text: what is wrong and what would be right.
	Message string
	// Fields names the fields that are wrong (BadRequest detail).
	Fields []Field
	// Missing lists shut gates and the like (PreconditionFailure detail).
	Missing []Missing
	// Reference finds the log line of an INTERNAL.
	Reference string
	// Cause is for the log only.
	Cause error
}

// Field is one field that does not make sense.
type Field struct {
	// Path in the request message: "finding.mode", "rows[3].seen.running_hours".
	Path string
	// Problem says what is wrong and what would be right.
	Problem string
}

// Missing is one thing that must be there first.
type Missing struct {
	// Kind: "GATE", "EVIDENCE", "TAG".
	Kind string
	// Subject: code of the gate or kind of evidence.
	Subject string
	Text    string
}

func (e *Error) Error() string {
	if e.Cause != nil {
		return fmt.Sprintf("%s: %v", e.Message, e.Cause)
	}
	return e.Message
}

// Unwrap gives the private cause.
func (e *Error) Unwrap() error { return e.Cause }

// InvalidField refuses one field: fault.InvalidField("running_hours", "is 12 h, below the 40 h read on 2024-03-01; give a reading of at least 40 h").
func InvalidField(path, format string, args ...any) *Error {
	return Invalid(Field{path, fmt.Sprintf(format, args...)})
}

// Invalid refuses several fields at once.
func Invalid(fields ...Field) *Error {
	msg := "the request has fields that do not make sense"
	if len(fields) > 0 {
		msg = fields[0].Path + " " + fields[0].Problem
	}
	return &Error{Code: codes.InvalidArgument, Reason: faultv1.Reason_REASON_INVALID_FIELD, Message: msg, Fields: fields}
}

// NotFound says that the thing does not exist within the caller's reach.
func NotFound(what, id string) *Error {
	return &Error{Code: codes.NotFound, Reason: faultv1.Reason_REASON_NOT_FOUND,
		Message: fmt.Sprintf("no %s %q within your reach", what, id)}
}

// Newf makes an error of any code and reason.
func Newf(code codes.Code, reason faultv1.Reason, format string, args ...any) *Error {
	return &Error{Code: code, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

// WithReason gives a copy with another reason, for invalid fields with a reason of their own.
func (e *Error) WithReason(r faultv1.Reason) *Error {
	c := *e
	c.Reason = r
	return &c
}

// WithCause gives a copy with a private cause.
func (e *Error) WithCause(err error) *Error {
	c := *e
	c.Cause = err
	return &c
}

// Is reports whether err is a fault with the given reason.
func Is(err error, reason faultv1.Reason) bool {
	var e *Error
	return errors.As(err, &e) && e.Reason == reason
}
