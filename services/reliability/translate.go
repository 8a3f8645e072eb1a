package reliability

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// Words of the vocabularies that the fold acts on.
const (
	termUnknown    = "unknown"
	termPreventive = "preventive"
	termPrimary    = "primary_failure"
	termRepaired   = "repaired"
	termScrapped   = "scrapped"
)

// draft is a fact that still names what it refers to.
type draft struct {
	fact
	spindle, serial string
	says            says
}

// says are the ids and terms of a draft.
type says struct {
	shop, customer, model                     string
	reason, component, mode, mechanism, cause string
}

// names pairs each id and term with the field that its number goes into.
func (d *draft) names() [8]struct {
	kind, id string
	into     *number
} {
	return [8]struct {
		kind, id string
		into     *number
	}{
		{kindShop, d.says.shop, &d.shop}, {kindCustomer, d.says.customer, &d.customer}, {kindModel, d.says.model, &d.model},
		{kindReason, d.says.reason, &d.reason}, {kindComponent, d.says.component, &d.component}, {kindMode, d.says.mode, &d.mode},
		{kindMechanism, d.says.mechanism, &d.mechanism}, {kindCause, d.says.cause, &d.cause},
	}
}

// entry is what an event says about a name: the whole public state.
type entry struct {
	kind, id, code           string
	maker, drive, lubricated string
	shopIDs                  []string
	revision                 int64
}

// taken is what a batch of events says.
type taken struct {
	drafts  []draft
	entries []entry
	orders  map[string]string // order -> spindle
}

// take reads one event. What can never apply is answered with a reason.
func (t *taken) take(e events.Event) (reason string) {
	body, reads := payloads[e.Type]
	if !reads {
		return fmt.Sprintf("reliability does not read the type %s of entity %s", e.Type, e.EntityType)
	}
	if body == nil {
		return ""
	}
	m := body()
	if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(e.Payload, m); err != nil {
		return fmt.Sprintf("the payload is not a %s: %v", e.Type, err)
	}
	switch m := m.(type) {
	case *accessv1.ShopRecorded:
		return t.name(entry{kind: kindShop, id: m.ShopId, code: m.Code, revision: e.Revision})
	case *intakev1.CustomerRecorded:
		return t.name(entry{kind: kindCustomer, id: m.CustomerId, code: m.Code, shopIDs: m.ShopIds, revision: e.Revision})
	case *intakev1.SpindleModelRecorded:
		return t.name(entry{kind: kindModel, id: m.ModelId, code: m.Code, maker: m.Maker, drive: m.Drive,
			lubricated: m.Lubrication, revision: e.Revision})
	case *intakev1.HistoryImported:
		return t.rows(e, m)
	}
	return t.draft(e, m)
}

func (t *taken) name(n entry) string {
	if n.id == "" || n.code == "" {
		return fmt.Sprintf("the %s has no id or no code", n.kind)
	}
	t.entries = append(t.entries, n)
	return ""
}

// payloads are the messages that reliability reads, by full name; nil for those
// that say nothing about a spindle's life.
var payloads = map[string]func() proto.Message{
	fullName(&accessv1.ShopRecorded{}):                   func() proto.Message { return new(accessv1.ShopRecorded) },
	fullName(&intakev1.CustomerRecorded{}):               func() proto.Message { return new(intakev1.CustomerRecorded) },
	fullName(&intakev1.SpindleModelRecorded{}):           func() proto.Message { return new(intakev1.SpindleModelRecorded) },
	fullName(&intakev1.SpindleRegistered{}):              func() proto.Message { return new(intakev1.SpindleRegistered) },
	fullName(&intakev1.SpindleHoursReported{}):           func() proto.Message { return new(intakev1.SpindleHoursReported) },
	fullName(&intakev1.SpindleRetired{}):                 func() proto.Message { return new(intakev1.SpindleRetired) },
	fullName(&intakev1.WorkOrderReceived{}):              func() proto.Message { return new(intakev1.WorkOrderReceived) },
	fullName(&intakev1.WorkOrderFindingRecorded{}):       func() proto.Message { return new(intakev1.WorkOrderFindingRecorded) },
	fullName(&intakev1.WorkOrderShipped{}):               func() proto.Message { return new(intakev1.WorkOrderShipped) },
	fullName(&intakev1.HistoryImported{}):                func() proto.Message { return new(intakev1.HistoryImported) },
	fullName(&intakev1.WorkOrderPartsTagged{}):           nil,
	fullName(&intakev1.WorkOrderEvidenceGiven{}):         nil,
	fullName(&intakev1.WorkOrderEvidenceCountersigned{}): nil,
	fullName(&intakev1.WorkOrderStageMoved{}):            nil,
}

func fullName(m proto.Message) string { return string(m.ProtoReflect().Descriptor().FullName()) }

// draft reads an event that is one fact of one spindle.
func (t *taken) draft(e events.Event, m proto.Message) string {
	d := draft{fact: fact{entity: e.EntityID, revision: e.Revision, at: clock.Micros(e.OccurredAt), recorded: clock.Micros(e.RecordedAt)}}
	switch m := m.(type) {
	case *intakev1.SpindleRegistered:
		d.kind = registered
		d.spindle, d.serial = m.SpindleId, m.Serial
		d.says.model, d.says.customer = m.ModelId, m.CustomerId
	case *intakev1.SpindleHoursReported:
		d.kind = seen
		d.spindle = m.SpindleId
		d.meter(&m.RunningHours)
	case *intakev1.SpindleRetired:
		d.kind = retired
		d.spindle = m.SpindleId
		d.meter(m.RunningHours)
	case *intakev1.WorkOrderReceived:
		d.receipt(m)
	case *intakev1.WorkOrderFindingRecorded:
		d.kind = finding
		d.spindle, d.says.shop = m.SpindleId, e.Tenant
		d.primary, d.findingID, d.replaces = m.Role == termPrimary, m.FindingId, m.ReplacesFindingId
		d.fails(m.Component, m.Mode, m.Mechanism, m.Cause)
	case *intakev1.WorkOrderShipped:
		d.kind = shipped
		d.spindle, d.says.shop, d.outcome = m.SpindleId, e.Tenant, outcomeOf(m.Outcome)
	}
	if d.spindle == "" || d.entity == "" {
		return "the event names no spindle or no entity"
	}
	if d.kind == received || d.kind == finding || d.kind == shipped {
		if t.orders == nil {
			t.orders = map[string]string{}
		}
		t.orders[d.entity] = d.spindle
	}
	t.drafts = append(t.drafts, d)
	return ""
}

func (d *draft) receipt(m *intakev1.WorkOrderReceived) {
	d.kind = received
	d.spindle, d.serial = m.SpindleId, m.Serial
	d.says = says{shop: m.ShopId, customer: m.CustomerId, model: m.ModelId}
	if m.RemovedAt != nil {
		d.at = m.RemovedAt.AsTime().UnixMicro()
	}
	d.meter(m.RunningHours)
	d.preventive, d.says.reason, d.warrantyOf = m.ReasonForRemoval == termPreventive, m.ReasonForRemoval, m.WarrantyOf
}

// rows reads an import: each row stands for itself. Rows that say nothing known
// park the event, without holding up the others.
func (t *taken) rows(e events.Event, m *intakev1.HistoryImported) (reason string) {
	for n, row := range m.Rows {
		d := draft{fact: fact{entity: rowName(row.Key), recorded: row.SourceRecordedUs, replaces: rowName(row.Corrects)},
			spindle: row.SpindleId, serial: row.Serial, says: says{shop: m.ShopId, customer: row.CustomerId, model: row.ModelId}}
		switch f := row.Fact.(type) {
		case *intakev1.ImportedRow_Repair:
			d.repair(f.Repair)
		case *intakev1.ImportedRow_Seen:
			d.kind, d.at = seen, f.Seen.GetSeenUs()
			d.meter(&f.Seen.RunningHours)
		}
		if d.kind == 0 || d.spindle == "" || d.entity == "" {
			reason = fmt.Sprintf("row %d has no key, no spindle or no fact that this version knows", n)
			continue
		}
		t.drafts = append(t.drafts, d)
	}
	return reason
}

func (d *draft) repair(r *intakev1.ImportedRepair) {
	d.kind, d.at = repaired, r.GetRemovedUs()
	d.meter(r.RunningHours)
	d.preventive, d.warrantyOf = r.GetReasonForRemoval() == termPreventive, rowName(r.GetWarrantyOf())
	d.says.reason = r.GetReasonForRemoval()
	d.fails(r.GetComponent(), r.GetMode(), r.GetMechanism(), r.GetCause())
	if r.ShippedUs != nil {
		d.left, d.outcome = r.GetShippedUs(), outcomeOf(r.GetOutcome())
	}
}

func (d *draft) fails(component, mode, mechanism, cause string) {
	d.says.component, d.says.mode, d.says.mechanism, d.says.cause = component, mode, mechanism, cause
}

// keyBytes of a row's key are kept. A key is a hash; 128 bits of it tell any
// number of rows apart.
const keyBytes = 16

func rowName(key []byte) string { return string(key[:min(len(key), keyBytes)]) }

// meter takes a reading, unless it cannot be one.
func (d *draft) meter(hours *float64) {
	if hours != nil && *hours >= 0 && !math.IsInf(*hours, 1) {
		d.hours, d.hasHours = *hours, true
	}
}

func outcomeOf(term string) outcome {
	switch term {
	case termRepaired:
		return outcomeRepaired
	case termScrapped:
		return outcomeScrapped
	}
	return outcomeAway
}
