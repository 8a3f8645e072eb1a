package access

import (
	"context"
	"slices"
	"strings"
	"time"

	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// Principal is the caller of an RPC, as its verified token says.
type Principal struct {
	// ID of the person, integrator or, for internal calls, "service:<name>".
	ID string
	// Roles of the caller; in a handler, those that the method allows.
	Roles []accessv1.Role
	// ShopID of a shop role, else empty.
	ShopID string
	// CustomerID of an integrator, else empty.
	CustomerID string
	// TokenID names the token ("jti"), for its revocation.
	TokenID   string
	IssuedAt  time.Time
	ExpiresAt time.Time
}

type principalKey struct{}

// From gives the caller of the RPC; the zero Principal (no roles) when none.
func From(ctx context.Context) Principal {
	p, _ := ctx.Value(principalKey{}).(Principal)
	return p
}

// With puts a caller into ctx; the interceptors do it, and tests of handlers.
func With(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, principalKey{}, p)
}

// SignedIn reports whether there is a caller at all.
func (p Principal) SignedIn() bool { return p.ID != "" }

// Has reports whether the caller holds any of the roles.
func (p Principal) Has(roles ...accessv1.Role) bool {
	return slices.ContainsFunc(p.Roles, func(r accessv1.Role) bool { return slices.Contains(roles, r) })
}

// Network reports whether the caller's reach is the whole network (steward,
// engineer, operator, internal).
func (p Principal) Network() bool { return slices.ContainsFunc(p.Roles, networkRole) }

// InShop reports whether the caller's reach includes the shop: its own shop,
// or any for network roles.
func (p Principal) InShop(shopID string) bool {
	return p.Network() || shopID != "" && p.ShopID == shopID && slices.ContainsFunc(p.Roles, shopRole)
}

// ForCustomer reports whether the caller's reach includes the customer: its
// own for an integrator, any for network roles. Shop roles reach customers
// through the orders of their shop, which this package does not know.
func (p Principal) ForCustomer(customerID string) bool {
	return p.Network() || customerID != "" && p.CustomerID == customerID && p.Has(accessv1.Role_ROLE_INTEGRATOR)
}

// Tenant is the shop of a shop role, else "network": the tenant part of the
// command key.
func (p Principal) Tenant() string {
	if p.ShopID != "" {
		return p.ShopID
	}
	return events.Network
}

// acting is p with the roles that count for a call.
func (p Principal) acting(allowed []accessv1.Role) Principal {
	kept := make([]accessv1.Role, 0, len(p.Roles))
	for _, r := range p.Roles {
		if slices.Contains(allowed, r) {
			kept = append(kept, r)
		}
	}
	p.Roles = kept
	return p
}

func shopRole(r accessv1.Role) bool {
	switch r {
	case accessv1.Role_ROLE_TECHNICIAN, accessv1.Role_ROLE_STORES, accessv1.Role_ROLE_QUALITY, accessv1.Role_ROLE_LEAD:
		return true
	}
	return false
}

func networkRole(r accessv1.Role) bool {
	switch r {
	case accessv1.Role_ROLE_STEWARD, accessv1.Role_ROLE_ENGINEER, accessv1.Role_ROLE_OPERATOR, accessv1.Role_ROLE_INTERNAL:
		return true
	}
	return false
}

const rolePrefix = "ROLE_"

// RoleName is a role as tokens and messages spell it: "lead".
func RoleName(r accessv1.Role) string {
	return strings.ToLower(strings.TrimPrefix(r.String(), rolePrefix))
}

// ParseRole is the inverse of RoleName.
func ParseRole(name string) (accessv1.Role, bool) {
	r := accessv1.Role(accessv1.Role_value[rolePrefix+strings.ToUpper(name)])
	return r, r != accessv1.Role_ROLE_UNSPECIFIED && RoleName(r) == name
}

// RoleNames lists roles for a message: "technician, lead".
func RoleNames(roles []accessv1.Role) string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = RoleName(r)
	}
	return strings.Join(names, ", ")
}
