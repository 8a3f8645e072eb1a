package command

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// maxID is the longest request id in bytes; a UUID has 36.
const maxID = 128

// Runner runs commands against one store. Its zero value with Store and Clock
// set is ready.
type Runner struct {
	Store *db.DB
	Clock clock.Clock

	mu      sync.Mutex
	flights map[key]*flight
}

// Call identifies a command: its key is (Tenant, Principal, Method, RequestID).
type Call struct {
	Tenant, Principal, Method, RequestID string
	// Body is the whole request; its hash must be the same on a repeat.
	Body proto.Message
}

// key of a call.
type key struct{ tenant, principal, method, requestID string }

// hash of a call's body.
type hash [sha256.Size]byte

// kept is an answer as it is stored.
type kept struct {
	kind string // full name of the message
	data []byte
}

// Run executes job in one transaction together with the kept answer, or gives
// the answer kept for the same call. job may run more than once.
func Run[A proto.Message](ctx context.Context, r *Runner, c Call, job func(tx *db.Tx) (A, error)) (A, error) {
	k, err := r.once(ctx, c, func(tx *db.Tx) (kept, error) {
		answer, err := job(tx)
		if err != nil {
			return kept{}, err
		}
		return pack(answer)
	})
	if err != nil {
		var none A
		return none, err
	}
	return unpack[A](k)
}

// once runs or repeats a call.
func (r *Runner) once(ctx context.Context, c Call, job func(*db.Tx) (kept, error)) (kept, error) {
	if err := c.check(); err != nil {
		return kept{}, err
	}
	h, err := c.hash()
	if err != nil {
		return kept{}, err
	}
	return r.fly(ctx, c.key(), h, func() (kept, error) {
		return r.write(ctx, c.key(), h, job)
	})
}

// write is the transaction of a command.
func (r *Runner) write(ctx context.Context, k key, h hash, job func(*db.Tx) (kept, error)) (answer kept, err error) {
	err = r.Store.Write(ctx, func(tx *db.Tx) error {
		fresh, err := claim(tx, k, h, r.Clock.Now())
		if err != nil {
			return err
		}
		if !fresh {
			answer, err = find(tx, k, h)
			return err
		}
		if err := failpoint.Hit("command.before-job"); err != nil {
			return err
		}
		if answer, err = job(tx); err != nil {
			return err
		}
		if err := failpoint.Hit("command.after-job"); err != nil {
			return err
		}
		return keep(tx, k, answer)
	})
	return answer, err
}

// key tells commands apart. A UUID is the same in capitals (RFC 9562).
func (c Call) key() key {
	return key{c.Tenant, c.Principal, c.Method, strings.ToLower(c.RequestID)}
}

func (c Call) check() error {
	switch {
	case c.RequestID == "":
		return fault.InvalidField("request_id", "is empty; give a new UUID for each new change, and the same one when repeating it")
	case len(c.RequestID) > maxID:
		return fault.InvalidField("request_id", "has %d bytes; give at most %d, a UUID for example", len(c.RequestID), maxID)
	case c.Tenant == "" || c.Principal == "" || c.Method == "" || c.Body == nil:
		return errors.New("a command needs tenant, principal, method and body")
	}
	return nil
}

func (c Call) hash() (hash, error) {
	// One program writes the same message the same way each time. Another
	// version might not: a repeat across an upgrade could then be refused as
	// another body, which loses nothing and doubles nothing.
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(c.Body)
	if err != nil {
		return hash{}, fmt.Errorf("hash the request: %w", err)
	}
	return sha256.Sum256(body), nil
}

func pack(answer proto.Message) (kept, error) {
	if !answer.ProtoReflect().IsValid() {
		return kept{}, errors.New("the command gave no answer")
	}
	data, err := proto.Marshal(answer)
	if err != nil {
		return kept{}, fmt.Errorf("keep the answer: %w", err)
	}
	return kept{kind: string(proto.MessageName(answer)), data: data}, nil
}

func unpack[A proto.Message](k kept) (A, error) {
	var none A
	answer := none.ProtoReflect().New().Interface().(A)
	if kind := string(proto.MessageName(answer)); kind != k.kind {
		return none, fmt.Errorf("the kept answer is a %s, not a %s", k.kind, kind)
	}
	if err := proto.Unmarshal(k.data, answer); err != nil {
		return none, fmt.Errorf("read the kept answer: %w", err)
	}
	return answer, nil
}

func errReused(k key) error {
	return fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_REQUEST_ID_REUSED,
		"request_id %q was used before with another request; give a new one", k.requestID)
}
