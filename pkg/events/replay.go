package events

import (
	"context"
	"errors"
	"fmt"

	"spindlewright/pkg/db"
)

// Replay drops what was derived and folds the archives of all sources again.
// Live consumption stands still meanwhile. When it is cut short, what is
// derived is behind but sound, and live consumption catches up. It gives the
// number of events read.
func (i *Inbox) Replay(ctx context.Context) (events int64, err error) {
	if len(i.follows) == 0 {
		return 0, nil
	}
	if err := i.gate.Acquire(ctx, gateWidth); err != nil {
		return 0, err
	}
	defer i.gate.Release(gateWidth)
	var restored string
	var epoch int64
	for {
		if err := i.reset(ctx, restored, epoch); err != nil {
			return 0, err
		}
		events, restored, err = i.foldArchives(ctx)
		var later *laterEpoch
		if !errors.As(err, &later) {
			return events, err
		}
		epoch = later.epoch
	}
}

// foldArchives folds all archives to their ends; with a laterEpoch comes the
// name of the source that was restored.
func (i *Inbox) foldArchives(ctx context.Context) (events int64, restored string, err error) {
	for _, name := range i.sources() {
		s := i.source(name)
		if err := s.toEnd(ctx); err != nil {
			return 0, name, err
		}
		events += s.pos
	}
	return events, "", nil
}

// toEnd folds one archive, also while another process does the same.
func (s *source) toEnd(ctx context.Context) error {
	for {
		if _, err := s.load(ctx); err != nil {
			return err
		}
		if err := s.catchUp(ctx, 0); !errors.Is(err, errMoved) {
			return err
		}
	}
}

// enterEpoch forgets what was derived, because a source was restored. Live
// consumption then folds the archives from the start.
func (i *Inbox) enterEpoch(ctx context.Context, source string, epoch int64) error {
	if err := i.gate.Acquire(ctx, gateWidth); err != nil {
		return err
	}
	defer i.gate.Release(gateWidth)
	var now int64
	err := i.c.Store.Reader(ctx).QueryRow(`SELECT epoch FROM inbox_source WHERE source = $1`, source).Scan(&now)
	if err != nil {
		return fmt.Errorf("read the epoch of %s: %w", source, err)
	}
	if now >= epoch {
		return nil
	}
	if i.c.Log != nil {
		i.c.Log.Warn("a source was restored: everything derived is dropped and folded again",
			"service", i.c.Service, "source", source, "epoch", epoch)
	}
	return i.reset(ctx, source, epoch)
}

// reset drops, in one transaction, every derived row and the inbox with it;
// source and epoch, when given, are noted too.
func (i *Inbox) reset(ctx context.Context, source string, epoch int64) error {
	return i.c.Store.Write(ctx, func(tx *db.Tx) error {
		// First, so that a step of another process waits or finds it moved.
		if _, err := tx.Exec(`UPDATE inbox_source SET position = 0`); err != nil {
			return fmt.Errorf("reset the inbox: %w", err)
		}
		if _, err := tx.Exec(`UPDATE inbox_source SET epoch = $1 WHERE source = $2`, epoch, source); err != nil {
			return fmt.Errorf("reset the inbox: %w", err)
		}
		for _, drop := range []string{`DELETE FROM inbox`, `DELETE FROM inbox_held`, `DELETE FROM inbox_parked WHERE skipped_us IS NULL`} {
			if _, err := tx.Exec(drop); err != nil {
				return fmt.Errorf("reset the inbox: %w", err)
			}
		}
		if err := i.c.Follow.Reset(tx); err != nil {
			return fmt.Errorf("drop derived rows: %w", err)
		}
		tx.AfterCommit(i.kick)
		return nil
	})
}
