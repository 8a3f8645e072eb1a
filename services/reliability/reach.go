package reliability

import (
	"slices"

	"spindlewright/pkg/access"
)

// reach is what a caller may see. The zero value sees nothing.
type reach struct {
	network bool
	// Of a shop role, or of an integrator.
	shopID, customerID string
	shop, customer     number
}

func reachOf(p access.Principal, c *catalog) reach {
	switch {
	case p.Network():
		return reach{network: true}
	case p.ShopID != "" && p.InShop(p.ShopID):
		return reach{shopID: p.ShopID, shop: c.byID[named{kindShop, p.ShopID}]}
	case p.CustomerID != "" && p.ForCustomer(p.CustomerID):
		return reach{customerID: p.CustomerID, customer: c.byID[named{kindCustomer, p.CustomerID}]}
	}
	return reach{}
}

// narrow adds the reach to a filter.
func (r reach) narrow(filter *node, c *catalog) *node {
	var own *node
	switch {
	case r.network:
		return filter
	case r.shopID != "":
		own = only("shop", r.shop, c)
	default:
		own = only("customer", r.customer, c)
	}
	if filter == nil {
		return own
	}
	return &node{op: opAnd, kids: []*node{own, filter}}
}

// only passes one number; none when the number is 0, which stands for "not known".
func only(name string, n number, c *catalog) *node {
	f := fieldNamed(name)
	marks := make([]uint8, len(*c.list(f.kind)))
	if n != 0 {
		marks[n] = 1
	}
	return &node{op: opTable, field: f, marks: marks}
}

// knows reports whether the caller may learn that the name exists: models and
// terms are everybody's; a shop knows itself and the customers it serves, a
// customer itself and the shops.
func (r reach) knows(kind string, n number, l *label) bool {
	switch {
	case r.network || n == 0:
		return true
	case kind == kindCustomer && r.shopID != "":
		return slices.Contains(l.shopIDs, r.shopID)
	case kind == kindCustomer:
		return r.customerID != "" && l.id == r.customerID
	case kind == kindShop:
		return l.id == r.shopID || r.customerID != ""
	}
	return true
}
