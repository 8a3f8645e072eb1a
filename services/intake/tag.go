package intake

import (
	"context"
	"fmt"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// TagParts accounts for positions of the part tree.
func (s *Service) TagParts(ctx context.Context, req *intakev1.TagPartsRequest) (*intakev1.WorkOrder, error) {
	who := access.From(ctx)
	return change(ctx, s, intakev1.IntakeService_TagParts_FullMethodName, req, func(tx *db.Tx) (*intakev1.WorkOrder, error) {
		o, err := work(tx, who, req.WorkOrderId)
		if err != nil {
			return nil, err
		}
		if err := o.stillHere(); err != nil {
			return nil, err
		}
		parts, err := readParts(tx, o.model)
		if err != nil {
			return nil, err
		}
		have, err := readTags(tx, o.id)
		if err != nil {
			return nil, err
		}
		if err := checkTags(req.Tags, have, positions(parts)); err != nil {
			return nil, err
		}
		if err := saveTags(tx, o.id, req.Tags); err != nil {
			return nil, err
		}
		body := &intakev1.WorkOrderPartsTagged{WorkOrderId: o.id, By: who.ID}
		for _, t := range req.Tags {
			if t.Missing {
				body.Missing = append(body.Missing, t.Position)
			} else {
				body.Positions = append(body.Positions, t.Position)
			}
		}
		if _, err := s.record(tx, o, "parts_tagged", clock.Micros(s.clock.Now()), body, ""); err != nil {
			return nil, err
		}
		return whole(tx, o)
	})
}

func positions(parts []*intakev1.PartPosition) []string {
	out := make([]string, len(parts))
	for i, p := range parts {
		out[i] = p.Position
	}
	return out
}

// checkTags refuses positions that the model does not have, labels that stand
// on two parts, and tags that say neither or both of "here" and "missing".
func checkTags(tags, have []*intakev1.Tag, known []string) error {
	if len(tags) == 0 {
		return fault.InvalidField("tags", "is empty; tag at least one position")
	}
	tree, seen, labels := map[string]bool{}, map[string]bool{}, map[string]string{}
	for _, p := range known {
		tree[p] = true
	}
	for i, t := range tags {
		path := fmt.Sprintf("tags[%d]", i)
		switch {
		case !tree[t.GetPosition()]:
			return among(path+".position", "position of the model's part tree", t.GetPosition(), known)
		case seen[t.Position]:
			return fault.InvalidField(path+".position", "is %q, which stands before; name each position once", t.Position)
		case t.Missing && t.Label != "":
			return fault.InvalidField(path+".label", "is %q, but the part is noted missing; a missing part has no label", cutText(t.Label))
		case !t.Missing:
			if err := name(path+".label", t.Label, 60); err != nil {
				return err
			}
		}
		seen[t.Position] = true
	}
	// Labels as they will stand: those of other positions stay.
	for _, t := range have {
		if !seen[t.Position] && t.Label != "" {
			labels[t.Label] = t.Position
		}
	}
	for i, t := range tags {
		if other, taken := labels[t.Label]; taken && t.Label != "" {
			return fault.InvalidField(fmt.Sprintf("tags[%d].label", i), "is %q, which is on %s already; a label belongs to one part", cutText(t.Label), other)
		}
		labels[t.Label] = t.Position
	}
	return nil
}
