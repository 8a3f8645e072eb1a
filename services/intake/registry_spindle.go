package intake

import (
	"context"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// RegisterSpindle adds a spindle. Maker, model and serial name it once.
func (s *Service) RegisterSpindle(ctx context.Context, req *intakev1.RegisterSpindleRequest) (*intakev1.Spindle, error) {
	who := access.From(ctx)
	asked := req.GetSpindle()
	if err := name("spindle.serial", asked.GetSerial(), 60); err != nil {
		return nil, err
	}
	return change(ctx, s, intakev1.IntakeService_RegisterSpindle_FullMethodName, req, func(tx *db.Tx) (*intakev1.Spindle, error) {
		if sees, err := seesCustomer(tx, who, asked.CustomerId); err != nil || !sees {
			return nil, first(err, fault.NotFound("customer", cutText(asked.CustomerId)))
		}
		if c, err := readCustomer(tx, asked.CustomerId); err != nil || c == nil {
			return nil, first(err, fault.NotFound("customer", cutText(asked.CustomerId)))
		}
		m, err := readModel(tx, asked.ModelId)
		if err != nil || m == nil {
			return nil, first(err, fault.NotFound("model", cutText(asked.ModelId)))
		}
		row := &spindle{id: s.ids.New(), model: m.ModelId, serial: asked.Serial, customer: asked.CustomerId}
		if err := insertSpindle(tx, row); err != nil {
			if db.IsUnique(err) {
				return nil, exists("spindle.serial", "%s %s with serial %q is registered already; find it by maker, designation and serial", m.Maker, m.Designation, row.serial).WithCause(err)
			}
			return nil, err
		}
		now := s.later(0)
		return s.recordSpindle(tx, row, "registered", now, &intakev1.SpindleRegistered{SpindleId: row.id, ModelId: row.model,
			Serial: row.serial, CustomerId: row.customer, By: who.ID})
	})
}

// recordSpindle saves the spindle's row and its event, and gives the spindle.
func (s *Service) recordSpindle(tx *db.Tx, row *spindle, happened string, occurred int64, body proto.Message) (*intakev1.Spindle, error) {
	row.revision++
	row.recorded = s.later(row.recorded)
	if err := saveSpindle(tx, row); err != nil {
		return nil, err
	}
	_, err := s.outbox.Append(tx, events.Draft{Tenant: events.Network, EntityType: "spindle", EntityID: row.id, Revision: row.revision,
		Happened: happened, OccurredAt: clock.FromMicros(occurred), RecordedAt: clock.FromMicros(row.recorded), Body: body})
	if err != nil {
		return nil, err
	}
	return spindleProto(tx, row)
}

// GetSpindle gives a spindle within reach with its latest reading.
func (s *Service) GetSpindle(ctx context.Context, req *intakev1.GetSpindleRequest) (*intakev1.Spindle, error) {
	if badText(req.SpindleId) != "" {
		return nil, fault.NotFound("spindle", cutText(req.SpindleId))
	}
	q := s.store.Reader(ctx)
	row, err := spindleFor(q, access.From(ctx), req.SpindleId, "")
	if err != nil {
		return nil, err
	}
	return spindleProto(q, row)
}

// FindSpindle finds a spindle by its name plate.
func (s *Service) FindSpindle(ctx context.Context, req *intakev1.FindSpindleRequest) (*intakev1.Spindle, error) {
	if err := checkTexts(req); err != nil {
		return nil, err
	}
	q := s.store.Reader(ctx)
	plate := fault.NotFound("spindle", cutText(req.Maker)+" "+cutText(req.Designation)+" "+cutText(req.Serial))
	model, err := modelNamed(q, req.Maker, req.Designation)
	if err != nil || model == "" {
		return nil, first(err, plate)
	}
	row, err := spindleNamed(q, model, req.Serial)
	if err != nil || row == nil {
		return nil, first(err, plate)
	}
	if sees, err := seesSpindle(q, access.From(ctx), row); err != nil || !sees {
		return nil, first(err, plate)
	}
	return spindleProto(q, row)
}

// RetireSpindle notes that a spindle went out of use for good.
func (s *Service) RetireSpindle(ctx context.Context, req *intakev1.RetireSpindleRequest) (*intakev1.Spindle, error) {
	who := access.From(ctx)
	at, err := s.stated("retired_at", req.RetiredAt)
	if err != nil {
		return nil, err
	}
	return change(ctx, s, intakev1.IntakeService_RetireSpindle_FullMethodName, req, func(tx *db.Tx) (*intakev1.Spindle, error) {
		row, err := spindleFor(tx, who, req.SpindleId, tx.ForUpdate())
		if err != nil {
			return nil, err
		}
		if err := checkEtag("spindle", req.Etag, row.revision); err != nil {
			return nil, err
		}
		if err := retirable(tx, row, at); err != nil {
			return nil, err
		}
		if req.RunningHours != nil {
			if err := noteReading(tx, row.id, retiredOrigin, at, *req.RunningHours); err != nil {
				return nil, err
			}
		}
		row.retired = &at
		return s.recordSpindle(tx, row, "retired", at, &intakev1.SpindleRetired{SpindleId: row.id, RunningHours: req.RunningHours, By: who.ID})
	})
}

// retirable refuses what cannot be: retired twice, retired while a shop works
// on it, or before it was last seen running.
func retirable(tx *db.Tx, row *spindle, at int64) error {
	if row.retired != nil {
		return exists("spindle_id", "the spindle was retired on %s already", day(*row.retired))
	}
	o, err := openOrderOf(tx, row.id)
	if err != nil {
		return err
	}
	if o != nil {
		return orderOpen("spindle_id", "an order is open for the spindle; end it first (outcome scrapped says that it will not run again)")
	}
	last, err := lastReading(tx, row.id)
	if err == nil && last != nil && last.at > at {
		return outOfOrder("retired_at", "is %s, but the spindle was seen running on %s", day(at), day(last.at))
	}
	return err
}
