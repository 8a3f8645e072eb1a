package intake

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
)

func TestReceiveRefusals(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		open := w.received()
		fresh := w.spindle()
		must(w.ReportHours(w.technician(), &intakev1.ReportHoursRequest{RequestId: uuid.NewString(), SpindleId: fresh.SpindleId, RunningHours: 500,
			SeenAt: ts(daysAgo(20)), Source: "meter"}))(t)
		low, nan := 499.0, -5.0
		for _, c := range []struct {
			name, path, text string
			reason           faultv1.Reason
			change           func(*intakev1.ReceiveWorkOrderRequest)
		}{
			{"open already", "spindle_id", open.Number, faultv1.Reason_REASON_ORDER_OPEN, func(r *intakev1.ReceiveWorkOrderRequest) { r.SpindleId = open.SpindleId }},
			{"a reason of no list", "reason_for_removal", "vibration", faultv1.Reason_REASON_UNKNOWN_TERM, func(r *intakev1.ReceiveWorkOrderRequest) { r.ReasonForRemoval = "vibrating" }},
			{"removed after it came", "removed_at", "after received_at", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, func(r *intakev1.ReceiveWorkOrderRequest) { r.RemovedAt = ts(daysAgo(7)) }},
			{"received in the future", "received_at", "future", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, func(r *intakev1.ReceiveWorkOrderRequest) { r.ReceivedAt = ts(daysAgo(-2)) }},
			{"before spindles", "removed_at", "1950", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.ReceiveWorkOrderRequest) { r.RemovedAt = ts(time.Unix(-1e10, 0)) }},
			{"hours below", "running_hours", "500 h read on 2026-06-11", faultv1.Reason_REASON_HOURS_BACKWARDS, func(r *intakev1.ReceiveWorkOrderRequest) { r.RunningHours = &low }},
			{"hours negative", "running_hours", "0 to", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.ReceiveWorkOrderRequest) { r.RunningHours = &nan }},
			{"warranty of another spindle", "warranty_of", "no earlier order", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.ReceiveWorkOrderRequest) { r.WarrantyOf = open.WorkOrderId }},
			{"a NUL", "machine", "control character", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.ReceiveWorkOrderRequest) { r.Machine = "a\x00" }},
			{"no request id", "request_id", "UUID", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.ReceiveWorkOrderRequest) { r.RequestId = "" }},
		} {
			req := w.receiveRequest(fresh.SpindleId)
			c.change(req)
			_, err := w.ReceiveWorkOrder(w.technician(), req)
			t.Run(c.name, func(t *testing.T) { refused(t, err, c.reason, c.path, c.text) })
		}
		req := w.receiveRequest(open.SpindleId)
		req.ShopId = south
		_, err := w.ReceiveWorkOrder(w.as(accessv1.Role_ROLE_TECHNICIAN, "sue", south), req)
		refused(t, err, faultv1.Reason_REASON_ORDER_OPEN, "spindle_id", "another shop")
		if strings.Contains(err.Error(), open.Number) {
			t.Error("another shop's order number was told")
		}
	})
}

// The year of a number turns over in the shop's zone.
func TestNumbersCountPerShopAndYear(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		receive := func(shop string, at time.Time) string {
			req := w.receiveRequest(w.spindle().SpindleId)
			req.ShopId, req.RemovedAt, req.ReceivedAt = shop, ts(at), ts(at)
			return must(w.ReceiveWorkOrder(w.as(accessv1.Role_ROLE_TECHNICIAN, "x", shop), req))(t).Number
		}
		newYear := time.Date(2026, 1, 1, 0, 30, 0, 0, time.UTC)
		got := []string{receive(north, newYear), receive(south, newYear), receive(north, newYear.Add(-2*time.Hour)), receive(south, newYear.Add(24*time.Hour)), receive(north, newYear)}
		want := []string{"NOR-2026-0001", "SOU-2025-0001", "NOR-2025-0001", "SOU-2026-0001", "NOR-2026-0002"}
		if !slices.Equal(got, want) {
			t.Errorf("got %v, want %v", got, want)
		}
	})
}

func TestCorrection(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		req := w.receiveRequest(w.spindle().SpindleId)
		hours := 500.0
		req.RunningHours = &hours
		wo := must(w.ReceiveWorkOrder(w.technician(), req))(t)
		better := 420.0
		c := &intakev1.CorrectReceiptRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Etag: "9", ReasonForRemoval: "noise",
			RemovedAt: ts(daysAgo(12)), ReceivedAt: ts(daysAgo(8)), RunningHours: &better, Because: "read the wrong meter"}
		_, err := w.CorrectReceipt(w.lead(), c)
		refused(t, err, faultv1.Reason_REASON_ETAG_MISMATCH, "etag", `now "1"`)
		c.Etag = wo.Etag
		got := must(w.CorrectReceipt(w.lead(), c))(t)
		if got.GetRunningHours() != 420 || got.ReasonForRemoval != "noise" || !got.RemovedAt.AsTime().Equal(daysAgo(12)) || got.Etag != "2" {
			t.Errorf("got %v", got)
		}
		c.RequestId, c.Etag = uuid.NewString(), got.Etag
		lower := 400.0
		c.RunningHours = &lower
		must(w.CorrectReceipt(w.lead(), c))(t)
		list := w.events(wo.WorkOrderId)
		if len(list) != 3 || list[1].Replaces != list[0].ID || list[2].Replaces != list[1].ID || list[1].Happened != "receipt_corrected" {
			t.Fatalf("events %v", list)
		}
		body := must(events.Decode(list[1]))(t).(*intakev1.WorkOrderReceived)
		if body.Because != "" || body.GetRunningHours() != 420 || body.Serial == "" || !list[1].OccurredAt.Equal(daysAgo(12)) {
			t.Errorf("event %v", body)
		}
		// The corrected reading stands, the first does not.
		sp := must(w.GetSpindle(w.technician(), &intakev1.GetSpindleRequest{SpindleId: wo.SpindleId}))(t)
		if sp.GetRunningHours() != 400 {
			t.Errorf("the spindle's hours are %v", sp.GetRunningHours())
		}
		line := must(w.ListTimeline(w.lead(), &intakev1.ListTimelineRequest{WorkOrderId: wo.WorkOrderId, PageSize: 2}))(t)
		rest := must(w.ListTimeline(w.lead(), &intakev1.ListTimelineRequest{WorkOrderId: wo.WorkOrderId, PageSize: 2, PageToken: line.NextPageToken}))(t)
		if len(line.Entries) != 2 || len(rest.Entries) != 1 || rest.NextPageToken != "" || rest.Entries[0].Replaces != list[1].ID {
			t.Errorf("timeline %v, %v", line, rest)
		}
	})
}

func TestWarrantyReturn(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.repair(w.received())
		w.clock.Set(today.AddDate(0, 0, 20))
		req := w.receiveRequest(wo.SpindleId)
		req.WarrantyOf = wo.WorkOrderId
		_, err := w.ReceiveWorkOrder(w.technician(), req)
		refused(t, err, faultv1.Reason_REASON_DATES_OUT_OF_ORDER, "removed_at", "left a shop only on")
		req.RemovedAt, req.ReceivedAt = ts(today.AddDate(0, 0, 9)), ts(today.AddDate(0, 0, 10))
		back := must(w.ReceiveWorkOrder(w.technician(), req))(t)
		if back.WarrantyOf != wo.WorkOrderId || back.Number != "NOR-2026-0002" {
			t.Errorf("got %v", back)
		}
	})
}

func TestTagsAndFindings(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		for _, c := range []struct {
			path, text string
			reason     faultv1.Reason
			tags       []*intakev1.Tag
		}{
			{"tags[0].position", "front-bearings", faultv1.Reason_REASON_UNKNOWN_TERM, []*intakev1.Tag{{Position: "front-bearing", Label: "1"}}},
			{"tags[0].label", "is empty", faultv1.Reason_REASON_INVALID_FIELD, []*intakev1.Tag{{Position: "shaft"}}},
			{"tags[0].label", "no label", faultv1.Reason_REASON_INVALID_FIELD, []*intakev1.Tag{{Position: "shaft", Label: "1", Missing: true}}},
			{"tags[1].position", "once", faultv1.Reason_REASON_INVALID_FIELD, []*intakev1.Tag{{Position: "shaft", Label: "1"}, {Position: "shaft", Label: "2"}}},
			{"tags[1].label", "belongs to one part", faultv1.Reason_REASON_INVALID_FIELD, []*intakev1.Tag{{Position: "shaft", Label: "1"}, {Position: "front-bearings", Label: "1"}}},
			{"tags", "is empty", faultv1.Reason_REASON_INVALID_FIELD, nil},
		} {
			_, err := w.TagParts(w.technician(), &intakev1.TagPartsRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Tags: c.tags})
			refused(t, err, c.reason, c.path, c.text)
		}
		record := func(f *intakev1.Finding, replaces string) (*intakev1.WorkOrder, error) {
			return w.RecordFinding(w.technician(), &intakev1.RecordFindingRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Finding: f, ReplacesFindingId: replaces})
		}
		for _, c := range []struct {
			path, text string
			reason     faultv1.Reason
			change     func(*intakev1.Finding)
		}{
			{"finding.component", "position front-bearings holds", faultv1.Reason_REASON_INVALID_FIELD, func(f *intakev1.Finding) { f.Component = "shaft" }},
			{"finding.position", "front-bearings", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Position = "front-bearngs" }},
			{"finding.mode", "vibration", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Mode = "vibrations" }},
			{"finding.mechanism", "seal_wear", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Mechanism = "sealwaer" }},
			{"finding.cause", "wear_expected", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Cause = "wear" }},
			{"finding.role", "primary_failure", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Role = "primary" }},
			{"finding.severity", "critical", faultv1.Reason_REASON_UNKNOWN_TERM, func(f *intakev1.Finding) { f.Severity = "awful" }},
			{"finding.found_at", "before the spindle was removed", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, func(f *intakev1.Finding) { f.FoundAt = ts(daysAgo(11)) }},
			{"finding.note", "at most 4000", faultv1.Reason_REASON_INVALID_FIELD, func(f *intakev1.Finding) { f.Note = strings.Repeat("x", 4001) }},
		} {
			f := failure(primaryFailure)
			c.change(f)
			_, err := record(f, "")
			refused(t, err, c.reason, c.path, c.text)
		}
		one := must(record(failure(primaryFailure), ""))(t).Findings[0]
		_, err := record(failure(primaryFailure), "")
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "finding.role", one.FindingId)
		_, err = record(failure(primaryFailure), "nothing")
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "finding.role", "replace that one")
		_, err = record(failure("secondary_damage"), "nothing")
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "replaces_finding_id", "no finding of this order")
		got := must(record(failure(primaryFailure), one.FindingId))(t)
		if got.Findings[0].ReplacedBy != got.Findings[1].FindingId || got.Findings[1].Note != "spalled" {
			t.Errorf("findings %v", got.Findings)
		}
		_, err = record(failure(primaryFailure), one.FindingId)
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "replaces_finding_id", "was replaced by")
		// No free text leaves this store.
		for _, e := range w.events(wo.WorkOrderId) {
			if strings.Contains(string(e.Payload), "spalled") || strings.Contains(string(e.Payload), "rumbles") {
				t.Errorf("%s holds a free text", e.Happened)
			}
		}
	})
}

func TestEvidenceRefusals(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		give := func(e *intakev1.Evidence) (*intakev1.WorkOrder, error) {
			return w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Evidence: e})
		}
		q := func(typed, unit string) *unitsv1.Quantity { return &unitsv1.Quantity{AsTyped: typed, Unit: unit} }
		for _, c := range []struct {
			path, text string
			reason     faultv1.Reason
			e          *intakev1.Evidence
		}{
			{"evidence.kind", "preload", faultv1.Reason_REASON_UNKNOWN_TERM, &intakev1.Evidence{Kind: "prelaod"}},
			{"evidence.kind", "no kind of evidence", faultv1.Reason_REASON_UNKNOWN_TERM, nil},
			{"evidence.value", "such as N", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "preload", Instrument: "a"}},
			{"evidence.value.unit", "measures length", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "preload", Instrument: "a", Value: q("5", "um")}},
			{"evidence.value.unit", "{rpm}", faultv1.Reason_REASON_UNKNOWN_TERM, &intakev1.Evidence{Kind: "preload", Instrument: "a", Value: q("5", "rpm")}},
			{"evidence.value.as_typed", "plain decimal", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "preload", Instrument: "a", Value: q("5e2", "N")}},
			{"evidence.value.as_typed", "NaN", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "preload", Instrument: "a", Value: q("NaN", "N")}},
			{"evidence.instrument", "name the instrument", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "preload", Value: q("480", "N")}},
			{"evidence.file_sha256", "upload it first", faultv1.Reason_REASON_BAD_FILE, &intakev1.Evidence{Kind: "photograph", FileSha256: digest([]byte("x"))}},
			{"evidence.note", "needs its reason", faultv1.Reason_REASON_INVALID_FIELD, &intakev1.Evidence{Kind: "not_run"}},
			{"", "for quality and lead", faultv1.Reason_REASON_ROLE_NOT_ALLOWED, &intakev1.Evidence{Kind: "leak_test", WaivedBecause: "no coolant"}},
		} {
			_, err := give(c.e)
			refused(t, err, c.reason, c.path, c.text)
		}
		waive := func(e *intakev1.Evidence) (*intakev1.WorkOrder, error) {
			return w.GiveEvidence(w.quality(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Evidence: e})
		}
		_, err := waive(&intakev1.Evidence{Kind: "guard_closed", WaivedBecause: "in a hurry"})
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "cannot be waived by anybody")
		_, err = waive(&intakev1.Evidence{Kind: "nut_runout", WaivedBecause: "no nut", Value: q("1", "um")})
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "evidence.waived_because", "not both")
		got := must(waive(&intakev1.Evidence{Kind: "leak_test", WaivedBecause: "no coolant through"}))(t)
		if got.Evidence[0].WaivedBecause == "" || got.Evidence[0].GivenBy != "quinn" {
			t.Errorf("evidence %v", got.Evidence)
		}
		entries, _, err := w.audit.List(w.store.Reader(t.Context()), 0, 10)
		if err != nil || len(entries) != 2 || entries[0].What != "waiver" || entries[1].What != "waiver refused" {
			t.Errorf("audit %v, %v", entries, err)
		}
		for kind, typed := range map[string]string{"insulation_resistance": "0", "preload": "-1", "nut_runout": "-0.5"} {
			k, _ := kindOf(kind)
			_, err := give(&intakev1.Evidence{Kind: kind, Instrument: "a", Value: q(typed, k.unit)})
			refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "evidence.value.as_typed", "set failed")
		}
		if seized := must(give(&intakev1.Evidence{Kind: "free_rotation", Failed: true, Note: "seized"}))(t); !last(seized, "free_rotation").Failed {
			t.Error("a failed check is not on record")
		}
		got = must(give(&intakev1.Evidence{Kind: "nut_runout", Instrument: "dial 3", Value: q("0.00050", "[in_i]")}))(t)
		if v := last(got, "nut_runout").Value; v.AsTyped != "0.00050" || v.Canonical != 0.0127 || v.CanonicalUnit != "mm" || v.Resolution != 0.000254 {
			t.Errorf("value %v", v)
		}
	})
}

func TestFourEyes(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "kitted")
		w.openGates(wo, "assembled")
		wo = must(w.GetWorkOrder(w.lead(), &intakev1.GetWorkOrderRequest{WorkOrderId: wo.WorkOrderId}))(t)
		w.shop(north, "NOR", "Europe/Oslo", true, 2)
		_, err := w.move(wo, "assembled")
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "second person")
		id := last(wo, "assembly_signed").EvidenceId
		sign := func(who string) error {
			_, err := w.CountersignEvidence(w.as(accessv1.Role_ROLE_QUALITY, who, north), &intakev1.CountersignEvidenceRequest{
				RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, EvidenceId: id})
			return err
		}
		refused(t, sign("tess"), faultv1.Reason_REASON_ROLE_NOT_ALLOWED, "", "another person")
		if err := sign("quinn"); err != nil {
			t.Fatal(err)
		}
		refused(t, sign("lena"), faultv1.Reason_REASON_INVALID_FIELD, "evidence_id", "already")
		if wo = must(w.move(wo, "assembled"))(t); last(wo, "assembly_signed").CountersignedBy != "quinn" {
			t.Errorf("evidence %v", last(wo, "assembly_signed"))
		}
	})
}

func TestWaysToEndAnOrder(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		_, err := w.ship(wo, repaired)
		refused(t, err, faultv1.Reason_REASON_NO_SUCH_MOVE, "outcome", "reported")
		_, err = w.ship(wo, scrapped)
		refused(t, err, faultv1.Reason_REASON_NO_SUCH_MOVE, "outcome", "torn_down")
		_, err = w.ship(wo, "lost")
		refused(t, err, faultv1.Reason_REASON_UNKNOWN_TERM, "outcome", "repaired")
		gone := must(w.ship(wo, returnedUnrepaired))(t)
		if gone.Stage != returnedUnrepaired || gone.Outcome != returnedUnrepaired {
			t.Errorf("got %v", gone)
		}
		_, err = w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Evidence: &intakev1.Evidence{Kind: "photograph"}})
		refused(t, err, faultv1.Reason_REASON_STAGE_MOVED, "", "ended on")
		_, err = w.ship(gone, scrapped)
		refused(t, err, faultv1.Reason_REASON_STAGE_MOVED, "", "ended on")

		w.clock.Advance(24 * time.Hour)
		next := w.receiveRequest(wo.SpindleId)
		next.RemovedAt, next.ReceivedAt = ts(today.Add(time.Hour)), ts(today.Add(2*time.Hour))
		wo = w.upTo(must(w.ReceiveWorkOrder(w.technician(), next))(t), "reported")
		w.openGates(wo, "shipped")
		_, err = w.ship(wo, repaired)
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "primary_failure")
		w.find(wo, &intakev1.Finding{Component: "shaft", Mode: "noise", Mechanism: "unknown", Cause: "unknown", Role: primaryFailure, Severity: "minor"})
		if wo = must(w.ship(wo, repaired))(t); wo.Stage != "shipped" {
			t.Errorf("stage %s", wo.Stage)
		}
	})
}
