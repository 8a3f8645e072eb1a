package intake

import (
	"errors"
	"slices"
	"sync"
	"testing"

	"github.com/google/uuid"

	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

func moveRequest(wo *intakev1.WorkOrder, to string) *intakev1.MoveStageRequest {
	return &intakev1.MoveStageRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, From: wo.Stage, To: to, OccurredAt: ts(today)}
}

func TestMoveRefusals(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		for _, c := range []struct {
			name, path, text string
			reason           faultv1.Reason
			change           func(*intakev1.MoveStageRequest)
		}{
			{"another stage expected", "from", "it is received", faultv1.Reason_REASON_STAGE_MOVED, func(r *intakev1.MoveStageRequest) { r.From = "quoted" }},
			{"a stage that does not exist", "to", "torn_down", faultv1.Reason_REASON_UNKNOWN_TERM, func(r *intakev1.MoveStageRequest) { r.To = "torndown" }},
			{"no such move", "to", "incoming_tested", faultv1.Reason_REASON_NO_SUCH_MOVE, func(r *intakev1.MoveStageRequest) { r.To = "kitted" }},
			{"an end", "to", "outcome returned_unrepaired", faultv1.Reason_REASON_NO_SUCH_MOVE, func(r *intakev1.MoveStageRequest) { r.To = returnedUnrepaired }},
			{"a hold without reason", "hold_reason", "question_open", faultv1.Reason_REASON_UNKNOWN_TERM, func(r *intakev1.MoveStageRequest) { r.To, r.HoldReason = onHold, "question" }},
			{"a reason without hold", "hold_reason", "leave it empty", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.MoveStageRequest) { r.HoldReason = "capacity" }},
			{"before it was received", "occurred_at", "came into stage received", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, func(r *intakev1.MoveStageRequest) { r.OccurredAt = ts(daysAgo(9)) }},
			{"in the future", "occurred_at", "in the future", faultv1.Reason_REASON_DATES_OUT_OF_ORDER, func(r *intakev1.MoveStageRequest) { r.OccurredAt = ts(daysAgo(-3)) }},
			{"no time", "occurred_at", "say when", faultv1.Reason_REASON_INVALID_FIELD, func(r *intakev1.MoveStageRequest) { r.OccurredAt = nil }},
			{"a shut gate", "", "free_rotation", faultv1.Reason_REASON_GATE_SHUT, func(*intakev1.MoveStageRequest) {}},
			{"a lead in a hurry", "", "nobody can waive or override", faultv1.Reason_REASON_GATE_SHUT, func(r *intakev1.MoveStageRequest) { r.OverrideBecause = "in a hurry" }},
			{"an order that is not there", "", "within your reach", faultv1.Reason_REASON_NOT_FOUND, func(r *intakev1.MoveStageRequest) { r.WorkOrderId = uuid.NewString() }},
		} {
			req := moveRequest(wo, "incoming_tested")
			c.change(req)
			_, err := w.MoveStage(w.lead(), req)
			t.Run(c.name, func(t *testing.T) { refused(t, err, c.reason, c.path, c.text) })
		}
		_, err := w.MoveStage(w.as(accessv1.Role_ROLE_LEAD, "sam", south), moveRequest(wo, "incoming_tested"))
		refused(t, err, faultv1.Reason_REASON_NOT_FOUND, "", "within your reach")
	})
}

func TestOverrideIsForLeadsAndOnRecord(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "inspected")
		req := moveRequest(wo, "quoted")
		req.OverrideBecause = "parts go out tonight"
		_, err := w.MoveStage(w.technician(), req)
		refused(t, err, faultv1.Reason_REASON_ROLE_NOT_ALLOWED, "", "for a lead")
		moved := must(w.MoveStage(w.lead(), req))(t)
		if moved.Stage != "quoted" {
			t.Errorf("stage %s", moved.Stage)
		}
		list := w.events(wo.WorkOrderId)
		e := must(events.Decode(list[len(list)-1]))(t).(*intakev1.WorkOrderStageMoved)
		if !slices.Equal(e.OverriddenGates, []string{"inspection_complete"}) || e.By != "lena" {
			t.Errorf("event %v", e)
		}
		entries, _, err := w.audit.List(w.store.Reader(t.Context()), 0, 10)
		if err != nil || len(entries) != 1 || entries[0].What != "override" || entries[0].Subject != wo.Number {
			t.Errorf("audit %v, %v", entries, err)
		}
	})
}

func TestGatesStoreTheEvidenceTheyUsed(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		for _, k := range []string{"free_rotation", "insulation_resistance", "insulation_resistance", "lubrication_confirmed"} {
			wo = w.give(wo, k)
		}
		if wo.Evidence[1].VoidedBy != wo.Evidence[2].EvidenceId {
			t.Errorf("the newer reading did not stand in for the older: %v", wo.Evidence)
		}
		must(w.move(wo, "incoming_tested"))(t)
		list := w.events(wo.WorkOrderId)
		e := must(events.Decode(list[len(list)-1]))(t).(*intakev1.WorkOrderStageMoved)
		want := []string{wo.Evidence[0].EvidenceId, wo.Evidence[2].EvidenceId, wo.Evidence[3].EvidenceId}
		if !slices.Equal(e.EvidenceIds, want) {
			t.Errorf("got %v, want %v", e.EvidenceIds, want)
		}
	})
}

func TestGoingBackStartsANewVisit(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "in_run_in")
		wo = must(w.move(wo, "kitted"))(t)
		if wo.Visit != 2 || wo.Stage != "kitted" {
			t.Fatalf("visit %d, stage %s", wo.Visit, wo.Stage)
		}
		_, err := w.move(wo, "assembled")
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "bearing_set")
		if wo = w.upTo(wo, "in_run_in"); wo.Visit != 2 {
			t.Errorf("visit %d", wo.Visit)
		}
	})
}

func TestANewGreaseChargeVoidsTheRunIn(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "in_run_in")
		w.openGates(wo, "trimmed_warm")
		w.give(wo, "vibration")
		wo = w.give(wo, "lubricant_charge")
		if last(wo, "run_in_result").VoidedBy == "" || last(wo, "vibration").VoidedBy != "" {
			t.Errorf("evidence %v", wo.Evidence)
		}
		_, err := w.move(wo, "trimmed_warm")
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "void by now")
		w.openGates(wo, "trimmed_warm")
		wo = must(w.move(wo, "trimmed_warm"))(t)
		wo = w.give(wo, "trim_weight")
		if last(wo, "run_in_result").VoidedBy != "" || last(wo, "vibration").VoidedBy != last(wo, "trim_weight").EvidenceId {
			t.Errorf("a trim weight voids vibration and runout only: %v", wo.Evidence)
		}
	})
}

func TestHoldsRememberWhereFrom(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "quoted")
		req := moveRequest(wo, onHold)
		req.HoldReason = "capacity"
		wo = must(w.MoveStage(w.lead(), req))(t)
		if wo.Stage != onHold || wo.HoldReason != "capacity" || wo.Visit != 1 {
			t.Errorf("got %v", wo)
		}
		wo = must(w.move(wo, "awaiting_parts"))(t)
		if wo.HoldReason != "awaiting_parts" {
			t.Errorf("hold reason %q", wo.HoldReason)
		}
		_, err := w.move(wo, "kitted")
		refused(t, err, faultv1.Reason_REASON_NO_SUCH_MOVE, "to", "quoted")
		if wo = must(w.move(wo, "quoted"))(t); wo.HoldReason != "" || wo.Visit != 1 {
			t.Errorf("got %v", wo)
		}
	})
}

// Two people move the same order at the same time: one wins, the other is told.
func TestMovesAtOnce(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		w.openGates(wo, "incoming_tested")
		const callers = 8
		var group sync.WaitGroup
		errs := make([]error, callers)
		for i := range callers {
			group.Go(func() { _, errs[i] = w.MoveStage(w.lead(), moveRequest(wo, "incoming_tested")) })
		}
		group.Wait()
		won := 0
		for _, err := range errs {
			if err == nil {
				won++
			} else if !fault.Is(err, faultv1.Reason_REASON_STAGE_MOVED) {
				t.Errorf("got %v", err)
			}
		}
		if won != 1 {
			t.Errorf("%d of %d moves were made", won, callers)
		}
	})
}

func TestRepeatedCallsChangeNothing(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.received()
		req := moveRequest(wo, onHold)
		req.HoldReason = "capacity"
		first := must(w.MoveStage(w.lead(), req))(t)
		again := must(w.MoveStage(w.lead(), req))(t)
		if first.Etag != again.Etag || again.Stage != onHold {
			t.Errorf("got %v, then %v", first, again)
		}
		if n := len(w.events(wo.WorkOrderId)); n != 2 {
			t.Errorf("%d events, want 2", n)
		}
		req.HoldReason = "question_open"
		_, err := w.MoveStage(w.lead(), req)
		refused(t, err, faultv1.Reason_REASON_REQUEST_ID_REUSED, "", "request_id")
	})
}

func TestInstalledServicesAreAsked(t *testing.T) {
	eachWorld(t, func(t *testing.T, w *world) {
		wo := w.upTo(w.received(), "in_run_in")
		w.services["runin"] = true
		_, err := w.GiveEvidence(w.technician(), &intakev1.GiveEvidenceRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, Evidence: w.evidence(wo, "run_in_result")})
		refused(t, err, faultv1.Reason_REASON_INVALID_FIELD, "evidence.kind", "service runin")
		w.askFails = errors.New("away")
		_, err = w.move(wo, "trimmed_warm")
		refused(t, err, faultv1.Reason_REASON_GATE_SHUT, "", "service runin has no evidence")
		w.askFails, w.answering = nil, map[string]string{"run_in_result": "run 1", "temperature_rise": "run 1"}
		if wo = must(w.move(wo, "trimmed_warm"))(t); wo.Stage != "trimmed_warm" {
			t.Errorf("stage %s", wo.Stage)
		}
		w.services["measurement"], w.answering = true, nil
		wo = w.upTo(wo, "reported")
		w.find(wo, failure(primaryFailure))
		ship := &intakev1.ShipWorkOrderRequest{RequestId: uuid.NewString(), WorkOrderId: wo.WorkOrderId, From: wo.Stage, Outcome: repaired,
			ShippedAt: ts(today), OverrideBecause: "the service is down, measured by hand"}
		if wo = must(w.ShipWorkOrder(w.lead(), ship))(t); wo.Outcome != repaired {
			t.Errorf("got %v", wo)
		}
	})
}
