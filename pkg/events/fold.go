package events

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/failpoint"
)

// errMoved says that the store is elsewhere than the caller thought: another
// process or a replay has been at work. The caller reads the position again.
var errMoved = errors.New("the inbox has moved")

// panicked is what a follower's panic becomes, so that one event cannot stop a
// service.
type panicked struct{ value any }

func (p *panicked) Error() string { return fmt.Sprintf("the follower panicked: %v", p.value) }

// step is one transaction of the inbox.
type step struct {
	in     *Inbox
	source string
	types  map[string]bool // entity types to take
	epoch  int64           // expected in the store
	from   int64           // position expected in the store
	to     int64           // position afterwards; equal to from: none of it moves
	batch  []Event
	// alone is set when the batch is one event that failed among others: what
	// its follower cannot read, it parks.
	alone bool
}

// outcome is what a step did.
type outcome struct{ applied, dropped, parked, held int }

// run makes the step's transaction, once or more.
func (s *step) run(ctx context.Context) (outcome, error) {
	var out outcome
	err := s.in.c.Store.Write(ctx, func(tx *db.Tx) (err error) {
		out, err = s.fold(tx)
		return err
	})
	if err != nil {
		return outcome{}, err
	}
	return out, nil
}

func (s *step) fold(tx *db.Tx) (outcome, error) {
	if err := failpoint.Hit("inbox.before-apply"); err != nil {
		return outcome{}, err
	}
	if err := s.lock(tx); err != nil {
		return outcome{}, err
	}
	var mine []Event
	for _, e := range s.batch {
		if s.types[e.EntityType] {
			mine = append(mine, e)
		}
	}
	out, err := s.foldMine(tx, mine)
	if err != nil {
		return outcome{}, err
	}
	return out, failpoint.Hit("inbox.before-commit")
}

// lock makes sure that the store is where the caller thinks, and keeps it
// there: of two processes that overlap, the second finds that it has moved.
func (s *step) lock(tx *db.Tx) error {
	var epoch, position int64
	err := tx.QueryRow(`SELECT epoch, position FROM inbox_source WHERE source = $1`+tx.ForUpdate(), s.source).Scan(&epoch, &position)
	if err != nil {
		return fmt.Errorf("lock source %s: %w", s.source, err)
	}
	if epoch != s.epoch || position != s.from {
		return errMoved
	}
	if s.to == s.from {
		return nil
	}
	// Before the fold, so that a follower can note the version it makes.
	if _, err := tx.Exec(`UPDATE inbox_source SET position = $1 WHERE source = $2`, s.to, s.source); err != nil {
		return fmt.Errorf("note the position of %s: %w", s.source, err)
	}
	return nil
}

func (s *step) foldMine(tx *db.Tx, mine []Event) (outcome, error) {
	if len(mine) == 0 {
		return outcome{}, nil
	}
	seen, err := loadSeen(tx, s.source, mine)
	if err != nil {
		return outcome{}, err
	}
	ready, dropped := seen.order(mine)
	parks, err := s.apply(tx, ready)
	if err != nil {
		return outcome{}, err
	}
	for n, p := range parks {
		seen.entity(ready[n].EntityID).incomplete = true
		if err := park(tx, ready[n], p, clock.Micros(s.in.c.Clock.Now())); err != nil {
			return outcome{}, err
		}
	}
	if err := seen.store(tx, s.source); err != nil {
		return outcome{}, err
	}
	return outcome{applied: len(ready) - len(parks), dropped: dropped, parked: len(parks), held: seen.newlyHeld()}, nil
}

// verdict is why an event is parked.
type verdict struct {
	reason  string
	unknown bool // its type is not known to this program
}

// apply gives the ready events to the follower, those of unknown types aside.
func (s *step) apply(tx *db.Tx, ready []Event) (map[int]verdict, error) {
	parks := map[int]verdict{}
	known := make([]Event, 0, len(ready))
	at := make([]int, 0, len(ready))
	for n, e := range ready {
		if !s.in.c.Known(e.Type) {
			parks[n] = verdict{unknownType(e.Type), true}
			continue
		}
		known, at = append(known, e), append(at, n)
	}
	if len(known) == 0 {
		return parks, nil
	}
	reasons, err := applySafely(s.in.c.Follow, tx, known)
	if reason, ok := hopeless(err); ok && s.alone && len(known) == 1 {
		reasons, err = map[int]string{0: reason}, nil
	}
	if err != nil {
		return nil, err
	}
	for n, reason := range reasons {
		if n < 0 || n >= len(known) {
			return nil, fmt.Errorf("events: the follower parked event %d of %d", n, len(known))
		}
		parks[at[n]] = verdict{reason: reason}
	}
	return parks, nil
}

func unknownType(name string) string {
	return fmt.Sprintf("this version does not know the type %s; it is applied after an upgrade", name)
}

// hopeless reports whether an error lies in the event and not in the store.
func hopeless(err error) (reason string, ok bool) {
	var u *Unreadable
	var p *panicked
	if errors.As(err, &u) {
		return u.Error(), true
	}
	if errors.As(err, &p) {
		return p.Error(), true
	}
	return "", false
}

func applySafely(f Follower, tx *db.Tx, batch []Event) (park map[int]string, err error) {
	defer func() {
		if v := recover(); v != nil {
			err = &panicked{v}
		}
	}()
	return f.Apply(tx, batch)
}

// sortByPosition restores the order of the archive.
func sortByPosition(batch []Event) {
	slices.SortStableFunc(batch, func(a, b Event) int {
		switch {
		case a.Position < b.Position:
			return -1
		case a.Position > b.Position:
			return 1
		}
		return 0
	})
}
