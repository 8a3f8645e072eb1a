package events

import (
	"context"
	"fmt"
	"slices"

	"spindlewright/pkg/db"
)

// Archive reads another service's outbox, over gRPC. It gives events after a
// position without a gap, none when there are no more, and the archive's last
// position and epoch.
type Archive func(ctx context.Context, source string, after int64, limit int) (events []Event, end, epoch int64, err error)

// Follower is what a service derives from others' events.
type Follower interface {
	// Entities lists source -> entity types it follows. It gets every event of
	// those entities, in order of revision per entity. A type that is added
	// later is caught up from the archive.
	Entities() map[string][]string
	// Apply folds events into derived rows, in the given transaction, which
	// also notes them in the inbox. An event that can never apply is answered
	// in the returned map (index -> reason) and is parked; the error is for
	// faults of the store only, and for *Unreadable.
	//
	// A parked event that is retried comes after later ones of its entity, and
	// where several followers take the event, to those that had applied it
	// too: rows are kept by entity and revision, or look at the revision
	// before they change.
	Apply(tx *db.Tx, batch []Event) (park map[int]string, err error)
	// Reset drops every derived row, for a replay.
	Reset(tx *db.Tx) error
}

// Combine makes one follower of several; nil ones are left out. Each gets the
// events of the entities it lists, and several may list the same.
func Combine(followers ...Follower) Follower {
	c := combined{sources: map[string][]string{}}
	for _, f := range followers {
		if f == nil {
			continue
		}
		p := part{Follower: f, takes: map[entityKind]bool{}}
		for source, types := range f.Entities() {
			for _, t := range types {
				p.takes[entityKind{source, t}] = true
				if !slices.Contains(c.sources[source], t) {
					c.sources[source] = append(c.sources[source], t)
				}
			}
		}
		c.parts = append(c.parts, p)
	}
	return &c
}

type entityKind struct{ source, entityType string }

type part struct {
	Follower
	takes map[entityKind]bool
}

type combined struct {
	parts   []part
	sources map[string][]string
}

func (c *combined) Entities() map[string][]string { return c.sources }

func (c *combined) Apply(tx *db.Tx, batch []Event) (map[int]string, error) {
	var park map[int]string
	for _, p := range c.parts {
		own, at := p.pick(batch)
		if len(own) == 0 {
			continue
		}
		reasons, err := p.Apply(tx, own)
		if err != nil {
			return nil, err
		}
		for i, reason := range reasons {
			if i < 0 || i >= len(own) {
				return nil, fmt.Errorf("events: a follower parked event %d of %d", i, len(own))
			}
			if park == nil {
				park = map[int]string{}
			}
			if first := park[at[i]]; first != "" {
				reason = first + "; " + reason
			}
			park[at[i]] = reason
		}
	}
	return park, nil
}

// pick gives the events that p takes, and where each stands in the batch.
func (p *part) pick(batch []Event) (own []Event, at []int) {
	for i, e := range batch {
		if p.takes[entityKind{e.Source, e.EntityType}] {
			own, at = append(own, e), append(at, i)
		}
	}
	return own, at
}

func (c *combined) Reset(tx *db.Tx) error {
	for _, p := range c.parts {
		if err := p.Reset(tx); err != nil {
			return err
		}
	}
	return nil
}
