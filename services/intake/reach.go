package intake

import (
	"context"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
)

// reachOf is what lists are narrowed to.
func reachOf(who access.Principal) reach {
	switch {
	case who.Network():
		return reach{all: true}
	case who.ShopID != "":
		return reach{shop: who.ShopID}
	}
	return reach{customer: who.CustomerID}
}

// seesCustomer: a shop sees the customers it serves, an integrator its own.
func seesCustomer(q db.Querier, who access.Principal, customerID string) (bool, error) {
	if who.ForCustomer(customerID) {
		return true, nil
	}
	if !who.InShop(who.ShopID) {
		return false, nil
	}
	return serves(q, who.ShopID, customerID)
}

// seesSpindle: spindles of customers within reach, and those that the shop has
// or had in an order of its own.
func seesSpindle(q db.Querier, who access.Principal, s *spindle) (bool, error) {
	if sees, err := seesCustomer(q, who, s.customer); sees || err != nil {
		return sees, err
	}
	if !who.InShop(who.ShopID) {
		return false, nil
	}
	return hadOrder(q, who.ShopID, s.id)
}

// spindleFor gives a spindle within the caller's reach.
func spindleFor(q db.Querier, who access.Principal, id, suffix string) (*spindle, error) {
	s, err := readSpindle(q, id, suffix)
	if err != nil {
		return nil, err
	}
	if s != nil {
		sees, err := seesSpindle(q, who, s)
		if err != nil {
			return nil, err
		}
		if sees {
			return s, nil
		}
	}
	return nil, fault.NotFound("spindle", cutText(id))
}

// seesOrder: a shop sees its own orders, an integrator its customer's.
func seesOrder(who access.Principal, o *order) bool {
	return who.InShop(o.shop) || who.ForCustomer(o.customer)
}

// ownShop refuses a shop that is not the caller's, on record.
func (s *Service) ownShop(ctx context.Context, method, shopID string) error {
	who := access.From(ctx)
	if who.InShop(shopID) {
		return nil
	}
	s.audit.Deny(access.Entry{PrincipalID: who.ID, Tenant: who.Tenant(), Method: method, Subject: shopID, Detail: "names another shop"})
	e := fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_OTHER_SHOP, "shop_id is not your shop; name your own")
	e.Fields = []fault.Field{{Path: "shop_id", Problem: "is not your shop; name your own"}}
	return e
}
