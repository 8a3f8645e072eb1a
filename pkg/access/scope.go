package access

import (
	"slices"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// ScopeProblem is one thing wrong with roles and what they reach. Field is
// "roles", "shop_id" or "customer_id".
type ScopeProblem struct{ Field, Problem string }

// CheckScope says what is wrong with a person's roles, shop and customer taken
// together: a shop role needs a shop, an integrator needs a customer and holds
// no other role (its reach would be two things at once), network roles need
// neither, and the internal role is nobody's.
func CheckScope(roles []accessv1.Role, shopID, customerID string) []ScopeProblem {
	var out []ScopeProblem
	add := func(field, problem string) { out = append(out, ScopeProblem{field, problem}) }
	integrator := slices.Contains(roles, accessv1.Role_ROLE_INTEGRATOR)
	switch {
	case len(roles) == 0:
		add("roles", "is empty; give at least one role")
	case slices.Contains(roles, accessv1.Role_ROLE_INTERNAL):
		add("roles", "holds internal, which no person can be given")
	case slices.ContainsFunc(roles, func(r accessv1.Role) bool {
		return !shopRole(r) && !networkRole(r) && r != accessv1.Role_ROLE_INTEGRATOR
	}):
		add("roles", "holds a role that does not exist; the roles are technician, stores, quality, lead, steward, engineer, integrator and operator")
	case integrator && len(roles) > 1:
		add("roles", "joins integrator with other roles; an integrator holds that role alone, make a second person for the others")
	}
	switch inShop := slices.ContainsFunc(roles, shopRole); {
	case inShop && shopID == "":
		add("shop_id", "is empty; technician, stores, quality and lead belong to one shop, name it")
	case !inShop && shopID != "":
		add("shop_id", "is set, but only technician, stores, quality and lead belong to a shop; leave it empty")
	}
	switch {
	case integrator && customerID == "":
		add("customer_id", "is empty; an integrator connects one customer, name it")
	case !integrator && customerID != "":
		add("customer_id", "is set, but only an integrator belongs to a customer; leave it empty")
	}
	return out
}
