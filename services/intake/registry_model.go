package intake

import (
	"context"
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/paging"
	"spindlewright/pkg/vocabulary"
)

// CreateSpindleModel adds a model with its part tree.
func (s *Service) CreateSpindleModel(ctx context.Context, req *intakev1.CreateSpindleModelRequest) (*intakev1.SpindleModel, error) {
	if err := checkModel(req.GetModel()); err != nil {
		return nil, err
	}
	return change(ctx, s, intakev1.IntakeService_CreateSpindleModel_FullMethodName, req, func(tx *db.Tx) (*intakev1.SpindleModel, error) {
		m := proto.CloneOf(req.Model)
		m.ModelId, m.Etag = s.ids.New(), etag(1)
		now := s.later(0)
		if err := insertModel(tx, m, now); err != nil {
			if db.IsUnique(err) {
				return nil, exists("model.code", "a model with code %q, or of maker %q with designation %q, exists already", m.Code, m.Maker, m.Designation).WithCause(err)
			}
			return nil, err
		}
		_, err := s.outbox.Append(tx, events.Draft{Tenant: events.Network, EntityType: "spindle_model", EntityID: m.ModelId, Revision: 1,
			Happened: "recorded", OccurredAt: clock.FromMicros(now), RecordedAt: clock.FromMicros(now),
			Body: &intakev1.SpindleModelRecorded{ModelId: m.ModelId, Code: m.Code, Maker: m.Maker, Designation: m.Designation,
				MaxSpeedRpm: m.MaxSpeedRpm, Drive: m.Drive, Lubrication: m.Lubrication}})
		return m, err
	})
}

func checkModel(m *intakev1.SpindleModel) error {
	err := first(code("model.code", m.GetCode()), name("model.maker", m.GetMaker(), 80), name("model.designation", m.GetDesignation(), 80),
		term("model.drive", vocabulary.Drive, m.GetDrive()), term("model.lubrication", vocabulary.Lubrication, m.GetLubrication()))
	if err != nil {
		return err
	}
	// Not NaN either: no comparison holds for it.
	if !(m.MaxSpeedRpm > 0 && m.MaxSpeedRpm <= 400_000) || math.IsInf(m.MaxSpeedRpm, 0) {
		return fault.InvalidField("model.max_speed_rpm", "is %v; give more than 0 and at most 400000 r/min", m.MaxSpeedRpm)
	}
	if len(m.Parts) == 0 || len(m.Parts) > 200 {
		return fault.InvalidField("model.parts", "has %d positions; give 1 to 200", len(m.Parts))
	}
	seen := map[string]bool{}
	for i, p := range m.Parts {
		path := fmt.Sprintf("model.parts[%d]", i)
		if err := first(code(path+".position", p.GetPosition()), term(path+".component", vocabulary.Component, p.GetComponent())); err != nil {
			return err
		}
		if seen[p.Position] {
			return fault.InvalidField(path+".position", "is %q, which stands before; name each position once", p.Position)
		}
		seen[p.Position] = true
	}
	return nil
}

// GetSpindleModel gives a model; models belong to the whole network.
func (s *Service) GetSpindleModel(ctx context.Context, req *intakev1.GetSpindleModelRequest) (*intakev1.SpindleModel, error) {
	if badText(req.ModelId) == "" {
		if m, err := readModel(s.store.Reader(ctx), req.ModelId); m != nil || err != nil {
			return m, err
		}
	}
	return nil, fault.NotFound("model", cutText(req.ModelId))
}

// ListSpindleModels lists models by code.
func (s *Service) ListSpindleModels(ctx context.Context, req *intakev1.ListSpindleModelsRequest) (*intakev1.ListSpindleModelsResponse, error) {
	after, err := paging.Position(req.PageToken, "models", 1)
	if err != nil {
		return nil, err
	}
	size := paging.Size(req.PageSize)
	list, err := listModels(s.store.Reader(ctx), at(after, 0), size+1)
	if err != nil {
		return nil, err
	}
	out := &intakev1.ListSpindleModelsResponse{}
	if len(list) > size {
		list = list[:size]
		out.NextPageToken = paging.Token("models", list[size-1].Code)
	}
	out.Models = list
	return out, nil
}
