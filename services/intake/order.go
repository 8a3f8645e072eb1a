package intake

import (
	"fmt"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"

	"google.golang.org/protobuf/proto"
)

// order is a row of work_order.
type order struct {
	id, number                     string
	shop, spindle, model, customer string
	stage                          string
	visit                          int32
	heldFrom, holdReason           string
	reason, symptoms, machine      string
	removed, received              int64
	hours                          *float64
	warrantyOf                     string
	shipped                        *int64
	outcome                        string
	stageSince                     int64
	receiptEvent                   string
	revision, recorded             int64
	// answer is the order with its children as of the change that was recorded.
	answer *intakev1.WorkOrder
}

// proto is the order without tags, findings and evidence.
func (o *order) proto() *intakev1.WorkOrder {
	return &intakev1.WorkOrder{
		WorkOrderId: o.id, Number: o.number, ShopId: o.shop, SpindleId: o.spindle, ModelId: o.model, CustomerId: o.customer,
		Stage: o.stage, Visit: o.visit, ReasonForRemoval: o.reason, Symptoms: o.symptoms, Machine: o.machine,
		RemovedAt: stamp(o.removed), ReceivedAt: stamp(o.received), RunningHours: o.hours, WarrantyOf: o.warrantyOf,
		ShippedAt: optional(o.shipped), Outcome: o.outcome, HoldReason: o.holdReason, Etag: etag(o.revision),
	}
}

// whole is the order with its children.
func whole(q db.Querier, o *order) (*intakev1.WorkOrder, error) {
	if o.answer != nil {
		return o.answer, nil
	}
	wo := o.proto()
	var err error
	if wo.Tags, err = readTags(q, o.id); err != nil {
		return nil, err
	}
	if wo.Findings, err = readFindings(q, o.id); err != nil {
		return nil, err
	}
	wo.Evidence, err = readEvidence(q, o.id)
	return wo, err
}

// work opens an order for a change: within the caller's reach, and locked.
func work(tx *db.Tx, who access.Principal, id string) (*order, error) {
	o, err := readOrder(tx, id, tx.ForUpdate())
	if err != nil {
		return nil, err
	}
	if o == nil || !who.InShop(o.shop) {
		return nil, fault.NotFound("work order", cutText(id))
	}
	return o, nil
}

// stillHere refuses a change of an order whose spindle has left.
func (o *order) stillHere() error {
	if o.outcome == "" {
		return nil
	}
	return fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_STAGE_MOVED,
		"order %s ended on %s (%s); nothing more is recorded about its work", o.number, day(*o.shipped), o.outcome)
}

// record saves the order's row and its event, and gives the event. It comes after
// every change of tags, findings and evidence: it also keeps the order as it is
// read from then on.
func (s *Service) record(tx *db.Tx, o *order, happened string, occurred int64, body proto.Message, replaces string) (events.Event, error) {
	o.revision++
	o.recorded = s.later(o.recorded)
	if err := saveOrder(tx, o); err != nil {
		return events.Event{}, err
	}
	wo, err := whole(tx, o)
	if err != nil {
		return events.Event{}, err
	}
	if err := keepAnswer(tx, wo); err != nil {
		return events.Event{}, err
	}
	o.answer = wo
	e, err := s.outbox.Append(tx, events.Draft{
		Tenant: o.shop, EntityType: "work_order", EntityID: o.id, Revision: o.revision, Happened: happened,
		OccurredAt: clock.FromMicros(occurred), RecordedAt: clock.FromMicros(o.recorded), Body: body, Replaces: replaces,
	})
	if err != nil {
		return events.Event{}, fmt.Errorf("order %s: %w", o.number, err)
	}
	return e, nil
}
