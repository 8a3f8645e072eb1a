package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	unitsv1 "spindlewright/pkg/gen/spindlewright/units/v1"
	"spindlewright/services/wright/history"
)

// job is one live spindle in a shop of the demo, in the hands of its people.
type job struct {
	*demo
	shop *demoShop
	// spindle as the history left it; Serial "" for one that is new here.
	spindle   history.Running
	spindleID string
	model     *intakev1.SpindleModel
	order     *intakev1.WorkOrder
	// said is what is told of it at the end.
	said string
}

// receive opens the order: the spindle came out of its machine the day before.
func (j *job) receive(ctx context.Context, reason string, hours *float64, warrantyOf string) error {
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	now := j.clock.Now()
	j.order, err = j.intake.ReceiveWorkOrder(signed, &intakev1.ReceiveWorkOrderRequest{
		RequestId: j.requestID(), ShopId: j.shop.id, SpindleId: j.spindleID, ReasonForRemoval: reason,
		Symptoms: symptomsOf(reason), Machine: j.spindle.Machine, RemovedAt: timestamppb.New(now.AddDate(0, 0, -1)),
		ReceivedAt: timestamppb.New(now), RunningHours: hours, WarrantyOf: warrantyOf})
	return err
}

// find finds the spindle by its name plate, as a technician at the dock does.
func (j *job) find(ctx context.Context) error {
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	s, err := j.intake.FindSpindle(signed, &intakev1.FindSpindleRequest{
		Maker: j.spindle.Maker, Designation: j.spindle.Designation, Serial: j.spindle.Serial})
	j.spindleID = s.GetSpindleId()
	return err
}

// enrol registers a spindle that the network has not met.
func (j *job) enrol(ctx context.Context, serial string) error {
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	s, err := j.intake.RegisterSpindle(signed, &intakev1.RegisterSpindleRequest{RequestId: j.requestID(),
		Spindle: &intakev1.Spindle{ModelId: j.model.ModelId, Serial: serial, CustomerId: j.customers[j.spindle.Customer]}})
	j.spindleID, j.spindle.Serial = s.GetSpindleId(), serial
	return err
}

// move opens the gates of a move with the evidence that each asks for, and
// moves.
func (j *job) move(ctx context.Context, to string) error {
	if err := j.openGates(ctx, to); err != nil {
		return err
	}
	return j.step(ctx, &intakev1.MoveStageRequest{To: to})
}

func (j *job) step(ctx context.Context, req *intakev1.MoveStageRequest) error {
	signed, err := j.as(ctx, j.shop.lead)
	if err != nil {
		return err
	}
	req.RequestId, req.WorkOrderId, req.From, req.OccurredAt = j.requestID(), j.order.WorkOrderId, j.order.Stage, timestamppb.New(j.clock.Now())
	moved, err := j.intake.MoveStage(signed, req)
	if err != nil {
		return err
	}
	j.order = moved
	return nil
}

func (j *job) openGates(ctx context.Context, to string) error {
	gates := map[string]bool{}
	for _, stage := range j.road.Stages {
		for _, m := range stage.Moves {
			if stage.Code == j.order.Stage && m.To == to {
				for _, code := range m.Gates {
					gates[code] = true
				}
			}
		}
	}
	for _, gate := range j.road.Gates {
		if !gates[gate.Code] {
			continue
		}
		for _, kind := range gate.Needs {
			if kind.Drive != "" && kind.Drive != j.model.Drive {
				continue
			}
			if err := j.give(ctx, kind, ""); err != nil {
				return fmt.Errorf("evidence %s: %w", kind.Code, err)
			}
		}
	}
	return nil
}

// give gives one piece of evidence, unless it stands already, and has it
// countersigned where that is asked for.
func (j *job) give(ctx context.Context, kind *intakev1.EvidenceKind, file string) error {
	if j.standing(kind.Code) != nil {
		return nil
	}
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	evidence := &intakev1.Evidence{Kind: kind.Code, FileSha256: file}
	if kind.Unit != "" {
		typed, instrument := plausible(kind, j.shop.code, j.model, j.spindle.Serial, j.order.Visit)
		evidence.Value, evidence.Instrument = &unitsv1.Quantity{AsTyped: typed, Unit: kind.Unit}, instrument
	}
	if j.order, err = j.intake.GiveEvidence(signed, &intakev1.GiveEvidenceRequest{
		RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId, Evidence: evidence}); err != nil || !kind.Countersigned {
		return err
	}
	if signed, err = j.as(ctx, j.shop.quality); err != nil {
		return err
	}
	j.order, err = j.intake.CountersignEvidence(signed, &intakev1.CountersignEvidenceRequest{
		RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId, EvidenceId: j.standing(kind.Code).GetEvidenceId()})
	return err
}

// standing is the evidence of a kind that counts for this visit.
func (j *job) standing(kind string) *intakev1.Evidence {
	for _, e := range j.order.Evidence {
		if e.Kind == kind && e.Visit == j.order.Visit && e.VoidedBy == "" {
			return e
		}
	}
	return nil
}

// tag accounts for every position of the part tree.
func (j *job) tag(ctx context.Context) error {
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	req := &intakev1.TagPartsRequest{RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId}
	for i, p := range j.model.Parts {
		req.Tags = append(req.Tags, &intakev1.Tag{Position: p.Position, Label: fmt.Sprintf("%s/%02d", j.order.Number, i+1)})
	}
	j.order, err = j.intake.TagParts(signed, req)
	return err
}

func (j *job) finding(ctx context.Context, f *intakev1.Finding) error {
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	j.order, err = j.intake.RecordFinding(signed, &intakev1.RecordFindingRequest{
		RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId, Finding: f})
	return err
}

func (j *job) ship(ctx context.Context, outcome string) error {
	if err := j.openGates(ctx, "shipped"); err != nil {
		return err
	}
	signed, err := j.as(ctx, j.shop.quality)
	if err != nil {
		return err
	}
	j.order, err = j.intake.ShipWorkOrder(signed, &intakev1.ShipWorkOrderRequest{RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId,
		From: j.order.Stage, Outcome: outcome, ShippedAt: timestamppb.New(j.clock.Now())})
	return err
}

// photograph uploads a picture and gives it as evidence.
func (j *job) photograph(ctx context.Context) error {
	picture, err := crackedRaceway()
	if err != nil {
		return err
	}
	signed, err := j.as(ctx, j.shop.technician)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(picture)
	digest := hex.EncodeToString(sum[:])
	upload, err := j.intake.UploadFile(signed)
	if err != nil {
		return err
	}
	for _, part := range []*intakev1.UploadFileRequest{
		{Part: &intakev1.UploadFileRequest_Header{Header: &intakev1.FileHeader{WorkOrderId: j.order.WorkOrderId,
			FileName: "outer-raceway.png", MediaType: "image/png", SizeBytes: int64(len(picture)), Sha256: digest}}},
		{Part: &intakev1.UploadFileRequest_Chunk{Chunk: picture}},
	} {
		if upload.Send(part) != nil {
			break // the answer says why
		}
	}
	if _, err := upload.CloseAndRecv(); err != nil {
		return fmt.Errorf("photograph: %w", err)
	}
	return j.give(ctx, &intakev1.EvidenceKind{Code: "photograph"}, digest)
}

// correct mends the hours that were typed at receiving.
func (j *job) correct(ctx context.Context, hours float64, because string) error {
	signed, err := j.as(ctx, j.shop.lead)
	if err != nil {
		return err
	}
	j.order, err = j.intake.CorrectReceipt(signed, &intakev1.CorrectReceiptRequest{RequestId: j.requestID(), WorkOrderId: j.order.WorkOrderId,
		Etag: j.order.Etag, ReasonForRemoval: j.order.ReasonForRemoval, RemovedAt: j.order.RemovedAt, ReceivedAt: j.order.ReceivedAt,
		RunningHours: &hours, Because: because})
	return err
}

// hoursNow is what the meter shows when it is removed the day before at.
func (j *job) hoursNow(at time.Time) float64 {
	return j.spindle.Hours + 8*float64(at.YearDay()-demoBegins.YearDay())
}
