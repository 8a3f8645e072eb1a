package access

import (
	"container/list"
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"spindlewright/pkg/clock"
)

const (
	// rememberFor is how long a verified token is taken without verifying it
	// again. Revocation does not wait for it.
	rememberFor = 30 * time.Second
	// rememberTokens is how many verified tokens are remembered.
	rememberTokens = 4096
)

// memory remembers verified tokens, the least recently used forgotten first.
// It keeps digests: a dump of memory holds no token that was not in flight.
type memory struct {
	next  Verifier
	clock clock.Clock // of the installation: a token ends by it
	pace  clock.Clock // of the machine: entries age by it

	mu     sync.Mutex
	order  *list.List // of remembered, most recently used first
	tokens map[[sha256.Size]byte]*list.Element
}

type remembered struct {
	key   [sha256.Size]byte
	p     Principal
	until time.Time
}

func remember(next Verifier, c, pace clock.Clock) *memory {
	return &memory{next: next, clock: c, pace: pace, order: list.New(), tokens: map[[sha256.Size]byte]*list.Element{}}
}

// Verify answers from memory, or asks the next verifier. Refusals are not
// remembered: a key may be published, or a clock right itself, any moment.
func (m *memory) Verify(ctx context.Context, token string) (Principal, error) {
	key := sha256.Sum256([]byte(token))
	if p, ok := m.get(key); ok {
		return p, nil
	}
	p, err := m.next.Verify(ctx, token)
	if err != nil {
		return Principal{}, err
	}
	m.put(remembered{key, p, m.pace.Now().Add(rememberFor)})
	return p, nil
}

func (m *memory) get(key [sha256.Size]byte) (Principal, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	at, ok := m.tokens[key]
	if !ok {
		return Principal{}, false
	}
	r := at.Value.(remembered)
	if !m.pace.Now().Before(r.until) || !m.clock.Now().Before(r.p.ExpiresAt) {
		m.drop(at)
		return Principal{}, false
	}
	m.order.MoveToFront(at)
	return r.p, true
}

func (m *memory) put(r remembered) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if at, ok := m.tokens[r.key]; ok {
		m.drop(at)
	}
	for m.order.Len() >= rememberTokens {
		m.drop(m.order.Back())
	}
	m.tokens[r.key] = m.order.PushFront(r)
}

func (m *memory) drop(at *list.Element) {
	delete(m.tokens, at.Value.(remembered).key)
	m.order.Remove(at)
}
