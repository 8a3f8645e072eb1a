package intake

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
	"spindlewright/pkg/units"
)

// GiveEvidence notes what a person vouches for.
func (s *Service) GiveEvidence(ctx context.Context, req *intakev1.GiveEvidenceRequest) (*intakev1.WorkOrder, error) {
	const method = intakev1.IntakeService_GiveEvidence_FullMethodName
	who := access.From(ctx)
	k, value, err := checkEvidence(req.GetEvidence())
	if err != nil {
		return nil, s.tried(ctx, err, "waiver", method, req.WorkOrderId, req.GetEvidence().GetWaivedBecause())
	}
	waived := req.Evidence.WaivedBecause != ""
	if waived && !who.Has(accessv1.Role_ROLE_LEAD, accessv1.Role_ROLE_QUALITY) {
		return nil, fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
			"waiving is for quality and lead; give the evidence, or ask one of them")
	}
	if s.installed(k.source) && !waived {
		return nil, fault.InvalidField("evidence.kind", "is %s, which service %s gives in this installation; record it there", k.code, k.source)
	}
	return change(ctx, s, method, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		if err := o.stillHere(); err != nil {
			return nil, err
		}
		e := proto.CloneOf(req.Evidence)
		e.EvidenceId, e.Visit, e.GivenBy, e.VoidedBy, e.CountersignedBy = s.ids.New(), o.visit, who.ID, "", ""
		e.Value = value
		voided, err := s.placeEvidence(tx, o, k, e)
		if err != nil {
			return nil, err
		}
		if waived {
			if err := s.audit.Record(tx, access.Entry{What: "waiver", PrincipalID: who.ID, Tenant: o.shop, Method: method,
				Subject: o.number, Detail: k.code + ": " + e.WaivedBecause}); err != nil {
				return nil, err
			}
		}
		_, err = s.record(tx, o, "evidence_given", clock.Micros(s.clock.Now()), &intakev1.WorkOrderEvidenceGiven{WorkOrderId: o.id,
			EvidenceId: e.EvidenceId, Kind: e.Kind, Visit: e.Visit, Waived: waived, VoidedEvidenceIds: voided, FileSha256: e.FileSha256, By: who.ID, Failed: e.Failed}, "")
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
}

// checkEvidence reads evidence: its kind, and its value with all that follows
// from the digits.
func checkEvidence(e *intakev1.Evidence) (k kind, value *unitsv1.Quantity, err error) {
	k, ok := kindOf(e.GetKind())
	if !ok {
		return k, nil, among("evidence.kind", "kind of evidence", e.GetKind(), kindCodes())
	}
	err = first(maxText("evidence.note", e.Note, 4000), maxText("evidence.waived_because", e.WaivedBecause, 1000),
		maxText("evidence.instrument", e.Instrument, 80))
	if err != nil {
		return k, nil, err
	}
	if e.WaivedBecause != "" {
		return k, nil, checkWaiver(k, e)
	}
	if k.noteNeeded && strings.TrimSpace(e.Note) == "" {
		return k, nil, fault.InvalidField("evidence.note", "is empty; %s needs its reason", k.code)
	}
	if e.Value == nil {
		if k.unit != "" {
			return k, nil, fault.InvalidField("evidence.value", "is missing; %s is measured: give digits and a unit such as %s", k.code, k.unit)
		}
		return k, nil, nil
	}
	q, err := checkValue(k, e)
	return k, q, err
}

// checkValue reads the digits and sees that the unit measures what is asked.
func checkValue(k kind, e *intakev1.Evidence) (*unitsv1.Quantity, error) {
	q, err := units.FromProto(e.Value)
	if err != nil {
		return nil, quantityFault("evidence.value", err)
	}
	if k.unit == "" {
		return q.Proto(), nil
	}
	if !e.Failed && (q.Value < 0 && !k.signed || q.Value <= 0 && k.positive) {
		return nil, fault.InvalidField("evidence.value.as_typed", "is %s %s; %s cannot be that: read it again, or set failed", q.AsTyped, q.Unit, k.code)
	}
	if want, err := units.DimensionOf(k.unit); err != nil {
		return nil, err
	} else if q.Dimension != want {
		return nil, fault.InvalidField("evidence.value.unit", "is %q, which measures %s; %s is a %s: give a unit such as %s", q.Unit, q.Dimension, k.code, want, k.unit)
	}
	if strings.TrimSpace(e.Instrument) == "" {
		return nil, fault.InvalidField("evidence.instrument", "is empty; name the instrument that %s was read off", k.code)
	}
	return q.Proto(), nil
}

// checkWaiver: a waiver is the absence of evidence, and says why. What makes
// handling and running safe is never waived.
func checkWaiver(k kind, e *intakev1.Evidence) error {
	switch {
	case forSafety(k.code):
		return fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_GATE_SHUT,
			"%s belongs to a safety gate and cannot be waived by anybody; give the evidence", k.code)
	case len(strings.TrimSpace(e.WaivedBecause)) < 3:
		return fault.InvalidField("evidence.waived_because", "says too little; give the reason")
	case e.Failed:
		return fault.InvalidField("evidence.failed", "is set together with waived_because; a check was done and failed, or was not done")
	case e.Value != nil || e.FileSha256 != "":
		return fault.InvalidField("evidence.waived_because", "is given together with a value or a file; evidence is there or is waived, not both")
	}
	return nil
}

// placeEvidence adds evidence and voids what it makes void.
func (s *Service) placeEvidence(tx *db.Tx, o *order, k kind, e *intakev1.Evidence) (voided []string, err error) {
	have, err := readEvidence(tx, o.id)
	if err != nil {
		return nil, err
	}
	if len(have) >= maxNotes {
		return nil, fault.InvalidField("evidence", "is one more than the %d pieces of evidence that an order may have", maxNotes)
	}
	if e.FileSha256 != "" {
		live, err := enliven(tx, o.id, e.FileSha256)
		if err != nil {
			return nil, err
		}
		if !live {
			return nil, fault.InvalidField("evidence.file_sha256", "is of no file uploaded for this order; upload it first").
				WithReason(faultv1.Reason_REASON_BAD_FILE)
		}
	}
	voided = voidedBy(k, o.visit, standing(have))
	if err := insertEvidence(tx, o.id, len(have)+1, e, clock.Micros(s.clock.Now())); err != nil {
		return nil, err
	}
	return voided, voidEvidence(tx, o.id, e.EvidenceId, voided)
}

// standing is evidence as gates see it.
func standing(have []*intakev1.Evidence) []given {
	out := make([]given, len(have))
	for i, e := range have {
		out[i] = given{id: e.EvidenceId, kind: e.Kind, by: e.GivenBy, countersigner: e.CountersignedBy, visit: e.Visit,
			waived: e.WaivedBecause != "", voided: e.VoidedBy != "", failed: e.Failed}
	}
	return out
}

// CountersignEvidence is the second signature under what another person gave.
func (s *Service) CountersignEvidence(ctx context.Context, req *intakev1.CountersignEvidenceRequest) (*intakev1.WorkOrder, error) {
	who := access.From(ctx)
	return change(ctx, s, intakev1.IntakeService_CountersignEvidence_FullMethodName, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		if err := o.stillHere(); err != nil {
			return nil, err
		}
		have, err := readEvidence(tx, o.id)
		if err != nil {
			return nil, err
		}
		if err := countersignable(req.EvidenceId, who.ID, have); err != nil {
			return nil, err
		}
		if err := countersign(tx, o.id, req.EvidenceId, who.ID); err != nil {
			return nil, err
		}
		_, err = s.record(tx, o, "evidence_countersigned", clock.Micros(s.clock.Now()),
			&intakev1.WorkOrderEvidenceCountersigned{WorkOrderId: o.id, EvidenceId: req.EvidenceId, By: who.ID}, "")
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
}

// countersignable refuses a signature that adds nothing.
func countersignable(id, by string, have []*intakev1.Evidence) error {
	for _, e := range have {
		switch {
		case e.EvidenceId != id:
			continue
		case e.VoidedBy != "":
			return fault.InvalidField("evidence_id", "is void by now; sign the evidence that stands")
		case e.CountersignedBy != "":
			return fault.InvalidField("evidence_id", "was countersigned already")
		case e.GivenBy == by:
			return fault.Newf(codes.PermissionDenied, faultv1.Reason_REASON_ROLE_NOT_ALLOWED,
				"you gave this evidence yourself; the second signature is another person's")
		}
		return nil
	}
	return fault.NotFound("evidence", cutText(id))
}

// quantityFault names the part of a quantity that is wrong.
func quantityFault(path string, err error) error {
	var unit *units.UnknownUnit
	if errors.As(err, &unit) {
		return fault.InvalidField(path+".unit", "%s", err).WithReason(faultv1.Reason_REASON_UNKNOWN_TERM)
	}
	return fault.InvalidField(path+".as_typed", "%s", err)
}
