package events

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
)

// source is the follower's side of one source: where it is, and how it gets on.
type source struct {
	in    *Inbox
	name  string
	types map[string]bool

	epoch, pos int64
	committed  time.Time
	failing    string
	// heldFor counts looks at which something was held; heldUntil is at how
	// many the archive is searched.
	heldFor, heldUntil int
}

// laterEpoch says that the source was restored: what was derived is void.
type laterEpoch struct{ epoch int64 }

func (l *laterEpoch) Error() string { return fmt.Sprintf("the source is in epoch %d", l.epoch) }

// load reads where the source is, or makes its row.
func (s *source) load(ctx context.Context) (follows string, err error) {
	q := s.in.c.Store.Reader(ctx)
	read := func() error {
		return q.QueryRow(`SELECT epoch, position, follows FROM inbox_source WHERE source = $1`, s.name).Scan(&s.epoch, &s.pos, &follows)
	}
	if err := read(); err == nil {
		s.in.tell(s.name, s.pos)
		return follows, nil
	}
	err = s.in.c.Store.Write(ctx, func(tx *db.Tx) error {
		_, err := tx.Exec(`INSERT INTO inbox_source (source, epoch, position, follows) VALUES ($1, 0, 0, $2)
			ON CONFLICT (source) DO NOTHING`, s.name, s.typeList())
		return err
	})
	if err == nil {
		err = read()
	}
	if err != nil {
		return "", fmt.Errorf("read the position of %s: %w", s.name, err)
	}
	s.in.tell(s.name, s.pos)
	return follows, nil
}

func (s *source) typeList() string {
	return strings.Join(slices.Sorted(maps.Keys(s.types)), ",")
}

// backfill catches up entity types that were not followed before.
func (s *source) backfill(ctx context.Context, follows string) error {
	if follows == s.typeList() {
		return nil
	}
	before := map[string]bool{}
	for _, t := range strings.Split(follows, ",") {
		before[t] = true
	}
	err := s.refold(ctx, func(e Event) bool { return s.types[e.EntityType] && !before[e.EntityType] })
	if err != nil {
		return fmt.Errorf("catch up what is followed from now on: %w", err)
	}
	return s.in.c.Store.Write(ctx, func(tx *db.Tx) error {
		_, err := tx.Exec(`UPDATE inbox_source SET follows = $1 WHERE source = $2`, s.typeList(), s.name)
		return err
	})
}

// adopt notes the epoch of a source met for the first time, and tells a later
// epoch from an earlier one.
func (s *source) adopt(ctx context.Context, epoch int64) error {
	switch {
	case epoch == s.epoch:
		return nil
	case s.epoch != 0 && epoch > s.epoch:
		return &laterEpoch{epoch}
	case s.epoch != 0:
		return fmt.Errorf("%s answers with epoch %d, which is before %d", s.name, epoch, s.epoch)
	}
	err := s.in.c.Store.Write(ctx, func(tx *db.Tx) error {
		_, err := tx.Exec(`UPDATE inbox_source SET epoch = $1 WHERE source = $2 AND epoch = 0`, epoch, s.name)
		return err
	})
	if err != nil {
		return fmt.Errorf("note the epoch of %s: %w", s.name, err)
	}
	s.epoch = epoch
	return nil
}

// advance applies a batch from the stream, whatever its order; what the stream
// lacks comes from the archive. The gate is held.
func (s *source) advance(ctx context.Context, batch []Event) error {
	var newest int64
	for _, e := range batch {
		newest = max(newest, e.Epoch)
	}
	if newest > s.epoch {
		if err := s.adopt(ctx, newest); err != nil {
			return err
		}
	}
	fresh := batch[:0:0]
	for _, e := range batch {
		if e.Epoch == s.epoch {
			fresh = append(fresh, e)
		}
	}
	s.drop(ctx, len(batch)-len(fresh), "earlier epoch")
	sortByPosition(fresh)
	for {
		fresh = s.unseen(ctx, fresh)
		switch {
		case len(fresh) == 0:
			return nil
		case fresh[0].Position > s.pos+1:
			if err := s.catchUp(ctx, fresh[0].Position-1); err != nil {
				return err
			}
		default:
			if err := s.foldAll(ctx, fresh[:unbroken(fresh)]); err != nil {
				return err
			}
		}
	}
}

// unseen drops what lies at or before the position.
func (s *source) unseen(ctx context.Context, batch []Event) []Event {
	n := 0
	for n < len(batch) && batch[n].Position <= s.pos {
		n++
	}
	s.drop(ctx, n, "seen before")
	return batch[n:]
}

// unbroken is how many events follow each other without a gap.
func unbroken(batch []Event) int {
	n := 1
	for n < len(batch) && batch[n].Position == batch[n-1].Position+1 {
		n++
	}
	return n
}

// foldAll applies events that follow the position. A batch that fails is cut
// in half until the event that cannot be applied stands alone; the others go on.
func (s *source) foldAll(ctx context.Context, batch []Event) error {
	err := s.fold(ctx, batch, false)
	if err == nil || errors.Is(err, errMoved) || ctx.Err() != nil {
		return err
	}
	if half := len(batch) / 2; half > 0 {
		if err := s.foldAll(ctx, batch[:half]); err != nil {
			return err
		}
		return s.foldAll(ctx, batch[half:])
	}
	for wait := backoffMin; ; wait = min(2*wait, backoffMax) {
		err = s.fold(ctx, batch, true)
		if err == nil || errors.Is(err, errMoved) || ctx.Err() != nil {
			return err
		}
		s.warn("an event cannot be applied now and is tried again", err)
		pause(ctx, wait)
	}
}

func (s *source) fold(ctx context.Context, batch []Event, alone bool) error {
	st := step{in: s.in, source: s.name, types: s.types, epoch: s.epoch,
		from: s.pos, to: batch[len(batch)-1].Position, batch: batch, alone: alone}
	if err := s.do(ctx, &st); err != nil {
		return err
	}
	s.pos = st.to
	s.in.tell(s.name, s.pos)
	return nil
}

func (s *source) do(ctx context.Context, st *step) error {
	ctx, span := consumerSpan(ctx, st.batch)
	defer span.End()
	out, err := st.run(ctx)
	if err != nil {
		return err
	}
	s.committed = time.Now()
	s.in.meters.folded(ctx, s.name, out)
	return failpoint.Hit("inbox.after-commit")
}

func (s *source) drop(ctx context.Context, n int, why string) {
	s.in.meters.drop(ctx, s.name, n, why)
}

func (s *source) warn(what string, err error) {
	if text := what + err.Error(); s.failing != text {
		s.failing = text
		s.in.warn(what, err, "source", s.name)
	}
}
