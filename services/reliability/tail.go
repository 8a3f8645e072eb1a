package reliability

import (
	"context"
	"log/slog"
	"maps"
	"sync"
	"time"

	"spindlewright/pkg/db"
)

// tail keeps a snapshot up to date with the change log.
type tail struct {
	store  *db.DB
	inbox  vectors
	nudger Nudger // may be nil
	log    *slog.Logger
	poll   time.Duration
	kick   chan struct{}

	mu      sync.Mutex
	now     *snapshot     // nil until the first load
	changed chan struct{} // closed when now changes
}

const (
	// usualPoll finds what a lost nudge did not tell.
	usualPoll = time.Second
	// restShare times the work of a refresh is rested before the next, and
	// importShare times after one of importFolds spindles or more, so that an
	// import does not keep a core busy with snapshots nobody asks for.
	restShare   = 3
	importShare = 6
	importFolds = 1000
	longRest    = 2 * time.Second
	shortRest   = 5 * time.Millisecond
)

func newTail(store *db.DB, inbox vectors, nudger Nudger, log *slog.Logger) *tail {
	return &tail{store: store, inbox: inbox, nudger: nudger, log: log, poll: usualPoll,
		kick: make(chan struct{}, 1), changed: make(chan struct{})}
}

// wake makes the tail of this process look now.
func (t *tail) wake() {
	select {
	case t.kick <- struct{}{}:
	default:
	}
}

// wakeAll wakes every process.
func (t *tail) wakeAll() {
	t.wake()
	if t.nudger != nil {
		t.nudger.Nudge()
	}
}

// run follows the change log until ctx ends.
func (t *tail) run(ctx context.Context) error {
	if t.nudger != nil {
		stop, err := t.nudger.Listen(t.wake)
		if err != nil {
			t.warn("nudges cannot be heard; the change log is read each second", err)
		} else {
			defer stop()
		}
	}
	every := time.NewTicker(t.poll)
	defer every.Stop()
	for {
		began := time.Now()
		folded, err := t.refresh(ctx)
		if err != nil && ctx.Err() == nil {
			t.warn("the snapshot cannot be refreshed; answers rest on the last one", err)
		}
		if folded > 0 && !rest(ctx, restAfter(time.Since(began), folded)) {
			return nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.kick:
		case <-every.C:
		}
	}
}

// restAfter is in proportion to the work done.
func restAfter(work time.Duration, folded int) time.Duration {
	if folded >= importFolds {
		work *= importShare
	} else {
		work *= restShare
	}
	return min(max(work, shortRest), longRest)
}

// rest pauses; false when ctx ended.
func rest(ctx context.Context, d time.Duration) bool {
	pause := time.NewTimer(d)
	defer pause.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-pause.C:
		return true
	}
}

// refresh swaps in the snapshot of the store as it is now.
func (t *tail) refresh(ctx context.Context) (folded int, err error) {
	old, _ := t.current()
	base := old
	if base == nil {
		base = emptySnapshot()
	}
	next, folded, err := base.refresh(ctx, t.store, t.inbox)
	if err != nil {
		return 0, err
	}
	if old != nil && next.same(old) {
		return folded, nil
	}
	t.swap(next)
	return folded, nil
}

// swap puts a snapshot in the place of the last.
func (t *tail) swap(next *snapshot) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.now = next
	close(t.changed)
	t.changed = make(chan struct{})
}

func (s *snapshot) same(o *snapshot) bool {
	return s.version == o.version && s.generation == o.generation && s.unplaced == o.unplaced &&
		maps.Equal(s.positions, o.positions) && len(s.incomplete) == len(o.incomplete)
}

// current gives the snapshot, nil before the first load, and what is closed
// when another takes its place.
func (t *tail) current() (*snapshot, <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.now, t.changed
}

// await gives the first snapshot that will do, or the last one seen and false
// when ctx ends before.
func (t *tail) await(ctx context.Context, will func(*snapshot) bool) (*snapshot, bool) {
	for {
		s, changed := t.current()
		if s != nil && will(s) {
			return s, true
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return s, false
		}
	}
}

func (t *tail) warn(what string, err error) {
	if t.log != nil {
		t.log.Warn(what, "service", Name, "error", err)
	}
}
