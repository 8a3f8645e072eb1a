package intake

import (
	"context"
	"slices"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// ShipWorkOrder ends an order's stay.
func (s *Service) ShipWorkOrder(ctx context.Context, req *intakev1.ShipWorkOrderRequest) (*intakev1.WorkOrder, error) {
	const method = intakev1.IntakeService_ShipWorkOrder_FullMethodName
	at, err := s.stated("shipped_at", req.ShippedAt)
	if err := first(err, term("outcome", vocabulary.Outcome, req.Outcome)); err != nil {
		return nil, err
	}
	who := access.From(ctx)
	answers, err := s.askServices(ctx, who, req.WorkOrderId, req.From, ends(req.Outcome).to)
	if err != nil {
		return nil, err
	}
	shipped, err := change(ctx, s, method, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		m, err := o.wayOut(req.From, req.Outcome)
		if err != nil {
			return nil, err
		}
		if err := first(o.after("shipped_at", at), accounted(tx, o, m)); err != nil {
			return nil, err
		}
		pass, err := s.pass(tx, o, m, who, method, req.OverrideBecause, answers)
		if err != nil {
			return nil, err
		}
		from := o.stage
		o.advance(m, "", at)
		o.outcome, o.shipped = m.outcome, &at
		_, err = s.record(tx, o, "shipped", at, &intakev1.WorkOrderShipped{WorkOrderId: o.id, SpindleId: o.spindle, Outcome: o.outcome,
			From: from, EvidenceIds: pass.evidence, OverriddenGates: pass.overridden, By: who.ID}, "")
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
	return shipped, s.tried(ctx, err, "override", method, req.WorkOrderId, req.OverrideBecause)
}

// wayOut finds the move that ends the order with an outcome.
func (o *order) wayOut(from, outcome string) (move, error) {
	if from == o.stage {
		if err := o.stillHere(); err != nil {
			return move{}, err
		}
	}
	to := ends(outcome).to
	m, err := o.way(from, to)
	if !fault.Is(err, faultv1.Reason_REASON_NO_SUCH_MOVE) {
		return m, err
	}
	var ways []string
	for _, st := range stages {
		if slices.ContainsFunc(st.moves, func(m move) bool { return m.outcome == outcome }) {
			ways = append(ways, st.code)
		}
	}
	return move{}, noSuchMove("outcome", "is %s, which ends an order in stage %v, not in %s", outcome, ways, o.stage)
}

// accounted refuses to ship a repair whose failure nobody named: without it no
// statistics are true. A spindle removed by plan has none.
func accounted(q db.Querier, o *order, m move) error {
	if m.outcome != repaired || o.reason == "preventive" {
		return nil
	}
	have, err := readFindings(q, o.id)
	if err != nil || hasPrimary(have) {
		return err
	}
	e := fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_GATE_SHUT,
		"order %s has no primary failure; record the finding with role primary_failure, or correct the receipt to reason preventive", o.number)
	e.Missing = []fault.Missing{{Kind: "FINDING", Subject: primaryFailure, Text: "what failed first is not recorded"}}
	return e
}
