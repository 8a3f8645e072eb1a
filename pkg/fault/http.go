package fault

import (
	"encoding/json"
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"
)

// ProblemType is the media type of the HTTP body (RFC 9457).
const ProblemType = "application/problem+json"

// problem is the body: the members of RFC 9457 and, as extensions, what a
// program needs. "code" makes the way back exact, several codes share a status.
type problem struct {
	Type      string           `json:"type"`
	Title     string           `json:"title"`
	Status    int              `json:"status"`
	Detail    string           `json:"detail,omitempty"`
	Code      string           `json:"code"`
	Reason    string           `json:"reason"`
	Reference string           `json:"reference,omitempty"`
	Fields    []problemField   `json:"fields,omitempty"`
	Missing   []problemMissing `json:"missing,omitempty"`
}

type problemField struct {
	Path    string `json:"path"`
	Problem string `json:"problem"`
}

type problemMissing struct {
	Kind    string `json:"kind"`
	Subject string `json:"subject"`
	Text    string `json:"text"`
}

// httpStatuses maps codes as google/rpc/code.proto does in its comments.
var httpStatuses = map[codes.Code]int{
	codes.OK:                 http.StatusOK,
	codes.Canceled:           499, // "client closed request": no standard status fits
	codes.Unknown:            http.StatusInternalServerError,
	codes.InvalidArgument:    http.StatusBadRequest,
	codes.DeadlineExceeded:   http.StatusGatewayTimeout,
	codes.NotFound:           http.StatusNotFound,
	codes.AlreadyExists:      http.StatusConflict,
	codes.PermissionDenied:   http.StatusForbidden,
	codes.Unauthenticated:    http.StatusUnauthorized,
	codes.ResourceExhausted:  http.StatusTooManyRequests,
	codes.FailedPrecondition: http.StatusBadRequest,
	codes.Aborted:            http.StatusConflict,
	codes.OutOfRange:         http.StatusBadRequest,
	codes.Unimplemented:      http.StatusNotImplemented,
	codes.Internal:           http.StatusInternalServerError,
	codes.Unavailable:        http.StatusServiceUnavailable,
	codes.DataLoss:           http.StatusInternalServerError,
}

// HTTPStatus is the status of a gRPC code.
func HTTPStatus(c codes.Code) int {
	if s, ok := httpStatuses[c]; ok {
		return s
	}
	return http.StatusInternalServerError
}

// HTTP is the error as an HTTP answer: status and problem document.
func (e *Error) HTTP() (status int, body []byte) {
	status = HTTPStatus(e.Code)
	p := problem{
		Type: "about:blank", Title: title(status), Status: status, Detail: e.Message,
		Code: codeName(e.Code), Reason: e.Word(), Reference: e.Reference,
	}
	for _, f := range e.Fields {
		p.Fields = append(p.Fields, problemField(f))
	}
	for _, m := range e.Missing {
		p.Missing = append(p.Missing, problemMissing(m))
	}
	body, err := json.Marshal(p)
	if err != nil { // strings and an int always marshal
		return http.StatusInternalServerError, []byte(`{}`)
	}
	return status, body
}

// FromHTTP reads an HTTP answer back; nil for a status below 400. A body that
// is no problem document of ours leaves the status and its usual meaning.
func FromHTTP(status int, body []byte) *Error {
	if status < http.StatusBadRequest {
		return nil
	}
	var p problem
	if json.Unmarshal(body, &p) != nil || p.Code == "" {
		c := codeByStatus(status)
		return &Error{Code: c, Reason: reasonByCode(c), Message: title(status)}
	}
	e := &Error{Code: codeByName(p.Code), Message: p.Detail, Reason: reasonOf(p.Reason), Reference: p.Reference}
	for _, f := range p.Fields {
		e.Fields = append(e.Fields, Field(f))
	}
	for _, m := range p.Missing {
		e.Missing = append(e.Missing, Missing(m))
	}
	return e
}

func title(status int) string {
	if t := http.StatusText(status); t != "" {
		return t
	}
	if status == 499 {
		return "Call Ended By Caller"
	}
	return "Error"
}

// codeNames are the names of google/rpc/code.proto; grpc's String has others.
var codeNames = map[codes.Code]string{
	codes.OK: "OK", codes.Canceled: "CANCELLED", codes.Unknown: "UNKNOWN", codes.InvalidArgument: "INVALID_ARGUMENT",
	codes.DeadlineExceeded: "DEADLINE_EXCEEDED", codes.NotFound: "NOT_FOUND", codes.AlreadyExists: "ALREADY_EXISTS",
	codes.PermissionDenied: "PERMISSION_DENIED", codes.ResourceExhausted: "RESOURCE_EXHAUSTED",
	codes.FailedPrecondition: "FAILED_PRECONDITION", codes.Aborted: "ABORTED", codes.OutOfRange: "OUT_OF_RANGE",
	codes.Unimplemented: "UNIMPLEMENTED", codes.Internal: "INTERNAL", codes.Unavailable: "UNAVAILABLE",
	codes.DataLoss: "DATA_LOSS", codes.Unauthenticated: "UNAUTHENTICATED",
}

func codeName(c codes.Code) string {
	if n, ok := codeNames[c]; ok {
		return n
	}
	return codeNames[codes.Unknown]
}

func codeByName(name string) codes.Code {
	for c, n := range codeNames {
		if strings.EqualFold(n, name) {
			return c
		}
	}
	return codes.Unknown
}

// codeByStatus is the code of a status that came without a document.
func codeByStatus(status int) codes.Code {
	switch status {
	case http.StatusBadRequest:
		return codes.InvalidArgument
	case http.StatusConflict:
		return codes.Aborted
	case http.StatusInternalServerError:
		return codes.Internal
	}
	for c, s := range httpStatuses {
		if s == status && c != codes.OK {
			return c
		}
	}
	if status < http.StatusInternalServerError {
		return codes.InvalidArgument
	}
	return codes.Unavailable
}
