package scenario

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
)

// bench is one shop at work in the story.
type bench struct {
	site     Site
	cast     *Cast
	shop     Shop
	model    *intakev1.SpindleModel
	customer string
}

type finding struct{ component, mode, mechanism, cause string }

func (b bench) id(step string, args ...any) string {
	return requestID(b.shop.Code+" "+step, args...)
}

func (b bench) spindle(ctx context.Context, serial string) (*intakev1.Spindle, error) {
	return b.site.intake().RegisterSpindle(As(ctx, b.shop.Technician), &intakev1.RegisterSpindleRequest{
		RequestId: b.id("spindle %s", serial),
		Spindle:   &intakev1.Spindle{ModelId: b.model.ModelId, Serial: b.shop.Code + serial, CustomerId: b.customer},
	})
}

func (b bench) receive(ctx context.Context, serial string, at int, hours float64, warrantyOf, reason string) (*intakev1.WorkOrder, error) {
	sp, err := b.spindle(ctx, serial)
	if err != nil {
		return nil, err
	}
	return b.site.intake().ReceiveWorkOrder(As(ctx, b.shop.Technician), &intakev1.ReceiveWorkOrderRequest{
		RequestId: b.id("receive %s %d", serial, at), ShopId: b.shop.ID, SpindleId: sp.SpindleId,
		ReasonForRemoval: reason, Symptoms: "rumble heard at " + b.shop.Code, Machine: "line 2",
		RemovedAt: stamp(day(at)), ReceivedAt: stamp(day(at + 2)), RunningHours: &hours, WarrantyOf: warrantyOf,
	})
}

func (b bench) report(ctx context.Context, spindleID string, hours float64, at int) error {
	_, err := b.site.intake().ReportHours(As(ctx, b.shop.Technician), &intakev1.ReportHoursRequest{
		RequestId: b.id("hours %s %d", spindleID, at), SpindleId: spindleID, RunningHours: hours,
		SeenAt: stamp(day(at)), Source: "meter",
	})
	return err
}

// repair takes a spindle along the whole road and ships it.
func (b bench) repair(ctx context.Context, serial string, at int, hours float64, warrantyOf string, f finding) (*intakev1.WorkOrder, error) {
	wo, err := b.receive(ctx, serial, at, hours, warrantyOf, "vibration")
	if err != nil {
		return nil, fmt.Errorf("receive %s: %w", serial, err)
	}
	if err := b.photograph(ctx, wo); err != nil {
		return nil, err
	}
	road := []string{"incoming_tested", "torn_down", "cleaned", "inspected", "quoted", "approved", "in_repair", "kitted",
		"assembled", "balanced_low_speed", "in_run_in", "trimmed_warm", "accepted", "reported"}
	for step, to := range road {
		if to == "cleaned" {
			if err := b.tagAll(ctx, wo); err != nil {
				return nil, err
			}
			if err := b.find(ctx, wo, f, "primary_failure"); err != nil {
				return nil, err
			}
		}
		if wo, err = b.move(ctx, wo, to, at+2+step); err != nil {
			return nil, fmt.Errorf("move %s to %s: %w", wo.GetNumber(), to, err)
		}
	}
	return b.ship(ctx, wo, "repaired", at+20)
}

// move opens the gates of the move with every kind of evidence they need, then moves.
func (b bench) move(ctx context.Context, wo *intakev1.WorkOrder, to string, at int) (*intakev1.WorkOrder, error) {
	if err := b.open(ctx, wo, wo.Stage, to); err != nil {
		return wo, err
	}
	moved, err := b.site.intake().MoveStage(As(ctx, b.shop.Lead), &intakev1.MoveStageRequest{
		RequestId: b.id("move %s %d %s", wo.Number, wo.Visit, to), WorkOrderId: wo.WorkOrderId,
		From: wo.Stage, To: to, OccurredAt: stamp(day(at)),
	})
	if err != nil {
		return wo, err
	}
	return moved, nil
}

// open gives the evidence that the gates between two stages ask for.
func (b bench) open(ctx context.Context, wo *intakev1.WorkOrder, from, to string) error {
	road, err := b.site.intake().ListStages(As(ctx, b.shop.Technician), &intakev1.ListStagesRequest{})
	if err != nil {
		return err
	}
	needed := map[string]bool{}
	for _, st := range road.Stages {
		for _, m := range st.Moves {
			if st.Code == from && m.To == to {
				for _, g := range m.Gates {
					needed[g] = true
				}
			}
		}
	}
	for _, g := range road.Gates {
		if !needed[g.Code] {
			continue
		}
		for _, kind := range g.Needs {
			if err := b.evidence(ctx, wo, kind); err != nil {
				return fmt.Errorf("evidence %s: %w", kind.Code, err)
			}
		}
	}
	return nil
}

func (b bench) evidence(ctx context.Context, wo *intakev1.WorkOrder, kind *intakev1.EvidenceKind) error {
	if kind.Drive != "" && kind.Drive != b.model.Drive {
		return nil
	}
	ev := &intakev1.Evidence{Kind: kind.Code, Note: "seen and signed"}
	if kind.Unit != "" {
		ev.Value = &unitsv1.Quantity{AsTyped: "1.50", Unit: kind.Unit}
		ev.Instrument = "GAUGE-7"
	}
	given, err := b.site.intake().GiveEvidence(As(ctx, b.shop.Technician), &intakev1.GiveEvidenceRequest{
		RequestId: b.id("evidence %s %d %s", wo.Number, wo.Visit, kind.Code), WorkOrderId: wo.WorkOrderId, Evidence: ev,
	})
	if err != nil || !kind.Countersigned {
		return err
	}
	for _, e := range given.Evidence {
		if e.Kind == kind.Code && e.Visit == wo.Visit && e.VoidedBy == "" && e.CountersignedBy == "" {
			_, err = b.site.intake().CountersignEvidence(As(ctx, b.shop.Quality), &intakev1.CountersignEvidenceRequest{
				RequestId: b.id("countersign %s %d %s", wo.Number, wo.Visit, kind.Code), WorkOrderId: wo.WorkOrderId, EvidenceId: e.EvidenceId,
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func (b bench) tagAll(ctx context.Context, wo *intakev1.WorkOrder) error {
	req := &intakev1.TagPartsRequest{RequestId: b.id("tag %s", wo.Number), WorkOrderId: wo.WorkOrderId}
	for i, p := range b.model.Parts {
		req.Tags = append(req.Tags, &intakev1.Tag{Position: p.Position, Label: fmt.Sprintf("%s-%d", wo.Number, i+1)})
	}
	_, err := b.site.intake().TagParts(As(ctx, b.shop.Technician), req)
	return err
}

func (b bench) find(ctx context.Context, wo *intakev1.WorkOrder, f finding, role string) error {
	_, err := b.site.intake().RecordFinding(As(ctx, b.shop.Technician), &intakev1.RecordFindingRequest{
		RequestId: b.id("finding %s %s %s", wo.Number, f.mode, role), WorkOrderId: wo.WorkOrderId,
		Finding: &intakev1.Finding{Component: f.component, Mode: f.mode, Mechanism: f.mechanism, Cause: f.cause,
			Role: role, Severity: "major", Note: "pitted raceway"},
	})
	return err
}

func (b bench) ship(ctx context.Context, wo *intakev1.WorkOrder, outcome string, at int) (*intakev1.WorkOrder, error) {
	if err := b.open(ctx, wo, wo.Stage, "shipped"); err != nil {
		return nil, err
	}
	shipped, err := b.site.intake().ShipWorkOrder(As(ctx, b.shop.Quality), &intakev1.ShipWorkOrderRequest{
		RequestId: b.id("ship %s", wo.Number), WorkOrderId: wo.WorkOrderId, From: wo.Stage,
		Outcome: outcome, ShippedAt: stamp(day(at)),
	})
	if err != nil {
		return nil, fmt.Errorf("ship %s: %w", wo.Number, err)
	}
	return shipped, nil
}

// scrap takes a spindle as far as the quote and scraps it.
func (b bench) scrap(ctx context.Context, serial string, at int, hours float64) error {
	wo, err := b.receive(ctx, serial, at, hours, "", "crash")
	if err != nil {
		return err
	}
	for step, to := range []string{"incoming_tested", "torn_down"} {
		if wo, err = b.move(ctx, wo, to, at+2+step); err != nil {
			return err
		}
	}
	if err := b.tagAll(ctx, wo); err != nil {
		return err
	}
	if err := b.find(ctx, wo, finding{"shaft", "seizure", "mechanical_impact", "operation_crash"}, "primary_failure"); err != nil {
		return err
	}
	for step, to := range []string{"cleaned", "inspected", "quoted"} {
		if wo, err = b.move(ctx, wo, to, at+4+step); err != nil {
			return err
		}
	}
	_, err = b.ship(ctx, wo, "scrapped", at+9)
	return err
}

// wait puts a spindle on hold.
func (b bench) wait(ctx context.Context, serial string, at int, hours float64) error {
	wo, err := b.receive(ctx, serial, at, hours, "", "noise")
	if err != nil {
		return err
	}
	_, err = b.site.intake().MoveStage(As(ctx, b.shop.Lead), &intakev1.MoveStageRequest{
		RequestId: b.id("hold %s", wo.Number), WorkOrderId: wo.WorkOrderId, From: wo.Stage, To: "on_hold",
		OccurredAt: stamp(day(at + 3)), HoldReason: "question_open",
	})
	return err
}

// stopAtGate tries to open a spindle whose springs nobody has released.
func (b bench) stopAtGate(ctx context.Context, serial string, at int, hours float64) error {
	wo, err := b.receive(ctx, serial, at, hours, "", "clamping_failure")
	if err != nil {
		return err
	}
	if wo, err = b.move(ctx, wo, "incoming_tested", at+3); err != nil {
		return err
	}
	_, err = b.site.intake().MoveStage(As(ctx, b.shop.Lead), &intakev1.MoveStageRequest{
		RequestId: b.id("too early %s", wo.Number), WorkOrderId: wo.WorkOrderId, From: wo.Stage, To: "torn_down",
		OccurredAt: stamp(day(at + 4)), OverrideBecause: "in a hurry",
	})
	if status.Code(err) != codes.FailedPrecondition {
		return fmt.Errorf("teardown of %s without a safe-handling record answered %v, want it refused even for a lead", wo.Number, err)
	}
	return nil
}

// photograph uploads a file and gives it as evidence.
func (b bench) photograph(ctx context.Context, wo *intakev1.WorkOrder) error {
	content := []byte("photograph of the crate of " + wo.Number)
	sum := sha256.Sum256(content)
	digest := hex.EncodeToString(sum[:])
	up, err := b.site.intake().UploadFile(As(ctx, b.shop.Technician))
	if err != nil {
		return err
	}
	for _, part := range []*intakev1.UploadFileRequest{
		{Part: &intakev1.UploadFileRequest_Header{Header: &intakev1.FileHeader{WorkOrderId: wo.WorkOrderId, FileName: "crate.jpg",
			MediaType: "image/jpeg", SizeBytes: int64(len(content)), Sha256: digest}}},
		{Part: &intakev1.UploadFileRequest_Chunk{Chunk: content}},
	} {
		if err := up.Send(part); err != nil {
			break // the answer says why
		}
	}
	if _, err := up.CloseAndRecv(); err != nil {
		return fmt.Errorf("upload: %w", err)
	}
	_, err = b.site.intake().GiveEvidence(As(ctx, b.shop.Technician), &intakev1.GiveEvidenceRequest{
		RequestId: b.id("photograph %s", wo.Number), WorkOrderId: wo.WorkOrderId,
		Evidence: &intakev1.Evidence{Kind: "photograph", FileSha256: digest},
	})
	return err
}

// importPast brings rows of earlier years in.
func (b bench) importPast(ctx context.Context, customer string, n int) error {
	req := &intakev1.ImportHistoryRequest{RequestId: b.id("import"), ShopId: b.shop.ID}
	modes := []finding{
		{"front_bearing_set", "vibration", "surface_fatigue", "contamination_coolant"},
		{"disc_springs", "clamping_force_low", "spring_fatigue", "wear_expected"},
		{"winding", "insulation_low", "insulation_breakdown", "contamination_coolant"},
	}
	for i := range n {
		row := &intakev1.HistoryRow{Line: int64(i + 2), Record: fmt.Sprintf("past-%03d", i),
			Customer: customer, Maker: b.model.Maker, Designation: b.model.Designation, Serial: fmt.Sprintf("%sP%02d", b.shop.Code, i%8)}
		visit := i / 8
		hours := float64(1000 + 1700*visit + 13*(i%8))
		start := -1000 + 150*visit + i%8
		row.RecordedAt = stamp(day(start + 25))
		if visit%2 == 1 {
			row.Fact = &intakev1.HistoryRow_Seen{Seen: &intakev1.SeenRunning{SeenAt: stamp(day(start)), RunningHours: hours, Source: "meter"}}
		} else {
			f := modes[i%len(modes)]
			row.Fact = &intakev1.HistoryRow_Repair{Repair: &intakev1.PastRepair{RemovedAt: stamp(day(start)), ReceivedAt: stamp(day(start + 3)),
				ShippedAt: stamp(day(start + 24)), RunningHours: &hours, Machine: fmt.Sprintf("line %d", i%3), ReasonForRemoval: "vibration",
				Component: f.component, Mode: f.mode, Mechanism: f.mechanism, Cause: f.cause, Outcome: "repaired"}}
		}
		req.Rows = append(req.Rows, row)
	}
	got, err := b.site.intake().ImportHistory(As(ctx, b.cast.Steward), req)
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	if len(got.Refused) > 0 {
		return fmt.Errorf("import refused %d rows, first: line %d %s: %s", len(got.Refused), got.Refused[0].Line, got.Refused[0].Column, got.Refused[0].Reason)
	}
	return nil
}
