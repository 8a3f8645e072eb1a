package intake

import (
	"context"
	"strconv"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/command"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// request is any mutating request.
type request interface {
	proto.Message
	GetRequestId() string
}

// change runs a mutating call once: job in one transaction, or the answer kept
// from the first time.
func change[A proto.Message](ctx context.Context, s *Service, method string, req request, job func(tx *db.Tx) (A, error)) (A, error) {
	if err := checkTexts(req); err != nil {
		var none A
		return none, err
	}
	return once(ctx, s, method, req, job)
}

// once is change for a request whose texts are checked elsewhere.
func once[A proto.Message](ctx context.Context, s *Service, method string, req request, job func(tx *db.Tx) (A, error)) (A, error) {
	who := access.From(ctx)
	call := command.Call{Tenant: who.Tenant(), Principal: who.ID, Method: method, RequestID: req.GetRequestId(), Body: req}
	return command.Run(ctx, s.commands, call, job)
}

// later is the recording time of a change: now, or just after the last one of
// the entity when the clock has not moved on.
func (s *Service) later(last int64) int64 { return max(clock.Micros(s.clock.Now()), last+1) }

// etag of a revision.
func etag(revision int64) string { return strconv.FormatInt(revision, 10) }

func checkEtag(what, have string, revision int64) error {
	if have == etag(revision) {
		return nil
	}
	e := fault.Newf(codes.Aborted, faultv1.Reason_REASON_ETAG_MISMATCH,
		"the %s changed since it was read: etag is %q, now %q; read it again and decide anew", what, have, etag(revision))
	e.Fields = []fault.Field{{Path: "etag", Problem: "is not the etag of the current version; read again"}}
	return e
}

// skew is how far a stated time may lie ahead of the service's clock: a
// shop's day may have begun already, and clocks differ.
const skew = 24 * time.Hour

// stated reads a trade time that a caller gave.
func (s *Service) stated(path string, t *timestamppb.Timestamp) (int64, error) {
	if t == nil {
		return 0, fault.InvalidField(path, "is missing; say when it happened")
	}
	if err := t.CheckValid(); err != nil {
		return 0, fault.InvalidField(path, "is no time between the years 1 and 9999")
	}
	us := clock.Micros(t.AsTime())
	if us < earliest {
		return 0, fault.InvalidField(path, "is %s, before any spindle of today was made; give a date after 1950", day(us))
	}
	if now := s.clock.Now(); us > clock.Micros(now.Add(skew)) {
		return 0, fault.InvalidField(path, "is %s, in the future; it is %s now", day(us), day(clock.Micros(now))).
			WithReason(faultv1.Reason_REASON_DATES_OUT_OF_ORDER)
	}
	return us, nil
}

// earliest is the first of January 1950 in microseconds.
var earliest = clock.Micros(time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC))

// day shows a time in a refusal.
func day(us int64) string { return clock.FromMicros(us).Format("2006-01-02 15:04 MST") }

func stamp(us int64) *timestamppb.Timestamp { return timestamppb.New(clock.FromMicros(us)) }

// optional is stamp, or nothing.
func optional(us *int64) *timestamppb.Timestamp {
	if us == nil {
		return nil
	}
	return stamp(*us)
}
