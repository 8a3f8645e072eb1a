package events

import (
	"context"
	"errors"
	"fmt"
)

// archiveLimit is how many events are asked of an archive at once.
const archiveLimit = 500

// read asks the archive for events after a position, and makes sure that they
// are what was asked for.
func (s *source) read(ctx context.Context, after int64) ([]Event, error) {
	if s.in.c.Archive == nil {
		return nil, errors.New("events: this inbox has no archive to read")
	}
	batch, _, epoch, err := s.in.c.Archive(ctx, s.name, after, archiveLimit)
	if err != nil {
		return nil, fmt.Errorf("read the archive of %s after %d: %w", s.name, after, err)
	}
	if err := s.adopt(ctx, epoch); err != nil {
		return nil, err
	}
	for n, e := range batch {
		if want := after + 1 + int64(n); e.Position != want || e.Source != s.name {
			return nil, fmt.Errorf("the archive of %s gave position %d of %s where %d was due", s.name, e.Position, e.Source, want)
		}
	}
	return batch, nil
}

// catchUp applies the archive from the position on, until a position or, when
// that is 0, until there is no more. The gate is held.
func (s *source) catchUp(ctx context.Context, until int64) error {
	for until == 0 || s.pos < until {
		batch, err := s.read(ctx, s.pos)
		if err != nil {
			return err
		}
		if len(batch) == 0 {
			if until == 0 {
				return nil
			}
			return fmt.Errorf("the archive of %s ends at %d, before %d which its stream has", s.name, s.pos, until)
		}
		if err := s.foldAll(ctx, batch); err != nil {
			return err
		}
	}
	return nil
}

// refold offers events up to the position once more, those that pick wants.
// What was applied is dropped by its revision; the position stays. The gate is
// held.
func (s *source) refold(ctx context.Context, pick func(Event) bool) error {
	for after := int64(0); after < s.pos; {
		batch, err := s.read(ctx, after)
		if err != nil {
			return err
		}
		if len(batch) == 0 {
			return fmt.Errorf("the archive of %s ends at %d, before %d which was applied", s.name, after, s.pos)
		}
		after = batch[len(batch)-1].Position
		var some []Event
		for _, e := range batch {
			if e.Position <= s.pos && pick(e) {
				some = append(some, e)
			}
		}
		if err := s.refoldSome(ctx, some); err != nil {
			return err
		}
	}
	return nil
}

func (s *source) refoldSome(ctx context.Context, some []Event) error {
	if len(some) == 0 {
		return nil
	}
	st := step{in: s.in, source: s.name, types: s.types, epoch: s.epoch, from: s.pos, to: s.pos, batch: some}
	err := s.do(ctx, &st)
	if err == nil || errors.Is(err, errMoved) || ctx.Err() != nil {
		return err
	}
	if half := len(some) / 2; half > 0 {
		if err := s.refoldSome(ctx, some[:half]); err != nil {
			return err
		}
		return s.refoldSome(ctx, some[half:])
	}
	st.alone = true
	return s.do(ctx, &st)
}

// ask applies what the archive has beyond the position: what the stream lost,
// or never had. It is asked when the stream is quiet.
func (s *source) ask(ctx context.Context) error {
	return s.gated(ctx, func() error {
		if _, err := s.load(ctx); err != nil {
			return err
		}
		return s.catchUp(ctx, 0)
	})
}

// gated runs one step of live consumption, out of the way of a replay, and
// follows the source into a later epoch.
func (s *source) gated(ctx context.Context, step func() error) error {
	for {
		if err := s.in.gate.Acquire(ctx, 1); err != nil {
			return err
		}
		err := safely(step)
		s.in.gate.Release(1)
		var later *laterEpoch
		switch {
		case errors.As(err, &later):
			if err := s.in.enterEpoch(ctx, s.name, later.epoch); err != nil {
				return err
			}
		case !errors.Is(err, errMoved):
			return err
		}
		if _, err := s.load(ctx); err != nil {
			return err
		}
	}
}

// lookForHeld searches the archive for what is missing before held events,
// when the gap has not closed by itself: at the second look, and then rarer
// and rarer.
func (s *source) lookForHeld(ctx context.Context) error {
	held, err := s.heldEntities(ctx)
	if err != nil {
		return err
	}
	if len(held) == 0 {
		s.heldFor, s.heldUntil = 0, 2
		return nil
	}
	if s.heldFor++; s.heldFor < s.heldUntil {
		return nil
	}
	s.heldFor, s.heldUntil = 0, min(2*s.heldUntil, 200)
	return s.gated(ctx, func() error {
		return s.refold(ctx, func(e Event) bool { return held[e.EntityID] })
	})
}

func (s *source) heldEntities(ctx context.Context) (map[string]bool, error) {
	rows, err := s.in.c.Store.Reader(ctx).Query(`SELECT DISTINCT entity_id FROM inbox_held WHERE source = $1`, s.name)
	if err != nil {
		return nil, fmt.Errorf("look for held events of %s: %w", s.name, err)
	}
	defer rows.Close()
	held := map[string]bool{}
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, fmt.Errorf("look for held events of %s: %w", s.name, err)
		}
		held[id] = true
	}
	return held, rows.Err()
}
