package events

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"golang.org/x/sync/semaphore"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
)

// InboxConfig is what an Inbox needs.
type InboxConfig struct {
	Store   *db.DB
	Service string
	Clock   clock.Clock
	Archive Archive
	Follow  Follower
	// Applied is told after each commit of this process, with the position
	// vector. Other replicas do not hold the lease and hear nothing.
	Applied func(map[string]int64)
	// Log tells of what an operator should know; nil is silent.
	Log *slog.Logger
	// Known reports whether the program knows a payload message; nil asks the
	// registry of generated messages. An event of an unknown type is parked.
	Known func(messageName string) bool
}

// Inbox applies events of other services to a Follower.
type Inbox struct {
	c       InboxConfig
	follows map[string]map[string]bool // source -> entity types
	meters  *meters
	pace    pace
	kicks   map[string]chan struct{} // by source: look at the archive now

	// gate is held by one unit for each step of live consumption and as a
	// whole by a replay, which so finds nothing running.
	gate *semaphore.Weighted

	mu     sync.Mutex
	vector map[string]int64
}

// pace is how long an inbox waits for what; tests shorten it.
type pace struct {
	lease   time.Duration // between asking for the lease
	first   time.Duration // quiet after start until the archive is asked
	quiet   time.Duration // quiet until the archive is asked again
	held    time.Duration // between looking at events that are held
	gather  time.Duration // least time between two commits under load
	missing time.Duration // between asking for a stream that does not exist
}

var usualPace = pace{
	lease: time.Second, first: 500 * time.Millisecond, quiet: 15 * time.Second,
	held: 3 * time.Second, gather: 10 * time.Millisecond, missing: 250 * time.Millisecond,
}

// gateWidth is more than the number of sources that any service follows.
const gateWidth = 1 << 20

// NewInbox prepares an inbox; Run works it.
func NewInbox(c InboxConfig) *Inbox {
	if c.Known == nil {
		c.Known = registered
	}
	i := &Inbox{c: c, follows: map[string]map[string]bool{}, meters: newMeters(c.Service), pace: usualPace,
		gate: semaphore.NewWeighted(gateWidth), vector: map[string]int64{}, kicks: map[string]chan struct{}{}}
	if c.Follow == nil {
		return i
	}
	for source, types := range c.Follow.Entities() {
		set := map[string]bool{}
		for _, t := range types {
			set[t] = true
		}
		i.follows[source] = set
		i.kicks[source] = make(chan struct{}, 1)
	}
	return i
}

// sources lists what the inbox follows, in a stable order.
func (i *Inbox) sources() []string { return slices.Sorted(maps.Keys(i.follows)) }

// Run applies events until ctx ends; only the holder of the store's "inbox" lease works.
func (i *Inbox) Run(ctx context.Context, nc *nats.Conn) error {
	if len(i.follows) == 0 {
		<-ctx.Done()
		return nil
	}
	stop := i.meters.watchPositions(i.positions)
	defer stop()
	for ctx.Err() == nil {
		held, lost, release, err := i.c.Store.Lease(ctx, "inbox")
		if err == nil && held {
			i.hold(ctx, nc, lost)
			release()
			continue
		}
		if err != nil && ctx.Err() == nil {
			i.warn("the inbox's lease cannot be asked for", err)
		}
		pause(ctx, i.pace.lease)
	}
	return nil
}

// hold follows every source until ctx ends or the lease is lost.
func (i *Inbox) hold(ctx context.Context, nc *nats.Conn, lost <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-lost:
			cancel()
		case <-ctx.Done():
		}
	}()
	i.retryKnown(ctx)
	var all sync.WaitGroup
	for _, name := range i.sources() {
		all.Go(func() { i.source(name).run(ctx, nc) })
	}
	all.Wait()
}

// source makes the follower's side of one source.
func (i *Inbox) source(name string) *source {
	return &source{in: i, name: name, types: i.follows[name]}
}

// Applied is the position vector in the store: for each source, everything up
// to that position has been applied, held or parked. Read within Apply it
// already counts the batch being applied.
func (i *Inbox) Applied(q db.Querier) (map[string]int64, error) {
	rows, err := q.Query(`SELECT source, position FROM inbox_source`)
	if err != nil {
		return nil, fmt.Errorf("read the positions of the inbox: %w", err)
	}
	defer rows.Close()
	vector := map[string]int64{}
	for rows.Next() {
		var source string
		var position int64
		if err := rows.Scan(&source, &position); err != nil {
			return nil, fmt.Errorf("read the positions of the inbox: %w", err)
		}
		vector[source] = position
	}
	return vector, rows.Err()
}

// Incomplete lists, by source, the entities of which an event is parked or was
// given up: answers that rest on them say so.
func (i *Inbox) Incomplete(q db.Querier) (map[string][]string, error) {
	rows, err := q.Query(`SELECT source, entity_id FROM inbox WHERE incomplete ORDER BY source, entity_id`)
	if err != nil {
		return nil, fmt.Errorf("read the incomplete entities: %w", err)
	}
	defer rows.Close()
	list := map[string][]string{}
	for rows.Next() {
		var source, id string
		if err := rows.Scan(&source, &id); err != nil {
			return nil, fmt.Errorf("read the incomplete entities: %w", err)
		}
		list[source] = append(list[source], id)
	}
	return list, rows.Err()
}

// Counts tells how many events are parked and how many are held.
func (i *Inbox) Counts(ctx context.Context) (parked, held int64, err error) {
	err = i.c.Store.Reader(ctx).QueryRow(`SELECT (SELECT count(*) FROM inbox_parked WHERE skipped_us IS NULL),
		(SELECT count(*) FROM inbox_held)`).Scan(&parked, &held)
	if err != nil {
		return 0, 0, fmt.Errorf("count parked and held events: %w", err)
	}
	return parked, held, nil
}

// kick makes every source look at its archive now.
func (i *Inbox) kick() {
	for _, c := range i.kicks {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// tell notes a commit and tells whoever wants to know.
func (i *Inbox) tell(source string, position int64) {
	i.mu.Lock()
	i.vector[source] = position
	vector := maps.Clone(i.vector)
	i.mu.Unlock()
	if i.c.Applied != nil {
		i.c.Applied(vector)
	}
}

func (i *Inbox) positions() map[string]int64 {
	i.mu.Lock()
	defer i.mu.Unlock()
	return maps.Clone(i.vector)
}

func (i *Inbox) warn(what string, err error, more ...any) {
	if i.c.Log != nil {
		i.c.Log.Warn(what, append([]any{"service", i.c.Service, "error", err}, more...)...)
	}
}
