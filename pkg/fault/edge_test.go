package fault

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

type fixedID string

func (f fixedID) New() string { return string(f) }

type fakeStream struct{ grpc.ServerStream }

func (fakeStream) Context() context.Context { return context.Background() }

// call runs a handler behind both interceptors and gives the two errors.
func call(t *testing.T, handler func() error) (log string, unary, stream error) {
	t.Helper()
	var out bytes.Buffer
	x := Edge{Log: slog.New(slog.NewTextHandler(&out, nil)), IDs: fixedID("ref-7")}
	_, unary = x.Unary()(context.Background(), nil, &grpc.UnaryServerInfo{FullMethod: "/a.B/C"},
		func(context.Context, any) (any, error) { return "answer", handler() })
	stream = x.Stream()(nil, fakeStream{}, &grpc.StreamServerInfo{FullMethod: "/a.B/D"},
		func(any, grpc.ServerStream) error { return handler() })
	return out.String(), unary, stream
}

func TestEdge(t *testing.T) {
	for _, c := range []struct {
		name    string
		handler func() error
		code    codes.Code
		reason  faultv1.Reason
		logged  []string
	}{
		{"a refusal passes", func() error { return NotFound("shop", "x") }, codes.NotFound, faultv1.Reason_REASON_NOT_FOUND, nil},
		{"an unforeseen error is hidden and logged", func() error { return errors.New("boom") },
			codes.Internal, faultv1.Reason_REASON_INTERNAL, []string{"boom", "ref-7", "/a.B/C", "/a.B/D"}},
		{"a panic is hidden and logged with its stack", func() error { panic("kaboom") },
			codes.Internal, faultv1.Reason_REASON_INTERNAL, []string{"kaboom", "edge_test.go", "ref-7"}},
		{"a private cause is logged", func() error { return Unavailable("try again").WithCause(errors.New("dial")) },
			codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE, []string{"dial"}},
		{"a fault with code OK is no success", func() error { return &Error{Message: "odd"} },
			codes.Internal, faultv1.Reason_REASON_INTERNAL, []string{"odd"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			log, unary, stream := call(t, c.handler)
			for _, err := range []error{unary, stream} {
				e := FromStatus(err)
				if e == nil || e.Code != c.code || e.Reason != c.reason {
					t.Fatalf("got %v, want %v %v", err, c.code, c.reason)
				}
				if _, ok := status.FromError(err); !ok {
					t.Errorf("%T is not a status", err)
				}
				if c.code == codes.Internal && (e.Reference != "ref-7" || !strings.Contains(e.Message, "ref-7")) {
					t.Errorf("no reference in %+v", e)
				}
				if strings.Contains(err.Error(), "boom") || strings.Contains(err.Error(), "dial") {
					t.Errorf("the caller is told %v", err)
				}
			}
			for _, want := range c.logged {
				if !strings.Contains(log, want) {
					t.Errorf("log lacks %q:\n%s", want, log)
				}
			}
			if len(c.logged) == 0 && log != "" {
				t.Errorf("nothing is to be logged, got %s", log)
			}
		})
	}
	if _, unary, stream := call(t, func() error { return nil }); unary != nil || stream != nil {
		t.Errorf("a success became %v, %v", unary, stream)
	}
}
