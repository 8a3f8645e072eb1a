package fault

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"reflect"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// sample gives each reason the code that services use with it.
var sample = map[faultv1.Reason]codes.Code{
	faultv1.Reason_REASON_UNSPECIFIED:        codes.Canceled,
	faultv1.Reason_REASON_INVALID_FIELD:      codes.InvalidArgument,
	faultv1.Reason_REASON_NOT_FOUND:          codes.NotFound,
	faultv1.Reason_REASON_ALREADY_EXISTS:     codes.AlreadyExists,
	faultv1.Reason_REASON_ETAG_MISMATCH:      codes.Aborted,
	faultv1.Reason_REASON_STAGE_MOVED:        codes.Aborted,
	faultv1.Reason_REASON_GATE_SHUT:          codes.FailedPrecondition,
	faultv1.Reason_REASON_REQUEST_ID_REUSED:  codes.InvalidArgument,
	faultv1.Reason_REASON_NOT_SIGNED_IN:      codes.Unauthenticated,
	faultv1.Reason_REASON_ROLE_NOT_ALLOWED:   codes.PermissionDenied,
	faultv1.Reason_REASON_OTHER_SHOP:         codes.PermissionDenied,
	faultv1.Reason_REASON_UNKNOWN_TERM:       codes.InvalidArgument,
	faultv1.Reason_REASON_HOURS_BACKWARDS:    codes.InvalidArgument,
	faultv1.Reason_REASON_DATES_OUT_OF_ORDER: codes.InvalidArgument,
	faultv1.Reason_REASON_EVENT_TOO_LARGE:    codes.InvalidArgument,
	faultv1.Reason_REASON_UNAVAILABLE:        codes.Unavailable,
	faultv1.Reason_REASON_INTERNAL:           codes.Internal,
	faultv1.Reason_REASON_BAD_PAGE_TOKEN:     codes.InvalidArgument,
	faultv1.Reason_REASON_BAD_FILTER:         codes.InvalidArgument,
	faultv1.Reason_REASON_NO_SUCH_MOVE:       codes.FailedPrecondition,
	faultv1.Reason_REASON_BAD_FILE:           codes.InvalidArgument,
	faultv1.Reason_REASON_ORDER_OPEN:         codes.FailedPrecondition,
	faultv1.Reason_REASON_TOO_MUCH:           codes.ResourceExhausted,
}

func TestEveryReasonTravelsBothWays(t *testing.T) {
	for number, name := range faultv1.Reason_name {
		t.Run(name, func(t *testing.T) {
			reason := faultv1.Reason(number)
			code, ok := sample[reason]
			if !ok {
				t.Fatalf("reason %s has no sample; add it with the code that services use", name)
			}
			e := &Error{Code: code, Reason: reason, Message: "stage has moved on", Reference: "ref-1",
				Fields:  []Field{{"rows[3].hours", "is 12 h, below 40 h"}, {"mode", "is unknown"}},
				Missing: []Missing{{"GATE", "guard_closed", "the guard is open"}}}

			s := e.Status()
			if s.Code() != code || s.Message() != e.Message {
				t.Errorf("status is %v %q", s.Code(), s.Message())
			}
			info := s.Details()[0].(*errdetails.ErrorInfo)
			if info.Domain != "spindlewright" || "REASON_"+info.Reason != name {
				t.Errorf("ErrorInfo is %v", info)
			}
			if got := FromStatus(s.Err()); !reflect.DeepEqual(got, e) {
				t.Errorf("over gRPC: got %+v, want %+v", got, e)
			}
			httpCode, body := e.HTTP()
			if got := FromHTTP(httpCode, body); !reflect.DeepEqual(got, e) {
				t.Errorf("over HTTP: got %+v, want %+v", got, e)
			}
		})
	}
}

func TestAnyFaultTravelsBothWays(t *testing.T) {
	text := rapid.String()
	rapid.Check(t, func(t *rapid.T) {
		e := &Error{
			Code:    codes.Code(rapid.Uint32Range(1, 16).Draw(t, "code")),
			Reason:  faultv1.Reason(rapid.Int32Range(0, 22).Draw(t, "reason")),
			Message: text.Draw(t, "message"),
		}
		for range rapid.IntRange(0, 3).Draw(t, "fields") {
			e.Fields = append(e.Fields, Field{text.Draw(t, "path"), text.Draw(t, "problem")})
		}
		for range rapid.IntRange(0, 3).Draw(t, "missing") {
			e.Missing = append(e.Missing, Missing{text.Draw(t, "kind"), text.Draw(t, "subject"), text.Draw(t, "text")})
		}
		if got := FromStatus(e.Status().Err()); !reflect.DeepEqual(got, e) {
			t.Fatalf("over gRPC: got %+v, want %+v", got, e)
		}
		if got := FromHTTP(e.HTTP()); !reflect.DeepEqual(got, e) {
			t.Fatalf("over HTTP: got %+v, want %+v", got, e)
		}
	})
}

func TestTextThatIsNotUTF8StillTravels(t *testing.T) {
	e := InvalidField("serial\xff", "is %q", "\xc3\x28").WithCause(errors.New("x"))
	got := FromStatus(e.Status().Err())
	if got.Reason != faultv1.Reason_REASON_INVALID_FIELD || len(got.Fields) != 1 || got.Fields[0].Path != "serial\uFFFD" {
		t.Errorf("got %+v", got)
	}
}

func TestCauseStaysHere(t *testing.T) {
	e := Unavailable("try again").WithCause(errors.New("password=hunter"))
	wire, err := json.Marshal(e.Status().Proto())
	if err != nil {
		t.Fatal(err)
	}
	_, body := e.HTTP()
	for _, sent := range []string{string(wire), string(body)} {
		if strings.Contains(sent, "hunter") {
			t.Errorf("the cause was sent: %s", sent)
		}
	}
}

type sqlState string

func (s sqlState) Error() string    { return "server says " + string(s) }
func (s sqlState) SQLState() string { return string(s) }

func TestOf(t *testing.T) {
	canceled, cancel := context.WithCancel(context.Background())
	cancel()
	for _, c := range []struct {
		name   string
		err    error
		code   codes.Code
		reason faultv1.Reason
	}{
		{"a fault", NotFound("shop", "x"), codes.NotFound, faultv1.Reason_REASON_NOT_FOUND},
		{"a wrapped fault", fmt.Errorf("save: %w", NotFound("shop", "x")), codes.NotFound, faultv1.Reason_REASON_NOT_FOUND},
		{"context ended", canceled.Err(), codes.Canceled, faultv1.Reason_REASON_UNSPECIFIED},
		{"deadline", fmt.Errorf("query: %w", context.DeadlineExceeded), codes.DeadlineExceeded, faultv1.Reason_REASON_UNAVAILABLE},
		{"connection refused", &net.OpError{Op: "dial", Err: errors.New("refused")}, codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"broken connection", fmt.Errorf("begin: %w", driver.ErrBadConn), codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"closed connection", sql.ErrConnDone, codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"server shutting down", sqlState("57P01"), codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"connection exception", sqlState("08006"), codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"too many connections", sqlState("53300"), codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"a broken statement", sqlState("42601"), codes.Internal, faultv1.Reason_REASON_INTERNAL},
		{"anything else", errors.New("boom"), codes.Internal, faultv1.Reason_REASON_INTERNAL},
		{"no rows", sql.ErrNoRows, codes.Internal, faultv1.Reason_REASON_INTERNAL},
		{"refused by another service", NotFound("shop", "x").Status().Err(), codes.NotFound, faultv1.Reason_REASON_NOT_FOUND},
		{"another service away", status.Error(codes.Unavailable, "dial 10.0.0.7"), codes.Unavailable, faultv1.Reason_REASON_UNAVAILABLE},
		{"another service slow", status.Error(codes.DeadlineExceeded, "x"), codes.DeadlineExceeded, faultv1.Reason_REASON_UNAVAILABLE},
		{"another service cut off", status.Error(codes.Canceled, "x"), codes.Canceled, faultv1.Reason_REASON_UNSPECIFIED},
		{"message too large", status.Error(codes.ResourceExhausted, "x"), codes.ResourceExhausted, faultv1.Reason_REASON_TOO_MUCH},
		{"no such method", status.Error(codes.Unimplemented, "method X not implemented"), codes.Unimplemented, faultv1.Reason_REASON_NOT_FOUND},
		{"a library's status", status.Error(codes.InvalidArgument, "secret"), codes.Internal, faultv1.Reason_REASON_INTERNAL},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := Of(c.err)
			if e.Code != c.code || e.Reason != c.reason {
				t.Errorf("got %v %v, want %v %v", e.Code, e.Reason, c.code, c.reason)
			}
			for _, secret := range []string{"boom", "10.0.0.7", "secret", "refused", "server says"} {
				if strings.Contains(e.Message, secret) {
					t.Errorf("the public text %q tells the cause", e.Message)
				}
			}
		})
	}
	if Of(nil) != nil || FromStatus(nil) != nil {
		t.Error("no error is no fault")
	}
}

func TestHTTPBody(t *testing.T) {
	code, body := InvalidField("mode", "is not known").HTTP()
	var got map[string]any
	if err := json.Unmarshal(body, &got); err != nil {
		t.Fatal(err)
	}
	if code != http.StatusBadRequest || got["status"] != 400.0 || got["title"] != "Bad Request" ||
		got["detail"] != "mode is not known" || got["reason"] != "INVALID_FIELD" || got["code"] != "INVALID_ARGUMENT" {
		t.Errorf("got %d %s", code, body)
	}
}

// Statuses from google/rpc/code.proto (comments "HTTP Mapping").
func TestHTTPStatus(t *testing.T) {
	for code, want := range map[codes.Code]int{
		codes.OK: 200, codes.Canceled: 499, codes.Unknown: 500, codes.InvalidArgument: 400, codes.DeadlineExceeded: 504,
		codes.NotFound: 404, codes.AlreadyExists: 409, codes.PermissionDenied: 403, codes.Unauthenticated: 401,
		codes.ResourceExhausted: 429, codes.FailedPrecondition: 400, codes.Aborted: 409, codes.OutOfRange: 400,
		codes.Unimplemented: 501, codes.Internal: 500, codes.Unavailable: 503, codes.DataLoss: 500, codes.Code(99): 500,
	} {
		if got := HTTPStatus(code); got != want {
			t.Errorf("%v is %d, want %d", code, got, want)
		}
	}
}

func TestFromHTTPWithoutDocument(t *testing.T) {
	for httpCode, want := range map[int]codes.Code{
		400: codes.InvalidArgument, 401: codes.Unauthenticated, 403: codes.PermissionDenied, 404: codes.NotFound,
		409: codes.Aborted, 418: codes.InvalidArgument, 429: codes.ResourceExhausted, 500: codes.Internal,
		502: codes.Unavailable, 503: codes.Unavailable, 504: codes.DeadlineExceeded,
	} {
		if e := FromHTTP(httpCode, []byte("<html>")); e == nil || e.Code != want {
			t.Errorf("%d: got %v, want %v", httpCode, e, want)
		}
	}
	if e := FromHTTP(204, nil); e != nil {
		t.Errorf("204 is no error, got %v", e)
	}
}
