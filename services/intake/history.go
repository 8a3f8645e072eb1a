package intake

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
)

// maxRows of one call: one event has to hold them.
const maxRows = 500

// ImportHistory takes in history rows of one shop. A row is whole or absent; a
// row whose content is known changes nothing.
func (s *Service) ImportHistory(ctx context.Context, req *intakev1.ImportHistoryRequest) (*intakev1.ImportHistoryResponse, error) {
	const method = intakev1.IntakeService_ImportHistory_FullMethodName
	if err := s.ownShop(ctx, method, req.ShopId); err != nil {
		return nil, err
	}
	if n := len(req.Rows); n == 0 || n > maxRows {
		return nil, fault.Newf(codes.InvalidArgument, faultv1.Reason_REASON_TOO_MUCH, "rows has %d rows; send 1 to %d at once", n, maxRows)
	}
	who := access.From(ctx)
	// Checks that need no store are made before the transaction.
	now := s.clock.Now()
	plain := make([]pastRow, len(req.Rows))
	for i, r := range req.Rows {
		plain[i] = readRow(req.ShopId, r, clock.Micros(now.Add(skew)))
	}
	job := func(tx *db.Tx) (*intakev1.ImportHistoryResponse, error) {
		if _, err := readShop(tx, req.ShopId, tx.ForUpdate()); err != nil {
			return nil, err
		}
		b, err := newBatch(tx, who, req.ShopId, plain)
		if err != nil {
			return nil, err
		}
		for i := range b.rows {
			b.take(&b.rows[i])
		}
		if err := s.keep(tx, b, who.ID); err != nil {
			return nil, err
		}
		return b.answer(), nil
	}
	for try := 1; ; try++ {
		got, err := once(ctx, s, method, req, job)
		if !db.IsUnique(err) || try == importTries {
			return got, err
		}
	}
}

// importTries: on PostgreSQL two shops may bring the same new spindle at the same
// moment. The later one fails on its name plate, and finds it when it tries again.
const importTries = 4

// keep writes what a batch accepted, with its one event.
func (s *Service) keep(tx *db.Tx, b *batch, by string) error {
	if len(b.accepted) == 0 {
		return nil
	}
	now := s.later(0)
	if err := s.placeSpindles(tx, b, now); err != nil {
		return err
	}
	if err := b.write(tx); err != nil {
		return err
	}
	body := &intakev1.HistoryImported{BatchId: s.ids.New(), ShopId: b.shop, By: by}
	for _, r := range b.accepted {
		body.Rows = append(body.Rows, r.event())
	}
	_, err := s.outbox.Append(tx, events.Draft{Tenant: b.shop, EntityType: "history_batch", EntityID: body.BatchId, Revision: 1,
		Happened: "imported", OccurredAt: clock.FromMicros(now), RecordedAt: clock.FromMicros(now), Body: body})
	if err != nil {
		return fmt.Errorf("record the import: %w", err)
	}
	return nil
}

// placeSpindles registers the spindles that the network has not met, and gives
// all rows the ids that stand.
func (s *Service) placeSpindles(tx *db.Tx, b *batch, now int64) error {
	var fresh []*spindle
	for _, r := range b.accepted {
		if r.unit.row.id == "" {
			r.unit.row.id, r.unit.row.recorded = s.ids.New(), now
			fresh = append(fresh, r.unit.row)
		}
	}
	if len(fresh) == 0 {
		return nil
	}
	return insertSpindles(tx, fresh)
}
