package intake

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"spindlewright/pkg/access"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/paging"
)

// ListTimeline gives everything recorded about one order, in the order of
// recording.
func (s *Service) ListTimeline(ctx context.Context, req *intakev1.ListTimelineRequest) (*intakev1.ListTimelineResponse, error) {
	if err := checkTexts(req); err != nil {
		return nil, err
	}
	q := s.store.Reader(ctx)
	o, err := readOrder(q, req.WorkOrderId, "")
	if err != nil {
		return nil, err
	}
	if o == nil || !seesOrder(access.From(ctx), o) {
		return nil, fault.NotFound("work order", cutText(req.WorkOrderId))
	}
	question := "timeline " + o.id
	position, err := paging.Position(req.PageToken, question, 1)
	if err != nil {
		return nil, err
	}
	after, _ := strconv.ParseInt(at(position, 0), 10, 64)
	size := paging.Size(req.PageSize)
	list, err := s.outbox.OfEntity(q, o.id, after, size+1)
	if err != nil {
		return nil, err
	}
	out := &intakev1.ListTimelineResponse{}
	if len(list) > size {
		list = list[:size]
		out.NextPageToken = paging.Token(question, strconv.FormatInt(list[size-1].Revision, 10))
	}
	for _, e := range list {
		entry, err := entryOf(e)
		if err != nil {
			return nil, err
		}
		out.Entries = append(out.Entries, entry)
	}
	return out, nil
}

// author is any event of an order.
type author interface{ GetBy() string }

func entryOf(e events.Event) (*intakev1.TimelineEntry, error) {
	m, err := events.Decode(e)
	if err != nil {
		return nil, err
	}
	out := &intakev1.TimelineEntry{EventId: e.ID, Revision: e.Revision, OccurredAt: timestamppb.New(e.OccurredAt),
		RecordedAt: timestamppb.New(e.RecordedAt), Happened: e.Happened, Summary: sentence(m), Replaces: e.Replaces}
	if a, ok := m.(author); ok {
		out.By = a.GetBy()
	}
	return out, nil
}

// sentence tells an event to a person.
func sentence(m proto.Message) string {
	switch e := m.(type) {
	case *intakev1.WorkOrderReceived:
		text := fmt.Sprintf("Received spindle %s as %s, removed on %s for %s", e.Serial, e.Number, e.RemovedAt.AsTime().Format("2006-01-02"), plain(e.ReasonForRemoval))
		if e.RunningHours != nil {
			text += fmt.Sprintf(" at %s h", plainHours(*e.RunningHours))
		}
		if e.WarrantyOf != "" {
			text += ", returned under warranty"
		}
		return text + "."
	case *intakev1.WorkOrderPartsTagged:
		text := fmt.Sprintf("Tagged %s", count(len(e.Positions), "part"))
		if len(e.Missing) > 0 {
			text += "; missing: " + strings.Join(e.Missing, ", ")
		}
		return text + "."
	case *intakev1.WorkOrderFindingRecorded:
		text := fmt.Sprintf("Found at the %s: %s by %s, caused by %s (%s, %s)", plain(e.Component), plain(e.Mode), plain(e.Mechanism),
			plain(e.Cause), plain(e.Role), e.Severity)
		if e.ReplacesFindingId != "" {
			text += ", in place of an earlier finding"
		}
		return text + "."
	case *intakev1.WorkOrderEvidenceGiven:
		return evidenceSentence(e)
	case *intakev1.WorkOrderEvidenceCountersigned:
		return "Evidence countersigned by a second person."
	case *intakev1.WorkOrderStageMoved:
		return moveSentence(e)
	case *intakev1.WorkOrderShipped:
		return fmt.Sprintf("Left the shop %s, from stage %s%s.", plain(e.Outcome), plain(e.From), overridden(e.OverriddenGates))
	}
	return "Recorded."
}

func evidenceSentence(e *intakev1.WorkOrderEvidenceGiven) string {
	k, ok := kindOf(e.Kind)
	title := plain(e.Kind)
	if ok {
		title = k.title
	}
	text := "Evidence given: " + title
	if e.Waived {
		text = "Evidence waived: " + title
	}
	if e.Failed {
		text = "Looked at and not passed: " + title
	}
	if e.FileSha256 != "" {
		text += ", with a file"
	}
	if n := len(e.VoidedEvidenceIds); n > 0 {
		text += fmt.Sprintf("; makes %s void", count(n, "earlier piece of evidence"))
	}
	return text + "."
}

func moveSentence(e *intakev1.WorkOrderStageMoved) string {
	text := fmt.Sprintf("Moved from %s to %s", plain(e.From), plain(e.To))
	if e.HoldReason != "" && e.HoldReason != e.To {
		text += ": " + plain(e.HoldReason)
	}
	if e.Visit > 1 {
		text += fmt.Sprintf(", visit %d", e.Visit)
	}
	return text + overridden(e.OverriddenGates) + "."
}

func overridden(gates []string) string {
	if len(gates) == 0 {
		return ""
	}
	return "; a lead passed the gate " + plain(strings.Join(gates, ", ")) + " on record"
}

func plain(code string) string { return strings.ReplaceAll(code, "_", " ") }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %s", n, strings.Replace(what, "piece of", "pieces of", 1)+plural(what))
}

func plural(what string) string {
	if strings.HasPrefix(what, "earlier piece") {
		return ""
	}
	return "s"
}
