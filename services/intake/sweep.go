package intake

import (
	"context"
	"errors"
	"fmt"
	"time"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

const (
	// pendingFor is how long a file waits for the evidence that refers to it.
	pendingFor = 24 * time.Hour
	sweepEvery = 10 * time.Minute
	sweepChunk = 100
)

// Run removes files that no evidence came for, until ctx ends.
func (s *Service) Run(ctx context.Context) error {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		if _, err := s.sweepFiles(ctx); err != nil && ctx.Err() == nil {
			s.log.WarnContext(ctx, "abandoned files not removed; tried again in ten minutes", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// sweepFiles removes abandoned files and says how many. Two replicas may do it
// at once: each step is harmless twice.
func (s *Service) sweepFiles(ctx context.Context) (removed int, err error) {
	before := clock.Micros(s.clock.Now().Add(-pendingFor))
	list, err := abandoned(s.store.Reader(ctx), before, sweepChunk)
	if err != nil {
		return 0, err
	}
	var errs []error
	for _, f := range list {
		if err := s.sweepFile(ctx, f, before); err != nil {
			errs = append(errs, fmt.Errorf("file %s: %w", f.sha256, err))
			continue
		}
		removed++
	}
	return removed, errors.Join(errs...)
}

func (s *Service) sweepFile(ctx context.Context, f file, before int64) error {
	var alone bool
	err := s.store.Write(ctx, func(tx *db.Tx) (err error) {
		alone, err = condemn(tx, f, before)
		return err
	})
	if err != nil || !alone {
		return err
	}
	if err := s.blobs.Delete(ctx, f.shop, f.sha256); err != nil {
		return err
	}
	return s.store.Write(ctx, func(tx *db.Tx) error { return forget(tx, f, before) })
}
