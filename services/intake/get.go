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
	if badText(req.WorkOrderId) != "" {
		return nil, fault.NotFound("work order", cutText(req.WorkOrderId))
	}
	who := access.From(ctx)
	// The etag has to belong to exactly these children. Single reads run
	// prepared and cost a third of a transaction, so they are tried first; every
	// change of an order, and of its children, changes its revision.
	for range 3 {
		q := s.store.Reader(ctx)
		out, revision, err := orderFor(q, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		if now, err := revisionOf(q, out.WorkOrderId); err != nil || now == revision {
			return out, err
		}
	}
	var out *intakev1.WorkOrder
	err := s.store.View(ctx, func(q db.Querier) (err error) {
		out, _, err = orderFor(q, who, req.WorkOrderId)
		return err
	})
	return out, err
}

// orderFor gives an order within reach, whole, with the revision of its row.
func orderFor(q db.Querier, who access.Principal, idOrNumber string) (*intakev1.WorkOrder, int64, error) {
	o, err := namedOrder(q, idOrNumber)
	if err != nil {
		return nil, 0, err
	}
	if o == nil || !seesOrder(who, o) {
		return nil, 0, fault.NotFound("work order", cutText(idOrNumber))
	}
	out, err := whole(q, o)
	return out, o.revision, err
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
