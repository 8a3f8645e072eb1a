package upkeep

import (
	"context"
	"fmt"

	"spindlewright/pkg/db"
	upkeepv1 "spindlewright/pkg/gen/spindlewright/upkeep/v1"
)

// Replay folds all that a service derives again. It is in the audit before it
// begins, and once more when it is through.
func (s *Server) Replay(ctx context.Context, req *upkeepv1.ReplayRequest) (*upkeepv1.ReplayResponse, error) {
	h, err := s.findFollower(req.GetService())
	if err != nil {
		return nil, err
	}
	method := upkeepv1.UpkeepService_Replay_FullMethodName
	if err := h.record(ctx, s.entry(ctx, "replay", method, h.Name, "begun")); err != nil {
		return nil, err
	}
	n, err := h.Inbox.Replay(ctx)
	if err != nil {
		return nil, err
	}
	if err := h.record(ctx, s.entry(ctx, "replay", method, h.Name, fmt.Sprintf("%d events folded", n))); err != nil {
		return nil, err
	}
	applied, err := h.Inbox.Applied(h.Store.Reader(ctx))
	if err != nil {
		return nil, err
	}
	return &upkeepv1.ReplayResponse{Events: n, Applied: applied}, nil
}

// BeginEpoch raises the epoch of a source, in one transaction with its audit
// entry.
func (s *Server) BeginEpoch(ctx context.Context, req *upkeepv1.BeginEpochRequest) (*upkeepv1.BeginEpochResponse, error) {
	h, err := s.find(req.GetService())
	if err != nil {
		return nil, err
	}
	var epoch int64
	err = h.Store.Write(ctx, func(tx *db.Tx) (err error) {
		if epoch, err = h.Outbox.BeginEpoch(tx); err != nil {
			return err
		}
		detail := fmt.Sprintf("epoch %d: %s", epoch, req.GetReason())
		return h.Audit.Record(tx, s.entry(ctx, "epoch begun", upkeepv1.UpkeepService_BeginEpoch_FullMethodName, h.Name, detail))
	})
	if err != nil {
		return nil, err
	}
	return &upkeepv1.BeginEpochResponse{Epoch: epoch}, nil
}
