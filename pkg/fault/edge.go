package fault

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"spindlewright/pkg/clock"
)

// Edge is where errors leave a process: it logs what callers must not see,
// gives it a reference, and turns a panic of a handler into an INTERNAL.
type Edge struct {
	Log *slog.Logger
	// IDs gives the references.
	IDs clock.IDs
}

// Refuse is the fault to send for err, logged when it hides something.
func (x Edge) Refuse(ctx context.Context, method string, err error) *Error {
	e := Of(err)
	if e == nil {
		return nil
	}
	switch {
	case e.Code == codes.Internal || e.Code == codes.Unknown || e.Code == codes.DataLoss:
		return x.internal(ctx, method, e)
	case e.Code == codes.OK: // an error is never a success
		return x.internal(ctx, method, internal(err))
	case e.Cause != nil && e.Code != codes.Canceled:
		x.Log.WarnContext(ctx, "call refused", "method", method, "code", e.Code.String(), "reason", e.Word(), "error", e.Error())
	}
	return e
}

func (x Edge) internal(ctx context.Context, method string, e *Error) *Error {
	out := *e
	if out.Reference == "" {
		out.Reference = x.IDs.New()
		out.Message = fmt.Sprintf("%s; name the reference %s to your operator", out.Message, out.Reference)
	}
	x.Log.ErrorContext(ctx, "call failed", "method", method, "reference", out.Reference, "error", e.Error())
	return &out
}

// recovered turns a panic into the error of the call, its stack logged.
func (x Edge) recovered(ctx context.Context, method string, err *error) {
	p := recover()
	if p == nil {
		return
	}
	x.Log.ErrorContext(ctx, "handler panicked", "method", method, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
	*err = internal(fmt.Errorf("panic: %v", p))
}

// Unary converts the errors and panics of unary calls. It belongs outermost.
func (x Edge) Unary() grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		answer, err := x.unary(ctx, req, info.FullMethod, handler)
		if err != nil {
			return nil, x.Refuse(ctx, info.FullMethod, err).Status().Err()
		}
		return answer, nil
	}
}

func (x Edge) unary(ctx context.Context, req any, method string, handler grpc.UnaryHandler) (answer any, err error) {
	defer x.recovered(ctx, method, &err)
	return handler(ctx, req)
}

// Stream converts the errors and panics of streams.
func (x Edge) Stream() grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		if err := x.stream(srv, ss, info.FullMethod, handler); err != nil {
			return x.Refuse(ss.Context(), info.FullMethod, err).Status().Err()
		}
		return nil
	}
}

func (x Edge) stream(srv any, ss grpc.ServerStream, method string, handler grpc.StreamHandler) (err error) {
	defer x.recovered(ss.Context(), method, &err)
	return handler(srv, ss)
}
