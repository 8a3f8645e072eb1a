package access

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"spindlewright/pkg/clock"
	"spindlewright/pkg/db"
	"spindlewright/pkg/events"
	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

const (
	// reloadPause is how often a process looks for revocations that another
	// replica wrote.
	reloadPause = time.Second
	// sweepEvery is how many reloads pass between two sweeps of moot rows.
	sweepEvery = 60
)

// Revocations are the tokens that are void, kept in a service's own store and
// in memory. It follows the people of access.
type Revocations struct {
	store *db.DB
	clock clock.Clock

	mu      sync.RWMutex
	set     revoked
	changes int64 // counts what commits of this process put into the set
}

type revoked struct {
	tokens map[string]bool
	// people: tokens issued at or before the time are void.
	people map[string]int64
}

// NewRevocations serves the revocations of a store. Run must work for them to
// reach memory in a process that does not apply events itself; Load fills the
// set before the first call is taken.
func NewRevocations(store *db.DB, c clock.Clock) *Revocations {
	return &Revocations{store: store, clock: c, set: newRevoked()}
}

func newRevoked() revoked { return revoked{tokens: map[string]bool{}, people: map[string]int64{}} }

// Revoked reports whether the caller's token is void.
func (r *Revocations) Revoked(p Principal) bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if r.set.tokens[p.TokenID] {
		return true
	}
	until, ok := r.set.people[p.ID]
	return ok && clock.Micros(p.IssuedAt) <= until
}

// Entities lists what is followed.
func (r *Revocations) Entities() map[string][]string {
	return map[string][]string{"access": {"person"}}
}

// Apply keeps revocations. A person that was suspended or erased needs nothing
// here: the same change voids the tokens in an event of its own.
func (r *Revocations) Apply(tx *db.Tx, batch []events.Event) (map[int]string, error) {
	var park map[int]string
	for i, e := range batch {
		if e.Type != revokedType {
			continue
		}
		m := &accessv1.TokensRevoked{}
		if err := proto.Unmarshal(e.Payload, m); err != nil {
			if park == nil {
				park = map[int]string{}
			}
			park[i] = fmt.Sprintf("payload is not a %s: %v", revokedType, err)
			continue
		}
		if err := r.Add(tx, m); err != nil {
			return nil, err
		}
	}
	return park, nil
}

var revokedType = string((&accessv1.TokensRevoked{}).ProtoReflect().Descriptor().FullName())

// Reset keeps the rows. They are facts that name their own end, folding them
// again gives the same rows, and a moment without them would honour tokens
// that are void.
func (r *Revocations) Reset(*db.Tx) error { return nil }

// Add keeps one revocation in the running transaction; a wider one of the same
// person stays. Once committed it is in force in this process.
func (r *Revocations) Add(tx *db.Tx, m *accessv1.TokensRevoked) error {
	var until int64
	if m.GetTokenId() == "" {
		until = clock.Micros(m.GetIssuedUntil().AsTime())
	}
	_, err := tx.Exec(`INSERT INTO revocation (person_id, token_id, issued_until_us, moot_at_us) VALUES ($1, $2, $3, $4)
		ON CONFLICT (person_id, token_id) DO UPDATE SET
			issued_until_us = CASE WHEN excluded.issued_until_us > revocation.issued_until_us THEN excluded.issued_until_us ELSE revocation.issued_until_us END,
			moot_at_us = CASE WHEN excluded.moot_at_us > revocation.moot_at_us THEN excluded.moot_at_us ELSE revocation.moot_at_us END`,
		m.GetPersonId(), m.GetTokenId(), until, clock.Micros(m.GetMootAt().AsTime()))
	if err != nil {
		return fmt.Errorf("keep a revocation: %w", err)
	}
	tx.AfterCommit(func() { r.include(m.GetPersonId(), m.GetTokenId(), until) })
	return nil
}

// include puts a committed revocation into the set at once.
func (r *Revocations) include(person, token string, until int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.set.add(person, token, until)
	r.changes++
}

func (s *revoked) add(person, token string, until int64) {
	if token != "" {
		s.tokens[token] = true
	} else if until > s.people[person] {
		s.people[person] = until
	}
}

// Load reads the set from the store.
func (r *Revocations) Load(ctx context.Context) error {
	r.mu.RLock()
	changes := r.changes
	r.mu.RUnlock()
	next, err := r.read(ctx)
	if err != nil {
		return fmt.Errorf("read revocations: %w", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	// What was committed while this was read may be missing from it; then the
	// present set stays until the next reload.
	if r.changes == changes {
		r.set = next
	}
	return nil
}

func (r *Revocations) read(ctx context.Context) (revoked, error) {
	set := newRevoked()
	rows, err := r.store.Reader(ctx).Query(`SELECT person_id, token_id, issued_until_us FROM revocation WHERE moot_at_us > $1`,
		clock.Micros(r.clock.Now()))
	if err != nil {
		return set, err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var person, token string
		var until int64
		if err := rows.Scan(&person, &token, &until); err != nil {
			return set, err
		}
		set.add(person, token, until)
	}
	return set, rows.Err()
}

// Run reloads the set each second, and sweeps what is moot, until ctx ends.
func (r *Revocations) Run(ctx context.Context, log *slog.Logger) error {
	tick := time.NewTicker(reloadPause)
	defer tick.Stop()
	for n := 0; ; n++ {
		err := r.Load(ctx)
		if err == nil && n%sweepEvery == 0 {
			err = r.sweep(ctx)
		}
		if err != nil && ctx.Err() == nil {
			log.WarnContext(ctx, "revocations not read; those known stay in force", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (r *Revocations) sweep(ctx context.Context) error {
	return r.store.Write(ctx, func(tx *db.Tx) error {
		_, err := tx.Exec(`DELETE FROM revocation WHERE moot_at_us <= $1`, clock.Micros(r.clock.Now()))
		return err
	})
}
