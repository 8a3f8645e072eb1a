// Package access knows who calls and whether they may. (Signatures first; bodies follow.)
package access

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// Principal is the caller of an RPC, as its verified token says.
type Principal struct {
	// ID of the person, integrator or, for internal calls, "service:<name>".
	ID         string
	Roles      []accessv1.Role
	ShopID     string
	CustomerID string
	TokenID    string
	IssuedAt   time.Time
	ExpiresAt  time.Time
}

// From gives the caller of the RPC; the zero Principal (no roles) when none.
func From(ctx context.Context) Principal { panic("stub") }

// With puts a caller into ctx; the interceptors do it, and tests of handlers.
func With(ctx context.Context, p Principal) context.Context { panic("stub") }

// Has reports whether the caller holds any of the roles.
func (p Principal) Has(roles ...accessv1.Role) bool { panic("stub") }

// Network reports whether the caller's reach is the whole network (steward,
// engineer, operator, internal).
func (p Principal) Network() bool { panic("stub") }

// InShop reports whether the caller's reach includes the shop: its own shop,
// or any for network roles.
func (p Principal) InShop(shopID string) bool { panic("stub") }

// Tenant is the shop of a shop role, else "network": the tenant part of the
// command key.
func (p Principal) Tenant() string { panic("stub") }

// AuditMigrations creates audit and revocation tables; every service has them.
var AuditMigrations db.Migrations

// Audit keeps denials, overrides and operators' decisions of one service.
type Audit struct{}

// NewAudit opens the audit of a service's store.
func NewAudit(store *db.DB, c clock.Clock) *Audit { panic("stub") }

// Entry is one line of the audit.
type Entry struct {
	At                                                   time.Time
	What, PrincipalID, Tenant, Method, Subject, Detail string
}

// Record writes an entry within a command's transaction.
func (a *Audit) Record(tx *db.Tx, e Entry) error { panic("stub") }

// List gives entries newest first, before a sequence number (0: from the end).
func (a *Audit) List(q db.Querier, before int64, limit int) (entries []Entry, next int64, err error) {
	panic("stub")
}

// Verifier turns a bearer token into a Principal.
type Verifier interface {
	Verify(ctx context.Context, token string) (Principal, error)
}

// Guard checks every RPC: token, revocation, and the access rule of the method.
type Guard struct{}

// Server gives the interceptors of a guard.
func (g *Guard) Unary() grpc.UnaryServerInterceptor { panic("stub") }

// Stream is the stream interceptor.
func (g *Guard) Stream() grpc.StreamServerInterceptor { panic("stub") }
