// Package command runs a mutating call once. (Signatures first; bodies follow.)
package command

import (
	"context"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

// Migrations creates the table of kept answers.
var Migrations db.Migrations

// Runner runs commands against one store.
type Runner struct {
	Store *db.DB
	Clock clock.Clock
}

// Call identifies a command: its key is (Tenant, Principal, Method, RequestID).
type Call struct {
	Tenant, Principal, Method, RequestID string
	// Body is the whole request; its hash must be the same on a repeat.
	Body proto.Message
}

// Run executes job in one transaction together with the kept answer, or gives
// the answer kept for the same call. job may run more than once.
func Run[A proto.Message](ctx context.Context, r *Runner, c Call, job func(tx *db.Tx) (A, error)) (A, error) {
	panic("stub")
}
