package intake

import (
	"context"
	"math"

	"google.golang.org/grpc/codes"

	"spindlewright/pkg/access"
	"spindlewright/pkg/db"
	"spindlewright/pkg/fault"
	faultv1 "spindlewright/pkg/gen/spindlewright/fault/v1"
	intakev1 "spindlewright/pkg/gen/spindlewright/intake/v1"
	"spindlewright/pkg/vocabulary"
)

// maxHours is the largest meter reading, h: more than a century without a stop.
const maxHours = 1_000_000

// Origins of readings: an order or the number of a report, in one column.
const (
	retiredOrigin = "retired"
	orderOrigin   = "order "
	reportOrigin  = "report "
	importOrigin  = "row "
)

// ReportHours records a reading of the running-hours meter.
func (s *Service) ReportHours(ctx context.Context, req *intakev1.ReportHoursRequest) (*intakev1.Spindle, error) {
	who := access.From(ctx)
	at, err := s.stated("seen_at", req.SeenAt)
	if err := first(err, checkHours(req.RunningHours), term("source", vocabulary.ReadingSource, req.Source)); err != nil {
		return nil, err
	}
	return change(ctx, s, intakev1.IntakeService_ReportHours_FullMethodName, req, func(tx *db.Tx) (*intakev1.Spindle, error) {
		row, err := spindleFor(tx, who, req.SpindleId, tx.ForUpdate())
		if err != nil {
			return nil, err
		}
		if row.retired != nil && at > *row.retired {
			return nil, outOfOrder("seen_at", "is %s, but the spindle was retired on %s", day(at), day(*row.retired))
		}
		// The revision that the event will get tells reports apart.
		if err := noteReading(tx, row.id, reportOrigin+etag(row.revision+1), at, req.RunningHours); err != nil {
			return nil, err
		}
		return s.recordSpindle(tx, row, "hours_reported", at, &intakev1.SpindleHoursReported{SpindleId: row.id,
			RunningHours: req.RunningHours, Source: req.Source, By: who.ID})
	})
}

// checkHours refuses what no meter shows.
func checkHours(h float64) error {
	if math.IsNaN(h) || h < 0 || h > maxHours {
		return fault.InvalidField("running_hours", "is %v; give 0 to %d h", h, maxHours)
	}
	return nil
}

// noteReading adds a reading that agrees with the others.
func noteReading(tx *db.Tx, spindleID, origin string, at int64, hours float64) error {
	before, after, err := neighbours(tx, spindleID, at, origin)
	if err != nil {
		return err
	}
	if problem := contradicts(at, hours, before, after); problem != "" {
		return backwards("running_hours", problem)
	}
	return insertReading(tx, spindleID, origin, at, hours)
}

func backwards(path, problem string) *fault.Error {
	return fault.InvalidField(path, "%s", problem).WithReason(faultv1.Reason_REASON_HOURS_BACKWARDS)
}

func outOfOrder(path, format string, args ...any) *fault.Error {
	return fault.InvalidField(path, format, args...).WithReason(faultv1.Reason_REASON_DATES_OUT_OF_ORDER)
}

func orderOpen(path, format string, args ...any) *fault.Error {
	e := fault.Newf(codes.FailedPrecondition, faultv1.Reason_REASON_ORDER_OPEN, format, args...)
	e.Fields = []fault.Field{{Path: path, Problem: e.Message}}
	return e
}
