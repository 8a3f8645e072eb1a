package intake

import (
	"context"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

const primaryFailure = "primary_failure"

// maxNotes bounds an order's findings and evidence, so that reading one order
// stays cheap.
const maxNotes = 2000

// RecordFinding notes what was seen at one part.
func (s *Service) RecordFinding(ctx context.Context, req *intakev1.RecordFindingRequest) (*intakev1.WorkOrder, error) {
	if err := checkFinding(req.GetFinding()); err != nil {
		return nil, err
	}
	found := clock.Micros(s.clock.Now())
	if req.Finding.FoundAt != nil {
		var err error
		if found, err = s.stated("finding.found_at", req.Finding.FoundAt); err != nil {
			return nil, err
		}
	}
	who := access.From(ctx)
	return change(ctx, s, intakev1.IntakeService_RecordFinding_FullMethodName, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		f := proto.CloneOf(req.Finding)
		f.FindingId, f.ReplacedBy = s.ids.New(), ""
		if err := s.placeFinding(tx, o, f, found, req.ReplacesFindingId); err != nil {
			return nil, err
		}
		_, err = s.record(tx, o, "finding_recorded", found, &intakev1.WorkOrderFindingRecorded{WorkOrderId: o.id, FindingId: f.FindingId,
			SpindleId: o.spindle, Component: f.Component, Position: f.Position, Mode: f.Mode, Mechanism: f.Mechanism, Cause: f.Cause,
			Role: f.Role, Severity: f.Severity, ReplacesFindingId: req.ReplacesFindingId, By: who.ID}, "")
		if err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
}

func checkFinding(f *intakev1.Finding) error {
	return first(
		term("finding.component", vocabulary.Component, f.GetComponent()),
		term("finding.mode", vocabulary.FailureMode, f.GetMode()),
		term("finding.mechanism", vocabulary.FailureMechanism, f.GetMechanism()),
		term("finding.cause", vocabulary.FailureCause, f.GetCause()),
		term("finding.role", vocabulary.FindingRole, f.GetRole()),
		term("finding.severity", vocabulary.Severity, f.GetSeverity()),
		maxText("finding.note", f.GetNote(), 4000),
	)
}

func maxText(path, text string, most int) error {
	if n := len([]rune(text)); n > most {
		return fault.InvalidField(path, "has %d characters; give at most %d", n, most)
	}
	return nil
}

// placeFinding adds a finding, and lets it stand in for another.
func (s *Service) placeFinding(tx *db.Tx, o *order, f *intakev1.Finding, found int64, replaces string) error {
	have, err := readFindings(tx, o.id)
	if err != nil {
		return err
	}
	parts, err := readParts(tx, o.model)
	if err != nil {
		return err
	}
	if err := findable(o, f, found, replaces, have, parts); err != nil {
		return err
	}
	if err := insertFinding(tx, o.id, len(have)+1, f, found); err != nil || replaces == "" {
		return err
	}
	return replaceFinding(tx, o.id, replaces, f.FindingId)
}

// findable is the rule for a finding, on plain values. A finding may still be
// corrected after the spindle has left; a new one comes too late then.
func findable(o *order, f *intakev1.Finding, found int64, replaces string, have []*intakev1.Finding, parts []*intakev1.PartPosition) error {
	if replaces == "" {
		if err := o.stillHere(); err != nil {
			return err
		}
	}
	if len(have) >= maxNotes {
		return fault.InvalidField("finding", "is one more than the %d findings that an order may have", maxNotes)
	}
	if found < o.removed {
		return outOfOrder("finding.found_at", "is %s, before the spindle was removed on %s", day(found), day(o.removed))
	}
	if err := checkPosition(f, parts); err != nil {
		return err
	}
	known := replaces == ""
	for _, h := range have {
		switch {
		case h.FindingId == replaces && h.ReplacedBy != "":
			return fault.InvalidField("replaces_finding_id", "names a finding that was replaced by %s; replace that one", h.ReplacedBy)
		case h.FindingId == replaces:
			known = true
		case h.Role == primaryFailure && h.ReplacedBy == "" && f.Role == primaryFailure:
			return fault.InvalidField("finding.role", "is primary_failure, which finding %s is already; replace that one, or give another role", h.FindingId)
		}
	}
	if !known {
		return fault.InvalidField("replaces_finding_id", "is %q, which is no finding of this order", cutText(replaces))
	}
	return nil
}

func checkPosition(f *intakev1.Finding, parts []*intakev1.PartPosition) error {
	if f.Position == "" {
		return nil
	}
	for _, p := range parts {
		if p.Position != f.Position {
			continue
		}
		if p.Component != f.Component {
			return fault.InvalidField("finding.component", "is %s, but position %s holds a %s", f.Component, p.Position, p.Component)
		}
		return nil
	}
	return among("finding.position", "position of the model's part tree", f.Position, positions(parts))
}

// hasPrimary tells whether a primary failure stands.
func hasPrimary(have []*intakev1.Finding) bool {
	for _, f := range have {
		if f.Role == primaryFailure && f.ReplacedBy == "" {
			return true
		}
	}
	return false
}
