package main

import (
	"context"
	"crypto/sha256"
	"regexp"
	"strconv"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/services/wright/history"
)

// Calls that found nobody are repeated this often, each after twice the wait of
// the one before: about half a minute in all.
const (
	sendTries = 8
	firstWait = 250 * time.Millisecond
)

// send puts a chunk through: whole, in halves when its event would be too
// large, without the rows that the server names when it refuses the call.
func (r *importRun) send(ctx context.Context, shop importShop, chunk []importRow) error {
	if len(chunk) == 0 {
		return nil
	}
	answer, err := r.call(ctx, shop, chunk)
	if err == nil {
		return r.take(chunk, answer)
	}
	f := fault.FromStatus(err)
	switch {
	case f == nil:
		return err
	case f.Reason == faultv1.Reason_REASON_EVENT_TOO_LARGE && len(chunk) > 1:
		half := len(chunk) / 2
		if err := r.send(ctx, shop, chunk[:half]); err != nil {
			return err
		}
		return r.send(ctx, shop, chunk[half:])
	case f.Reason == faultv1.Reason_REASON_EVENT_TOO_LARGE:
		return r.refuse(chunk[0].refusal("", "is too large for one event; shorten its texts"))
	case f.Reason == faultv1.Reason_REASON_OTHER_SHOP:
		return r.refuseAll(chunk, "shop", "is not the shop of the token in use; a steward may import for any shop")
	case f.Code == codes.InvalidArgument:
		return r.sendWithout(ctx, shop, chunk, f, err)
	}
	return err
}

// call sends one chunk, again while nobody answers.
func (r *importRun) call(ctx context.Context, shop importShop, chunk []importRow) (*intakev1.ImportHistoryResponse, error) {
	req := &intakev1.ImportHistoryRequest{ShopId: shop.id, Rows: make([]*intakev1.HistoryRow, len(chunk))}
	for i, row := range chunk {
		req.Rows[i] = row.sent
	}
	id, err := requestID(r.run, req)
	if err != nil {
		return nil, err
	}
	req.RequestId = id
	wait := firstWait
	for try := 1; ; try++ {
		answer, err := r.client.ImportHistory(ctx, req)
		if err == nil || try == sendTries || !passing(err) {
			return answer, err
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		wait *= 2
	}
}

// passing tells errors that may be gone at the next try.
func passing(err error) bool {
	f := fault.FromStatus(err)
	if f == nil {
		return false
	}
	switch f.Code {
	case codes.Unavailable, codes.ResourceExhausted, codes.Aborted:
		return true
	}
	return false
}

// requestID names a call by the run and by what it carries, so that repeating
// it is safe whatever became of the first.
func requestID(run uuid.UUID, req *intakev1.ImportHistoryRequest) (string, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return "", err
	}
	// Version 8 of RFC 9562: an id made of a hash of our choice.
	return uuid.NewHash(sha256.New(), run, body, 8).String(), nil
}

// take counts an answer and passes its refusals on.
func (r *importRun) take(chunk []importRow, answer *intakev1.ImportHistoryResponse) error {
	byLine := make(map[int64]importRow, len(answer.Refused))
	for _, row := range chunk {
		byLine[row.read.Line] = row
	}
	for _, refused := range answer.Refused {
		row, ok := byLine[refused.Line]
		if !ok {
			row = importRow{read: &history.Row{Line: refused.Line}}
		}
		if err := r.refuse(row.refusal(refused.Column, refused.Reason)); err != nil {
			return err
		}
	}
	r.answered(answer.Accepted, answer.Known, len(chunk))
	return nil
}

// rowField is how a refusal of a whole call names one of its rows.
var rowField = regexp.MustCompile(`^rows\[(\d+)\]\.?(.*)$`)

// sendWithout refuses the rows that f names and sends the others; when it names
// none, the call itself is wrong and cause ends the import.
func (r *importRun) sendWithout(ctx context.Context, shop importShop, chunk []importRow, f *fault.Error, cause error) error {
	bad := map[int]*history.Faults{}
	for _, field := range f.Fields {
		m := rowField.FindStringSubmatch(field.Path)
		if m == nil {
			continue
		}
		i, err := strconv.Atoi(m[1])
		if err != nil || i >= len(chunk) {
			continue
		}
		if bad[i] == nil {
			bad[i] = &history.Faults{}
		}
		bad[i].Add(m[2], field.Problem)
	}
	if len(bad) == 0 {
		return cause
	}
	var rest []importRow
	for i, row := range chunk {
		if bad[i] == nil {
			rest = append(rest, row)
		} else if err := r.refuse(bad[i].RowError(row.read.Line, row.read.Raw)); err != nil {
			return err
		}
	}
	return r.send(ctx, shop, rest)
}

func (r *importRun) refuseAll(chunk []importRow, column, reason string) error {
	for _, row := range chunk {
		if err := r.refuse(row.refusal(column, reason)); err != nil {
			return err
		}
	}
	return nil
}

func (row importRow) refusal(column, reason string) *history.RowError {
	return &history.RowError{Line: row.read.Line, Column: column, Reason: reason, Raw: row.read.Raw}
}
