package intake

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// MoveStage moves an order to another stage, through the gates of that move.
func (s *Service) MoveStage(ctx context.Context, req *intakev1.MoveStageRequest) (*intakev1.WorkOrder, error) {
	const method = intakev1.IntakeService_MoveStage_FullMethodName
	at, err := s.stated("occurred_at", req.OccurredAt)
	if err != nil {
		return nil, err
	}
	who := access.From(ctx)
	answers, err := s.askServices(ctx, who, req.WorkOrderId, req.From, req.To)
	if err != nil {
		return nil, err
	}
	moved, err := change(ctx, s, method, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		m, err := o.way(req.From, req.To)
		if err != nil {
			return nil, err
		}
		if m.outcome != "" {
			return nil, noSuchMove("to", "is %s, which ends the order; ship it with outcome %s", m.to, m.outcome)
		}
		if err := checkHold(m, req.HoldReason); err != nil {
			return nil, err
		}
		if err := o.after("occurred_at", at); err != nil {
			return nil, err
		}
		pass, err := s.pass(tx, o, m, who, method, req.OverrideBecause, answers)
		if err != nil {
			return nil, err
		}
		from := o.stage
		o.advance(m, req.HoldReason, at)
		_, err = s.record(tx, o, "stage_moved", at, &intakev1.WorkOrderStageMoved{WorkOrderId: o.id, From: from, To: m.to, Visit: o.visit,
			EvidenceIds: pass.evidence, OverriddenGates: pass.overridden, HoldReason: o.holdReason, By: who.ID}, "")
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
	return moved, s.tried(ctx, err, "override", method, req.WorkOrderId, req.OverrideBecause)
}

// tried puts on record that somebody asked to pass or waive what nobody may:
// whoever looks after safety wants to see that too. It gives err back.
func (s *Service) tried(ctx context.Context, err error, what, method, order, because string) error {
	if because == "" || !fault.Is(err, faultv1.Reason_REASON_GATE_SHUT) {
		return err
	}
	who := access.From(ctx)
	noted := s.audit.Note(ctx, access.Entry{What: what + " refused", PrincipalID: who.ID, Tenant: who.Tenant(), Method: method,
		Subject: cutText(order), Detail: cutText(because)})
	if noted != nil {
		s.log.ErrorContext(ctx, "a refused "+what+" could not be put on record", "error", noted)
	}
	return err
}

// way finds the move, from the stage that the caller believes the order is in.
func (o *order) way(from, to string) (move, error) {
	if from != o.stage {
		e := fault.Newf(codes.Aborted, faultv1.Reason_REASON_STAGE_MOVED,
			"order %s is in stage %s, not in %s; read it again and decide anew", o.number, o.stage, cutText(from))
		e.Fields = []fault.Field{{Path: "from", Problem: "is not the stage of the order any more; it is " + o.stage}}
		return move{}, e
	}
	here, _ := stageOf(o.stage)
	moves := here.allMoves(o.heldFrom)
	if i := slices.IndexFunc(moves, func(m move) bool { return m.to == to }); i >= 0 {
		return moves[i], nil
	}
	if _, known := stageOf(to); !known {
		return move{}, among("to", "stage", to, stageCodes())
	}
	var ways []string
	for _, m := range moves {
		ways = append(ways, m.to)
	}
	if len(ways) == 0 {
		return move{}, noSuchMove("to", "is %s, but stage %s is the last one", to, o.stage)
	}
	return move{}, noSuchMove("to", "is %s, where no move from %s leads; the moves lead to %s", to, o.stage, strings.Join(ways, ", "))
}

func noSuchMove(path, format string, args ...any) error {
	e := fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_NO_SUCH_MOVE, "%s %s", path, fmt.Sprintf(format, args...))
	e.Fields = []fault.Field{{Path: path, Problem: fmt.Sprintf(format, args...)}}
	return e
}

func checkHold(m move, reason string) error {
	switch {
	case m.to == onHold:
		return term("hold_reason", vocabulary.HoldReason, reason)
	case reason != "":
		return fault.InvalidField("hold_reason", "is given, but the order does not go on_hold; leave it empty")
	}
	return nil
}

// after refuses a time before the order came into its stage.
func (o *order) after(path string, at int64) error {
	if at < o.stageSince {
		return outOfOrder(path, "is %s, but the order came into stage %s on %s", day(at), o.stage, day(o.stageSince))
	}
	return nil
}

// advance changes the stage: into a side stage remembering where from, back to an
// earlier one with a new visit, or on.
func (o *order) advance(m move, holdReason string, at int64) {
	here, _ := stageOf(o.stage)
	there, _ := stageOf(m.to)
	switch {
	case there.side:
		if !here.side {
			o.heldFrom = o.stage
		}
		// A side stage's name is its reason.
		if o.holdReason = holdReason; m.to != onHold {
			o.holdReason = m.to
		}
	default:
		o.heldFrom, o.holdReason = "", ""
	}
	if m.reopens {
		o.visit++
	}
	o.stage, o.stageSince = m.to, at
}

// passed is what opened the gates of a move, and which a lead passed on record.
type passed struct{ evidence, overridden []string }

// pass looks at the gates of a move and lets the order through, or says what is
// missing. A lead may pass gates on record, safety gates never.
func (s *Service) pass(tx *db.Tx, o *order, m move, who access.Principal, method, because string, answers answers) (passed, error) {
	c, err := counting(tx, o, answers)
	if err != nil {
		return passed{}, err
	}
	found := c.open(m.gates)
	if len(found.shut) == 0 {
		return passed{evidence: found.evidence}, nil
	}
	if because == "" || found.safety {
		return passed{}, found.refusal(m.to)
	}
	if !who.Has(accessv1.Role_ROLE_LEAD) {
		return passed{}, fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
			"passing a shut gate on record is for a lead; leave override_because empty to see what is missing")
	}
	if len(strings.TrimSpace(because)) < 3 {
		return passed{}, fault.InvalidField("override_because", "says too little; give the reason")
	}
	err = s.audit.Record(tx, access.Entry{What: "override", PrincipalID: who.ID, Tenant: o.shop, Method: method, Subject: o.number,
		Detail: strings.Join(found.shut, ", ") + ": " + because})
	return passed{found.evidence, found.shut}, err
}

// counting gathers what decides about gates.
func counting(q db.Querier, o *order, a answers) (counted, error) {
	c := counted{visit: o.visit, asked: a.asked, answered: a.evidence, accounted: map[string]bool{}}
	home, err := readShop(q, o.shop, "")
	if err != nil {
		return c, err
	}
	c.fourEyes = home.fourEyes
	have, err := readEvidence(q, o.id)
	if err != nil {
		return c, err
	}
	c.evidence = standing(have)
	if c.drive, err = readDrive(q, o.model); err != nil {
		return c, err
	}
	parts, err := readParts(q, o.model)
	if err != nil {
		return c, err
	}
	c.parts = positions(parts)
	tags, err := readTags(q, o.id)
	for _, t := range tags {
		c.accounted[t.Position] = true
	}
	return c, err
}
