package intake

import (
	"cmp"
	"context"
	"slices"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// GetWorkOrder gives one order with its children, by id or number.
func (s *Service) GetWorkOrder(ctx context.Context, req *intakev1.GetWorkOrderRequest) (*intakev1.WorkOrder, error) {
	none := fault.NotFound("work order", cutText(req.WorkOrderId))
	if badText(req.WorkOrderId) != "" {
		return nil, none
	}
	wo, err := readAnswer(s.store.Reader(ctx), req.WorkOrderId)
	if wo == nil && err == nil {
		wo, err = s.putTogether(ctx, req.WorkOrderId)
	}
	if err != nil {
		return nil, err
	}
	if who := access.From(ctx); wo == nil || !who.InShop(wo.ShopId) && !who.ForCustomer(wo.CustomerId) {
		return nil, none
	}
	return wo, nil
}

// putTogether reads an order from its four tables, in one state of the store so
// that the etag belongs to exactly these children; nil when there is none.
func (s *Service) putTogether(ctx context.Context, idOrNumber string) (wo *intakev1.WorkOrder, err error) {
	err = s.store.View(ctx, func(q db.Querier) error {
		o, err := namedOrder(q, idOrNumber)
		if o == nil || err != nil {
			return err
		}
		wo, err = whole(q, o)
		return err
	})
	return wo, err
}

// uuidLength tells ids from human numbers, which are shorter.
const uuidLength = 36

func namedOrder(q db.Querier, idOrNumber string) (*order, error) {
	if len(idOrNumber) == uuidLength {
		return readOrder(q, idOrNumber, "")
	}
	return readOrderByNumber(q, idOrNumber)
}

// CountWorkInProgress counts open orders by shop and stage, in road order.
func (s *Service) CountWorkInProgress(ctx context.Context, req *intakev1.CountWorkInProgressRequest) (*intakev1.CountWorkInProgressResponse, error) {
	who := access.From(ctx)
	if badText(req.ShopId) != "" {
		return nil, fault.NotFound("shop", cutText(req.ShopId))
	}
	shopID, err := narrowShop(who, req.ShopId)
	if err != nil {
		return nil, err
	}
	counts, err := countOpen(s.store.Reader(ctx), shopID)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(counts, func(a, b stageCount) int {
		return cmp.Or(cmp.Compare(a.shop, b.shop), cmp.Compare(rank(a.stage), rank(b.stage)))
	})
	out := &intakev1.CountWorkInProgressResponse{}
	for _, c := range counts {
		out.Counts = append(out.Counts, &intakev1.StageCount{ShopId: c.shop, Stage: c.stage, Orders: c.orders})
	}
	return out, nil
}

// narrowShop is the shop that an answer is narrowed to: the caller's own, or
// the one asked for, or all (empty) for the network's people.
func narrowShop(who access.Principal, asked string) (string, error) {
	if who.Network() {
		return asked, nil
	}
	if who.ShopID == "" || asked != "" && asked != who.ShopID {
		return "", fault.NotFound("shop", cutText(asked))
	}
	return who.ShopID, nil
}
