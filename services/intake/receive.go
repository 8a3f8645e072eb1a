package intake

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// receipt is what is stated at the receiving dock.
type receipt struct {
	reason            string
	removed, received int64
	hours             *float64
}

// receipt reads and checks what was stated.
func (s *Service) receipt(reason string, removed, received *timestamppb.Timestamp, hours *float64) (receipt, error) {
	r := receipt{reason: reason, hours: hours}
	err := term("reason_for_removal", vocabulary.ReasonForRemoval, reason)
	if err != nil {
		return r, err
	}
	if r.removed, err = s.stated("removed_at", removed); err != nil {
		return r, err
	}
	if r.received, err = s.stated("received_at", received); err != nil {
		return r, err
	}
	if r.removed > r.received {
		return r, outOfOrder("removed_at", "is %s, after received_at, %s; a spindle is removed before it arrives", day(r.removed), day(r.received))
	}
	if hours != nil {
		return r, checkHours(*hours)
	}
	return r, nil
}

// ReceiveWorkOrder opens an order for a spindle that has arrived.
func (s *Service) ReceiveWorkOrder(ctx context.Context, req *intakev1.ReceiveWorkOrderRequest) (*intakev1.WorkOrder, error) {
	const method = intakev1.IntakeService_ReceiveWorkOrder_FullMethodName
	if err := s.ownShop(ctx, method, req.ShopId); err != nil {
		return nil, err
	}
	r, err := s.receipt(req.ReasonForRemoval, req.RemovedAt, req.ReceivedAt, req.RunningHours)
	if err != nil {
		return nil, err
	}
	who := access.From(ctx)
	return change(ctx, s, method, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		home, err := readShop(tx, req.ShopId, "")
		if err != nil {
			return nil, err
		}
		// The spindle's row is locked: readings and orders of one spindle come one by one.
		sp, err := spindleFor(tx, who, req.SpindleId, tx.ForUpdate())
		if err != nil {
			return nil, err
		}
		o := &order{id: s.ids.New(), shop: home.id, spindle: sp.id, model: sp.model, customer: sp.customer, stage: firstStage, visit: 1,
			reason: r.reason, symptoms: req.Symptoms, machine: req.Machine, removed: r.removed, received: r.received, hours: r.hours,
			warrantyOf: req.WarrantyOf, stageSince: r.received}
		if err := receivable(tx, sp, o); err != nil {
			return nil, err
		}
		n, err := nextNumber(tx, home.id, home.year(r.received))
		if err != nil {
			return nil, err
		}
		o.number = fmt.Sprintf("%s-%d-%04d", home.code, home.year(r.received), n)
		return s.open(tx, o, sp.serial, who.ID)
	})
}

// open writes a new order, its reading and its first event.
func (s *Service) open(tx *db.Tx, o *order, serial, by string) (*intakev1.WorkOrder, error) {
	if err := insertOrder(tx, o); err != nil {
		return nil, err
	}
	if o.hours != nil {
		if err := noteReading(tx, o.spindle, orderOrigin+o.id, o.removed, *o.hours); err != nil {
			return nil, err
		}
	}
	e, err := s.record(tx, o, "received", o.removed, o.receiptBody(serial, by), "")
	if err != nil {
		return nil, err
	}
	if err := setReceipt(tx, o, e.ID); err != nil {
		return nil, err
	}
	return o.proto(), nil
}

// receiptBody is the event of a receipt. Why it was corrected is free text and
// stays in the audit.
func (o *order) receiptBody(serial, by string) *intakev1.WorkOrderReceived {
	return &intakev1.WorkOrderReceived{WorkOrderId: o.id, Number: o.number, ShopId: o.shop, SpindleId: o.spindle, ModelId: o.model,
		CustomerId: o.customer, Serial: serial, ReasonForRemoval: o.reason, Machine: o.machine, RemovedAt: stamp(o.removed),
		ReceivedAt: stamp(o.received), RunningHours: o.hours, WarrantyOf: o.warrantyOf, By: by}
}

// receivable refuses an order that cannot be: the spindle is elsewhere, or went
// out of use, or the dates contradict the order before.
func receivable(tx *db.Tx, sp *spindle, o *order) error {
	if sp.retired != nil && o.removed > *sp.retired {
		return outOfOrder("removed_at", "is %s, but the spindle was retired on %s", day(o.removed), day(*sp.retired))
	}
	open, err := openOrderOf(tx, sp.id)
	if err != nil {
		return err
	}
	switch {
	case open != nil && open.shop == o.shop:
		return orderOpen("spindle_id", "order %s is open for the spindle; go on with it", open.number)
	case open != nil:
		return orderOpen("spindle_id", "another shop of the network has the spindle in an open order; it must end that first")
	}
	last, err := lastOrderOf(tx, sp.id)
	if err != nil {
		return err
	}
	if last != nil && *last.shipped > o.removed {
		return outOfOrder("removed_at", "is %s, but the spindle left a shop only on %s", day(o.removed), day(*last.shipped))
	}
	return warrantyReturn(tx, o)
}

// warrantyReturn checks the earlier order that is named.
func warrantyReturn(tx *db.Tx, o *order) error {
	if o.warrantyOf == "" {
		return nil
	}
	earlier, err := readOrder(tx, o.warrantyOf, "")
	if err != nil {
		return err
	}
	switch {
	case earlier == nil || earlier.spindle != o.spindle:
		return fault.InvalidField("warranty_of", "is %q, which is no earlier order of this spindle; give that order's id, or leave it empty", cutText(o.warrantyOf))
	case earlier.outcome != repaired:
		return fault.InvalidField("warranty_of", "names an order that did not end with a repair; leave it empty")
	}
	return nil
}

// CorrectReceipt corrects what was recorded at receiving.
func (s *Service) CorrectReceipt(ctx context.Context, req *intakev1.CorrectReceiptRequest) (*intakev1.WorkOrder, error) {
	r, err := s.receipt(req.ReasonForRemoval, req.RemovedAt, req.ReceivedAt, req.RunningHours)
	if err != nil {
		return nil, err
	}
	who := access.From(ctx)
	return change(ctx, s, intakev1.IntakeService_CorrectReceipt_FullMethodName, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		if err := checkEtag("order", req.Etag, o.revision); err != nil {
			return nil, err
		}
		sp, err := readSpindle(tx, o.spindle, tx.ForUpdate())
		if err != nil {
			return nil, err
		}
		if err := s.correct(tx, o, r); err != nil {
			return nil, err
		}
		e, err := s.record(tx, o, "receipt_corrected", o.removed, o.receiptBody(sp.serial, who.ID), o.receiptEvent)
		if err != nil {
			return nil, err
		}
		err = first(setReceipt(tx, o, e.ID), s.audit.Record(tx, access.Entry{What: "receipt corrected", PrincipalID: who.ID, Tenant: o.shop,
			Method: intakev1.IntakeService_CorrectReceipt_FullMethodName, Subject: o.number, Detail: req.Because}))
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
}

// correct puts a receipt in the place of the order's.
func (s *Service) correct(tx *db.Tx, o *order, r receipt) error {
	if o.stage != firstStage && r.received > o.stageSince {
		return outOfOrder("received_at", "is %s, but the order moved on to %s on %s", day(r.received), o.stage, day(o.stageSince))
	}
	before, err := shippedBefore(tx, o)
	if err != nil {
		return err
	}
	if before != nil && *before > r.removed {
		return outOfOrder("removed_at", "is %s, but the spindle left a shop only on %s", day(r.removed), day(*before))
	}
	if o.hours != nil {
		if err := deleteReading(tx, o.spindle, orderOrigin+o.id, o.removed); err != nil {
			return err
		}
	}
	if r.hours != nil {
		if err := noteReading(tx, o.spindle, orderOrigin+o.id, r.removed, *r.hours); err != nil {
			return err
		}
	}
	if o.stage == firstStage {
		o.stageSince = r.received
	}
	o.reason, o.removed, o.received, o.hours = r.reason, r.removed, r.received, r.hours
	return nil
}
